"""Crossed gauge study: what part of the variation is the measuring's own, by analysis of variance and by ranges.

Parts are crossed with one or two factors (on a station without an operator: loading, part carrier, shift) and repeated.
With components of variance from `variance`, intervals from `mls`:

    EV² = σ_error²,   AV² = Σ σ² of the factors,   GRR² = EV² + AV² + Σ σ² of the interactions,   TV² = GRR² + PV²

Point values take negative components for zero (as published studies do), their intervals do not; an interval is widened
where the point value would lie outside. Pooling by rule changes values alone: an interval after it would take for
certain what a test failed to find, and hold less than it says (proofs/gauges.py). ndc = 1.41·PV/GRR.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.once import cached_property
from tiepoint.studies.checks import (
    Check,
    fine_enough,
    independence_within,
    normality,
    without_outliers,
)
from tiepoint.studies.figure import Figure, per_cent, told
from tiepoint.studies.measured import Measured, levels_of
from tiepoint.studies.mls import NOTHING, Beside, LargeSample, spread_of_fixed
from tiepoint.studies.ranges import ByRanges, by_ranges
from tiepoint.studies.variance import Analysis, Factors, analysed, cell_numbers

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Pool = Literal["rule", "always", "never"]

POOL_ABOVE = 0.25
"""An interaction joins the error where its p is above this; common practice."""
ENOUGH_PARTS = 10
NDC = 1.41
FEWEST_CATEGORIES = 5
"""Distinct categories that are usually asked for."""
_MOST_FACTORS = 2


@dataclass(frozen=True, slots=True)
class Line:
    """A row of the table of variances. `F` and `p` are None where there is nothing to compare with."""

    name: str
    ss: float
    dof: int
    ms: float
    F: float | None
    p: float | None
    pooled: bool


@dataclass(frozen=True, slots=True)
class Component:
    """A cause of variation with its standard deviation, and its share of the total variance."""

    name: str
    sd: Figure
    share_of_variance: float


@dataclass(frozen=True, slots=True)
class OtherChoice:
    """What the study would say with the interactions treated the other way."""

    pooled: bool
    ev: float
    av: float
    grr: float
    share_of_total: float


@dataclass(frozen=True)
class RrStudy:
    """A crossed gauge study; standard deviations in `unit`, shares as fractions of 1. `every`, `pool`: see `study_rr`.

    `data`: what it was made of, so that whoever holds the study can make it again. `av` is None without a factor,
    `share_of_tolerance` without a tolerance, `ranges` where the method has no place (two factors, unequal repeats),
    `other` without an interaction. `ndc` is rounded down, `ndc_low` from the lower end.
    """

    name: str
    unit: str
    factors: Mapping[str, tuple[str, ...]]
    every: tuple[str, ...]
    parts: tuple[str, ...]
    n: int
    repeats: float
    equal: bool
    table: tuple[Line, ...]
    pooled: tuple[str, ...]
    components: tuple[Component, ...]
    ev: Figure
    av: Figure | None
    grr: Figure
    pv: Figure
    tv: Figure
    share_of_total: Figure
    share_of_tolerance: Figure | None
    categories: Figure
    other: OtherChoice | None
    ranges: ByRanges | None
    tolerance: float | None
    spread: float
    most: float | None
    pool: Pool
    pool_above: float
    data: Measured
    convention: str
    checks: tuple[Check, ...]
    good: bool | None
    sentences: tuple[str, ...]

    @property
    def ndc(self) -> int:
        """Number of distinct categories."""
        return math.floor(min(self.categories.value, 1e6))

    @property
    def ndc_low(self) -> int:
        """Number of distinct categories at the lower end of its interval."""
        return math.floor(min(self.categories.low, 1e6))


@dataclass(frozen=True)
class _Crossed:
    """The data by numbers: `codes` (k, n) of parts and factors, and what they stand for."""

    names: tuple[str, ...]
    labels: tuple[tuple[str, ...], ...]
    codes: Ints

    @property
    def levels(self) -> tuple[int, ...]:
        return tuple(map(len, self.labels))


def study_rr(
    data: Measured,
    *,
    tolerance: float | None = None,
    spread: float = 6.0,
    most: float | None = None,
    pool: Pool = "rule",
    pool_above: float = POOL_ABOVE,
    every: Sequence[str] = (),
) -> RrStudy:
    """Return the study of values with their parts and up to two factors.

    `tolerance`: width, in the data's unit; `spread`: standard deviations that GRR is taken times against it. `most`:
    the share (of the tolerance where one is given, else of the total variation) that is asked for. `pool`: whether an
    interaction joins the error, by the rule p > `pool_above`, always or never. `every`: factors whose levels are all
    that there are, and not a sample of more.

    Raises `UnusableInput` for what cannot be, `PoorGeometry` where parts, levels or repeats are too few.
    """
    _check_asked(tolerance, spread, most, pool_above)
    crossed = _crossed(data)
    _check_every(data, every)
    above = {"rule": pool_above, "always": 0.0, "never": None}[pool]
    fixed = frozenset(crossed.names.index(name) for name in every)
    analysis = _analysed(data, crossed, above, fixed)
    made = _made(data, crossed, analysis, pool, fixed)
    cube = _cube(data, crossed, analysis)
    grr, tv, ratio = made.sd(made.measuring), made.sd(made.everything), made.ratio()
    study = RrStudy(
        name=data.name,
        unit=data.unit,
        factors=dict(zip(crossed.names[1:], crossed.labels[1:], strict=True)),
        every=tuple(every),
        parts=crossed.labels[0],
        n=len(data),
        repeats=analysis.repeats,
        equal=analysis.equal,
        table=_table(made),
        pooled=tuple(made.name(t.factors) for t in analysis.pooled),
        components=_components(made),
        ev=made.sd([()]),
        av=made.sd(made.main) if made.main else None,
        grr=grr,
        pv=made.sd([(0,)]),
        tv=tv,
        share_of_total=_share(grr.value / tv.value, ratio),
        share_of_tolerance=None if tolerance is None else _times(grr, spread / tolerance),
        categories=Figure(*(NDC * math.sqrt(r) for r in (ratio.value, ratio.low, ratio.high))),
        other=_other(data, made),
        ranges=None if cube is None else by_ranges(cube),
        tolerance=tolerance,
        spread=spread,
        most=most,
        pool=pool,
        pool_above=pool_above,
        data=data,
        convention=_convention(made, pool, pool_above, tolerance, spread),
        checks=_checks(data, crossed, analysis, every),
        good=None,
        sentences=(),
    )
    return _said(study, data)


# --- what was given ------------------------------------------------------------------------------------------------


def _check_asked(tolerance: float | None, spread: float, most: float | None, pool_above: float) -> None:
    if tolerance is not None and not (math.isfinite(tolerance) and tolerance > 0):
        raise UnusableInput(f"the tolerance is {tolerance:g}; give its whole width, upper less lower limit, above 0")
    if not (math.isfinite(spread) and 2 <= spread <= 12):
        raise UnusableInput(f"the spread is {spread:g} standard deviations; 6 is usual, give 2 to 12")
    if most is not None and not 0 < most < 1:
        raise UnusableInput(f"the share asked for is {100 * most:g} %; give above 0 and below 100 %")
    if not 0 <= pool_above <= 1:
        raise UnusableInput(f"p of the pooling rule is {pool_above:g}; give 0 to 1, {POOL_ABOVE:g} is usual")


def _check_every(data: Measured, every: Sequence[str]) -> None:
    for name in every:
        if name not in data.factors:
            raise UnusableInput(
                f"{data.name}: {name} is said to have all its levels here, but is no factor; name it so"
            )


def _crossed(data: Measured) -> _Crossed:
    if len(data.factors) > _MOST_FACTORS:
        named = ", ".join(data.factors)
        raise UnusableInput(
            f"{data.name}: {len(data.factors)} factors are named ({named}); at most two are studied at once"
        )
    if not float(np.ptp(data.values)) > 0:
        raise PoorGeometry(f"{data.name}: all {len(data)} values are the same; the parts must differ as in production")
    names, labels, codes = ["part"], [], []
    for name, column in (("part", data.parts()), *data.factors.items()):
        found, numbers = levels_of(column)
        if len(found) < 2:
            what = "give ten or more parts" if name == "part" else "leave it out, or give two levels or more"
            raise PoorGeometry(f"{data.name}: {name} is always {found[0]}; {what}")
        labels.append(found)
        codes.append(numbers)
    names += list(data.factors)
    return _Crossed(tuple(names), tuple(labels), np.array(codes))


def _analysed(data: Measured, crossed: _Crossed, above: float | None, fixed: frozenset[int]) -> Analysis:
    """Return the analysis; what is missing is named by part and level."""
    levels = crossed.levels
    cells = cell_numbers(crossed.codes, levels)
    counts = np.bincount(cells, minlength=int(np.prod(levels)))
    if (empty := np.flatnonzero(counts == 0)).size:
        at = np.unravel_index(int(empty[0]), levels)
        which = ", ".join(f"{n} {labels[k]}" for n, labels, k in zip(crossed.names, crossed.labels, at, strict=True))
        raise PoorGeometry(
            f"{data.name}: {which} has no value ({empty.size} of {counts.size} combinations are empty); measure what "
            "is missing, or leave that part or level out"
        )
    if len(levels) <= _MOST_FACTORS and len(data) == counts.size:
        raise PoorGeometry(
            f"{data.name}: nothing was repeated, so repeatability cannot be told from the rest; present every part at "
            "least twice" + (" under each level" if len(levels) > 1 else "")
        )
    analysis = analysed(data.values, crossed.codes, levels, above, fixed)
    if not analysis.terms[-1].ms > 1e-24 * analysis.total:
        raise PoorGeometry(
            f"{data.name}: every repeat equals the first to the last digit; present the part anew for each, and "
            "give more digits"
        )
    return analysis


def _cube(data: Measured, crossed: _Crossed, analysis: Analysis) -> Array | None:
    """Return the values (parts, levels, repeats) for the method by ranges; None where it has no place."""
    if not analysis.equal or analysis.repeats < 2 or len(crossed.names) > _MOST_FACTORS:
        return None
    order = np.argsort(cell_numbers(crossed.codes, crossed.levels), kind="stable")
    return data.values[order].reshape(crossed.levels[0], -1, round(analysis.repeats))


# --- components ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Made:
    """Names for terms, and figures of sums of components: values from `points`, intervals from `whole`."""

    crossed: _Crossed
    points: Analysis
    whole: Analysis
    sample: LargeSample
    fixed: frozenset[int]

    def name(self, factors: Factors) -> str:
        return " × ".join(self.crossed.names[k] for k in factors) if factors else "repeatability"

    @property
    def everything(self) -> list[Factors]:
        return [t.factors for t in self.whole.terms]

    @property
    def measuring(self) -> list[Factors]:
        return [t for t in self.everything if t != (0,)]

    @property
    def main(self) -> list[Factors]:
        return [t for t in self.everything if len(t) == 1 and t != (0,)]

    def is_fixed(self, term: Factors) -> bool:
        return bool(term) and self.fixed.issuperset(term)

    def shrink(self, term: Factors) -> float:
        """Of levels that are all that there are: their variance is over a of them, not over a − 1."""
        levels = self.crossed.levels
        return math.prod((levels[k] - 1) / levels[k] for k in term) if self.is_fixed(term) else 1.0

    def variance(self, terms: Sequence[Factors]) -> float:
        return _variance(self.points, terms, self.shrink)

    def parts(self, terms: list[Factors]) -> Array:
        """Return what each mean square adds to a sum of components (m,), without those that stand beside."""
        rows = [self.whole.row(t) for t in terms if not self.is_fixed(t)]
        return np.asarray(np.sum(rows, axis=0) * self.whole.mean_squares) if rows else np.zeros(len(self.whole.terms))

    def beside(self, terms: list[Factors]) -> Beside:
        """Return the variance of levels that are all that there are, with its interval; of several terms together."""
        each = [self.fixed_ones[t] for t in terms if self.is_fixed(t)]
        if not each:
            return NOTHING
        value = sum(v for v, _, _ in each)
        # Where nothing is seen of a term its low end is 0: it adds nothing to the low end of the sum either.
        seen = [(v, low) for v, low, _ in each if low > 0]
        low = sum(v for v, _ in seen) - math.hypot(*(v - low for v, low in seen))
        return value, min(low, value), value + math.hypot(*(high - v for v, _, high in each))

    @cached_property
    def fixed_ones(self) -> dict[Factors, Beside]:
        """The variance of each term whose levels are all that there are, with its interval."""
        return {t: self._fixed_one(t) for t in self.everything if self.is_fixed(t)}

    def _fixed_one(self, term: Factors) -> Beside:
        row, ms, dof = self.whole.row(term), self.whole.mean_squares, self.whole.dof
        own = self.everything.index(term)
        others = np.flatnonzero((np.abs(row) > 1e-12 * abs(row[own])) & (np.arange(row.size) != own))
        # What its mean square is compared with: one, or a sum of several with the dof of Satterthwaite.
        shares = -row[others] / row[own] * ms[others]
        against = max(float(shares.sum()), float(ms[-1]))
        dof_against = against**2 / float(np.sum(shares**2 / dof[others]))
        low, high = spread_of_fixed(float(ms[own]), float(dof[own]), against, dof_against)
        scale = self.shrink(term) * float(row[own])
        return scale * (float(ms[own]) - float(shares.sum())), scale * low, scale * high

    def sd(self, terms: list[Factors]) -> Figure:
        """Return the standard deviation of a sum of components."""
        low, high = self.sample.interval(self.parts(terms), self.beside(terms))
        value = self.variance(terms)
        low, high = min(max(low, 0.0), value), max(high, value)
        return Figure(math.sqrt(value), math.sqrt(low), math.sqrt(high))

    def ratio(self) -> Figure:
        """Return the ratio of variances of parts and measuring."""
        value = self.variance([(0,)]) / self.variance(self.measuring)
        low, high = self.sample.ratio(self.parts([(0,)]), self.parts(self.measuring), self.beside(self.measuring))
        return Figure(value, min(low, value), max(high, value))


def _made(data: Measured, crossed: _Crossed, points: Analysis, pool: Pool, fixed: frozenset[int]) -> _Made:
    whole = points
    if pool == "rule" and points.pooled:
        whole = analysed(data.values, crossed.codes, crossed.levels, None, fixed)
    return _Made(crossed, points, whole, LargeSample.of(whole.dof), fixed)


def _variance(analysis: Analysis, terms: Sequence[Factors], shrink: Callable[[Factors], float]) -> float:
    """Return the sum of components, negative ones taken for zero, each times its `shrink`."""
    return float(sum(max(float(analysis.row(t) @ analysis.mean_squares), 0.0) * shrink(t) for t in terms))


def _share(value: float, ratio: Figure) -> Figure:
    """Return GRR over TV, of which the ratio PV²/GRR² is the only unknown."""
    return Figure(value, 1 / math.sqrt(1 + ratio.high), 1 / math.sqrt(1 + ratio.low))


def _times(figure: Figure, factor: float) -> Figure:
    return Figure(factor * figure.value, factor * figure.low, factor * figure.high)


def _table(made: _Made) -> tuple[Line, ...]:
    kept = [Line(made.name(t.factors), t.ss, t.dof, t.ms, t.F, t.p, False) for t in made.points.terms]
    out = [Line(made.name(t.factors), t.ss, t.dof, t.ms, t.F, t.p, True) for t in made.points.pooled]
    return (*kept[:-1], *out, kept[-1])


def _components(made: _Made) -> tuple[Component, ...]:
    total = made.variance(made.everything)
    ordered = [(), *(t for t in made.measuring if t), (0,)]
    return tuple(Component(made.name(t), made.sd([t]), made.variance([t]) / total) for t in ordered)


def _other(data: Measured, made: _Made) -> OtherChoice | None:
    """Return what pooling none would give where some was pooled, and pooling all where none was."""
    crossed, pooled = made.crossed, not made.points.pooled
    if len(crossed.names) < 2:
        return None
    other = analysed(data.values, crossed.codes, crossed.levels, 0.0 if pooled else None, made.fixed)
    terms = [t.factors for t in other.terms]
    main = [t for t in terms if len(t) == 1 and t != (0,)]
    own = [t for t in terms if t != (0,)]
    ev, av, grr, tv = (math.sqrt(_variance(other, chosen, made.shrink)) for chosen in ([()], main, own, terms))
    return OtherChoice(pooled, ev, av, grr, grr / tv)


# --- what is taken for granted -------------------------------------------------------------------------------------


def _checks(data: Measured, crossed: _Crossed, analysis: Analysis, every: Sequence[str]) -> tuple[Check, ...]:
    cells = cell_numbers(crossed.codes, crossed.levels)
    counts = np.bincount(cells)
    means = np.bincount(cells, data.values - data.values[0]) / counts
    left = data.values - data.values[0] - means[cells]
    # Scaled so that cells with few repeats spread as the others do; those with one say nothing.
    said = counts[cells] > 1
    scaled = left[said] / np.sqrt(1 - 1 / counts[cells[said]])
    where = tuple(place for place, told in zip(data.where, said, strict=True) if told)
    checks = [_enough(crossed, every), fine_enough(data.values, math.sqrt(analysis.terms[-1].ms), "the repeatability")]
    if scaled.size:
        of = "the deviations between repeats"
        checks += [normality(scaled, of), without_outliers(scaled, where, of), independence_within(left, cells, of)]
    return tuple(checks)


def _enough(crossed: _Crossed, every: Sequence[str]) -> Check:
    parts, levels = crossed.levels[0], dict(zip(crossed.names[1:], crossed.levels[1:], strict=True))
    few = [f"{name} has {k}" for name, k in levels.items() if k < 3 and name not in every]
    if parts < ENOUGH_PARTS:
        return Check("enough parts", False, f"There are {parts} parts; {ENOUGH_PARTS} or more show how parts vary.")
    if few:
        told = f"{' and '.join(few)} levels: what two of them differ by tells little of all that occur."
        return Check("enough levels", None, told)
    return Check("enough parts", True, f"{parts} parts are enough to show how parts vary.")


# --- what is said --------------------------------------------------------------------------------------------------


def _convention(made: _Made, pool: Pool, above: float, tolerance: float | None, spread: float) -> str:
    crossed = made.crossed
    with_ = f"crossed with {' and '.join(crossed.names[1:])}" if len(crossed.names) > 1 else "without a factor"
    whole = [crossed.names[k] for k in sorted(made.fixed)]
    random = ["parts", *(name for name in crossed.names[1:] if name not in whole)] if whole else ["all"]
    rule = {
        "rule": f"an interaction joins the error where p > {above:g}, in values and not in intervals",
        "always": "interactions join the error",
        "never": "no interaction joins the error",
    }[pool]
    told = [
        f"Analysis of variance of parts {with_}, {' and '.join(random)} as random effects",
        *([f"the levels of {' and '.join(whole)} as all that there are"] if whole else []),
        *([rule] if len(crossed.names) > 1 else []),
        "95 % intervals by modified large sample (Burdick, Borror and Montgomery 2003)",
        f"ndc = {NDC:g}·PV/GRR",
    ]
    if tolerance is not None:
        told.append(f"share of tolerance = {spread:g}·GRR/T with T = {tolerance:g}")
    if not made.points.equal:
        told.append(f"unequal repeats by unweighted cell means, with their harmonic mean of {made.points.repeats:.3g}")
    return "; ".join(told) + "."


def _said(study: RrStudy, data: Measured) -> RrStudy:
    of, share = ("tolerance", study.share_of_tolerance) if study.share_of_tolerance else ("total variation", None)
    judged = share or study.share_of_total
    good = None if study.most is None else judged.at_most(study.most)
    said = [*data.notes, *_found(study), *_verdict(study, judged, of), *_cautions(study), _next(study, judged)]
    return replace(study, good=good, sentences=tuple(said))


def _found(study: RrStudy) -> list[str]:
    unit = f" {study.unit}" if study.unit else ""
    shares = [f"{per_cent(study.share_of_total)} of the total variation"]
    if study.share_of_tolerance is not None:
        shares.insert(0, f"{per_cent(study.share_of_tolerance)} of the tolerance")
    said = [f"The measuring spreads with a standard deviation GRR of {told(study.grr)}{unit}: {' and '.join(shares)}."]
    many = "more than a million" if study.categories.value > 1e6 else str(study.ndc)
    said.append(f"It tells {many} groups of parts apart (ndc; {study.ndc_low} at the lower end of its interval).")
    if study.other is not None:
        o = study.other
        done = f"Pooled with the error: {', '.join(study.pooled)}" if study.pooled else "No interaction was pooled"
        said.append(
            f"{done}; {'with' if o.pooled else 'without'} pooling GRR is {o.grr:.3g}{unit}, "
            f"{100 * o.share_of_total:.3g} % of the total variation."
        )
    return said


def _verdict(study: RrStudy, judged: Figure, of: str) -> list[str]:
    if study.most is None:
        return []
    asked = f"{100 * study.most:g} % of the {of}"
    if judged.at_most(study.most):
        return [f"GRR is at most {asked}: the upper end of its 95 % interval keeps it."]
    if judged.value <= study.most:
        return [f"GRR is at most {asked} by its point value, as is usually judged; that it truly is, is not shown."]
    if judged.low > study.most:
        return [f"GRR is above {asked}."]
    return [f"GRR is above {asked} by its point value; its interval leaves both open."]


def _cautions(study: RrStudy) -> list[str]:
    said = [c.sentence for c in study.checks if c.holds is False]
    if not study.factors:
        said.append("No factor was studied: what loading, part carrier or shift add is not in it.")
    if study.ndc < FEWEST_CATEGORIES:
        said.append(
            f"With fewer than {FEWEST_CATEGORIES} groups it cannot follow the process; if the parts were picked alike, "
            "judge by the tolerance instead."
        )
    if any(c.sd.value == 0 for c in study.components if c.name != "repeatability"):
        zero = ", ".join(c.name for c in study.components if c.sd.value == 0)
        said.append(f"Of {zero} nothing is seen beyond the scatter; its interval tells how much it may still be.")
    return said


def _next(study: RrStudy, judged: Figure) -> str:
    own = [c for c in study.components if c.name != "part"]
    worst = max(own, key=lambda c: c.sd.value)
    wide = max((f for f in own if f.name != "repeatability"), key=lambda c: c.sd.high - c.sd.value, default=None)
    unshown = study.most is not None and judged.value <= study.most < judged.high
    if unshown and wide is not None and wide.sd.high > study.ev.high and wide.name in {*study.factors} - {*study.every}:
        levels = len(study.factors[wide.name])
        return (
            f"Next: study more levels of {wide.name} than {levels}; it is what keeps the interval wide. If these are "
            f"all that there are, say so (--all {wide.name}), and the interval is of these."
        )
    if unshown:
        return f"Next: study more parts than {len(study.parts)}, or repeat more often, to have narrower intervals."
    if worst.name == "repeatability":
        return "Next: repeatability is the largest; look at light, focus, exposure and finding, or average."
    if "×" in worst.name:
        return f"Next: {worst.name} is the largest; some parts behave differently, so look at those in the picture."
    return f"Next: {worst.name} is the largest; look at how the part comes to lie, and at what its levels differ in."
