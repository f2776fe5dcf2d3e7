"""Which requirement is shown, by which study: the figure that each kind of study is held by, at its unfavourable end.

A requirement is *shown* where the newest study of its kind keeps the limit at the end of its interval that is against
it, *not shown* where it does not, or where something forbids saying so, and *not tried* until there is a study. What
forbids it: a study older than what was agreed, made for another tolerance than the drawing's, in a unit that is not
that of the limit, without the figure that is asked for, with an alarm, or of data that are not what its intervals take
them for.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from tiepoint.foundation.units import MM_PER
from tiepoint.station.kept import KeptStudy
from tiepoint.station.ledger import Entry
from tiepoint.station.requirements import FIGURES, ON_DUTY, Characteristic, Requirement
from tiepoint.studies.risks import RISKS_OF

State = Literal["shown", "not shown", "not tried"]


@dataclass(frozen=True, slots=True)
class Found:
    """The figure that a study is held by: what it is, its value, and the ends of its interval."""

    name: str
    value: float
    low: float
    high: float
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """A requirement with its state, why, the figure and the study; these are None where there was none.

    `more`: how many more parts, all judged rightly, would show an agreed rate; None where no number would, or it is no
    rate.
    """

    asked: Requirement
    state: State
    why: str
    found: Found | None = None
    study: KeptStudy | None = None
    more: int | None = None


def matrix(
    requirements: Sequence[Requirement],
    agreed: Entry,
    studies: Sequence[KeptStudy],
    characteristics: Sequence[Characteristic] = (),
) -> tuple[Line, ...]:
    """Return a line for each requirement. `agreed`: the act that dates them; `studies`: in the order of the ledger.

    `characteristics`: what the drawing asks for; a study of one of them must have been made for its tolerance.
    """
    drawn = {one.reading: one for one in characteristics}
    return tuple(
        _line(asked, agreed, [s for s in studies if _is_of(s, asked)], drawn.get(asked.of or ""))
        for asked in requirements
    )


def _is_of(study: KeptStudy, asked: Requirement) -> bool:
    # A trial and an agreement tell of every class at once: which one is meant is found in it.
    # Lengths and robots are no readings: where nobody says which they are, they are the station's.
    whole = asked.by in ("trial", "agreement") or (asked.of is None and asked.by in ("lengths", "pose", "touch"))
    return study.kind == asked.by and (study.of == asked.of or whole)


def _line(asked: Requirement, agreed: Entry, studies: Sequence[KeptStudy], drawn: Characteristic | None) -> Line:
    if not studies:
        later = "only a station on duty can show it" if asked.by in ON_DUTY else f"there is no study {asked.by} of it"
        return Line(asked, "not tried", later)
    study = studies[-1]
    if study.fault is not None:
        return Line(asked, "not shown", study.fault, None, study)
    if study.act.seq < agreed.seq:
        when = f"the study (entry {study.act.seq}) is older than what was agreed (entry {agreed.seq}); make it again"
        return Line(asked, "not shown", when, None, study)
    if study.replaced is not None:
        when = (
            f"the study (entry {study.act.seq}) is of what was accepted before entry {study.replaced.seq} replaced it"
        )
        return Line(asked, "not shown", f"{when}; make it again", None, study)
    outcome = study.document["outcome"]
    try:
        found = _found(outcome, asked)
        against = next(_against(outcome, drawn), None)
    except (KeyError, TypeError, ValueError) as error:
        return Line(asked, "not shown", f"the study does not hold the figure that is asked for ({error})", None, study)
    if against is not None:
        return Line(asked, "not shown", against, found, study)
    return _judged(asked, found, study)


def _against(outcome: Mapping[str, Any], drawn: Characteristic | None) -> Iterator[str]:
    """Yield what forbids that a study shows what is asked, whatever its figure is."""
    if drawn is not None:
        yield from _other_tolerance(outcome, drawn)
    if outcome.get("alarms"):
        yield f"the study has {len(outcome['alarms'])} alarms"
    for check in outcome.get("checks", ()):
        # An interval holds for data that are what it takes them for: of values that follow on each other, a type 1
        # study says "shown" five to twenty times as often as it may. Too few of them make it wide, not wrong.
        if check["holds"] is False and not check["name"].startswith("enough"):
            yield f"{check['name']} does not hold: {check['sentence']}"


def _other_tolerance(outcome: Mapping[str, Any], drawn: Characteristic) -> Iterator[str]:
    width, limits = outcome.get("tolerance"), outcome.get("limits")
    if width is not None and drawn.lower is not None and drawn.upper is not None:
        due = drawn.upper - drawn.lower
        mine = _in_unit(float(width), outcome.get("unit") or "mm", drawn.unit)
        if not math.isclose(mine, due, rel_tol=1e-6):
            of = f"a tolerance of {mine:g} {drawn.unit}, and the drawing gives {due:g}"
            yield f"the study was made for {of}; make it again"
    if isinstance(limits, Mapping) and (limits["lower"], limits["upper"]) != (drawn.lower, drawn.upper):
        yield "the study was made for other limits than the drawing's; make it again"


def _in_unit(value: float, unit: str, asked: str) -> float:
    if unit == asked:
        return value
    if unit not in MM_PER or asked not in MM_PER:
        raise ValueError(f"it is in {unit}, and what is asked for is in {asked}")
    return value * MM_PER[unit] / MM_PER[asked]


def _judged(asked: Requirement, found: Found | None, study: KeptStudy) -> Line:
    limit = asked.most if asked.most is not None else asked.least
    if limit is None or found is None:
        return Line(asked, "shown" if study.good else "not shown", "as the study says", found, study)
    if (asked.least is not None) != (found.name in _LARGE):
        want = "most" if asked.least is not None else "least"
        return Line(asked, "not shown", f"{found.name} is asked for by the wrong end; state {want}", found, study)
    end = found.high if asked.most is not None else found.low
    kept = math.isfinite(end) and (end <= limit if asked.most is not None else end >= limit)
    if kept:
        return Line(asked, "shown", "the unfavourable end of its interval keeps it", found, study)
    more = _more(study, limit, found)
    would = "" if more is None else f"; {more} more parts, all judged rightly, would"
    return Line(asked, "not shown", f"the unfavourable end of its interval does not keep it{would}", found, study, more)


def _more(study: KeptStudy, limit: float, found: Found) -> int | None:
    """Return how many more parts would show a rate, as the study has it of that rate and limit."""
    rates = study.document["outcome"].get("asked")
    for one in rates if isinstance(rates, list) else ():
        if math.isclose(one["most"], limit) and math.isclose(one["rate"]["at_most"], found.high):
            more: int | None = one["more"]
            return more
    return None


# --- what each kind of study is held by ------------------------------------------------------------------------------


def _found(outcome: Mapping[str, Any], asked: Requirement) -> Found | None:
    if asked.by not in _FIGURES:
        if asked.most is not None or asked.least is not None:
            raise ValueError(f"a study {asked.by} has no figure to hold against a limit")
        return None
    found = _FIGURES[asked.by](outcome, asked)
    if found.unit == "" or (asked.most is None and asked.least is None):
        return found
    value, low, high = (_in_unit(x, found.unit, asked.unit) for x in (found.value, found.low, found.high))
    return Found(found.name, value, low, high, asked.unit)


def _figure(name: str, of: Any, unit: str = "") -> Found:
    return Found(name, float(of["value"]), _end(of["low"], -math.inf), _end(of["high"], math.inf), unit)


def _size(found: Found) -> Found:
    """Return the figure of how far something is off, whichever way."""
    if found.low <= 0 <= found.high:
        return replace(found, value=abs(found.value), low=0.0, high=max(-found.low, found.high))
    low, high = sorted((abs(found.low), abs(found.high)))
    return replace(found, value=abs(found.value), low=low, high=high)


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


def _rate(name: str, of: Any, confidence: float) -> Found:
    """Return a rate with its one-sided bound on either side, which is what an agreed rate is held by."""
    if of is None:
        raise ValueError(f"it tells nothing of {name}")
    if not math.isclose(of["confidence"], confidence):
        raise ValueError(f"made at {100 * of['confidence']:g} % confidence, asked for at {100 * confidence:g} %")
    value = math.nan if of["value"] is None else float(of["value"])
    return Found(name, value, float(of["at_least"]), float(of["at_most"]))


def _type1(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    named = _named(asked)
    return _figure(named, outcome[named.lower()])


def _rr(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    named = _named(asked)
    share = outcome["share_of_tolerance" if named == "GRR of the tolerance" else "share_of_total"]
    if share is None:
        raise ValueError("it was made without a tolerance")
    return _figure(named, share)


def _linearity(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    return _size(_figure(_named(asked), outcome["largest"], outcome["unit"]))


def _stability(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    return _size(_figure(_named(asked), outcome["drift"], outcome["unit"]))


def _capability(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    named = _named(asked)
    of = outcome["process" if named == "Q_MP" else "system"]
    if of is None:
        raise ValueError("no cause of the measuring process was stated")
    return _figure(named, of["q"])


def _lengths(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    """Return the error that is largest with what the test itself leaves open (ISO 14253-1, one side)."""
    if outcome["missing"]:
        raise ValueError(f"it did not look at {', '.join(outcome['missing'])}")
    return _figure(_named(asked), outcome["largest"], outcome["unit"])


def _pose(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    named = _named(asked)
    of = [pose[named.lower()] for pose in outcome["poses"]]
    if None in of:
        raise ValueError("a pose was not commanded, so nothing is known of its accuracy")
    worst = max(of, key=lambda figure: _end(figure["high"], math.inf))
    return _figure(f"{named} of the worst pose", worst, "mm")


def _limits(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    """Return a risk: of the average station, and of the 95 %-worst with parts spread as far as they may be."""
    named = _named(asked)
    placed = outcome["by_rule"]  # agreed risks propose limits, and a station judges by its rule until that is changed
    if placed is None:
        raise ValueError("by its rule no part can ever conform")
    key = RISKS_OF[outcome.get("undecided", "not-accepted")][named == "producer's risk"]
    average, worst = placed["risks"]["average"][key], placed["unfavourable"]["worst"][key]
    return Found(named, average, placed["risks"]["no_error"][key], max(average, worst))


def _touch(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    return _figure(_named(asked), outcome["worst_mm"], "mm")


def _agreement(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    if asked.of in (None, "misses", "false alarms"):
        return _rate(asked.of or "misses", outcome[(asked.of or "misses").replace(" ", "_")], asked.confidence)
    return _rate(f"wrong of {asked.of}", _of_class(outcome, asked)["wrong"], asked.confidence)


def _trial(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    if asked.of in (None, "escapes", "false rejects"):
        return _rate(asked.of or "escapes", outcome[(asked.of or "escapes").replace(" ", "_")], asked.confidence)
    return _rate(f"wrong of {asked.of}", _of_class(outcome, asked)["wrong"], asked.confidence)


def _of_class(outcome: Mapping[str, Any], asked: Requirement) -> Mapping[str, Any]:
    found: Mapping[str, Any] | None = next((c for c in outcome["classes"] if c["name"] == asked.of), None)
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
