"""Where on the target a grid in the picture belongs: which quarter turn, which part, what speaks for it.

Each cell of the target (square or dot) shows something: dark or light, a marker's bits, a disc, a larger dot.
What the picture shows in the cells of the grid is compared with the target in every position that the grid's
size leaves. So orientation by colours, by an origin mark and by markers is one and the same question.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.targets.draw import (
    LARGE_DOTS,
    MARKED_SQUARES,
    Target,
    dark_cells,
    dark_squares,
    grid,
    marker_cells,
    origin_dark,
)

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

_MOST_WRONG = {"charuco": 0.06, "checker": 0.12, "dots": 0.12}
"""Share of wrong samples up to which a grid may still be the target: some bits are misread, some squares
hidden. Markers of another family, or at other places, differ in an eighth of all samples."""

_MARGIN = {"charuco": 4.5, "checker": 1.5, "dots": 1.5}
"""How many samples more must speak for the best position than for any other: two cells, or the five bits by
which any two markers of a 5 × 5 family differ at least."""

_STRAY = 0.34
"""A line of nodes beyond the target's size may be dropped when it is filled by no more than this: strangers."""


@dataclass(frozen=True)
class Evidence:
    """A grid in the picture: `nodes` (h, w, 2) px, NaN where none, rows upwards; what its cells show, `dark`
    (h', w', s, s) samples, rows upwards; which cells could be judged, `seen` (h', w').
    """

    nodes: Array
    dark: Bools
    seen: Bools

    def quarter_turn(self) -> "Evidence":
        """Return the same grid with x and y turned: what was +y is now −x."""
        turned = np.swapaxes(self.dark, 0, 1)[:, ::-1]
        return Evidence(
            np.swapaxes(self.nodes, 0, 1)[:, ::-1],
            np.swapaxes(turned, 2, 3)[:, :, :, ::-1],
            self.seen.T[:, ::-1],
        )

    def mirrored(self) -> "Evidence":
        """Return the grid as a mirror shows it."""
        return Evidence(self.nodes[:, ::-1], self.dark[:, ::-1, :, ::-1], self.seen[:, ::-1])


@dataclass(frozen=True)
class Seat:
    """A grid laid on the target: `nodes` (rows, columns, 2) px of its feature points, NaN where not seen;
    `wrong` share of samples that contradict; `marks_wrong` of `marks_seen` cells of the origin mark;
    `rivals`: other positions that fit equally well, `same_cells`: all of them turns of the whole target.
    """

    nodes: Array
    wrong: float
    marks_wrong: int
    marks_seen: int
    rivals: int
    same_cells: bool


def expected(target: Target) -> tuple[Bools, Bools]:
    """Return what the cells show, (rows, columns, s, s) dark samples, and which of them mark the origin."""
    marks = np.zeros((target.rows, target.columns), bool)
    if target.pattern == "dots":
        dark = np.zeros((target.rows, target.columns, 1, 1), bool)
        if target.layout.marked:
            for column, row in LARGE_DOTS:
                marks[row, column] = dark[row, column] = True
        return dark, marks
    side = samples(target)
    dark = np.repeat(np.repeat(dark_squares(target)[:, :, None, None], side, axis=2), side, axis=3)
    if target.pattern == "charuco":
        for number, (column, row) in enumerate(marker_cells(target), target.layout.first_id):
            dark[row, column] = marker_bits(target.layout.family, number)[::-1]
    elif target.layout.marked:
        for column, row in MARKED_SQUARES[origin_dark(target)]:
            marks[row, column] = dark[row, column] = True
    return dark, marks


def samples(target: Target) -> int:
    """Return how many samples along a cell's side tell what it shows."""
    return int(target.layout.family[0]) + 2 if target.pattern == "charuco" else 1


def marker_bits(family: str, number: int) -> Bools:
    """Return a marker's dark cells (s, s) with its border, row 0 on top."""
    side, rectangles = dark_cells(family, number)
    bits = np.zeros((side, side), bool)
    for x0, y0, x1, y1 in rectangles:
        bits[y0:y1, x0:x1] = True
    return bits


