"""Linearity: how the bias changes over the range, from parts of known size.

Least squares of bias = intercept + slope·reference; the band that holds the whole line with 95 % is that of Working and
Hotelling, ±√(2·F(0.95; 2, n−2))·s·√(1/n + (x − x̄)²/S_xx) (JASA 24 (1929) suppl. 73), the biases of all references hold
together with 95 % after Bonferroni. Whether a line suffices is asked by the F test of lack of fit.

Where references are uncertain each on its own, their errors look like a slope and do not grow less by repeats. Then the
line is that of generalised least squares on the references' means, weighted with 1/(u² + s²/n), s from the repeats (as
ISO/TS 28037, clause 6, from memory; the degrees of freedom by Welch and Satterthwaite, JCGM 100, G.4).
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.sources import coverage_factor, effective_dof
from tiepoint.studies.checks import LEVEL, Check, independence, normality, without_outliers
from tiepoint.studies.figure import Figure, counted
from tiepoint.studies.measured import Measured
from tiepoint.studies.wording import p_said, told, unit_said

Array = NDArray[np.float64]

FEWEST, ENOUGH = 3, 5
ENOUGH_REPEATS = 10
_P = 0.95


@dataclass(frozen=True, slots=True)
class BiasAt:
    """The bias at one reference from `n` values, with the interval that holds together with the other references'."""

    reference: float
    n: int
    bias: Figure
    s: float


@dataclass(frozen=True)
class LinearityStudy:
    """Bias over the range. `s`: of the values about the line, or with `u_own` about their references' means.

    `r_squared`: share of the biases' variance that the line explains. `u_reference`: of all references in common,
    `u_own` (n,): of each on its own, None where nobody said.

    `slope_p`, `intercept_p`: of their t tests against 0. `fit_p`: of the F test of lack of fit; None without repeats.
    `largest`: the largest |bias| of line or reference in the range, with the upper end of what it may be.
    """

    name: str
    unit: str
    n: int
    slope: Figure
    intercept: Figure
    slope_p: float
    intercept_p: float
    s: float
    r_squared: float
    fit_p: float | None
    at: tuple[BiasAt, ...]
    largest: Figure
    u_reference: float
    most: float | None
    references: Array
    biases: Array
    convention: str
    checks: tuple[Check, ...]
    good: bool | None
    sentences: tuple[str, ...]
    u_own: Array | None = None

    def line(self, reference: ArrayLike) -> Array:
        """Return the line's bias at references (k,)."""
        return np.asarray(self.intercept.value + self.slope.value * np.asarray(reference, float))

    def band(self, reference: ArrayLike) -> Array:
        """Return the half-width (k,) of the band that holds the whole line with 95 %."""
        levels = _levels(self.references, self.biases, self.u_own)
        scatter, own = levels.variances(np.asarray(reference, float))
        # 2·F(P; 2, ν) = ν·((1 − P)^(−2/ν) − 1), written so that it holds for infinite ν too.
        per_dof = (scatter / (scatter + own)) ** 2 / levels.dof
        tail = -2 * math.log(1 - _P)
        w = np.sqrt(np.expm1(tail * per_dof) / np.maximum(per_dof, 1e-300)) if levels.s else math.sqrt(tail)
        common = coverage_factor((1 + _P) / 2, math.inf) * self.u_reference
        return np.asarray(np.hypot(w * np.sqrt(scatter + own), common))


@dataclass(frozen=True)
class _Levels:
    """The line by the references' means. `x`, `n`, `mean`, `u`, `weight` (k,): of each reference.

    `s`: of a value, with its `dof`.
    """

    x: Array
    n: Array
    mean: Array
    u: Array
    weight: Array
    s: float
    dof: int

    @property
    def slope_by(self) -> Array:
        """How the slope follows from the means (k,)."""
        away = self.x - self.middle
        return np.asarray(self.weight * away / float(self.weight @ away**2))

    @property
    def middle(self) -> float:
        """Where the line's value and its slope do not hang together."""
        return float(self.weight @ self.x / self.weight.sum())

    def line_by(self, reference: Array) -> Array:
        """How the line at references (m,) follows from the means, (m, k)."""
        return np.asarray(self.weight / self.weight.sum() + np.multiply.outer(reference - self.middle, self.slope_by))

    def variances(self, reference: Array) -> tuple[Array, Array]:
        """Return the variance of the line at references (m,), by the scatter and by the references' own u."""
        by = self.line_by(reference) ** 2
        return by @ (self.s**2 / self.n), by @ self.u**2

    def figure(self, by: Array, common: float = 0.0) -> tuple[Figure, float]:
        """Return what follows from the means by (k,) with its interval, and p of the t test that it is 0."""
        value, scatter = float(by @ self.mean), float(by**2 @ (self.s**2 / self.n))
        known = float(by**2 @ self.u**2) + common**2
        u, dof = math.sqrt(scatter + known), effective_dof([(scatter, self.dof), (known, math.inf)])
        U = coverage_factor((1 + _P) / 2, dof) * u
        return Figure(value, value - U, value + U), float(2 * scipy.stats.t.sf(abs(value) / u, dof))


