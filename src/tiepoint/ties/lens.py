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

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]

LENS_NAMES = ("kappa", "kappa2", "cx", "cy", "p1", "p2", "kappa3")
"""Order of the lens parameters in derivatives."""

_NEWTON_ROUNDS = 30
_NEWTON_STOP = 1e-11


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
    ideal, d_px, d_lens = np.empty((n, 2)), np.empty((n, 2, 2)), np.empty((n, 2, len(LENS_NAMES)))
    straighten_all(lens.vector, lens.rho_px, np.ascontiguousarray(px, np.float64), ideal, d_px, d_lens)
    return Straightened(ideal, d_px, d_lens)


def straighten(lens: Lens | None, px: Array) -> Array:
    """Return the ideal points (n, 2) of picture points (n, 2), without derivatives."""
    if lens is None:
        return px.copy()
    ideal = np.empty((len(px), 2))
    _straighten_places(lens.vector, lens.rho_px, np.ascontiguousarray(px, np.float64), ideal)
    return ideal


def picture_from_ideal(lens: Lens | None, ideal_px: Array) -> Array:
    """Return the picture points (n, 2) of ideal points (n, 2); NaN where the lens shows no such point.

    With κ alone: x = c + 2·(u − c)/(1 + √(1 − 4·κ·s)), s = |u − c|²/ρ². Otherwise Newton from there.
    """
    if lens is None:
        return ideal_px.copy()
    found = np.empty((len(ideal_px), 2))
    _find_all(lens.vector, lens.rho_px, np.ascontiguousarray(ideal_px, np.float64), found)
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def radial(
    kappa: float, kappa2: float, kappa3: float, dx: float, dy: float
) -> tuple[float, float, float, float, float]:
    """Return q, r² and the three entries of ∂E/∂d at one point: E = q·d."""
    r2 = dx * dx + dy * dy
    q = 1.0 / (1.0 + r2 * (kappa + r2 * (kappa2 + r2 * kappa3)))
    slope = (2.0 * kappa + r2 * (4.0 * kappa2 + r2 * 6.0 * kappa3)) * q * q
    return q, r2, q - slope * dx * dx, -slope * dx * dy, q - slope * dy * dy


@njit(cache=True, nogil=True, error_model="numpy")
def _decentring(p1: float, p2: float, ex: float, ey: float) -> tuple[float, float, float, float, float]:
    """Return T and the three entries of ∂T/∂e at one point, which is symmetric."""
    x = 2.0 * p1 * ex * ey + p2 * (3.0 * ex * ex + ey * ey)
    y = p1 * (ex * ex + 3.0 * ey * ey) + 2.0 * p2 * ex * ey
    return x, y, 2.0 * p1 * ey + 6.0 * p2 * ex, 2.0 * (p1 * ex + p2 * ey), 6.0 * p1 * ey + 2.0 * p2 * ex


@njit(cache=True, nogil=True, error_model="numpy")
def through_lens(lens: Array, dx: float, dy: float) -> tuple[float, float, float, float, float, float]:
    """Return the ideal offset (in units of ρ) of one picture offset, and ∂ideal/∂picture by rows."""
    k1, k2, k3, p1, p2 = lens[0], lens[1], lens[6], lens[4], lens[5]
    q, _, xx, xy, yy = radial(k1, k2, k3, dx, dy)
    if p1 == 0.0 and p2 == 0.0:
        return q * dx, q * dy, xx, xy, xy, yy
    tx, ty, txx, txy, tyy = _decentring(p1, p2, q * dx, q * dy)
    mx, my = dx + tx, dy + ty
    # ∂m/∂d = 1 + T'·E'
    a, b = 1.0 + txx * xx + txy * xy, txx * xy + txy * yy
    c, d = txy * xx + tyy * xy, 1.0 + txy * xy + tyy * yy
    q, _, xx, xy, yy = radial(k1, k2, k3, mx, my)
    return q * mx, q * my, xx * a + xy * c, xx * b + xy * d, xy * a + yy * c, xy * b + yy * d


