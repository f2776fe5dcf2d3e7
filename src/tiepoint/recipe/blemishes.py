"""Blemishes: where a picture goes beyond what good ones teach, measured on the ground.

What goes beyond is found on the grid of the good pictures; each blemish is then measured in the picture's own pixels,
as a patch is: its outline lies where its deviation is half of what it is inside. So its ± is made as that of a patch:
of the noise at its boundary, of how surely half is known, and of the tie.
"""

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, Value, Values, combine, constant, stack
from tiepoint.recipe.context import Context
from tiepoint.recipe.masks import own_places
from tiepoint.recipe.patch_values import box_of_patch, size_of
from tiepoint.recipe.regions import Shape
from tiepoint.vision.compare import Grid, Pattern, sampled
from tiepoint.vision.patches import DOUBT_PX, FEWEST_PX, Field, Patch, found_in, joined, measure_patch
from tiepoint.vision.patches_shape import X, Y

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

MEASURED = 12
"""So many of the largest are measured by their outline; of others the pixels are counted."""
MOST = 500
"""More than this and it is another part, or another light."""
LARGEST_PX = 1_000_000
"""What is larger is another part, another light or dirt all over: its outline would tell nothing, and take long."""
MARGIN_PX = 14
LEAST_DIFFER = 0.3
"""What good parts differ by at least, in spreads: of so little noise alone cannot be taken off."""
ARCS = 4
"""Parts of an outline along which what good parts differ by is taken to be alike, and not from one to another."""
EDGE_SLOPE = math.sqrt(math.tau)
"""Blur times the steepest slope of an edge of one level, inverted (Gaussian)."""


@dataclass(frozen=True)
class Blemish:
    """A blemish on the ground: its sizes, its place `xy` (two values), its `outlines` (n, 2), and its places on the
    grid (`pixels`). `is_clear`: it is large enough against its blur to show a deviation of its own. `is_cut`: it goes
    on beyond what is looked at.
    """

    area: Value
    length: Value
    width: Value
    xy: Values
    outlines: tuple[Array, ...]
    pixels: int
    is_clear: bool = False
    is_cut: bool = False


@dataclass(frozen=True)
class Beyond:
    """What goes beyond (rows, cols) on a grid put on a picture, whose levels are `gain` times the pattern's plus
    `offset`; `tolerance` (rows, cols) in levels of the pattern. Those less than `apart_px` of the grid apart are one.
    """

    picture: NDArray[Any]
    grid: Grid
    pattern: Pattern
    marks: NDArray[np.uint8]
    tolerance: NDArray[np.float32]
    spread: NDArray[np.float32]
    gain: float
    offset: float
    apart_px: float = 0.0


def blemishes(context: Context, shape: Shape, beyond: Beyond) -> tuple[Blemish, ...] | Reason:
    """Return what goes beyond, what touches at a corner taken together, those of most pixels first."""
    labels, stats = _components(beyond.marks, beyond.apart_px)
    if len(stats) - 1 > MOST:
        return Reason("many_blemishes", {"found": len(stats) - 1, "most": MOST})
    order = 1 + np.argsort(-stats[1:, cv2.CC_STAT_AREA], kind="stable")
    found: list[Blemish] = []
    for rank, label in enumerate(order.tolist()):
        box = stats[label, :4].tolist()
        one: Blemish | Reason | None = None
        if rank < MEASURED:
            one = _measured(context, shape, beyond, labels, label, box)
        if one is None:
            one = _counted(context, beyond, labels, label, box)
        if isinstance(one, Reason):
            return one
        found.append(one)
    return tuple(found)