def _levels(x: Array, bias: Array, own: Array | None) -> _Levels:
    levels, first, at, counts = np.unique(x, return_index=True, return_inverse=True, return_counts=True)
    n = counts.astype(float)
    mean = np.asarray(np.bincount(at, bias) / n, float)
    if own is None or not own.any():
        away = x - x.mean()
        left = bias - bias.mean() - float(away @ (bias - bias.mean())) / float(away @ away) * away
        s = math.sqrt(float(left @ left) / (x.size - 2))
        return _Levels(levels, n, mean, np.zeros(levels.size), n, s, x.size - 2)
    s = math.sqrt(float(np.sum((bias - mean[at]) ** 2)) / (x.size - levels.size))
    return _Levels(levels, n, mean, own[first], 1 / (own[first] ** 2 + s**2 / n), s, x.size - levels.size)


def study_linearity(data: Measured, *, u_reference: float = 0.0, most: float | None = None) -> LinearityStudy:
    """Return the study of values with their references. `most`: the bias that is allowed anywhere in the range.

    `u_reference`: standard uncertainty of the references, common to all of them; that of each on its own is in `data`.

    Raises `UnusableInput` for what cannot be, `PoorGeometry` for too few references or constant values.
    """
    if most is not None and not (math.isfinite(most) and most > 0):
        raise UnusableInput(f"the bias allowed is {most:g}; give more than 0")
    if not (math.isfinite(u_reference) and u_reference >= 0):
        raise UnusableInput(f"u of the references is {u_reference:g}; give a standard uncertainty, 0 or more")
    x, bias = _checked(data)
    _check_own(data, x)
    study = _fitted(data, x, bias, u_reference, most)
    study = replace(study, largest=_largest(study))
    good = None if most is None else study.largest.at_most(most)
    study = replace(study, checks=_checks(data, study), good=good)
    return replace(study, sentences=(*data.notes, *_sentences(study)))


def _checked(data: Measured) -> tuple[Array, Array]:
    if data.reference is None:
        raise UnusableInput(f"{data.name} has no references; give a column reference with each part's known value")
    x, y = np.asarray(data.reference, float), np.asarray(data.values, float)
    if (count := np.unique(x).size) < FEWEST:
        raise PoorGeometry(
            f"{data.name} has {counted(count, 'reference')}; give at least {FEWEST}, {ENOUGH} or more are usual"
        )
    if x.size < count + 2:
        raise PoorGeometry(f"{data.name} has {x.size} values of {count} references; measure each of them repeatedly")
    if not float(np.ptp(y)) > 0:
        raise PoorGeometry(f"{data.name}: all {y.size} values are the same, whatever the reference; look at the column")
    bias, scale = y - x, float(np.abs(np.r_[x, y]).max())
    if not float(np.ptp(bias)) > 1e-12 * scale:
        raise PoorGeometry(f"{data.name}: every value is off by the same; the values look computed, not measured")
    left = bias - np.polynomial.Polynomial.fit(x, bias, 1)(x)
    if not float(np.ptp(left)) > 1e-12 * scale:
        raise PoorGeometry(
            f"{data.name}: every value lies on a line to the last digit; it looks computed, not measured"
        )
    return x, bias


def _check_own(data: Measured, x: Array) -> None:
    own = data.u_reference
    if own is None:
        return
    for level in np.unique(x):
        of = own[x == level]
        if float(np.ptp(of)) > 0:
            told = f"{of.min():g} and {of.max():g}"
            raise UnusableInput(f"{data.name}: the reference {level:g} has the u_reference {told}; give one of each")
    scatters = any(float(np.ptp(data.values[x == level])) > 0 for level in np.unique(x))
    if own.any() and not own.all() and not scatters:
        raise PoorGeometry(f"{data.name}: no value scatters, and a reference has no u; look at the columns")


