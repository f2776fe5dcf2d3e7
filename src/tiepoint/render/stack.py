"""Sheets that lie on one another: which part of every edge is seen, and what lies beneath it there.

The first piece of each sheet is its body, later sheets lie on earlier ones. Seen from the camera, the sheets' edges
cut one another into parts; each part is wholly hidden or wholly seen, and has one reflectance beside it. So a stack
is again a sum over edges, and as exact as a scene without overlap: nothing is painted, no mask is blurred.

Cuts are found in the camera's normalised coordinates, where straight edges are straight whatever the lens, between
chords of at most `CHORD_TURN`, and then brought onto the arcs by Newton's method. A touch that no chord shows is left
out of both edges alike: then the two count as not touching, although they overlap by up to r·CHORD_TURN²/8.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.render.camera import Camera, UnrenderableScene, directions, in_camera, visible
from tiepoint.render.outline import along
from tiepoint.render.scene import Edges, Scene, Sheet, edges_of

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

CHORD_TURN = 0.05
NEWTON_STEPS = 5
LOOK_AT = (0.24, 0.53, 0.81)
"""Where along a part it is asked what is seen of it: at uneven places, since parts are often symmetric."""

OUTSIDE_SAMPLES = 64
"""Places per part of an edge at which it is asked whether the picture still holds it."""


@dataclass(frozen=True, eq=False)
class Stack:
    """Every edge (n,) of every sheet (s,) in the plane frame.

    `rim` is 0 for an edge on a sheet, ±1 for one of its body, so that a ring's windings sum to 1 inside it;
    `step` is what an edge on a sheet bounds. `first` (s + 1,) numbers each sheet's edges.
    """

    edges: Edges
    rim: Array
    first: Ints
    reflectance: Array
    lets_through: Array
    height_mm: Array

    @property
    def sheet(self) -> Ints:
        """The number (n,) of each edge's sheet."""
        return np.repeat(np.arange(len(self.reflectance)), np.diff(self.first))


@dataclass(frozen=True, eq=False)
class Parts:
    """Parts (m,) of a stack's edges: edge number, from `t0` to `t1` of it, the share of its step that is seen.

    `beneath` (m,) is the reflectance that lies under a part of a body's edge.
    """

    which: Ints
    t0: Array
    t1: Array
    through: Array
    beneath: Array


@dataclass(frozen=True, slots=True)
class OutlineShare:
    """Of the edges of a body, openings included: their length, and the shares that others hide or that lie outside.

    `hidden` is covered by what lies on it, in the picture or not; `outside` is not covered and not in the picture.
    """

    length_mm: float
    hidden: float
    outside: float


def seen_edges(scene: Scene, camera: Camera) -> Edges:
    """Return what is seen of a stacked scene's edges, in the plane frame."""
    stack = _laid(scene.sheets)
    if not len(stack.edges.turn):
        return stack.edges
    parts = _parts(stack, scene.ground, camera)
    sheet = stack.sheet[parts.which]
    rim, edges = stack.rim[parts.which], stack.edges
    own = stack.reflectance[sheet] - (1 - stack.lets_through[sheet]) * parts.beneath
    weight = parts.through * np.where(rim != 0, rim * own, edges.weight[parts.which])
    kept = weight != 0
    which, t0, t1 = parts.which[kept], parts.t0[kept], parts.t1[kept]
    start, end, turn = edges.start[which], edges.end[which], edges.turn[which]
    begin, _ = along(start, end, turn, t0)
    finish, _ = along(start, end, turn, t1)
    return Edges(begin, finish, turn * (t1 - t0), weight[kept], edges.z[which])


