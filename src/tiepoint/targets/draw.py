"""Printed patterns of known geometry: what is dark, where the feature points are. No eyes in here.

Frame: millimetres, x along the page's lower edge, y up; the origin is the outer corner of the lower left
square of an upright page (for dots: of the lower left dot's cell). Ids count from the origin, row by row.
"""

import hashlib
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from numbers import Integral
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Pattern = Literal["charuco", "checker", "dots"]

FAMILIES: dict[str, int] = {f"{n}x{n}_{count}": count for n in (4, 5, 6, 7) for count in (50, 100, 250, 1000)}
"""Marker families and how many markers each has; their bit patterns are those of OpenCV's aruco module."""

MARKER_SHARE = 0.7
"""A marker's side over the pitch: leaves 0.15 pitch of white, so that corners see only their own lines."""

DOT_SHARE = 0.25
LARGE_DOT_SHARE = 0.35
"""Radius over the pitch. Large dots near the origin tell a half turn (and a mirror) and stay good points."""

MARK_SHARE = 0.16
"""Radius over the pitch of the discs that mark a checker's origin, in the middle of white squares."""

LARGE_DOTS = ((0, 0), (1, 0), (2, 0), (0, 1))
MARKED_SQUARES = {True: ((1, 0), (0, 1), (2, 1)), False: ((0, 0), (1, 1), (2, 0))}
"""White squares near the origin that carry a disc, by whether the square at the origin is dark."""

FEWEST: dict[str, tuple[int, int]] = {"charuco": (3, 3), "checker": (4, 4), "dots": (4, 3)}
MOST_COLUMNS = 200
PITCHES_MM = (0.001, 1000.0)
"""From what glass carries to a metre from point to point."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What the ruler bars of the print measured: lengths in mm, with what, when, and u of one reading."""

    x_mm: float
    y_mm: float
    u_mm: float
    with_: str
    when_utc: str


@dataclass(frozen=True, slots=True)
class Layout:
    """A target's `variant` in parts; which of them matter depends on the pattern.

    `family` of markers (charuco); `share`: marker side, or dot radius, over the pitch; `first_dark`: colour
    of the top left square of an upright page; `marked`: whether the origin is marked (checker, dots);
    `first_id`: the number of the first marker (charuco).
    """

    family: str
    share: float
    first_dark: bool
    marked: bool
    first_id: int = 0


@dataclass(frozen=True)
class Target:
    """A printed pattern of known geometry. `columns` × `rows` counts squares (dots for `dots`).

    `variant` is written by `new_target` and read by `layout`: `5x5_250:0.7:dark-first` (charuco: family,
    marker side over pitch, colour of the top left square, and `:17` where the first marker is not 0),
    `marked:dark-first` or `plain:white-first` (checker), `marked:0.25` (dots: radius over pitch). `bar_x_mm`,
    `bar_y_mm` are the nominal lengths of the ruler bars; `material` is what bears it, one of `paper.MATERIALS`.
    """

    id: str
    pattern: Pattern
    pitch_mm: float
    columns: int
    rows: int
    variant: str
    bar_x_mm: float
    bar_y_mm: float
    measured: Measured | None = None
    traceable: bool = False
    material: str = "paper"

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the pattern."""
        return self.columns * self.pitch_mm, self.rows * self.pitch_mm

    @cached_property
    def layout(self) -> Layout:
        """The variant in parts."""
        return parse_variant(self.pattern, self.variant)


@dataclass(frozen=True)
class Shapes:
    """What is dark, in plane mm: convex polygons (k, 2) and discs (n, 3) of x, y, radius; none overlap."""

    polygons: tuple[Array, ...]
    discs: Array


@dataclass(frozen=True)
class Markers:
    """A charuco's markers: `ids` (n,), `corners_mm` (n, 4, 2) from the top left corner, clockwise as seen."""

    ids: Ints
    corners_mm: Array


def new_target(
    pattern: str,
    pitch_mm: float,
    columns: int,
    rows: int,
    *,
    family: str | None = None,
    share: float | None = None,
    first_dark: bool = True,
    marked: bool = True,
    first_id: int = 0,
    bars_mm: tuple[float, float] | None = None,
) -> Target:
    """Return a target with sensible markers and ruler bars, and an id derived from its content.

    `family`, `share`, `first_dark`, `marked` and `first_id` are those of `Layout`, for a pattern that was printed
    elsewhere; so are `bars_mm`, the nominal lengths by which its print is measured. Raises `UnusableInput` with a
    sentence where the numbers make no sense.
    """
    if pattern not in get_args(Pattern):
        raise UnusableInput(f"the pattern {pattern!r} is not known; use one of {', '.join(get_args(Pattern))}")
    _check_grid(pattern, pitch_mm, columns, rows)
    variant = _variant(pattern, columns * rows, family, share, first_dark, marked, first_id)
    bars = bars_mm or (bar_length(columns * pitch_mm), bar_length(rows * pitch_mm))
    return check(identified(pattern, pitch_mm, columns, rows, variant, *bars))


