"""What was seen where a target was not found, and why it is not enough: a sentence that helps."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.targets.draw import FAMILIES, MOST_COLUMNS, Target, grid, identified
from tiepoint.targets.levels import Levels
from tiepoint.targets.look import CornerLook, DotLook, Look, lattice_size
from tiepoint.targets.seat import Evidence, Seat, seat

_LOW_CONTRAST = 0.06
"""Share of the grey range below which a picture is called almost even."""

_SMALL_PX = 10.0
_BLURRED_PX, _VERY_BLURRED_PX = 4.0, 8.0
_A_GRID = 9
_FEW_MARKERS = 3
_OTHER_SHARE = 0.12
"""By this share the markers seen must differ from those stated: tilt alone makes some squares larger than others."""
_FILLED = 0.6
"""Share of a grid's places that must be taken: what happens to lie regularly leaves gaps."""


@dataclass(frozen=True)
class Attempt:
    """One look at one level: what grid it showed, and where it was laid on the target."""

    look: Look
    evidence: Evidence | None = None
    pitch_px: float = 0.0
    place: Seat | None = None
    twins: bool = False
    measured: int | None = None
    ends: bool = False

    @property
    def accepted(self) -> bool:
        """Whether the grid is the target, in a position that nothing contradicts."""
        place = self.place
        if place is None or place.marks_wrong > 0:
            return False
        return place.rivals == 0 or place.same_cells

    @property
    def size(self) -> int:
        """How many points the grid has."""
        return _size(self.look)


def explain(levels: Levels, target: Target, attempts: list[Attempt]) -> str:
    """Return why `target` was not found: what was seen, and what would help."""
    # Where a grid could be laid on the target, that look knows most; else the one that saw the largest grid.
    best = max(attempts, key=lambda attempt: (attempt.place is not None, attempt.size))
    name = f"the {target.pattern} target {target.id} was not found"
    for sentence in _findings(levels, target, best, attempts):
        return f"{name}: {sentence}"
    return (
        f"{name}: no grid of {best.look.kind} stands out in the picture; its squares or dots must be at least "
        f"{_SMALL_PX:g} px wide, sharp, and for the most part in view"
    )


def _findings(levels: Levels, target: Target, best: Attempt, attempts: list[Attempt]) -> Iterator[str]:
    if any(attempt.twins for attempt in attempts):
        yield "the picture shows it twice; cover one of them, or crop the picture"
    span = _span(levels)
    if span < _LOW_CONTRAST:
        yield f"the picture is almost even, its grey levels span {100 * span:.1f} % of their range; it needs light"
    blur = _sharpest_edge_px(levels)
    unsharp = f"the sharpest edge in the picture is blurred over {blur:.0f} px; focus, or expose for a shorter time"
    if blur > _VERY_BLURRED_PX:
        yield unsharp
    other = _other_look(levels, target)
    if _is_grid(other) and (not _is_grid(best.look) or _size(other) > 2 * best.size):
        yield _of_another_kind(other)
    if best.evidence is not None and _is_grid(best.look):
        yield from _about_grid(levels, best, best.evidence, target)
    if target.pattern != "dots":
        for family in _families_seen(levels):
            yield f"the picture shows markers of the family {family}, but no grid of squares that fits the target"
    if blur > _BLURRED_PX:
        yield unsharp


def _size(look: Look) -> int:
    return 0 if look.lattice is None else len(look.lattice.members)


def _is_grid(look: Look) -> bool:
    """Return whether a look shows a grid of some size with few gaps."""
    if look.lattice is None or _size(look) < _A_GRID:
        return False
    wide, high = lattice_size(look.lattice)
    return _size(look) >= _FILLED * wide * high


