"""Closed outlines of straight edges and circular arcs, exact until they are integrated.

An outline is a ring of corners; from each corner an edge runs to the next one and *turns* on its way by a stated
angle (0: straight; positive: counter-clockwise, bulging to the right of the way). A circle is two half turns.
"""

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed ring: `points` (k, 2) in mm and `turns_rad` (k,), the turn of the edge that leaves each point."""

    points: Array
    turns_rad: Array

    @property
    def ends(self) -> Array:
        """The point (k, 2) at which each edge ends."""
        return np.roll(self.points, -1, axis=0)

    @property
    def signed_area_mm2(self) -> float:
        """Enclosed area, positive where the ring runs counter-clockwise."""
        return float(areas_under(self.points, self.ends, self.turns_rad).sum())

    def moved(self, x_mm: float, y_mm: float, angle_rad: float = 0.0) -> "Outline":
        """Return the outline turned about the origin and then shifted."""
        c, s = math.cos(angle_rad), math.sin(angle_rad)
        return Outline(self.points @ np.array([[c, s], [-s, c]]) + (x_mm, y_mm), self.turns_rad)

    def mirrored(self) -> "Outline":
        """Return the outline mirrored about x; its ring runs the other way."""
        return Outline(self.points * (1.0, -1.0), -self.turns_rad)


def areas_under(start: Array, end: Array, turn: Array) -> Array:
    """Return what each edge (n,) adds to its ring's signed area: ½·(x·y' − y·x'), and R²(θ − sin θ)/2 of an arc."""
    chords = 0.5 * (start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0])
    bent = np.abs(turn) > 1e-9
    half = np.where(bent, np.sin(turn / 2), 1.0)
    radius2 = ((end - start) ** 2).sum(axis=1) / (2 * half) ** 2
    return np.asarray(chords + np.where(bent, 0.5 * radius2 * (turn - np.sin(turn)), 0.0))


def along(start: Array, end: Array, turn: Array, t: Array) -> tuple[Array, Array]:
    """Return places (n, 2) and derivatives (n, 2) by t, at t (n,) of edges from `start` to `end` (n, 2)."""
    way = end - start
    bent = np.abs(turn) > 1e-9
    safe = np.where(bent, turn, 1.0)
    # The way as a complex number: p(t) = p0 + d·e^(−iθ/2)·(e^(iθt) − 1)/(2i·sin(θ/2)).
    d = way[:, 0] + 1j * way[:, 1]
    spin = d * np.exp(-0.5j * safe) / (2j * np.sin(safe / 2))
    swing = np.exp(1j * safe * t)
    place = np.where(bent, spin * (swing - 1), d * t) + (start[:, 0] + 1j * start[:, 1])
    rate = np.where(bent, 1j * safe * spin * swing, d)
    return np.column_stack([place.real, place.imag]), np.column_stack([rate.real, rate.imag])


def sampled(outline: Outline, steps: int) -> Array:
    """Return the ring as points (k·steps, 2), `steps` an edge; straight chords between them."""
    t = np.tile(np.arange(steps) / steps, len(outline.points))
    which = np.repeat(np.arange(len(outline.points)), steps)
    place, _ = along(outline.points[which], outline.ends[which], outline.turns_rad[which], t)
    return place


def polygon(points: Array) -> Outline:
    """Return straight edges through `points` (k, 2)."""
    ring = np.array(points, float)
    if ring.ndim != 2 or ring.shape[1] != 2 or len(ring) < 3 or not np.isfinite(ring).all():
        raise UnusableInput(f"a polygon needs three or more finite points (x, y), not an array of shape {ring.shape}")
    return Outline(ring, np.zeros(len(ring)))


def rectangle(x0: float, y0: float, x1: float, y1: float) -> Outline:
    """Return an upright rectangle."""
    return polygon(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))


def disc(x: float, y: float, radius: float) -> Outline:
    """Return a circle."""
    _positive(radius, "radius of a disc")
    return Outline(np.array([[x - radius, y], [x + radius, y]]), np.array([math.pi, math.pi]))


def slot(x0: float, y0: float, x1: float, y1: float, width: float) -> Outline:
    """Return the outline of all that is within width/2 of the segment from (x0, y0) to (x1, y1)."""
    _positive(width, "width of a slot")
    length = math.hypot(x1 - x0, y1 - y0)
    _positive(length, "length of a slot's middle line")
    r = width / 2
    nx, ny = (y0 - y1) / length * r, (x1 - x0) / length * r
    points = np.array([[x0 - nx, y0 - ny], [x1 - nx, y1 - ny], [x1 + nx, y1 + ny], [x0 + nx, y0 + ny]])
    return Outline(points, np.array([0.0, math.pi, 0.0, math.pi]))


def rounded(points: Array, radius: float | Sequence[float]) -> Outline:
    """Return a convex, counter-clockwise polygon (k, 2) with its corners rounded; a radius of 0 keeps one sharp."""
    ring = polygon(points).points
    radii = np.broadcast_to(np.asarray(radius, float), len(ring))
    way = np.roll(ring, -1, axis=0) - ring
    length = np.hypot(*way.T)
    out = way / length[:, None]
    into = np.roll(out, 1, axis=0)
    turn = np.arctan2(into[:, 0] * out[:, 1] - into[:, 1] * out[:, 0], (into * out).sum(axis=1))
    cut = radii * np.tan(turn / 2)
    if not (np.all(turn > 0) and np.all(radii >= 0) and np.all(cut + np.roll(cut, -1) < length)):
        raise UnusableInput(f"a corner radius of {radius} mm does not fit this convex outline; choose a smaller one")
    corners = np.stack([ring - into * cut[:, None], ring + out * cut[:, None]], axis=1).reshape(-1, 2)
    turns = np.column_stack([turn, np.zeros(len(turn))]).ravel()
    # A sharp corner needs no arc: its first point goes, and the edge before it ends in its second.
    kept = np.column_stack([radii > 0, np.ones(len(radii), bool)]).ravel()
    return Outline(corners[kept], turns[kept])


def band(outline: Outline, width: float, skip: Collection[int] = ()) -> Iterator[tuple[Outline, Array]]:
    """Yield a strip `width` wide along the left side of an outline, in quads (arcs in steps of 10°).

    Left is inside of a counter-clockwise ring; a negative width gives the right side. Each quad comes with the
    unit normal (2,) that points away from the strip, across the edge. Edges numbered in `skip` are left out; the
    others must join without a corner, or the quads overlap there.
    """
    for k, (start, end, turn) in enumerate(zip(outline.points, outline.ends, outline.turns_rad, strict=True)):
        if k in skip:
            continue
        steps = max(1, math.ceil(abs(float(turn)) / math.radians(10.0)))
        t = np.linspace(0, 1, steps + 1)
        repeat = (steps + 1, 1)
        place, rate = along(np.tile(start, repeat), np.tile(end, repeat), np.full(steps + 1, turn), t)
        left = np.column_stack([-rate[:, 1], rate[:, 0]]) / np.hypot(*rate.T)[:, None]
        inner = place + width * left
        for i in range(steps):
            ring = np.array([place[i], place[i + 1], inner[i + 1], inner[i]])
            bend = float(turn) / steps
            across = left[i] + left[i + 1]
            yield Outline(ring, np.array([bend, 0.0, -bend, 0.0])), -math.copysign(1, width) * _unit(across)


def _unit(vector: Array) -> Array:
    return np.asarray(vector / math.hypot(*vector))


def _positive(value: float, what: str) -> None:
    if not (math.isfinite(value) and value > 0):
        raise UnusableInput(f"the {what} is {value:g} mm; choose a length above 0")
