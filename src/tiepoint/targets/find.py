"""Find a printed target in a picture and measure its feature points.

Two passes: `find_target` needs nothing but the picture; `refine` uses the map of a first tie, which lets it
read along lines up to half way to the next corner, and fit a dot's rim as the map shows it.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import NothingFound, UnusablePicture
from tiepoint.foundation.reasons import flag
from tiepoint.targets.draw import Target, discs, grid, points
from tiepoint.targets.levels import Levels
from tiepoint.targets.look import Look, ends_within, look, pitch_px
from tiepoint.targets.measure import FULL_REACH_PX, Local, Points, full_corners, full_dots, rim_band
from tiepoint.targets.seat import seat
from tiepoint.targets.seen import Attempt, explain
from tiepoint.vision.dots import Rims, map_template
from tiepoint.vision.full_scale import full_scale
from tiepoint.vision.light import step_slopes

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Picture = NDArray[Any]
ToImage = Callable[[Array], Array]

FEWEST_POINTS = 8
_SMALLEST_PX = 32
_PARTLY = 0.9
_TWIN = 0.4
_BLURRED_PX = 3.0
_PIXEL_VARIANCE = 1 / 12


@dataclass(frozen=True)
class Sighting:
    """A target found in a picture: n feature points.

    `ids` (n,) and `plane_mm` (n, 2): the nominal points; `px` (n, 2) and `cov_px` (n, 2, 2) in px²: where they
    are in the picture, and how well. `light` and `dark` (n,): grey levels of both sides there; `noise` in grey
    levels and `contrast` (light minus dark) are medians; `blur_px` is the lens's (a pixel's own width is taken
    off); `pitch_px` the median distance of neighbours; `full` says whether the pass that rests on a tie was made.
    """

    target: Target
    ids: Ints
    plane_mm: Array
    px: Array
    cov_px: Array
    light: Array
    dark: Array
    noise: float
    blur_px: float
    contrast: float
    pitch_px: float
    flags: tuple[str, ...]
    full: bool = False


def find_target(picture: Picture, target: Target) -> Sighting:
    """Find `target` in `picture` (h, w; u8, u16 or f32 grey) and measure its points: the quick pass.

    Raises `NothingFound`, which says what was seen instead and why it is not enough, and `UnusablePicture`
    where the array is not a grey picture.
    """
    _check_picture(picture)
    levels = Levels(picture)
    attempts: list[Attempt] = []
    for step in levels.steps:
        found = look(levels, levels.at(step), target)
        attempt = _attempt(found, target)
        attempts.append(attempt)
        if attempt.twins:
            break
        if attempt.place is None or not attempt.accepted:
            continue
        measured = found.measure(picture, attempt.place, target)
        if target.pattern != "charuco" and ends_within(attempt.place, measured, picture.shape):
            attempts[-1] = replace(attempt, ends=True)
        elif len(measured.ids) >= FEWEST_POINTS:
            turn = ["half_turn_unknown"] if attempt.place.rivals else []
            return _sighting(picture, target, measured, turn, attempt.pitch_px)
        else:
            attempts[-1] = replace(attempt, measured=len(measured.ids))
    raise NothingFound(explain(levels, target, attempts))


def refine(picture: Picture, sighting: Sighting, to_image: ToImage) -> Sighting:
    """Measure the sighting's points again with all that the picture offers: the full pass.

    `to_image` maps nominal plane mm (n, 2) to px (n, 2): a first tie's. It gives the lines' curvature and the
    rims' shape only; the points themselves stay free of it.
    """
    _check_picture(picture)
    target = sighting.target
    blur = math.sqrt(sighting.blur_px**2 + _PIXEL_VARIANCE)
    if target.pattern == "dots":
        found = full_dots(picture, _rims(picture, sighting, to_image, blur), sighting.ids, blur)
    else:
        found = full_corners(picture, _mapped_shape(sighting, to_image), blur, target)
    if len(found.ids) < FEWEST_POINTS:
        raise NothingFound(
            f"only {len(found.ids)} of {len(sighting.ids)} points of the target stood a second look: "
            "the first tie does not fit the picture"
        )
    turn = [f for f in sighting.flags if f == "half_turn_unknown"]
    return replace(_sighting(picture, target, found, turn, sighting.pitch_px), full=True)


def _check_picture(picture: Picture) -> None:
    if picture.ndim != 2:
        raise UnusablePicture(f"a grey picture has two dimensions, this one has {picture.ndim}")
    if picture.dtype not in (np.uint8, np.uint16, np.float32):
        raise UnusablePicture(f"a picture of {picture.dtype} cannot be measured; convert it to 8 or 16 bit grey")
    if picture.dtype == np.float32 and not np.isfinite(picture).all():
        raise UnusablePicture("the picture holds numbers that are not finite")
    if min(picture.shape) < _SMALLEST_PX:
        height, width = picture.shape
        raise NothingFound(f"the picture has {width} × {height} px, too few to show a target")


def _attempt(found: Look, target: Target) -> Attempt:
    """Look for the target in one level: which grid there is, where it belongs, whether there are two."""
    attempt = Attempt(found)
    if found.lattice is None:
        return attempt
    evidence = found.evidence(target)
    attempt = replace(attempt, evidence=evidence, pitch_px=pitch_px(evidence), place=seat(evidence, target))
    return replace(attempt, twins=attempt.accepted and _has_twin(found, target, attempt.pitch_px))


def _has_twin(found: Look, target: Target, pitch: float) -> bool:
    """Return whether what is left over shows the same target once more, for the most part."""
    columns, rows, _ = grid(target)
    rest = found.another()
    enough = 0.5 * columns * rows
    if rest.count < enough or rest.lattice is None or len(rest.lattice.members) < enough:
        return False
    evidence = rest.evidence(target)
    # A picture of the target within the picture (on a screen, say) is much smaller than the target.
    return pitch_px(evidence) > _TWIN * pitch and seat(evidence, target) is not None


def _sighting(picture: Picture, target: Target, found: Points, flags: list[str], pitch: float) -> Sighting:
    _, plane = points(target)
    columns, rows, _ = grid(target)
    blur = math.sqrt(max(found.blur_px**2 - _PIXEL_VARIANCE, 0.0))
    stated = {
        "blurred": blur > _BLURRED_PX,
        "low_contrast": found.contrast < 10 * found.noise,
        "partly_seen": len(found.ids) < _PARTLY * columns * rows,
        "saturated": float((found.light >= full_scale([picture]) - 1.0).mean()) > 0.05,
    }
    return Sighting(
        target=target,
        ids=found.ids,
        plane_mm=plane[found.ids],
        px=found.px,
        cov_px=found.cov_px2,
        light=found.light,
        dark=found.dark,
        noise=found.noise,
        blur_px=blur,
        contrast=found.contrast,
        pitch_px=pitch,
        flags=tuple(sorted(flag(code) for code in [*flags, *(c for c, holds in stated.items() if holds)])),
    )


def _mapped_shape(sighting: Sighting, to_image: ToImage) -> Local:
    """Return the grid's shape as a tie shows it, over the stretch along the lines that will be read."""
    pitch = sighting.target.pitch_mm
    step = min(FULL_REACH_PX / sighting.pitch_px, 0.48)
    middle = to_image(sighting.plane_mm)
    ahead = [to_image(sighting.plane_mm + step * pitch * axis) for axis in np.eye(2)]
    behind = [to_image(sighting.plane_mm - step * pitch * axis) for axis in np.eye(2)]
    first = [(a - b) / (2 * step) for a, b in zip(ahead, behind, strict=True)]
    bends = [(a + b - 2 * middle) / step**2 for a, b in zip(ahead, behind, strict=True)]
    second = np.stack([bends[0], np.zeros_like(middle), bends[1]], axis=1)
    return Local(sighting.ids, sighting.px, np.stack(first, axis=2), second)


