"""The ledger: records and people's acts in their order, only ever added to, each chained to the one before it.

Whoever changes, drops or moves an entry must change all that come after it, and the head with them. The head is told
elsewhere: in reports, on the wire, in a second place. Triggers refuse to change or delete a row; who takes them away is
found by `check`. What `append` returned from is on the disk.
"""

import json
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import sqlalchemy as sql
from sqlalchemy.exc import DatabaseError, IntegrityError, InternalError, OperationalError, SQLAlchemyError

from tiepoint.documents.canonical import canonical
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.model.record import Record
from tiepoint.recipe.records import _HASHED
from tiepoint.station.composed import Composed, composed
from tiepoint.station.folder import Server
from tiepoint.station.ledger_base import (
    READING,
    SUMS_SINCE,
    VERSION,
    SqliteBase,
    base_of,
    has_file,
    is_there,
    migrate,
)
from tiepoint.station.ledger_chain import (
    NOTHING,
    Chain,
    Entry,
    Head,
    entry_text,
    is_set_back,
    looked_at,
    utc_now,
)
from tiepoint.station.ledger_folding import SELDOM_PAGES, FoldingBack
from tiepoint.station.ledger_tables import Tally, Writer, columns_of, entries, in_columns, sorts, sums
from tiepoint.station.ledger_unsure import Unsure

__all__ = ["NOTHING", "Chain", "Entry", "Head", "Ledger", "Server", "has_ledger", "utc_now"]

_AT_ONCE = 500
_RESTORE = (
    "restore it from a backup (a file with the -wal that lies beside it), and hold it against the head that the last "
    "report tells: tiepoint verify STATION --head"
)


def has_ledger(where: Path | Server) -> bool:
    """Return whether there is a ledger; `UnusableInput` where that cannot be said, or something else is there."""
    return has_file(where) if isinstance(where, Path) else is_there(where)


