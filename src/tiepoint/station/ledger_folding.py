"""Folding the log of an SQLite ledger back into its file, by another connection than the one that adds to it.

Who adds would do it itself every thousand pages, and some part would wait for that (measured: up to 256 ms). Here a
thread does it once a second; the adding connection is left to do it only where the log has become very long.
"""

import sqlite3
from contextlib import suppress
from pathlib import Path

from tiepoint.station.aside import Aside

EVERY_S = 1.0
SELDOM_PAGES = 20_000
"""Of the log, 80 MB: from then on who adds folds it back itself, whatever this thread does."""


class FoldingBack(Aside):
    """The thread that folds a log back."""

    def __init__(self, path: Path, every_s: float = EVERY_S) -> None:
        super().__init__("tiepoint folds the ledger's log back", every_s)
        self._path, self._every_s = path, every_s

    def turn(self) -> float:
        """Fold back what can be; where nothing can, who adds does it."""
        with suppress(sqlite3.Error):
            self.fold()
        return self._every_s

    def fold(self) -> tuple[int, int]:
        """Fold back what can be without anybody waiting; return how many pages the log has and how many were."""
        base = sqlite3.connect(self._path, timeout=0, isolation_level=None)
        try:
            base.execute("PRAGMA fullfsync = 1")
            _, pages, folded = base.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        finally:
            base.close()
        return pages, folded