def _about_grid(levels: Levels, best: Attempt, evidence: Evidence, target: Target) -> Iterator[str]:
    """Say what is wrong with a grid that was seen."""
    columns, rows, _ = grid(target)
    wide, high = lattice_size(best.look.lattice) if best.look.lattice is not None else (0, 0)
    points = "dots" if target.pattern == "dots" else "inner corners"
    saw = f"a grid of {wide} × {high} {points} was seen"
    has = f"the target has {max(columns, rows)} × {min(columns, rows)}"
    if target.pattern != "dots" and {wide, high} == {target.columns, target.rows} and _larger(best.look, target):
        yield (
            f"{saw}, as many as the target has columns and rows, which count squares: of such a board write "
            f"{target.columns + 1} columns and {target.rows + 1} rows (`tiepoint target describe`)"
        )
    if _fits(seat(evidence.mirrored(), target)):
        yield "it was seen mirrored; turn off the camera's flip, or take the picture without a mirror"
    if target.columns != target.rows and _fits(seat(evidence, _swapped(target))):
        yield (
            f"rows and columns are swapped: the picture shows {target.rows} columns × {target.columns} rows, "
            f"the target says {target.columns} columns × {target.rows} rows"
        )
    if best.measured is not None:
        yield f"{saw}, but only {best.measured} of its points can be measured; the picture is too coarse or unsharp"
    place = best.place
    if place is not None and place.marks_wrong:
        yield f"{saw} without this target's origin mark; is it another print?"
    if place is not None and place.rivals:
        yield (
            f"only {wide} × {high} of {max(columns, rows)} × {min(columns, rows)} {points} are in view and nothing "
            "tells which; show the whole target, or use a charuco"
        )
    if best.pitch_px < _SMALL_PX:
        yield f"{saw}, only {best.pitch_px:.1f} px apart; come closer, until it is {_SMALL_PX:g} px or more"
    if best.ends:
        yield f"{saw} and nothing beyond it, {has}; is it another target, or is a whole side hidden?"
    if {wide, high} != {columns, rows} and (wide > max(columns, rows) or high > min(columns, rows)):
        yield f"{saw} and {has}; is it another target?"
    yield from _about_squares(levels, best, evidence, target, saw)
    yield f"{saw} and {has}; what the picture shows does not fit, is it another target or partly hidden?"


def _about_squares(levels: Levels, best: Attempt, evidence: Evidence, target: Target, saw: str) -> Iterator[str]:
    if target.pattern == "dots":
        return
    families = _families_seen(levels)
    if target.pattern == "checker":
        for family in families[:1]:
            yield f"{saw} whose squares carry markers of the family {family}; it is a charuco"
        return
    plain = any(_fits(seat(_middles(evidence), other), wholly=False) for other in _plain_checkers(target))
    if plain and not _carries_markers(evidence):
        yield f"{saw} whose squares carry no markers; it is a checker"
    if _fits(seat(evidence, _other_colour(target))):
        yield f"{saw} with the colours exchanged: its first square, top left, has not the colour that the target says"
    if families and not any(target.layout.family.startswith(family[:3]) for family in families):
        yield (
            f"{saw} with markers of the family {families[0][:3]}, and the target has {target.layout.family}; take the "
            f"target.json of this print, or write one (`tiepoint target describe --family {families[0][:3]}_…`)"
        )
    yield from _about_markers(levels, best, target, saw)
    cell = best.pitch_px * target.layout.share / evidence.dark.shape[2]
    blur = _sharpest_edge_px(levels)
    if cell < 2.5 or blur > 0.7 * cell:
        yield (
            f"{saw}, but its markers cannot be read: their cells are {cell:.1f} px wide, and edges are blurred over "
            f"{blur:.1f} px; come closer, or focus"
        )


def _about_markers(levels: Levels, best: Attempt, target: Target, saw: str) -> Iterator[str]:
    """Say so where markers of the target's own family have another size than the target says."""
    side_px = _marker_side_px(levels, target.layout.family)
    share = side_px / best.pitch_px if best.pitch_px else 0.0
    if share and abs(share / target.layout.share - 1) > _OTHER_SHARE:
        yield (
            f"{saw} with markers of {share:.2f} of a square's side, and the target says {target.layout.share:g}: "
            "measure a marker, its dark border included, and a square (`tiepoint target describe --marker … --pitch …`)"
        )


