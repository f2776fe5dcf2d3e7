"""The frame of a found part: what steps measure in when they say `in = "<find>"`.

A part's pose on the ground of its find is three values with sources (x, y, angle). A place p on that ground lies at
Rᵀ·(p − t) in the part's frame, so that a reading there carries the tie, the edges and the find alike: what moves part
and place together (the tie's shift, a turn of the camera) cancels by its shared sources, and a length, which no pose
can change, gets nothing from the pose.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.sources import Source, Sources, listed, together
from tiepoint.recipe.features import PartFeature
from tiepoint.recipe.ground import Ground
from tiepoint.ties.mapping import into_part
from tiepoint.ties.sight import Sight
from tiepoint.ties.tie import Mapped

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class PartGround:
    """The frame of a found part over the ground (`base`) that its find lives in; right-handed, y up."""

    base: Ground
    part: PartFeature
    frame: str

    @cached_property
    def sources(self) -> tuple[Source, ...]:
        """Those of the ground, then those of the pose that the ground does not have."""
        return self._joined[0]

    @cached_property
    def _joined(self) -> tuple[Sources, Ints]:
        return with_pose(self.base.sources, self.part.pose.sources)

    def map(self, px: Array, with_sources: bool = True) -> Mapped:
        """Return where pixels (n, 2) lie in the part's frame, with the sources of the ground and of the pose."""
        there = self.base.map(px, with_sources)
        sources, at = self._joined if with_sources else _NO_SOURCES
        n = len(px)
        own, moves, d_px = np.empty((n, 2)), np.empty((n, 2, len(sources))), np.empty((n, 2, 2))
        into_part(*self._pose, there.xy_mm, there.d_px, there.d_sources, at, own, d_px, moves)
        return Mapped(own, d_px, moves, sources, there.inside)

    @cached_property
    def _pose(self) -> tuple[Array, Array]:
        """Where the part lies: x, y, cosine and sine of its angle; and what each follows, as kernels take them."""
        turn = math.cos(self.part.angle_rad), math.sin(self.part.angle_rad)
        return np.array([*self.part.origin, *turn]), np.ascontiguousarray(self.part.pose.c)

    @cached_property
    def sight(self) -> Sight:
        """That of the ground, from where the part lies."""
        x, y = self.part.origin.tolist()
        return self.base.sight.of_part(x, y, self.part.angle_rad)


_NO_SOURCES = Sources(), np.empty(0, np.int64)


def with_pose(first: tuple[Source, ...], second: tuple[Source, ...]) -> tuple[Sources, Ints]:
    """Return sources without repetition, the first ones first, and at which place each of the second (p,) stands."""
    base = listed(first)
    places = dict(base.place)
    at = np.array([places.setdefault(source, len(places)) for source in second], np.int64)
    own = Sources(list(places)[len(base) :])
    return together(base, own), at
