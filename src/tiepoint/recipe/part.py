"""The frame of a found part: what steps measure in when they say `in = "<find>"`.

A part's pose on the ground of its find is three values with sources (x, y, angle). A place p on that ground lies at
Rᵀ·(p − t) in the part's frame, so that a reading there carries the tie, the edges and the find alike: what moves part
and place together (the tie's shift, a turn of the camera) cancels by its shared sources, and a length, which no pose
can change, gets nothing from the pose.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.once import cached_property
from tiepoint.foundation.sources import Source, Sources, listed, together
from tiepoint.recipe.features import PartFeature
from tiepoint.recipe.ground import Ground
from tiepoint.ties.sight import Sight
from tiepoint.ties.way import Way

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class PartGround:
    """The frame of a found part over the ground (`base`) that its find lives in; right-handed, y up."""

    base: Ground
    part: PartFeature
    frame: str

    @cached_property
    def way(self) -> Way:
        """That of the ground, then into the part; its sources, then those of the pose that the ground does not have."""
        sources, at = with_pose(self.base.way.sources, self.part.pose.sources)
        x, y = self.part.origin.tolist()
        return self.base.way.into_part((x, y, self.part.angle_rad), self.part.pose.c, at, sources)

    @cached_property
    def sight(self) -> Sight:
        """That of the ground, from where the part lies."""
        x, y = self.part.origin.tolist()
        return self.base.sight.of_part(x, y, self.part.angle_rad)


def with_pose(first: tuple[Source, ...], second: tuple[Source, ...]) -> tuple[Sources, Ints]:
    """Return sources without repetition, the first ones first, and at which place each of the second (p,) stands."""
    base = listed(first)
    places = dict(base.place)
    at = np.array([places.setdefault(source, len(places)) for source in second], np.int64)
    own = Sources(list(places)[len(base) :])
    return together(base, own), at