def outline_shares(scene: Scene, camera: Camera, numbers: Sequence[int]) -> tuple[OutlineShare, ...]:
    """Return how much of chosen sheets' bodies is hidden by later sheets or lies outside the picture."""
    stack = _laid(scene.sheets)
    parts = _parts(stack, scene.ground, camera)
    chosen = (stack.rim[parts.which] != 0) & np.isin(stack.sheet[parts.which], numbers)
    parts = Parts(*(v[chosen] for v in (parts.which, parts.t0, parts.t1, parts.through, parts.beneath)))
    length = _lengths(stack.edges)[parts.which] * (parts.t1 - parts.t0)
    hidden = length * (parts.through == 0)
    outside = np.where(parts.through > 0, length * _outside(stack, parts, camera), 0.0)
    sums = np.array([np.bincount(stack.sheet[parts.which], v, len(scene.sheets)) for v in (length, hidden, outside)])
    return tuple(OutlineShare(float(a), float(h / a), float(o / a)) for a, h, o in sums[:, list(numbers)].T)


def _laid(sheets: tuple[Sheet, ...]) -> Stack:
    """Return all edges of all sheets in the plane frame."""
    made = [_one(sheet) for sheet in sheets]
    if not made:
        return Stack(edges_of(()), np.empty(0), np.zeros(1, np.int64), np.empty(0), np.empty(0), np.empty(0))
    columns = (np.concatenate([getattr(e, name) for e, _ in made]) for name in ("start", "end", "turn", "weight", "z"))
    bodies = [sheet.pieces[0] for sheet in sheets]
    return Stack(
        Edges(*columns),
        np.concatenate([rim for _, rim in made]),
        np.cumsum([0, *(len(rim) for _, rim in made)]),
        np.array([body.reflectance for body in bodies]),
        np.array([body.lets_through for body in bodies]),
        np.array([sheet.lay.z_mm + sheet.pieces[0].z_mm for sheet in sheets]),
    )


def _one(sheet: Sheet) -> tuple[Edges, Array]:
    """Return the edges of one sheet in the plane frame, and which of them are its body's."""
    lay, edges = sheet.lay, sheet.edges
    if lay.bow is not None or lay.scale_x != lay.scale_y or lay.scale_x <= 0 or np.ptp(edges.z) > 0:
        raise UnrenderableScene(
            "a sheet that is bowed, stretched or of several heights cannot be part of a stack; "
            "lay it flat, or render it in a scene without overlap"
        )
    body = edges_of((replace(sheet.pieces[0], reflectance=1.0, beneath=0.0),)).weight
    rim = np.zeros(len(edges.turn))
    rim[: len(body)] = body
    step = edges.weight.copy()
    step[: len(body)] = 0.0
    start, end = lay.place(edges.start, edges.z), lay.place(edges.end, edges.z)
    return Edges(start[:, :2], end[:, :2], edges.turn, step, start[:, 2]), rim


def _parts(stack: Stack, ground: float, camera: Camera) -> Parts:
    """Return all edges, cut where what is seen of them or what lies beneath them may change."""
    edge, t = _cuts(stack, camera)
    n = np.arange(len(stack.edges.turn))
    edge = np.concatenate([n, n, edge])
    t = np.concatenate([np.zeros(len(n)), np.ones(len(n)), t])
    order = np.lexsort([t, edge])
    edge, t = edge[order], t[order]
    real = (edge[1:] == edge[:-1]) & (np.diff(t) > 1e-13)
    which, t0, t1 = edge[:-1][real], t[:-1][real], t[1:][real]
    looks = [_looked(stack, ground, camera, which, t0 + share * (t1 - t0)) for share in LOOK_AT]
    # All agree, but where one meets a touch that no chord showed: then the other two are right.
    through, beneath = (np.median(np.array(each), axis=0) for each in zip(*looks, strict=True))
    return Parts(which, t0, t1, through, beneath)


