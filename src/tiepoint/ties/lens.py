"""The lens as a closed form from picture to ideal picture: division model with free centre.

With d = (x − c)/ρ, r = |d| and the radial part E(d) = d/(1 + κ·r² + κ2·r⁴ + κ3·r⁶) the ideal point is

    u = c + ρ·E(d + T(E(d))),
    T(e) = (2·p1·ex·ey + p2·(|e|² + 2·ex²),  p1·(|e|² + 2·ey²) + 2·p2·ex·ey).

E is the division model (Fitzgibbon, CVPR 2001), here with more terms. T is the decentring term of Brown (1966),
which he adds to the distorted point as a function of the undistorted one; E(d) stands for that point, so that
this inverts his model to first order in p and probing a picture needs no iteration. An ideal picture is what a
pinhole at the same place would have seen, in the same raw pixels: where κ, κ2, κ3, p1 and p2 vanish, u = x
whatever the centre.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]

LENS_NAMES = ("kappa", "kappa2", "cx", "cy", "p1", "p2", "kappa3")
"""Order of the lens parameters in derivatives."""

_NEWTON_ROUNDS = 30
_NEWTON_STOP_PX = 1e-11


@dataclass(frozen=True, slots=True)
class Lens:
    """Lens parameters: κ, κ2, κ3, p1, p2 without unit; centre and `rho_px` (the unit of radius) in pixels."""

    kappa: float
    kappa2: float
    cx: float
    cy: float
    rho_px: float
    p1: float = 0.0
    p2: float = 0.0
    kappa3: float = 0.0

    @property
    def is_closed(self) -> bool:
        """Whether the way back, from ideal to picture, has a closed form too."""
        return self.kappa2 == 0.0 and self.kappa3 == 0.0 and self.p1 == 0.0 and self.p2 == 0.0

    @property
    def vector(self) -> Array:
        """The parameters (7,) in the order of `LENS_NAMES`."""
        return np.array([self.kappa, self.kappa2, self.cx, self.cy, self.p1, self.p2, self.kappa3])

    def unit_change(self, rho_px: float) -> Array:
        """Return by what the parameters (7,) are multiplied where the unit of radius becomes `rho_px`."""
        s = rho_px / self.rho_px
        return np.array([s**2, s**4, 1.0, 1.0, s, s, s**6])

    def in_unit(self, rho_px: float) -> "Lens":
        """Return the same lens with another unit of radius."""
        kappa, kappa2, cx, cy, p1, p2, kappa3 = (float(v) for v in self.vector * self.unit_change(rho_px))
        return Lens(kappa, kappa2, cx, cy, rho_px, p1, p2, kappa3)


@dataclass(frozen=True, slots=True)
class Straightened:
    """Ideal points (n, 2), d_px (n, 2, 2) = ∂ideal/∂picture, d_lens (n, 2, 7) in the order of `LENS_NAMES`."""

    ideal_px: Array
    d_px: Array
    d_lens: Array


def ideal_from_picture(lens: Lens | None, px: Array) -> Straightened:
    """Return the ideal points of picture points (n, 2), with derivatives. No lens: the identity."""
    n = len(px)
    if lens is None:
        return Straightened(px.copy(), np.broadcast_to(np.eye(2), (n, 2, 2)).copy(), np.zeros((n, 2, len(LENS_NAMES))))
    d = (px - (lens.cx, lens.cy)) / lens.rho_px
    first, d_first, k_first = _radial(lens, d)
    tangential, T_first, by_p = _decentring(lens, first)
    e, d_e, k_e = _radial(lens, d + tangential)
    ideal = (lens.cx, lens.cy) + lens.rho_px * e
    J = d_e @ (np.eye(2) + T_first @ d_first)
    by_k = lens.rho_px * (k_e + d_e @ T_first @ k_first)
    d_lens = np.empty((n, 2, len(LENS_NAMES)))
    d_lens[:, :, [0, 1, 6]] = by_k
    d_lens[:, :, 2:4] = np.eye(2) - J
    d_lens[:, :, 4:6] = lens.rho_px * d_e @ by_p
    return Straightened(ideal, J, d_lens)


def straighten(lens: Lens | None, px: Array) -> Array:
    """Return the ideal points (n, 2) of picture points (n, 2), without derivatives."""
    if lens is None:
        return px.copy()
    centre = np.array([lens.cx, lens.cy])
    d = (px - centre) / lens.rho_px
    if lens.p1 != 0.0 or lens.p2 != 0.0:
        tangential, _, _ = _decentring(lens, d * _gain(lens, d))
        d = d + tangential
    return np.asarray(centre + lens.rho_px * d * _gain(lens, d))


def _gain(lens: Lens, d: Array) -> Array:
    """Return |E(d)|/|d|, (n, 1)."""
    r2 = np.einsum("ni,ni->n", d, d)
    return np.asarray(1.0 / (1.0 + r2 * (lens.kappa + r2 * (lens.kappa2 + r2 * lens.kappa3))))[:, None]


def picture_from_ideal(lens: Lens | None, ideal_px: Array) -> Array:
    """Return the picture points (n, 2) of ideal points (n, 2); NaN where the lens shows no such point.

    With κ alone: x = c + 2·(u − c)/(1 + √(1 − 4·κ·s)), s = |u − c|²/ρ². Otherwise Newton from there.
    """
    if lens is None:
        return ideal_px.copy()
    centre = np.array([lens.cx, lens.cy])
    v = (ideal_px - centre) / lens.rho_px
    s = np.einsum("ni,ni->n", v, v)
    # A negative κ always has a root; a positive one (pincushion) shows nothing beyond s = 1/(4κ).
    root = 1.0 - 4.0 * lens.kappa * s
    if lens.is_closed:
        root = np.where(root >= 0.0, root, np.nan)
    gain = 2.0 / (1.0 + np.sqrt(np.maximum(root, 0.0) if not lens.is_closed else root))
    start = centre + lens.rho_px * gain[:, None] * v
    return start if lens.is_closed else _newton(lens, ideal_px, start)


def _newton(lens: Lens, ideal_px: Array, start: Array) -> Array:
    x = start
    for _ in range(_NEWTON_ROUNDS):
        straight = ideal_from_picture(lens, x)
        miss = ideal_px - straight.ideal_px
        step = _solve_2x2(straight.d_px, miss)
        x = x + np.clip(step, -lens.rho_px / 4, lens.rho_px / 4)
        if not np.any(np.abs(step) > _NEWTON_STOP_PX * lens.rho_px):
            break
    missed = np.abs(ideal_px - ideal_from_picture(lens, x).ideal_px).max(axis=1, initial=0.0)
    return np.where((missed < 1e-6 * lens.rho_px)[:, None], x, np.nan)


def _solve_2x2(J: Array, right: Array) -> Array:
    """Return J⁻¹·right for J (n, 2, 2) and right (n, 2); infinite where J is singular."""
    x = J[:, 1, 1] * right[:, 0] - J[:, 0, 1] * right[:, 1]
    y = J[:, 0, 0] * right[:, 1] - J[:, 1, 0] * right[:, 0]
    det = J[:, 0, 0] * J[:, 1, 1] - J[:, 0, 1] * J[:, 1, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.stack([x, y], axis=1) / det[:, None])


def _radial(lens: Lens, d: Array) -> tuple[Array, Array, Array]:
    """Return E (n, 2), ∂E/∂d (n, 2, 2) and ∂E/∂(κ, κ2, κ3) (n, 2, 3)."""
    r2 = np.einsum("ni,ni->n", d, d)
    q = 1.0 / (1.0 + r2 * (lens.kappa + r2 * (lens.kappa2 + r2 * lens.kappa3)))
    slope = (2.0 * lens.kappa + r2 * (4.0 * lens.kappa2 + r2 * 6.0 * lens.kappa3)) * q * q
    by_d = q[:, None, None] * np.eye(2) - slope[:, None, None] * d[:, :, None] * d[:, None, :]
    powers = np.stack([r2, r2**2, r2**3], axis=1)
    by_k = -d[:, :, None] * (powers * (q * q)[:, None])[:, None, :]
    return d * q[:, None], by_d, by_k


def _decentring(lens: Lens, e: Array) -> tuple[Array, Array, Array]:
    """Return T (n, 2), ∂T/∂e (n, 2, 2) and ∂T/∂(p1, p2) (n, 2, 2)."""
    ex, ey = e[:, 0], e[:, 1]
    by_p = np.empty((len(e), 2, 2))
    by_p[:, 0, 0] = by_p[:, 1, 1] = 2.0 * ex * ey
    by_p[:, 1, 0] = ex * ex + 3.0 * ey * ey
    by_p[:, 0, 1] = 3.0 * ex * ex + ey * ey
    p = np.array([lens.p1, lens.p2])
    by_e = np.empty((len(e), 2, 2))
    by_e[:, 0, 0] = 2.0 * lens.p1 * ey + 6.0 * lens.p2 * ex
    by_e[:, 0, 1] = by_e[:, 1, 0] = 2.0 * (lens.p1 * ex + lens.p2 * ey)
    by_e[:, 1, 1] = 6.0 * lens.p1 * ey + 2.0 * lens.p2 * ex
    return by_p @ p, by_e, by_p


@njit(cache=True, nogil=True, error_model="numpy")
def radial(
    kappa: float, kappa2: float, kappa3: float, dx: float, dy: float
) -> tuple[float, float, float, float, float]:
    """Return q, r² and the three entries of ∂E/∂d at one point: E = q·d. The loops' twin of `_radial`."""
    r2 = dx * dx + dy * dy
    q = 1.0 / (1.0 + r2 * (kappa + r2 * (kappa2 + r2 * kappa3)))
    slope = (2.0 * kappa + r2 * (4.0 * kappa2 + r2 * 6.0 * kappa3)) * q * q
    return q, r2, q - slope * dx * dx, -slope * dx * dy, q - slope * dy * dy
