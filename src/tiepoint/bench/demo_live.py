"""The demo's station on duty: hinge plates pass the simulated camera, which drops its pictures into a watched folder.

Duty, web and ledger are those of any station; the line alone is simulated. What was true of each plate is compared
with what was said of it, once the line has been stopped.
"""

import threading
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass

from tiepoint.bench.demo_accept import INCOMING, write_window
from tiepoint.bench.demo_bench import DemoBench
from tiepoint.bench.demo_series import Series
from tiepoint.bench.line_camera import LineCamera, render_stock
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.duty.status import read_status
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger

GOOD, BAD = 9, 3
"""Plates of the stock: as production makes them, and beyond a limit."""
TAKT_S = 2.0
LOOK_S = 0.2


@dataclass(frozen=True, slots=True)
class Passed:
    """What passed and what was said of it: `n` records, by verdict, and how many bad plates conformed."""

    n: int
    verdicts: dict[str, int]
    escapes: int


class Line:
    """Plates that pass the camera, one every `takt_s`; a stock of photographs goes round.

    It begins once the station is on duty, as a line does whose controller waits for that, and runs until `stop`.
    """

    def __init__(self, station: Station, bench: DemoBench, *, takt_s: float = TAKT_S) -> None:
        """Render the stock; that takes some seconds."""
        series = Series(bench)
        parts = (*series.as_made(GOOD), *series.challenges(BAD))
        self._camera = LineCamera("line", render_stock(series, parts), takt_s=takt_s)
        self._station, self._folder = station, station.folder / INCOMING
        self._folder.mkdir(exist_ok=True)
        with Ledger(station.ledger_place) as ledger:
            self._since = ledger.head.seq
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="line", daemon=True)

    def start(self) -> None:
        """Let the line begin once its station is on duty."""
        self._thread.start()

    def stop(self) -> None:
        """Let it stand."""
        self._ending.set()
        self._camera.stop()
        self._thread.join()

    def _run(self) -> None:
        while not self._is_on_duty():
            if self._ending.wait(LOOK_S):
                return
        self._camera.start()
        while not self._ending.is_set():
            delivery = self._camera.take(0.2)
            if delivery is not None and delivery.frames[0].data is not None:
                # As a camera that renames what is whole; where the folder is gone, the part passes unseen.
                with suppress(OSError, UnusableInput):
                    part = self._folder / f".{delivery.id}.part"
                    write_window(part, delivery.id, str(delivery.part_id), delivery.frames[0].data, "")
                    part.rename(self._folder / delivery.id)

    def _is_on_duty(self) -> bool:
        status = read_status(self._station.folder)
        return status is not None and status.is_fresh and status.told["state"] == "on duty"

    def passed(self) -> Passed:
        """Return what became of the plates, beside their truth."""
        with Ledger(self._station.ledger_place) as ledger:
            told = [(e.body["shot"]["part_id"], e.body["verdict"]) for e in ledger.entries("record", after=self._since)]
        truth = [(self._camera.truth(part), verdict) for part, verdict in told]
        escapes = sum(part is not None and not part.good and verdict == "conforms" for part, verdict in truth)
        return Passed(len(told), dict(Counter(verdict for _, verdict in told)), escapes)