def _cuts(stack: Stack, camera: Camera) -> tuple[Ints, Array]:
    """Return edges (m,) and the t (m,) at which bodies' edges cross them, or they a body's edge."""
    counts = np.maximum(np.ceil(np.abs(stack.edges.turn) / CHORD_TURN), 1).astype(np.int64)
    edge = np.repeat(np.arange(len(counts)), counts)
    number = np.arange(len(edge)) - np.repeat(np.cumsum(counts) - counts, counts)
    t0, t1 = number / counts[edge], (number + 1) / counts[edge]
    p0, p1 = _seen_at(stack, edge, t0, camera)[0], _seen_at(stack, edge, t1, camera)[0]
    first = np.concatenate([[0], np.cumsum(counts)])[stack.first]
    body = stack.rim[edge] != 0
    places = (first, _boxes(np.minimum(p0, p1), np.maximum(p0, p1), first), p0, p1, body)
    found = np.empty((_crossings(*places, np.empty((0, 4))), 4))
    _crossings(*places, found)
    chords, shares = found[:, [0, 2]].astype(np.int64).T, found[:, [1, 3]].T
    ratio = (_depth(stack, edge, t1, camera) / _depth(stack, edge, t0, camera))[chords]
    # A share of a way as it is seen, to the share in space: exact for straight edges.
    t = t0[chords] + shares / (ratio * (1 - shares) + shares) / counts[edge[chords]]
    t = _settled(stack, camera, edge[chords], t, 1 / counts[edge[chords]])
    return edge[chords].ravel(), t.ravel()


def _settled(stack: Stack, camera: Camera, edge: Ints, t: Array, chord: Array) -> Array:
    """Return the t (2, m) at which pairs of edges (2, m) truly cross, by Newton's method from where their chords do.

    Each stays within a chord of its start. Chords that cross where their arcs do not have no such place; wherever
    those are left, a cut more does no harm.
    """
    bent = (stack.edges.turn[edge] != 0).any(axis=0)
    (a, b), u = edge[:, bent], t[:, bent]
    low, high = np.maximum(u - chord[:, bent], 0), np.minimum(u + chord[:, bent], 1)
    for _ in range(NEWTON_STEPS):
        pa, ra = _seen_at(stack, a, u[0], camera)
        pb, rb = _seen_at(stack, b, u[1], camera)
        gap, across = pb - pa, _cross(ra, rb)
        across = np.where(across == 0, np.inf, across)
        u = np.clip(u + np.stack([_cross(gap, rb), _cross(gap, ra)]) / across, low, high)
    settled = t.copy()
    settled[:, bent] = u
    return settled


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def _depth(stack: Stack, which: Ints, t: Array, camera: Camera) -> Array:
    """Return by how much (m,) the view shrinks places at t (m,) of chosen edges (m,): 1 for a telecentric lens."""
    if not camera.lens.central:
        return np.ones(len(which))
    place, _ = along(stack.edges.start[which], stack.edges.end[which], stack.edges.turn[which], t)
    return np.asarray(in_camera(camera, np.column_stack([place, stack.edges.z[which]]))[:, 2])


def _seen_at(stack: Stack, which: Ints, t: Array, camera: Camera) -> tuple[Array, Array]:
    """Return normalised places (m, 2) and derivatives (m, 2) by t, at t (m,) of chosen edges (m,)."""
    edges = stack.edges
    place, rate = along(edges.start[which], edges.end[which], edges.turn[which], t)
    xyz = np.column_stack([place, edges.z[which]])
    seen = directions(camera, xyz)
    moved = rate @ camera.rotation[:, :2].T
    if not camera.lens.central:
        return seen, moved[:, :2]
    depth = in_camera(camera, xyz)[:, 2:]
    return seen, (moved[:, :2] - seen * moved[:, 2:]) / depth


def _boxes(low: Array, high: Array, first: Ints) -> Array:
    """Return the boxes (s, 4) of runs of chords: lowest x, y, highest x, y, a little widened."""
    if not len(low):
        return np.empty((0, 4))
    boxes = np.hstack([np.minimum.reduceat(low, first[:-1]), np.maximum.reduceat(high, first[:-1])])
    # Arcs leave their chords by a share of CHORD_TURN² of the box.
    slack = 1e-3 * (boxes[:, 2:] - boxes[:, :2])
    return np.asarray(boxes + np.hstack([-slack, slack]))


