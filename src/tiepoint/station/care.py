"""What is done for a station's evidence while it is on duty, off the writer's path: head and shots to other places.

with Care(station, told):        # told("far archive", "cannot copy …") and told("far archive", None) when it can again
    ...
"""

import threading
from collections.abc import Callable
from types import TracebackType

from tiepoint.foundation.errors import TiepointError
from tiepoint.station.archive_far import FarArchive, FarState
from tiepoint.station.folder import Station
from tiepoint.station.heads import HeadCopy
from tiepoint.station.ledger import Ledger

EVERY_S = 2.0
AWAY_S = 30.0
"""After so long a far side that was away is asked again."""

Told = Callable[[str, str | None], None]
"""Is told what goes wrong, by a name, and None once it goes again; from another thread."""


class Care:
    """The thread, from the beginning of a `with` to its end; it only reads the ledger."""

    def __init__(self, station: Station, told: Told, *, every_s: float = EVERY_S, away_s: float = AWAY_S) -> None:
        """Raises `UnusableInput` where station.toml names a far place that is none."""
        self._station, self._told, self._every_s, self._away_s = station, told, every_s, away_s
        self._heads = HeadCopy(station)
        self._far = FarArchive(station) if station.table.archive.far is not None else None
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="care", daemon=True)
        self.far_state: FarState | None = None

    def __enter__(self) -> "Care":
        """Begin."""
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End, and wait until the shot that is on its way is there, or the far side was given up."""
        self._end.set()
        self._thread.join()

    def _run(self) -> None:
        wait_s = 0.0
        while not self._end.wait(wait_s):
            try:
                with Ledger(self._station.ledger_place) as ledger:
                    wait_s = self._turn(ledger)
                self._told("ledger, to read", None)
            except TiepointError as error:
                self._told("ledger, to read", str(error))
                wait_s = self._every_s

    def _turn(self, ledger: Ledger) -> float:
        """Do what is due; return after how long there may be more."""
        self._told("second place of the head", self._heads.step(ledger))
        if self._far is None:
            return self._every_s
        self.far_state = self._far.step(ledger)
        self._told("far archive", self.far_state.away or None)
        if self.far_state.away:
            return self._away_s
        return 0.0 if self.far_state.wait else self._every_s
