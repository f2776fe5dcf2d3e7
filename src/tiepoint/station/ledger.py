"""The ledger: records and people's acts in their order, only ever added to, each chained to the one before it.

Every entry is one document, `tiepoint/entry/1`: `{format, seq, kind, written_utc, prev_sha, body}`. It is kept as its
canonical JSON (RFC 8785), and its `sha` is that text's SHA-256, so that whoever changes, drops or moves an entry must
change all that come after it, and the head with them. The head is told elsewhere: in reports, on the wire.

The base holds SQLite's WAL with `synchronous = FULL`: what `append` returned from is on the disk. Triggers refuse to
change or delete a row; who takes them away is found by `check`.

Where the folder cannot be written (a customer's copy, a share) the file is read as one that cannot change. SQLite then
looks at no log beside it, in which the newest entries may lie: with one there, the ledger is refused.
"""

import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import sqlalchemy as sql
from sqlalchemy import event
from sqlalchemy.exc import DatabaseError, IntegrityError, OperationalError, SQLAlchemyError

from tiepoint.documents.canonical import canonical
from tiepoint.documents.files import format_of
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.model.record import Record
from tiepoint.recipe.records import record_json, sealed
from tiepoint.station.composed import Composed, chained, entry_text

NOTHING = "0" * 64
"""What the first entry is chained to."""

_VERSION = 1
_READING = {"tiepoint_reading": True}
_WAIT_S = 10.0
_AT_ONCE = 500
_NO_PLACE = ("SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_IOERR_SHM")
"""How the names begin of what SQLite says where it may not write beside the file."""
_RESTORE = (
    "restore it from a backup, with a -wal that lies beside it, and hold it against the head that the last report "
    "tells: tiepoint verify STATION --head"
)

_meta = sql.MetaData()
_entries = sql.Table(
    "entries",
    _meta,
    sql.Column("seq", sql.BigInteger().with_variant(sql.Integer, "sqlite"), primary_key=True, autoincrement=False),
    sql.Column("kind", sql.String(20), nullable=False, index=True),
    sql.Column("written_utc", sql.String(40), nullable=False),
    sql.Column("part_id", sql.Text, index=True),
    sql.Column("verdict", sql.String(12)),
    sql.Column("sha", sql.String(64), nullable=False, unique=True),
    sql.Column("entry", sql.Text, nullable=False),
)
_GUARDS = tuple(
    f"CREATE TRIGGER no_{what} BEFORE {what.upper()} ON entries "
    "BEGIN SELECT RAISE(ABORT, 'the ledger is only ever added to'); END"
    for what in ("update", "delete")
)


@dataclass(frozen=True, slots=True)
class Head:
    """The last entry: its number, 0 for none, and its hash, which stands for all before it."""

    seq: int
    sha: str


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry. `kind`: `record`, `act`, `archived` or `run`; `body`: its document."""

    seq: int
    kind: str
    written_utc: str
    body: Mapping[str, Any]
    prev_sha: str
    sha: str


@dataclass(frozen=True, slots=True)
class Chain:
    """What a ledger's chain proves: `count` of entries, its `head`, and `faults` in sentences, none where it holds.

    `set_back`: entries that are dated more than a minute before the one before them: the clock was set back, and dates
    prove no order. The chain does.
    """

    count: int
    head: Head
    faults: tuple[str, ...]
    set_back: tuple[int, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether every entry is as it was written, and in its place."""
        return not self.faults


