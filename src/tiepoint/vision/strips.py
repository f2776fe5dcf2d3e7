"""Sub-pixel edges in many strips of one picture, each with its standard uncertainty."""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput, UnusablePicture
from tiepoint.vision import strip_find as sf
from tiepoint.vision import strip_report as report
from tiepoint.vision.shape_kernels import median
from tiepoint.vision.strip_batch import find_disturbed, fit_all, refit_all
from tiepoint.vision.strip_find import ROUGH_COLUMNS, find_all
from tiepoint.vision.strip_fit import (
    BRIGHT,
    DOF,
    HALF,
    NOISE,
    RESULT_COLUMNS,
    SETTLED,
)
from tiepoint.vision.strip_lanes import LANE_ROWS, MOST_LANES
from tiepoint.vision.strip_pixels import Floats, Ints, gather_all, profiles
from tiepoint.vision.strip_plateaus import PLATEAU_COLUMNS, level_all
from tiepoint.vision.strip_report import tell_all

Polarity = Literal["either", "rising", "falling"]
OfSeveral = Literal["clearest", "nearest", "farthest"]
Bools = NDArray[np.bool_]

POLARITY: dict[str, int] = {"either": sf.EITHER, "rising": sf.RISING, "falling": sf.FALLING}
OF_SEVERAL: dict[str, int] = {"clearest": sf.CLEAREST, "nearest": sf.NEAREST, "farthest": sf.FARTHEST}

CODES, FLAGS = report.CODES, report.FLAGS
"""Why a strip has no edge ("" where it has one), and the columns of the flag table."""
SURE_DOF = 60.0
"""Degrees of freedom from which the noise of a fit is believed on its own."""
FEWEST_TO_SHARE = 8
CHUNK = 512
"""Strips worked on at a time: bounds the work space to some megabytes."""


@dataclass(frozen=True)
class StripEdges:
    """One edge, or the reason for none, in each of n strips; lengths in px, grey values as in the picture.

    `position` runs along the crossing direction from the strip's centre, `point` (n, 2) is the same place in the
    picture. `normal` (n, 2) is the unit normal of the edge, on the side of the crossing direction; it differs from
    it by `tilt_rad` (positive: turned towards +x → +y). `u` is the standard uncertainty of `position`, from the
    inverse Fisher matrix times the residual variance with `dof` degrees of freedom. `blur` is the optical blur (the
    pixel's own share of 1/12 px² is taken off), `blur_whole` includes it. `contrast` is positive; `rising` tells
    whether it gets brighter along the direction. `weight_lost` is the share of the pixels near the edge that the
    robust fit left out. Where `ok` is False the numbers are NaN and `reason` tells why.
    """

    position: Floats
    u: Floats
    dof: Floats
    point: Floats
    normal: Floats
    tilt_rad: Floats
    u_tilt_rad: Floats
    blur: Floats
    blur_whole: Floats
    contrast: Floats
    rising: Bools
    noise: Floats
    weight_lost: Floats
    saturated_share: Floats
    code: Ints
    flag_table: Bools

    def __len__(self) -> int:
        return int(self.position.size)

    @property
    def ok(self) -> Bools:
        """Which strips have an edge, (n,)."""
        return np.asarray(self.code == 0)

    @property
    def reason(self) -> tuple[str, ...]:
        """The registered reason of each strip; "" where it has an edge."""
        return tuple(CODES[k] for k in self.code)

    @property
    def polarity(self) -> Floats:
        """+1 where it gets brighter along `normal`, −1 where darker, (n,)."""
        return np.where(self.rising, 1.0, -1.0)

    @property
    def u_normal(self) -> Floats:
        """Standard uncertainty of the edge point across the edge, px, (n,)."""
        return self.u * np.cos(self.tilt_rad)

    def flagged(self, code: str) -> Bools:
        """Which strips carry a flag, (n,)."""
        return np.asarray(self.flag_table[:, FLAGS.index(code)])

    def flags(self, index: int) -> tuple[str, ...]:
        """The flags of one strip."""
        return tuple(f for f, on in zip(FLAGS, self.flag_table[index], strict=True) if on)

    def most_common_reason(self) -> str:
        """The reason that most strips without an edge share; "" where all have one."""
        counts = np.bincount(self.code[self.code > 0], minlength=1)
        return CODES[int(np.argmax(counts))] if counts.sum() else ""


def as_grey(picture: NDArray[np.generic]) -> NDArray[np.generic]:
    """Return a grey picture as a contiguous uint8, uint16 or float32 array; raise `UnusablePicture` otherwise."""
    if picture.ndim != 2 or picture.size == 0:
        raise UnusablePicture(f"the picture has the shape {picture.shape}; a grey picture of rows × columns is needed")
    if picture.dtype not in (np.uint8, np.uint16, np.float32):
        if not np.issubdtype(picture.dtype, np.floating):
            raise UnusablePicture(f"the picture holds {picture.dtype} values; use uint8, uint16 or float32")
        picture = picture.astype(np.float32)
    return np.ascontiguousarray(picture)


