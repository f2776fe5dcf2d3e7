"""The writer's lock of a station: one program adds to the ledger at a time, and the others can see which, since when.

It is a lock of the operating system on `writer.lock` in the station's folder, so it ends with the program that holds
it, however that ends. The file stays, and says who held it last.
"""

import json
import os
import socket
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from types import TracebackType
from typing import IO, Any
from weakref import WeakSet

from tiepoint.documents.files import reason_of
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.ledger_chain import utc_now

LOCK = "writer.lock"
DUTY = "duty"
"""What the duty process calls itself; it alone answers the inbox."""

WAIT_S = 10.0
_AGAIN_S = 0.02


@dataclass(frozen=True, slots=True)
class Holder:
    """Who holds a lock: `what` it does, `since` when, and which process on which machine it is."""

    what: str
    since_utc: str
    pid: int
    host: str

    def __str__(self) -> str:
        """Say it in a clause."""
        return f"{self.what}, since {self.since_utc} (process {self.pid} on {self.host})"


class WriterLock:
    """The lock of a station's folder, for a `with`. `what`: what this program does, in a word or a command."""

    def __init__(self, folder: Path, what: str, *, wait_s: float = WAIT_S) -> None:
        self._path, self._what, self._wait_s = folder / LOCK, what, wait_s
        self._file: IO[str] | None = None

    def __enter__(self) -> "WriterLock":
        """Take the lock; `UnusableInput`, with who holds it, where it is not free in time."""
        until = time.monotonic() + self._wait_s
        while (file := _locked(self._path)) is None:
            if time.monotonic() >= until:
                said = _said(self._path) or "it does not say which"
                raise UnusableInput(
                    f"another program writes at {self._path.parent}: {said}; stop it first, or wait for its end"
                )
            time.sleep(_AGAIN_S)
        self._file = file
        _held.add(self)
        _say(file, Holder(self._what, utc_now(), os.getpid(), socket.gethostname()))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go of it."""
        self.close()

    def close(self) -> None:
        """Let go of it; a child process that was forked only lets go of its own hold on the file."""
        if self._file is not None:
            _held.discard(self)
            self._file.close()
            self._file = None


_held: "WeakSet[WriterLock]" = WeakSet()


def _closed_in_child() -> None:
    # Or a forked worker that outlives its parent would keep the lock of a writer that is gone.
    for lock in list(_held):
        lock.close()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_closed_in_child)


def holder_of(folder: Path) -> Holder | None:
    """Return who holds a station's lock now; None where nobody does, or nothing can be written there anyway."""
    path = folder / LOCK
    if not path.is_file():
        return None
    with suppress(UnusableInput):
        file = _locked(path, alone=False)
        if file is not None:
            file.close()
            return None
        return _said(path) or Holder("a program that does not say which", "an unknown time", 0, "an unknown machine")
    return None


def is_on_duty(folder: Path) -> bool:
    """Return whether the duty process runs at a station."""
    holder = holder_of(folder)
    return holder is not None and holder.what == DUTY


def _locked(path: Path, *, alone: bool = True) -> IO[str] | None:
    """Return the open and locked file; None where another program holds the lock."""
    try:
        # To look who holds it takes no right to write: duty may run as another user.
        file = path.open("r" if not alone else "r+" if path.exists() else "a+", encoding="utf-8")
    except OSError as error:
        raise UnusableInput(f"cannot write {path}: {reason_of(error)}; use a copy in a folder that can") from error
    try:
        _take(file, alone)
    except OSError:
        file.close()
        return None
    return file


def _say(file: IO[str], holder: Holder) -> None:
    # Who holds it is for people alone; a full disk must not keep anybody from going on duty.
    with suppress(OSError):
        file.seek(0)
        file.truncate()
        file.write(json.dumps(asdict(holder)) + "\n")
        file.flush()


def _said(path: Path) -> Holder | None:
    with suppress(OSError, ValueError, TypeError):
        told: Any = json.loads(path.read_text(encoding="utf-8"))
        return Holder(**told)
    return None


def _by_system() -> Callable[[IO[str], bool], None]:
    """Return how this system locks a file without waiting; `OSError` where another holds it."""
    if sys.platform == "win32":
        import msvcrt

        def locked(file: IO[str], alone: bool) -> None:  # noqa: ARG001  # there is one way only
            # Far behind the end, since what is locked there cannot be read either.
            file.seek(1 << 30)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)

    else:
        import fcntl

        def locked(file: IO[str], alone: bool) -> None:
            fcntl.flock(file, (fcntl.LOCK_EX if alone else fcntl.LOCK_SH) | fcntl.LOCK_NB)

    return locked


_take = _by_system()
