"""Taking kept shots away in good order: first the act in the ledger, then the files.

What is due is what the rules of `[archive]` say: older than so many days, the oldest while the disk has too little
room, or pushed out of the ring. A crash between act and files leaves files that the ledger says are gone; the next
start takes them away. Whoever finds a file gone without an act knows that it is missing.
"""

import shutil
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from itertools import islice
from typing import Any

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.station.acts import write_act
from tiepoint.station.archive import Kept, kept_of
from tiepoint.station.archive_keeper import KEEP
from tiepoint.station.archive_table import rules_of
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.naming import act_of

EXPIRE = "expire"
US = "tiepoint"
AT_ONCE = 50
"""Shots that one act takes away at most."""
MOST_LOOKED_AT = 1000
"""Shots that are looked at in one step: it is done by the thread that writes records."""
_LOOKED_THROUGH = 16
"""Acts whose files are looked for on a start: more cannot be under way."""


def remove(station: Station, shots: Iterable[Kept]) -> None:
    """Take the files of kept shots away, and folders that are empty then. What cannot be stays, and is tried again."""
    for kept in shots:
        with suppress(OSError):
            for name in kept.files:
                (kept.folder / name).unlink(missing_ok=True)
            for folder in (kept.folder, *kept.folder.parents):
                if folder == station.archive_path or station.archive_path not in folder.parents:
                    break
                folder.rmdir()


def expire(station: Station, records: Sequence[int], *, who: str, why: str) -> Entry:
    """Say in the ledger that the shots of records are gone by right, kept ones and never kept ones, and take them away.

    Raises `UnusableInput` where one is no record, or is gone already.
    """
    with Ledger(station.ledger_place) as ledger:
        there = {entry.seq for entry in ledger.numbered(list(records)) if entry.kind == "record"}
        for seq in records:
            if seq not in there:
                raise UnusableInput(f"entry {seq} of {ledger.name} is no record; name records by their numbers")
        gone = {k for e in ledger.entries("act") if e.body.get("act") == EXPIRE for k in e.body.get("records", ())}
        if again := sorted(gone & set(records)):
            raise UnusableInput(f"the shot of record {again[0]} is gone already, as an act of the ledger says")
        wanted = set(records)
        kept = [e for e in ledger.entries("archived", after=min(records)) if e.body["record"] in wanted]
    body = act_of(station, EXPIRE, who=who, why=why, records=list(records), entries=[e.seq for e in kept])
    entry = write_act(station, body)
    remove(station, [kept_of(station, e) for e in kept])
    return entry