def unit_directions(directions: NDArray[np.float64], n: int) -> Floats:
    """Return unit vectors (n, 2) from angles (n,) in rad (x towards y) or vectors (n, 2)."""
    given = np.asarray(directions, dtype=np.float64)
    if given.shape == (n,):
        return np.column_stack([np.cos(given), np.sin(given)])
    if given.shape != (n, 2):
        raise UnusableInput(f"directions have the shape {given.shape}; ({n},) angles or ({n}, 2) vectors are needed")
    size = np.hypot(given[:, 0], given[:, 1])
    if not np.all(size > 0):
        raise UnusableInput(f"direction {int(np.argmin(size))} has no length; give it a direction in which to cross")
    return given / size[:, None]


def _checked_strips(
    centres: NDArray[np.float64], directions: NDArray[np.float64], length: float, width: float
) -> Floats:
    """Return strips (n, 4) x, y, dx, dy, or raise a sentence about what cannot be used."""
    places = np.atleast_2d(np.asarray(centres, dtype=np.float64))
    if places.ndim != 2 or places.shape[1] != 2:
        raise UnusableInput(f"strip centres have the shape {places.shape}; (n, 2) is needed")
    strips = np.empty((len(places), 4))
    strips[:, :2], strips[:, 2:] = places, unit_directions(directions, len(places))
    if not np.isfinite(strips).all() or np.abs(places).max(initial=0.0) > 1e7:
        raise UnusableInput("a strip's centre or direction is not a finite place near the picture")
    if not 8.0 <= length <= 20_000.0:
        raise UnusableInput(f"a strip of {length:g} px along the crossing cannot be used; choose 8 to 20000 px")
    if not 1.0 <= width <= 20_000.0:
        raise UnusableInput(f"a strip of {width:g} px across cannot be used; choose 1 to 20000 px")
    return strips


def default_saturation(picture: NDArray[np.generic]) -> float:
    """Return the level at which a pixel counts as saturated: the type's largest; never for float pictures."""
    return {"uint8": 255.0, "uint16": 65535.0}.get(picture.dtype.name, math.inf)


@dataclass(frozen=True, slots=True)
class _Task:
    """What is asked of every strip."""

    length: float
    width: float
    polarity: int
    of_several: int
    robust: bool
    free_tilt: bool
    saturation: float
    least_contrast: float


@dataclass(frozen=True, slots=True)
class _Pixels:
    """The pixels of n strips behind each other: `values` (3, ·) grey, s, ac; strip i has counts[i] from starts[i]."""

    values: Floats
    starts: Ints
    counts: Ints


def _gathered(picture: NDArray[np.generic], strips: Floats, task: _Task, ranges: Floats, room: Floats) -> _Pixels:
    """Return the pixels with ranges[:, 0] ≤ s < ranges[:, 1]; `room` (n,) is how many there can be at most."""
    starts = np.concatenate([[0], np.cumsum(np.ceil(room))]).astype(np.int64)
    counts = np.zeros(len(strips), np.int64)
    values = np.empty((3, max(int(starts[-1]), 1)))
    rows, cols = picture.shape
    gather_all(picture.reshape(-1), rows, cols, strips, task.length, task.width, ranges, starts, counts, values)
    return _Pixels(values, starts, counts)


def _range_of(rough: Floats, low: int, high: int, half_length: float) -> Floats:
    return rough[:, [low, high]] - half_length


def _room(rough: Floats, low: int, high: int, width: float) -> Floats:
    """Upper bound of the pixels whose centres lie in a range of bins: their squares lie within √2/2 px of it."""
    return np.asarray((rough[:, high] - rough[:, low] + 1.5) * (width + 1.5))


@dataclass(frozen=True, slots=True)
class _Space:
    """Work space of the kernels."""

    work: Floats
    matrices: Floats
    lane_of: Ints
    lane_rows: Floats
    map_: Floats


def _space(near: _Pixels, length: float) -> _Space:
    most = max(int(near.counts.max(initial=0)) + 1, 130)
    return _Space(
        np.ones((7, most)), np.zeros((5, 5, 5)), np.zeros(most, np.int64), np.zeros((LANE_ROWS, MOST_LANES)),
        np.zeros((MOST_LANES, 2 * math.ceil(length) + 8)),
    )  # fmt: skip


