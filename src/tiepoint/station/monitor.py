"""What a person on the floor looks at: the last parts with the trend of each reading, how fast, and why not.

A monitor holds the last parts in a few numbers each, and takes in what has come into the ledger since it last looked:
however many ask, and however long the ledger is, a look costs what has come. To be used by one thread at a time.
"""

import math
import statistics
from collections import Counter, OrderedDict, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice, pairwise
from typing import Any

from tiepoint.model.decide import Verdict
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.questions import NOT_CONFORMING, Asked, counts, last_not_conforming, last_records
from tiepoint.studies.rates import Rate, rate

PARTS = 256
"""Parts that are held: what rate and times are told of."""
TREND = 32
"""Parts that a trend shows."""
LONGEST_S = 600.0
"""Of a part on its way through the line: no deadline is longer."""
REASONED = 500
"""Parts that did not conform of which reasons are told."""


@dataclass(frozen=True, slots=True)
class Point:
    """A reading of a part: `value` and `U95` are None where it was not read."""

    seq: int
    value: float | None
    U95: float | None
    verdict: Verdict | None


@dataclass(frozen=True, slots=True)
class Trend:
    """A reading over the last parts that asked for it, oldest first; `lower` and `upper`: the limits of the last."""

    id: str
    unit: str
    lower: float | None
    upper: float | None
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Times:
    """From when a part was taken until it stood in the ledger: median and 99th percentile in seconds, of `n` parts."""

    p50_s: float
    p99_s: float
    n: int


@dataclass(frozen=True, slots=True)
class Cause:
    """A first reason why parts did not conform: which reading ("" for the whole shot), what it says, how many parts."""

    reading: str
    says: str
    verdict: Verdict
    parts: int


@dataclass(frozen=True, slots=True)
class Causes:
    """Reasons by their number of parts, most first, of the last `of` parts of `among` that did not conform."""

    causes: tuple[Cause, ...]
    of: int
    among: int


@dataclass(frozen=True, slots=True)
class Yield:
    """How many parts have each verdict since a time, and the share that conforms with its interval."""

    counts: Mapping[Verdict, int]
    conforms: Rate


@dataclass(frozen=True, slots=True)
class _Seen:
    """What is held of a part. `readings`: value, U and verdict by id."""

    seq: int
    written_s: float
    took_s: float | None
    readings: Mapping[str, tuple[float | None, float | None, Verdict | None]]