def seat(evidence: Evidence, target: Target) -> Seat | None:
    """Return where the grid fits best, or None where its size or what it shows contradicts the target."""
    columns, rows, _ = grid(target)
    dark, marks = expected(target)
    fits = sorted(_positions(evidence, dark, columns, rows), key=lambda fit: fit.wrong)
    if not fits or fits[0].wrong > _MOST_WRONG[target.pattern]:
        return None
    best = fits[0]
    rivals = [fit for fit in fits[1:] if fit.more_wrong_than(best) < _MARGIN[target.pattern]]
    if rivals:
        best = max([best, *rivals], key=_upright)
    nodes = np.full((rows, columns, 2), np.nan)
    height, width = best.evidence.nodes.shape[:2]
    nodes[best.row : best.row + height, best.column : best.column + width] = best.evidence.nodes
    marks_here = marks[best.cell_window] & best.evidence.seen
    differs = (best.evidence.dark != dark[best.cell_window]).any(axis=(2, 3))
    same_cells = all(fit.evidence.nodes.shape[:2] == (rows, columns) for fit in (best, *rivals))
    return Seat(nodes, best.wrong, int((marks_here & differs).sum()), int(marks_here.sum()), len(rivals), same_cells)


@dataclass(frozen=True)
class _Fit:
    evidence: Evidence
    column: int
    row: int
    wrong: float
    samples: int

    def more_wrong_than(self, other: "_Fit") -> float:
        """How many samples more contradict."""
        return (self.wrong - other.wrong) * max(self.samples, other.samples)

    @property
    def cell_window(self) -> tuple[slice, slice]:
        height, width = self.evidence.seen.shape
        return slice(self.row, self.row + height), slice(self.column, self.column + width)


def _positions(evidence: Evidence, dark: Bools, columns: int, rows: int) -> Iterator[_Fit]:
    for _ in range(4):
        trimmed = trim(evidence, columns, rows)
        if trimmed is not None:
            height, width = trimmed.nodes.shape[:2]
            for row in range(rows - height + 1):
                for column in range(columns - width + 1):
                    yield _compare(trimmed, dark, column, row)
        evidence = evidence.quarter_turn()


def _compare(evidence: Evidence, dark: Bools, column: int, row: int) -> _Fit:
    height, width = evidence.seen.shape
    there = dark[row : row + height, column : column + width]
    differs = (there != evidence.dark)[evidence.seen]
    wrong = float(differs.mean()) if differs.size else 1.0
    return _Fit(evidence, column, row, wrong, differs.size)


def _upright(fit: _Fit) -> float:
    """How far +x points to the right in the picture, on the whole."""
    across = np.diff(fit.evidence.nodes, axis=1)[..., 0]
    return float(np.nanmean(across)) if np.isfinite(across).any() else 0.0


def trim(evidence: Evidence, columns: int, rows: int) -> Evidence | None:
    """Return the part of the grid that is not larger than the target; None where it is much larger."""
    here = np.isfinite(evidence.nodes[..., 0])
    height, width = here.shape
    top, left = _window(here.sum(axis=1), rows), _window(here.sum(axis=0), columns)
    high, wide = min(height, rows), min(width, columns)
    kept = here[top : top + high, left : left + wide]
    dropped = (height - high) * width + (width - wide) * height
    if here.sum() - kept.sum() > _STRAY * dropped:
        return None
    more = evidence.seen.shape[0] - height  # squares number one more than corners
    cells = slice(top, top + high + more), slice(left, left + wide + more)
    return Evidence(evidence.nodes[top : top + high, left : left + wide], evidence.dark[cells], evidence.seen[cells])


def _window(counts: NDArray[np.int64], most: int) -> int:
    """Return where the fullest run of `most` lines starts."""
    if len(counts) <= most:
        return 0
    return int(np.argmax(np.convolve(counts, np.ones(most), "valid")))
