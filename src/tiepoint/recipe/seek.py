"""From a region to edge points on the ground: strips across the picture, edges, and how each point is uncertain.

An edge is found in pixels and carried to the ground with all derivatives: how it moves with its own noise, with
every source of the tie (all points share those), and with the edge definition.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source
from tiepoint.recipe.context import Context, Strips
from tiepoint.recipe.look_kernels import (
    ACROSS_X,
    ACROSS_Y,
    BEND,
    LIGHT,
    SCALE,
    SEEN_COLUMNS,
    STRIP,
    carry_edges,
)
from tiepoint.recipe.masks import own_places
from tiepoint.recipe.regions import shape_of
from tiepoint.vision.strip_report import FLAGS
from tiepoint.vision.strips import EdgeSearch, StripEdges, edges_in_boxes

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class EdgePoints:
    """Edge points on the ground, n of them, from `sought` strips.

    `xy` (n, 2). `u` (n,): standard uncertainty along the edge's normal, from the pixels alone. `d_sources` (n, 2, m):
    how the points move with the tie's `sources`. `seen` (n, SEEN_COLUMNS of `look_kernels`): all else of each.
    """

    xy: Array
    u: Array
    d_sources: Array
    seen: Array
    sources: tuple[Source, ...]
    sought: int
    width_px: float
    flags: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.xy)

    @property
    def normal(self) -> Array:
        """Unit normal of the edge, on the side of the crossing direction; of a narrow strip it is no better than some
        degrees, (n, 2)."""
        return self.seen[:, ACROSS_X : ACROSS_Y + 1]

    @property
    def scale(self) -> Array:
        """Ground units along the normal per pixel, (n,)."""
        return self.seen[:, SCALE]

    @property
    def light(self) -> Array:
        """+1 where the side of the normal is the brighter one, -1 where the darker, (n,)."""
        return self.seen[:, LIGHT]

    @property
    def bend(self) -> Array:
        """The radius in px, in the picture, of a circle of radius 1 on the ground, (n,)."""
        return self.seen[:, BEND]

    @property
    def strip(self) -> NDArray[np.int64]:
        """Which strip each came from, (n,)."""
        return self.seen[:, STRIP].astype(np.int64)

    def taken(self, kept: Bools) -> "EdgePoints":
        """Return the points that are kept (n,)."""
        return EdgePoints(
            self.xy[kept], self.u[kept], self.d_sources[kept], self.seen[kept], self.sources, self.sought,
            self.width_px, self.flags,
        )  # fmt: skip

    def and_(self, other: "EdgePoints") -> "EdgePoints":
        """Return these points, then the others, seen through the same tie."""
        names = ("xy", "u", "d_sources", "seen")
        both = {name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in names}
        flags = tuple(dict.fromkeys((*self.flags, *other.flags)))
        return EdgePoints(
            **both, sources=self.sources, sought=self.sought + other.sought, width_px=self.width_px, flags=flags
        )

    def at(self, xy: Array) -> "EdgePoints":
        """Return the points moved to places (n, 2)."""
        return EdgePoints(xy, self.u, self.d_sources, self.seen, self.sources, self.sought, self.width_px, self.flags)

    def towards_light(self, normals: Array) -> Array:
        """Return +1 where a shape's normal (n, 2) points to the bright side of its edge, -1 where to the dark one."""
        along = self.normal[:, 0] * normals[:, 0] + self.normal[:, 1] * normals[:, 1]
        return np.asarray(self.light * np.sign(along))


def find_in(picture: NDArray[Any], strips: Strips, full_scale: float | None = None) -> StripEdges:
    """Return the edge in each strip of a picture; what their noise has in common steadies that of each.

    `full_scale`: the grey from which on pixels are saturated, as the picture itself tells it by default.
    """
    search = EdgeSearch(strips.polarity, strips.of_several, saturation=full_scale, is_one_shape=True)
    return edges_in_boxes(picture, strips.boxes, strips.length_px, strips.width_px, search)


def edge_points(context: Context, strips: Strips, needed: int, with_sources: bool = True) -> EdgePoints | Reason:
    """Return the edge points of strips on the ground, or why there are fewer than `needed`.

    A first look only asks where they are, and needs no sources.
    """
    assert context.search is not None
    edges = context.search(strips)
    points = _on_ground(context, strips, edges, needed, with_sources)
    if context.beside.mask is None or isinstance(points, Reason):
        return points
    seen = points.taken(~hidden(context, points.xy))
    return seen if len(seen) >= needed else few(len(seen), len(edges), needed)


def hidden(context: Context, xy: Array) -> Bools:
    """Return which places (n, 2) on the ground the step's mask hides."""
    shape = shape_of(getattr(context.table, "region", None))
    if context.beside.mask is None or shape is None:
        return np.zeros(len(xy), bool)
    return context.beside.mask.hides(own_places(shape, xy / context.unit, is_down=context.ground.frame == "image"))


def few(found: int, sought: int, needed: int) -> Reason:
    """Return the reason of too few edges."""
    return Reason("few_edges", {"found": found, "sought": sought, "needed": needed})


def _lacking(edges: StripEdges, found: int, needed: int) -> Reason:
    """Return why fewer than `needed` of the edges were found: the reason that most strips share, if they have one."""
    code = edges.most_common_reason()
    if code == "saturated":
        share = float(np.nanmean(edges.saturated_share[~edges.ok]))
        return Reason("saturated", {"share_percent": round(100 * share)})
    if code == "outside_picture":
        return Reason("outside_picture")
    return Reason("no_edge") if found == 0 else few(found, len(edges), needed)


def _on_ground(
    context: Context, strips: Strips, edges: StripEdges, needed: int, with_sources: bool
) -> EdgePoints | Reason:
    way, n = context.ground.way, len(edges.told)
    sources = way.sources if with_sources else ()
    xy, u, moves, seen = np.empty((n, 2)), np.empty(n), np.empty((n, 2, len(sources))), np.empty((n, SEEN_COLUMNS))
    found, bits = carry_edges(*way.arrays, edges.told, needed, xy, u, moves, seen)
    if found < needed:
        return _lacking(edges, found, needed)
    if bits < 0:
        return Reason("outside_tie")
    if found < n:
        xy, u, moves, seen = xy[:found], u[:found], moves[:found], seen[:found]
    flags = tuple([f for k, f in enumerate(FLAGS) if bits >> k & 1]) if bits else ()
    return EdgePoints(xy, u, moves, seen, sources, n, strips.width_px, flags)
