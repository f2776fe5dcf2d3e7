"""Two ways of looking at a level of a picture: for a grid of corners, or for a grid of dots."""

from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from tiepoint.targets.blobs import Blobs, find_blobs
from tiepoint.targets.cells import dot_evidence, square_evidence
from tiepoint.targets.draw import LARGE_DOT_SHARE, Target, grid
from tiepoint.targets.lattice import ALIKE, Lattice, grow_checker, grow_dots
from tiepoint.targets.levels import Level, Levels
from tiepoint.targets.measure import Points, quick_corners, quick_dots
from tiepoint.targets.saddles import Saddles, find_saddles
from tiepoint.targets.seat import Evidence, Seat

Array = NDArray[np.float64]
Picture = NDArray[Any]

_COMPLETIONS = 3
_MARGIN_PX = 3.0


class Look(Protocol):
    """A grid looked for in one level of a picture."""

    kind: str
    level: Level

    @property
    def count(self) -> int:
        """How many candidates there are."""

    @property
    def lattice(self) -> Lattice | None:
        """The largest grid among them."""

    def another(self) -> "Look":
        """Return a look at what does not belong to the largest grid."""

    def evidence(self, target: Target) -> Evidence:
        """Return what the cells of the largest grid show."""

    def measure(self, picture: Picture, place: Seat, target: Target) -> Points:
        """Return sub-pixel points of the seated grid."""


class CornerLook:
    """Looks for the corners of a checker or a charuco."""

    kind = "corners"

    def __init__(self, levels: Levels, level: Level, full: int, saddles: Saddles | None = None) -> None:
        self.level, self._levels, self._full = level, levels, full
        self._saddles = find_saddles(level.grey) if saddles is None else saddles

    @property
    def count(self) -> int:
        """How many candidates there are."""
        return len(self._saddles.xy)

    @cached_property
    def lattice(self) -> Lattice | None:
        """The largest grid among them."""
        return grow_checker(self._saddles, self._full)

    def another(self) -> "CornerLook":
        """Return a look at what does not belong to the largest grid."""
        s, rest = self._saddles, _rest(self.count, self.lattice)
        others = Saddles(s.xy[rest], s.rising[rest], s.falling[rest], s.level[rest], s.swing[rest])
        return CornerLook(self._levels, self.level, self._full, others)

    def evidence(self, target: Target) -> Evidence:
        """Return what the squares of the largest grid show."""
        assert self.lattice is not None
        return square_evidence(self._levels, self.level, self._saddles, self.lattice, target)

    def measure(self, picture: Picture, place: Seat, target: Target) -> Points:
        """Return sub-pixel corners; also of those that the grid missed and its neighbours predict."""
        nodes = place.nodes
        found = quick_corners(picture, nodes, target)
        asked = np.isfinite(nodes[..., 0])
        for _ in range(_COMPLETIONS):
            if len(found.ids) == asked.size:
                break
            nodes = _with_predictions(nodes.shape, found, asked, picture.shape)
            fresh = np.isfinite(nodes[..., 0]) & ~asked
            if not fresh.any():
                break
            asked |= fresh
            found = quick_corners(picture, nodes, target)
        return found


class DotLook:
    """Looks for dots."""

    kind = "dots"

    def __init__(
        self, levels: Levels, level: Level, full: int, blobs: Blobs | None = None, alike: float = ALIKE
    ) -> None:
        self.level, self._levels, self._full, self._alike = level, levels, full, alike
        self._blobs = find_blobs(level.grey) if blobs is None else blobs

    @property
    def count(self) -> int:
        """How many candidates there are."""
        return len(self._blobs.xy)

    @cached_property
    def lattice(self) -> Lattice | None:
        """The largest grid among them."""
        return grow_dots(self._blobs, self._full, self._alike)

    def another(self) -> "DotLook":
        """Return a look at what does not belong to the largest grid."""
        rest = _rest(self.count, self.lattice)
        others = Blobs(self._blobs.xy[rest], self._blobs.axes[rest])
        return DotLook(self._levels, self.level, self._full, others, self._alike)

    def evidence(self, target: Target) -> Evidence:
        """Return which dots of the largest grid are large."""
        assert self.lattice is not None
        return dot_evidence(self.level, self._blobs, self.lattice, target)

    def measure(self, picture: Picture, place: Seat, target: Target) -> Points:
        """Return sub-pixel dot centres."""
        # A dot's shape is found again by its place: seating may have turned the grid.
        known = self.level.from_picture(place.nodes).reshape(-1, 2)
        there = np.isfinite(known[:, 0])
        nearest = np.linalg.norm(known[there][:, None] - self._blobs.xy[None], axis=2).argmin(axis=1)
        axes = np.full((len(known), 2, 2), np.nan)
        axes[there] = self._blobs.axes[nearest] * self.level.factor
        return quick_dots(picture, place.nodes, axes, target)


