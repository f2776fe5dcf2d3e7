"""The frame of a found part: what steps measure in when they say `in = "<find>"`.

A part's pose on the ground of its find is three values with sources (x, y, angle). A place p on that ground lies at
Rᵀ·(p − t) in the part's frame, so that a reading there carries the tie, the edges and the find alike: what moves part
and place together (the tie's shift, a turn of the camera) cancels by its shared sources, and a length, which no pose
can change, gets nothing from the pose.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.sources import Source
from tiepoint.recipe.features import PartFeature
from tiepoint.recipe.ground import Ground
from tiepoint.ties.tie import Mapped

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PartGround:
    """The frame of a found part over the ground (`base`) that its find lives in; right-handed, y up."""

    base: Ground
    part: PartFeature
    frame: str

    def map(self, px: Array) -> Mapped:
        """Return where pixels (n, 2) lie in the part's frame, with the sources of the ground and of the pose."""
        there = self.base.map(px)
        c, s = math.cos(self.part.angle_rad), math.sin(self.part.angle_rad)
        back = np.array([[c, s], [-s, c]])
        away = there.xy_mm - self.part.origin
        pose = self.part.pose
        # ∂(Rᵀ·(p − t))/∂θ: what is seen turns backwards where the part turns forwards.
        d_angle = away @ np.array([[-s, c], [-c, -s]]).T
        d_pose = -back @ pose.c[:2] + d_angle[:, :, None] * pose.c[2]
        sources, d_sources = merged(there.sources, back @ there.d_sources, pose.sources, d_pose)
        return Mapped(away @ back.T, back @ there.d_px, d_sources, sources, there.inside)

    def to_px(self, xy: Array) -> Array:
        """Return the pixels (n, 2) of places in the part's frame."""
        return self.base.to_px(self.to_base(xy))

    def project(self, xy: Array) -> tuple[Array, Array]:
        """Return the pixels (n, 2) of places in the part's frame, and ∂px/∂place (n, 2, 2)."""
        px, d_base = self.base.project(self.to_base(xy))
        c, s = math.cos(self.part.angle_rad), math.sin(self.part.angle_rad)
        return px, d_base @ np.array([[c, -s], [s, c]])

    def to_base(self, xy: Array) -> Array:
        """Return places (n, 2) of the part's frame on the ground of its find."""
        c, s = math.cos(self.part.angle_rad), math.sin(self.part.angle_rad)
        return np.asarray(np.asarray(xy, float) @ np.array([[c, s], [-s, c]]) + self.part.origin)


def merged(
    first: tuple[Source, ...], d_first: Array, second: tuple[Source, ...], d_second: Array
) -> tuple[tuple[Source, ...], Array]:
    """Return sources without repetition, and what values (…, m) owe to each: what both have in common adds."""
    at = {source: k for k, source in enumerate(first)}
    fresh = [k for k, source in enumerate(second) if source not in at]
    d = np.concatenate([d_first, d_second[..., fresh]], axis=-1)
    for k, source in enumerate(second):
        if source in at:
            d[..., at[source]] += d_second[..., k]
    return (*first, *(second[k] for k in fresh)), d
