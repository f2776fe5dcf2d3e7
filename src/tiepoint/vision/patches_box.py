"""The rectangle about the points of an outline: along a direction, or that of least area; and what noise does to it.

A box touches the farthest points, and noise makes them farther. The box of least area is sought besides: of all
directions it takes that in which noise happens to make it least. A disc has no such direction, so where several are as
good within the noise, their mean is taken.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

CALMING, CALM_PART = 12, 20
"""So often points are averaged with their neighbours at most, which leaves a third of their noise; and once for so many
points of the line, lest a small form lose its corners."""
MOST_TURNS = 64
LIKELY = 3.0
"""By so many standard deviations of noise a direction may be worse than the best and still weigh 0.6 times as much."""
FIRM = 3.0
FAINT = 1e-3
"""Directions that weigh less than this share of the best are left out."""
REST = math.sqrt(2.0) - 1.0
"""What as much noise again adds to a pull that grows with the noise, in terms of what the first has added."""


@dataclass(frozen=True)
class Turns:
    """Directions of a box: `angles` (t,), rad, of its longer side, with `weights` (t,) that add up to one.

    The first is the best; `firm`: how sure it is that others are worse, 0 where noise alone makes them so, to 1.
    """

    angles: Array
    weights: Array
    firm: float = 0.0

    @classmethod
    def one(cls, angle_rad: float) -> "Turns":
        """Return one direction alone."""
        return cls(np.array([angle_rad]), np.ones(1))

    def quarter(self) -> "Turns":
        """Return the same, turned by a right angle: those of the other side."""
        return Turns(self.angles + math.pi / 2, self.weights, self.firm)

    def ways(self) -> Array:
        """Return unit vectors (t, 2)."""
        return np.column_stack([np.cos(self.angles), np.sin(self.angles)])


@dataclass(frozen=True)
class Side:
    """One side of a box: its `size`, the `turns` it is measured along, and how it follows the points (`by`, (n, 2))."""

    size: float
    turns: Turns
    by: Array


def sides_of(points: Array, turns: Turns) -> tuple[Side, Side]:
    """Return the longer and the shorter side of the box about points (n, 2), means over its directions."""
    first, second = _side(points, turns), _side(points, turns.quarter())
    return (first, second) if first.size >= second.size else (second, first)


def _side(points: Array, turns: Turns) -> Side:
    ways, by = turns.ways(), np.zeros_like(points)
    at = points @ ways.T
    pull = turns.weights[:, None] * ways
    np.add.at(by, at.argmax(axis=0), pull)
    np.add.at(by, at.argmin(axis=0), -pull)
    return Side(float(turns.weights @ np.ptp(at, axis=0)), turns, by)


def hull_of(points: Array) -> Ints:
    """Return the numbers of those points (n, 2) that make the convex hull, in their order around it."""
    near = (points - points.mean(axis=0)) / max(float(np.ptp(points)), 1e-300)
    return np.asarray(cv2.convexHull(near.astype(np.float32), returnPoints=False), np.int64).ravel()


def least_turn(points: Array) -> float:
    """Return the angle (rad) of a side of the rectangle of least area about points (n, 2).

    One of its sides lies along a side of the convex hull (Freeman & Shapira, Comm. ACM 18, 1975): each is tried.
    """
    angles = _hull_turns(points)
    return float(angles[int(np.argmin(_extents(points, angles).prod(axis=1)))])


def _hull_turns(points: Array) -> Array:
    around = points[hull_of(points)]
    along = np.roll(around, -1, axis=0) - around
    return np.asarray(np.arctan2(along[:, 1], along[:, 0]))


@dataclass(frozen=True)
class Shaken:
    """Those points that can touch a box, `calm` (n, 2): averaged along the line; and draws (k, n, 2) of how noise
    `moves` them, and of what averaging leaves of that (`soft`), the share `left`.
    """

    calm: Array
    moves: Array
    soft: Array
    left: float


def shaken(points: Array, neighbours: tuple[Ints, Ints], moves: Array) -> Shaken:
    """Return points (n, 2) of closed lines with draws of how noise moves them (k, n, 2)."""
    times = max(min(len(points) // CALM_PART, CALMING), 1)
    calm = _calmed(points[None], *neighbours, times)[0]
    soft = _calmed(np.ascontiguousarray(moves), *neighbours, times)
    left = math.sqrt(float(np.sum(soft**2)) / max(float(np.sum(moves**2)), 1e-300))
    near = _near_sides(calm, float(np.abs(moves).max(initial=0.0)))
    return Shaken(calm[near], moves[:, near], soft[:, near], min(left, 0.9))


def least_turns(by: Shaken) -> Turns:
    """Return the directions in which a box is least, as far as noise lets it be told.

    Each side of the hull is one that could be; it weighs by how much larger than the least its box is, against the
    noise of that difference. For what is long or has flat sides hardly more than one is left, for a disc it is all.
    """
    best = least_turn(by.calm)
    # Within an eighth of a turn of the best, so that the same side of the box is meant.
    sides = np.unique((_hull_turns(by.calm) - best + math.pi / 4) % (math.pi / 2) - math.pi / 4)
    # Along a side of the hull a box is less than just beside it.
    beside = (sides[1:] + sides[:-1]) / 2
    every = np.sort(np.concatenate([sides, beside]))
    angles = best + np.concatenate([[0.0], every[:: -(-len(every) // MOST_TURNS)]])
    areas = _extents(by.calm, angles).prod(axis=1)
    drawn = np.array([_extents(by.calm + soft, angles).prod(axis=1) for soft in by.soft])
    scatter = np.maximum((drawn - drawn[:, :1]).std(axis=0), 1e-12 * areas[0])
    weights = np.exp(-0.5 * ((areas - areas[0]) / (LIKELY * scatter)) ** 2)
    kept = weights > FAINT
    # The share of what areas vary by from turn to turn that three deviations of noise do not explain.
    noise, varies = FIRM**2 * float(np.mean(scatter**2)), float(np.mean((areas - areas.mean()) ** 2))
    firm = max(1.0 - noise / (2.0 * max(varies, 1e-300)), 0.0)
    return Turns(angles[kept], weights[kept] / weights[kept].sum(), firm)


@dataclass(frozen=True)
class Pull:
    """What noise does to one side of a box: how much it adds on average, and its scatter."""

    bias: float
    u: float


def pulls_on(by: Shaken, sides: tuple[Side, Side]) -> tuple[Pull, Pull]:
    """Return what noise does to the longer and the shorter side of a box.

    The draws are added to calm points. Those keep some noise, which has its pull already: what it leaves out is told by
    what as much again adds. So a flat side, of which many points touch, is told from a tip. And which side is called
    the longer is noise too, where both are about alike.
    """
    (long, some), (short, others) = (_pull_on(by, side.turns) for side in sides)
    apart = sides[0].size - sides[1].size - long.bias + short.bias
    named = _folded(max(apart, 0.0), float((some - others).std(ddof=1))) / 2.0
    return Pull(long.bias + named, long.u), Pull(short.bias - named, short.u)


def _pull_on(by: Shaken, turns: Turns) -> tuple[Pull, Array]:
    """Return what noise does to a side along some directions, and what the draws make of it (k,)."""
    still = float(turns.weights @ _along(by.calm, turns.angles))
    drawn = np.array([turns.weights @ _along(by.calm + moves, turns.angles) for moves in by.moves])
    again = float(np.mean([turns.weights @ _along(by.calm + soft, turns.angles) for soft in by.soft])) - still
    bias = (float(drawn.mean()) - still + again / REST) / math.hypot(1.0, by.left)
    # Where others than the best are worse indeed, their mean is larger than what is sought.
    bias += turns.firm * (still - float(_along(by.calm, turns.angles[:1])[0]))
    return Pull(bias, float(drawn.std(ddof=1))), drawn


def _folded(apart: float, u: float) -> float:
    """Return by how much two that are `apart` seem farther apart for being sorted, `u` the noise of their difference.

    |N(0, u²)| has a mean of u·√(2/π), which is lost once they are farther apart (folded normal distribution, Leone,
    Nelson and Nottingham, Technometrics 3, 1961); never so much that they would change places.
    """
    if not u > 0:
        return 0.0
    return min(apart, u * math.sqrt(2.0 / math.pi) * math.exp(-((apart / u) ** 2) / 4.0))


def _near_sides(points: Array, reach: float) -> NDArray[np.bool_]:
    """Return which points (n,) can touch a box once they have moved: those near their hull."""
    around = points[hull_of(points)]
    width = float(_extents(points, np.array([least_turn(points)])).min())
    middle = around.mean(axis=0)
    # A point within the hull shrunk by the reach can never be outermost.
    inner = middle + (around - middle) * max(1.0 - 4.0 * reach / max(width, 1e-300), 0.0)
    side = np.roll(inner, -1, axis=0) - inner
    off = points[:, None] - inner
    cross = side[:, 0] * off[:, :, 1] - side[:, 1] * off[:, :, 0]
    return np.asarray(~((cross > 0).all(axis=1) | (cross < 0).all(axis=1)))


def _extents(points: Array, angles: Array) -> Array:
    """Return how far points (n, 2) extend along angles and across them (t, 2)."""
    return np.column_stack([_along(points, angles), _along(points, angles + math.pi / 2)])


@njit(cache=True, nogil=True, error_model="numpy")
def _along(points: Array, angles: Array) -> Array:
    """Return how far points (n, 2) extend along each angle (t,)."""
    out = np.empty(angles.size)
    for t in range(angles.size):
        c, s = math.cos(angles[t]), math.sin(angles[t])
        low, high = np.inf, -np.inf
        for k in range(points.shape[0]):
            at = c * points[k, 0] + s * points[k, 1]
            low, high = min(low, at), max(high, at)
        out[t] = high - low
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _calmed(draws: Array, before: Ints, after: Ints, times: int) -> Array:
    """Return draws (k, n, 2) averaged with their neighbours in each line, so many times."""
    old, new = draws.copy(), np.empty_like(draws)
    for _ in range(times):
        for k in range(old.shape[0]):
            for n in range(old.shape[1]):
                for i in range(2):
                    new[k, n, i] = 0.25 * old[k, before[n], i] + 0.5 * old[k, n, i] + 0.25 * old[k, after[n], i]
        old, new = new, old
    return old