def look(levels: Levels, level: Level, target: Target) -> Look:
    """Return the look that suits a target's pattern."""
    columns, rows, _ = grid(target)
    if target.pattern != "dots":
        return CornerLook(levels, level, columns * rows)
    # Small dots have large ones beside them, at the origin.
    return DotLook(levels, level, columns * rows, alike=max(ALIKE, 1.3 * LARGE_DOT_SHARE / target.layout.share))


def lattice_size(lattice: Lattice) -> tuple[int, int]:
    """Return columns and rows of a grid, the larger first."""
    low, high = sorted(int(n) + 1 for n in np.ptp(lattice.places, axis=0))
    return high, low


def pitch_px(evidence: Evidence) -> float:
    """Return the median distance of neighbours in px of the whole picture, by the shorter of both axes."""
    steps = [np.linalg.norm(np.diff(evidence.nodes, axis=axis), axis=2) for axis in (0, 1)]
    return float(min(np.nanmedian(s) if np.isfinite(s).any() else np.inf for s in steps))


def ends_within(place: Seat, found: Points, picture_shape: tuple[int, ...]) -> bool:
    """Return whether a grid stops short of the target's size although its next line would be in the picture.

    A smaller target with the same origin mark would pass for a part of a larger one.
    """
    nodes = place.nodes.copy()
    nodes.reshape(-1, 2)[found.ids] = found.px
    sides = (nodes, nodes[::-1], np.swapaxes(nodes, 0, 1), np.swapaxes(nodes, 0, 1)[::-1])
    return any(_next_line_inside(side, picture_shape) for side in sides)


def _next_line_inside(nodes: Array, picture_shape: tuple[int, ...]) -> bool:
    """Return whether the line before the first one that was measured would be in the picture, for the most part."""
    taken = np.isfinite(nodes[..., 0])
    first = int(np.argmax(taken.any(axis=1)))
    if first == 0 or first + 1 >= len(nodes):
        return False
    step = nodes[first] - nodes[first + 1]
    known = np.isfinite(step[:, 0])
    # One step more: what is at the very border may have been cut off.
    places = (nodes[first] + 2 * step)[known]
    height, width = picture_shape
    inside = (places > 0).all(axis=1) & (places < (width, height)).all(axis=1)
    return bool(len(places) and inside.mean() > 0.5)


def _rest(count: int, lattice: Lattice | None) -> NDArray[np.bool_]:
    rest = np.ones(count, bool)
    if lattice is not None:
        rest[lattice.members] = False
    return rest


def _with_predictions(
    shape: tuple[int, ...], found: Points, asked: NDArray[np.bool_], picture_shape: tuple[int, ...]
) -> Array:
    """Return the measured grid with places for what is missing next to it, as far as inside the picture."""
    nodes = np.full(shape, np.nan)
    nodes.reshape(-1, 2)[found.ids] = found.px
    total, count = np.zeros(shape), np.zeros(shape[:2])
    for axis in (0, 1):
        for sign in (1, -1):
            line = 2 * _shifted(nodes, sign, axis) - _shifted(nodes, 2 * sign, axis)
            known = np.isfinite(line[..., 0])
            total[known] += line[known]
            count += known
    height, width = picture_shape
    guess = total / np.maximum(count, 1)[..., None]
    limits = np.array([width, height]) - 1 - _MARGIN_PX
    inside = (guess > _MARGIN_PX).all(axis=2) & (guess < limits).all(axis=2)
    fresh = ~np.isfinite(nodes[..., 0]) & ~asked & (count > 0) & inside
    nodes[fresh] = guess[fresh]
    return nodes


def _shifted(nodes: Array, by: int, axis: int) -> Array:
    """Return the nodes moved along an axis, NaN where nothing moves in."""
    out = np.full(nodes.shape, np.nan)
    source = [slice(None)] * 3
    to = [slice(None)] * 3
    n = nodes.shape[axis]
    source[axis] = slice(max(0, -by), n - max(0, by))
    to[axis] = slice(max(0, by), n - max(0, -by))
    if abs(by) < n:
        out[tuple(to)] = nodes[tuple(source)]
    return out