def identified(
    pattern: str, pitch_mm: float, columns: int, rows: int, variant: str, bar_x_mm: float, bar_y_mm: float
) -> Target:
    """Return a target whose id is the hash of what is printed."""
    printed = (pattern, float(pitch_mm), columns, rows, variant, float(bar_x_mm), float(bar_y_mm))
    digest = hashlib.sha256("|".join(str(part) for part in printed).encode()).hexdigest()
    name: Pattern = next(p for p in get_args(Pattern) if p == pattern)
    return Target(digest[:8], name, float(pitch_mm), columns, rows, variant, float(bar_x_mm), float(bar_y_mm))


def _variant(
    pattern: str, cells: int, family: str | None, share: float | None, first_dark: bool, marked: bool, first_id: int
) -> str:
    first = "dark-first" if first_dark else "white-first"
    if pattern == "charuco":
        numbered = f":{first_id}" if first_id else ""
        return f"{family or _smallest_family(cells)}:{MARKER_SHARE if share is None else share:g}:{first}{numbered}"
    mark = "marked" if marked else "plain"
    return f"{mark}:{first}" if pattern == "checker" else f"{mark}:{DOT_SHARE if share is None else share:g}"


def _smallest_family(cells: int) -> str:
    # Five by five bits: even its largest family keeps 5 bits between any two markers (4 × 4 only 2), and a
    # smaller family is a prefix of a larger one. Half the squares are white and carry a marker.
    needed = (cells + 1) // 2
    return next((f"5x5_{n}" for n in (50, 100, 250) if n >= needed), "5x5_1000")


def parse_variant(pattern: str, variant: str) -> Layout:
    """Return the parts of a variant; raises `UnusableInput` where it does not belong to the pattern."""
    parts = variant.split(":")
    try:
        if pattern == "charuco":
            family, share, first, *number = parts
            if family in FAMILIES and first in _FIRST and len(number) < 2:
                return Layout(family, float(share), _FIRST[first], True, int("".join(number) or 0))
        elif pattern == "checker":
            mark, first = parts
            if mark in _MARK and first in _FIRST:
                return Layout("", 0.0, _FIRST[first], _MARK[mark])
        else:
            mark, share = parts
            if mark in _MARK:
                return Layout("", float(share), True, _MARK[mark])
    except ValueError:
        pass
    raise UnusableInput(f"the variant {variant!r} does not belong to a {pattern} target; {_EXAMPLE[pattern]}")


_FIRST = {"dark-first": True, "white-first": False}
_MARK = {"marked": True, "plain": False}
_EXAMPLE = {
    "charuco": f"write it as 5x5_250:0.7:dark-first, with a family of {', '.join(FAMILIES)}",
    "checker": "write it as marked:dark-first, plain:dark-first or the same with white-first",
    "dots": "write it as marked:0.25 or plain:0.25, the radius over the pitch",
}


def bar_length(extent_mm: float) -> float:
    """Return the longest round length that is not longer than the pattern.

    Steps of 10 mm from 100 mm on, 5 mm from 50 mm, 1 mm from 10 mm, and so on down in decades.
    """
    decade = 10.0 ** math.floor(math.log10(extent_mm))
    step = min(decade / 10 if extent_mm < 5 * decade else decade / 2, 10.0)
    # A pattern of exactly 0.3 mm must not lose a step to the binary fraction.
    return float(f"{math.floor(extent_mm / step + 1e-9) * step:.12g}")


