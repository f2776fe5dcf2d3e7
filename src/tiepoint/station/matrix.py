"""Which requirement is shown, by which study: the figure that each kind of study is held by, at its unfavourable end.

A requirement is *shown* where the newest study of its kind keeps the limit at the end of its interval that is against
it, *not shown* where it does not, or where something forbids saying so, and *not tried* until there is a study.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from tiepoint.station.kept import KeptStudy
from tiepoint.station.ledger import Entry
from tiepoint.station.requirements import ON_DUTY, Requirement

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
    """A requirement with its state, why, the figure and the study; these are None where there was none."""

    asked: Requirement
    state: State
    why: str
    found: Found | None = None
    study: KeptStudy | None = None


def matrix(requirements: Sequence[Requirement], agreed: Entry, studies: Sequence[KeptStudy]) -> tuple[Line, ...]:
    """Return a line for each requirement. `agreed`: the act that dates them; `studies`: in the order of the ledger."""
    return tuple(_line(asked, agreed, [s for s in studies if _is_of(s, asked)]) for asked in requirements)


def _is_of(study: KeptStudy, asked: Requirement) -> bool:
    # A trial tells of every class at once: which one is meant is found in it.
    return study.kind == asked.by and (study.of == asked.of or asked.by == "trial")


def _line(asked: Requirement, agreed: Entry, studies: Sequence[KeptStudy]) -> Line:
    if not studies:
        later = "only a station on duty can show it" if asked.by in ON_DUTY else f"there is no study {asked.by} of it"
        return Line(asked, "not tried", later)
    study = studies[-1]
    if study.fault is not None:
        return Line(asked, "not shown", study.fault, None, study)
    if study.act.seq < agreed.seq:
        when = f"the study (entry {study.act.seq}) is older than what was agreed (entry {agreed.seq}); make it again"
        return Line(asked, "not shown", when, None, study)
    outcome = study.document["outcome"]
    try:
        found = _found(outcome, asked)
    except (KeyError, TypeError, ValueError) as error:
        return Line(asked, "not shown", f"the study does not hold the figure that is asked for ({error})", None, study)
    return _judged(asked, found, study)


def _judged(asked: Requirement, found: Found | None, study: KeptStudy) -> Line:
    if found is None:
        state: State = "shown" if study.good else "not shown"
        return Line(asked, state, "as the study says", None, study)
    end = found.high if asked.most is not None else found.low
    limit = asked.most if asked.most is not None else asked.least
    if limit is None:
        return Line(asked, "shown" if study.good else "not shown", "as the study says", found, study)
    kept = math.isfinite(end) and (end <= limit if asked.most is not None else end >= limit)
    whose = "the unfavourable end of its interval keeps it" if kept else "the unfavourable end of its interval does not"
    return Line(asked, "shown" if kept else "not shown", whose, found, study)


# --- what each kind of study is held by ------------------------------------------------------------------------------


def _found(outcome: Mapping[str, Any], asked: Requirement) -> Found | None:
    if asked.by == "trial":
        return _trial(outcome, asked)
    return _FIGURES[asked.by](outcome) if asked.by in _FIGURES else None


def _figure(name: str, of: Any, unit: str = "") -> Found:
    return Found(name, float(of["value"]), _end(of["low"], -math.inf), _end(of["high"], math.inf), unit)


def _end(said: Any, open_: float) -> float:
    return open_ if said is None else float(said)


def _rate(name: str, of: Any, confidence: float) -> Found:
    """Return a rate with its one-sided bound on either side, which is what an agreed rate is held by."""
    if not math.isclose(of["confidence"], confidence):
        raise ValueError(f"made at {100 * of['confidence']:g} % confidence, asked for at {100 * confidence:g} %")
    value = math.nan if of["value"] is None else float(of["value"])
    return Found(name, value, float(of["at_least"]), float(of["at_most"]))


def _type1(outcome: Mapping[str, Any]) -> Found:
    return _figure("Cgk", outcome["cgk"])


def _rr(outcome: Mapping[str, Any]) -> Found:
    if outcome["share_of_tolerance"] is not None:
        return _figure("GRR of the tolerance", outcome["share_of_tolerance"])
    return _figure("GRR of the variation", outcome["share_of_total"])


def _linearity(outcome: Mapping[str, Any]) -> Found:
    return _figure("largest bias", outcome["largest"], outcome["unit"])


def _stability(outcome: Mapping[str, Any]) -> Found:
    return _figure("drift over the study", outcome["drift"], outcome["unit"])


def _capability(outcome: Mapping[str, Any]) -> Found:
    process = outcome["process"]
    return _figure("Q_MS", outcome["system"]["q"]) if process is None else _figure("Q_MP", process["q"])


def _trial(outcome: Mapping[str, Any], asked: Requirement) -> Found:
    if asked.of in (None, "escapes"):
        return _rate("escapes", outcome["escapes"], asked.confidence)
    if asked.of == "false rejects":
        return _rate("false rejects", outcome["false_rejects"], asked.confidence)
    of_class = next((c for c in outcome["classes"] if c["name"] == asked.of), None)
    if of_class is None:
        raise ValueError(f'it has no class "{asked.of}"')
    return _rate(f"wrong of {asked.of}", of_class["wrong"], asked.confidence)


_FIGURES: Mapping[str, Callable[[Mapping[str, Any]], Found]] = {
    "type1": _type1,
    "rr": _rr,
    "linearity": _linearity,
    "stability": _stability,
    "capability": _capability,
}
