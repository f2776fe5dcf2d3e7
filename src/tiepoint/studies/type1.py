"""Repeatability and bias on one reference: can this station measure this characteristic at all?

    Cg = share·T / (spread·s),   Cgk = (share·T/2 − |x̄ − reference|) / (spread·s/2)

Which share of the tolerance T and how many standard deviations are meant differs between houses (0.2 with 6 or 4; 0.15
with 6), so both are inputs and are told with the outcome. The interval of Cg is that of s by χ²; that of Cgk is that of
the non-central t for each side (Owen, Technometrics 10 (1968) 445), the smaller end of the two sides.
"""

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy import special

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.sources import coverage_factor
from tiepoint.studies.checks import Check, independence, normality, resolution_of, without_outliers
from tiepoint.studies.figure import Figure, counted
from tiepoint.studies.measured import Measured
from tiepoint.studies.wording import p_said, told, unit_said

Array = NDArray[np.float64]

LEAST = 1.33
"""What is usually asked of both indices."""
FEWEST, ENOUGH, USUAL = 10, 25, 50
FINE = 0.05
"""Of the tolerance: a coarser step of the values hides their scatter; common practice."""
_TAIL = 0.025


@dataclass(frozen=True)
class Type1Study:
    """Repeatability and bias on one reference; lengths in `unit`.

    `bias` is mean less reference, with the reference's own uncertainty in its interval; `bias_p` that of its t test
    against 0. `smallest_tolerance`: that at which both indices, by their point values, are what is asked for.
    """

    name: str
    unit: str
    n: int
    reference: float
    u_reference: float
    tolerance: float
    share: float
    spread: float
    least: float
    mean: float
    s: Figure
    bias: Figure
    bias_p: float
    cg: Figure
    cgk: Figure
    smallest_tolerance: float
    values: Array
    convention: str
    checks: tuple[Check, ...]
    good: bool | None
    sentences: tuple[str, ...]


def indices(tolerance: float, s: float, bias: float, share: float = 0.2, spread: float = 6.0) -> tuple[float, float]:
    """Return Cg and Cgk."""
    return share * tolerance / (spread * s), (share * tolerance / 2 - abs(bias)) / (spread * s / 2)


def study_type1(
    data: Measured,
    *,
    tolerance: float,
    reference: float | None = None,
    u_reference: float = 0.0,
    share: float = 0.2,
    spread: float = 6.0,
    least: float = LEAST,
) -> Type1Study:
    """Return the study of values of one part, presented anew each time.

    `reference`: its true value, where the data do not hold it. `u_reference`: its standard uncertainty. `share` and
    `spread`: the convention; `least`: what both indices must reach.

    Raises `UnusableInput` for what cannot be, `PoorGeometry` for too few or constant values.
    """
    _check_asked(tolerance, u_reference, share, spread, least)
    true = _reference(data, reference)
    x = _values(data)
    n, mean = x.size, float(x.mean())
    s = float(np.std(x - x[0], ddof=1))
    bias = float(np.mean(x - true))
    low, high = (s * math.sqrt((n - 1) / float(special.chdtri(n - 1, tail))) for tail in (_TAIL, 1 - _TAIL))
    cg, cgk = indices(tolerance, s, bias, share, spread)
    study = Type1Study(
        name=data.name,
        unit=data.unit,
        n=n,
        reference=true,
        u_reference=u_reference,
        tolerance=tolerance,
        share=share,
        spread=spread,
        least=least,
        mean=mean,
        s=Figure(s, low, high),
        bias=_bias(bias, s, n, u_reference),
        bias_p=_told_apart(bias, s, n, u_reference),
        cg=Figure(cg, cg * s / high, cg * s / low),
        cgk=_cgk(cgk, bias, s, n, u_reference, share * tolerance / 2, spread / 2),
        smallest_tolerance=(least * spread * s + 2 * abs(bias)) / share,
        values=x,
        convention=_convention(share, spread, least),
        checks=_checks(data, x, tolerance),
        good=None,
        sentences=(),
    )
    good = study.cg.at_least(least) and study.cgk.at_least(least)
    study = replace(study, good=good)
    return replace(study, sentences=(*data.notes, *_sentences(study)))


