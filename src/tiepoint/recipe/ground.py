"""The ground that a step measures on: the plane, through a tie, or the picture itself."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from tiepoint.foundation.once import cached_property
from tiepoint.ties.sensor import Placing
from tiepoint.ties.sight import Sight, numbers_of
from tiepoint.ties.tie import Tie
from tiepoint.ties.way import Way, way_of

_UP = np.diag([1.0, -1.0, 1.0])
UPRIGHT = Sight(_UP)
UPWARDS = way_of(numbers_of(_UP, None, Placing()), np.zeros((0, 2)), np.zeros((16, 0)))


class Ground(Protocol):
    """A relation between pixels and the ground, right-handed with y up."""

    @property
    def frame(self) -> str:
        """`plane`, `image` or the name of a find."""

    @property
    def way(self) -> Way:
        """How pixels come to the ground, and what every place on it owes something to."""

    @property
    def sight(self) -> Sight:
        """How the picture shows this ground."""


@dataclass(frozen=True)
class PlaneGround:
    """The plane, in mm, seen through a tie that was placed for the shot's sensor setting."""

    tie: Tie
    frame: str = "plane"

    @cached_property
    def way(self) -> Way:
        """That of the tie."""
        return self.tie.way

    @cached_property
    def sight(self) -> Sight:
        """That of the tie."""
        return self.tie.sight


@dataclass(frozen=True)
class ImageGround:
    """The picture itself, with y turned up: handedness and angles are those that a person sees."""

    frame: str = "image"
    way: Way = UPWARDS
    sight: Sight = UPRIGHT