def _fitted(data: Measured, x: Array, bias: Array, u: float, most: float | None) -> LinearityStudy:
    levels = _levels(x, bias, data.u_reference)
    slope, slope_p = levels.figure(levels.slope_by)
    intercept, intercept_p = levels.figure(levels.line_by(np.zeros(1))[0], u)
    left = bias - intercept.value - slope.value * x
    return LinearityStudy(
        name=data.name,
        unit=data.unit,
        n=x.size,
        slope=slope,
        intercept=intercept,
        slope_p=slope_p,
        intercept_p=intercept_p,
        s=levels.s,
        r_squared=1 - float(left @ left) / float(np.sum((bias - bias.mean()) ** 2)),
        fit_p=_lack_of_fit(x, bias, levels),
        at=_at(x, bias, levels, u),
        largest=Figure(0.0, 0.0, 0.0),
        u_reference=u,
        most=most,
        references=x,
        biases=bias,
        convention=_convention(u, most, data.u_reference),
        checks=(),
        good=None,
        sentences=(),
        u_own=data.u_reference,
    )


def _lack_of_fit(x: Array, bias: Array, levels: _Levels) -> float | None:
    """Return p of F: the means' squares about the line, each over what its u and the repeats leave open."""
    means, dof = levels.mean[np.searchsorted(levels.x, x)], x.size - levels.x.size
    pure = float(np.sum((bias - means) ** 2)) / dof if dof else 0.0
    if not pure > 0 and not levels.u.any():
        return None
    left = levels.mean - levels.line_by(levels.x) @ levels.mean
    free = levels.x.size - 2
    F = float(np.sum(left**2 / (levels.u**2 + pure / levels.n))) / free
    open_ = effective_dof([(float(np.sum(pure / levels.n)), dof), (float(np.sum(levels.u**2)), math.inf)])
    return float(scipy.stats.f.sf(F, free, open_) if math.isfinite(open_) else scipy.stats.chi2.sf(F * free, free))


def _at(x: Array, bias: Array, levels: _Levels, u: float) -> tuple[BiasAt, ...]:
    """Return the bias at each reference; where its values show no scatter, that of all stands in."""
    found, p = [], 1 - (1 - _P) / (2 * levels.x.size)
    for level, u_own in zip(levels.x, levels.u, strict=True):
        b = bias[x == level]
        scatters = b.size > 1 and float(np.ptp(b)) > 1e-12 * float(np.abs(level) + np.abs(b).max())
        own, dof = (float(np.std(b, ddof=1)), b.size - 1) if scatters else (levels.s, levels.dof)
        known = coverage_factor(p, math.inf) * float(u_own), coverage_factor((1 + _P) / 2, math.inf) * u
        U = math.hypot(coverage_factor(p, dof) * own / math.sqrt(b.size), *known)
        mean = float(b.mean())
        found.append(BiasAt(float(level), b.size, Figure(mean, mean - U, mean + U), own))
    return tuple(found)


def _largest(study: LinearityStudy) -> Figure:
    """Return the largest |bias| in the range: at one of its ends on the line, or at a reference."""
    ends = np.array([study.references.min(), study.references.max()])
    line, band = study.line(ends), study.band(ends)
    found = [Figure(float(v), float(v - w), float(v + w)) for v, w in zip(line, band, strict=True)]
    found += [a.bias for a in study.at]
    sized = [Figure(abs(f.value), max(f.low, -f.high, 0.0), max(-f.low, f.high)) for f in found]
    return Figure(*(max(getattr(f, end) for f in sized) for end in ("value", "low", "high")))


def _convention(u: float, most: float | None, own: Array | None) -> str:
    weighted = own is not None and own.any()
    said = [
        "Least squares of bias (value less reference) on the reference"
        + (", each reference weighted by its own u and its values' scatter" if weighted else ""),
        "95 % band of the whole line after Working and Hotelling, 95 % for all references together after Bonferroni",
    ]
    if u > 0:
        said.append(f"the references' u of {u:g}, taken as common to them, is in both")
    if most is not None:
        said.append(f"the bias may be {most:g} at most, by line and by each reference")
    return "; ".join(said) + "."


