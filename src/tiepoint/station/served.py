"""What a ledger tells of a station's time on duty: how long parts took, which faults it had, and which alarms.

A time is from the picture's trigger, or its arrival where nothing triggered it, to the writing of the record; wires are
told directly after. Both are read off the station's clock, so a time across which the clock was set back is left out.
So is that of a part at which nobody looked, as in a fault: to say so takes no time, and makes no other part quicker.
"""

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from scipy import special

from tiepoint.model.decide import Verdict
from tiepoint.station.ledger_chain import Entry


@dataclass(frozen=True, slots=True)
class Written:
    """Of a record what tells of its time: its entry, when its picture was `taken` and it was `written`, its verdict.

    `is_timed`: whether the part was looked at, or was too late to be.
    """

    seq: int
    taken_utc: str | None
    written_utc: str
    verdict: Verdict
    is_timed: bool = True

    @classmethod
    def of(cls, entry: Entry) -> "Written":
        """Return what the entry of a record tells."""
        body = entry.body
        reasons = [(reading.get("reason") or {}).get("code") for reading in body["readings"][:1]]
        is_timed = bool(body.get("timings")) or "shot_late" in reasons
        return cls(entry.seq, body["shot"].get("taken_utc"), entry.written_utc, body["verdict"], is_timed)


@dataclass(frozen=True, slots=True)
class FaultSeen:
    """A fault from its `entry` on: its name, what it said, how many parts came in it, and how many of them conformed.

    `ended_utc`: None where it had not ended when the station was last heard of.
    """

    name: str
    says: str
    entry: int
    began_utc: str
    ended_utc: str | None
    parts: int
    passed: int

    def is_of(self, name: str) -> bool:
        """Whether it is the fault of that name, or of something of that kind, as `camera top` is of `camera`."""
        return self.name == name or self.name.startswith(f"{name} ")


@dataclass(frozen=True, slots=True)
class AlarmSeen:
    """An alarm that was raised: its kind, what it is about, what it says, and the entry."""

    kind: str
    about: str
    says: str
    entry: int
    utc: str

    def is_of(self, name: str) -> bool:
        """Whether it is of that kind, or of that kind about that."""
        return name in (self.kind, f"{self.kind} {self.about}".strip())


@dataclass(frozen=True, slots=True)
class Challenged:
    """A challenge set that was shown: whether all of it was judged right."""

    entry: int
    utc: str
    good: bool


@dataclass(frozen=True)
class Served:
    """A station's time on duty. `begun`: the entries with which it began.

    `seqs` and `seconds` (n,): the records whose time is known, and how long each took. `missed`: parts that came and
    could not even be held.
    """

    begun: tuple[int, ...]
    verdicts: Mapping[Verdict, int]
    seqs: tuple[int, ...]
    seconds: tuple[float, ...]
    faults: tuple[FaultSeen, ...]
    alarms: tuple[AlarmSeen, ...]
    challenges: tuple[Challenged, ...]
    missed: int

    def since(self, seq: int) -> "Served":
        """Return it with only those times, faults, alarms, begins and challenges that came after an entry."""
        kept = [k for k, one in enumerate(self.seqs) if one > seq]
        return replace(
            self,
            begun=tuple(one for one in self.begun if one > seq),
            seqs=tuple(self.seqs[k] for k in kept),
            seconds=tuple(self.seconds[k] for k in kept),
            faults=tuple(one for one in self.faults if one.entry > seq),
            alarms=tuple(one for one in self.alarms if one.entry > seq),
            challenges=tuple(one for one in self.challenges if one.entry > seq),
        )


def served_of(duty: Iterable[Entry], records: Iterable[Written], runs: Iterable[Entry]) -> Served | None:
    """Return what a ledger tells of the time on duty; None where the station never was.

    `duty` and `runs`: the entries of these kinds; `records`: all of them, those too that were judged off duty, which do
    not count. All in the order of the ledger.
    """
    events = list(duty)
    begun = tuple(e.seq for e in events if e.body.get("event") == "begins")
    if not begun:
        return None
    on = list(_as_told(events, _on_duty(events, records, runs)))
    spans = ((one.seq, _between(one.taken_utc, one.written_utc)) for one in on if one.is_timed)
    timed = [(seq, s) for seq, s in spans if s is not None]
    return Served(
        begun=begun,
        verdicts=Counter(one.verdict for one in on),
        seqs=tuple(seq for seq, _ in timed),
        seconds=tuple(s for _, s in timed),
        faults=tuple(_faults(events, on)),
        alarms=tuple(
            AlarmSeen(e.body["kind"], e.body["about"], e.body["says"], e.seq, e.written_utc)
            for e in events
            if e.body.get("event") == "alarm" and e.body.get("phase") == "begins"
        ),
        challenges=tuple(
            Challenged(e.seq, e.written_utc, e.body["good"] is True)
            for e in events
            if e.body.get("event") == "challenge"
        ),
        missed=sum(int(e.body["parts"]) for e in events if e.body.get("event") == "missed"),
    )