class Retention:
    """Takes away what is due, step by step, for who writes the ledger; the files by a thread of its own."""

    def __init__(self, station: Station, ledger: Ledger) -> None:
        """Take up where the last one ended, and take away what it left. Raises `UnusableInput` for rules of no use."""
        self._station, self._table = station, station.table.archive
        self._ring = rules_of(self._table).ring
        told = list(ledger.entries("act"))
        acts = [e for e in told if e.body.get("act") == EXPIRE]
        # No shot was kept for a ring before the ledger says that there is one.
        rings = [e.seq for e in told if e.body.get("act") == KEEP and e.body["rules"]["ring"] is not None]
        self._oldest = max((e.body["through"] for e in acts if e.body.get("cause") == "age"), default=0)
        self._seen = max((e.body["through"] for e in acts if e.body.get("cause") == "ring"), default=0)
        self._seen = max(self._seen, min(rings, default=0))
        self._alive_since = ""
        self._in_ring: deque[int] = deque()  # entries: a ring may hold millions of shots
        self._is_behind = False
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="expire")
        self._under_way: Future[None] = self._removed([k for e in acts[-_LOOKED_THROUGH:] for k in self._of(ledger, e)])

    @property
    def is_behind(self) -> bool:
        """Whether the last step could not do all that was due: the next one is to come soon."""
        return self._is_behind

    def step(self, ledger: Ledger, *, now: datetime | None = None) -> tuple[int, ...]:
        """Write one act of what is due, if anything is, and begin to take it away; return the records.

        Raises `UnusableInput` where the ledger cannot be written: nothing is taken away then.
        """
        if not self._under_way.done():
            return ()
        self._is_behind = False
        for cause, why, due in (
            ("ring", f"pushed out of the ring of {self._ring}", self._pushed_out(ledger)),
            ("age", self._why_age(), self._too_old(ledger, now or datetime.now(UTC))),
        ):
            shots = list(islice(due, AT_ONCE))
            if shots:
                self._is_behind |= len(shots) == AT_ONCE
                entries, kept = zip(*shots, strict=True)
                records = [k.record for k in kept]
                about = {"records": records, "entries": list(entries), "cause": cause, "through": max(entries)}
                ledger.append("act", act_of(self._station, EXPIRE, who=US, why=why, **about))
                if cause == "age":
                    self._oldest = max(entries)
                else:
                    while self._in_ring and self._in_ring[0] <= max(entries):
                        self._in_ring.popleft()
                self._under_way = self._removed(kept)
                return tuple(records)
        return ()

    def end(self) -> None:
        """Wait until what was begun is taken away."""
        self._pool.shutdown()

    def _removed(self, shots: Sequence[Kept]) -> Future[None]:
        return self._pool.submit(remove, self._station, shots)

    def _of(self, ledger: Ledger, act: Entry) -> Iterator[Kept]:
        """Yield the shots that an act takes away."""
        numbers = [n for n in act.body.get("entries", ()) if isinstance(n, int)]
        for entry in ledger.numbered(numbers) if numbers else ():
            with suppress(TiepointError, KeyError):
                if entry.kind == "archived":
                    yield kept_of(self._station, entry)

    def _pushed_out(self, ledger: Ledger) -> Iterator[tuple[int, Kept]]:
        """Yield what the ring has no more room for, by its entry; some at a time, so that acts are few."""
        if self._ring is None:
            return
        looked = 0
        for entry in islice(ledger.entries("archived", after=self._seen), MOST_LOOKED_AT):
            self._seen, looked = entry.seq, looked + 1
            if entry.body.get("by") == "ring" and _is_there(kept_of(self._station, entry)):
                self._in_ring.append(entry.seq)
        self._is_behind |= looked == MOST_LOOKED_AT
        while (too_many := len(self._in_ring) - self._ring) >= max(1, min(AT_ONCE, self._ring // 10)):
            oldest = list(islice(self._in_ring, min(too_many, AT_ONCE)))
            shots = [(entry.seq, kept_of(self._station, entry)) for entry in reversed(ledger.numbered(oldest))]
            due = [shot for shot in shots if _is_there(shot[1])]
            yield from due
            if due:
                return
            for _ in oldest:  # gone already, for another reason
                self._in_ring.popleft()

    def _too_old(self, ledger: Ledger, now: datetime) -> Iterator[tuple[int, Kept]]:
        """Yield, oldest first, what is older than it may be, and what has to go for want of room."""
        days, short = self._table.days, self._is_short()
        if days is None and not short:
            return
        before = _text(now - timedelta(days=days)) if days is not None else ""
        if not short and self._alive_since >= before:
            return  # the oldest is not old enough yet; the writer's thread has better things to do than to look again
        found = False
        for entry in islice(ledger.entries("archived", after=self._oldest), MOST_LOOKED_AT):
            if not short and entry.written_utc >= before:
                self._alive_since = entry.written_utc
                return
            kept = kept_of(self._station, entry)
            if _is_there(kept):
                found = True
                yield entry.seq, kept
            elif not found:
                self._oldest = entry.seq  # gone already, for another reason

    def _is_short(self) -> bool:
        wanted = self._table.keep_free_gb
        if wanted is None:
            return False
        with suppress(OSError):
            return shutil.disk_usage(_nearest(self._station.archive_path)).free < wanted * 1e9
        return False

    def _why_age(self) -> str:
        if self._is_short():
            return f"the disk has less than {self._table.keep_free_gb:g} GB free"
        return f"older than {self._table.days:g} days" if self._table.days is not None else ""


def _is_there(kept: Kept) -> bool:
    return any((kept.folder / name).is_file() for name in kept.files)


def _nearest(path: Any) -> Any:
    while not path.exists():
        path = path.parent
    return path


def _text(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
