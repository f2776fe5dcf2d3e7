"""Every reading of a ledger as a series, so that a trend over a million parts is answered in milliseconds.

The values lie in chunks of 1024 in a file of its own, `duty/trends.sqlite`, each with its least and greatest value, its
sums and its counts. It is no evidence: it is made from the ledger, goes on from where it was, and may be deleted at any
time. A series is of one reading of one variant in one unit; readings that have no number and never had are none.
"""

import json
import math
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from itertools import pairwise, takewhile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.duty.status import FOLDER
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.studies.spread import Moments, moments

Array = NDArray[Any]
Telling = Callable[[int, int], None]

FILE = "trends.sqlite"
VERSION = 1
CHUNK = 1024
AT_ONCE = 4000
"""Records that are taken in between two commits."""
RAW = 96
"""Chunks up to which a range is thinned value by value; beyond, chunk by chunk."""
MOST_BUCKETS = 2000
CODES = (None, "conforms", "undecided", "unread", "rejected")
"""Verdicts by the number under which they are kept, the gravest last."""

_ROW = np.dtype([("seq", "<i8"), ("value", "<f8"), ("U", "<f4"), ("verdict", "u1")])
_TABLES = """
CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT) WITHOUT ROWID;
CREATE TABLE series (id INTEGER PRIMARY KEY, reading TEXT, variant TEXT, unit TEXT, told TEXT,
                     UNIQUE (reading, variant, unit));
CREATE TABLE chunks (series INTEGER, chunk INTEGER, first INTEGER, last INTEGER, n INTEGER, missing INTEGER,
                     against INTEGER, low REAL, high REAL, count INTEGER, mean REAL, squares REAL,
                     PRIMARY KEY (series, chunk)) WITHOUT ROWID;
CREATE TABLE kept (series INTEGER, chunk INTEGER, data BLOB, PRIMARY KEY (series, chunk));
"""


@dataclass(frozen=True, slots=True)
class Named:
    """A series: `id` here; the reading's id, of which variant ("" for none), its unit and its last limits.

    `limits_since`: the first record with these limits. `parts`: how many records have it, from `first` to `last`.
    """

    id: int
    reading: str
    variant: str
    unit: str
    lower: float | None
    upper: float | None
    limits_since: int
    parts: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Bucket:
    """Neighbouring parts, `first` to `last`: how many, the least and greatest value, how many without one.

    `against`: how many do not conform. `mean`, `low` and `high` are None where none has a value.
    """

    first: int
    last: int
    n: int
    missing: int
    against: int
    low: float | None
    high: float | None
    mean: float | None


@dataclass
class _Growing:
    """A series while records are taken in: what is not written yet, and what its last record told."""

    id: int
    told: dict[str, Any]
    parts: int
    rows: list[tuple[int, float, float, int]] = field(default_factory=list)


