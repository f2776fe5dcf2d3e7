"""What a monitor asks a ledger, answered in milliseconds however long the ledger is: counts, and the last records.

Times are those at which records were written, in UTC, as text; `since` counts, `until` does not. None: from the
beginning, to the end. A variant of "" is meant as none.
"""

import heapq
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import islice
from typing import Any, Literal

import sqlalchemy as sql

from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.decide import Verdict
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.ledger_tables import entries, in_column, in_columns, judged, not_conforming, sorts, sums

Per = Literal["minute", "day"]

NOT_CONFORMING: tuple[Verdict, ...] = ("rejected", "undecided", "unread")
MOST = 1000
"""Records that are told at once."""
_MINUTE, _DAY = timedelta(minutes=1), timedelta(days=1)
_FIRST, _LAST = datetime(1, 1, 1), datetime(9999, 12, 31)


@dataclass(frozen=True, slots=True)
class Count:
    """How many records of a recipe and a variant ("" for none) have a verdict. `since`: of which minute or day."""

    recipe_sha: str
    variant: str
    verdict: Verdict
    count: int
    since: str | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """Which records are meant; None: whichever. `reading`: the id of a reading that does not conform in them."""

    since: str | None = None
    until: str | None = None
    part_id: str | None = None
    verdict: Verdict | None = None
    reading: str | None = None
    recipe_sha: str | None = None
    variant: str | None = None


def counts(ledger: Ledger, asked: Asked = Asked()) -> tuple[Count, ...]:  # it never changes
    """Return how many records there are by recipe, variant and verdict. Part and reading are not asked for here.

    Raises `UnusableInput` where a time is none, or the ledger keeps no sums.
    """
    since, until = _between(asked)
    found: dict[int, int] = {}
    with ledger.asked() as base:
        of = _sorts(base, asked)
        for per, begin, end in _whole(since, until):
            rows = sql.select(sums.c.sort, sql.func.sum(sums.c.count)).where(*_in(per, begin, end), sums.c.sort.in_(of))
            _add(found, base.execute(rows.group_by(sums.c.sort)))
        for begin, end in _rest(since, until):
            minute = begin.replace(second=0, microsecond=0)
            first, last = _ends(base, "minute", minute, minute + _MINUTE)
            if first is not None:
                rows = sql.select(judged.c.sort, sql.func.count()).where(
                    judged.c.seq.between(first, last), *_written(begin, end), judged.c.sort.in_(of)
                )
                _add(found, base.execute(rows.group_by(judged.c.sort)))
    return tuple(Count(*of[sort], count) for sort, count in sorted(found.items()))


def counts_per(ledger: Ledger, per: Per, asked: Asked = Asked()) -> tuple[Count, ...]:  # as above
    """Return the same for each minute or day that is not empty, those that a time falls into whole, in their order."""
    since, until = _between(asked)
    with ledger.asked() as base:
        of = _sorts(base, asked)
        within = (sums.c.per == per, sums.c.since >= _key(per, since), sums.c.since <= _key(per, until))
        rows = sql.select(sums.c.sort, sums.c.count.label("number"), sums.c.since).where(*within, sums.c.sort.in_(of))
        told = base.execute(rows.order_by(sums.c.since, sums.c.sort)).all()
    return tuple(Count(*of[sort], number, since) for sort, number, since in told)


def last_records(
    ledger: Ledger,
    count: int = 100,
    asked: Asked = Asked(),
    *,
    before: int | None = None,  # as above
    among: Sequence[int] | None = None,
) -> tuple[Entry, ...]:
    """Return the last records, newest first; `before` the entry of a number, to go on from there.

    `among`: of these numbers alone, a thousand at most.

    Raises `UnusableInput` where a time is none, the count is beyond 1 to 1000, or the ledger keeps no sums.
    """
    if not 1 <= count <= MOST:
        raise UnusableInput(f"{count} records are asked for; ask for 1 to {MOST} at once")
    with ledger.asked() as base:
        seqs = list(islice(_numbers(base, asked, count, before, among), count))
    told = ledger.numbered(seqs)
    return tuple(e for e in told if asked.part_id is None or e.body["shot"]["part_id"] == asked.part_id)


def last_not_conforming(ledger: Ledger, count: int, asked: Asked = Asked()) -> tuple[int, ...]:  # as above
    """Return the numbers of the last records that do not conform, newest first; none of them is read."""
    with ledger.asked() as base:
        newest = [
            islice(_numbers(base, replace(asked, verdict=verdict), count, None), count) for verdict in NOT_CONFORMING
        ]
        return tuple(islice(heapq.merge(*newest, reverse=True), count))


def seqs_of(ledger: Ledger, asked: Asked) -> tuple[int, int] | None:
    """Return the numbers of the first and the last record of a time, by its minutes; None where there is none."""
    with ledger.asked() as base:
        first, last = _bounds(base, *_between(asked))
    return None if first is None or last is None else (first, last)


def last_entries(ledger: Ledger, kind: str, count: int = 100, *, before: int | None = None) -> tuple[Entry, ...]:
    """Return the last entries of a kind, newest first; `before` the entry of a number, to go on from there.

    Raises `UnusableInput` where the count is beyond 1 to 1000.
    """
    if not 1 <= count <= MOST:
        raise UnusableInput(f"{count} entries are asked for; ask for 1 to {MOST} at once")
    wanted = sql.select(entries.c.seq).where(entries.c.kind == kind).order_by(entries.c.seq.desc()).limit(count)
    with ledger.asked() as base:
        seqs = list(base.execute(wanted if before is None else wanted.where(entries.c.seq < before)).scalars())
    return tuple(ledger.numbered(seqs))


