"""The way from a picture to the ground, with derivatives, for the few points of one step: one compiled call."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from tiepoint.foundation.once import cached_property
from tiepoint.foundation.sources import Source, Sources
from tiepoint.ties.lens import straighten_one
from tiepoint.ties.sight import HAS_LENS, LENS, RHO, SCALE, SHIFT

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

EDGE_PX = 1e-6
"""A point this close to the border of the valid region counts as inside: rounding must not decide."""


@dataclass(frozen=True)
class Mapped:
    """Where points lie: `xy_mm` (n, 2), `d_px` (n, 2, 2) = ∂mm/∂px, `d_sources` (n, 2, m) = ∂mm/∂source.

    `inside` (n,) says which points lie in the valid region; the others are extrapolated.
    """

    xy_mm: Array
    d_px: Array
    d_sources: Array
    sources: tuple[Source, ...]
    inside: Bools


@dataclass(frozen=True)
class Way:
    """Through lens and matrix of a tie to a plane, then into the frames of parts; all of it as kernels take it.

    `numbers` (23,) are those of a sight, but of the matrix from ideal pixels to places. `sides` (k, 4) bound the valid
    region, see `sides_of`; without any, all is valid. The columns of `Mapped.d_sources` are those of `sources`: first
    of `factor` (16, ·), then of the `fields` (f, 4 + 2·terms): middle x and y, reach, degree, coefficients. `poses`
    (p, 4) are x, y, cosine and sine of each frame in the one before, `by_pose` (p, 3, m) what x, y and angle owe to
    each source.
    """

    numbers: Array
    sides: Array
    factor: Array
    sources: Sources
    fields: Array
    poses: Array
    by_pose: Array

    @cached_property
    def arrays(self) -> tuple[Array, Array, Array, Array, Array, Array]:
        """All but the sources, in the order in which kernels take them."""
        return self.numbers, self.sides, self.factor, self.fields, self.poses, self.by_pose

    def map(self, points: ArrayLike, with_sources: bool = True) -> Mapped:
        """Return where pixels (n, 2) lie, with all derivatives; `d_sources` only where asked for.

        Pixels outside the valid region are mapped too, marked in `inside`; NaN where there is no such place.
        """
        px = np.ascontiguousarray(np.atleast_2d(points), float)
        sources = self.sources if with_sources else _NO_SOURCES
        n = len(px)
        xy, d_px, moves = np.empty((n, 2)), np.empty((n, 2, 2)), np.empty((n, 2, len(sources)))
        inside = np.empty(n, bool)
        _follow_all(*self.arrays, px, xy, d_px, moves, inside)
        return Mapped(xy, d_px, moves, sources, inside)

    def into_part(self, pose: tuple[float, float, float], c: Array, at: Ints, sources: Sources) -> "Way":
        """Return the way on into the frame of a part that lies at a pose (x, y, angle) in this one.

        The pose moves with sources by `c` (3, q), which stand `at` (q,) among all `sources`, those of this way first.
        """
        x, y, angle = pose
        by_pose = np.zeros((len(self.poses) + 1, 3, len(sources)))
        by_pose[:-1, :, : len(self.sources)] = self.by_pose
        np.add.at(by_pose[-1].T, at, c.T)
        poses = np.vstack([self.poses, [x, y, math.cos(angle), math.sin(angle)]])
        return replace(self, sources=sources, poses=poses, by_pose=by_pose)


_NO_SOURCES = Sources()


def way_of(
    numbers: Array, region: Array, factor: Array, sources: Sources = _NO_SOURCES, fields: Array | None = None
) -> Way:
    """Return the way to a plane, valid in a convex `region` (k, 2), everywhere where that is empty."""
    own, none, by_pose = np.ascontiguousarray(factor, float), np.zeros((0, 4)), np.zeros((0, 3, len(sources)))
    return Way(numbers, sides_of(region), own, sources, none if fields is None else fields, none, by_pose)


def sides_of(polygon: Array) -> Array:
    """Return the sides (k, 4) of a convex polygon (k, 2), of either sense: unit vectors that have the inside to their
    left, and a point of each."""
    after = np.roll(polygon, -1, axis=0)
    area = np.sum(polygon[:, 0] * after[:, 1] - after[:, 0] * polygon[:, 1])
    away, length = after - polygon, np.hypot(*(after - polygon).T)
    some = length > 0
    return np.hstack([away[some] / length[some, None] * np.sign(area), polygon[some]])


def inside_convex(polygon: Array, points: Array) -> Bools:
    """Return which points (n, 2) lie in a convex polygon (k, 2), of either sense; its border is inside."""
    dx, dy, x, y = sides_of(np.asarray(polygon, float)).T
    across = dx * (points[:, 1, None] - y) - dy * (points[:, 0, None] - x)
    return np.asarray((across >= -EDGE_PX).all(axis=1))


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def lies_within(sides: Array, x: float, y: float) -> bool:
    """Tell whether a point of the tie's own picture has all `sides` (k, 4) to its right, or almost."""
    for k in range(sides.shape[0]):
        if not sides[k, 0] * (y - sides[k, 3]) - sides[k, 1] * (x - sides[k, 2]) >= -EDGE_PX:
            return False
    return True


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def by_factor(theta: Array, factor: Array, moves: Array) -> None:
    """Fill Σ_j θ_ij·factor_jm into the first columns of `moves` (2, m), and zeros into the others."""
    along_x, along_y = moves[0], moves[1]
    for m in range(moves.shape[1]):
        along_x[m] = along_y[m] = 0.0
    for j in range(16):
        x, y, row = theta[0, j], theta[1, j], factor[j]
        for m in range(row.size):
            along_x[m] += x * row[m]
            along_y[m] += y * row[m]


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def by_fields(fields: Array, first: int, x: float, y: float, moves: Array) -> None:
    """Fill what each field does at a point of the tie's own picture into the columns of `moves` from `first` on."""
    for f in range(fields.shape[0]):
        u, v = (x - fields[f, 0]) / fields[f, 2], (y - fields[f, 1]) / fields[f, 2]
        dx = dy = 0.0
        at = 4
        for total in range(int(fields[f, 3]) + 1):
            for j in range(total + 1):
                term = u ** (total - j) * v**j
                dx += term * fields[f, at]
                dy += term * fields[f, at + 1]
                at += 2
        moves[0, first + f], moves[1, first + f] = dx, dy


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def turn_into(pose: Array, by_pose: Array, xy: Array, d_px: Array, moves: Array) -> None:
    """Carry a place (2,) with its derivatives into the frame of a part: p goes to Rᵀ·(p − t)."""
    c, s = pose[2], pose[3]
    x, y = xy[0] - pose[0], xy[1] - pose[1]
    x, y = c * x + s * y, c * y - s * x
    xy[0], xy[1] = x, y
    for j in range(2):
        u, v = d_px[0, j], d_px[1, j]
        d_px[0, j], d_px[1, j] = c * u + s * v, c * v - s * u
    # ∂(Rᵀ·(p − t))/∂θ: what is seen turns backwards where the part turns forwards.
    for m in range(moves.shape[1]):
        u, v = moves[0, m] - by_pose[0, m], moves[1, m] - by_pose[1, m]
        moves[0, m], moves[1, m] = c * u + s * v + y * by_pose[2, m], c * v - s * u - x * by_pose[2, m]


