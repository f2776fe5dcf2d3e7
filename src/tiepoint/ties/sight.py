"""How a picture shows a plane: places to pixels, in one compiled call each; a shot asks some hundred times."""

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.foundation.once import cached_property
from tiepoint.ties.lens import Lens, pictured, through_lens
from tiepoint.ties.sensor import Placing

Array = NDArray[np.float64]

# What stands in the numbers of a sight: the matrix by rows, the lens, its unit of radius, scale and shift of the
# placing, whether there is a lens, and whether that has a closed form from ideal to picture.
LENS, RHO, SCALE, SHIFT, HAS_LENS, CLOSED = 9, 16, 17, 19, 21, 22


@dataclass(frozen=True)
class Sight:
    """Where a picture shows the places of a frame: `inverse` (3, 3) carries them to ideal pixels, then the lens."""

    inverse: Array
    lens: Lens | None = None
    placing: Placing = field(default_factory=Placing)

    @cached_property
    def numbers(self) -> Array:
        """All of it (23,), as kernels take it."""
        return numbers_of(self.inverse, self.lens, self.placing)

    def to_px(self, xy: Array) -> Array:
        """Return the pixels (n, 2) of places (n, 2); NaN where the picture shows none."""
        px = np.empty((len(xy), 2))
        _show_all(self.numbers, np.ascontiguousarray(xy, np.float64), px)
        return px

    def project(self, xy: Array) -> tuple[Array, Array]:
        """Return the pixels (n, 2) of places (n, 2), and ∂px/∂place (n, 2, 2)."""
        px, d = np.empty((len(xy), 2)), np.empty((len(xy), 2, 2))
        _project_all(self.numbers, np.ascontiguousarray(xy, np.float64), px, d)
        return px, d

    def of_part(self, x: float, y: float, angle_rad: float) -> "Sight":
        """Return how the picture shows the places of a frame that lies at a pose (x, y, angle) in this one."""
        c, s = math.cos(angle_rad), math.sin(angle_rad)
        return replace(self, inverse=self.inverse @ np.array([[c, -s, x], [s, c, y], [0.0, 0.0, 1.0]]))


def numbers_of(matrix: Array, lens: Lens | None, placing: Placing) -> Array:
    """Return a matrix (3, 3), a lens and a placing as one row of numbers, as kernels take them."""
    own = Lens(0.0, 0.0, 0.0, 0.0, 1.0) if lens is None else lens
    closed = own.kappa2 == own.kappa3 == own.p1 == own.p2 == 0.0
    placed = (*placing.scale, *placing.shift_px)
    return np.array([*np.ravel(matrix), *own.vector, own.rho_px, *placed, lens is not None, closed], np.float64)


@njit(cache=True, nogil=True, error_model="numpy")
def ideal_of(H: Array, X: float, Y: float) -> tuple[float, float, float]:
    """Return the ideal pixel of a place, and one over its third coordinate; `H`: the numbers of a sight."""
    w = 1.0 / (H[6] * X + H[7] * Y + H[8])
    return (H[0] * X + H[1] * Y + H[2]) * w, (H[3] * X + H[4] * Y + H[5]) * w, w


@njit(cache=True, nogil=True, error_model="numpy")
def shown_at(sight: Array, u: float, v: float) -> tuple[float, float]:
    """Return where the tie's own picture shows an ideal pixel; NaN where it shows none."""
    if sight[HAS_LENS] == 0.0:
        return u, v
    cx, cy, rho = sight[LENS + 2], sight[LENS + 3], sight[RHO]
    x, y = pictured(sight[LENS:RHO], sight[CLOSED] > 0.0, (u - cx) / rho, (v - cy) / rho)
    return cx + rho * x, cy + rho * y


@njit(cache=True, nogil=True, error_model="numpy")
def to_pixel(sight: Array, X: float, Y: float) -> tuple[float, float]:
    """Return the pixel of a place; NaN where the picture shows none."""
    u, v, _ = ideal_of(sight, X, Y)
    x, y = shown_at(sight, u, v)
    return (x - sight[SHIFT]) / sight[SCALE], (y - sight[SHIFT + 1]) / sight[SCALE + 1]


@njit(cache=True, nogil=True, error_model="numpy")
def project_one(sight: Array, X: float, Y: float) -> tuple[float, float, float, float, float, float]:
    """Return the pixel of a place, and ∂px/∂place by rows."""
    u, v, w = ideal_of(sight, X, Y)
    x, y = shown_at(sight, u, v)
    ux, uy = (sight[0] - u * sight[6]) * w, (sight[1] - u * sight[7]) * w
    vx, vy = (sight[3] - v * sight[6]) * w, (sight[4] - v * sight[7]) * w
    xx, xy, yx, yy = 1.0, 0.0, 0.0, 1.0
    if sight[HAS_LENS] > 0.0:
        rho = sight[RHO]
        _, _, xx, xy, yx, yy = through_lens(sight[LENS:RHO], (x - sight[LENS + 2]) / rho, (y - sight[LENS + 3]) / rho)
    det = xx * yy - xy * yx
    sx, sy = sight[SCALE], sight[SCALE + 1]
    return (
        (x - sight[SHIFT]) / sx,
        (y - sight[SHIFT + 1]) / sy,
        (yy * ux - xy * vx) / det / sx,
        (yy * uy - xy * vy) / det / sx,
        (xx * vx - yx * ux) / det / sy,
        (xx * vy - yx * uy) / det / sy,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def scale_there(sight: Array, X: float, Y: float) -> float:
    """Return ground units in one pixel at a place: the root of the area that one pixel covers."""
    _, _, a, b, c, d = project_one(sight, X, Y)
    return 1.0 / math.sqrt(abs(a * d - b * c))


@njit(cache=True, nogil=True, error_model="numpy")
def _show_all(sight: Array, xy: Array, px: Array) -> None:
    for n in range(xy.shape[0]):
        px[n, 0], px[n, 1] = to_pixel(sight, xy[n, 0], xy[n, 1])


@njit(cache=True, nogil=True, error_model="numpy")
def _project_all(sight: Array, xy: Array, px: Array, d: Array) -> None:
    for n in range(xy.shape[0]):
        px[n, 0], px[n, 1], d[n, 0, 0], d[n, 0, 1], d[n, 1, 0], d[n, 1, 1] = project_one(sight, xy[n, 0], xy[n, 1])
