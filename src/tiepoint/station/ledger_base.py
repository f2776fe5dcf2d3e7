"""Where a ledger's rows lie, an SQLite file or a PostgreSQL database, and all in which the two differ.

The file holds SQLite's WAL with `synchronous = FULL`, the server is asked for `synchronous_commit`: what was committed
is on the disk. Who writes is alone from the beginning of a transaction on (`BEGIN IMMEDIATE`; an advisory lock), so
that the head that is read is the one that is added to.

Where a folder cannot be written (a customer's copy, a share) the file is read as one that cannot change. SQLite then
looks at no log beside it, in which the newest entries may lie: with one there, the ledger is refused.
"""

import sqlite3
import stat
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import quote

import sqlalchemy as sql
from sqlalchemy import event
from sqlalchemy.exc import ArgumentError, DatabaseError, DBAPIError, NoSuchModuleError, OperationalError

from tiepoint.documents.files import reason_of
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.folder import Server

VERSION = 3
"""Of the tables, that this program writes."""
SUMS_SINCE = 2
"""The version whose tables keep sums."""

READING = {"tiepoint_reading": True}
WAIT_S = 10.0
_NO_PLACE = ("SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_IOERR_SHM")
"""How the names begin of what SQLite says where it may not write beside the file."""
_LOCK = 7_429_113_084
"""By which advisory lock writers of a PostgreSQL ledger know each other: a number of no meaning."""
_LOCKED = "55P03"
"""What PostgreSQL says where a lock was waited for too long (its appendix A, lock_not_available)."""


class Base(Protocol):
    """A database that may hold a ledger. `name`: what sentences call it. `mark`: how its driver marks a parameter."""

    name: str
    mark: str
    engine: sql.Engine

    def version(self, base: sql.Connection) -> int:
        """Return the version of the ledger's tables; 0 where there are none."""
        ...

    def is_foreign(self, base: sql.Connection) -> bool:
        """Return whether there are tables, and none of a ledger."""
        ...

    def note_version(self, base: sql.Connection) -> None:
        """Have `version` tell the version that this program writes."""
        ...

    def demand_unchanged(self) -> None:
        """Raise `UnusableInput` where what is read as one that cannot change has changed."""
        ...

    def reason(self, error: DBAPIError) -> str:
        """Return in a clause what the database says."""
        ...


class SqliteBase:
    """An SQLite file."""

    mark = "?"

    def __init__(self, path: Path, *, create: bool) -> None:
        """Open the file; `UnusableInput` where there is none, unless it is to be made."""
        self.path, self.name = path, str(path)
        if not has_file(path) and not create:
            raise UnusableInput(f"there is no ledger {path}; it begins with the first tiepoint accept")
        self._frozen: tuple[int, int] | None = None
        self.engine = self._connected()

    def _connected(self) -> sql.Engine:
        """Return the base, as one that cannot change where nothing can be written beside it."""
        url = sql.URL.create("sqlite", database=str(self.path))
        engine = sql.create_engine(url, connect_args={"timeout": WAIT_S})
        event.listen(engine, "connect", _durably)
        try:
            engine.connect().close()
        except DatabaseError as error:
            engine.dispose()
            if not (self.path.is_file() and _code(error).startswith(_NO_PLACE)):
                raise
            self._demand_no_log()
            self._frozen = _stamp(self.path)
            engine = sql.create_engine(url, creator=lambda: _unchanging(self.path))
        event.listen(engine, "begin", _for_writing)
        return engine

    def fold_seldom(self, pages: int) -> None:
        """Have connections fold the log back only from so many pages on."""
        event.listen(self.engine, "connect", lambda base, _: base.execute(f"PRAGMA wal_autocheckpoint = {pages}"))
        self.engine.dispose()  # those that are there are made anew

    def _demand_no_log(self) -> None:
        log = self.path.with_name(f"{self.path.name}-wal")
        if log.exists() and log.stat().st_size:
            raise UnusableInput(
                f"the newest entries of {self.path} lie in {log.name} beside it, which is only read where the folder "
                "can be written; copy the station with both files to such a folder, and use the copy"
            )

    def version(self, base: sql.Connection) -> int:
        """Return the version of the ledger's tables; 0 where there are none."""
        return int(base.exec_driver_sql("PRAGMA user_version").scalar_one())

    def is_foreign(self, base: sql.Connection) -> bool:
        """Return whether there are tables, and none of a ledger."""
        tables = base.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar_one()
        return bool(tables) and not self.version(base)

    def note_version(self, base: sql.Connection) -> None:
        """Have `version` tell the version that this program writes."""
        base.exec_driver_sql(f"PRAGMA user_version = {VERSION}")

    def demand_unchanged(self) -> None:
        """Raise `UnusableInput` where what is read as one that cannot change has changed."""
        if self._frozen is not None and _stamp(self.path) != self._frozen:
            raise UnusableInput(f"{self.path} was written to while it was read as one that cannot change; do it again")

    def reason(self, error: DBAPIError) -> str:
        """Return in a clause what the database says."""
        said = str(error.orig)
        if "locked" in said:
            return f"another program has been writing to it for {WAIT_S:g} s"
        if _code(error).startswith(_NO_PLACE[:2]):
            try:
                self.path.open("rb").close()
            except OSError as why:
                return f"{reason_of(why)}; give this account the right to read it"
            return "its folder or its file cannot be written; use a copy in a folder that can"
        return said