@njit(cache=True, nogil=True, error_model="numpy")
def work_space() -> tuple[Array, Array, Array]:
    """Return ∂place/∂θ (2, 16), zero so far, and without a lens ∂ideal/∂picture (2, 2) and ∂ideal/∂lens (2, 7)."""
    return np.zeros((2, 16)), np.eye(2), np.zeros((2, 7))


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def follow(
    numbers: Array, sides: Array, factor: Array, fields: Array, poses: Array, by_pose: Array, px: float, py: float,
    work: tuple[Array, Array, Array], xy: Array, d_px: Array, moves: Array,
) -> bool:  # fmt: skip
    """Fill the place `xy` (2,) of a pixel, ∂place/∂pixel (2, 2) and, where it has columns, ∂place/∂source (2, m).

    Returns whether it is a place within the valid region. Work space: that of `work_space`.
    """
    x, y = px * numbers[SCALE] + numbers[SHIFT], py * numbers[SCALE + 1] + numbers[SHIFT + 1]
    (theta, d_straight, d_lens), X, Y = work, x, y
    if numbers[HAS_LENS] > 0.0:
        X, Y = straighten_one(numbers[LENS:RHO], numbers[RHO], x, y, d_straight, d_lens)
    w = 1.0 / (numbers[6] * X + numbers[7] * Y + numbers[8])
    for i in range(2):
        k = 3 * i
        at = (numbers[k] * X + numbers[k + 1] * Y + numbers[k + 2]) * w
        ax, ay = (numbers[k] - at * numbers[6]) * w, (numbers[k + 1] - at * numbers[7]) * w
        xy[i] = at
        for j in range(2):
            d_px[i, j] = (ax * d_straight[0, j] + ay * d_straight[1, j]) * numbers[SCALE + j]
        if moves.shape[1] > 0:
            # θ: the matrix by rows, then the lens.
            theta[i, k], theta[i, k + 1], theta[i, k + 2] = X * w, Y * w, w
            theta[i, 6], theta[i, 7], theta[i, 8] = -at * X * w, -at * Y * w, -at * w
            for j in range(7):
                theta[i, 9 + j] = ax * d_lens[0, j] + ay * d_lens[1, j]
    is_place = math.isfinite(xy[0]) and math.isfinite(xy[1])
    if moves.shape[1] > 0:
        by_factor(theta, factor, moves)
        by_fields(fields, factor.shape[1], x, y, moves)
    for k in range(poses.shape[0]):
        turn_into(poses[k], by_pose[k], xy, d_px, moves)
    return is_place and lies_within(sides, x, y)


@njit(cache=True, nogil=True, error_model="numpy")
def _follow_all(
    numbers: Array, sides: Array, factor: Array, fields: Array, poses: Array, by_pose: Array, px: Array, xy: Array,
    d_px: Array, moves: Array, inside: Bools,
) -> None:  # fmt: skip
    work = work_space()
    for n in range(px.shape[0]):
        inside[n] = follow(
            numbers, sides, factor, fields, poses, by_pose, px[n, 0], px[n, 1], work, xy[n], d_px[n], moves[n]
        )
