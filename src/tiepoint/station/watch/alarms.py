"""Alarms: which are on, what each says, and the charts that raise them. An alarm begins once and ends once.

Plain state, changed by one thread at a time; what is to be told is handed back as `Turn`s.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from tiepoint.station.watch.chart import LONGEST_RUN, Centre, Course, Rule, follow, rule_of, step_of
from tiepoint.station.watch.hold import Held, Reference
from tiepoint.station.watch.kinds import NEXT, Kind
from tiepoint.station.watch.table import Allow, WatchTable

_KINDS: dict[str, Kind] = {
    "grey": "light", "blur": "sharpness", "sharpness": "sharpness", "saturated": "saturated", "black": "black",
    "position": "position", "turn": "position", "scale": "scale", "temperature": "temperature",
    "runner_up": "runner_up", "golden": "golden",
}  # fmt: skip
"""The kind of alarm of a number, by the first part of its name."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm: its `kind`, `about` what, what it `says` in a sentence, since when and by how much."""

    kind: Kind
    about: str
    says: str
    since_utc: str
    change: float | None = None
    unit: str = ""

    @property
    def name(self) -> str:
        """By which it is known as long as it is on."""
        return f"{self.kind} {self.about}".strip()

    @property
    def next(self) -> str:
        """Which check or tie it asks for."""
        return NEXT[self.kind]


@dataclass(frozen=True, slots=True)
class Turn:
    """An alarm that begins (`is_on`) or ends."""

    alarm: Alarm
    is_on: bool
    why: str = ""


@dataclass
class Alarms:
    """Those that are on, by their names."""

    on: dict[str, Alarm] = field(default_factory=dict)

    def begins(self, alarm: Alarm) -> Iterator[Turn]:
        """Yield the beginning of an alarm that is not on yet."""
        if alarm.name not in self.on:
            self.on[alarm.name] = alarm
            yield Turn(alarm, True)

    def ends(self, name: str, why: str = "") -> Iterator[Turn]:
        """Yield the end of an alarm that is on; `why`, in a clause."""
        alarm = self.on.pop(name, None)
        if alarm is not None:
            yield Turn(alarm, False, why)


@dataclass
class Charts:
    """The charts of all numbers that were held: their rules, and their courses so far."""

    rules: dict[str, Rule]
    tied: Held | None = None
    courses: dict[str, Course] = field(default_factory=dict)

    def put(self, numbers: Mapping[str, float], at_utc: str, alarms: Alarms) -> Iterator[Turn]:
        """Yield what begins and what ends with the numbers of one look or one part."""
        for name, value in numbers.items():
            if name not in self.rules:
                continue
            before = self.courses.get(name, Course())
            self.courses[name] = now = follow(before, self.rules[name], value, at_utc)
            if now.is_out and not before.is_out:
                yield from alarms.begins(alarm_of(name, self.rules[name], now, self.tied))
            elif before.is_out and not now.is_out:
                yield from alarms.ends(
                    alarm_of(name, self.rules[name], now, self.tied).name, "it is as it was accepted again"
                )

    def settle(self, kind: str, about: str) -> None:
        """Begin the charts of an alarm anew."""
        for name in [n for n in self.courses if _of(n) == (kind, about)]:
            del self.courses[name]


def charts_of(reference: Reference, table: WatchTable, tolerances: Mapping[str, float]) -> Charts:
    """Return the charts against an accepted state, all of which together keep quiet as long as was asked.

    `tolerances`: of readings by their ids, where both limits are known.
    """
    count = max(len(reference.centres), 1)
    run = min(table.quiet * count, LONGEST_RUN)
    rules = {
        name: rule_of(centre, run, _allowed(name, centre, table.allow, reference.tied, tolerances), charts=count)
        for name, centre in reference.centres.items()
    }
    return Charts(rules, reference.tied)


def _allowed(name: str, centre: Centre, allow: Allow, tied: Held | None, tolerances: Mapping[str, float]) -> float:
    kind, what, _ = name.split("|", 2)
    shares = {"grey": allow.grey, "blur": allow.sharpness, "sharpness": allow.sharpness}
    if kind in shares:
        return shares[kind] * abs(centre.value)
    if kind == "golden":
        return allow.golden * tolerances.get(what, 0.0)
    position = max(allow.position_px, 0.0 if tied is None else tied.position_px)
    scale = max(allow.scale, 0.0 if tied is None else tied.scale)
    # A turn is told where it moves anything by more than scale may.
    named = {"position": position, "scale": scale, "turn": scale, "temperature": allow.temperature_c}
    return {**named, "runner_up": allow.runner_up}.get(kind, allow.share)


def _of(name: str) -> tuple[Kind, str]:
    """Return the kind of a number's alarm, and what it is about."""
    first, what, where = name.split("|", 2)
    about = ", ".join(filter(None, (f"{first} {what}".strip() if first in _NAMED else what, where)))
    return _KINDS[first], about


_SAID = {
    "grey": "the grey level of {0}", "blur": "the blur of {0}", "sharpness": "the sharpness of {0}",
    "saturated": "the saturated share of {0}", "black": "the black share of {0}",
    "position": "the place of the fixed edges along {0}", "turn": "the turn of the fixed edges",
    "scale": "the scale between the fixed edges", "temperature": "the temperature",
    "runner_up": "{0}, the next best place's share,", "golden": "{0} of the golden part",
}  # fmt: skip
_UNITS = {"blur": "px", "position": "px", "turn": "rad", "temperature": "°C"}
_NAMED = ("turn", "position", "blur")
"""Numbers that share their kind of alarm with another: what it is about says which."""
_FROM_NOUGHT = ("position", "turn", "scale")
_AS_SHARES = ("grey", "blur", "sharpness")


def alarm_of(name: str, rule: Rule, course: Course, tied: Held | None = None) -> Alarm:
    """Return the alarm of a chart: what changed, by how much, since when, and after how many points that is known."""
    first, what, where = name.split("|", 2)
    kind, about = _of(name)
    step = step_of(course)
    change, unit = step.change, _UNITS.get(first, "")
    said = _SAID[first].format(what) + (f" in {where}" if where and first != "golden" else "")
    said += f" {where}" if where and first == "golden" else ""
    unit_said = f" {unit}" if unit else ""
    was = "" if first in _FROM_NOUGHT else f" from {rule.centre:.4g}{unit_said}"
    more = f", that is {100 * change / rule.centre:+.2g} %" if first in _AS_SHARES and rule.centre else ""
    if first == "position" and tied is not None:
        more = f", that is {1e3 * change * tied.mm_per_px:+.3g} µm"
    sentence = (
        f"{said[0].upper()}{said[1:]} has changed by {change:+.3g}{unit_said}{was}{more}, "
        f"since {step.since_utc} ({step.points} {'point' if step.points == 1 else 'points'}); "
        f"up to {rule.limit:.2g}{unit_said} is accepted. Next: {NEXT[kind]}."
    )
    return Alarm(kind, about, sentence, step.since_utc, change if math.isfinite(change) else None, unit)


def with_next(alarm: Alarm) -> Alarm:
    """Return an alarm whose sentence ends with what to do next."""
    return replace(alarm, says=f"{alarm.says} Next: {alarm.next}.")
