"""The ledger's tables: the entries, and what is taken from them so that questions are answered quickly.

In a file a long entry is compressed (zlib, RFC 1950): a record of 25 steps says the same sources again and again, and
gets six times as short. Hashes are of the text. PostgreSQL compresses what is long by itself (its manual, 73.2).

Only `entries` is evidence. The others can be made anew from it at any time: `sorts` numbers each recipe, variant and
verdict that occur together; `judged` has a line for each record; `sums` counts them by minute and by day; and
`not_conforming` names the readings of a record that do not conform.
"""

import json
import zlib
from collections.abc import Iterable, Iterator, Mapping
from itertools import chain
from typing import Any

import sqlalchemy as sql

LONG = 4000
"""Bytes of an entry's text that is compressed: shorter ones fit into a page of the file as they are."""
_MOST = 100_000_000
"""Bytes that a compressed entry may come to: what was put in its place cannot fill the memory."""


def compressed(text: str) -> str | bytes:
    """Return how an entry's text lies in a file: as it is, or compressed where it is long."""
    data = text.encode()
    return zlib.compress(data, 1) if len(data) > LONG else text


class _Text(sql.types.TypeDecorator[Any]):
    """The text of an entry, however it lies there; what can be none, as it is: its hash tells that it was altered."""

    impl = sql.Text
    cache_ok = True

    def process_result_value(self, value: Any, dialect: Any) -> Any:  # noqa: ARG002  # as SQLAlchemy calls it
        if not isinstance(value, bytes):
            return value
        try:
            reading = zlib.decompressobj()
            text = reading.decompress(value, _MOST).decode()
        except (zlib.error, UnicodeDecodeError):
            return value
        return text if reading.eof else value


_meta = sql.MetaData()
_number = sql.BigInteger().with_variant(sql.Integer, "sqlite")

entries = sql.Table(
    "entries",
    _meta,
    sql.Column("seq", _number, primary_key=True),
    sql.Column("kind", sql.String(20)),
    sql.Column("written_utc", sql.String(40)),
    sql.Column("part_id", sql.Text),
    sql.Column("verdict", sql.String(12)),
    sql.Column("sha", sql.String(64)),
    sql.Column("entry", _Text),
)
sorts = sql.Table(
    "sorts",
    _meta,
    sql.Column("id", sql.Integer, primary_key=True),
    sql.Column("recipe_sha", sql.String(64)),
    sql.Column("variant", sql.Text),
    sql.Column("verdict", sql.String(12)),
)
judged = sql.Table(
    "judged",
    _meta,
    sql.Column("seq", _number, primary_key=True),
    sql.Column("sort", sql.Integer),
    sql.Column("written_utc", sql.String(40)),
)
sums = sql.Table(
    "sums",
    _meta,
    sql.Column("per", sql.String(6), primary_key=True),
    sql.Column("since", sql.String(16), primary_key=True),
    sql.Column("sort", sql.Integer, primary_key=True),
    sql.Column("count", _number),
    sql.Column("first", _number),
    sql.Column("last", _number),
)
not_conforming = sql.Table(
    "not_conforming",
    _meta,
    sql.Column("reading", sql.String(200), primary_key=True),
    sql.Column("seq", _number, primary_key=True),
    sql.Column("verdict", sql.String(12)),
)

HEAD = "SELECT seq, sha FROM entries ORDER BY seq DESC LIMIT 1"
_ENTRY = "INSERT INTO entries (seq, kind, written_utc, part_id, verdict, sha, entry) VALUES (?, ?, ?, ?, ?, ?, ?)"
_JUDGED = "INSERT INTO judged (seq, sort, written_utc) VALUES (?, ?, ?)"
_SUM = (
    'INSERT INTO sums (per, since, sort, count, "first", "last") VALUES (?, ?, ?, 1, ?, ?), (?, ?, ?, 1, ?, ?) '
    'ON CONFLICT (per, since, sort) DO UPDATE SET count = sums.count + 1, "last" = excluded."last"'
)
_NOT_CONFORMING = (
    "INSERT INTO not_conforming (reading, seq, verdict) VALUES (?, ?, ?) ON CONFLICT (reading, seq) DO NOTHING"
)
_SORT = "SELECT id FROM sorts WHERE recipe_sha = ? AND variant = ? AND verdict = ?"
_NEW_SORT = "INSERT INTO sorts (id, recipe_sha, variant, verdict) SELECT coalesce(max(id), 0) + 1, ?, ?, ? FROM sorts"

Sort = tuple[str, str, str]
"""A record's recipe by its hash, its variant ("" for none) and its verdict."""

PER = (("day", 10), ("minute", 16))
"""By what is counted: so many characters of a time begin alike."""

MOST_LETTERS = 200
"""Of a part's or a reading's name that a column holds, which an index can take in; the entry has all of it."""


def in_column(name: str) -> str:
    """Return as much of a name as a column of any database holds."""
    return name[:MOST_LETTERS].replace("\0", "\N{REPLACEMENT CHARACTER}")


