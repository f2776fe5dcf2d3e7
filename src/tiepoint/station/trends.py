"""Every reading of a ledger as a series, so that a trend over a million parts is answered in milliseconds.

The values lie in chunks of 1024 in a file of its own, `duty/trends.sqlite` (see `from_ledger`), each with its least and
greatest value, its sums and its counts. A series is of one reading of one variant in one unit; readings that have no
number and never had are none.
"""

import json
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.from_ledger import FromLedger
from tiepoint.station.ledger import Entry
from tiepoint.studies.spread import Moments, moments

Array = NDArray[Any]

CHUNK = 1024
RAW = 96
"""Chunks up to which a range is thinned value by value; beyond, chunk by chunk."""
MOST_BUCKETS = 2000
CODES = (None, "conforms", "undecided", "unread", "rejected")
"""Verdicts by the number under which they are kept, the gravest last."""

_ROW = np.dtype([("seq", "<i8"), ("value", "<f8"), ("U", "<f4"), ("verdict", "u1")])


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


class Trends(FromLedger):
    """The file of a station."""

    FILE = "trends.sqlite"
    VERSION = 1
    TABLES = """
CREATE TABLE series (id INTEGER PRIMARY KEY, reading TEXT, variant TEXT, unit TEXT, told TEXT,
                     UNIQUE (reading, variant, unit));
CREATE TABLE chunks (series INTEGER, chunk INTEGER, first INTEGER, last INTEGER, n INTEGER, missing INTEGER,
                     against INTEGER, low REAL, high REAL, count INTEGER, mean REAL, squares REAL,
                     PRIMARY KEY (series, chunk)) WITHOUT ROWID;
CREATE TABLE kept (series INTEGER, chunk INTEGER, data BLOB, PRIMARY KEY (series, chunk));
"""

    # --- taking in ---------------------------------------------------------------------------------------------------

    def took(self, records: Iterable[Entry]) -> None:
        """Take in records."""
        growing: dict[tuple[str, str, str], _Growing] = {}
        for entry in records:
            self._took(growing, entry)
        for one in growing.values():
            self._write(one)

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

    def newest(
        self,
        id_: int,
        verdict: str | None = None,
        low: float | None = None,
        high: float | None = None,
        *,
        before: int | None = None,
    ) -> Iterator[int]:
        """Yield the numbers of the records in which a series has such a verdict and value, newest first.

        `verdict`: "against" for any but conforms, None for whichever. Chunks without any such value are not read.
        """
        where = ["series = ?", "first < ?"]
        asked: list[float] = [id_, 2**62 if before is None else before]
        for told, value in (("high >= ?", low), ("low <= ?", high)):
            if value is not None:
                where.append(told)
                asked.append(value)
        if verdict not in (None, "conforms"):
            where.append("against > 0")
        chunks = self._base.execute(
            f"SELECT chunk, first, last FROM chunks WHERE {' AND '.join(where)} ORDER BY chunk DESC", asked
        ).fetchall()
        for chunk in chunks:
            rows = self._values(id_, [chunk], 0, chunk[2] if before is None else before - 1)
            yield from rows["seq"][_like(rows, verdict, low, high)][::-1].tolist()

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


def _summary(part: Array) -> tuple[Any, ...]:
    values = np.asarray(part["value"][np.isfinite(part["value"])], float)
    found = moments(values)
    ends = (float(values.min()), float(values.max())) if values.size else (None, None)
    against = int((part["verdict"] > 1).sum())
    missing = len(part) - int(values.size)
    seqs = int(part["seq"][0]), int(part["seq"][-1])
    return (*seqs, len(part), missing, against, *ends, found.n, found.mean, found.squares)


def _like(rows: Array, verdict: str | None, low: float | None, high: float | None) -> NDArray[np.bool_]:
    """Return which rows have such a verdict and value; a value that is none lies between no ends."""
    meant = np.ones(len(rows), bool)
    if verdict == "against":
        meant &= rows["verdict"] > 1
    elif verdict is not None:
        meant &= rows["verdict"] == CODES.index(verdict)
    if low is not None:
        meant &= rows["value"] >= low
    if high is not None:
        meant &= rows["value"] <= high
    return meant


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