class Trends:
    """The file of a station. To be used in a `with`, and by one thread at a time."""

    def __init__(self, station: Station, *, path: Path | None = None) -> None:
        """Open or make it; where its folder cannot be written it is made in memory, anew each time."""
        self.path = path or station.folder / FOLDER / FILE
        self._base = self._opened()

    def __enter__(self) -> "Trends":
        """Return itself."""
        return self

    def __exit__(self, *error: object) -> None:
        """Close."""
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._base.close()

    def _opened(self) -> sqlite3.Connection:
        with suppress(OSError, sqlite3.Error):
            self.path.parent.mkdir(exist_ok=True)
            base = _connected(str(self.path))
            try:
                _demand_tables(base)
                return base
            except BaseException:
                base.close()
                raise
        # Broken, or of another version: it is made anew, if that is allowed.
        with suppress(OSError, sqlite3.Error):
            for ending in ("", "-wal", "-shm"):
                self.path.with_name(self.path.name + ending).unlink(missing_ok=True)
            base = _connected(str(self.path))
            _demand_tables(base)
            return base
        base = _connected(":memory:")
        _demand_tables(base)
        return base

    # --- taking in ---------------------------------------------------------------------------------------------------

    @property
    def head(self) -> int:
        """The last entry that was taken in."""
        return self._head()[0]

    def behind(self, ledger: Ledger) -> int:
        """Return how many entries of the ledger were not looked at yet."""
        return max(0, ledger.head.seq - self.head)

    def take_in(self, ledger: Ledger, most: int | None = None, telling: Telling | None = None) -> int:
        """Take in what has come into the ledger, `most` entries about; return how many entries are left.

        `telling` is told how many are done, of how many; what it raises is passed on, and what was done is kept.
        """
        self._demand_this(ledger)
        begun, done = self.head, 0
        end = ledger.head.seq
        while (head := self.head) < end and (most is None or done < most):
            upto = min(end, head + AT_ONCE)
            with self._writing():
                if self.head != head:  # another process did it meanwhile
                    continue
                self._add(ledger, head, upto)
            done += upto - head
            if telling is not None:
                telling(upto - begun, end - begun)
        return end - self.head

    def _demand_this(self, ledger: Ledger) -> None:
        """Begin anew where this is of another ledger."""
        seq, sha = self._head()
        if not seq or [entry.sha for entry in ledger.numbered([seq])] == [sha]:
            return
        with self._writing():
            for table in ("about", "series", "chunks", "kept"):
                self._base.execute(f"DELETE FROM {table}")

    def _head(self) -> tuple[int, str]:
        row = self._base.execute("SELECT value FROM about WHERE key = 'head'").fetchone()
        seq, sha = (0, "") if row is None else json.loads(row[0])
        return int(seq), str(sha)

    def _add(self, ledger: Ledger, after: int, upto: int) -> None:
        growing: dict[tuple[str, str, str], _Growing] = {}
        for entry in takewhile(lambda e: e.seq <= upto, ledger.entries("record", after=after)):
            self._took(growing, entry)
        for one in growing.values():
            self._write(one)
        (last,) = ledger.numbered([upto])
        self._base.execute("INSERT OR REPLACE INTO about VALUES ('head', ?)", (json.dumps([upto, last.sha]),))

    def _took(self, growing: dict[tuple[str, str, str], _Growing], entry: Entry) -> None:
        variant = entry.body.get("variant") or ""
        for reading in entry.body["readings"]:
            value = reading["value"]
            key = str(reading["id"]), variant, str(reading["unit"])
            if key not in growing:
                found = self._series(key, make=value is not None)
                if found is None:
                    continue
                growing[key] = found
            one, limits = growing[key], reading["limits"] or {}
            ends = [limits.get("lower"), limits.get("upper")]
            if value is not None and one.told.get("limits") != ends:
                one.told = {"limits": ends, "since": entry.seq}
            U = reading["U95"]
            number = math.nan if value is None else float(value)
            one.rows.append((entry.seq, number, math.nan if U is None else U, CODES.index(reading["verdict"])))

    def _series(self, key: tuple[str, str, str], *, make: bool) -> _Growing | None:
        row = self._base.execute(
            "SELECT id, told FROM series WHERE reading = ? AND variant = ? AND unit = ?", key
        ).fetchone()
        if row is None:
            if not make:
                return None
            made = self._base.execute("INSERT INTO series (reading, variant, unit, told) VALUES (?, ?, ?, '{}')", key)
            return _Growing(int(made.lastrowid or 0), {}, 0)
        parts = self._base.execute("SELECT coalesce(sum(n), 0) FROM chunks WHERE series = ?", (row[0],)).fetchone()
        return _Growing(row[0], json.loads(row[1]), parts[0])

    def _write(self, one: _Growing) -> None:
        rows = np.array(one.rows, _ROW)
        chunk, within = divmod(one.parts, CHUNK)
        if within:
            before = self._base.execute("SELECT data FROM kept WHERE series = ? AND chunk = ?", (one.id, chunk))
            rows = np.concatenate([np.frombuffer(before.fetchone()[0], _ROW), rows])
        for k in range(0, len(rows), CHUNK):
            part = rows[k : k + CHUNK]
            at = one.id, chunk + k // CHUNK
            self._base.execute("INSERT OR REPLACE INTO kept VALUES (?, ?, ?)", (*at, part.tobytes()))
            marks = ", ".join("?" * 12)
            self._base.execute(f"INSERT OR REPLACE INTO chunks VALUES ({marks})", (*at, *_summary(part)))
        self._base.execute("UPDATE series SET told = ? WHERE id = ?", (json.dumps(one.told), one.id))

    @contextmanager
    def _writing(self) -> Iterator[None]:
        self._base.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._base.execute("ROLLBACK")
            raise
        self._base.execute("COMMIT")

    # --- asking ------------------------------------------------------------------------------------------------------

    def series(self) -> tuple[Named, ...]:
        """Return all series, by reading and variant."""
        rows = self._base.execute(
            "SELECT s.id, s.reading, s.variant, s.unit, s.told, sum(c.n), min(c.first), max(c.last) FROM series s "
            "JOIN chunks c ON c.series = s.id GROUP BY s.id ORDER BY s.reading, s.variant, s.unit"
        )
        told = []
        for id_, reading, variant, unit, about, parts, first, last in rows:
            said = json.loads(about)
            lower, upper = said.get("limits", (None, None))
            told.append(Named(id_, reading, variant, unit, lower, upper, said.get("since", 0), parts, first, last))
        return tuple(told)

    def named(self, id_: int) -> Named:
        """Return one series; `UnusableInput` where there is none of that number."""
        found = next((one for one in self.series() if one.id == id_), None)
        if found is None:
            raise UnusableInput(f"there is no series {id_}; ask which readings there are")
        return found

    def thinned(self, id_: int, first: int = 0, last: int = 2**62, buckets: int = 400) -> tuple[Bucket, ...]:
        """Return a series from entry `first` to `last` in so many buckets at most, each with its least and greatest.

        Over very many parts buckets are of whole chunks, so that the outermost reach a little beyond.
        """
        if not 1 <= buckets <= MOST_BUCKETS:
            raise UnusableInput(f"{buckets} buckets are asked for; ask for 1 to {MOST_BUCKETS}")
        chunks = self._chunks(id_, first, last)
        if len(chunks) <= RAW:
            return _of_values(self._values(id_, chunks, first, last), buckets)
        return _of_chunks(chunks, buckets)

    def values(self, id_: int, first: int = 0, last: int = 2**62) -> Array:
        """Return a series from entry `first` to `last` as it is: seq, value (NaN for none), U and verdict's code."""
        return self._values(id_, self._chunks(id_, first, last), first, last)

    def moments(self, id_: int, first: int = 0, last: int = 2**62) -> Moments:
        """Return the moments of the values from entry `first` to `last`."""
        chunks = self._chunks(id_, first, last)
        whole = [c for c in chunks if c[1] >= first and c[2] <= last]
        cut = [c for c in chunks if c[1] < first or c[2] > last]
        told = self._values(id_, cut, first, last)["value"]
        found = moments(np.asarray(told[np.isfinite(told)], float))
        for c in whole:
            found += Moments(c[8], c[9] or 0.0, c[10] or 0.0)
        return found

    def _chunks(self, id_: int, first: int, last: int) -> list[tuple[Any, ...]]:
        return self._base.execute(
            "SELECT chunk, first, last, n, missing, against, low, high, count, mean, squares FROM chunks "
            "WHERE series = ? AND last >= ? AND first <= ? ORDER BY chunk",
            (id_, first, last),
        ).fetchall()

    def _values(self, id_: int, chunks: Sequence[tuple[Any, ...]], first: int, last: int) -> Array:
        parts = [np.zeros(0, _ROW)]
        for chunk in chunks:
            row = self._base.execute("SELECT data FROM kept WHERE series = ? AND chunk = ?", (id_, chunk[0])).fetchone()
            parts.append(np.frombuffer(row[0], _ROW))
        every = np.concatenate(parts)
        return every[(every["seq"] >= first) & (every["seq"] <= last)]