class Ledger:
    """A station's ledger, in an SQLite file or on a PostgreSQL server. To be used in a `with`, and by one thread.

    `name`: what sentences call it.
    """

    def __init__(self, where: Path | Server, *, create: bool = False) -> None:
        """Open the ledger; with `create` it is made where there is none.

        One of an earlier version is read as it is, and gets today's tables with the first entry that is added.
        Raises `UnusableInput` where there is none or it cannot be opened, `UnusableDocument` where it is no ledger.
        """
        self.name = str(where) if isinstance(where, Path) else where.url
        with self._told():
            self._base = base_of(where, create=create)
        self.name = self._base.name
        self._engine = self._base.engine
        self._writer = Writer(self._base.mark, compresses=isinstance(self._base, SqliteBase))
        self._committing = False
        self._unsure = Unsure()
        try:
            self._version = self._looked_at()
            if self._version == 0:
                with self._writing():
                    pass
        except BaseException:
            self.close()
            raise

    def _looked_at(self) -> int:
        with self._reading() as base:
            if self._base.is_foreign(base):
                raise UnusableDocument(f"{self.name} is a database, and no ledger of a station; name another")
            version = self._base.version(base)
        if version > VERSION:
            raise UnusableDocument(f"{self.name} was written by a newer tiepoint; use that one, or newer")
        return version

    def __enter__(self) -> "Ledger":
        """Return itself."""
        return self

    def __exit__(self, *error: object) -> None:
        """Close."""
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @property
    def file(self) -> Path | None:
        """The file; None of a ledger on a server."""
        return self._base.path if isinstance(self._base, SqliteBase) else None

    # --- writing ---------------------------------------------------------------------------------------------------

    def append(self, kind: str, body: Mapping[str, Any], *, at: str | None = None) -> Entry:
        """Add a document, durably, and return its entry. `at`: the time, where it is not now.

        Raises `UnusableInput` where it cannot be written; the ledger is then as it was.
        """
        return self.append_made(kind, lambda _: body, at=at)

    def append_made(self, kind: str, make: Callable[[int], Mapping[str, Any]], *, at: str | None = None) -> Entry:
        """Add the document that `make` returns for the entry's number, which nobody else gets meanwhile.

        What `make` raises is passed on; no entry is added then. Where the like failed before it is added once, even
        where a server had it and only its answer was lost.
        """
        with self._writing() as base:
            head = self._head(base)
            body = make(head.seq + 1)
            entry: Entry | None = self._unsure.outcome(base, (kind, body))
            if entry is None:
                entry = Entry(head.seq + 1, kind, at or utc_now(), body, head.sha, "")
                text, sha = entry_text(head, kind, entry.written_utc, canonical(body))
                entry = replace(entry, sha=sha)
                self._writer.add(base, columns_of(entry.seq, kind, entry.written_utc, body), sha, text)
                if kind == "record":
                    self._writer.count(base, entry.seq, entry.written_utc, body)
                self._unsure.tries((kind, body), sha, entry)
        self._unsure.settled((kind, body))
        return entry

    def commit(self, record: Record, *, at: str | None = None) -> Record:
        """Add a record: it gets the entry's number as its `seq`, and `prev_sha` and `sha` from the chain."""
        made, _ = self.commit_composed(composed(record), at=at)
        chained = replace(record, seq=made.seq, prev_sha=made.prev_sha, sha=made.sha)
        chained.__dict__[_HASHED] = made.sha  # as `sealed` leaves it: it need not be worked out once more
        return chained

    def commit_composed(
        self, made: Composed, *, at: str | None = None, before: Composed | None = None
    ) -> tuple[Record, str]:
        """Add a record whose text another process made; return it in its place in the chain, and its entry's sha.

        Where it failed before it is added once, even where a server had it and only its answer was lost. `before`:
        another one of the same part, which failed; where the ledger has that, it is returned, and nothing is added.
        """
        written_utc, told = at or utc_now(), made.text
        with self._writing() as base:
            there: tuple[Record, str] | None = self._unsure.outcome(base, made, before)
            if there is None:
                head = self._head(base)
                own, body = told.placed(head)
                text, sha = entry_text(head, "record", written_utc, body)
                self._writer.add(base, columns_of(head.seq + 1, "record", written_utc, told.content), sha, text)
                self._writer.count(base, head.seq + 1, written_utc, told.content)
                there = replace(made.record, seq=head.seq + 1, prev_sha=head.sha, sha=own), sha
                self._unsure.tries(made, sha, there)
        self._unsure.settled(made, before)
        return there

    def rebuild_sums(self) -> int:
        """Make anew from the entries all that is kept beside them to answer quickly; return the count of records.

        Raises `UnusableDocument` where the chain does not hold: what would be counted are not the station's records.
        """
        if faults := self.check().faults:
            raise UnusableDocument(
                f"{self.name} is not counted anew, for its chain does not hold: {faults[0]}; {_RESTORE}"
            )
        with self._writing() as base:
            return self._writer.count_anew(base)

    @contextmanager
    def folding_back(self) -> Iterator[None]:
        """Have the log of an SQLite file be folded back by another thread meanwhile, so that no entry waits for it."""
        if not isinstance(self._base, SqliteBase):
            yield
            return
        self._base.fold_seldom(SELDOM_PAGES)
        with FoldingBack(self._base.path):
            yield

    # --- reading ---------------------------------------------------------------------------------------------------

    @property
    def head(self) -> Head:
        """The last entry's number and hash."""
        with self._reading() as base:
            return self._head(base)

    def holds(self, sha: str) -> int | None:
        """Return the number of the entry of that hash, as of a head told elsewhere; None where there is none."""
        with self._reading() as base:
            return base.execute(sql.select(entries.c.seq).where(entries.c.sha == sha)).scalar_one_or_none()

    def _head(self, base: sql.Connection) -> Head:
        row = base.exec_driver_sql(self._writer.head).first()
        return Head(0, NOTHING) if row is None else Head(row[0], row[1])

    def entries(
        self,
        kind: str | None = None,
        *,
        after: int = 0,
        part_id: str | None = None,
        only: Collection[int] | None = None,
    ) -> Iterator[Entry]:
        """Yield the entries of a kind, of all where none is named, in their order; `after` a number, `only` of some."""
        wanted = sql.select(entries.c.seq, entries.c.sha, entries.c.entry).order_by(entries.c.seq)
        if kind is not None:
            wanted = wanted.where(entries.c.kind == kind)
        if part_id is not None:
            wanted = wanted.where(entries.c.part_id.in_(in_columns(part_id)))
        wanted = wanted.where(entries.c.seq > after)
        rows = self._one_after_another(wanted) if only is None else self._numbered(wanted, sorted(only))
        for entry in map(self._read, rows):
            if part_id is None or entry.body["shot"]["part_id"] == part_id:
                yield entry

    # Some at a time, each read on its own: no reader keeps the writer's log from being folded back.

    def _one_after_another(self, wanted: sql.Select[Any]) -> Iterator[Any]:
        after = 0
        while True:
            with self._reading() as base:
                rows = base.execute(wanted.where(entries.c.seq > after).limit(_AT_ONCE)).all()
            yield from rows
            if len(rows) < _AT_ONCE:
                return
            after = rows[-1].seq

    def _numbered(self, wanted: sql.Select[Any], seqs: list[int]) -> Iterator[Any]:
        for k in range(0, len(seqs), _AT_ONCE):
            with self._reading() as base:
                rows = base.execute(wanted.where(entries.c.seq.in_(seqs[k : k + _AT_ONCE]))).all()
            yield from rows

    def records(self, *, after: int = 0) -> list[int]:
        """Return the numbers of all records after an entry, which are not read."""
        wanted = sql.select(entries.c.seq).where(entries.c.kind == "record", entries.c.seq > after)
        with self._reading() as base:
            return list(base.execute(wanted.order_by(entries.c.seq)).scalars())

    def count(self, kind: str, *, after: int = 0) -> int:
        """Return how many entries of a kind there are after an entry; none is read."""
        wanted = sql.select(sql.func.count()).select_from(entries).where(entries.c.kind == kind, entries.c.seq > after)
        with self._reading() as base:
            return int(base.execute(wanted).scalar_one())

    def last(self, kind: str) -> Entry | None:
        """Return the newest entry of a kind; None where there is none."""
        wanted = sql.select(entries.c.seq, entries.c.sha, entries.c.entry).where(entries.c.kind == kind)
        with self._reading() as base:
            row = base.execute(wanted.order_by(entries.c.seq.desc()).limit(1)).first()
        return None if row is None else self._read(row)

    def numbered(self, seqs: list[int]) -> list[Entry]:
        """Return the entries of these numbers, newest first."""
        wanted = sql.select(entries.c.seq, entries.c.sha, entries.c.entry).where(entries.c.seq.in_(seqs))
        with self._reading() as base:
            return [self._read(row) for row in base.execute(wanted.order_by(entries.c.seq.desc()))]

    def _read(self, row: Any) -> Entry:
        try:
            told = json.loads(row.entry)
            return Entry(row.seq, told["kind"], told["written_utc"], told["body"], told["prev_sha"], row.sha)
        except (ValueError, KeyError, TypeError) as error:
            raise UnusableDocument(f"{self.name}: entry {row.seq} was altered and cannot be read") from error

    @property
    def keeps_sums(self) -> bool:
        """Whether the tables of sums are there: a ledger of an earlier version gets them with its next entry."""
        if self._version < SUMS_SINCE:
            self._version = self._looked_at()  # another program may have led it on meanwhile
        return self._version >= SUMS_SINCE

    @contextmanager
    def asked(self) -> Iterator[sql.Connection]:
        """Give a connection to ask the tables of sums by; `UnusableInput` where an earlier version has none yet."""
        if not self.keeps_sums:
            raise UnusableInput(
                f"{self.name} is of an earlier version, which keeps no sums; they come with its next entry, or by "
                "tiepoint sums"
            )
        with self._reading() as base:
            yield base

    def check(self, look: Callable[[Entry], None] | None = None) -> Chain:
        """Return whether every entry is as it was written and none is missing.

        `look`: is shown every entry that is as it was, in their order, so that none need be read twice.
        """
        faults: list[str] = []
        set_back: list[int] = []
        tally = Tally()
        count, before, latest = 0, Head(0, NOTHING), ""
        after = -1
        while True:
            with self._reading() as base:
                rows = base.execute(
                    sql.select(entries).where(entries.c.seq > after).order_by(entries.c.seq).limit(_AT_ONCE)
                ).all()
            for row in rows:
                wrong, told = looked_at(row, before)
                faults += wrong
                if not wrong and row.kind == "record":
                    tally.add(row.written_utc, told["body"])
                if not wrong and look is not None:
                    look(Entry(row.seq, told["kind"], told["written_utc"], told["body"], told["prev_sha"], row.sha))
                if is_set_back(row.written_utc, latest):
                    set_back.append(row.seq)
                before, latest = Head(row.seq, row.sha), row.written_utc
            count += len(rows)
            if len(rows) < _AT_ONCE:
                break
            after = rows[-1].seq
        differ = self._sums_that_differ(tally, before) if not faults else ()
        return Chain(count, before, tuple(faults), tuple(set_back), differ)

    def _sums_that_differ(self, tally: Tally, head: Head) -> tuple[str, ...]:
        """Return the days whose sums are not those that were counted up to a head."""
        wanted = sql.select(sums, sorts.c.recipe_sha, sorts.c.variant, sorts.c.verdict).outerjoin_from(
            sums, sorts, sums.c.sort == sorts.c.id
        )
        with self._reading() as base:
            if self._base.version(base) < SUMS_SINCE or self._head(base) != head:
                return ()  # none are kept; or it went on meanwhile, and the sums with it
            return tally.wrong(base.execute(wanted))

    # --- what may go wrong -----------------------------------------------------------------------------------------

    @contextmanager
    def _reading(self) -> Iterator[sql.Connection]:
        self._base.demand_unchanged()
        with self._told(), self._engine.connect().execution_options(**READING) as base:
            yield base

    @contextmanager
    def _writing(self) -> Iterator[sql.Connection]:
        """Give a connection as the one writer, to today's tables."""
        self._committing = False
        with self._told(adds=True), self._engine.begin() as base:
            if self._version < VERSION:
                self._lead_on(base)
            yield base
            self._committing = True
        self._version = VERSION

    def _lead_on(self, base: sql.Connection) -> None:
        """Make today's tables, unless another program was quicker."""
        version = self._base.version(base)
        if version >= VERSION:
            return
        migrate(base, version)
        self._base.note_version(base)
        if 0 < version < SUMS_SINCE:
            self._writer.count_anew(base)

    @contextmanager
    def _told(self, *, adds: bool = False) -> Iterator[None]:
        """Turn what the database says into a sentence; `adds`: an entry was to be added."""
        try:
            yield
        except IntegrityError as error:
            raise UnusableInput(f"{self.name}: another entry was added at the same moment; do it again") from error
        except (OperationalError, InternalError) as error:
            then = "; no entry was added" if adds else ""
            if adds and self._committing and not isinstance(self._base, SqliteBase):
                then = "; whether the entry was added is not known, so look at the head before it is done again"
            raise UnusableInput(f"cannot use the ledger {self.name}: {self._reason(error)}{then}") from error
        except DatabaseError as error:
            raise UnusableDocument(
                f"{self.name} is damaged, or no ledger: {self._reason(error)}; {_RESTORE}"
            ) from error
        except SQLAlchemyError as error:
            raise UnusableInput(f"cannot use the ledger {self.name}: {error}") from error

    def _reason(self, error: Any) -> str:
        base = getattr(self, "_base", None)
        return base.reason(error) if base is not None else str(error.orig)
