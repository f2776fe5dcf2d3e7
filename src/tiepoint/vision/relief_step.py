"""Relief to millimetres after a known step: what the relief makes of its height, and how well that is known.

Slopes err by a factor that no picture shows (a lamp that stands higher than stated makes all of them smaller), and so
does what they add up to. A step of known height, seen under the same lamps, tells the factor. The step is read as
ISO 5436-1 reads a groove: in strips beside the edge, clear of its flank, over a plane that both strips share. We
depart from it in the strips' widths, which are the feature's, and in medians for means.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.vision.relief_lights import Ground

Array = NDArray[np.float64]
Span = tuple[float, float]
Box = tuple[Span, Span]
"""From where to where along x and along y."""

SEGMENTS = 8
"""A strip is read in so many lengths, whose scatter tells its noise."""
NARROWEST_PX, SHORTEST_PX = 3.0, 24.0
KNOWN = 1 / 3
"""A factor of which a greater share than this is uncertain scales nothing."""
PLAUSIBLE = 2.0
"""Where the plane is in mm the factor is near 1: beyond twice or half, the flank was not seen, or is another step's."""
LOST_SHARE = 0.05
"""Of the flank and its strips, without three good lamps: the rest would have to be made up."""


@dataclass(frozen=True, slots=True)
class Step:
    """A step of `height_mm` with its standard uncertainty, and level ground on its `low` and `high` side.

    The boxes stand beside one edge that runs along x or y; the flank lies in the gap between them. In mm on the plane,
    or in px of the picture, y down, where it has none.
    """

    low: Box
    high: Box
    height_mm: float
    u_height_mm: float


@dataclass(frozen=True, slots=True)
class Reading:
    """A step as relief shows it, in its unit: `step`, high less low, and the standard uncertainties that it has.

    `u_noise` by the scatter along the edge, `u_bow` the most that the same strips make of bare ground.
    """

    step: float
    u_noise: float
    u_bow: float

    @property
    def u(self) -> float:
        """The standard uncertainty of the step."""
        return math.hypot(self.u_noise, self.u_bow)


@dataclass(frozen=True, slots=True)
class Scale:
    """What relief is to be multiplied by to be in mm, with its standard uncertainty; `reading` of the known step."""

    factor: float
    u: float
    reading: Reading


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two strips `width` wide, `gap` apart, across an axis (0 for x, 1 for y), the first beginning at `begin`."""

    axis: int
    along: Span
    begin: float
    width: float
    gap: float

    @property
    def span(self) -> float:
        return 2 * self.width + self.gap

    def laid(self, begin: float) -> "_Pair":
        return _Pair(self.axis, self.along, begin, self.width, self.gap)


def scale_of(relief: NDArray[Any], used: NDArray[Any], ground: Ground, step: Step, feature_px: float) -> Scale | str:
    """Return what makes millimetres of a relief (rows, cols) that shows a known step, or why it does not, in a clause.

    `used` as `Relief` has it. `feature_px`: the greatest width of the strips.
    """
    read = read_step(relief, used, ground, step.low, step.high, feature_px)
    if isinstance(read, str):
        return read
    told = f"{read.step:.3g} {ground.unit} (± {2 * read.u:.2g})"
    if read.step < 0:
        return f"the step reads as {told}, as if high were below low: exchange them, or lamps are exchanged"
    share = math.hypot(step.u_height_mm / step.height_mm, read.u / max(read.step, 1e-12))
    if share > KNOWN:
        return f"the step reads as {told}, and is stated to {2 * step.u_height_mm:.2g} mm: take a higher one"
    factor = step.height_mm / read.step
    if ground.unit == "mm" and not 1 / PLAUSIBLE < factor < PLAUSIBLE:
        return (
            f"the step reads as {told} where {step.height_mm:g} mm are stated, which no lamp explains: take one whose "
            "flank slopes gently, and look at height_mm"
        )
    return Scale(factor, factor * share, read)


def read_step(
    relief: NDArray[Any], used: NDArray[Any], ground: Ground, low: Box, high: Box, feature_px: float
) -> Reading | str:
    """Return how far the `high` box lies above the `low` one, in the relief's unit, or why that cannot be read."""
    axes = ground if ground.unit == "mm" else Ground(np.eye(2), np.zeros(2), "px")
    if any(not _within(box, axes, relief.shape) for box in (low, high)):
        return "low or high leaves the picture"
    px = math.sqrt(abs(float(np.linalg.det(axes.matrix))))
    pair = _pair(low, high, px, feature_px)
    if isinstance(pair, str):
        return pair
    values = [_read(relief, used, axes, pair)]
    sign = 1.0 if high[pair.axis][0] >= low[pair.axis][1] else -1.0
    values += [_read(relief, used, axes, place) for box in (low, high) for place in _bare(pair, box[pair.axis])]
    if any(one is None for one in values):
        return "too few lamps reach the step's flank or its ground"
    (step, noise), *bare = [one for one in values if one is not None]
    return Reading(sign * step, noise, max(abs(value) for value, _ in bare))