def _looked(stack: Stack, ground: float, camera: Camera, which: Ints, t: Array) -> tuple[Array, Array]:
    """Return the share seen (m,) and the reflectance beneath (m,) of edges at t (m,)."""
    edges = stack.edges
    place, _ = along(edges.start[which], edges.end[which], edges.turn[which], t)
    xyz = np.column_stack([place, edges.z[which]])
    if camera.lens.central:
        way = xyz - camera.centre_mm
    else:
        way = np.broadcast_to(camera.rotation[2], xyz.shape)
    slope = np.ascontiguousarray(way[:, :2] / way[:, 2:])
    through, beneath = np.empty(len(which)), np.empty(len(which))
    _look(
        xyz, slope, stack.sheet[which], stack.rim[which] != 0, ground,
        edges.start, edges.end, edges.turn, edges.weight, stack.rim, stack.first, _reach(stack),
        stack.reflectance, stack.lets_through, stack.height_mm, through, beneath,
    )  # fmt: skip
    return through, beneath


def _reach(stack: Stack) -> Array:
    """Return a circle (s, 3) round each sheet in the plane frame: centre x, y and radius, arcs included."""
    edges, first = stack.edges, stack.first[:-1]
    low = np.minimum.reduceat(np.minimum(edges.start, edges.end), first)
    high = np.maximum.reduceat(np.maximum(edges.start, edges.end), first)
    # An arc leaves its chord's middle by less than its own length.
    bulge = np.maximum.reduceat(np.where(edges.turn != 0, _lengths(edges), 0.0), first)
    return np.column_stack([(low + high) / 2, np.hypot(*(high - low).T) / 2 + bulge])


def _lengths(edges: Edges) -> Array:
    """Return the lengths (n,) of edges in mm."""
    chord = np.hypot(*(edges.end - edges.start).T)
    half = np.abs(edges.turn) / 2
    return np.asarray(chord / np.sinc(half / math.pi))


def _outside(stack: Stack, parts: Parts, camera: Camera) -> Array:
    """Return the share (m,) of each part that the picture does not hold, from evenly spread places."""
    m = len(parts.which)
    at = (np.arange(OUTSIDE_SAMPLES) + 0.5) / OUTSIDE_SAMPLES
    t = (parts.t0[:, None] + (parts.t1 - parts.t0)[:, None] * at).ravel()
    which = np.repeat(parts.which, OUTSIDE_SAMPLES)
    edges = stack.edges
    place, _ = along(edges.start[which], edges.end[which], edges.turn[which], t)
    seen = visible(camera, np.column_stack([place, edges.z[which]]))
    return np.asarray(1 - seen.reshape(m, OUTSIDE_SAMPLES).mean(axis=1))


@njit(cache=True, nogil=True)
def _crossings(
    first: Ints, box: Array, p0: Array, p1: Array, body: NDArray[np.bool_], found: Array
) -> int:  # pragma: no cover - compiled
    """Count the places where a sheet's chord crosses a chord of a later sheet's body; write them if there is room.

    Rows of `found`: chord, share of its way, the body's chord, share of its way.
    """
    count = 0
    for i in range(box.shape[0]):
        for j in range(i + 1, box.shape[0]):
            x0, y0 = max(box[i, 0], box[j, 0]), max(box[i, 1], box[j, 1])
            x1, y1 = min(box[i, 2], box[j, 2]), min(box[i, 3], box[j, 3])
            if x0 > x1 or y0 > y1:
                continue
            for a in range(first[i], first[i + 1]):
                ax0, ax1 = min(p0[a, 0], p1[a, 0]), max(p0[a, 0], p1[a, 0])
                ay0, ay1 = min(p0[a, 1], p1[a, 1]), max(p0[a, 1], p1[a, 1])
                if ax0 > x1 or ax1 < x0 or ay0 > y1 or ay1 < y0:
                    continue
                rx, ry = p1[a, 0] - p0[a, 0], p1[a, 1] - p0[a, 1]
                for b in range(first[j], first[j + 1]):
                    if not body[b]:
                        continue
                    bx0, bx1 = p0[b, 0], p1[b, 0]
                    by0, by1 = p0[b, 1], p1[b, 1]
                    if min(bx0, bx1) > ax1 or max(bx0, bx1) < ax0 or min(by0, by1) > ay1 or max(by0, by1) < ay0:
                        continue
                    sx, sy = bx1 - bx0, by1 - by0
                    across = rx * sy - ry * sx
                    if across == 0.0:
                        continue
                    dx, dy = bx0 - p0[a, 0], by0 - p0[a, 1]
                    u, v = (dx * sy - dy * sx) / across, (dx * ry - dy * rx) / across
                    if 0.0 <= u < 1.0 and 0.0 <= v < 1.0:
                        if count < found.shape[0]:
                            found[count, 0], found[count, 1] = a, u
                            found[count, 2], found[count, 3] = b, v
                        count += 1
    return count


