"""The search for what was typed wrong: changes of rows that explain a set of pairs far better than the set as typed.

Every explanation is a model (`evidence.Shape`), an orientation (as typed, or mirrored) and a few changes of rows.
Their log evidence plus log prior is comparable; the search is a beam over changes, each proposed by closed-form
updates of the residuals and then fitted anew. How often people slip is common practice, known to an order of size;
a false alarm needs odds of `ALARM` in spite of it.
"""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.ties.evidence import (
    LN_AREA,
    Complex,
    Fitted,
    Shape,
    explain,
    floor_of,
    gain_of_leaving_out,
    level,
    rss_changed,
    rss_exchanged,
)
from tiepoint.ties.slips import SlipKind, slips, typed_text

Array = NDArray[np.float64]
Column = Literal["from_x", "from_y", "to_x", "to_y"]
Side = Literal["from", "to"]
ChangeKind = Literal["left-out", "rows-exchanged", "cell", "axes", "unit"]
Whole = Literal["none", "mirrored", "slipped-down", "slipped-up", "reversed", "column-unit"]

COLUMNS: Final[tuple[Column, ...]] = ("from_x", "from_y", "to_x", "to_y")
ALARM: Final = math.log(200.0)
"""Odds against the set as typed from which on it is refused."""

_P_ROW = 0.01
_P_CELL, _P_LEFT_OUT, _P_AXES, _P_UNIT = 0.6, 0.25, 0.1, 0.05
_P_EXCHANGE = 0.02
_P_WHOLE: Final[dict[Whole, float]] = {
    "none": 1.0,
    "mirrored": 0.02,
    "slipped-down": 0.002,
    "slipped-up": 0.002,
    "reversed": 0.002,
    "column-unit": 0.002,
}
UNIT_FACTORS: Final[dict[str, float]] = {
    "inch for mm": 25.4,
    "mm for inch": 1 / 25.4,
    "cm for mm": 10.0,
    "mm for cm": 0.1,
    "m for mm": 1000.0,
    "mm for m": 0.001,
}
_BEAM = 6
_TRIED = 14
_MANY = 40
_HOPELESS = 12.0
"""A change whose own evidence is so far below the parent's cannot be part of the best explanation."""


@dataclass(frozen=True, slots=True)
class Change:
    """One change of the typed set: rows counted from 0; for a cell its new value and the slip it undoes."""

    kind: ChangeKind
    rows: tuple[int, ...]
    log_prior: float
    column: Column | None = None
    side: Side | None = None
    value: float = math.nan
    slip: SlipKind | None = None
    factor: float = 1.0
    unit: str = ""


@dataclass(frozen=True)
class State:
    """The set after some changes, and what was changed in the whole of it."""

    from_xy: Array
    to_xy: Array
    kept: NDArray[np.bool_]
    log_prior: float
    changes: tuple[Change, ...] = ()
    whole: Whole = "none"
    column: Column | None = None
    unit: str = ""

    @property
    def mirrored(self) -> bool:
        """Whether the from side is turned over before it is fitted."""
        return self.whole == "mirrored"


@dataclass(frozen=True)
class Explanation:
    """A state with the model that was fitted to it, and its log evidence plus log prior."""

    state: State
    fit: Fitted
    score: float

    @property
    def errors(self) -> int:
        """How many typing errors it supposes."""
        return len(self.state.changes) + (self.state.whole != "none")

    @property
    def is_clean(self) -> bool:
        """Whether this is the set as typed."""
        return self.errors == 0

    @property
    def worth(self) -> float:
        """The score by which explanations compete: every error that one supposes must win by `ALARM` on its own."""
        return self.score - ALARM * self.errors