def own_lengths(pattern: str, pitch_mm: float, columns: int, rows: int) -> tuple[float, float]:
    """Return lengths along x and y by which a pattern without ruler bars is measured.

    From the first dot to the last one; from the first dark square of a row or column that begins with one to its last:
    read from left edge to left edge, and from lower to lower, ink that spreads makes no difference.
    """
    step = 1 if pattern == "dots" else 2
    x, y = (max((n - 1) // step, 1) * step * pitch_mm for n in (columns, rows))
    return x, y


def check(target: Target) -> Target:
    """Return the target if it can be printed and used; raise `UnusableInput` with a sentence otherwise."""
    _check_grid(target.pattern, target.pitch_mm, target.columns, target.rows)
    layout = target.layout
    if target.pattern == "charuco":
        _check_markers(target, layout)
    if target.pattern == "dots":
        _check_dots(layout)
    for axis, bar in (("x", target.bar_x_mm), ("y", target.bar_y_mm)):
        if not (math.isfinite(bar) and bar > 0):
            raise UnusableInput(f"the ruler bar along {axis} is {bar:g} mm long; it needs a length above 0")
    return target


def _check_grid(pattern: str, pitch_mm: float, columns: int, rows: int) -> None:
    """Raise `UnusableInput` for a number of squares or dots, or a pitch, of which no target can be made."""
    least_columns, least_rows = FEWEST[pattern]
    cells = "dots" if pattern == "dots" else "squares"
    for name, number in (("columns", columns), ("rows", rows)):
        if not isinstance(number, Integral):
            raise UnusableInput(f"{name} is {number}; give a whole number of {cells}")
    if columns < least_columns or rows < least_rows:
        raise UnusableInput(
            f"{columns} × {rows} {cells} are too few for a {pattern} target; "
            f"choose at least {least_columns} columns and {least_rows} rows"
        )
    if max(columns, rows) > MOST_COLUMNS:
        raise UnusableInput(
            f"{columns} × {rows} {cells} are more than can be found again; "
            f"choose at most {MOST_COLUMNS} columns and rows"
        )
    finest, widest = PITCHES_MM
    if not finest <= pitch_mm <= widest:
        raise UnusableInput(f"a pitch of {pitch_mm:g} mm cannot be printed; choose {finest:g} mm to {widest:g} mm")


def _check_dots(layout: Layout) -> None:
    # The large dots at the origin must stand out from the others.
    most = LARGE_DOT_SHARE - 0.07 if layout.marked else 0.45
    if not 0.05 <= layout.share <= most + 1e-9:
        raise UnusableInput(
            f"dots of radius {layout.share:g} of the pitch are not usable; "
            f"choose 0.05 to {most:g}, such as {DOT_SHARE:g}"
        )


def _check_markers(target: Target, layout: Layout) -> None:
    needed = len(marker_cells(target))
    if layout.first_id < 0:
        raise UnusableInput(f"the first marker is {layout.first_id}; markers are numbered from 0 on")
    if layout.first_id and layout.first_id + needed > FAMILIES[layout.family]:
        raise UnusableInput(
            f"{needed} markers from {layout.first_id} on are more than the family {layout.family} has, which ends "
            f"with {FAMILIES[layout.family] - 1}; choose a smaller first number, or the family that was printed"
        )
    if needed > FAMILIES[layout.family]:
        raise UnusableInput(
            f"{target.columns} × {target.rows} squares need {needed} markers and the family {layout.family} "
            f"has {FAMILIES[layout.family]}; choose fewer squares, or a checker, which needs no markers"
        )
    if not 0.3 <= layout.share <= 0.9:
        raise UnusableInput(f"markers of {layout.share:g} of the pitch are not usable; choose 0.3 to 0.9")


def dark_squares(target: Target) -> NDArray[np.bool_]:
    """Return which squares are dark, (rows, columns), counted from the origin."""
    row, column = np.ogrid[: target.rows, : target.columns]
    from_top = target.rows - 1 - row
    return np.asarray(((column + from_top) % 2 == 0) == target.layout.first_dark)


def origin_dark(target: Target) -> bool:
    """Return whether the square at the origin is dark."""
    return ((target.rows - 1) % 2 == 0) == target.layout.first_dark


def points(target: Target) -> tuple[Ints, Array]:
    """Return ids (n,) and nominal places (n, 2) in mm of the feature points (corners, dot centres)."""
    columns, rows, first = grid(target)
    y, x = np.divmod(np.arange(columns * rows), columns)
    return np.arange(columns * rows), (np.column_stack([x, y]) + first) * target.pitch_mm


def grid(target: Target) -> tuple[int, int, float]:
    """Return columns and rows of feature points, and the place of the first one in pitches."""
    if target.pattern == "dots":
        return target.columns, target.rows, 0.5
    return target.columns - 1, target.rows - 1, 1.0


def shapes(target: Target) -> Shapes:
    """Return everything dark on the sheet but its text: pattern, origin mark and ruler bars."""
    polygons = [*_squares(target), *_marker_polygons(target), *bars(target)]
    return Shapes(tuple(polygons), discs(target))


def _squares(target: Target) -> Iterator[Array]:
    if target.pattern != "dots":
        p = target.pitch_mm
        for row, column in np.argwhere(dark_squares(target)).tolist():
            yield rectangle(column * p, row * p, (column + 1) * p, (row + 1) * p)


def rectangle(x0: float, y0: float, x1: float, y1: float) -> Array:
    """Return a rectangle (4, 2), counter-clockwise."""
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def discs(target: Target) -> Array:
    """Return the dark discs (n, 3) of x, y, radius in mm: dots, or the marks at a checker's origin."""
    layout = target.layout
    if target.pattern == "dots":
        _, xy = points(target)
        radius = np.full(len(xy), layout.share)
        if layout.marked:
            radius[[row * target.columns + column for column, row in LARGE_DOTS]] = LARGE_DOT_SHARE
        return np.column_stack([xy, radius * target.pitch_mm])
    if target.pattern == "checker" and layout.marked:
        marked = np.array(MARKED_SQUARES[origin_dark(target)], float)
        return np.column_stack([marked + 0.5, np.full(len(marked), MARK_SHARE)]) * target.pitch_mm
    return np.empty((0, 3))


def marker_cells(target: Target) -> list[tuple[int, int]]:
    """Return (column, row) of the squares that carry a marker, in the order of the marker ids.

    White squares, row by row from the top left of an upright page: the order of OpenCV's boards, so that a
    board printed elsewhere can be described.
    """
    light_from_top = np.argwhere(~dark_squares(target)[::-1]).tolist()
    return [(column, target.rows - 1 - from_top) for from_top, column in light_from_top]


def markers(target: Target) -> Markers:
    """Return where a charuco's markers are."""
    share = target.layout.share
    middle = (np.array(marker_cells(target), float) + 0.5) * target.pitch_mm
    half = 0.5 * share * target.pitch_mm
    around = half * np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
    return Markers(target.layout.first_id + np.arange(len(middle)), middle[:, None, :] + around)


def _marker_polygons(target: Target) -> Iterator[Array]:
    if target.pattern != "charuco":
        return
    found = markers(target)
    for number, corners in zip(found.ids, found.corners_mm, strict=True):
        cells = dark_cells(target.layout.family, int(number))
        size = target.layout.share * target.pitch_mm / cells[0]
        x, y = corners[0]
        for x0, y0, x1, y1 in cells[1]:
            yield rectangle(x + x0 * size, y - y1 * size, x + x1 * size, y - y0 * size)


@lru_cache(maxsize=2048)
def dark_cells(family: str, number: int) -> tuple[int, tuple[tuple[int, int, int, int], ...]]:
    """Return cells per side of a marker with its border, and its dark cells as rectangles (x0, y0, x1, y1).

    Rectangles count in cells from the top left, y down; equal runs in neighbouring rows are joined.
    """
    import cv2  # only for the bit patterns

    bits = int(family[0])
    side = bits + 2
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{family.upper()}"))
    picture = cv2.aruco.generateImageMarker(dictionary, number, side, borderBits=1)
    open_runs: dict[tuple[int, int], int] = {}
    done: list[tuple[int, int, int, int]] = []
    for y in range(side + 1):
        runs = set(_dark_runs(picture[y])) if y < side else set()
        done += [(x0, open_runs.pop((x0, x1)), x1, y) for x0, x1 in sorted(set(open_runs) - runs)]
        for run in runs:
            open_runs.setdefault(run, y)
    return side, tuple(done)


def _dark_runs(row: NDArray[np.uint8]) -> Iterator[tuple[int, int]]:
    steps = np.flatnonzero(np.diff(np.concatenate([[0], (row == 0).astype(int), [0]])))
    yield from zip(steps[::2].tolist(), steps[1::2].tolist(), strict=True)


@dataclass(frozen=True, slots=True)
class BarStyle:
    """Sizes of the ruler bars in mm: distance from the pattern, end line's length, line width."""

    offset: float
    tick: float
    line: float


def bar_style(target: Target) -> BarStyle:
    """Return sizes that suit the pitch, within what a person with a rule can use."""
    p = target.pitch_mm
    return BarStyle(offset=min(0.9 * p, 14.0), tick=min(0.5 * p, 8.0), line=min(0.03 * p, 0.35))


def bars(target: Target) -> tuple[Array, ...]:
    """Return the ruler bars' polygons: one below, one to the left of the pattern, each with two end lines.

    A bar's nominal length runs from the middle of one end line to the middle of the other: whoever reads from an
    edge of one to the same edge of the other is not misled by ink that spreads.
    """
    width, height = target.size_mm
    style = bar_style(target)
    along_x = _bar(target.bar_x_mm, (width - target.bar_x_mm) / 2, style)
    along_y = _bar(target.bar_y_mm, (height - target.bar_y_mm) / 2, style)
    # Reflection about the diagonal turns the one along x into the one along y; reversed, to stay
    # counter-clockwise.
    return along_x + tuple(polygon[::-1, ::-1] for polygon in along_y)


def _bar(length: float, start: float, style: BarStyle) -> tuple[Array, ...]:
    half, end = style.line / 2, start + length
    low, high = -style.offset - style.tick / 2, -style.offset + style.tick / 2
    return (
        rectangle(start - half, low, start + half, high),
        rectangle(start + half, -style.offset - half, end - half, -style.offset + half),
        rectangle(end - half, low, end + half, high),
    )