def _check_asked(tolerance: float, u_reference: float, share: float, spread: float, least: float) -> None:
    if not (math.isfinite(tolerance) and tolerance > 0):
        raise UnusableInput(f"the tolerance is {tolerance:g}; give its whole width, upper less lower limit, above 0")
    if not (math.isfinite(u_reference) and u_reference >= 0):
        raise UnusableInput(f"u of the reference is {u_reference:g}; give a standard uncertainty, 0 or more")
    if not 0 < share <= 1:
        raise UnusableInput(f"the share of the tolerance is {100 * share:g} %; give above 0 and at most 100 %")
    if not (math.isfinite(spread) and 2 <= spread <= 12):
        raise UnusableInput(f"the spread is {spread:g} standard deviations; 6 or 4 are usual, give 2 to 12")
    if not (math.isfinite(least) and least > 0):
        raise UnusableInput(f"the least index is {least:g}; give more than 0, {LEAST:g} is usual")


def _values(data: Measured) -> Array:
    x = np.asarray(data.values, float)
    if data.part is not None and len(parts := dict.fromkeys(data.part)) > 1:
        named = ", ".join(list(parts)[:3]) + (" and more" if len(parts) > 3 else "")
        raise UnusableInput(
            f"{data.name}: {len(parts)} parts are in it ({named}); this study is of one, presented anew"
        )
    if x.size < FEWEST:
        raise PoorGeometry(f"{data.name} has {counted(x.size, 'value')}; give at least {FEWEST}, {USUAL} are usual")
    if not float(np.ptp(x)) > 0:
        raise PoorGeometry(
            f"{data.name}: all {x.size} values are the same; present the part anew for each, and give more digits"
        )
    return x


def _reference(data: Measured, given: float | None) -> float:
    if data.reference is None:
        if given is None:
            raise UnusableInput(f"{data.name} has no reference; say what the part truly measures")
        return given
    values = sorted(set(data.reference.tolist()))
    if len(values) > 1:
        raise UnusableInput(
            f"{data.name} has {len(values)} references ({values[0]:g}, {values[1]:g}, …); one belongs to this study, "
            "several to that of linearity"
        )
    if given is not None and not math.isclose(given, values[0], rel_tol=1e-9):
        raise UnusableInput(f"{data.name} has the reference {values[0]:g}, and {given:g} is given; leave one out")
    return float(values[0])


def _bias(bias: float, s: float, n: int, u_reference: float) -> Figure:
    U = math.hypot(
        coverage_factor(1 - _TAIL, n - 1) * s / math.sqrt(n), coverage_factor(1 - _TAIL, math.inf) * u_reference
    )
    return Figure(bias, bias - U, bias + U)


def _told_apart(bias: float, s: float, n: int, u_reference: float) -> float:
    """Return p of the bias against 0, with the degrees of freedom of Welch and Satterthwaite (JCGM 100, G.2b)."""
    variance = s**2 / n + u_reference**2
    dof = (n - 1) * (variance / (s**2 / n)) ** 2
    return float(2 * special.stdtr(dof, -abs(bias) / math.sqrt(variance)))


def _cgk(cgk: float, bias: float, s: float, n: int, u_reference: float, half: float, sds: float) -> Figure:
    """Return Cgk with its interval; the reference's share of it is added in quadrature."""
    ends = [_side((half + sign * bias) / s, n) for sign in (-1.0, 1.0)]
    low, high = min(e[0] for e in ends) / sds, min(e[1] for e in ends) / sds
    extra = coverage_factor(1 - _TAIL, math.inf) * u_reference / (sds * s)
    return Figure(cgk, cgk - math.hypot(cgk - low, extra), cgk + math.hypot(max(high, cgk) - cgk, extra))


def _side(distance: float, n: int) -> tuple[float, float]:
    """Return the interval of (limit − mean)/σ, where `distance` is what was found of it from n values."""
    v, p = _chi(n - 1)
    root = math.sqrt(n)

    def at(shift: float, level: float) -> float:
        """P(T ≤ distance·√n) of the non-central t = (Z + shift·√n)/v, less a level."""
        return float(special.ndtr(root * (distance * v - shift)) @ p) - level

    reach = 12.0 * math.sqrt(1 / n + distance**2 / (2 * (n - 1)))
    low, high = (scipy.optimize.brentq(at, distance - reach, distance + reach, args=(q,)) for q in (1 - _TAIL, _TAIL))
    return float(low), float(high)


