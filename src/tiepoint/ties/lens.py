"""The lens as a closed form from picture to ideal picture: division model with free centre.

With d = (x − c)/ρ and r = |d| the ideal point is

    u = c + ρ·[ d / (1 + κ·r² + κ2·r⁴ + κ3·r⁶) + T(d) ],
    T = (2·p1·dx·dy + p2·(r² + 2·dx²),  p1·(r² + 2·dy²) + 2·p2·dx·dy).

The radial part is the division model (Fitzgibbon, CVPR 2001), here with more terms; T is the
decentring term of Brown (1966), applied in the undistorting direction, so that probing a picture needs no
iteration. An ideal picture is what a pinhole at the same place would have seen, in the same raw pixels:
where κ, κ2, κ3, p1 and p2 vanish, u = x whatever the centre.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

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

    def with_vector(self, vector: ArrayLike) -> "Lens":
        """Return a lens of the same ρ with the parameters (7,) in the order of `LENS_NAMES`."""
        kappa, kappa2, cx, cy, p1, p2, kappa3 = (float(v) for v in np.asarray(vector, float))
        return Lens(kappa, kappa2, cx, cy, self.rho_px, p1, p2, kappa3)


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
    r2 = np.einsum("ni,ni->n", d, d)
    q = 1.0 + r2 * (lens.kappa + r2 * (lens.kappa2 + r2 * lens.kappa3))
    tangential, d_tangential, by_p = _decentring(lens, d, r2)
    ideal = (lens.cx, lens.cy) + lens.rho_px * (d / q[:, None] + tangential)
    slope = (2.0 * lens.kappa + r2 * (4.0 * lens.kappa2 + r2 * 6.0 * lens.kappa3)) / q**2
    J = np.eye(2) / q[:, None, None] - slope[:, None, None] * d[:, :, None] * d[:, None, :] + d_tangential
    d_lens = np.empty((n, 2, len(LENS_NAMES)))
    d_lens[:, :, 0] = -lens.rho_px * d * (r2 / q**2)[:, None]
    d_lens[:, :, 1] = d_lens[:, :, 0] * r2[:, None]
    d_lens[:, :, 2:4] = np.eye(2) - J
    d_lens[:, :, 4:6] = lens.rho_px * by_p
    d_lens[:, :, 6] = d_lens[:, :, 1] * r2[:, None]
    return Straightened(ideal, J, d_lens)


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


def _decentring(lens: Lens, d: Array, r2: Array) -> tuple[Array, Array, Array]:
    """Return T (n, 2), ∂T/∂d (n, 2, 2) and ∂T/∂(p1, p2) (n, 2, 2)."""
    dx, dy = d[:, 0], d[:, 1]
    by_p = np.empty((len(d), 2, 2))
    by_p[:, 0, 0] = by_p[:, 1, 1] = 2.0 * dx * dy
    by_p[:, 1, 0] = r2 + 2.0 * dy**2
    by_p[:, 0, 1] = r2 + 2.0 * dx**2
    p = np.array([lens.p1, lens.p2])
    by_d = np.empty((len(d), 2, 2))
    by_d[:, 0, 0] = 2.0 * lens.p1 * dy + 6.0 * lens.p2 * dx
    by_d[:, 0, 1] = by_d[:, 1, 0] = 2.0 * (lens.p1 * dx + lens.p2 * dy)
    by_d[:, 1, 1] = 6.0 * lens.p1 * dy + 2.0 * lens.p2 * dx
    return by_p @ p, by_d, by_p