def _components(marks: NDArray[np.uint8], apart_px: float) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Return the number of each mark's component (rows, cols), 0 outside of all, and left, top, width, height and size
    of each; only what is marked is gone through. Those that are less than `apart_px` apart are one."""
    labels = np.zeros(marks.shape, np.int32)
    rows = np.flatnonzero(marks.any(axis=1))
    every, count = [np.zeros((1, 5), np.int32)], 0
    # What lies beyond a row without any is another: so bands are gone through, not all that lies between them.
    for band in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if rows.size else ():
        cols = np.flatnonzero(marks[band[0] : band[-1] + 1].any(axis=0))
        part = np.s_[band[0] : band[-1] + 1, cols[0] : cols[-1] + 1]
        _, found, stats, _ = cv2.connectedComponentsWithStats(marks[part], connectivity=8, ltype=cv2.CV_32S)
        labels[part] = np.where(found > 0, found + count, 0)
        stats[:, :2] += [cols[0], band[0]]
        every.append(np.asarray(stats[1:], np.int32))
        count += len(stats) - 1
    told = np.vstack(every)
    return _joined(labels, told, apart_px) if apart_px > 0 and count > 1 else (labels, told)


def joins_alike(beyond: Beyond) -> bool:
    """Whether there are as many blemishes where those are one by somewhat less, or more, between them."""
    if beyond.apart_px == 0:
        return True
    counts = {len(_components(beyond.marks, max(beyond.apart_px + by, 0.0))[1]) for by in (-DOUBT_PX, 0.0, DOUBT_PX)}
    return len(counts) == 1


def _joined(
    labels: NDArray[np.int32], stats: NDArray[Any], apart_px: float
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    corner, size = stats[1:, :2].astype(np.int64), stats[1:, 2:4].astype(np.int64)
    pieces, boxes = stats[1:, 4].astype(np.int64), np.hstack([corner, corner + size])
    (left, top), (right, bottom) = boxes[:, :2].min(axis=0).tolist(), boxes[:, 2:].max(axis=0).tolist()
    labels[top:bottom, left:right], pixels, boxes = joined(labels[top:bottom, left:right], pieces, boxes, apart_px, 1)
    told = np.column_stack([boxes[:, :2], boxes[:, 2:] - boxes[:, :2], pixels])
    return labels, np.vstack([stats[:1], told]).astype(np.int32)


# --- by its outline --------------------------------------------------------------------------------------------------


def _measured(
    context: Context, shape: Shape, beyond: Beyond, labels: NDArray[np.int32], label: int, box: list[int]
) -> Blemish | Reason | None:
    """Return a blemish by its outline in the picture; None where it has too few pixels there to have one."""
    if box[2] * box[3] > LARGEST_PX:
        return None
    cut = _Cut.about(context, shape, beyond, box)
    here = labels[cut.rows, cut.cols] == label
    if not here.any():
        return None
    strongest = cut.off[here][int(np.argmax(np.abs(cut.off[here])))]
    sign = 1.0 if strongest > 0 else -1.0
    level = float(np.median(cut.tolerance[here]))
    height = np.where(cut.usable, sign * cut.off - level, 0.0)
    field = Field(height, cut.usable, False, np.zeros(height.shape, bool), cut.left, cut.top)
    # The grid has a place for each pixel.
    found = found_in(field, beyond.apart_px)
    hits = np.bincount(found.labels[here], minlength=len(found.pixels) + 1)[1:]
    if not hits.any() or found.pixels[int(np.argmax(hits))] < FEWEST_PX:
        return None
    number = int(np.argmax(hits))
    patch = measure_patch(field, found, number)
    sized = size_of(context, patch, label, sign > 0, False)
    if isinstance(sized, Reason):
        return None if sized.code == "not_a_number" else sized
    length, width = box_of_patch(context, sized, label, False)
    restless = _restless_px(beyond, cut, here, patch) * math.sqrt(
        abs(float(np.linalg.det(sized.mapped.d_px.mean(axis=0))))
    )
    around = math.pi * (length.value + width.value) / 2

    def wandering(value: Value, by: float, of: str) -> Value:
        name = f"good:{context.prefix}/{label}/{of}"
        return value.with_source(Source(name, "How good parts differ at the edge of a blemish", "A", by, "part"))

    place = [sized.values[X], sized.values[Y]]
    by_place = restless / math.sqrt(ARCS)
    return Blemish(
        area=wandering(sized.area, around * restless / math.sqrt(ARCS), "area"),
        length=wandering(length, math.sqrt(2) * restless, "length"),
        width=wandering(width, math.sqrt(2) * restless, "width"),
        xy=stack([wandering(value, by_place, of) for value, of in zip(place, "xy", strict=True)]),
        outlines=tuple(sized.loops()),
        pixels=int(here.sum()),
        is_clear=patch.is_clear,
        is_cut=patch.is_cut,
    )


def _restless_px(beyond: Beyond, cut: "_Cut", here: Bools, patch: Patch) -> float:
    """Return how far the outline wanders where good parts differ, in px (standard uncertainty of a place on it).

    What they differ by, beyond the noise of a pixel, over the slope of the blemish's edge.
    """
    spread = float(np.median(beyond.spread[cut.rows[here], cut.cols[here]]))
    differ = math.sqrt(max(spread**2 - patch.noise**2, 0.0))
    return max(differ, LEAST_DIFFER * spread) * EDGE_SLOPE * max(patch.blur_px, 0.5) / max(patch.contrast, 1e-12)


@dataclass(frozen=True)
class _Cut:
    """A part of the picture about a blemish, from its pixel (`left`, `top`), with what the good pictures say there.

    `off` (rows, columns) from the mean, `tolerance`, `usable`; `rows` and `cols` of the nearest place of the grid.
    """

    left: int
    top: int
    off: Array
    tolerance: Array
    usable: Bools
    rows: NDArray[np.int64]
    cols: NDArray[np.int64]

    @classmethod
    def about(cls, context: Context, shape: Shape, beyond: Beyond, box: list[int]) -> "_Cut":
        left, top, right, bottom = _box_px(beyond, box)
        x, y = np.meshgrid(np.arange(left, right), np.arange(top, bottom))
        px = np.column_stack([x.ravel(), y.ravel()]).astype(float)
        at = _grid_places(context, shape, beyond.grid, px)
        col, row = np.rint(at).astype(np.int64).T
        tall, wide = beyond.marks.shape
        within = (col >= 0) & (col < wide) & (row >= 0) & (row < tall)
        col, row = np.clip(col, 0, wide - 1), np.clip(row, 0, tall - 1)
        levels = beyond.picture[y.ravel(), x.ravel()].astype(float)
        off = (levels - beyond.offset) / beyond.gain - sampled(beyond.pattern.mean, at)
        usable = within & beyond.pattern.looked[row, col] & np.isfinite(off)
        off[~usable] = 0.0
        usable = usable.reshape(x.shape)
        usable[[0, -1]], usable[:, [0, -1]] = False, False
        tolerance = sampled(beyond.tolerance, at).reshape(x.shape)
        rows, cols = row.reshape(x.shape), col.reshape(x.shape)
        return cls(left, top, off.reshape(x.shape), tolerance, usable, rows, cols)


def _box_px(beyond: Beyond, box: list[int]) -> tuple[int, int, int, int]:
    """Return the part of the picture that shows a box of the grid, with a margin: left, top, right, bottom."""
    left, top, wide, tall = box
    corners = np.array([[x, y] for x in (left - 1, left + wide) for y in (top - 1, top + tall)], float)
    px = beyond.grid.px(corners)
    rows, cols = beyond.picture.shape
    low = np.maximum(np.floor(px.min(axis=0)).astype(int) - MARGIN_PX, 0)
    high = np.minimum(np.ceil(px.max(axis=0)).astype(int) + MARGIN_PX + 1, [cols, rows])
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _grid_places(context: Context, shape: Shape, grid: Grid, px: Array) -> Array:
    """Return the places (n, 2), column and row, of a moved grid that pixels (n, 2) show."""
    places = context.ground.way.map(px, with_sources=False).xy_mm / context.unit
    own = own_places(shape, places, is_down=context.ground.frame == "image")
    still = (own * [1, -1] + 1) / 2 * [grid.cols, grid.rows] - 0.5
    x, y, turn = grid.move
    c, s = math.cos(turn), math.sin(turn)
    return np.asarray((still - grid.middle - [x, y]) @ np.array([[c, -s], [s, c]]) + grid.middle)


# --- by its pixels ---------------------------------------------------------------------------------------------------


def _counted(
    context: Context, beyond: Beyond, labels: NDArray[np.int32], label: int, box: list[int]
) -> Blemish | Reason:
    """Return a blemish by the places of the grid that it covers: each of its sides may be off by a pixel."""
    left, top, wide, tall = box
    row, col = np.nonzero(labels[top : top + tall, left : left + wide] == label)
    at = np.column_stack([col + left, row + top]).astype(float)
    rectangle: tuple[Any, Any, Any] = cv2.minAreaRect(at.astype(np.float32))
    middle, (along, across), turn = rectangle[0], rectangle[1], math.radians(rectangle[2])
    way = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    half = np.array([along + 1, across + 1]) / 2
    ends = np.array(middle) + np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half @ way
    mapped = context.ground.way.map(beyond.grid.px(np.vstack([ends, [middle]])))
    if not mapped.inside.all():
        return Reason("outside_tie")
    around, pixel = mapped.xy_mm[:4], _pixel(mapped.xy_mm[:4], along + 1, across + 1)
    sides = sorted((float(np.hypot(*(around[k + 1] - around[k]))) for k in (0, 1)), reverse=True)
    n, name = len(at), f"pixels:{context.prefix}/{label}"

    def off_by(value: float, u: float, of: str) -> Value:
        return Value(value, {Source(f"{name}/{of}", "Whole pixels of a blemish", "B", u, "shot"): 1.0})

    return Blemish(
        area=off_by(n * pixel**2, 2 * math.sqrt(n) * pixel**2, "area"),
        length=off_by(sides[0], pixel / math.sqrt(2), "length"),
        width=off_by(sides[1], pixel / math.sqrt(2), "width"),
        xy=Values(mapped.xy_mm[4], mapped.d_sources[4], mapped.sources),
        outlines=(np.vstack([around, around[:1]]),),
        pixels=n,
    )


def _pixel(around: Array, along: float, across: float) -> float:
    """Return the ground units in one place of the grid, by a box (4, 2) of so many of them."""
    sides = [float(np.hypot(*(around[k + 1] - around[k]))) for k in (0, 1)]
    return math.sqrt(sides[0] * sides[1] / (along * across))


def total_of(found: tuple[Blemish, ...]) -> Value:
    """Return the area of all blemishes together."""
    if not found:
        return constant(0.0)
    return combine(math.fsum(b.area.value for b in found), [(b.area, 1.0) for b in found])