@njit(cache=True, nogil=True)
def _windings(
    x: float,
    y: float,
    low: int,
    high: int,
    start: Array,
    end: Array,
    turn: Array,
    step: Array,
    rim: Array,
) -> tuple[float, float]:  # pragma: no cover - compiled
    """Return how often a body winds round (x, y), and the sum of the steps of the pieces on it.

    An arc winds as its chord does, and once more between itself and the chord.
    """
    around, steps = 0.0, 0.0
    for k in range(low, high):
        x0, y0, x1, y1 = start[k, 0], start[k, 1], end[k, 0], end[k, 1]
        winds = 0.0
        side = (x1 - x0) * (y - y0) - (y1 - y0) * (x - x0)
        if (y0 > y) != (y1 > y) and (side > 0) == (y1 > y0):
            winds = 1.0 if y1 > y0 else -1.0
        if turn[k] != 0.0 and side * turn[k] < 0:
            # Centre of the arc: from the chord's middle, by half the chord over tan(turn/2), to its left.
            reach = 0.5 / np.tan(turn[k] / 2)
            cx = 0.5 * (x0 + x1) - (y1 - y0) * reach
            cy = 0.5 * (y0 + y1) + (x1 - x0) * reach
            if (x - cx) ** 2 + (y - cy) ** 2 < (x0 - cx) ** 2 + (y0 - cy) ** 2:
                winds += 1.0 if turn[k] > 0 else -1.0
        around += rim[k] * winds
        steps += step[k] * winds
    return around, steps


@njit(cache=True, nogil=True)
def _look(
    xyz: Array,
    slope: Array,
    sheet: Ints,
    at_rim: NDArray[np.bool_],
    ground: float,
    start: Array,
    end: Array,
    turn: Array,
    step: Array,
    rim: Array,
    first: Ints,
    circle: Array,
    reflectance: Array,
    lets_through: Array,
    height: Array,
    through: Array,
    beneath: Array,
) -> None:  # pragma: no cover - compiled
    """Follow each place's ray through the stack: what lets it through from above, what it meets from below."""
    for n in range(xyz.shape[0]):
        share, under = 1.0, ground
        for j in range(reflectance.size):
            if j == sheet[n] or (j < sheet[n] and not at_rim[n]):
                continue
            rise = height[j] - xyz[n, 2]
            x, y = xyz[n, 0] + slope[n, 0] * rise, xyz[n, 1] + slope[n, 1] * rise
            if (x - circle[j, 0]) ** 2 + (y - circle[j, 1]) ** 2 > circle[j, 2] ** 2:
                continue
            around, steps = _windings(x, y, first[j], first[j + 1], start, end, turn, step, rim)
            if around < 0.5:
                continue
            if j > sheet[n]:
                share *= lets_through[j]
            else:
                under = reflectance[j] + steps + lets_through[j] * under
        through[n] = share
        beneath[n] = under
