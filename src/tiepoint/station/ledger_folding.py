"""Folding the log of an SQLite ledger back into its file, by another connection than the one that adds to it.

Who adds would do it itself every thousand pages, and some part would wait for that (measured: up to 256 ms). Here a
thread does it once a second; the adding connection is left to do it only where the log has become very long.
"""

import sqlite3
from contextlib import suppress
from pathlib import Path
from threading import Event, Thread
from types import TracebackType

EVERY_S = 1.0
SELDOM_PAGES = 20_000
"""Of the log, 80 MB: from then on who adds folds it back itself, whatever this thread does."""


class FoldingBack:
    """A thread that folds a log back, from the beginning of a `with` to its end."""

    def __init__(self, path: Path, every_s: float = EVERY_S) -> None:
        self._path, self._every_s = path, every_s
        self._end = Event()
        self._thread = Thread(target=self._run, name="tiepoint folds the ledger's log back", daemon=True)

    def __enter__(self) -> "FoldingBack":
        """Begin."""
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End, and wait until it has ended."""
        self._end.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._end.wait(self._every_s):
            # Where it cannot be done, who adds does it.
            with suppress(sqlite3.Error):
                self.fold()

    def fold(self) -> tuple[int, int]:
        """Fold back what can be without anybody waiting; return how many pages the log has and how many were."""
        base = sqlite3.connect(self._path, timeout=0, isolation_level=None)
        try:
            base.execute("PRAGMA fullfsync = 1")
            _, pages, folded = base.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        finally:
            base.close()
        return pages, folded
