"""From a region to edge points on the ground: strips across the picture, edges, and how each point is uncertain.

An edge is found in pixels and carried to the ground with all derivatives: how it moves with its own noise, with
every source of the tie (all points share those), and with the edge definition.
"""

from dataclasses import dataclass
from itertools import product
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source
from tiepoint.recipe.context import Context, Strips
from tiepoint.recipe.look_kernels import carry_edges
from tiepoint.recipe.masks import own_places
from tiepoint.recipe.regions import shape_of
from tiepoint.vision.strip_report import CODE, FLAGS
from tiepoint.vision.strips import EdgeSearch, OfSeveral, Polarity, StripEdges, edges_in_boxes

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


_SEARCHES = {asked: EdgeSearch(*asked, is_one_shape=True) for asked in product(get_args(Polarity), get_args(OfSeveral))}


@dataclass(frozen=True)
class EdgePoints:
    """Edge points on the ground, n of them, from `sought` strips.

    `xy` (n, 2). `normal` (n, 2): unit normal of the edge, on the side of the crossing direction; of a narrow strip it
    is no better than some degrees. `u` (n,): standard uncertainty along it, from the pixels alone. `scale` (n,):
    ground units along the normal per pixel. `d_sources` (n, 2, m): how the points move with the tie's sources.
    `light` (n,): +1 where the side of the normal is the brighter one, -1 where the darker. `blur_whole_px` (n,): the
    edge's blur. `bend` (n,): the radius in px, in the picture, of a circle of radius 1 on the ground. `strip` (n,):
    which strip each came from.
    """

    xy: Array
    normal: Array
    u: Array
    scale: Array
    d_sources: Array
    sources: tuple[Source, ...]
    light: Array
    blur_whole_px: Array
    bend: Array
    strip: NDArray[np.int64]
    sought: int
    width_px: float
    flags: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.xy)

    def taken(self, kept: Bools) -> "EdgePoints":
        """Return the points that are kept (n,)."""
        return EdgePoints(
            self.xy[kept], self.normal[kept], self.u[kept], self.scale[kept], self.d_sources[kept], self.sources,
            self.light[kept], self.blur_whole_px[kept], self.bend[kept], self.strip[kept], self.sought, self.width_px,
            self.flags,
        )  # fmt: skip

    def and_(self, other: "EdgePoints") -> "EdgePoints":
        """Return these points, then the others, seen through the same tie."""
        names = ("xy", "normal", "u", "scale", "d_sources", "light", "blur_whole_px", "bend", "strip")
        both = {name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in names}
        flags = tuple(dict.fromkeys((*self.flags, *other.flags)))
        return EdgePoints(
            **both, sources=self.sources, sought=self.sought + other.sought, width_px=self.width_px, flags=flags
        )

    def moved(self, displacement: Array) -> "EdgePoints":
        """Return the points moved by (n, 2) ground units."""
        return EdgePoints(
            self.xy + displacement, self.normal, self.u, self.scale, self.d_sources, self.sources, self.light,
            self.blur_whole_px, self.bend, self.strip, self.sought, self.width_px, self.flags,
        )  # fmt: skip

    def towards_light(self, normals: Array) -> Array:
        """Return +1 where a shape's normal (n, 2) points to the bright side of its edge, -1 where to the dark one."""
        along = self.normal[:, 0] * normals[:, 0] + self.normal[:, 1] * normals[:, 1]
        return np.asarray(self.light * np.sign(along))


def find_in(picture: NDArray[Any], strips: Strips) -> StripEdges:
    """Return the edge in each strip of a picture; what their noise has in common steadies that of each."""
    search = _SEARCHES[strips.polarity, strips.of_several]
    return edges_in_boxes(picture, strips.boxes, strips.length_px, strips.width_px, search)


def edge_points(context: Context, strips: Strips, needed: int, with_sources: bool = True) -> EdgePoints | Reason:
    """Return the edge points of strips on the ground, or why there are fewer than `needed`.

    A first look only asks where they are, and needs no sources.
    """
    assert context.search is not None
    edges = context.search(strips)
    found = len(edges) - int(np.count_nonzero(edges.told[:, CODE]))
    if found < needed:
        if edges.most_common_reason() in ("outside_picture", "saturated"):
            return _told(edges)
        return Reason("no_edge") if found == 0 else few(found, len(edges), needed)
    points = _on_ground(context, strips, edges, found, with_sources)
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


def _told(edges: StripEdges) -> Reason:
    """Return the reason that most strips share, with its parameters."""
    code = edges.most_common_reason()
    if code == "saturated":
        share = float(np.nanmean(edges.saturated_share[~edges.ok]))
        return Reason("saturated", {"share_percent": round(100 * share)})
    return Reason("outside_picture")


def _on_ground(
    context: Context, strips: Strips, edges: StripEdges, found: int, with_sources: bool
) -> EdgePoints | Reason:
    way, n = context.ground.way, found
    sources = way.sources if with_sources else ()
    xy, normal, d_sources = np.empty((n, 2)), np.empty((n, 2)), np.empty((n, 2, len(sources)))
    rows, strip = np.empty((5, n)), np.empty(n, np.int64)
    bits = carry_edges(*way.arrays, edges.told, xy, normal, d_sources, rows, strip)
    if bits < 0:
        return Reason("outside_tie")
    flags = tuple(f for k, f in enumerate(FLAGS) if bits >> k & 1) if bits else ()
    u, scale, light, blur, bend = rows[0], rows[1], rows[2], rows[3], rows[4]
    return EdgePoints(
        xy, normal, u, scale, d_sources, sources, light, blur, bend, strip, len(edges.told), strips.width_px, flags
    )