def utc_now() -> str:
    """Return the time in UTC to the millisecond, as entries give it."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Ledger:
    """A station's ledger in an SQLite file. To be used in a `with`, and by one thread."""

    def __init__(self, path: Path, *, create: bool = False) -> None:
        """Open the ledger; with `create` it is made where there is none.

        Raises `UnusableInput` where there is none or it cannot be opened, `UnusableDocument` where it is no ledger.
        """
        self.path = path
        if not create and not path.is_file():
            raise UnusableInput(f"there is no ledger {path}; it begins with the first tiepoint accept")
        if path.is_dir() or (path.exists() and not path.is_file()):
            raise UnusableInput(
                f"{path} is no ordinary file where the ledger was expected; name another in station.toml"
            )
        self._frozen: tuple[int, int] | None = None
        self._engine = self._connected()
        try:
            self._prepare()
        except BaseException:
            self.close()
            raise

    def _connected(self) -> sql.Engine:
        """Return the base, as one that cannot change where nothing can be written beside it."""
        url = sql.URL.create("sqlite", database=str(self.path))
        engine = sql.create_engine(url, connect_args={"timeout": _WAIT_S})
        event.listen(engine, "connect", _durably)
        try:
            engine.connect().close()
        except DatabaseError as error:
            engine.dispose()
            if not (self.path.is_file() and _code(error).startswith(_NO_PLACE)):
                with self._told():
                    raise
            self._demand_no_log()
            self._frozen = _stamp(self.path)
            engine = sql.create_engine(url, creator=lambda: _unchanging(self.path))
        event.listen(engine, "begin", _for_writing)
        return engine

    def _demand_no_log(self) -> None:
        log = self.path.with_name(f"{self.path.name}-wal")
        if log.exists() and log.stat().st_size:
            raise UnusableInput(
                f"the newest entries of {self.path} lie in {log.name} beside it, which is only read where the folder "
                "can be written; copy the station with both files to such a folder, and use the copy"
            )

    def _prepare(self) -> None:
        with self._reading() as base:
            version = base.exec_driver_sql("PRAGMA user_version").scalar_one()
            tables = base.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar_one()
        if version > _VERSION:
            raise UnusableDocument(f"{self.path} was written by a newer tiepoint; use that one, or newer")
        if version == 0 and tables:
            raise UnusableDocument(f"{self.path} is a database, and no ledger of a station; name another")
        if version == 0:
            self._begin()

    def _begin(self) -> None:
        with self._told(adds=True), self._engine.begin() as base:
            if base.exec_driver_sql("PRAGMA user_version").scalar_one():
                return  # another program was quicker
            _meta.create_all(base)
            for guard in _GUARDS:
                base.exec_driver_sql(guard)
            base.exec_driver_sql(f"PRAGMA user_version = {_VERSION}")

    def __enter__(self) -> "Ledger":
        """Return itself."""
        return self

    def __exit__(self, *error: object) -> None:
        """Close."""
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    # --- writing ---------------------------------------------------------------------------------------------------

    def append(self, kind: str, body: Mapping[str, Any], *, at: str | None = None) -> Entry:
        """Add a document, durably, and return its entry. `at`: the time, where it is not now.

        Raises `UnusableInput` where it cannot be written; the ledger is then as it was.
        """
        return self.append_made(kind, lambda _: body, at=at)

    def append_made(self, kind: str, make: Callable[[int], Mapping[str, Any]], *, at: str | None = None) -> Entry:
        """Add the document that `make` returns for the entry's number, which nobody else gets meanwhile.

        What `make` raises is passed on; no entry is added then.
        """
        with self._told(adds=True), self._engine.begin() as base:
            head = self._head(base)
            return self._add(base, head, kind, make(head.seq + 1), at)

    def commit(self, record: Record, *, at: str | None = None) -> Record:
        """Add a record: it gets the entry's number as its `seq`, and `prev_sha` and `sha` from the chain."""
        with self._told(adds=True), self._engine.begin() as base:
            head = self._head(base)
            chained = sealed(replace(record, seq=head.seq + 1, prev_sha=head.sha, sha=None))
            self._add(base, head, "record", record_json(chained), at)
        return chained

    def commit_composed(self, made: Composed, *, at: str | None = None) -> tuple[Record, str]:
        """Add a record whose pieces another process made; return it in its place in the chain, and its entry's sha."""
        with self._told(adds=True), self._engine.begin() as base:
            head, when = self._head(base), at or utc_now()
            record, body = chained(made, head.seq + 1, head.sha)
            text = entry_text("record", body, record.seq, when, head.sha)
            beside = {"seq": record.seq, "kind": "record", "written_utc": when}
            told, sha = {"part_id": record.shot.part_id, "verdict": record.verdict}, _sha(text)
            base.execute(_entries.insert(), {**beside, **told, "sha": sha, "entry": text})
        return record, sha

    def _add(self, base: sql.Connection, head: Head, kind: str, body: Mapping[str, Any], at: str | None) -> Entry:
        entry = Entry(head.seq + 1, kind, at or utc_now(), body, head.sha, "")
        text = canonical(_document(entry)).decode()
        sha = _sha(text)
        beside = _columns(entry.seq, kind, entry.written_utc, body)
        base.execute(_entries.insert(), {**beside, "sha": sha, "entry": text})
        return replace(entry, sha=sha)

    # --- reading ---------------------------------------------------------------------------------------------------

    @property
    def head(self) -> Head:
        """The last entry's number and hash."""
        with self._reading() as base:
            return self._head(base)

    def holds(self, sha: str) -> int | None:
        """Return the number of the entry of that hash, as of a head told elsewhere; None where there is none."""
        with self._reading() as base:
            return base.execute(sql.select(_entries.c.seq).where(_entries.c.sha == sha)).scalar_one_or_none()

    def _head(self, base: sql.Connection) -> Head:
        last = sql.select(_entries.c.seq, _entries.c.sha).order_by(_entries.c.seq.desc()).limit(1)
        row = base.execute(last).first()
        return Head(0, NOTHING) if row is None else Head(row.seq, row.sha)

    def entries(self, kind: str | None = None, *, after: int = 0, part_id: str | None = None) -> Iterator[Entry]:
        """Yield the entries of a kind, of all where none is named, in their order; `after` a number."""
        wanted = sql.select(_entries.c.seq, _entries.c.sha, _entries.c.entry).order_by(_entries.c.seq)
        if kind is not None:
            wanted = wanted.where(_entries.c.kind == kind)
        if part_id is not None:
            wanted = wanted.where(_entries.c.part_id == part_id)
        while True:
            # Some at a time, each read on its own: no reader keeps the writer's log from being folded back.
            with self._reading() as base:
                rows = base.execute(wanted.where(_entries.c.seq > after).limit(_AT_ONCE)).all()
            for row in rows:
                yield self._read(row)
            if len(rows) < _AT_ONCE:
                return
            after = rows[-1].seq

    def last(self, kind: str) -> Entry | None:
        """Return the newest entry of a kind; None where there is none."""
        wanted = sql.select(_entries.c.seq, _entries.c.sha, _entries.c.entry).where(_entries.c.kind == kind)
        with self._reading() as base:
            row = base.execute(wanted.order_by(_entries.c.seq.desc()).limit(1)).first()
        return None if row is None else self._read(row)

    def _read(self, row: Any) -> Entry:
        try:
            told = json.loads(row.entry)
            return Entry(row.seq, told["kind"], told["written_utc"], told["body"], told["prev_sha"], row.sha)
        except (ValueError, KeyError, TypeError) as error:
            raise UnusableDocument(f"{self.path}: entry {row.seq} was altered and cannot be read") from error

    def check(self) -> Chain:
        """Return whether every entry is as it was written and none is missing."""
        faults: list[str] = []
        set_back: list[int] = []
        count, before, latest = 0, Head(0, NOTHING), ""
        after = -1
        while True:
            with self._reading() as base:
                rows = base.execute(
                    sql.select(_entries).where(_entries.c.seq > after).order_by(_entries.c.seq).limit(_AT_ONCE)
                ).all()
            for row in rows:
                faults += _faults_of(row, before)
                if _is_set_back(row.written_utc, latest):
                    set_back.append(row.seq)
                before, latest = Head(row.seq, row.sha), row.written_utc
            count += len(rows)
            if len(rows) < _AT_ONCE:
                break
            after = rows[-1].seq
        return Chain(count, before, tuple(faults), tuple(set_back))

    @contextmanager
    def _reading(self) -> Iterator[sql.Connection]:
        if self._frozen is not None and _stamp(self.path) != self._frozen:
            raise UnusableInput(f"{self.path} was written to while it was read as one that cannot change; do it again")
        with self._told(), self._engine.connect().execution_options(**_READING) as base:
            yield base

    # --- what may go wrong -----------------------------------------------------------------------------------------

    @contextmanager
    def _told(self, *, adds: bool = False) -> Iterator[None]:
        """Turn what the database says into a sentence; `adds`: an entry was to be added."""
        try:
            yield
        except IntegrityError as error:
            raise UnusableInput(f"{self.path}: another entry was added at the same moment; do it again") from error
        except OperationalError as error:
            unchanged = "; no entry was added" if adds else ""
            raise UnusableInput(f"cannot use the ledger {self.path}: {_reason(error)}{unchanged}") from error
        except DatabaseError as error:
            raise UnusableDocument(f"{self.path} is damaged, or no ledger: {_reason(error)}; {_RESTORE}") from error
        except SQLAlchemyError as error:
            raise UnusableInput(f"cannot use the ledger {self.path}: {error}") from error