class Search:
    """All that stays fixed while one set is searched: levels, floors, the options of every cell."""

    def __init__(
        self,
        from_xy: Array,
        to_xy: Array,
        upright_from: bool,
        shapes: Sequence[Shape],
        texts: Sequence[Sequence[str]] | None = None,
        u: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        self.from_xy, self.to_xy, self.shapes = from_xy, to_xy, tuple(shapes)
        self._sign = np.array([1.0, 1.0 if upright_from else -1.0])
        self._levels = level(from_xy * self._sign), level(to_xy)
        scale = self._levels[1].radius / self._levels[0].radius
        self._floor = floor_of(self._levels[1].radius, u[1], u[0] * scale)
        if texts is None:
            texts = [[typed_text(v) for v in row] for row in np.hstack([from_xy, to_xy])]
        self.texts = texts
        self._options: tuple[_Options, _Options] | None = None

    # --- one state -------------------------------------------------------------------------------------------

    def typed(self) -> State:
        """Return the set as typed."""
        return State(self.from_xy, self.to_xy, np.ones(len(self.from_xy), bool), 0.0)

    def sides(self, state: State) -> tuple[Complex, Complex]:
        """Return both sides of the kept rows, levelled, right-handed, turned over where the state is mirrored."""
        f = self.levelled("from", state.from_xy[state.kept])
        return np.conj(f) if state.mirrored else f, self.levelled("to", state.to_xy[state.kept])

    @property
    def to_radius(self) -> float:
        """The radius of the to points, in their unit: what residuals are counted in."""
        return self._levels[1].radius

    def right_handed(self, state: State) -> tuple[Array, Array]:
        """Return both sides of the kept rows (k, 2) in typed units, right-handed as `sides` has them."""
        turn = self._sign * ([1.0, -1.0] if state.mirrored else [1.0, 1.0])
        return state.from_xy[state.kept] * turn, state.to_xy[state.kept]

    def right_handed_row(self, state: State, row: int) -> tuple[Array, Array]:
        """Return the two points (2,) of one row, kept or not."""
        turn = self._sign * ([1.0, -1.0] if state.mirrored else [1.0, 1.0])
        return state.from_xy[row] * turn, state.to_xy[row]

    def as_typed(self, state: State, from_point: Array) -> Array:
        """Return a right-handed from point (2,) as it would be typed."""
        return np.asarray(from_point * self._sign * ([1.0, -1.0] if state.mirrored else [1.0, 1.0]))

    def levelled(self, side: Side, xy: Array) -> Complex:
        """Return typed points (n, 2) of one side as complex numbers in radii."""
        points = xy * self._sign if side == "from" else xy
        return self._levels[side == "to"].of(points[:, 0] + 1j * points[:, 1])

    def evaluate(self, state: State, shape: Shape) -> Explanation | None:
        """Return the explanation of a state by a model, from scratch."""
        fit = explain(shape, *self.sides(state), self._floor)
        if fit is None:
            return None
        left_out = len(state.kept) - int(state.kept.sum())
        return Explanation(state, fit, fit.log_evidence + state.log_prior - left_out * LN_AREA)

    # --- the search ------------------------------------------------------------------------------------------

    def run(self) -> tuple[Explanation | None, list[Explanation]]:
        """Return the best explanation of the set as typed, and all explanations, the worthiest first."""
        roots = [e for shape, state in self._roots() if (e := self.evaluate(state, shape))]
        clean = max((e for e in roots if e.is_clean), key=lambda e: e.score, default=None)
        found = list(roots)
        for root in self._worth_a_search(roots, clean):
            found += self._beam(root, max(found, key=lambda e: e.score), clean)
        return clean, sorted(found, key=lambda e: -e.worth)

    def _roots(self) -> Iterator[tuple[Shape, State]]:
        """Return the set as typed and mirrored, by every model; what else may be wrong with all of it, by the first."""
        typed = self.typed()
        for shape in self.shapes:
            yield shape, typed
            yield shape, replace(typed, whole="mirrored", log_prior=math.log(_P_WHOLE["mirrored"]))
        moved: dict[Whole, Array] = {
            "slipped-down": np.roll(self.to_xy, -1, axis=0),
            "slipped-up": np.roll(self.to_xy, 1, axis=0),
            "reversed": self.to_xy[::-1],
        }
        for whole, to_xy in moved.items():
            yield self.shapes[0], replace(typed, whole=whole, to_xy=to_xy, log_prior=math.log(_P_WHOLE[whole]))
        for state in self._column_units(typed):
            yield self.shapes[0], state

    def _column_units(self, typed: State) -> Iterator[State]:
        lengths = COLUMNS if self._sign[1] > 0 else COLUMNS[2:]
        for column, (unit, factor) in itertools.product(lengths, UNIT_FACTORS.items()):
            k = COLUMNS.index(column)
            both = np.hstack([typed.from_xy, typed.to_xy])
            both[:, k] *= factor
            stretch = len(both) * math.log(factor) if k >= 2 else 0.0
            prior = math.log(_P_WHOLE["column-unit"] / (len(lengths) * len(UNIT_FACTORS))) + stretch
            yield State(both[:, :2], both[:, 2:], typed.kept, prior, (), "column-unit", column, unit)

    def _worth_a_search(self, roots: list[Explanation], clean: Explanation | None) -> list[Explanation]:
        """Return the roots from which single rows are changed; none for a set that is plainly in order."""
        if clean is not None and self._plainly_in_order(clean, max(e.score for e in roots)):
            return []
        best_whole = max((e for e in roots if not e.is_clean), key=lambda e: e.score, default=None)
        ranked = [e for e in roots if e.state.whole in ("none", "mirrored") or e is best_whole]
        top = max((e.score for e in ranked), default=0.0)
        return [e for e in ranked if e.is_clean or e.score > top - 4 * _HOPELESS]

    def _plainly_in_order(self, clean: Explanation, top: float) -> bool:
        small = clean.fit.rms < 0.01 and len(self.to_xy) >= 5
        if not small or top > clean.score:
            return False
        return all(score < clean.score for _, score in self._proposals(clean, 3))

    def _beam(self, root: Explanation, best: Explanation, clean: Explanation | None) -> list[Explanation]:
        """Return explanations by changes of single rows, from one root.

        The beam ends where another change brings nothing, but not at the first: of two wrong rows neither
        alone need stand out.
        """
        found: list[Explanation] = []
        front = [root]
        for depth in range(self._depth()):
            seen: dict[tuple[object, ...], Explanation] = {}
            for parent in front:
                least = max(parent.score - _HOPELESS, self._least(best, clean))
                for change, estimate in self._proposals(parent, _TRIED):
                    state = self._after(parent.state, change)
                    key = tuple(sorted((c.kind, c.rows, c.column or "", c.value) for c in state.changes))
                    if estimate >= least and key not in seen and (child := self.evaluate(state, root.fit.shape)):
                        seen[key] = child
            front = sorted(seen.values(), key=lambda e: -e.score)[:_BEAM]
            found += seen.values()
            if not front or (front[0].score <= best.score and (depth > 0 or not best.is_clean)):
                break
            best = max(best, front[0], key=lambda e: e.score)
        return found

    @staticmethod
    def _least(best: Explanation, clean: Explanation | None) -> float:
        """Return the score below which nothing can matter any more, once something explains the set well."""
        explained = clean is None or best.score - clean.score > 2 * ALARM
        return best.score - 2 * _HOPELESS if explained else -math.inf

    def _depth(self) -> int:
        n = len(self.to_xy)
        return 1 if n <= 4 else 2 if n <= 7 else 3

    def _after(self, state: State, change: Change) -> State:
        from_xy, to_xy, kept = state.from_xy.copy(), state.to_xy.copy(), state.kept.copy()
        both = {"from": from_xy, "to": to_xy}
        rows = list(change.rows)
        match change.kind:
            case "left-out":
                kept[rows] = False
            case "rows-exchanged":
                to_xy[rows] = to_xy[rows[::-1]]
            case "axes":
                assert change.side is not None
                both[change.side][rows] = both[change.side][rows][:, ::-1]
            case "unit":
                assert change.side is not None
                both[change.side][rows] *= change.factor
            case "cell":
                assert change.column is not None
                side, axis = change.column.split("_")
                both[side][rows, "xy".index(axis)] = change.value
        log_prior = state.log_prior + change.log_prior
        return replace(
            state, from_xy=from_xy, to_xy=to_xy, kept=kept, log_prior=log_prior, changes=(*state.changes, change)
        )

    # --- proposals -------------------------------------------------------------------------------------------

    def _proposals(self, parent: Explanation, most: int) -> list[tuple[Change, float]]:
        """Return the most promising changes with their estimated scores, best first."""
        state = parent.state
        index = np.flatnonzero(state.kept)
        touched = {row for c in state.changes for row in c.rows}
        found: list[tuple[Change, float]] = []
        prior = math.log(_P_ROW * _P_LEFT_OUT)
        for k, gain in enumerate(gain_of_leaving_out(parent.fit)):
            found.append((Change("left-out", (int(index[k]),), prior), parent.score + gain + prior))
        found += self._exchanges(parent, index)
        found += self._row_options(parent, index, most)
        found = [(c, s) for c, s in found if not touched.intersection(c.rows) and math.isfinite(s)]
        return sorted(found, key=lambda item: -item[1])[:most]

    def _exchanges(self, parent: Explanation, index: NDArray[np.intp]) -> list[tuple[Change, float]]:
        k = len(index)
        if k < 3:
            return []
        t = self.sides(parent.state)[1]
        gain = parent.fit.gain_of_rss(rss_exchanged(parent.fit, t))
        prior = math.log(_P_EXCHANGE / (k * (k - 1) / 2))
        i, j = np.triu_indices(k, 1)
        best = np.argsort(-gain[i, j])[:_TRIED]
        return [
            (
                Change("rows-exchanged", (int(index[i[b]]), int(index[j[b]])), prior),
                parent.score + float(gain[i[b], j[b]]) + prior,
            )
            for b in best
        ]

    def _row_options(self, parent: Explanation, index: NDArray[np.intp], most: int) -> list[tuple[Change, float]]:
        """Return changes inside one row: of to cells by the fit, of from cells by the fit the other way round."""
        if self._options is None:
            searched = self._rows_to_search()
            self._options = self._all_options("from", searched), self._all_options("to", searched)
        f, t = self.sides(parent.state)
        backwards = explain(parent.fit.shape, t, f, self._floor)
        place = np.full(len(parent.state.kept), -1)
        place[index] = np.arange(len(index))
        found: list[tuple[Change, float]] = []
        for options, fit, old in zip(self._options, (backwards, parent.fit), (f, t), strict=True):
            here = np.flatnonzero(place[options.rows] >= 0)
            if fit is None or not here.size:
                continue
            rows = place[options.rows[here]]
            turned = options.side == "from" and parent.state.mirrored
            new = np.conj(options.points[here]) if turned else options.points[here]
            score = parent.score + fit.gain_of_rss(rss_changed(fit, rows, new - old[rows])) + options.log_prior[here]
            for b in np.argsort(-score)[:most]:
                found.append((options.changes[int(here[b])], float(score[b])))
        return found

    def _rows_to_search(self) -> Sequence[int]:
        """Return the rows whose cells may have been typed wrong: all, or of a long table those that fit worst."""
        n = len(self.to_xy)
        fits = [e.fit for shape in self.shapes if (e := self.evaluate(self.typed(), shape))]
        if n <= _MANY or not fits:
            return range(n)
        best = min(fits, key=lambda fit: fit.rss)
        return sorted(int(k) for k in np.argsort(-np.abs(best.residuals))[:_MANY])

    def _all_options(self, side: Side, rows: Sequence[int]) -> "_Options":
        xy = self.from_xy if side == "from" else self.to_xy
        is_length = side == "to" or self._sign[1] > 0
        changes: list[Change] = []
        points: list[tuple[float, float]] = []
        for row in rows:
            x, y = (float(v) for v in xy[row])
            changes.append(Change("axes", (row,), math.log(_P_ROW * _P_AXES / 2), side=side))
            points.append((y, x))
            for unit, factor in UNIT_FACTORS.items() if is_length else ():
                prior = math.log(_P_ROW * _P_UNIT / (2 * len(UNIT_FACTORS)))
                stretch = 2 * math.log(factor) if side == "to" else 0.0
                changes.append(Change("unit", (row,), prior + stretch, side=side, factor=factor, unit=unit))
                points.append((x * factor, y * factor))
            for axis, column in enumerate(COLUMNS[:2] if side == "from" else COLUMNS[2:]):
                for change in self._cell_changes(row, column):
                    changes.append(change)
                    points.append((change.value, y) if axis == 0 else (x, change.value))
        levelled = self.levelled(side, np.array(points))
        owners = np.array([c.rows[0] for c in changes])
        return _Options(side, owners, levelled, np.array([c.log_prior for c in changes]), tuple(changes))

    def _cell_changes(self, row: int, column: Column) -> Iterator[Change]:
        text = self.texts[row][COLUMNS.index(column)]
        for slip in slips(text):
            prior = math.log(_P_ROW * _P_CELL / 4 * slip.share)
            yield Change("cell", (row,), prior, column=column, value=slip.value, slip=slip.kind)


@dataclass(frozen=True)
class _Options:
    """All single-row changes of one side: `rows` (m,), the new points (m,) levelled, `log_prior` (m,)."""

    side: Side
    rows: NDArray[np.intp]
    points: Complex
    log_prior: Array
    changes: tuple[Change, ...]