def _on_duty(events: Sequence[Entry], records: Iterable[Written], runs: Iterable[Entry]) -> Iterator[Written]:
    """Yield the records that were written between a begin and its end: only duty writes then.

    A duty that was killed has no end; a run that begins tells that it was not there any more.
    """
    told = [(e.seq, e.body["event"]) for e in events if e.body.get("event") in ("begins", "ends")]
    turns = iter(sorted(told + [(e.seq, "ends") for e in runs]))
    turn, is_on = next(turns, None), False
    for one in records:
        while turn is not None and turn[0] < one.seq:
            is_on, turn = turn[1] == "begins", next(turns, None)
        if is_on:
            yield one


def _as_told(events: Sequence[Entry], records: Iterable[Written]) -> Iterator[Written]:
    """Yield records as wires were told them: one whose writing took beyond its deadline was told later, and unread."""
    late = {e.body["record"]: e for e in events if e.body.get("event") == "late"}
    for one in records:
        told = late.get(one.seq)
        yield (
            one
            if told is None
            else replace(one, verdict=told.body["told"], written_utc=told.written_utc, is_timed=True)
        )


def _faults(events: Sequence[Entry], records: Sequence[Written]) -> Iterator[FaultSeen]:
    states = [e for e in events if e.body.get("event") == "state"]
    for k, e in enumerate(states):
        if e.body["state"] != "fault":
            continue
        then = states[k + 1] if k + 1 < len(states) else None
        before = math.inf if then is None else then.seq
        # A part that came before it may be judged and written in it: it was seen when nothing was wrong.
        there = [r for r in records if e.seq < r.seq < before]
        came = [r for r in there if r.verdict == "unread" or not _is_before(r.taken_utc, e.written_utc)]
        passed = sum(r.verdict == "conforms" for r in came)
        ended = None if then is None else then.written_utc
        yield FaultSeen(e.body["fault"], e.body["says"], e.seq, e.written_utc, ended, len(came), passed)


def _is_before(taken_utc: str | None, written_utc: str) -> bool:
    told = _between(taken_utc, written_utc)
    return told is not None and told > 0


def _between(taken_utc: str | None, written_utc: str) -> float | None:
    """Return the seconds from one time to another; None where they are unknown or run backwards."""
    try:
        took = (datetime.fromisoformat(written_utc) - datetime.fromisoformat(taken_utc or "")).total_seconds()
    except (ValueError, TypeError):
        return None
    return took if took >= 0 else None


QUANTILES = {"P50": 0.5, "P99": 0.99, "P99.9": 0.999}


def quantile_ends(seconds: Sequence[float], q: float, confidence: float) -> tuple[float, float, float]:
    """Return a quantile of times and its one-sided bounds below and above, whatever law they follow.

    The bounds are order statistics whose places follow from the binomial law; infinite (0 below) where n is too small
    for one. Source: Wilks, Ann. Math. Statist. 12 (1941) 91; David & Nagaraja, Order Statistics, 3rd ed., sec. 7.1.
    """
    x = np.sort(np.asarray(seconds, dtype=float))
    n = x.size
    if n == 0:
        return math.nan, 0.0, math.inf
    places = np.arange(n + 1)
    # bdtr(k, n, q) = P(at most k values lie below the quantile): the (k + 1)-th value, from 1, is above it that often.
    above = np.flatnonzero(special.bdtr(places[:n], n, q) >= confidence)
    below = np.flatnonzero(special.bdtrc(places[:n], n, q) >= confidence)
    high = float(x[above[0]]) if above.size else math.inf
    low = float(x[below[-1]]) if below.size else 0.0
    return float(np.quantile(x, q)), low, high


def fewest(q: float, confidence: float) -> int:
    """Return of how many parts the largest is above their quantile q with that confidence; 1 for no quantile."""
    return 1 if q == 0 else math.ceil(math.log(1 - confidence) / math.log(q))
