"""Where to set the limit: from what a reading is uncertain by, how parts vary and which risks were agreed.

The standard's own answer is the guard band of ISO 14253-1: t(p, ν)·u within each limit, whatever the parts are like.
Where the parts' spread is known, the guard band that keeps agreed risks can be narrower or wider (JCGM 106:2012, 9.3
to 9.5); both risks are told as curves against it. A station with a tie lives with one draw of its common error, so an
agreed consumer's risk is asked of the 95 %-worst station, not of the average one.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.model.decide import ISO, Limits, acceptance_limits, probability_of_conformance, prospect
from tiepoint.model.reading import Reading
from tiepoint.studies.checks import Check, independence, normality, without_outliers
from tiepoint.studies.risks import (
    RISKS_OF,
    Normal,
    Sample,
    StationRisks,
    Undecided,
    Zones,
    average_risks,
    station_risks,
    worst_risks,
    zones_by_guard,
)
from tiepoint.studies.wording import unit_said

Array = NDArray[np.float64]

CURVE = 31
"""Guard bands at which the risks are told as curves."""

SHARED = frozenset({"tie", "station", "instrument"})
"""Scopes of sources whose error all parts of a station have in common."""

TINY = "fewer than 0.1 of a million"
_FEWEST = 10
_WIDEST = 8.0
"""In u: the guard bands that are tried for agreed risks; beyond nothing changes."""


@dataclass(frozen=True, slots=True)
class Spread:
    """How the parts vary: their true values, and what they were taken from.

    `sd_high`: upper end (95 %, one-sided) of a spread that `n` readings showed; the spread itself where it was stated.
    """

    parts: Normal | Sample
    n: int | None
    sd_high: float | None
    told: str

    @property
    def unfavourable(self) -> Normal | Sample:
        """The parts, spread as far as their readings allow."""
        if isinstance(self.parts, Sample) or self.sd_high is None:
            return self.parts
        return replace(self.parts, sd=self.sd_high)

    @property
    def possible(self) -> tuple[Normal | Sample, ...]:
        """The parts as found, and spread as far as their readings allow: where all are bad, more spread is no worse."""
        far = self.unfavourable
        return (self.parts,) if far is self.parts else (self.parts, far)


@dataclass(frozen=True, slots=True)
class RiskCurves:
    """Both risks against the guard band (k,): of the average station, and of the 95 %-worst."""

    guard: Array
    consumer: Array
    producer: Array
    consumer_worst: Array
    producer_worst: Array


@dataclass(frozen=True, slots=True)
class Placed:
    """A guard band, the acceptance limits that it makes (None: open), and the risks there.

    `unfavourable`: the risks at the far end of the parts' spread.
    """

    guard: float
    accept: tuple[float | None, float | None]
    risks: StationRisks
    unfavourable: StationRisks


@dataclass(frozen=True, slots=True)
class LimitsStudy:
    """Acceptance limits by the rule, and by agreed risks where some were.

    `by_rule` is None where no part can ever conform. `by_risks` is None where no risk was agreed, or where no guard
    band keeps those that were. `narrowest` and `widest`: the guard bands from and to which the agreed risks are kept,
    each alone; None where none sets that end. `undecided`: what becomes of undecided parts, by which both risks go.
    `readings` (n,): what the parts' spread was taken from; None where it was stated. `unit`: that of all lengths.
    """

    limits: Limits
    u_own: float
    u_common: float
    dof: float
    spread: Spread
    without_guard: Placed
    by_rule: Placed | None
    by_risks: Placed | None
    narrowest: float | None
    widest: float | None
    most_consumer: float | None
    most_producer: float | None
    undecided: Undecided
    curves: RiskCurves
    convention: str
    checks: tuple[Check, ...]
    good: bool | None
    sentences: tuple[str, ...]
    readings: Array | None = None
    unit: str = "mm"


def stated_spread(mean: float, sd: float) -> Spread:
    """Return parts whose mean and standard deviation are stated."""
    return Spread(Normal(mean, sd), None, None, f"normal parts stated to have mean {mean:g} and spread {sd:g}")


def spread_of_readings(values: ArrayLike, u_own: float) -> Spread:
    """Return normal parts from readings (n,) of theirs: what their own `u_own` adds to the spread is taken off.

    The upper end comes from χ² of the readings' variance. Raises `PoorGeometry` for too few readings, or where they
    scatter no more than measuring explains: then how parts vary is not known.
    """
    x = _enough(values)
    s, n = float(np.std(x, ddof=1)), x.size
    high = s * math.sqrt((n - 1) / float(scipy.stats.chi2.ppf(0.05, n - 1)))
    if not s > u_own:
        raise PoorGeometry(
            f"the readings scatter by {s:.3g}, which measuring alone explains ({u_own:.3g}); state the parts' spread, "
            "or measure some parts by something better"
        )
    sd, sd_high = math.sqrt(s * s - u_own * u_own), math.sqrt(high * high - u_own * u_own)
    told = f"normal parts after {n} readings: mean {x.mean():.6g}, spread {sd:.3g} (at most {sd_high:.3g})"
    return Spread(Normal(float(x.mean()), sd, read=True), n, sd_high, told)


def sample_of_parts(values: ArrayLike, u_own: float) -> Spread:
    """Return the parts that were measured (n,) as they are, without a law for them."""
    x = _enough(values)
    told = f"the {x.size} parts that were measured, without a law for them"
    if u_own > 0:
        told += "; what measuring adds to their spread is not taken off, so the risks come out a little large"
    return Spread(Sample(x, read=True), x.size, None, told)


def own_and_common(readings: Iterable[Reading]) -> tuple[float, float, float]:
    """Return u that differs from part to part, u that all parts of a station share, and dof, of readings of one kind.

    By the scopes of their sources; root mean squares, and the least dof.
    """
    own, common, dof, n = 0.0, 0.0, math.inf, 0
    for reading in readings:
        for term in reading.sources:
            part = (term.c * term.u) ** 2
            own, common = (own, common + part) if term.scope in SHARED else (own + part, common)
        dof, n = min(dof, reading.dof or math.inf), n + 1
    if not n:
        raise UnusableInput("there is no reading to take u from")
    return math.sqrt(own / n), math.sqrt(common / n), dof


def _enough(values: ArrayLike) -> Array:
    x = np.asarray(values, float)
    if x.size < _FEWEST or not np.isfinite(x).all():
        raise PoorGeometry(f"{x.size} readings are too few to tell how parts vary; give at least {_FEWEST}")
    return x


def zones_of(limits: Limits, u: float, dof: float, unit: str = "mm") -> Zones | None:
    """Return what a rule makes of measured values; None where no value would conform."""
    lower = -math.inf if limits.lower is None else limits.lower
    upper = math.inf if limits.upper is None else limits.upper
    low, high = acceptance_limits(u, dof, limits, unit)
    if low is None and high is None:
        return None
    accept = -math.inf if low is None else low, math.inf if high is None else high
    if accept[0] > accept[1]:
        return None
    if limits.rule == ISO:
        return Zones(lower, upper, *accept, *_rejected_beyond(limits, u, dof))
    outward = abs(accept[1] - upper) if limits.upper is not None else abs(accept[0] - lower)
    return Zones(lower, upper, *accept, lower - outward, upper + outward)


def _rejected_beyond(limits: Limits, u: float, dof: float) -> tuple[float, float]:
    """Return the values beyond which the probability of conformance is at most 1 − p."""

    def beyond(limit: float, way: float) -> float:
        inside, outside = limit, limit + way * 60 * u
        for _ in range(200):
            middle = (inside + outside) / 2
            if probability_of_conformance(middle, u, dof, limits) <= 1 - limits.p:
                outside = middle
            else:
                inside = middle
        return outside

    low = -math.inf if limits.lower is None else beyond(limits.lower, -1.0) if u else limits.lower
    high = math.inf if limits.upper is None else beyond(limits.upper, 1.0) if u else limits.upper
    return low, high


def study_limits(
    limits: Limits,
    spread: Spread,
    *,
    u_own: float,
    u_common: float = 0.0,
    dof: float = math.inf,
    unit: str = "mm",
    most_consumer: float | None = None,
    most_producer: float | None = None,
    undecided: Undecided = "not-accepted",
    readings: ArrayLike | None = None,
) -> LimitsStudy:
    """Return acceptance limits with their risks.

    `u_own`: standard uncertainty that differs from part to part; `u_common`: of what all parts of a station share.
    `most_consumer`, `most_producer`: agreed risks, as shares of all parts; `undecided`: what becomes of undecided ones,
    which says whose risk they are. `readings` (n,), in the order taken, are checked for what is taken for granted of
    them.
    """
    _checked(limits, u_own, u_common, most_consumer, most_producer)
    u = math.hypot(u_own, u_common)
    bare = _placed(zones_by_guard(*_ends(limits), 0.0), 0.0, spread, u_own, u_common)
    zones = zones_of(limits, u, dof, unit)
    by_rule = None if zones is None else _placed(zones, _guard_of(zones), spread, u_own, u_common)
    agreed = _Agreed(limits, spread, u_own, u_common, undecided)
    bands = [agreed.bands(k, most) for k, most in enumerate((most_consumer, most_producer)) if most is not None]
    chosen = _chosen(bands, undecided, most_consumer)
    by_risks = None
    if chosen is not None:
        by_risks = _placed(zones_by_guard(*_ends(limits), chosen), chosen, spread, u_own, u_common)
    good = None if most_consumer is None and most_producer is None else by_risks is not None
    study = LimitsStudy(
        limits=limits,
        u_own=u_own,
        u_common=u_common,
        dof=dof,
        spread=spread,
        without_guard=bare,
        by_rule=by_rule,
        by_risks=by_risks,
        narrowest=agreed.inner_end(bands, 0),
        widest=agreed.inner_end(bands, 1),
        most_consumer=most_consumer,
        most_producer=most_producer,
        undecided=undecided,
        curves=_curves(limits, spread.parts, u_own, u_common, undecided),
        convention=_convention(limits, spread, undecided),
        checks=_checks(readings),
        good=good,
        sentences=(),
        readings=None if readings is None else np.asarray(readings, float),
        unit=unit,
    )
    return _with_sentences(study, unit)


def _checked(limits: Limits, u_own: float, u_common: float, *agreed: float | None) -> None:
    if not limits.width > 0:
        raise UnusableInput(f"the tolerance is zero: both limits are {limits.lower:g}; give two that differ")
    for name, u in (("u", u_own), ("u in common", u_common)):
        if not (math.isfinite(u) and u >= 0):
            raise UnusableInput(f"{name} is {u:g}; give a finite standard uncertainty of 0 or more")
    if not math.hypot(u_own, u_common) > 0:
        raise UnusableInput("u is 0: a reading without uncertainty has no risk; state what it is uncertain by")
    for share in agreed:
        if share is not None and not 0 < share < 1:
            raise UnusableInput(f"an agreed risk is {share:g}; give a share above 0 and below 1, as in 0.001")


def _ends(limits: Limits) -> tuple[float, float]:
    return (
        -math.inf if limits.lower is None else limits.lower,
        math.inf if limits.upper is None else limits.upper,
    )


def _guard_of(zones: Zones) -> float:
    return zones.upper - zones.accept_upper if math.isfinite(zones.upper) else zones.accept_lower - zones.lower


def _placed(zones: Zones, guard: float, spread: Spread, u_own: float, u_common: float) -> Placed:
    accept = (
        zones.accept_lower if math.isfinite(zones.accept_lower) else None,
        zones.accept_upper if math.isfinite(zones.accept_upper) else None,
    )
    found = station_risks(spread.parts, zones, u_own, u_common)
    far = spread.unfavourable
    return Placed(guard, accept, found, found if far is spread.parts else station_risks(far, zones, u_own, u_common))


# --- guard bands that keep agreed risks ----------------------------------------------------------------------------


Band = tuple[float, float]
"""Guard bands from and to which something holds."""


@dataclass(frozen=True)
class _Agreed:
    """What agreed risks are asked of."""

    limits: Limits
    spread: Spread
    u_own: float
    u_common: float
    undecided: Undecided

    @property
    def reach(self) -> Band:
        """The guard bands to be tried: to where nothing is accepted, and from far beyond the limits.

        A zone beyond the limits has no undecided parts, so it is no choice where these are somebody else's.
        """
        widest = _WIDEST * math.hypot(self.u_own, self.u_common)
        return (-widest if self.undecided == "not-accepted" else 0.0), min(widest, self.limits.width / 2)

    def worst(self, guard: float, which: int) -> float:
        """Return a risk at the 95 %-worst station, for the spread that is worse for it."""
        zones = zones_by_guard(*_ends(self.limits), guard)
        name = RISKS_OF[self.undecided][which]
        return max(worst_risks(p, zones, self.u_own, self.u_common, (name,))[0] for p in self.spread.possible)

    def bands(self, which: int, most: float) -> Band | None:
        """Return the guard bands whose consumer's (0) or producer's (1) risk is agreed; None where none keeps it."""
        low, high = self.reach
        rises = self.rises(which)
        end = _crossing(lambda guard: self.worst(guard, which) - most, *((low, high) if rises else (high, low)))
        if end is None:
            return None
        return (low, end) if rises else (end, high)

    def rises(self, which: int) -> bool:
        """Whether a wider guard band makes the risk larger."""
        return RISKS_OF[self.undecided][which] in ("producer", "bad_not_rejected")

    def inner_end(self, bands: Sequence[Band | None], end: int) -> float | None:
        """Return the narrowest (0) or the widest (1) guard band that the agreed risks allow, if they say anything."""
        said = [band[end] for band in bands if band is not None and band[end] != self.reach[end]]
        if not said:
            return None
        return max(said) if end == 0 else min(said)


def _crossing(over: Callable[[float], float], kept: float, other: float) -> float | None:
    """Return the guard band farthest from `kept` towards `other` at which `over` is not above 0."""
    if over(kept) > 0:
        return None
    if over(other) <= 0:
        return other
    return float(scipy.optimize.brentq(over, kept, other, xtol=1e-9 * abs(kept - other), rtol=1e-12))


def _chosen(bands: Sequence[Band | None], undecided: Undecided, most_consumer: float | None) -> float | None:
    """Return the guard band to be set, of those that keep what was agreed: that which costs the other side least."""
    kept = [band for band in bands if band is not None]
    if not kept or len(kept) < len(bands):
        return None
    low, high = max(band[0] for band in kept), min(band[1] for band in kept)
    if low > high:
        return None
    alone = len(bands) == 1 and (most_consumer is None) == (undecided == "not-accepted")
    return high if alone and undecided != "sorted" else low


def _curves(limits: Limits, parts: Normal | Sample, u_own: float, u_common: float, undecided: Undecided) -> RiskCurves:
    u = math.hypot(u_own, u_common)
    guard = np.linspace(max(-3 * u, -limits.width / 2), min(4 * u, 0.98 * limits.width / 2), CURVE)
    zones = [zones_by_guard(*_ends(limits), float(g)) for g in guard]
    average = np.array([average_risks(parts, z, u_own, u_common).carried(undecided) for z in zones])
    worst = np.array([worst_risks(parts, z, u_own, u_common, RISKS_OF[undecided]) for z in zones])
    return RiskCurves(guard, average[:, 0], average[:, 1], worst[:, 0], worst[:, 1])


# --- what is said about it -----------------------------------------------------------------------------------------


_BECOMES: Mapping[Undecided, str] = {
    "not-accepted": "undecided parts count as not accepted",
    "accepted": "undecided parts are passed on and count as accepted",
    "sorted": "undecided parts are sorted rightly by other means and are nobody's risk",
}


def _convention(limits: Limits, spread: Spread, undecided: Undecided) -> str:
    return (
        f"Acceptance limits by {limits.rule} with p {limits.p:g}; global risks after JCGM 106:2012, 9.3, as shares of "
        f"all parts, for {spread.told}; {_mean_said(spread)}; risks of a station are those at its own draw of the "
        f"common error; {_BECOMES[undecided]}."
    )


def _mean_said(spread: Spread) -> str:
    if spread.parts.read:
        return "they were read by the station, so they lie off what was read by the error that its parts have in common"
    return "their mean is taken as it was stated"


def _checks(readings: ArrayLike | None) -> tuple[Check, ...]:
    if readings is None:
        return ()
    x = np.asarray(readings, float)
    names = tuple(f"reading {k + 1}" for k in range(x.size))
    return normality(x, "the readings"), without_outliers(x, names, "the readings"), independence(x, "the readings")


def _with_sentences(study: LimitsStudy, unit: str) -> LimitsStudy:
    said = [*_rule_said(study, unit), *_agreed_said(study, unit), *_common_said(study), _next(study, unit)]
    return replace(study, sentences=tuple(said))


def _rule_said(study: LimitsStudy, unit: str) -> list[str]:
    bare = study.without_guard.risks.average
    shares = {"bad and accepted": bare.consumer, "good and rejected": bare.producer, "bad at all": bare.bad}
    said = [f"Judged at the limits themselves, of all parts {_each(shares)}."]
    if study.by_rule is None:
        u = math.hypot(study.u_own, study.u_common)
        return [*said, prospect(u, study.dof, study.limits, unit).sentence]
    found = study.by_rule.risks.average
    consumer, producer = found.carried(study.undecided)
    shares = {"bad and accepted": consumer, "good and not accepted": producer, "undecided": found.undecided}
    reads = f"With {study.limits.rule} a reading conforms {between(study.by_rule.accept, unit)}"
    return [*said, f"{reads}: {_each(shares)}."]


def _each(shares: Mapping[str, float]) -> str:
    """Return what share of the parts is what; in one breath where all shares are too small to be told apart."""
    said = {what: share(value) for what, value in shares.items()}
    if set(said.values()) == {TINY}:
        *others, last = said
        return f"{TINY} each are {', '.join(others)}, or {last}"
    (first, most), *others_said = said.items()
    return ", ".join([f"{most} are {first}", *(f"{told} {what}" for what, told in others_said)])


def _agreed_said(study: LimitsStudy, unit: str) -> list[str]:
    if study.good is None:
        return []
    if study.by_risks is not None:
        consumer, producer = study.by_risks.unfavourable.worst.carried(study.undecided)
        return [
            f"The agreed risks are kept where a reading is accepted {between(study.by_risks.accept, unit)}: at the "
            f"95 %-worst station at most {share(consumer)} bad and accepted, {share(producer)} good and not."
        ]
    agreed = ((study.most_consumer, "bad and accepted"), (study.most_producer, "good and not accepted"))
    if study.narrowest is None or study.widest is None:
        told = " and ".join(f"{share(most)} {what}" for most, what in agreed if most is not None)
        return [f"No limit keeps {told} at the 95 %-worst station."]
    least, most = ("consumer's", "producer's")[:: 1 if study.undecided == "not-accepted" else -1]
    return [
        f"No limit keeps both agreed risks at the 95 %-worst station: the {least} needs a guard band of at least "
        f"{study.narrowest:.3g} {unit_said(unit)}, the {most} one of at most {study.widest:.3g} {unit_said(unit)}."
    ]


def _common_said(study: LimitsStudy) -> list[str]:
    if study.u_common == 0:
        return [
            "u is taken as independent from part to part; what a tie's error does to all parts of a station was not "
            "stated."
        ]
    found = (study.by_rule or study.without_guard).risks
    zero, worst = (r.carried(study.undecided) for r in (found.no_error, found.worst))
    if {share(risk) for risk in (*zero, *worst)} == {TINY}:
        both = f"each of both risks is {TINY}, without a common error and at the 95 %-worst station"
        return [f"Of u, {study.u_common:.3g} is common to all parts of a station: {both}."]
    return [
        f"Of u, {study.u_common:.3g} is common to all parts of a station: bad and accepted are {share(zero[0])} "
        f"at a station without common error and {share(worst[0])} at the 95 %-worst one; good and not accepted "
        f"{share(zero[1])} and {share(worst[1])}."
    ]


def _next(study: LimitsStudy, unit: str) -> str:
    if isinstance(study.spread.parts, Normal) and any(c.name == "normality" and c.holds is False for c in study.checks):
        return "Next: ask again with the parts as they are measured: the risks here are those of a normal law."
    if study.by_rule is None or study.good is False:
        if study.u_common > study.u_own:
            return "Next: reduce what is common to the station (tie anew, verify it on a known part), or agree others."
        return "Next: reduce what differs from part to part (light, pixels, several shots each), or agree others."
    if study.spread.n is None:
        return "Next: measure at least 50 parts as they come and give their readings: so far their spread is a claim."
    if study.by_risks is None:
        return "Next: agree both risks, then ask again with them; and prove the station by a trial with bad parts."
    guard = study.by_risks.guard
    if guard < 0:
        return "Next: these risks are kept even beyond the limits; judge at the limits, and prove it by a trial."
    return f'Next: write rule = "guard:{guard:.4g}{unit}" into the recipe, and prove it by a trial with bad parts.'


def between(accept: tuple[float | None, float | None], unit: str) -> str:
    """Return an interval in words."""
    low, high = accept
    unit = unit_said(unit)
    if low is None:
        return f"up to {high:.6g} {unit}"
    return f"from {low:.6g} {unit} on" if high is None else f"from {low:.6g} to {high:.6g} {unit}"


def share(value: float) -> str:
    """Return a share of parts in per cent, or of a million where it is small."""
    if value == 0:
        return "none"
    if value >= 0.0005:
        return f"{_two(100 * value)} %"
    return f"{_two(1e6 * value)} of a million" if value >= 5e-8 else TINY


def _two(value: float) -> str:
    return f"{value:.0f}" if value >= 9.95 else f"{value:.2g}"