def in_columns(name: str) -> tuple[str, ...]:
    """Return how a name may stand in a column: as above, or whole, as an earlier tiepoint left it in a file."""
    return (in_column(name),) if "\0" in name else (in_column(name), name)


def columns_of(seq: int, kind: str, written_utc: str, body: Mapping[str, Any]) -> dict[str, Any]:
    """Return what stands beside an entry's text, to be asked for."""
    is_record = kind == "record"
    part = body["shot"].get("part_id") if is_record else None
    return {
        "seq": seq,
        "kind": kind,
        "written_utc": written_utc,
        "part_id": part if part is None else in_column(part),
        "verdict": body["verdict"] if is_record else None,
    }


def sort_of(record: Mapping[str, Any]) -> Sort:
    """Return of which sort a record is."""
    return record["recipe_sha"], in_column(record.get("variant") or ""), record["verdict"]


class Writer:
    """Adds rows: the statements as the database's driver takes them, and the sorts that were met.

    To be used by who holds the ledger's lock.
    """

    def __init__(self, mark: str, *, compresses: bool) -> None:
        """`mark`: the driver's, of a parameter. `compresses`: whether long entries are, as in a file."""
        self._mark, self._compresses = mark, compresses
        self._sorts: dict[Sort, int] = {}
        self.head, self._entry, self._judged, self._sum, self._not, self._sort, self._new = map(
            self._said, (HEAD, _ENTRY, _JUDGED, _SUM, _NOT_CONFORMING, _SORT, _NEW_SORT)
        )

    def _said(self, statement: str) -> str:
        return statement.replace("?", self._mark)

    def add(self, base: sql.Connection, columns: Mapping[str, Any], sha: str, text: str) -> None:
        """Add an entry."""
        there = compressed(text) if self._compresses else text
        values = (*(columns[k] for k in ("seq", "kind", "written_utc", "part_id", "verdict")), sha, there)
        base.exec_driver_sql(self._entry, values)

    def count(self, base: sql.Connection, seq: int, written_utc: str, record: Mapping[str, Any]) -> None:
        """Take from a record what is asked for often."""
        sort = self._number(base, sort_of(record))
        base.exec_driver_sql(self._judged, (seq, sort, written_utc))
        rows = ((per, written_utc[:letters], sort, seq, seq) for per, letters in PER)
        base.exec_driver_sql(self._sum, tuple(chain.from_iterable(rows)))
        for reading in record["readings"]:
            if reading["verdict"] not in (None, "conforms"):
                base.exec_driver_sql(self._not, (in_column(reading["id"]), seq, reading["verdict"]))

    def _number(self, base: sql.Connection, sort: Sort) -> int:
        if sort in self._sorts:
            return self._sorts[sort]
        known = base.exec_driver_sql(self._sort, sort).scalar_one_or_none()
        if known is None:
            base.exec_driver_sql(self._new, sort)
            # Kept in mind from the next time on only: this transaction may yet be undone.
            return int(base.exec_driver_sql(self._sort, sort).scalar_one())
        return self._sorts.setdefault(sort, int(known))

    def count_anew(self, base: sql.Connection) -> int:
        """Make all that was taken from the entries anew; return the count of records."""
        self._sorts.clear()
        for table in (sorts, judged, sums, not_conforming):
            base.execute(table.delete())
        count = 0
        for row in _records(base):
            self.count(base, row.seq, row.written_utc, json.loads(row.entry)["body"])
            count += 1
        return count


def _records(base: sql.Connection, at_once: int = 500) -> Iterator[Any]:
    after = 0
    while True:
        wanted = sql.select(entries.c.seq, entries.c.written_utc, entries.c.entry).where(entries.c.kind == "record")
        rows = base.execute(wanted.where(entries.c.seq > after).order_by(entries.c.seq).limit(at_once)).all()
        yield from rows
        if len(rows) < at_once:
            return
        after = rows[-1].seq


class Tally:
    """Counts records as `sums` should, while a chain is walked; `wrong` then tells in which days it does not."""

    def __init__(self) -> None:
        self._counts: dict[tuple[str, str, Sort], int] = {}

    def add(self, written_utc: str, record: Mapping[str, Any]) -> None:
        """Count a record."""
        sort = sort_of(record)
        for per, letters in PER:
            key = (per, written_utc[:letters], sort)
            self._counts[key] = self._counts.get(key, 0) + 1

    def wrong(self, rows: Iterable[Any]) -> tuple[str, ...]:
        """Return the days whose sums, `rows` of `sums` with their `sorts`, are not those of the entries."""
        there = {(r.per, r.since, (r.recipe_sha, r.variant, r.verdict)): r.count for r in rows}
        keys = {key for key in (*there, *self._counts) if there.get(key) != self._counts.get(key)}
        return tuple(sorted({since[:10] for _, since, _ in keys}))
