"""Typing errors in pairs, named with row and repair: swapped axes, inch for mm, signs, exchanged and mistyped rows.

`suspects` finds the explanation; here it becomes findings that a person reads and a program can act on. Nothing
is repaired: who typed the table decides.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.ties.evidence import Shape
from tiepoint.ties.pair_fit import PairFit, apply, fit_pairs
from tiepoint.ties.slips import WORDS, slips
from tiepoint.ties.suspects import COLUMNS, UNIT_FACTORS, Change, Column, Explanation, Search

Array = NDArray[np.float64]
Code = Literal[
    "mirrored",
    "rows-slipped",
    "rows-reversed",
    "column-unit",
    "unit",
    "rows-exchanged",
    "row-axes-exchanged",
    "row-unit",
    "row-mistyped",
    "row-odd",
    "row-unnamed",
    "scattered",
    "scale-off",
]
Severity = Literal["refuse", "hint"]

_AS_LIKELY = math.log(20.0)
"""Explanations within these odds of the best cannot be told from it."""
_SCATTER = 0.02
"""Residual rms, as a share of the points' radius, from which on a set as typed is worth a hint."""
_ROTATION_SURE_DEG = 30.0


@dataclass(frozen=True, slots=True)
class Repair:
    """What would repair one cell: row counted from 1, the value typed, the value that fits."""

    row: int
    column: Column
    typed: float
    value: float


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that was found wrong (`refuse`) or is worth knowing (`hint`).

    `rows` count from 1. `ratio`: by how much the rms residual falls with the repair (1 where nothing is
    repaired).
    """

    code: Code
    rows: tuple[int, ...]
    sentence: str
    severity: Severity = "refuse"
    repairs: tuple[Repair, ...] = ()
    ratio: float = 1.0


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """All findings, and the rms residual of the set as typed and as repaired (unit of the to columns)."""

    findings: tuple[Finding, ...]
    rms_typed: float
    rms_repaired: float

    @property
    def refused(self) -> bool:
        """Whether the set must not be used as typed."""
        return any(f.severity == "refuse" for f in self.findings)


def diagnose(
    from_xy: Array,
    to_xy: Array,
    *,
    from_image: bool,
    shapes: Sequence[Shape],
    same_unit: bool = False,
    expected_scale: float | None = None,
    texts: Sequence[Sequence[str]] | None = None,
    u_from: float = 0.0,
    u_to: float = 0.0,
    unit: str = "mm",
) -> Diagnosis:
    """Return what is wrong with pairs from (n, 2) → to (n, 2), in the units in which they were typed.

    `from_image`: the from points are raw pixels, y down. `shapes`: the models that may hold, simplest first.
    `same_unit`: both sides are lengths in one unit, so that the scale must be 1. `expected_scale`: to-units
    per from-unit, where known otherwise (as from the optics). `texts` (n rows of 4): the cells as typed.
    """
    search = Search(from_xy, to_xy, not from_image, shapes, texts, (u_from, u_to))
    clean, found = search.run()
    if not found:
        return Diagnosis((), math.nan, math.nan)
    teller = _Teller(search, clean, from_image, unit)
    best = found[0]
    if best.is_clean:
        findings = teller.hints()
    else:
        findings = teller.findings(best, found)
    findings += teller.scale(best, 1.0 if same_unit else expected_scale, u_from, u_to)
    return Diagnosis(tuple(findings), teller.rms(clean), teller.rms(best))


class _Teller:
    """Turns explanations into findings."""

    def __init__(self, search: Search, clean: Explanation | None, from_image: bool, unit: str) -> None:
        self._search, self._clean, self._from_image, self._unit = search, clean, from_image, unit
        self._typed = np.hstack([search.from_xy, search.to_xy])
        self._decimals = [
            max(len(row[k].partition(".")[2]) for row in search.texts) for k in range(4)
        ]  # as many as anybody typed in that column

    def rms(self, explanation: Explanation | None) -> float:
        """Return the rms residual in the unit of the to columns."""
        return math.nan if explanation is None else explanation.fit.rms * self._search.to_radius

    # --- certain findings ------------------------------------------------------------------------------------

    def findings(self, best: Explanation, found: list[Explanation]) -> list[Finding]:
        """Return one finding for the whole set, if it is about that, and one for each changed row."""
        ratio = self.rms(self._clean) / max(self.rms(best), 1e-6 * self._search.to_radius)
        ratio = ratio if math.isfinite(ratio) else 1.0
        others = _as_likely(best, found)
        fit = self._fit(best)
        out: list[Finding] = []
        if (whole := self._whole(best, fit, ratio)) is not None:
            out.append(whole)
        for change in best.state.changes:
            out.append(self._row(change, best, fit, ratio))
        if out and others:
            first = out[0]
            said = "; or ".join(self._said(other) for other in others)
            sentence = f"{first.sentence}; the points cannot tell this from: {said}"
            out[0] = Finding(first.code, first.rows, sentence, "refuse", first.repairs, ratio)
        return out

    def _said(self, explanation: Explanation) -> str:
        fit = self._fit(explanation)
        whole = self._whole(explanation, fit, 1.0)
        parts = [] if whole is None else [whole.sentence]
        parts += [self._row(c, explanation, fit, 1.0).sentence for c in explanation.state.changes]
        return ", and ".join(parts) if parts else "a set in order, measured poorly"

    def _fit(self, explanation: Explanation) -> PairFit | None:
        """Return the explanation's model over the typed units, both sides right-handed."""
        f, t = self._search.right_handed(explanation.state)
        try:
            return fit_pairs(explanation.fit.shape, f, t)
        except PoorGeometry:
            return None

    def _whole(self, best: Explanation, fit: PairFit | None, ratio: float) -> Finding | None:
        state = best.state
        fall = self._fall(best)
        match state.whole:
            case "none":
                return None
            case "mirrored":
                return self._mirrored(fit, fall, ratio)
            case "slipped-down" | "slipped-up":
                way = "low" if state.whole == "slipped-down" else "high"
                text = f"the to values stand one row too {way} against the from values: move them by a row{fall}"
                return Finding("rows-slipped", (), text, ratio=ratio)
            case "reversed":
                text = f"the to values stand in reverse order: turn their rows round{fall}"
                return Finding("rows-reversed", (), text, ratio=ratio)
            case "column-unit":
                factor = UNIT_FACTORS[state.unit]
                text = f"the column {state.column} looks like {state.unit}: times {factor:g} it fits the others{fall}"
                return Finding("column-unit", (), text, ratio=ratio)

    def _mirrored(self, fit: PairFit | None, fall: str, ratio: float) -> Finding:
        """Name the commonest causes with the turn that each leaves; upright cameras leave none."""
        turn = 0.0 if fit is None else math.degrees(fit.angle_rad)
        causes = [
            ("the to columns are swapped (to_x stands where to_y belongs)", 90.0 - turn),
            ("to_y has the wrong sign", -turn),
            ("to_x has the wrong sign", 180.0 - turn),
        ]
        if self._from_image:
            causes.append(("the from columns are swapped (from_x stands where from_y belongs)", 90.0 + turn))
        else:
            causes.append(("the from columns are swapped (from_x stands where from_y belongs)", turn - 90.0))
        ranked = sorted(((abs(_wrapped(a)), _wrapped(a), words) for words, a in causes), key=lambda c: c[0])
        said = [f"{words}: then the turn is {angle:.1f}°" for _, angle, words in ranked]
        likely = "most likely " if ranked[0][0] < _ROTATION_SURE_DEG else "perhaps "
        text = (
            f"the set is mirrored{fall}: {likely}{said[0]}; "
            f"the points alone cannot tell this from: {'; or '.join(said[1:])}"
        )
        return Finding("mirrored", (), text, ratio=ratio)

    def _fall(self, best: Explanation) -> str:
        if self._clean is None:
            return ""
        before, after = self.rms(self._clean), self.rms(best)
        least = 1e-6 * self._search.to_radius
        return f" (rms {_short(after if after > least else 0.0)} instead of {_short(before)} {self._unit})"

    def _row(self, change: Change, best: Explanation, fit: PairFit | None, ratio: float) -> Finding:
        rows = tuple(r + 1 for r in change.rows)
        fall = self._fall(best)
        match change.kind:
            case "rows-exchanged":
                i, j = change.rows
                text = f"rows {i + 1} and {j + 1} are exchanged: the to point of each stands in the other's row{fall}"
                repairs = tuple(
                    Repair(a + 1, column, self._cell(a, column), self._cell(b, column))
                    for a, b in ((i, j), (j, i))
                    for column in COLUMNS[2:]
                )
                return Finding("rows-exchanged", rows, text, "refuse", repairs, ratio)
            case "axes" | "unit":
                return self._whole_row(change, fall, ratio)
            case "cell":
                assert change.column is not None
                assert change.slip is not None
                value = change.value
                typed = self._search.texts[change.rows[0]][COLUMNS.index(change.column)]
                meant = f"{change.column} looks like {typed} typed for {value:.12g} ({WORDS[change.slip]})"
                text = f"row {rows[0]}: {meant}{fall}"
                repair = Repair(rows[0], change.column, self._cell(change.rows[0], change.column), value)
                return Finding("row-mistyped", rows, text, "refuse", (repair,), ratio)
            case "left-out":
                return self._left_out(change.rows[0], best, fit, fall, ratio)

    def _whole_row(self, change: Change, fall: str, ratio: float) -> Finding:
        row = change.rows[0]
        assert change.side is not None
        x, y = (COLUMNS[:2], COLUMNS[2:])[change.side == "to"]
        a, b = self._cell(row, x), self._cell(row, y)
        if change.kind == "axes":
            text = f"row {row + 1}: {x} and {y} are exchanged{fall}"
            repairs = (Repair(row + 1, x, a, b), Repair(row + 1, y, b, a))
            return Finding("row-axes-exchanged", (row + 1,), text, "refuse", repairs, ratio)
        k = change.factor
        text = f"row {row + 1}: the {change.side} values look like {change.unit}: times {k:g} they fit{fall}"
        repairs = (Repair(row + 1, x, a, a * k), Repair(row + 1, y, b, b * k))
        return Finding("row-unit", (row + 1,), text, "refuse", repairs, ratio)

    def _left_out(self, row: int, best: Explanation, fit: PairFit | None, fall: str, ratio: float) -> Finding:
        """Name the one cell that makes the row wrong, where one does; else where the other rows put it."""
        if fit is None:
            return Finding("row-odd", (row + 1,), f"row {row + 1} does not fit the others{fall}", "refuse", (), ratio)
        expected = self._expected(row, best, fit)
        misses = np.abs(expected - self._typed[row])
        allowed = self._allowed(fit)
        single = [k for k in range(4) if misses[k ^ 1] <= allowed[k ^ 1] and misses[k] > allowed[k]]
        # The cell beside the wrong one agrees with what the other rows say.
        if not single:
            x, y = (f"{expected[k]:.{self._decimals[k]}f}" for k in (2, 3))
            read = ", ".join(self._search.texts[row][2:])
            text = (
                f"row {row + 1} does not fit the others: its to point reads ({read}), and they put it at ({x}, {y}): "
            )
            return Finding("row-odd", (row + 1,), f"{text}type or measure it again{fall}", "refuse", (), ratio)
        named = [self._named_cell(row, k, float(expected[k]), float(allowed[k])) for k in single]
        named.sort(key=lambda item: item[2] is None)
        said = [f"{COLUMNS[k]} {words}" for k, words, _, _ in named]
        text = f"row {row + 1}: {' or '.join(said)}{fall}"
        k, _, _, value = named[0]
        repair = Repair(row + 1, COLUMNS[k], float(self._typed[row, k]), value)
        return Finding("row-mistyped", (row + 1,), text, "refuse", (repair,), ratio)

    def _named_cell(self, row: int, k: int, expected: float, allowed: float) -> tuple[int, str, str | None, float]:
        typed = self._search.texts[row][k]
        near = [s for s in slips(typed) if abs(s.value - expected) <= allowed]
        if near:
            best = max(near, key=lambda s: s.share)
            return k, f"looks like {typed} typed for {best.value:.12g} ({WORDS[best.kind]})", best.kind, best.value
        value = round(expected, self._decimals[k])
        return k, f"reads {typed}, and the other rows put it at {value:.12g}: check it", None, value

    def _expected(self, row: int, best: Explanation, fit: PairFit) -> Array:
        """Return the row (4,) that the others expect: from by its to point, to by its from point."""
        f, t = self._search.right_handed_row(best.state, row)
        with np.errstate(all="ignore"):
            to = apply(fit.matrix, f[None, :])[0]
            back = apply(np.asarray(np.linalg.inv(fit.matrix), float), t[None, :])[0]
        return np.concatenate([self._search.as_typed(best.state, back), to])

    def _allowed(self, fit: PairFit) -> Array:
        """Return by how much a cell (4,) may miss its expected value: five times the scatter, and rounding."""
        scatter = 5 * math.sqrt(2) * math.sqrt(fit.chi2 / max(fit.dof, 1))
        to = max(scatter, 1e-4 * self._search.to_radius)
        step = np.array([10.0**-d for d in self._decimals])
        return np.asarray(np.array([to / fit.scale, to / fit.scale, to, to]) + step)

    def _cell(self, row: int, column: Column) -> float:
        return float(self._typed[row, COLUMNS.index(column)])

    # --- hints -----------------------------------------------------------------------------------------------

    def hints(self) -> list[Finding]:
        """Return what is worth knowing about a set that is taken as typed."""
        assert self._clean is not None
        fit, n = self._clean.fit, len(self._typed)
        if fit.rms < _SCATTER:
            return []
        agree = f"the rows agree only to {_short(self.rms(self._clean))} {self._unit} rms"
        if n <= 6:
            text = f"{agree}: with {n} pairs one wrong row cannot be named; add two"
            return [Finding("row-unnamed", (), text, "hint")]
        text = (
            f"{agree}: the points were measured poorly, a robot's tool point is not where its controller has it, or "
            "several rows are wrong; check the worst of them"
        )
        return [Finding("scattered", (), text, "hint")]

    def scale(self, best: Explanation, expected: float | None, u_from: float, u_to: float) -> list[Finding]:
        """Return a finding where the scale says another unit, or is off by more than its own noise."""
        fit = self._fit(best)
        if fit is None or expected is None:
            return []
        seen = fit.scale / expected
        for unit, factor in UNIT_FACTORS.items():
            if abs(seen * factor - 1) < 0.03:
                text = f"the to values look like {unit}: the scale is {fit.scale:.6g} where {expected:.6g} is expected"
                return [Finding("unit", (), text, "refuse")]
        if fit.model != "similarity":
            return []
        s = math.sqrt(fit.chi2 / fit.dof) if fit.dof > 0 else 0.0
        noise = max(s, math.hypot(u_to, u_from * fit.scale))
        u = noise * math.sqrt(fit.cofactor[0, 0]) / expected
        off = seen - 1
        if expected != 1.0 or abs(off) < max(4 * u, 2e-4):
            return []
        text = (
            f"the scale is {fit.scale:.5f} ± {2 * u:.1g} where 1 is expected: one side measures long "
            "(print scale, unit, or the robot's own lengths); measure the target's bars"
        )
        return [Finding("scale-off", (), text, "hint")]


def _as_likely(best: Explanation, found: list[Explanation]) -> list[Explanation]:
    """Return explanations that cannot be told from the best and blame other rows."""
    blamed = {_blame(best)}
    out = []
    for other in found:
        if other.worth < best.worth - _AS_LIKELY:
            break
        if len(other.state.changes) <= len(best.state.changes) and _blame(other) not in blamed:
            blamed.add(_blame(other))
            out.append(other)
    return out


def _blame(explanation: Explanation) -> tuple[str, frozenset[tuple[int, ...]]]:
    return explanation.state.whole, frozenset(c.rows for c in explanation.state.changes)


def _wrapped(degrees: float) -> float:
    return math.remainder(degrees, 360.0)


def _short(value: float) -> str:
    return f"{value:.3g}"