def _document(entry: Entry) -> dict[str, Any]:
    return {
        "format": format_of("entry"),
        "seq": entry.seq,
        "kind": entry.kind,
        "written_utc": entry.written_utc,
        "prev_sha": entry.prev_sha,
        "body": entry.body,
    }


def _faults_of(row: Any, before: Head) -> list[str]:
    """Return what is wrong with a row after the one before it."""
    if row.seq == before.seq + 2:
        return [f"entry {before.seq + 1} is missing"]
    if row.seq != before.seq + 1:
        return [f"entries {before.seq + 1} to {row.seq - 1} are missing"]
    if not isinstance(row.entry, str) or _sha(row.entry) != row.sha:
        return [f"entry {row.seq} was altered: its content is not what its sha was taken of"]
    try:
        told = json.loads(row.entry)
        columns = _columns(told["seq"], told["kind"], told["written_utc"], told["body"])
        follows = told["prev_sha"] == before.sha
    except (ValueError, KeyError, TypeError, AttributeError):
        return [f"entry {row.seq} was altered: it is no entry"]
    if not follows:
        return [f"entry {row.seq} does not follow entry {before.seq}: one of them was put in place of another"]
    wrong = [name for name, value in columns.items() if getattr(row, name) != value]
    return [f"entry {row.seq} was altered: its {wrong[0]} is not what its content says"] if wrong else []