class Monitor:
    """The last parts of a ledger."""

    def __init__(self) -> None:
        self._parts: deque[_Seen] = deque(maxlen=PARTS)
        self._limits: dict[str, tuple[str, float | None, float | None]] = {}
        self._head: tuple[int, str] = (0, "")
        self._causes: OrderedDict[int, tuple[str, str, Verdict]] = OrderedDict()

    @property
    def last(self) -> int:
        """The number of the newest part; 0 before any."""
        return self._parts[-1].seq if self._parts else 0

    def look(self, ledger: Ledger) -> None:
        """Take in what has come. A ledger that was put in the place of another is begun anew."""
        seq, sha = self._head
        if seq and [e.sha for e in ledger.numbered([seq])] != [sha]:
            self._parts.clear()
            self._limits.clear()
            self._causes.clear()
            seq = 0
        last = last_records(ledger, 1)
        if not last or last[0].seq == seq:
            return
        newer = last_records(ledger, PARTS)
        for entry in reversed(newer):
            if entry.seq > seq:
                self._add(entry)
        self._head = newer[0].seq, newer[0].sha

    def _add(self, entry: Entry) -> None:
        told = {}
        for one in entry.body["readings"]:
            value, limits = one["value"], one["limits"] or {}
            told[one["id"]] = (value, one["U95"], one["verdict"])
            self._limits[one["id"]] = one["unit"], limits.get("lower"), limits.get("upper")
        written_s, taken_s = _seconds(entry.written_utc), _seconds(entry.body["shot"].get("taken_utc"))
        took = written_s - taken_s if taken_s is not None and written_s is not None else None
        if took is not None and not 0 <= took <= LONGEST_S:
            took = None  # taken by another clock, or long before it was judged: no time of the line
        self._parts.append(_Seen(entry.seq, written_s or 0.0, took, told))

    def trends(self, ids: Sequence[str]) -> tuple[Trend, ...]:
        """Return the trends of readings, in that order, over the last parts that had them."""
        out = []
        for id_ in ids:
            having = (p for p in reversed(self._parts) if id_ in p.readings)
            points = tuple(Point(p.seq, *p.readings[id_]) for p in islice(having, TREND))[::-1]
            unit, lower, upper = self._limits.get(id_, ("", None, None))
            out.append(Trend(id_, unit, lower, upper, points))
        return tuple(out)

    def per_minute(self, now: datetime) -> float | None:
        """Return how many parts come in a minute, by the last ones; None of fewer than two since the clock was set.

        A line that stands slows down: the time since its last part counts once it is longer than between the others.
        """
        at = _of_one_run([p.written_s for p in self._parts][-64:])
        if len(at) < 2 or at[-1] <= at[0]:
            return None
        gap = (at[-1] - at[0]) / (len(at) - 1)
        since = now.timestamp() - at[-1]
        if since < -3 * gap:
            return None  # the clock was set back: nobody knows how long the line has stood
        return 60.0 / gap if since <= 3 * gap else 60.0 * len(at) / (now.timestamp() - at[0])

    def times(self) -> Times | None:
        """Return how long the last parts took since the line began; None where no shot tells when it was taken.

        Parts of a trial, which are judged minutes after they were photographed, are none of the line that began later.
        """
        run = len(_of_one_run([p.written_s for p in self._parts]))
        took = sorted(p.took_s for p in islice(reversed(self._parts), run) if p.took_s is not None)
        if not took:
            return None
        return Times(statistics.median(took), took[math.ceil(0.99 * len(took)) - 1], len(took))

    def causes(self, ledger: Ledger, since: str | None = None) -> Causes:
        """Return why parts have not conformed since a time, each by its first reason."""
        found = last_not_conforming(ledger, REASONED, Asked(since=since))
        unknown = [seq for seq in found if seq not in self._causes]
        for k in range(0, len(unknown), 100):
            for entry in ledger.numbered(unknown[k : k + 100]):
                self._causes[entry.seq] = first_reason(entry.body)
        tally = Counter(self._causes[seq] for seq in found if seq in self._causes)
        while len(self._causes) > 4 * REASONED:
            self._causes.popitem(last=False)
        among = sum(one.count for one in counts(ledger, Asked(since=since)) if one.verdict != "conforms")
        told = tuple(Cause(*key, parts) for key, parts in sorted(tally.items(), key=lambda kv: (-kv[1], kv[0])))
        return Causes(told, len(found), among)


def yield_since(ledger: Ledger, since: str | None = None) -> Yield:
    """Return how many parts conform since a time; `UnusableInput` where that is none."""
    told: dict[Verdict, int] = dict.fromkeys(("conforms", *NOT_CONFORMING), 0)
    for one in counts(ledger, Asked(since=since)):
        told[one.verdict] += one.count
    return Yield(told, rate(told["conforms"], sum(told.values())))


def first_reason(record: Mapping[str, Any]) -> tuple[str, str, Verdict]:
    """Return by which reading a record does not conform first, in a few words why, and that reading's verdict.

    The gravest verdict comes first. Where nobody looked at the shot, it is the shot and no reading.
    """
    verdict: Verdict = record["verdict"]
    against = [r for r in record["readings"] if r["verdict"] == verdict]
    if not against:
        return "", "nothing is judged", verdict
    first = against[0]
    code = str((first["reason"] or {}).get("code", ""))
    if code.startswith("shot_"):
        return "", code.replace("_", " "), verdict
    return str(first["id"]), _in_short(first, code), verdict


def _in_short(reading: Mapping[str, Any], code: str) -> str:
    if reading["verdict"] == "rejected":
        limits, value = reading["limits"] or {}, reading["value"]
        for end, word in (("upper", "above limit"), ("lower", "below limit")):
            limit = limits.get(end)
            if value is not None and limit is not None and ((value > limit) == (end == "upper")):
                return word
        return code.replace("_", " ") or "rejected"
    if reading["verdict"] == "undecided":
        return "in guard band" if not code else code.replace("_", " ")
    return code.replace("_", " ") or "unread"


def _of_one_run(at: Sequence[float]) -> Sequence[float]:
    """Return the last times between which the clock was not set, and the line did not stand for a night."""
    steps = [b - a for a, b in pairwise(at)]
    longest = max(LONGEST_S, 20 * statistics.median(steps)) if steps else LONGEST_S
    cuts = [k for k, step in enumerate(steps, 1) if not 0 <= step <= longest]
    return at[cuts[-1] :] if cuts else at


def _seconds(text: object) -> float | None:
    try:
        at = datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return (at if at.tzinfo is not None else at.replace(tzinfo=UTC)).timestamp()