def _pair(low: Box, high: Box, px: float, feature_px: float) -> _Pair | str:
    """Return the strips beside the edge, as wide as a feature or as leaves room for as many on bare ground."""
    gaps = [max(high[k][0] - low[k][1], low[k][0] - high[k][1]) for k in range(2)]
    axis = int(np.argmax(gaps))
    if gaps[axis] < 0:
        return "low and high overlap"
    across = 1 - axis
    along = (max(low[across][0], high[across][0]), min(low[across][1], high[across][1]))
    if along[1] - along[0] < SHORTEST_PX * px:
        return f"low and high lie beside one another for less than {SHORTEST_PX:g} px of an edge"
    widths = [box[axis][1] - box[axis][0] for box in (low, high)]
    gap = gaps[axis]
    width = min(feature_px * px, *widths, (max(widths) - gap) / 2)
    if width < NARROWEST_PX * px:
        return (
            f"low and high are too narrow, {widths[0] / px:.3g} px and {widths[1] / px:.3g} px: one must hold the gap "
            f"of {gap / px:.3g} px and two strips of {NARROWEST_PX:g} px"
        )
    edge = min(low[axis][1], high[axis][1])
    return _Pair(axis, along, edge - width, width, gap)


def _bare(pair: _Pair, room: Span) -> list[_Pair]:
    """Return the strips laid into a box, from one end of it to the other, half upon one another."""
    spare = room[1] - room[0] - pair.span
    if spare < -1e-9 * pair.span:
        return []
    steps = max(math.ceil(2 * spare / pair.span - 1e-9), 0)
    return [pair.laid(room[0] + (spare * k / steps if steps else 0.0)) for k in range(steps + 1)]


def _read(relief: NDArray[Any], used: NDArray[Any], axes: Ground, pair: _Pair) -> tuple[float, float] | None:
    """Return by how much the farther strip is higher, and the sd of that; None where too much is left out."""
    whole = (pair.begin, pair.begin + pair.span)
    box: Box = (whole, pair.along) if pair.axis == 0 else (pair.along, whole)
    rows, cols = _window(box, axes, relief.shape)
    x, y = np.meshgrid(np.arange(cols.start, cols.stop, dtype=float), np.arange(rows.start, rows.stop, dtype=float))
    places = axes.at(np.stack([x, y], -1))
    across, along = places[..., pair.axis] - pair.begin, places[..., 1 - pair.axis]
    inside = (across >= 0) & (across <= pair.span) & (along >= pair.along[0]) & (along <= pair.along[1])
    good = inside & (used[rows, cols] != 0)
    if good.sum() < (1 - LOST_SHARE) * inside.sum():
        return None
    first, second = good & (across <= pair.width), good & (across >= pair.width + pair.gap)
    part = (along - pair.along[0]) / (pair.along[1] - pair.along[0]) * SEGMENTS
    part = np.minimum(part.astype(int), SEGMENTS - 1)
    z = relief[rows, cols].astype(float)
    steps = [_step(z, across, along, first & (part == k), second & (part == k)) for k in range(SEGMENTS)]
    return float(np.mean(steps)), float(np.std(steps, ddof=1) / math.sqrt(SEGMENTS))


def _step(z: Array, across: Array, along: Array, first: NDArray[np.bool_], second: NDArray[np.bool_]) -> float:
    """Return the median of the second strip less that of the first, over the inclination that both share."""
    either = first | second
    ways = np.stack([first[either], second[either], across[either], along[either]], 1).astype(float)
    tilt = np.linalg.lstsq(ways, z[either], rcond=None)[0][2:]
    level = z - tilt[0] * across - tilt[1] * along
    return float(np.median(level[second]) - np.median(level[first]))


def _corners(box: Box, axes: Ground) -> Array:
    """Return the corners (4, 2) of a box in pixels."""
    xy = np.array([(x, y) for x in box[0] for y in box[1]])
    return np.asarray(np.linalg.solve(axes.matrix, (xy - axes.origin).T).T, np.float64)


def _within(box: Box, axes: Ground, shape: tuple[int, ...]) -> bool:
    at = _corners(box, axes)
    return bool((at >= -0.5).all() and (at <= np.array([shape[1], shape[0]]) - 0.5).all())


def _window(box: Box, axes: Ground, shape: tuple[int, ...]) -> tuple[slice, slice]:
    at = _corners(box, axes)
    (x0, y0), (x1, y1) = np.floor(at.min(axis=0)).astype(int), np.ceil(at.max(axis=0)).astype(int)
    return slice(max(y0, 0), min(y1 + 1, shape[0])), slice(max(x0, 0), min(x1 + 1, shape[1]))
