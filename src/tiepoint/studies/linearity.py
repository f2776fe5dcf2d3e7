"""Linearity: how the bias changes over the range, from parts of known size.

Least squares of bias = intercept + slope·reference; the band that holds the whole line with 95 % is that of Working and
Hotelling, ±√(2·F(0.95; 2, n−2))·s·√(1/n + (x − x̄)²/S_xx) (JASA 24 (1929) suppl. 73), the biases of all references hold
together with 95 % after Bonferroni. Whether a line suffices is asked by the F test of lack of fit.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.sources import coverage_factor
from tiepoint.studies.checks import LEVEL, Check, independence, normality, without_outliers
from tiepoint.studies.figure import Figure, counted, told
from tiepoint.studies.measured import Measured

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
    """Bias over the range. `s`: of the values about the line; `r_squared`: share of the biases' variance it explains.

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

    def line(self, reference: ArrayLike) -> Array:
        """Return the line's bias at references (k,)."""
        return np.asarray(self.intercept.value + self.slope.value * np.asarray(reference, float))

    def band(self, reference: ArrayLike) -> Array:
        """Return the half-width (k,) of the band that holds the whole line with 95 %."""
        x = self.references
        away = np.asarray(reference, float) - x.mean()
        w = math.sqrt(2 * float(special.fdtri(2, self.n - 2, _P)))
        scatter = w * self.s * np.sqrt(1 / self.n + away**2 / float(np.sum((x - x.mean()) ** 2)))
        return np.asarray(np.hypot(scatter, coverage_factor((1 + _P) / 2, math.inf) * self.u_reference))


def study_linearity(data: Measured, *, u_reference: float = 0.0, most: float | None = None) -> LinearityStudy:
    """Return the study of values with their references. `most`: the bias that is allowed anywhere in the range.

    `u_reference`: standard uncertainty of the references, common to all of them.

    Raises `UnusableInput` for what cannot be, `PoorGeometry` for too few references or constant values.
    """
    if most is not None and not (math.isfinite(most) and most > 0):
        raise UnusableInput(f"the bias allowed is {most:g}; give more than 0")
    if not (math.isfinite(u_reference) and u_reference >= 0):
        raise UnusableInput(f"u of the references is {u_reference:g}; give a standard uncertainty, 0 or more")
    x, bias = _checked(data)
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


def _fitted(data: Measured, x: Array, bias: Array, u: float, most: float | None) -> LinearityStudy:
    n, away = x.size, x - x.mean()
    Sxx = float(away @ away)
    slope = float(away @ (bias - bias.mean())) / Sxx
    left = bias - bias.mean() - slope * away
    squares = float(left @ left)
    s = math.sqrt(squares / (n - 2))
    intercept = float(bias.mean()) - slope * float(x.mean())
    u_slope, u_intercept = s / math.sqrt(Sxx), s * math.sqrt(1 / n + float(x.mean()) ** 2 / Sxx)
    k = coverage_factor((1 + _P) / 2, n - 2)
    around = float(np.sum((bias - bias.mean()) ** 2))
    U = math.hypot(k * u_intercept, coverage_factor((1 + _P) / 2, math.inf) * u)
    return LinearityStudy(
        name=data.name,
        unit=data.unit,
        n=n,
        slope=Figure(slope, slope - k * u_slope, slope + k * u_slope),
        intercept=Figure(intercept, intercept - U, intercept + U),
        slope_p=float(2 * special.stdtr(n - 2, -abs(slope) / u_slope)),
        intercept_p=float(2 * special.stdtr(n - 2, -abs(intercept) / u_intercept)),
        s=s,
        r_squared=1 - squares / around,
        fit_p=_lack_of_fit(x, bias, squares),
        at=_at(x, bias, s, u),
        largest=Figure(0.0, 0.0, 0.0),
        u_reference=u,
        most=most,
        references=x,
        biases=bias,
        convention=_convention(u, most),
        checks=(),
        good=None,
        sentences=(),
    )