def _is_set_back(written_utc: str, before: str) -> bool:
    """Return whether a time lies clearly before that of the entry before; writers side by side differ by seconds."""
    try:
        return (datetime.fromisoformat(before) - datetime.fromisoformat(written_utc)).total_seconds() > 60
    except (ValueError, TypeError):
        return False


def _columns(seq: int, kind: str, written_utc: str, body: Mapping[str, Any]) -> dict[str, Any]:
    """Return what stands beside an entry's text, to be asked for."""
    is_record = kind == "record"
    part = body["shot"].get("part_id") if is_record else None
    return {
        "seq": seq,
        "kind": kind,
        "written_utc": written_utc,
        "part_id": part,
        "verdict": body["verdict"] if is_record else None,
    }


def _sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _reason(error: DatabaseError) -> str:
    said = str(error.orig)
    if "locked" in said:
        return f"another program has been writing to it for {_WAIT_S:g} s"
    if _code(error).startswith(_NO_PLACE[:2]):
        return "its folder or its file cannot be written; use a copy in a folder that can"
    return said


def _code(error: DatabaseError) -> str:
    return str(getattr(error.orig, "sqlite_errorname", ""))


def _stamp(path: Path) -> tuple[int, int]:
    told = path.stat()
    return told.st_size, told.st_mtime_ns


def _unchanging(path: Path) -> sqlite3.Connection:
    """Return a connection to a file that nobody writes: SQLite then neither locks it nor looks at a log beside it."""
    there = path.resolve().as_posix()
    uri = f"file://{quote(there if there.startswith('/') else f'/{there}')}?mode=ro&immutable=1"
    connection = sqlite3.connect(uri, uri=True, isolation_level=None)
    connection.execute("PRAGMA query_only = 1")
    return connection


def _durably(connection: Any, _: Any) -> None:
    """Have what is committed on the disk, and begin transactions ourselves."""
    connection.isolation_level = None
    cursor = connection.cursor()
    for line in ("journal_mode = WAL", "synchronous = FULL", "fullfsync = 1", "foreign_keys = 1"):
        cursor.execute(f"PRAGMA {line}")
    cursor.close()


def _for_writing(connection: sql.Connection) -> None:
    """Begin as a writer, unless only to read: the head that is read is then the one that is added to."""
    reads = connection.get_execution_options().get("tiepoint_reading", False)
    connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")
