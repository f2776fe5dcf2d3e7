"""The ground that a step measures on: the plane, through a tie, or the picture itself."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.sources import Source
from tiepoint.ties.sight import Sight
from tiepoint.ties.tie import Mapped, Tie

Array = NDArray[np.float64]


UPRIGHT = Sight(np.diag([1.0, -1.0, 1.0]))


class Ground(Protocol):
    """A relation between pixels and the ground, right-handed with y up."""

    @property
    def frame(self) -> str:
        """`plane` or `image`."""

    @property
    def sources(self) -> tuple[Source, ...]:
        """What every place on this ground owes something to: the columns of `Mapped.d_sources`."""

    def map(self, px: Array, with_sources: bool = True) -> Mapped:
        """Return where pixels (n, 2) lie on the ground; without sources the result has none, and is made faster."""

    @property
    def sight(self) -> Sight:
        """How the picture shows this ground."""


@dataclass(frozen=True)
class PlaneGround:
    """The plane, seen through a tie that was placed for the shot's sensor setting."""

    tie: Tie
    frame: str = "plane"

    @property
    def sources(self) -> tuple[Source, ...]:
        """Those of the tie."""
        return self.tie.all_sources

    def map(self, px: Array, with_sources: bool = True) -> Mapped:
        """Return where pixels (n, 2) lie in the plane, in mm."""
        return self.tie.map(px, with_sources)

    @property
    def sight(self) -> Sight:
        """That of the tie."""
        return self.tie.sight


@dataclass(frozen=True)
class ImageGround:
    """The picture itself, with y turned up: handedness and angles are those that a person sees."""

    frame: str = "image"

    @property
    def sources(self) -> tuple[Source, ...]:
        """None."""
        return ()

    def map(self, px: Array, with_sources: bool = True) -> Mapped:
        """Return pixels (n, 2) with y turned up; nothing is uncertain about that."""
        del with_sources  # there are none
        n = len(px)
        d_px = np.broadcast_to(np.diag([1.0, -1.0]), (n, 2, 2))
        return Mapped(px * (1.0, -1.0), d_px, np.zeros((n, 2, 0)), (), np.ones(n, bool))

    @property
    def sight(self) -> Sight:
        """Pixels with y turned up."""
        return UPRIGHT