_RINGS = ((0.0, 1), (0.75, 7), (1.1, 9))
"""Radii over the dot's, and how many places on each: enough for a cubic, and few, since a tie's map takes time."""


def _rims(picture: Picture, sighting: Sighting, to_image: ToImage, blur: float) -> Rims:
    """Return the dots' rims as a tie shows them, and the slopes of the light from the levels seen before."""
    samples = np.concatenate([_ring(share, count) for share, count in _RINGS])
    radius = discs(sighting.target)[sighting.ids, 2]
    n, k = len(radius), len(samples)
    places = sighting.plane_mm[:, None] + samples * radius[:, None, None]
    centre = to_image(sighting.plane_mm)
    offsets = to_image(places.reshape(-1, 2)).reshape(n, k, 2) - centre[:, None]
    outer, count = _RINGS[-1]
    size = np.sqrt((offsets[:, -count:] ** 2).sum(axis=2).mean(axis=1)) / outer
    template = map_template(np.broadcast_to(samples, (n, k, 2)), offsets, size)
    band = rim_band(blur, size, np.full(n, sighting.pitch_px))
    light, dark = sighting.light, sighting.dark
    slopes = step_slopes(centre, (light + dark) / 2, (light - dark) / 2, full_scale([picture]))
    return Rims(centre, size, template, band, slopes)


def _ring(share: float, count: int) -> Array:
    angle = share + np.arange(count) * (2 * math.pi / count)
    return share * np.column_stack([np.cos(angle), np.sin(angle)])