@njit(cache=True, nogil=True, error_model="numpy")
def _straighten_places(lens: Array, rho: float, px: Array, ideal: Array) -> None:
    cx, cy = lens[2], lens[3]
    for n in range(px.shape[0]):
        x, y, _, _, _, _ = through_lens(lens, (px[n, 0] - cx) / rho, (px[n, 1] - cy) / rho)
        ideal[n, 0], ideal[n, 1] = cx + rho * x, cy + rho * y


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def straighten_one(lens: Array, rho: float, x: float, y: float, d_px: Array, d_lens: Array) -> tuple[float, float]:
    """Return the ideal point of a picture point; fill ∂ideal/∂picture (2, 2) and ∂ideal/∂lens (2, 7)."""
    k1, k2, cx, cy, p1, p2, k3 = lens[0], lens[1], lens[2], lens[3], lens[4], lens[5], lens[6]
    dx, dy = (x - cx) / rho, (y - cy) / rho
    X, Y, jxx, jxy, jyx, jyy = through_lens(lens, dx, dy)
    d_px[0, 0], d_px[0, 1], d_px[1, 0], d_px[1, 1] = jxx, jxy, jyx, jyy
    d_lens[0, 2], d_lens[0, 3], d_lens[1, 2], d_lens[1, 3] = 1.0 - jxx, -jxy, -jyx, 1.0 - jyy
    # Both passes through the radial part once more, for what each of them owes to the coefficients.
    q, r2, _, _, _ = radial(k1, k2, k3, dx, dy)
    ex, ey = q * dx, q * dy
    tx, ty, txx, txy, tyy = _decentring(p1, p2, ex, ey)
    mx, my = dx + tx, dy + ty
    qm, m2, mxx, mxy, myy = radial(k1, k2, k3, mx, my)
    ep, em = 1.0, 1.0
    for j in range(3):
        ep, em = ep * r2, em * m2
        fx, fy = -dx * q * q * ep, -dy * q * q * ep
        gx, gy = txx * fx + txy * fy, txy * fx + tyy * fy
        at = j if j < 2 else 6
        d_lens[0, at] = rho * (mxx * gx + mxy * gy - mx * qm * qm * em)
        d_lens[1, at] = rho * (mxy * gx + myy * gy - my * qm * qm * em)
    # T is linear in p1 and p2.
    ax, ay, _, _, _ = _decentring(1.0, 0.0, ex, ey)
    bx, by, _, _, _ = _decentring(0.0, 1.0, ex, ey)
    d_lens[0, 4], d_lens[1, 4] = rho * (mxx * ax + mxy * ay), rho * (mxy * ax + myy * ay)
    d_lens[0, 5], d_lens[1, 5] = rho * (mxx * bx + mxy * by), rho * (mxy * bx + myy * by)
    return cx + rho * X, cy + rho * Y


@njit(cache=True, nogil=True, error_model="numpy")
def straighten_all(lens: Array, rho: float, px: Array, ideal: Array, d_px: Array, d_lens: Array) -> None:
    """Fill the ideal points (n, 2) of picture points (n, 2), ∂ideal/∂picture and ∂ideal/∂lens (n, 2, 7)."""
    for n in range(px.shape[0]):
        ideal[n, 0], ideal[n, 1] = straighten_one(lens, rho, px[n, 0], px[n, 1], d_px[n], d_lens[n])


@njit(cache=True, nogil=True, error_model="numpy")
def _find_all(lens: Array, rho: float, ideal: Array, found: Array) -> None:
    cx, cy = lens[2], lens[3]
    closed = lens[1] == 0.0 and lens[4] == 0.0 and lens[5] == 0.0 and lens[6] == 0.0
    for n in range(ideal.shape[0]):
        x, y = pictured(lens, closed, (ideal[n, 0] - cx) / rho, (ideal[n, 1] - cy) / rho)
        found[n, 0], found[n, 1] = cx + rho * x, cy + rho * y


@njit(cache=True, nogil=True, error_model="numpy")
def pictured(lens: Array, closed: bool, vx: float, vy: float) -> tuple[float, float]:
    """Return the picture offset of an ideal one, both in units of ρ; NaN where the lens shows none.

    `closed`: κ is the only term.
    """
    # A negative κ always has a root; a positive one (pincushion) shows nothing beyond s = 1/(4κ).
    root = 1.0 - 4.0 * lens[0] * (vx * vx + vy * vy)
    if closed and not root >= 0.0:
        return np.nan, np.nan
    gain = 2.0 / (1.0 + math.sqrt(max(root, 0.0)))
    return (gain * vx, gain * vy) if closed else _newton(lens, vx, vy, gain * vx, gain * vy)


@njit(cache=True, nogil=True, error_model="numpy")
def _newton(lens: Array, vx: float, vy: float, x: float, y: float) -> tuple[float, float]:
    """Return the picture offset whose ideal offset is (vx, vy), both in units of ρ, from a start; NaN where none is."""
    for _ in range(_NEWTON_ROUNDS):
        ex, ey, a, b, c, d = through_lens(lens, x, y)
        rx, ry = vx - ex, vy - ey
        det = a * d - b * c
        sx, sy = (d * rx - b * ry) / det, (a * ry - c * rx) / det
        x += min(max(sx, -0.25), 0.25)
        y += min(max(sy, -0.25), 0.25)
        if not max(abs(sx), abs(sy)) > _NEWTON_STOP:
            break
    ex, ey, _, _, _, _ = through_lens(lens, x, y)
    if not max(abs(vx - ex), abs(vy - ey)) < 1e-6:
        return np.nan, np.nan
    return x, y
