"""What steps hand to each other: points and lines as values with sources, and formulas over them.

Everything is on the *ground* of the step: mm, y up, in the plane; px, y up, in the image. So one geometry, in one
handedness, serves both.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.once import cached_property
from tiepoint.foundation.sources import Value, Values, stack

Array = NDArray[np.float64]

ABOUT_DEG = 45.0
"""An undirected line is told within 90° of this: what lies nearly along x is near 0°, what lies along y near 90°."""


@dataclass(frozen=True)
class PointFeature:
    """A place: `xy` holds two values. A circle is a place with a `radius`."""

    xy: Values
    radius: Value | None = None

    @property
    def at(self) -> Array:
        """The place itself (2,)."""
        return self.xy.value


@dataclass(frozen=True)
class LineFeature:
    """A straight line through `anchor` (2,) at `angle_rad`, seen from `start` to `end` along it.

    `values` holds two: the offset along the normal (left of the direction) at the anchor, which is 0 at the
    estimate, and the angle.
    """

    anchor: Array
    values: Values
    start: float
    end: float

    @cached_property
    def angle_rad(self) -> float:
        """Direction, counter-clockwise from +x."""
        return float(self.values.value[1])

    @cached_property
    def direction(self) -> Array:
        """Unit vector along the line (2,)."""
        return np.array([math.cos(self.angle_rad), math.sin(self.angle_rad)])

    def running(self, about_rad: float) -> "LineFeature":
        """Return the same line with its sense within 90° of an angle: turned about, its left is its right."""
        angle = wrapped(self.angle_rad, about_rad)
        if abs(angle - self.angle_rad) < 1.0:  # half turns apart, or not at all
            return self
        if math.cos(angle - self.angle_rad) > 0:
            return LineFeature(
                self.anchor, Values(np.array([0.0, angle]), self.values.c, self.values.sources), self.start, self.end
            )
        c = self.values.c.copy()
        c[0] *= -1.0
        return LineFeature(self.anchor, Values(np.array([0.0, angle]), c, self.values.sources), -self.end, -self.start)

    @property
    def ends(self) -> Array:
        """Both ends of what was seen (2, 2)."""
        return self.anchor + np.array([[self.start], [self.end]]) * self.direction


class PlaceFeature(PointFeature):
    """A place with a direction, as a code or a long patch has: `pose` (x, y, angle in rad)."""

    pose: Values

    def __init__(self, pose: Values) -> None:
        super().__init__(Values(pose.value[:2], pose.c[:2], pose.sources))
        object.__setattr__(self, "pose", pose)


@dataclass(frozen=True)
class PartFeature:
    """A part as a find gave it: `pose` (x, y, angle in rad) on the ground of the find.

    `share`: how much of its outline was seen (1 where the frame is made of other steps). `others`: further parts of the
    same find, the next best seen first.
    """

    pose: Values
    share: float = 1.0
    others: tuple["PartFeature", ...] = ()

    @property
    def origin(self) -> Array:
        """The origin of the part's frame (2,)."""
        return self.pose.value[:2]

    @property
    def angle_rad(self) -> float:
        """The part's +x direction, counter-clockwise from the ground's."""
        return float(self.pose.value[2])


def wrapped(angle_rad: float, about_rad: float) -> float:
    """Return the angle of an undirected line within (about − 90°, about + 90°]."""
    return about_rad + math.pi / 2 - (about_rad + math.pi / 2 - angle_rad) % math.pi


Feature = PointFeature | LineFeature


@dataclass(frozen=True)
class Derived:
    """A formula over values, to be propagated by the linear law or by Monte Carlo where that fails.

    `formula` takes (k, draws) and returns (draws,). `at_least` is a bound that the quantity cannot pass.
    """

    formula: Callable[[Array], Array]
    inputs: Sequence[Value] | Values
    at_least: float | None = None

    @cached_property
    def joint(self) -> Values:
        """The inputs over one list of sources."""
        return self.inputs if isinstance(self.inputs, Values) else stack(self.inputs)
