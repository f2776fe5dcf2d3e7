"""Lens models of the simulated camera, written apart from the ones that ties fit.

A lens takes the direction of a ray, as normalised coordinates (x/z, y/z) in the camera's axes, to a pixel,
and back. They share no line with `tiepoint.ties`, so that an error there cannot cancel itself here.
"""

import math
from dataclasses import dataclass
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry

Array = NDArray[np.float64]

NEWTON_ROUNDS = 60
NEWTON_STOP = 1e-14


@dataclass(frozen=True, slots=True)
class Frame:
    """Where normalised coordinates land without a lens error: focal lengths and principal point in px."""

    fx: float
    fy: float
    cx: float
    cy: float

    def to_px(self, normal: Array) -> Array:
        """Return pixels (n, 2) of normalised coordinates (n, 2)."""
        return normal * (self.fx, self.fy) + (self.cx, self.cy)

    def to_normal(self, px: Array) -> Array:
        """Return normalised coordinates (n, 2) of pixels (n, 2)."""
        return (px - (self.cx, self.cy)) / (self.fx, self.fy)


class Lens(Protocol):
    """Rays to pixels and back. `central`: rays meet in one point; else they are parallel (telecentric)."""

    @property
    def central(self) -> bool:
        """Whether all rays pass through one point."""

    def bend(self, normal: Array, frame: Frame) -> Array:
        """Return pixels (n, 2) of ray directions (n, 2)."""

    def straighten(self, px: Array, frame: Frame) -> Array:
        """Return ray directions (n, 2) of pixels (n, 2)."""

    def held(self, normal: Array, frame: Frame) -> Array:
        """Return directions (n, 2) drawn in radially to where the lens is one-to-one."""


@dataclass(frozen=True, slots=True)
class BrownLens:
    """Radial polynomial and decentring (Brown, Photogrammetric Engineering 32, 1966; OpenCV's order of p1, p2).

    Without coefficients it is the ideal lens.
    """

    k1: float = 0.0
    k2: float = 0.0
    k3: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    central: ClassVar[bool] = True

    def bend(self, normal: Array, frame: Frame) -> Array:
        """Return pixels (n, 2) of ray directions (n, 2)."""
        return frame.to_px(self._distorted(normal))

    def straighten(self, px: Array, frame: Frame) -> Array:
        """Return ray directions (n, 2), by Newton's method to 1e-14.

        Raises `PoorGeometry` for a pixel that no ray of the one-to-one range reaches.
        """
        goal = frame.to_normal(px)
        normal = self.held(goal, frame)
        for _ in range(NEWTON_ROUNDS):
            step = _solve_2x2(self._jacobian(normal), goal - self._distorted(normal))
            normal = self.held(normal + step, frame)
            if not step.size or float(np.abs(step).max()) < NEWTON_STOP:
                break
        if normal.size and float(np.abs(self._distorted(normal) - goal).max()) > 1e-11:
            raise PoorGeometry("a pixel lies beyond the range in which the lens is one-to-one; ask nearer the centre")
        return normal

    def held(self, normal: Array, frame: Frame) -> Array:
        """Return directions (n, 2) drawn in to just within the radius where the polynomial folds over."""
        del frame
        return _drawn_in(normal, 0.9999 * self.fold_radius())

    def fold_radius(self) -> float:
        """Return the smallest normalised radius at which the radial polynomial turns back; infinite if none."""
        roots = np.roots([7 * self.k3, 5 * self.k2, 3 * self.k1, 1.0])
        squares = [float(r.real) for r in roots if abs(r.imag) < 1e-12 * abs(r) and r.real > 0]
        return math.sqrt(min(squares)) if squares else math.inf

    def _distorted(self, normal: Array) -> Array:
        x, y = normal[:, 0], normal[:, 1]
        r2 = x * x + y * y
        radial = 1 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3))
        xy = x * y
        return np.column_stack(
            [
                x * radial + 2 * self.p1 * xy + self.p2 * (r2 + 2 * x * x),
                y * radial + self.p1 * (r2 + 2 * y * y) + 2 * self.p2 * xy,
            ]
        )

    def _jacobian(self, normal: Array) -> Array:
        x, y = normal[:, 0], normal[:, 1]
        r2 = x * x + y * y
        radial = 1 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3))
        slope = 2 * (self.k1 + r2 * (2 * self.k2 + r2 * 3 * self.k3))
        cross = slope * x * y + 2 * self.p1 * x + 2 * self.p2 * y
        out = np.empty((len(x), 2, 2))
        out[:, 0, 0] = radial + slope * x * x + 2 * self.p1 * y + 6 * self.p2 * x
        out[:, 1, 1] = radial + slope * y * y + 6 * self.p1 * y + 2 * self.p2 * x
        out[:, 0, 1] = out[:, 1, 0] = cross
        return out