def _connected(where: str) -> sqlite3.Connection:
    # One thread at a time, and not always the same one.
    base = sqlite3.connect(where, timeout=10.0, isolation_level=None, check_same_thread=False)
    base.execute("PRAGMA journal_mode = WAL")
    base.execute("PRAGMA synchronous = OFF")  # what a loss of power takes is made anew
    return base


def _demand_tables(base: sqlite3.Connection) -> None:
    (version,) = base.execute("PRAGMA user_version").fetchone()
    if version == VERSION:
        return
    if version or base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        raise sqlite3.DatabaseError("of another version")
    with closing(base.cursor()) as cursor:
        cursor.executescript(f"BEGIN IMMEDIATE; {_TABLES} PRAGMA user_version = {VERSION}; COMMIT;")


def _summary(part: Array) -> tuple[Any, ...]:
    values = np.asarray(part["value"][np.isfinite(part["value"])], float)
    found = moments(values)
    ends = (float(values.min()), float(values.max())) if values.size else (None, None)
    against = int((part["verdict"] > 1).sum())
    missing = len(part) - int(values.size)
    seqs = int(part["seq"][0]), int(part["seq"][-1])
    return (*seqs, len(part), missing, against, *ends, found.n, found.mean, found.squares)


def _of_values(rows: Array, buckets: int) -> tuple[Bucket, ...]:
    if not len(rows):
        return ()
    cuts = np.unique(np.linspace(0, len(rows), min(buckets, len(rows)) + 1).astype(int))
    value = rows["value"]
    seen = np.isfinite(value)
    starts = cuts[:-1]
    low = np.minimum.reduceat(np.where(seen, value, np.inf), starts)
    high = np.maximum.reduceat(np.where(seen, value, -np.inf), starts)
    total = np.add.reduceat(np.where(seen, value, 0.0), starts)
    count = np.add.reduceat(seen.astype(int), starts)
    against = np.add.reduceat((rows["verdict"] > 1).astype(int), starts)
    ends = rows["seq"][cuts[1:] - 1].tolist()
    n = np.diff(cuts)
    columns = zip(rows["seq"][starts].tolist(), ends, n.tolist(), count.tolist(), against.tolist(), low.tolist(),
                  high.tolist(), total.tolist(), strict=True)  # fmt: skip
    return tuple(
        Bucket(a, b, k, k - c, bad, *((lo, hi, t / c) if c else (None, None, None)))
        for a, b, k, c, bad, lo, hi, t in columns
    )


def _of_chunks(chunks: Sequence[tuple[Any, ...]], buckets: int) -> tuple[Bucket, ...]:
    cuts = np.unique(np.linspace(0, len(chunks), min(buckets, len(chunks)) + 1).astype(int)).tolist()
    told = []
    for start, end in pairwise(cuts):
        group = chunks[start:end]
        n, missing, against, count = (sum(c[k] for c in group) for k in (3, 4, 5, 8))
        low = min((c[6] for c in group if c[6] is not None), default=None)
        high = max((c[7] for c in group if c[7] is not None), default=None)
        mean = sum(c[8] * c[9] for c in group) / count if count else None
        told.append(Bucket(group[0][1], group[-1][2], n, missing, against, low, high, mean))
    return tuple(told)
