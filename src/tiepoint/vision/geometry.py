"""Closed forms between measured points and lines, each with its partial derivatives.

A line is (anchor, angle) with the parameters (offset, angle): the offset along its normal, a quarter turn from its
direction in the sense +x → +y, is 0 at the estimate. Units are the points' own; angles are in rad. Uncertainty is the
caller's: u² = g·C·gᵀ with the gradient g over the inputs in the order given, as long as the formula is straight within
the inputs' spread; `Formula.bend` tells how far it is not.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Formula:
    """A value and its gradient over the inputs (m,).

    `curvature` is the largest second derivative in any direction of the inputs: a length √(x² + y²) has 1/length, so
    near zero it is infinite, the linear law fails, and Monte Carlo (JCGM 101) has to answer.
    """

    value: float
    gradient: Array
    curvature: float = 0.0

    def u(self, covariance: Array) -> float:
        """Return the standard uncertainty by the linear law for the inputs' covariance (m, m)."""
        return math.sqrt(max(float(self.gradient @ covariance @ self.gradient), 0.0))

    def bend(self, covariance: Array) -> float:
        """Return by how many u the formula bends within one standard deviation of its inputs.

        Below some 0.1 the linear law serves; above, use Monte Carlo.
        """
        spread = math.sqrt(float(np.linalg.eigvalsh(covariance)[-1]))
        linear = self.u(covariance)
        if self.curvature == 0.0 or spread == 0.0:
            return 0.0
        return 0.5 * self.curvature * spread**2 / linear if linear > 0 else math.inf


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where two lines cross: `point` (2,), `jacobian` (2, 4) over (offset 1, angle 1, offset 2, angle 2).

    `sine` of the angle between them: the crossing's uncertainty grows with 1/sine.
    """

    point: Array
    jacobian: Array
    sine: float


def direction_of(angle_rad: float) -> Array:
    """Return the unit vector at an angle from +x towards +y (2,)."""
    return np.array([math.cos(angle_rad), math.sin(angle_rad)])


def normal_of(angle_rad: float) -> Array:
    """Return the unit vector a quarter turn further (2,)."""
    return np.array([-math.sin(angle_rad), math.cos(angle_rad)])


def _length(d: Array, factor: float, blocks: tuple[float, ...]) -> Formula:
    """Return factor·|d| with its gradient over copies of d, each with its sign."""
    size = float(np.hypot(d[0], d[1]))
    unit = d / size if size > 0 else np.zeros(2)
    gradient = np.concatenate([sign * factor * unit for sign in blocks])
    # Each copy bends alike; together they bend as many times as there are copies (their common eigenvector).
    return Formula(factor * size, gradient, factor * len(blocks) / size if size > 0 else math.inf)


def distance_points(p: Array, q: Array) -> Formula:
    """Return |q − p| over (p_x, p_y, q_x, q_y)."""
    return _length(np.asarray(q, float) - np.asarray(p, float), 1.0, (-1.0, 1.0))


def true_position(offset: Array) -> Formula:
    """Return 2·√(dx² + dy²) over (dx, dy), the deviation from the true place (ISO 1101).

    Never negative: near its zero noise alone makes it positive, and the linear law fails (`bend`).
    """
    return _length(np.asarray(offset, float), 2.0, (1.0,))


def distance_point_line(point: Array, anchor: Array, angle_rad: float) -> Formula:
    """Return the signed distance of a point from a line, positive along its normal.

    Over (point_x, point_y, offset, angle).
    """
    n, d = normal_of(angle_rad), np.asarray(point, float) - np.asarray(anchor, float)
    along = float(d @ direction_of(angle_rad))
    return Formula(float(d @ n), np.array([n[0], n[1], -1.0, -along]))


def angle_between(angle1_rad: float, angle2_rad: float) -> Formula:
    """Return the turn from one line to the other in (−π/2, π/2], over (angle 1, angle 2). Lines have no sense."""
    turn = math.remainder(angle2_rad - angle1_rad, math.pi)
    return Formula(math.pi / 2 if turn == -math.pi / 2 else turn, np.array([-1.0, 1.0]))


def distance_lines(anchor1: Array, angle1_rad: float, anchor2: Array, angle2_rad: float, middle: Array) -> Formula:
    """Return how far line 2 lies from line 1 at a place between them, along their mean normal.

    `middle` (2,) is where along them it is taken: lines that are not parallel have a distance at a place only. Over
    (offset 1, angle 1, offset 2, angle 2); positive along the mean normal.
    """
    mean = angle1_rad + 0.5 * angle_between(angle1_rad, angle2_rad).value
    d, n = direction_of(mean), normal_of(mean)
    total, gradient = 0.0, []
    for anchor, angle, sign in ((anchor1, angle1_rad, -1.0), (anchor2, angle2_rad, 1.0)):
        own = direction_of(angle)
        # Negative where the line runs the other way: its normal is then turned round as well.
        slant = float(own @ d)
        along = float((np.asarray(middle, float) - anchor) @ d) / slant
        total += sign * float((anchor + along * own - middle) @ n)
        # At a fixed place along d, an offset δ moves the line by δ/cos along n, a turn by along/cos.
        gradient += [sign / slant, sign * along / slant]
    return Formula(total, np.array(gradient))


def crossing(anchor1: Array, angle1_rad: float, anchor2: Array, angle2_rad: float) -> Crossing | None:
    """Return where two lines cross; None where they are parallel to the last digit."""
    d1, d2 = direction_of(angle1_rad), direction_of(angle2_rad)
    sine = float(d1[0] * d2[1] - d1[1] * d2[0])
    if abs(sine) < 1e-12:
        return None
    a1, a2 = np.asarray(anchor1, float), np.asarray(anchor2, float)
    normals = np.array([normal_of(angle1_rad), normal_of(angle2_rad)])
    point = np.linalg.solve(normals, np.array([normals[0] @ a1, normals[1] @ a2]))
    along = np.array([(point - a1) @ d1, (point - a2) @ d2])
    # Each line's place along its normal at the crossing moves by offset + along·angle.
    moves = np.array([[1.0, along[0], 0.0, 0.0], [0.0, 0.0, 1.0, along[1]]])
    return Crossing(point, np.linalg.solve(normals, moves), sine)