def _lack_of_fit(x: Array, bias: Array, squares: float) -> float | None:
    levels, at = np.unique(x, return_inverse=True)
    means = np.bincount(at, bias) / np.bincount(at)
    pure, dof = float(np.sum((bias - means[at]) ** 2)), x.size - levels.size
    if dof < 1 or not pure > 0:
        return None
    F = (squares - pure) / (levels.size - 2) / (pure / dof)
    return float(special.fdtrc(levels.size - 2, dof, max(F, 0.0)))


def _at(x: Array, bias: Array, s: float, u: float) -> tuple[BiasAt, ...]:
    """Return the bias at each reference; where its values show no scatter, that about the line stands in."""
    levels, found = np.unique(x), []
    p = 1 - (1 - _P) / (2 * levels.size)
    for level in levels:
        b = bias[x == level]
        scatters = b.size > 1 and float(np.ptp(b)) > 1e-12 * float(np.abs(level) + np.abs(b).max())
        own, dof = (float(np.std(b, ddof=1)), b.size - 1) if scatters else (s, x.size - 2)
        U = math.hypot(coverage_factor(p, dof) * own / math.sqrt(b.size), coverage_factor((1 + _P) / 2, math.inf) * u)
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


def _convention(u: float, most: float | None) -> str:
    said = [
        "Least squares of bias (value less reference) on the reference",
        "95 % band of the whole line after Working and Hotelling, 95 % for all references together after Bonferroni",
    ]
    if u > 0:
        said.append(f"the references' u of {u:g}, taken as common to them, is in both")
    if most is not None:
        said.append(f"the bias may be {most:g} at most, by line and by each reference")
    return "; ".join(said) + "."


def _checks(data: Measured, study: LinearityStudy) -> tuple[Check, ...]:
    left, of = study.biases - study.line(study.references), "the deviations from the line"
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


def _mixed(references: Array) -> bool:
    """Whether references were taken in mixed order; one after another, deviations follow the parts and not the time."""
    return bool(np.count_nonzero(np.diff(references)) > 2 * np.unique(references).size)


def _straight(study: LinearityStudy) -> Check:
    if study.fit_p is None:
        return Check("straight", None, "Without repeats it cannot be asked whether a line suffices.")
    if study.fit_p < LEVEL:
        told_bent = f"A line does not hold all references (p = {study.fit_p:.2g}): the parts' own errors, or a curve."
        return Check("straight", False, told_bent, study.fit_p)
    return Check("straight", True, f"Nothing speaks against a line (p = {study.fit_p:.2g}).", study.fit_p)


def _even(study: LinearityStudy) -> Check:
    """Levene's test about the medians (Brown & Forsythe, JASA 69 (1974) 364)."""
    groups = [study.biases[study.references == a.reference] for a in study.at if a.n > 2]
    if len(groups) < 2 or not any(float(np.ptp(g)) > 0 for g in groups):
        return Check("even scatter", None, "Too few repeats to ask whether the scatter is the same over the range.")
    p = float(stats.levene(*groups, center="median").pvalue)
    if p < LEVEL:
        return Check("even scatter", False, f"The scatter differs over the range (p = {p:.2g}).", p)
    return Check("even scatter", True, f"Nothing speaks against the same scatter over the range (p = {p:.2g}).", p)


def _sentences(study: LinearityStudy) -> list[str]:
    unit = f" {study.unit}" if study.unit else ""
    changes = "changes" if study.slope_p < 1 - _P else "does not show that it changes"
    said = [
        f"The bias {changes} over the range: slope {told(study.slope)}, intercept {told(study.intercept)}{unit}.",
        f"The largest bias is {study.largest.value:.3g}{unit}, at most {study.largest.high:.3g}{unit} with 95 %.",
    ]
    if study.most is not None:
        said.append(_verdict(study, unit))
    said += [c.sentence for c in study.checks if c.holds is False]
    if study.u_reference == 0:
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
