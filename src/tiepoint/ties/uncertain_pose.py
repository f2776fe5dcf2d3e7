"""Poses in space that know their sources: composed, inverted and read off, with what is shared kept shared.

A pose `a_from_b` is disturbed from the left: its rotation by a small rotation vector ω given along a's axes,
R = exp([ω]×)·R̂, its translation by τ, t = t̂ + τ. Every source moves these six numbers linearly. So

    a_from_c = a_from_b · b_from_c:   ω = ω₁ + R₁·ω₂,   τ = τ₁ + ω₁ × (R₁·t₂) + R₁·τ₂
    b_from_a = a_from_b⁻¹:            ω = −Rᵀ·ω₁,        τ = Rᵀ·(ω₁ × t₁ − τ₁)

(Barfoot & Furgale, IEEE Trans. Robotics 30, 2014, to first order; from memory). A source that two poses share has one
id, and cancels or adds as it must: a grip that was taught and is repeated in one place does not feel the robot's tie.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.frames import Pose2, Pose3
from tiepoint.foundation.sources import Source, Value, Values, check_ids, merge_columns, stack

Array = NDArray[np.float64]


@dataclass(frozen=True)
class UncertainPose:
    """`a_from_b`, and `c` (6, m) = ∂(ω in rad, τ in mm along a's axes)/∂source for its `sources`."""

    pose: Pose3
    sources: tuple[Source, ...] = ()
    c: Array = field(default_factory=lambda: np.zeros((6, 0)))

    def __post_init__(self) -> None:
        if self.c.shape != (6, len(self.sources)):
            raise ValueError(f"c is {self.c.shape}, not {(6, len(self.sources))}")
        check_ids(self.sources)

    def __matmul__(self, other: "UncertainPose") -> "UncertainPose":
        """Return `a_from_b @ b_from_c = a_from_c`."""
        R = self.pose.rotation
        arm = R @ other.pose.translation_mm
        turns = np.hstack([self.c[:3], R @ other.c[:3]])
        moves = np.hstack([self.c[3:] - cross(arm) @ self.c[:3], R @ other.c[3:]])
        sources, c = merge_columns((*self.sources, *other.sources), np.vstack([turns, moves]))
        return UncertainPose(self.pose @ other.pose, sources, c)

    def inverse(self) -> "UncertainPose":
        """Return `b_from_a`."""
        R, t = self.pose.rotation, self.pose.translation_mm
        moves = R.T @ (-cross(t) @ self.c[:3] - self.c[3:])
        return UncertainPose(self.pose.inverse(), self.sources, np.vstack([-R.T @ self.c[:3], moves]))

    @cached_property
    def covariance(self) -> Array:
        """Covariance (6, 6) of (ω, τ)."""
        scaled = self.c * np.array([s.u for s in self.sources])
        return np.asarray(scaled @ scaled.T)

    @property
    def position(self) -> Values:
        """B's origin in a: x, y, z in mm."""
        return Values(self.pose.translation_mm, self.c[3:], self.sources)

    @property
    def turn(self) -> Value:
        """Angle (rad, counter-clockwise about a's z) of b's +x axis as seen along a's z."""
        x, y, z = self.pose.rotation[:, 0]
        across = math.hypot(x, y)
        # δx = ω × x, and the angle changes by (x·δy − y·δx)/(x² + y²).
        gradient = np.array([-x * z, -y * z, across**2]) / max(across, 1e-12) ** 2
        return _value(math.atan2(y, x), gradient @ self.c[:3], self.sources)


def exact(pose: Pose3) -> UncertainPose:
    """Return a pose without uncertainty."""
    return UncertainPose(pose)


def lifted(pose: Pose2, z_mm: float = 0.0) -> Pose3:
    """Return a planar pose as one in space: turned about z, at a height."""
    half = pose.angle_rad / 2
    return Pose3(pose.x_mm, pose.y_mm, z_mm, (math.cos(half), 0.0, 0.0, math.sin(half)))


def planar(x: Value, y: Value, angle: Value, z: Value) -> UncertainPose:
    """Return the pose of values x, y, z (mm) and a turn about z (rad)."""
    values = stack([angle, x, y, z])
    c = np.zeros((6, len(values.sources)))
    c[2:] = values.c
    pose = lifted(Pose2(x.value, y.value, angle.value), z.value)
    return UncertainPose(pose, values.sources, c)


def cross(vector: Array) -> Array:
    """Return the matrix (3, 3) of `vector ×`; for vectors (n, 3) matrices (n, 3, 3)."""
    v = np.asarray(vector, float)
    out = np.zeros((*v.shape[:-1], 3, 3))
    out[..., 0, 1], out[..., 0, 2], out[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    return out - np.swapaxes(out, -1, -2)


def _value(value: float, row: Array, sources: Sequence[Source]) -> Value:
    return Value(value, {s: float(k) for s, k in zip(sources, row, strict=True) if k})
