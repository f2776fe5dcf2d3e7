"""Files that are made from the ledger, so that what is asked of a million records is answered in milliseconds.

Such a file lies in the station's folder `duty/`. It is no evidence: it goes on from where it was, is made anew where it
is broken, of another version or of another ledger, and may be deleted at any time.
"""

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from itertools import takewhile
from pathlib import Path
from typing import ClassVar, Self

from tiepoint.station.duty.status import FOLDER
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry, Ledger

Telling = Callable[[int, int], None]

AT_ONCE = 4000
"""Entries that are taken in between two commits."""


class FromLedger:
    """Such a file. To be used in a `with`, and by one thread at a time. Who inherits takes records in by `took`."""

    FILE: ClassVar[str]
    VERSION: ClassVar[int]
    TABLES: ClassVar[str]
    """All but `about`, which holds how far it is."""

    def __init__(self, station: Station, *, path: Path | None = None) -> None:
        """Open or make it; where its folder cannot be written it is made in memory, anew each time."""
        self.path = path or station.folder / FOLDER / self.FILE
        self._base = self._opened()

    def took(self, records: Iterable[Entry]) -> None:
        """Take in records, in the order of the ledger; all of it, or nothing, is kept."""
        raise NotImplementedError

    def __enter__(self) -> Self:
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
                self._demand_tables(base)
                return base
            except BaseException:
                base.close()
                raise
        # Broken, or of another version: it is made anew, if that is allowed.
        with suppress(OSError, sqlite3.Error):
            for ending in ("", "-wal", "-shm"):
                self.path.with_name(self.path.name + ending).unlink(missing_ok=True)
            base = _connected(str(self.path))
            self._demand_tables(base)
            return base
        base = _connected(":memory:")
        self._demand_tables(base)
        return base

    def _demand_tables(self, base: sqlite3.Connection) -> None:
        (version,) = base.execute("PRAGMA user_version").fetchone()
        if version == self.VERSION:
            return
        if version or base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            raise sqlite3.DatabaseError("of another version")
        about = "CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT) WITHOUT ROWID;"
        with closing(base.cursor()) as cursor:
            cursor.executescript(
                f"BEGIN IMMEDIATE; {about} {self.TABLES} PRAGMA user_version = {self.VERSION}; COMMIT;"
            )

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
            for (table,) in self._base.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
                self._base.execute(f"DELETE FROM {table}")

    def _head(self) -> tuple[int, str]:
        row = self._base.execute("SELECT value FROM about WHERE key = 'head'").fetchone()
        seq, sha = (0, "") if row is None else json.loads(row[0])
        return int(seq), str(sha)

    def _add(self, ledger: Ledger, after: int, upto: int) -> None:
        self.took(takewhile(lambda e: e.seq <= upto, ledger.entries("record", after=after)))
        (last,) = ledger.numbered([upto])
        self._base.execute("INSERT OR REPLACE INTO about VALUES ('head', ?)", (json.dumps([upto, last.sha]),))

    @contextmanager
    def _writing(self) -> Iterator[None]:
        self._base.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._base.execute("ROLLBACK")
            raise
        self._base.execute("COMMIT")


def _connected(where: str) -> sqlite3.Connection:
    # One thread at a time, and not always the same one.
    base = sqlite3.connect(where, timeout=10.0, isolation_level=None, check_same_thread=False)
    base.execute("PRAGMA journal_mode = WAL")
    base.execute("PRAGMA synchronous = OFF")  # what a loss of power takes is made anew
    return base
