"""Folding the log of an SQLite ledger back into its file, by another connection than the one that adds to it.

Who adds would do it itself every thousand pages, and some part would wait for that (measured: up to 256 ms). Here a
thread does it once a second. A log begins anew only once all of it is folded back (SQLite's documentation,
"Write-Ahead Logging", 2.2), so what is added meanwhile is folded at once too, until nothing came meanwhile. Under a
load that leaves no gap this never is so: the log becomes long, who adds has to fold the rest of it, and waits for as
long as that takes (one commit in thousands, of up to 1.3 s). So a long log is folded without pause, and little is left.
"""

import sqlite3
from contextlib import suppress
from pathlib import Path

from tiepoint.station.aside import Aside

EVERY_S, SOON_S = 1.0, 0.01
AT_ONCE = 5
"""Times that what came meanwhile is folded before the next second."""
LONG_PAGES = 16_000
"""Of the log, 64 MB: from then on it is folded without pause."""
SELDOM_PAGES = 20_000
"""Of the log, 80 MB: from then on who adds folds back what is left itself."""


class FoldingBack(Aside):
    """The thread that folds a log back."""

    def __init__(self, path: Path, every_s: float = EVERY_S) -> None:
        super().__init__("tiepoint folds the ledger's log back", every_s)
        self._path, self._every_s = path, every_s

    def turn(self) -> float:
        """Fold back what can be; where nothing can, who adds does it."""
        pages = before = -1
        with suppress(sqlite3.Error):
            for _ in range(AT_ONCE):
                before, (pages, folded) = pages, self.fold()
                if folded == pages == before:  # nothing came while it was folded: what is added next begins it anew
                    return self._every_s
        return SOON_S if pages >= LONG_PAGES else self._every_s

    def fold(self) -> tuple[int, int]:
        """Fold back what can be without anybody waiting; return how many pages the log has and how many were."""
        base = sqlite3.connect(self._path, timeout=0, isolation_level=None)
        try:
            base.execute("PRAGMA fullfsync = 1")
            _, pages, folded = base.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        finally:
            base.close()
        return pages, folded