@dataclass(frozen=True, slots=True)
class DivisionLens:
    """One-parameter division model about a free centre (Fitzgibbon, CVPR 2001), closed form both ways.

    An ideal pixel u (about the centre) and the seen one d obey u = d/(1 + kappa·|d|²/rho²). kappa < 0: barrel.
    The centre is `offset_px` from the principal point.
    """

    kappa: float
    rho_px: float
    offset_px: tuple[float, float] = (0.0, 0.0)
    central: ClassVar[bool] = True

    def bend(self, normal: Array, frame: Frame) -> Array:
        """Return pixels (n, 2) of ray directions (n, 2)."""
        centre = self._centre(frame)
        u = frame.to_px(normal) - centre
        root = np.sqrt(np.maximum(1 - 4 * self.kappa * (u * u).sum(axis=1) / self.rho_px**2, 0.0))
        return np.asarray(centre + u * (2 / (1 + root))[:, None])

    def straighten(self, px: Array, frame: Frame) -> Array:
        """Return ray directions (n, 2) of pixels (n, 2)."""
        centre = self._centre(frame)
        d = px - centre
        return frame.to_normal(centre + d / (1 + self.kappa * (d * d).sum(axis=1) / self.rho_px**2)[:, None])

    def held(self, normal: Array, frame: Frame) -> Array:
        """Return directions (n, 2) drawn in to where the model is one-to-one (it always is for barrel)."""
        if self.kappa <= 0:
            return normal
        centre = self._centre(frame)
        reach = 0.9999 * self.rho_px / (2 * math.sqrt(self.kappa))
        return frame.to_normal(centre + _drawn_in(frame.to_px(normal) - centre, reach))

    def _centre(self, frame: Frame) -> Array:
        return np.array([frame.cx + self.offset_px[0], frame.cy + self.offset_px[1]])


@dataclass(frozen=True, slots=True)
class FisheyeLens:
    """Equidistant fisheye: the distance from the principal point grows with the angle, r = f·θ."""

    central: ClassVar[bool] = True

    def bend(self, normal: Array, frame: Frame) -> Array:
        """Return pixels (n, 2) of ray directions (n, 2)."""
        r = np.hypot(normal[:, 0], normal[:, 1])
        return frame.to_px(normal * _ratio(np.arctan(r), r)[:, None])

    def straighten(self, px: Array, frame: Frame) -> Array:
        """Return ray directions (n, 2) of pixels (n, 2); raises `PoorGeometry` at and beyond 90° from the axis."""
        bent = frame.to_normal(px)
        theta = np.hypot(bent[:, 0], bent[:, 1])
        if theta.size and float(theta.max()) >= math.pi / 2:
            raise PoorGeometry("a pixel sees 90° or more from the optical axis; no flat plane in front lies there")
        return bent * _ratio(np.tan(theta), theta)[:, None]

    def held(self, normal: Array, frame: Frame) -> Array:
        """Return the directions as they are: every ray in front is one-to-one."""
        del frame
        return normal


@dataclass(frozen=True, slots=True)
class TelecentricLens:
    """Parallel rays: "normalised" coordinates are mm beside the axis, and the focal lengths are px per mm."""

    central: ClassVar[bool] = False

    def bend(self, normal: Array, frame: Frame) -> Array:
        """Return pixels (n, 2) of ray positions (n, 2) in mm."""
        return frame.to_px(normal)

    def straighten(self, px: Array, frame: Frame) -> Array:
        """Return ray positions (n, 2) in mm of pixels (n, 2)."""
        return frame.to_normal(px)

    def held(self, normal: Array, frame: Frame) -> Array:
        """Return the positions as they are: the lens is one-to-one everywhere."""
        del frame
        return normal


def _ratio(a: Array, b: Array) -> Array:
    """Return a/b with the limit 1 where both vanish."""
    return np.divide(a, b, out=np.ones_like(b), where=b > 1e-12)


def _drawn_in(points: Array, reach: float) -> Array:
    """Return points (n, 2) with radii above `reach` set to it."""
    if math.isinf(reach):
        return points
    r = np.hypot(points[:, 0], points[:, 1])
    return np.asarray(points * np.where(r > reach, reach / np.maximum(r, 1e-300), 1.0)[:, None])


def _solve_2x2(matrix: Array, right: Array) -> Array:
    """Return the solutions (n, 2) of n small systems; a singular one gives a zero step."""
    a, b, c, d = matrix[:, 0, 0], matrix[:, 0, 1], matrix[:, 1, 0], matrix[:, 1, 1]
    det = a * d - b * c
    inverse = np.divide(1.0, det, out=np.zeros_like(det), where=np.abs(det) > 1e-12)
    x = (d * right[:, 0] - b * right[:, 1]) * inverse
    y = (a * right[:, 1] - c * right[:, 0]) * inverse
    return np.column_stack([x, y])