def _marker_side_px(levels: Levels, family: str) -> float:
    """Return the side of the family's markers, the middle one of those in view, in px; 0 where there are few."""
    level = levels.at_most(2.0)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{family.upper()}"))
    outlines, _, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(_stretched(level.grey))
    if len(outlines) < _FEW_MARKERS:
        return 0.0
    corners = np.asarray(outlines, float).reshape(-1, 4, 2)
    return level.factor * float(np.median(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)))


def _larger(look: Look, target: Target) -> bool:
    """Return whether a look shows more points than the target has."""
    columns, rows, _ = grid(target)
    return _size(look) > columns * rows


def _fits(place: Seat | None, *, wholly: bool = True) -> bool:
    return place is not None and place.marks_wrong == 0 and (place.rivals == 0 or not wholly)


def _swapped(target: Target) -> Target:
    return replace(target, columns=target.rows, rows=target.columns)


def _other_colour(target: Target) -> Target:
    first = {"dark-first": "white-first", "white-first": "dark-first"}
    *parts, colour = target.variant.split(":")
    return replace(target, variant=":".join([*parts, first[colour]]))


def _plain_checkers(target: Target) -> Iterator[Target]:
    for colour in ("dark-first", "white-first"):
        yield identified("checker", target.pitch_mm, target.columns, target.rows, f"plain:{colour}", 1.0, 1.0)


def _middles(evidence: Evidence) -> Evidence:
    side = evidence.dark.shape[2] // 2
    return replace(evidence, dark=evidence.dark[:, :, side : side + 1, side : side + 1])


def _carries_markers(evidence: Evidence) -> bool:
    """Return whether squares show more than one colour inside."""
    dark = evidence.dark[evidence.seen].mean(axis=(1, 2))
    return bool(((dark > 0.15) & (dark < 0.85)).mean() > 0.2) if dark.size else False


def _other_look(levels: Levels, target: Target) -> Look:
    """Look for a grid of the other kind."""
    level, many = levels.at(levels.steps[0]), MOST_COLUMNS**2
    return CornerLook(levels, level, many) if target.pattern == "dots" else DotLook(levels, level, many)


def _of_another_kind(other: Look) -> str:
    assert other.lattice is not None
    wide, high = lattice_size(other.lattice)
    what = "corners, a checker or charuco" if other.kind == "corners" else "dots"
    return f"the picture shows a grid of {wide} × {high} {what}; it is another kind of target"


def _families_seen(levels: Levels) -> list[str]:
    """Return families of which several markers are in the picture, most first."""
    eight = _stretched(levels.at_most(2.0).grey)
    found: dict[str, int] = {}
    for family in (name for name in FAMILIES if name.endswith("_1000")):
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{family.upper()}"))
        _, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(eight)
        found[family] = 0 if ids is None else len(ids)
    return sorted((name for name, count in found.items() if count >= _FEW_MARKERS), key=lambda name: -found[name])


def _stretched(grey: NDArray[np.float32]) -> NDArray[np.uint8]:
    low, high = np.percentile(grey[::4, ::4], (1, 99))
    return np.asarray(np.clip((grey - low) * (255.0 / max(float(high - low), 1.0)), 0, 255), np.uint8)


def _span(levels: Levels) -> float:
    """Return the share of the grey range between the darkest and brightest percent."""
    grey = levels.at(levels.steps[0]).grey
    low, high = np.percentile(grey, (1, 99))
    return float(high - low) / levels.full_scale


def _sharpest_edge_px(levels: Levels) -> float:
    """Return the blur of the steepest edges: a step C blurred by w is C/(√2π·w) steep."""
    level = levels.at_most(2.0)
    across, down = cv2.Sobel(level.grey, cv2.CV_32F, 1, 0), cv2.Sobel(level.grey, cv2.CV_32F, 0, 1)
    steep = float(np.percentile(np.hypot(across, down), 99.9)) / 8
    low, high = np.percentile(level.grey[::4, ::4], (1, 99))
    return float(high - low) * level.factor / (float(np.sqrt(2 * np.pi)) * max(steep, 1e-9))