def _refit(
    picture: NDArray[np.generic], strips: Floats, task: _Task, near: _Pixels, rough: Floats, far: Floats,
    shapes: Floats, quiet: Floats, results: Floats, space: _Space,
) -> None:  # fmt: skip
    """Replace the results of strips in which something disturbs by their robust fit."""
    n, half = len(strips), 0.5 * task.length
    disturbed = np.zeros(n, np.int64)
    find_disturbed(
        near.values, near.starts, near.counts, rough, shapes, 0.5 * task.width, results, quiet, disturbed,
        space.work, space.lane_of, space.lane_rows,
    )  # fmt: skip
    k = np.flatnonzero(disturbed)
    if k.size == 0:
        return
    sub, some = rough[k], strips[k]
    pair = (sf.FAR_LOW, sf.LOW), (sf.HIGH, sf.FAR_HIGH)
    before, after = (
        _gathered(picture, some, task, _range_of(sub, a, b, half), _room(sub, a, b, task.width)) for a, b in pair
    )
    again = results[k]
    refit_all(
        near.values, near.starts[k], near.counts[k], before.values, before.starts, before.counts, after.values,
        after.starts, after.counts, sub, far[k], shapes[k], quiet[k], half, 0.5 * task.width, task.free_tilt, again,
        space.work, space.matrices, space.lane_of, space.lane_rows, space.map_,
    )  # fmt: skip
    results[k] = again


def _noise_of_profile(bins: Floats, width: float) -> Floats:
    """Return the noise of each strip's pixels (n,) from its whole profile: the median within bins.

    Strips of a single pixel a bin have none within: then the median step from bin to bin tells it.
    """
    total, count, square = bins[:, 0], bins[:, 1], bins[:, 2]
    if width < 2.0:
        steps = np.diff(total / np.maximum(count, 1.0), axis=1)
        return np.asarray(np.median(np.abs(steps), axis=1) * (1.4826 / math.sqrt(2.0)))
    inside = np.maximum(square - total**2 / np.maximum(count, 1.0), 0.0) / np.maximum(count - 1.0, 1.0)
    # The median of χ²/ν lies below one (Wilson & Hilferty 1931).
    low = (1.0 - 2.0 / (9.0 * np.maximum(count.max(axis=1) - 1.0, 1.0))) ** 3
    return np.asarray(np.sqrt(np.median(inside, axis=1) / low))


def _noise_for_detection(bins: Floats, results: Floats, quiet: Floats, width: float) -> Floats:
    """Return the noise that a step must stand out from: the fit's own, and the plateaus' where that rests on little.

    A fit of few pixels to a step that noise made leaves less than the noise.
    """
    noise = np.maximum(results[:, NOISE], np.sqrt(quiet))
    weak = (results[:, DOF] < SURE_DOF) & ((quiet == 0.0) | (results[:, SETTLED] == 0))
    if weak.any():
        noise[weak] = np.maximum(noise[weak], _noise_of_profile(bins[weak], width))
    return noise


def _measure(picture: NDArray[np.generic], strips: Floats, task: _Task) -> StripEdges:
    n, half = len(strips), 0.5 * task.length
    rows, cols = picture.shape
    bins, seen = np.zeros((n, 3, math.ceil(task.length))), np.zeros((n, 2), np.int64)
    profiles(picture.reshape(-1), rows, cols, strips, task.length, task.width, bins, seen)
    rough, far = np.zeros((n, ROUGH_COLUMNS)), np.zeros((n, PLATEAU_COLUMNS))
    length = bins.shape[2]
    find_all(bins, task.polarity, task.of_several, rough, np.zeros(length), np.zeros(length + 1))
    quiet = np.zeros((n, 2))
    level_all(bins, rough, task.robust, far, quiet, np.zeros(32), np.zeros(length))
    room = _room(rough, sf.LOW, sf.HIGH, task.width)
    near = _gathered(picture, strips, task, _range_of(rough, sf.LOW, sf.HIGH, half), room)
    shapes = (strips[:, 2] ** 4 + strips[:, 3] ** 4) / 1440.0
    results, space = np.zeros((n, RESULT_COLUMNS)), _space(near, task.length)
    fit_all(
        near.values, near.starts, near.counts, rough, far, shapes, half, 0.5 * task.width, task.free_tilt,
        task.saturation, results, space.work, space.matrices,
    )  # fmt: skip
    if task.robust:
        _refit(picture, strips, task, near, rough, far, shapes, quiet, results, space)
    noise = _noise_for_detection(bins, results, quiet.mean(axis=1), task.width)
    told, codes, flags = np.empty((report.TOLD_ROWS, n)), np.zeros(n, np.int64), np.zeros((n, len(FLAGS)), np.bool_)
    tell_all(strips, seen, rough, results, noise, half, task.polarity, task.least_contrast, told, codes, flags)
    return _edges(told, results, codes, flags)