@cache
def _chi(dof: int) -> tuple[Array, Array]:
    """Return values v = χ/√dof (k,) with their weights: the density of s/σ on Gauss-Legendre nodes."""
    ends = np.sqrt(special.chdtri(dof, [1 - 1e-14, 1e-14]) / dof)
    x, w = np.polynomial.legendre.leggauss(300)
    v = ends.mean() + np.ptp(ends) / 2 * x
    log = (dof - 1) * np.log(v) - dof * v**2 / 2
    p = w * np.exp(log - log.max())
    return v, p / p.sum()


def _convention(share: float, spread: float, least: float) -> str:
    return (
        f"Cg = {share:g}·T/({spread:g}·s), Cgk = ({share / 2:g}·T − |bias|)/({spread / 2:g}·s), both asked to be at "
        f"least {least:g} (share of T and number of s are a choice; others are in use); 95 % intervals by χ² and "
        "non-central t."
    )


def _checks(data: Measured, x: Array, tolerance: float) -> tuple[Check, ...]:
    n, step = x.size, resolution_of(x)
    few = f"There are {n} values; {USUAL} are usual, and with fewer than {ENOUGH} the intervals are wide."
    enough = Check("enough values", n >= ENOUGH, few if n < ENOUGH else f"{n} values are enough.")
    coarse = f"The values' steps of {step:.2g} are {100 * step / tolerance:.2g} % of the tolerance"
    if step > FINE * tolerance:
        fine = Check("resolution", False, f"{coarse}, more than {100 * FINE:g} %: give more digits.")
    else:
        fine = Check("resolution", True, f"{coarse}, fine enough.")
    return enough, fine, normality(x), without_outliers(x, data.where), independence(x)


def _sentences(study: Type1Study) -> list[str]:
    unit = f" {unit_said(study.unit)}" if study.unit else ""
    said = [f"Cg is {told(study.cg)}, Cgk is {told(study.cgk)}, from {study.n} values."]
    apart = "more than" if study.bias_p < 0.05 else "no more than"
    said.append(
        f"The bias is {told(study.bias)}{unit}, {apart} scatter and reference explain ({p_said(study.bias_p)})."
    )
    said += [_verdict(study), *(c.sentence for c in study.checks if c.holds is False)]
    if study.u_reference == 0:
        said.append("The reference is taken as exact; state its uncertainty to have it in the bias.")
    elif study.u_reference > study.s.value:
        said.append(f"The reference's own u of {study.u_reference:.2g}{unit} is larger than the scatter.")
    said.append(
        f"The bias is not corrected; it enters the capability as u_BI = |bias|/√3 = "
        f"{abs(study.bias.value) / math.sqrt(3):.2g}{unit}."
    )
    return [*said, _next(study, unit)]


def _verdict(study: Type1Study) -> str:
    least, figures = study.least, {"Cg": study.cg, "Cgk": study.cgk}
    if all(f.at_least(least) for f in figures.values()):
        return f"Both are at least {least:g}: the lower ends of their 95 % intervals keep it."
    below = [name for name, f in figures.items() if f.value < least]
    if below:
        return f"{' and '.join(below)} {'is' if len(below) == 1 else 'are'} below {least:g}."
    return (
        f"Both are at least {least:g} by their point values, as is usually judged; that they truly are, is not shown."
    )


def _next(study: Type1Study, unit: str) -> str:
    if study.good:
        return "Next: study the gauge with parts as production makes them, loaded anew each time."
    if study.cg.value < study.least:
        return (
            f"Next: find what scatters (light, focus, seat, finding); as it is, it is good for tolerances from "
            f"{study.smallest_tolerance:.3g}{unit}."
        )
    if study.cgk.value < study.least:
        return (
            "Next: find where the bias comes from (the tie's height and scale, the edge's definition, the reference)."
        )
    need = _more(study)
    return f"Next: repeat up to some {need} times in all; then, if it stays as it is, it would be shown."


def _more(study: Type1Study) -> int:
    """Return the number of values with which the present indices would be shown, at most ten thousand."""
    half = study.share * study.tolerance / 2
    distance = (half - abs(study.bias.value)) / study.s.value
    n = study.n
    while n < 10_000:
        n = math.ceil(1.15 * n)
        s = math.sqrt(float(special.chdtri(n - 1, 1 - _TAIL)) / (n - 1))
        if study.cg.value * s >= study.least and _side(distance, n)[0] >= study.least * study.spread / 2:
            return n
    return n
