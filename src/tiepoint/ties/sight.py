"""How a picture shows a plane, both ways in one compiled call each: a shot asks some hundred times."""

import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.ties.lens import Lens, pictured, straighten_all, through_lens
from tiepoint.ties.mapping import EDGE_PX, by_sources, lies_inside, to_plane
from tiepoint.ties.sensor import Placing

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Sight:
    """Where a picture shows the places of a frame: `inverse` (3, 3) carries them to ideal pixels, then the lens."""

    inverse: Array
    lens: Lens | None = None
    placing: Placing = field(default_factory=Placing)

    @cached_property
    def _numbers(self) -> tuple[Array, bool, bool, Array]:
        numbers = numbers_of(self.lens, self.placing)
        return np.ascontiguousarray(self.inverse, float), self.lens is not None, is_closed(self.lens), numbers

    def to_px(self, xy: Array) -> Array:
        """Return the pixels (n, 2) of places (n, 2); NaN where the picture shows none."""
        px = np.empty((len(xy), 2))
        _seen_at(*self._numbers, np.ascontiguousarray(xy, np.float64), px, _NO_DERIVATIVES)
        return px

    def project(self, xy: Array) -> tuple[Array, Array]:
        """Return the pixels (n, 2) of places (n, 2), and ∂px/∂place (n, 2, 2)."""
        px, d = np.empty((len(xy), 2)), np.empty((len(xy), 2, 2))
        _seen_at(*self._numbers, np.ascontiguousarray(xy, np.float64), px, d)
        return px, d

    def of_part(self, x: float, y: float, angle_rad: float) -> "Sight":
        """Return how the picture shows the places of a frame that lies at a pose (x, y, angle) in this one."""
        c, s = math.cos(angle_rad), math.sin(angle_rad)
        return replace(self, inverse=self.inverse @ np.array([[c, -s, x], [s, c, y], [0.0, 0.0, 1.0]]))


_NO_DERIVATIVES = np.empty((0, 2, 2))


def is_closed(lens: Lens | None) -> bool:
    """Whether the lens has a closed form from ideal to picture: κ alone."""
    return lens is None or (lens.kappa2 == lens.kappa3 == lens.p1 == lens.p2 == 0.0)


def numbers_of(lens: Lens | None, placing: Placing) -> Array:
    """Return lens (7,), its unit of radius, scale (2,) and shift (2,) of the placing, as kernels take them."""
    own = Lens(0.0, 0.0, 0.0, 0.0, 1.0) if lens is None else lens
    return np.array([*own.vector, own.rho_px, *placing.scale, *placing.shift_px])


@njit(cache=True, nogil=True, error_model="numpy")
def _seen_at(inverse: Array, has_lens: bool, closed: bool, numbers: Array, xy: Array, px: Array, d: Array) -> None:
    """Fill pixels (n, 2) of places (n, 2) and, where `d` (n, 2, 2) has room, ∂px/∂place."""
    H, lens, rho = inverse, numbers[:7], numbers[7]
    cx, cy = lens[2], lens[3]
    for n in range(xy.shape[0]):
        X, Y = xy[n, 0], xy[n, 1]
        w = 1.0 / (H[2, 0] * X + H[2, 1] * Y + H[2, 2])
        u, v = (H[0, 0] * X + H[0, 1] * Y + H[0, 2]) * w, (H[1, 0] * X + H[1, 1] * Y + H[1, 2]) * w
        x, y = u, v
        if has_lens:
            x, y = pictured(lens, closed, (u - cx) / rho, (v - cy) / rho)
            x, y = cx + rho * x, cy + rho * y
        px[n, 0], px[n, 1] = (x - numbers[10]) / numbers[8], (y - numbers[11]) / numbers[9]
        if n < d.shape[0]:
            ux, uy = (H[0, 0] - u * H[2, 0]) * w, (H[0, 1] - u * H[2, 1]) * w
            vx, vy = (H[1, 0] - v * H[2, 0]) * w, (H[1, 1] - v * H[2, 1]) * w
            xx, xy_, yx, yy = 1.0, 0.0, 0.0, 1.0
            if has_lens:
                _, _, xx, xy_, yx, yy = through_lens(lens, (x - cx) / rho, (y - cy) / rho)
            det = xx * yy - xy_ * yx
            d[n, 0, 0], d[n, 0, 1] = (yy * ux - xy_ * vx) / det, (yy * uy - xy_ * vy) / det
            d[n, 1, 0], d[n, 1, 1] = (xx * vx - yx * ux) / det, (xx * vy - yx * uy) / det
            for j in range(2):
                d[n, 0, j] /= numbers[8]
                d[n, 1, j] /= numbers[9]


@njit(cache=True, nogil=True, error_model="numpy")
def map_all(
    matrix: Array, has_lens: bool, numbers: Array, region: Array, factor: Array, points: Array, px: Array, xy: Array,
    d_px: Array, moves: Array, inside: Bools,
) -> None:  # fmt: skip
    """Fill, for points (n, 2) of a shot, the tie's own pixels (n, 2), places (n, 2) with ∂place/∂point (n, 2, 2),
    the first columns of ∂place/∂source `moves` (n, 2, m), where there are any, and which lie in the region (k, 2).
    """
    count = points.shape[0]
    ideal, d_straight, d_lens = np.empty((count, 2)), np.zeros((count, 2, 2)), np.zeros((count, 2, 7))
    for n in range(count):
        for i in range(2):
            px[n, i] = points[n, i] * numbers[8 + i] + numbers[10 + i]
            ideal[n, i], d_straight[n, i, i] = px[n, i], 1.0
    if has_lens:
        straighten_all(numbers[:7], numbers[7], px, ideal, d_straight, d_lens)
    to_plane(matrix, ideal, d_straight, numbers[8:10], xy, d_px)
    lies_inside(region, px, EDGE_PX, inside)
    for n in range(count):
        inside[n] &= np.isfinite(xy[n, 0]) and np.isfinite(xy[n, 1])
    if moves.shape[2] > 0:
        by_sources(matrix, ideal, xy, d_lens, factor, moves)