class PostgresBase:
    """A database of a PostgreSQL server, which holds one ledger."""

    mark = "%s"

    def __init__(self, server: Server, *, create: bool) -> None:
        """Connect; `UnusableInput` where the server cannot be reached, or holds no ledger, unless it is to be made."""
        try:
            url = sql.make_url(server.url)
            self.name = url.render_as_string()
            self.engine = sql.create_engine(
                url.set(password=server.password),
                pool_pre_ping=True,
                # A snapshot of its own for each statement: the head is read after the lock was waited for.
                isolation_level="READ COMMITTED",
                connect_args={
                    "connect_timeout": int(WAIT_S),
                    # A line that was pulled out says nothing; a system's own patience with it is a quarter of an hour.
                    **{"keepalives_idle": 5, "keepalives_interval": 2, "keepalives_count": 3},
                    "tcp_user_timeout": int(1000 * WAIT_S),
                    "application_name": "tiepoint",
                    "options": f"-c lock_timeout={WAIT_S:g}s -c synchronous_commit=on -c timezone=UTC",
                },
            )
        except (ArgumentError, NoSuchModuleError) as error:
            raise UnusableInput(
                f"[ledger] url {server.url!r} is no URL of a database; write postgresql+psycopg://user@host/database"
            ) from error
        except ModuleNotFoundError as error:
            raise UnusableInput(
                f"the ledger {self.name} needs the package psycopg; install tiepoint[postgresql]"
            ) from error
        event.listen(self.engine, "begin", _alone)
        if not create and not self.is_there():
            self.engine.dispose()
            raise UnusableInput(f"there is no ledger in {self.name}; it begins with the first tiepoint accept")

    def is_there(self) -> bool:
        """Return whether the database holds a ledger; `UnusableInput` where the server cannot be asked."""
        try:
            with self.engine.connect().execution_options(**READING) as base:
                return self.version(base) > 0
        except OperationalError as error:
            self.engine.dispose()
            raise UnusableInput(f"cannot use the ledger {self.name}: {self.reason(error)}") from error

    def version(self, base: sql.Connection) -> int:
        """Return the version of the ledger's tables; 0 where there are none."""
        if base.exec_driver_sql("SELECT to_regclass('alembic_version')").scalar_one() is None:
            return 0
        told = base.exec_driver_sql("SELECT version_num FROM alembic_version").scalar_one_or_none()
        return int(told) if told is not None and str(told).isdigit() else 0

    def is_foreign(self, base: sql.Connection) -> bool:
        """Return whether there are tables, and none of a ledger."""
        tables = "SELECT count(*) FROM pg_tables WHERE schemaname = current_schema()"
        return bool(base.exec_driver_sql(tables).scalar_one()) and not self.version(base)

    def note_version(self, base: sql.Connection) -> None:
        """Do nothing: what alembic keeps is what `version` reads."""

    def demand_unchanged(self) -> None:
        """Do nothing: a server is always read as it is."""

    def reason(self, error: DBAPIError) -> str:
        """Return in a clause what the database says."""
        if getattr(error.orig, "sqlstate", None) == _LOCKED:
            return f"another program has been writing to it for {WAIT_S:g} s"
        lines = [line.strip() for line in str(error.orig).splitlines() if line.strip()]
        said = lines[-1] if lines else type(error.orig).__name__
        for words, advice in _ADVICE:
            if any(words in line for line in lines):
                return advice
        return said.removeprefix("FATAL:").removeprefix("ERROR:").strip()


_ADVICE = (
    ("password authentication failed", "the server does not take the user with this password; look at both"),
    ("no password supplied", "the server asks for a password; name where it lies with password_env or password_file"),
    ("Connection refused", "no server listens there; look at host and port, and whether it runs"),
)


def base_of(where: Path | Server, *, create: bool) -> Base:
    """Return the base of a ledger, connected."""
    return SqliteBase(where, create=create) if isinstance(where, Path) else PostgresBase(where, create=create)


def has_file(path: Path) -> bool:
    """Return whether there is a file; `UnusableInput` where something else is, or its folder cannot be looked into."""
    try:
        mode = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        return False
    except (OSError, ValueError) as error:
        why = reason_of(error)
        raise UnusableInput(f"cannot use the ledger {path}: {why}; name another in station.toml") from error
    if not stat.S_ISREG(mode):
        raise UnusableInput(f"{path} is no ordinary file where the ledger was expected; name another in station.toml")
    return True


def is_there(server: Server) -> bool:
    """Return whether a server's database holds a ledger; `UnusableInput` where it cannot be asked."""
    base = PostgresBase(server, create=True)
    try:
        return base.is_there()
    finally:
        base.engine.dispose()


def migrate(base: sql.Connection, version: int) -> None:
    """Lead the tables from a version, 0 for none, to the one that this program writes, in the caller's transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    folder = str(Path(__file__).parent / "migrations")
    config.set_main_option("script_location", folder.replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = base
    if version == 1 and not sql.inspect(base).has_table("alembic_version"):
        command.stamp(config, "1")  # files of before there were steps
    command.upgrade(config, str(VERSION))


def _code(error: DBAPIError) -> str:
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
    """Begin as a writer, unless only to read."""
    reads = connection.get_execution_options().get("tiepoint_reading", False)
    connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")


def _alone(connection: sql.Connection) -> None:
    """Wait until no other program adds to the ledger, unless only to read."""
    if not connection.get_execution_options().get("tiepoint_reading", False):
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