def _checks(data: Measured, study: LinearityStudy) -> tuple[Check, ...]:
    left, of = _left(study)
    count, repeats = len(study.at), min(a.n for a in study.at)
    checks = [
        Check("enough references", True, f"{count} references are enough.")
        if count >= ENOUGH
        else Check(
            "enough references", False, f"There are {count} references; {ENOUGH} or more over the range are usual."
        )
    ]
    if repeats < ENOUGH_REPEATS:
        told_few = f"A reference was measured {repeats} times; {ENOUGH_REPEATS} or more, presented anew, are usual."
        checks.append(Check("enough repeats", False, told_few))
    checks += [_straight(study), _even(study), normality(left, of), without_outliers(left, data.where, of)]
    return (*checks, independence(left, of)) if _mixed(study.references) else tuple(checks)


def _left(study: LinearityStudy) -> tuple[Array, str]:
    """Return the deviations that are the values' own scatter, and what they are called."""
    if study.u_own is None or not study.u_own.any():
        return study.biases - study.line(study.references), "the deviations from the line"
    levels = _levels(study.references, study.biases, study.u_own)
    means = levels.mean[np.searchsorted(levels.x, study.references)]
    return study.biases - means, "the deviations from the references' means"


def _mixed(references: Array) -> bool:
    """Whether references were taken in mixed order; one after another, deviations follow the parts and not the time."""
    return bool(np.count_nonzero(np.diff(references)) > 2 * np.unique(references).size)


def _straight(study: LinearityStudy) -> Check:
    if study.fit_p is None:
        return Check("straight", None, "Without repeats it cannot be asked whether a line suffices.")
    if study.fit_p < LEVEL:
        told_bent = f"A line does not hold all references ({p_said(study.fit_p)}): the parts' own errors, or a curve."
        return Check("straight", False, told_bent, study.fit_p)
    return Check("straight", True, f"Nothing speaks against a line ({p_said(study.fit_p)}).", study.fit_p)


def _even(study: LinearityStudy) -> Check:
    """Levene's test about the medians (Brown & Forsythe, JASA 69 (1974) 364)."""
    groups = [study.biases[study.references == a.reference] for a in study.at if a.n > 2]
    if len(groups) < 2 or not any(float(np.ptp(g)) > 0 for g in groups):
        return Check("even scatter", None, "Too few repeats to ask whether the scatter is the same over the range.")
    p = float(scipy.stats.levene(*groups, center="median").pvalue)
    if p < LEVEL:
        return Check("even scatter", False, f"The scatter differs over the range ({p_said(p)}).", p)
    return Check("even scatter", True, f"Nothing speaks against the same scatter over the range ({p_said(p)}).", p)


def _sentences(study: LinearityStudy) -> list[str]:
    unit = f" {unit_said(study.unit)}" if study.unit else ""
    changes = "changes" if study.slope_p < 1 - _P else "does not show that it changes"
    said = [
        f"The bias {changes} over the range: slope {told(study.slope)}, intercept {told(study.intercept)}{unit}.",
        f"The largest bias is {study.largest.value:.3g}{unit}, at most {study.largest.high:.3g}{unit} with 95 %.",
    ]
    if study.most is not None:
        said.append(_verdict(study, unit))
    said += [c.sentence for c in study.checks if c.holds is False]
    if study.u_own is None and study.u_reference > 0:
        said.append(
            "The u of the references is taken as common to all. Where each was calibrated on its own, their errors can "
            "look like a slope: give the u of each in a column u_reference."
        )
    elif study.u_reference == 0 and (study.u_own is None or not study.u_own.any()):
        said.append("The references are taken as exact; state their uncertainty to have it in the intervals.")
    return [*said, _next(study, unit)]


def _verdict(study: LinearityStudy, unit: str) -> str:
    assert study.most is not None
    asked = f"{study.most:g}{unit}"
    if study.good:
        return f"The bias is at most {asked} over the range: the intervals of line and references keep it."
    if study.largest.value <= study.most:
        return f"The bias is at most {asked} by its point values; that it truly is, is not shown."
    shown = ", and shown to be" if study.largest.low > study.most else ""
    return f"The bias is more than {asked} by its point value{shown}."


def _next(study: LinearityStudy, unit: str) -> str:
    if study.fit_p is not None and study.fit_p < LEVEL:
        return (
            "Next: have the references measured again, and add some between; a slope cannot be told from their errors."
        )
    if study.slope_p < 1 - _P:
        return (
            "Next: look at the scale (the tie's height, its lengths, distortion towards the edge); the slope is never "
            "corrected silently."
        )
    return f"Next: take u_LIN = {study.largest.value / math.sqrt(3):.2g}{unit} into the capability of the station."
