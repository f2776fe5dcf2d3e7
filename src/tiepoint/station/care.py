"""What is done for a station's evidence while it is on duty, off the writer's path: head and shots to other places.

with Care(station, told):        # told("far archive", "cannot copy …") and told("far archive", None) when it can again
    ...
"""

from collections.abc import Callable

from tiepoint.foundation.errors import TiepointError
from tiepoint.station.archive_far import FarArchive, FarState
from tiepoint.station.aside import Aside
from tiepoint.station.duty.judging import said_of
from tiepoint.station.folder import Station
from tiepoint.station.heads import HeadCopy
from tiepoint.station.ledger import Ledger

EVERY_S = 2.0
AWAY_S = 30.0
"""After so long a far side that was away is asked again."""

Told = Callable[[str, str | None], None]
"""Is told what goes wrong, by a name, and None once it goes again; from another thread."""


class Care(Aside):
    """The thread; it only reads the ledger. Its end waits until the shot that is on its way is there, or given up."""

    def __init__(self, station: Station, told: Told, *, every_s: float = EVERY_S, away_s: float = AWAY_S) -> None:
        """Raises `UnusableInput` where station.toml names a far place that is none."""
        super().__init__("care")
        self._station, self._told, self._every_s, self._away_s = station, told, every_s, away_s
        self._heads = HeadCopy(station)
        self._far = FarArchive(station) if station.table.archive.far is not None else None
        self.far_state: FarState | None = None

    def turn(self) -> float:
        """Look once; what nobody foresaw is told, and tried again: a thread that ended would copy nothing, unseen."""
        try:
            with Ledger(self._station.ledger_place) as ledger:
                wait_s = self._turn(ledger)
            self._told("ledger, to read", None)
            self._told("care", None)
        except TiepointError as error:
            self._told("ledger, to read", str(error))
            return self._every_s
        except Exception as error:
            self._told("care", said_of(error))
            return self._away_s
        return wait_s

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
