"""How many painted defects were found, this hour and today, with the bound that their number allows."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from tiepoint.studies.rates import rate

CONTROL = ""
"""By which copies without a defect are counted."""


@dataclass(frozen=True, slots=True)
class Tried:
    """`found` of `shown` copies were told to have a defect."""

    found: int = 0
    shown: int = 0


@dataclass(frozen=True)
class Tally:
    """What was tried on a `day` (UTC): by the defect's name, all day and this hour; copies that were not judged."""

    day: str = ""
    today: Mapping[str, Tried] = field(default_factory=dict)
    hour: Mapping[str, Tried] = field(default_factory=dict)
    dropped: int = 0


def counted(tally: Tally, name: str, is_found: bool, day: str) -> Tally:
    """Return a tally with one more copy; another day begins at nothing."""
    if tally.day != day:
        tally = Tally(day, hour=tally.hour)
    return replace(tally, today=_with(tally.today, name, is_found), hour=_with(tally.hour, name, is_found))


def _with(tried: Mapping[str, Tried], name: str, is_found: bool) -> dict[str, Tried]:
    before = tried.get(name, Tried())
    return {**tried, name: Tried(before.found + is_found, before.shown + 1)}


def dropped(tally: Tally) -> Tally:
    """Return a tally with one more copy that was not judged."""
    return replace(tally, dropped=tally.dropped + 1)


def hour_over(tally: Tally) -> Tally:
    """Return a tally whose hour begins at nothing."""
    return replace(tally, hour={}, dropped=0)


def body_of(tally: Tally) -> dict[str, Any]:
    """Return what an event of the ledger tells of it."""

    def rows(tried: Mapping[str, Tried]) -> list[dict[str, Any]]:
        return [{"defect": name or None, "found": t.found, "shown": t.shown} for name, t in tried.items()]

    return {
        "day": tally.day, "says": sentences(tally), "today": rows(tally.today), "hour": rows(tally.hour),
        "dropped": tally.dropped,
    }  # fmt: skip


def sentences(tally: Tally) -> list[str]:
    """Return what a tally says of today, a sentence a defect; none of what was not tried."""
    said = []
    for name, tried in tally.today.items():
        of = rate(tried.found, tried.shown)
        if name == CONTROL:
            told = f"copies without a defect: {tried.found} of {tried.shown} did not conform today"
            said.append(f"{told}, at most {_percent(of.at_most, of.at_most)} %")
        else:
            least = _percent(of.at_least, 1 - of.at_least)
            said.append(f"{name}: {tried.found} of {tried.shown} today, at least {least} %")
    return said


def _percent(share: float, rest: float) -> str:
    """Return a share in per cent, to two figures of what is to tell: of itself, or of what is missing to the whole."""
    places = max(0, 1 - math.floor(math.log10(100 * rest))) if rest > 0 else 0
    return f"{100 * share:.{places}f}"