def _numbers(
    base: sql.Connection, asked: Asked, count: int, before: int | None, among: Sequence[int] | None = None
) -> Iterator[int]:
    """Yield the numbers of the records that are meant, newest first."""
    # By a reading its own table leads, which has few of all records; ordered by its numbers it is not gone through.
    number = judged.c.seq if asked.reading is None else not_conforming.c.seq
    where: list[Any] = [] if before is None else [number < before]
    if among is not None:
        where.append(number.in_(among))
    if asked.since is not None or asked.until is not None:
        since, until = _between(asked)
        first, last = _bounds(base, since, until)
        if first is None:
            return
        where += [number.between(first, last), *_written(since, until)]
    of = _sorts(base, asked) if (asked.recipe_sha, asked.variant, asked.verdict) != (None, None, None) else None
    newest = sql.select(number).where(*where).order_by(number.desc()).limit(count)
    if asked.reading is not None:
        newest = newest.join_from(not_conforming, judged, not_conforming.c.seq == judged.c.seq)
        newest = newest.where(not_conforming.c.reading == in_column(asked.reading))
    if asked.part_id is not None:
        newest = newest.join(entries, entries.c.seq == judged.c.seq).where(
            entries.c.part_id.in_(in_columns(asked.part_id))
        )
    if of is None:
        yield from base.execute(newest).scalars()
        return
    if asked.reading is not None or asked.part_id is not None:
        yield from base.execute(newest.where(judged.c.sort.in_(of))).scalars()
        return
    # Sort by sort, since an index tells the last of each at once; of all together it would have to look through many.
    yield from heapq.merge(*(base.execute(newest.where(judged.c.sort == sort)).scalars() for sort in of), reverse=True)


def _bounds(base: sql.Connection, since: datetime, until: datetime) -> tuple[int | None, int | None]:
    """Return the numbers between which all records of a time lie."""
    firsts, lasts = [], []
    begin, end = since.replace(second=0, microsecond=0), _ceiled(until, _MINUTE)
    for per, a, b in _whole(begin, end):
        first, last = _ends(base, per, a, b)
        if first is not None:
            firsts.append(first)
            lasts.append(last)
    return min(firsts, default=None), max(lasts, default=None)


def _ends(base: sql.Connection, per: Per, begin: datetime, end: datetime) -> tuple[Any, Any]:
    """Return the first and the last number of whole minutes or days; None for both where they are empty."""
    ends = sql.select(sql.func.min(sums.c.first), sql.func.max(sums.c.last)).where(*_in(per, begin, end))
    first, last = base.execute(ends).one()
    return first, last


def _sorts(base: sql.Connection, asked: Asked) -> dict[int, tuple[str, str, Verdict]]:
    """Return the sorts that are meant, by their number."""
    named = (("recipe_sha", asked.recipe_sha), ("variant", asked.variant), ("verdict", asked.verdict))
    wanted = sql.select(sorts).where(*(sorts.c[key] == in_column(name) for key, name in named if name is not None))
    return {row.id: (row.recipe_sha, row.variant, row.verdict) for row in base.execute(wanted)}


def _add(found: dict[int, int], rows: Any) -> None:
    for sort, count in rows:
        found[sort] = found.get(sort, 0) + int(count)


# --- times -----------------------------------------------------------------------------------------------------------


def _between(asked: Asked) -> tuple[datetime, datetime]:
    since = _FIRST if asked.since is None else _moment(asked.since)
    until = _LAST if asked.until is None else _moment(asked.until)
    return since, min(max(since, until), _LAST)


def _moment(text: str) -> datetime:
    try:
        told = datetime.fromisoformat(text)
        return (told if told.tzinfo is None else told.astimezone(UTC)).replace(tzinfo=None)
    except (ValueError, OverflowError) as error:
        raise UnusableInput(f"{text[:40]!r} is no time; write it as in 2026-11-26T08:00:00Z") from error


def _whole(since: datetime, until: datetime) -> Iterator[tuple[Per, datetime, datetime]]:
    """Yield the whole days between two times, and the whole minutes before and after them."""
    a, b = _ceiled(since, _MINUTE), until.replace(second=0, microsecond=0)
    first, last = _ceiled(a, _DAY), b.replace(hour=0, minute=0)
    spans: tuple[tuple[Per, datetime, datetime], ...] = (("minute", a, b),)
    if first <= last:
        spans = (("minute", a, first), ("day", first, last), ("minute", last, b))
    yield from (span for span in spans if span[1] < span[2])


def _rest(since: datetime, until: datetime) -> Iterator[tuple[datetime, datetime]]:
    """Yield what of the time between two lies outside of whole minutes, at both ends; each within one minute."""
    a, b = _ceiled(since, _MINUTE), until.replace(second=0, microsecond=0)
    spans = ((since, until),) if a > b else ((since, a), (b, until))
    yield from (span for span in spans if span[0] < span[1])


def _ceiled(at: datetime, step: timedelta) -> datetime:
    rest = (at - _FIRST) % step
    return at if not rest else at - rest + step


def _key(per: Per, at: datetime) -> str:
    return at.isoformat()[:10] if per == "day" else at.isoformat(timespec="minutes")


def _in(per: Per, begin: datetime, end: datetime) -> tuple[Any, ...]:
    return sums.c.per == per, sums.c.since >= _key(per, begin), sums.c.since < _key(per, end)


def _written(begin: datetime, end: datetime) -> tuple[Any, ...]:
    first, after = (f"{at.isoformat(timespec='milliseconds')}Z" for at in (begin, end))
    return judged.c.written_utc >= first, judged.c.written_utc < after
