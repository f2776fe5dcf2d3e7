"""Which requirement is shown, by which study: the figure that each kind of study is held by, at its unfavourable end.

A requirement is *shown* where the newest study of its kind keeps the limit at the end of its interval that is against
it, *not shown* where it does not, or where something forbids saying so, and *not tried* until there is a study. What
forbids it: a study or data older than what was agreed, made with a recipe that is not accepted, for another tolerance
than the drawing's, in a unit that is not that of the limit, without the figure that is asked for, with an alarm, or of
data that are not what its intervals take them for.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from typing import Any, Literal

from tiepoint.documents.revived import revived
from tiepoint.foundation.errors import TiepointError
from tiepoint.model.decide import Limits
from tiepoint.station.dates import is_before
from tiepoint.station.kept import KeptStudy
from tiepoint.station.ledger import Entry
from tiepoint.station.made import Made, not_accepted
from tiepoint.station.requirements import (
    FIGURES,
    ON_DUTY,
    Characteristic,
    Requirement,
    in_unit,
    limits_of,
    same_limits,
)
from tiepoint.station.served import QUANTILES, Served, fewest, quantile_ends
from tiepoint.studies.rates import Rate, more_parts
from tiepoint.studies.risks import RISKS_OF

State = Literal["shown", "not shown", "not tried"]


@dataclass(frozen=True, slots=True)
class Found:
    """The figure that a study is held by: what it is, its value, and the ends of its interval.

    `at`: where in the study's outcome value and ends stand, as in `escapes.at_most`. What stands there was folded at 0
    where `folded` (how far off it is, whichever way), and multiplied by `per` for another unit. `rate`: the whole rate,
    where it is one.
    """

    name: str
    value: float
    low: float
    high: float
    unit: str = ""
    at: tuple[str, ...] = ()
    folded: bool = False
    per: float = 1.0
    rate: Rate | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """A requirement with its state, why, the figure and the study; these are None where there was none.

    `agreed`: the act since which it stands as it does. `data_from`: since when the study's data are, as they tell it.
    `more`: how many more parts, all judged rightly, would show an agreed rate; None where no number would, or it is no
    rate.
    """

    asked: Requirement
    agreed: Entry
    state: State
    why: str
    found: Found | None = None
    study: KeptStudy | None = None
    data_from: str | None = None
    more: int | None = None

    @property
    def made(self) -> str | None:
        """When the study was made (UTC)."""
        return None if self.study is None else self.study.act.written_utc

    @property
    def older(self) -> bool:
        """Whether the data or the study came before what they are held against."""
        whens = (self.data_from, self.made)
        return any(when is not None and is_before(when, self.agreed.written_utc) for when in whens)


@dataclass(frozen=True)
class Known:
    """What else decides whether a study shows anything.

    `characteristics`: what the drawing asks for; a study of one of them must have been made for its tolerance.
    `since`: by the requirement's id, the act since which it stands as it does. `data_from`: since when a study's data
    are. `accepted`: what the accepted recipes are made of; None where it does not matter. `served`: what the ledger
    tells of the time on duty, None where there was none.
    """

    characteristics: Sequence[Characteristic] = ()
    since: Mapping[str, Entry] = field(default_factory=dict)
    data_from: Callable[[KeptStudy], str | None] = lambda _: None
    accepted: Sequence[Made] | None = None
    served: Served | None = None


def matrix(
    requirements: Sequence[Requirement], agreed: Entry, studies: Sequence[KeptStudy], known: Known | None = None
) -> tuple[Line, ...]:
    """Return a line for each requirement. `studies`: all that were made, in the order of the ledger.

    `agreed`: the act that dates the requirements of which `known` does not say it.
    """
    known = known or Known()
    return tuple(_line(asked, known.since.get(asked.id, agreed), studies, known) for asked in requirements)


def all_shown(lines: Sequence[Line]) -> bool:
    """Whether every requirement is shown, but those that only a station on duty can show, and that were not tried."""
    return all(line.state == "shown" or (line.state == "not tried" and line.asked.by in ON_DUTY) for line in lines)


def in_all(lines: Sequence[Line]) -> str:
    """Return in a sentence what is not shown, and how many of how many are."""
    if not lines:
        return "No requirement was agreed."
    n, shown, left = len(lines), *(sum(line.state == state for line in lines) for state in ("shown", "not tried"))
    missing = [f"{line.asked.id}{_would(line)}" for line in lines if line.state == "not shown"]
    count = f"{shown} of {n} {'requirement is' if n == 1 else 'requirements are'} shown"
    whole = f"{count}{f', and {left} of {n} not tried' if left else ''}."
    return f"Not shown: {', '.join(missing)}. {whole}" if missing else whole


def _would(line: Line) -> str:
    return f" ({line.more} more parts, all judged rightly, would show it)" if line.more else ""


def _is_of(study: KeptStudy, asked: Requirement) -> bool:
    # A trial and an agreement tell of every class at once: which one is meant is found in it.
    # Lengths and robots are no readings: where nobody says which they are, they are the station's.
    whole = asked.by in ("trial", "agreement") or (asked.of is None and asked.by in ("lengths", "pose", "touch"))
    return study.kind == asked.by and (study.of == asked.of or whole)


def _line(asked: Requirement, agreed: Entry, studies: Sequence[KeptStudy], known: Known) -> Line:
    if asked.by in ON_DUTY:
        return _on_duty(asked, agreed, known.served)
    study = next((s for s in reversed(studies) if _is_of(s, asked)), None)
    if study is None:
        return Line(asked, agreed, "not tried", f"there is no study {asked.by} of it")
    if study.fault is not None:
        return Line(asked, agreed, "not shown", study.fault, None, study)
    since = known.data_from(study)
    early = next(chain(_too_early(study, agreed, studies, since), _of_others(study, known.accepted)), None)
    if early is not None:
        return Line(asked, agreed, "not shown", early, None, study, since)
    outcome = study.document["outcome"]
    try:
        found = _found(outcome, asked)
        against = next(_against(outcome, _drawn(asked, study, known.characteristics)), None)
    except (KeyError, TypeError, ValueError, TiepointError) as error:
        why = f"the study does not hold the figure that is asked for ({error})"
        return Line(asked, agreed, "not shown", why, None, study, since)
    shown, why, more = (False, against, None) if against is not None else _judged(asked, found, study)
    return Line(asked, agreed, "shown" if shown else "not shown", why, found, study, since, more)


def _too_early(study: KeptStudy, agreed: Entry, studies: Sequence[KeptStudy], since: str | None) -> Iterator[str]:
    """Yield why a study, or its data, came before what it is held against."""
    if study.act.seq < agreed.seq:
        yield f"the study (entry {study.act.seq}) is older than what was agreed (entry {agreed.seq}); make it again"
    older, on = "the data are older than what was agreed", f"agreed on {agreed.written_utc} (entry {agreed.seq})"
    if since is not None and is_before(since, agreed.written_utc):
        yield f"{older}: they are of {since}, and it was {on}; take new ones"
    first = next((s.act for s in studies if s.act.seq < agreed.seq and _data_of(s) & _data_of(study)), None)
    if first is not None:
        yield f"{older}: entry {first.seq} was of the same ({first.written_utc}), and it was {on}; take new ones"


def _data_of(study: KeptStudy) -> frozenset[str]:
    """Return by what the data of a study are known again: the hash of its table, or of each picture of a trial."""
    if study.kind == "trial":  # the table of a trial labels parts, and tells nothing of when they were shown
        parts = study.document.get("outcome", {}).get("parts", ())
        return frozenset(sha for part in parts for sha in part["worst"]["pictures"])
    sha = study.act.body.get("data_sha")
    return frozenset() if sha is None else frozenset([sha])


def _of_others(study: KeptStudy, accepted: Sequence[Made] | None) -> Iterator[str]:
    """Yield why a study is not of what is run now."""
    if study.replaced is not None:
        was = f"the study (entry {study.act.seq}) is of what was accepted before entry {study.replaced.seq} replaced it"
        yield f"{was}; make it again"
    if accepted is None:
        return
    made = study.document.get("made_by")
    if made is None:
        if study.kind == "trial":
            yield "it does not say which recipe was tried; make it again"
    elif (why := not_accepted(made, accepted)) is not None:
        yield f"{why}; accept that, or make the study with what is accepted"


def _drawn(
    asked: Requirement, study: KeptStudy, characteristics: Sequence[Characteristic]
) -> tuple[Characteristic, ...]:
    """Return what the drawing says of the reading that a study is of, for the variants that it was made with."""
    made = {one["variant"] for one in study.document.get("made_by") or () if one["variant"] is not None}
    return tuple(
        one
        for one in characteristics
        if one.reading == asked.of and (not one.variants or not made or made & set(one.variants))
    )


def _against(outcome: Mapping[str, Any], drawn: Sequence[Characteristic]) -> Iterator[str]:
    """Yield what forbids that a study shows what is asked, whatever its figure is."""
    yield from _other_tolerance(outcome, drawn)
    if outcome.get("alarms"):
        yield f"the study has {len(outcome['alarms'])} alarms"
    for check in outcome.get("checks", ()):
        # An interval holds for data that are what it takes them for: of values that follow on each other, a type 1
        # study says "shown" five to twenty times as often as it may. Too few of them make it wide, not wrong, and parts
        # that were shown again are counted once.
        if check["holds"] is False and not check["name"].startswith(("enough", "distinct parts")):
            yield f"{check['name']} does not hold: {check['sentence']}"


def _other_tolerance(outcome: Mapping[str, Any], drawn: Sequence[Characteristic]) -> Iterator[str]:
    """Yield where a study was made for another tolerance or other limits than any variant is drawn with."""
    width, limits, unit = outcome.get("tolerance"), outcome.get("limits"), outcome.get("unit") or "mm"
    due = [(one.upper - one.lower, one.unit) for one in drawn if one.lower is not None and one.upper is not None]
    if width is not None and due:
        mine = [in_unit(float(width), unit, its) for _, its in due]
        if not any(math.isclose(m, of, rel_tol=1e-6) for m, (of, _) in zip(mine, due, strict=True)):
            of = f"a tolerance of {mine[0]:g} {due[0][1]}, and the drawing gives {due[0][0]:g}"
            yield f"the study was made for {of}; make it again"
    if isinstance(limits, Mapping) and drawn:
        own = Limits(limits["lower"], limits["upper"])
        if not any((its := limits_of(one)) is not None and same_limits(own, unit, its, one.unit) for one in drawn):
            yield "the study was made for other limits than the drawing's; make it again"


def _judged(asked: Requirement, found: Found | None, study: KeptStudy) -> tuple[bool, str, int | None]:
    """Return whether it is shown, why, and how many more parts would show it."""
    limit = asked.most if asked.most is not None else asked.least
    if limit is None or found is None:
        return study.good is True, "as the study says", None
    if (asked.least is not None) != (found.name in _LARGE):
        want = "most" if asked.least is not None else "least"
        return False, f"{found.name} is asked for by the wrong end; state {want}", None
    end = found.high if asked.most is not None else found.low
    kept = math.isfinite(end) and (end <= limit if asked.most is not None else end >= limit)
    if kept:
        return True, "the unfavourable end of its interval keeps it", None
    more = None if found.rate is None or asked.most is None else more_parts(found.rate, asked.most)
    would = "" if more is None else f"; {more} more parts, all judged rightly, would"
    return False, f"the unfavourable end of its interval does not keep it{would}", more


# --- what the time on duty shows -------------------------------------------------------------------------------------


def _on_duty(asked: Requirement, agreed: Entry, served: Served | None) -> Line:
    """Return the line of what only a station on duty can show, by what came after it was agreed."""
    if served is None:
        return Line(asked, agreed, "not tried", "only a station on duty can show it")
    since = served.since(agreed.seq)
    by = {"times": _times_on_duty, "faults": _faults_on_duty, "alarms": _alarms_on_duty}[asked.by]
    return by(asked, agreed, since)


def _times_on_duty(asked: Requirement, agreed: Entry, served: Served) -> Line:
    limit = asked.most
    if limit is None:
        return Line(asked, agreed, "not shown", "times are to be small; state most, in seconds")
    if not served.seconds:
        return Line(asked, agreed, "not tried", "no part was looked at on duty since it was agreed")
    named, n = _named(asked), len(served.seconds)
    if named in QUANTILES:
        value, low, high = quantile_ends(served.seconds, QUANTILES[named], asked.confidence)
    else:
        value = low = high = max(served.seconds)
    found = Found(f"{named} of {n:,} parts", value, low, high, "s")
    if high <= limit:
        return Line(asked, agreed, "shown", "the unfavourable end of its interval keeps it", found)
    few = n < (least := fewest(QUANTILES.get(named, 0.0), asked.confidence))
    why = (
        f"{n:,} parts are too few to tell it; {least:,} can"
        if few and value <= limit
        else "its unfavourable end does not keep it"
    )
    return Line(asked, agreed, "not shown", why, found)


def _faults_on_duty(asked: Requirement, agreed: Entry, served: Served) -> Line:
    due = (("camera",), ("ledger", "archive")) if asked.of is None else ((asked.of,),)
    seen = [[one for one in served.faults if any(one.is_of(name) for name in names)] for names in due]
    missing = [" or ".join(names) for names, faults in zip(due, seen, strict=True) if not faults]
    faults = [one for group in seen for one in group]
    passed = next((one for one in faults if one.passed), None)
    if passed is not None:
        why = f"{passed.passed} of {passed.parts} parts conformed in the fault {passed.name} (entry {passed.entry})"
        return Line(asked, agreed, "not shown", why)
    if missing:
        return Line(
            asked, agreed, "not tried", f"on duty there was no fault of {' and '.join(missing)}; bring it about"
        )
    idle = next((group[-1] for group in seen if not any(one.parts for one in group)), None)
    if idle is not None:
        why = f"no part came in the fault {idle.name} (entry {idle.entry}); let some come while it lasts"
        return Line(asked, agreed, "not shown", why)
    told = ", ".join(dict.fromkeys(f"{one.name} (entry {one.entry})" for one in faults))
    return Line(asked, agreed, "shown", f"{sum(one.parts for one in faults)} parts came in {told}, and none conformed")


def _alarms_on_duty(asked: Requirement, agreed: Entry, served: Served) -> Line:
    if asked.of is None:
        return Line(asked, agreed, "not tried", "name by of which alarm is to be raised, as in light or position")
    last = next((one for one in reversed(served.alarms) if one.is_of(asked.of)), None)
    if last is None:
        return Line(asked, agreed, "not tried", "no such alarm was raised on duty since it was agreed; bring one about")
    return Line(asked, agreed, "shown", f"raised on {last.utc} (entry {last.entry}): {last.says}")


# --- what each kind of study is held by ------------------------------------------------------------------------------


def _found(outcome: Mapping[str, Any], asked: Requirement) -> Found | None:
    if asked.by not in _FIGURES:
        if asked.most is not None or asked.least is not None:
            raise ValueError(f"a study {asked.by} has no figure to hold against a limit")
        return None
    found = _FIGURES[asked.by](outcome, asked)
    if found.unit == "" or (asked.most is None and asked.least is None):
        return found
    per = in_unit(1.0, found.unit, asked.unit)
    value, low, high = (x * per for x in (found.value, found.low, found.high))
    return replace(found, value=value, low=low, high=high, unit=asked.unit, per=per)


def _figure(name: str, outcome: Mapping[str, Any], path: str, unit: str = "") -> Found:
    """Return the figure that stands at a place of an outcome."""
    of: Any = outcome
    for key in path.split("."):
        of = of[int(key) if isinstance(of, list | tuple) else key]
    low, high = _end(of["low"], -math.inf), _end(of["high"], math.inf)
    at = tuple(f"{path}.{end}" for end in ("value", "low", "high"))
    return Found(name, float(of["value"]), low, high, unit, at)


def _size(found: Found) -> Found:
    """Return the figure of how far something is off, whichever way."""
    if found.low <= 0 <= found.high:
        return replace(found, value=abs(found.value), low=0.0, high=max(-found.low, found.high), folded=True)
    low, high = sorted((abs(found.low), abs(found.high)))
    return replace(found, value=abs(found.value), low=low, high=high, folded=True)


def _end(said: Any, open_: float) -> float:
    return open_ if said is None else float(said)


_LARGE = ("Cgk", "Cg")
"""Figures that are to be large: a `least` is asked of them, a `most` of all others."""


def _named(asked: Requirement) -> str:
    """Return which figure is asked for; ValueError for one that its study does not have."""
    figures = FIGURES[asked.by]
    named = asked.figure or figures[0]
    if named not in figures:
        raise ValueError(f"{asked.by} has {', '.join(figures)}; it has no {named}")
    return named


def _rate(outcome: Mapping[str, Any], asked: Requirement, rates: tuple[str, ...]) -> Found:
    """Return a rate with its one-sided bound on either side, which is what an agreed rate is held by.

    `rates`: those that the study has of all parts, the first of them unless another, or a class of parts, is named.
    """
    name = asked.of or rates[0]
    if name in rates:
        path, of = name.replace(" ", "_"), outcome[name.replace(" ", "_")]
    else:
        (k, one), name = _of_class(outcome, asked), f"wrong of {name}"
        path, of = f"classes.{k}.wrong", one["wrong"]
    if of is None:
        raise ValueError(f"it tells nothing of {name}")
    rate, confidence = revived(Rate, of), asked.confidence
    if not math.isclose(rate.confidence, confidence):
        raise ValueError(f"made at {100 * rate.confidence:g} % confidence, asked for at {100 * confidence:g} %")
    value = math.nan if rate.value is None else rate.value
    at = tuple(f"{path}.{end}" for end in ("value", "at_least", "at_most"))
    return Found(name, value, rate.at_least, rate.at_most, at=at, rate=rate)


def _type1(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    named = _named(asked)
    return _figure(named, outcome, named.lower())


def _rr(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    named = _named(asked)
    path = "share_of_tolerance" if named == "GRR of the tolerance" else "share_of_total"
    if outcome[path] is None:
        raise ValueError("it was made without a tolerance")
    return _figure(named, outcome, path)


def _linearity(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    return _size(_figure(_named(asked), outcome, "largest", outcome["unit"]))


def _stability(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    return _size(_figure(_named(asked), outcome, "drift", outcome["unit"]))


def _capability(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    named = _named(asked)
    which = "process" if named == "Q_MP" else "system"
    if outcome[which] is None:
        raise ValueError("no cause of the measuring process was stated")
    return _figure(named, outcome, f"{which}.q")


def _lengths(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    """Return the error that is largest with what the test itself leaves open (ISO 14253-1, one side)."""
    if outcome["missing"]:
        raise ValueError(f"it did not look at {', '.join(outcome['missing'])}")
    return _figure(_named(asked), outcome, "largest", outcome["unit"])


def _pose(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    named = _named(asked)
    of = [pose[named.lower()] for pose in outcome["poses"]]
    if None in of:
        raise ValueError("a pose was not commanded, so nothing is known of its accuracy")
    worst = max(range(len(of)), key=lambda k: _end(of[k]["high"], math.inf))
    return _figure(f"{named} of the worst pose", outcome, f"poses.{worst}.{named.lower()}", "mm")


def _limits(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    """Return a risk: of the average station, and of the 95 %-worst with parts spread as far as they may be."""
    named = _named(asked)
    placed = outcome["by_rule"]  # agreed risks propose limits, and a station judges by its rule until that is changed
    if placed is None:
        raise ValueError("by its rule no part can ever conform")
    key = RISKS_OF[outcome.get("undecided", "not-accepted")][named == "producer's risk"]
    average, no_error = (placed["risks"][station][key] for station in ("average", "no_error"))
    worst = placed["unfavourable"]["worst"][key]
    places = ("risks.average", "risks.no_error", "unfavourable.worst" if worst > average else "risks.average")
    return Found(named, average, no_error, max(average, worst), at=tuple(f"by_rule.{one}.{key}" for one in places))


def _touch(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    return _figure(_named(asked), outcome, "worst_mm", "mm")


def _agreement(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    return _rate(outcome, asked, ("misses", "false alarms"))


def _trial(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    return _rate(outcome, asked, ("escapes", "false rejects"))


def _of_class(outcome: Mapping[str, Any], asked: Requirement) -> tuple[int, Mapping[str, Any]]:
    """Return the class of parts that is asked for, with its place."""
    found = next(((k, c) for k, c in enumerate(outcome["classes"]) if c["name"] == asked.of), None)
    if found is None:
        raise ValueError(f'it has no class "{asked.of}"')
    return found


_FIGURES: Mapping[str, Callable[[Mapping[str, Any], Requirement], Found]] = {
    "type1": _type1,
    "rr": _rr,
    "linearity": _linearity,
    "stability": _stability,
    "capability": _capability,
    "lengths": _lengths,
    "pose": _pose,
    "limits": _limits,
    "touch": _touch,
    "agreement": _agreement,
    "trial": _trial,
}