def _edges(told: Floats, results: Floats, codes: Ints, flags: Bools) -> StripEdges:
    """Return the dataclass for what is told (TOLD_ROWS, n)."""
    return StripEdges(
        position=told[report.S],
        u=told[report.U],
        dof=told[report.FREEDOM],
        point=told[[report.POINT_X, report.POINT_Y]].T,
        normal=told[[report.NORMAL_X, report.NORMAL_Y]].T,
        tilt_rad=told[report.LEAN],
        u_tilt_rad=told[report.U_LEAN],
        blur=told[report.OPTICAL],
        blur_whole=told[report.WHOLE],
        contrast=told[report.CONTRAST],
        rising=results[:, HALF] > 0,
        noise=told[report.SIGMA],
        weight_lost=told[report.LEFT_OUT],
        saturated_share=results[:, BRIGHT],
        code=codes,
        flag_table=flags,
    )


def _joined(parts: list[StripEdges]) -> StripEdges:
    if len(parts) == 1:
        return parts[0]
    names = StripEdges.__dataclass_fields__
    return StripEdges(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def edges_in_strips(
    picture: NDArray[np.generic],
    centres: NDArray[np.float64],
    directions: NDArray[np.float64],
    length_px: float,
    width_px: float,
    *,
    polarity: Polarity = "either",
    of_several: OfSeveral = "clearest",
    robust: bool = True,
    free_tilt: bool = True,
    saturation: float | None = None,
    least_contrast: float = 0.0,
) -> StripEdges:
    """Return the sub-pixel edge in each of n strips of a grey picture.

    `picture` (rows, cols) uint8, uint16 or float32; `centres` (n, 2) px; `directions` (n,) angles in rad (x towards
    y) or (n, 2) vectors in which the edge is crossed. A strip is `length_px` long along the crossing and `width_px`
    wide. An edge is `rising` where it gets brighter along the direction. Where several of the asked polarity stand
    in the strip, `of_several` chooses (peaks below half of the clearest are not counted). `robust` looks for what
    disturbs a strip and fits around it. With `free_tilt` the edge may lean against the strip; without, it is taken
    as square to it. From `saturation` on (the type's largest by default) a pixel counts as saturated; an edge with
    less than `least_contrast` grey levels is no edge.

    Fitted to the picture's own pixels in the turned box: level + half·erf((s − s0 − t·ac)/√2w), by maximum likelihood
    under equal noise; see docs/explanations/edges.md.

    Raises `UnusablePicture` or `UnusableInput` where the input cannot be used at all.
    """
    grey = as_grey(picture)
    strips = _checked_strips(centres, directions, length_px, width_px)
    limit = default_saturation(grey) if saturation is None else saturation
    task = _Task(
        length_px, width_px, POLARITY[polarity], OF_SEVERAL[of_several], robust, free_tilt and width_px >= 3.0, limit,
        least_contrast,
    )  # fmt: skip
    parts = [_measure(grey, strips[k : k + CHUNK], task) for k in range(0, max(len(strips), 1), CHUNK)]
    return _joined(parts)


def with_shared_noise(edges: StripEdges) -> StripEdges:
    """Return the edges of one shape with what their noise has in common: steadier u, more degrees of freedom.

    A narrow strip tells its own noise from a few dozen pixels; weights after such an estimate cost up to a tenth in
    precision. So each variance is drawn towards the common one, as if that had been seen with ν₀ degrees of freedom
    besides its own ν; ν₀ follows from how much more the variances differ than chance explains (empirical Bayes: Smyth,
    Stat. Appl. Genet. Mol. Biol. 3, 2004, from memory; medians in place of means, and 2/ν for the variance of ln s²).
    """
    ok = edges.ok
    if ok.sum() < FEWEST_TO_SHARE:
        return edges
    logs, dof = 2.0 * np.log(np.maximum(edges.noise[ok], 1e-300)), edges.dof[ok]
    middle, typical = median(logs), median(dof)
    scatter = (1.4826 * median(np.abs(logs - middle))) ** 2
    shared = 2.0 / max(scatter - 2.0 / typical, 0.1 / typical)
    # The median of ln s² lies some 2/(3ν) below ln σ² (the median of χ²/ν; Wilson & Hilferty 1931).
    common = math.exp(middle) * (1.0 + 2.0 / (3.0 * typical))
    variance = (edges.dof * edges.noise**2 + shared * common) / (edges.dof + shared)
    ratio = np.sqrt(variance) / np.maximum(edges.noise, 1e-300)
    return replace(
        edges, u=edges.u * ratio, u_tilt_rad=edges.u_tilt_rad * ratio, noise=np.sqrt(variance), dof=edges.dof + shared
    )
