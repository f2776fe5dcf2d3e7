"""The duty process: `python -m tiepoint.station.duty STATION`, until it is asked to stop.

It has no HTTP. What it says it says on wires, in the ledger, in `duty/state.json`, and in its log on standard error.
"""

import argparse
import os
import signal
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from types import FrameType

from tiepoint.documents.files import clear_half_written
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.station.archive_expiry import Retention
from tiepoint.station.archive_keeper import Keeper
from tiepoint.station.cameras.table import open_camera
from tiepoint.station.care import Care
from tiepoint.station.check import looked_at
from tiepoint.station.duty.acts import Acts, tie_checked, variant_now
from tiepoint.station.duty.downstream import Downstream
from tiepoint.station.duty.judging import Judge
from tiepoint.station.duty.loop import Duty
from tiepoint.station.duty.status import write_status
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger, has_ledger, utc_now
from tiepoint.station.lock import DUTY, WriterLock
from tiepoint.station.watch.hold import kept_reference
from tiepoint.station.watch.on import alarms_told
from tiepoint.station.watch.watch import Watch
from tiepoint.station.wires.open import open_wires
from tiepoint.station.wires.remote_io import RemoteIoWire
from tiepoint.station.wires.wire import Wire

SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
"""Those of them that the system has."""
RETENTION_S = 10.0


class Service:
    """A station in service, with all that its station.toml names."""

    def __init__(self, folder: Path, judge: Judge | None = None) -> None:
        """Open everything, and start nothing. `judge`: what is accepted, where it was prepared just now.

        Raises a `TiepointError` where something cannot be.
        """
        self.station = station = open_station(folder)
        table = station.table
        cameras = [open_camera(one, folder) for one in table.camera if one.comes_from is not None]
        if not cameras:
            raise UnusableInput(
                f'no camera of {folder} says where its pictures come from; add from = "folder" or another to one'
            )
        if not has_ledger(station.ledger_place):
            raise UnusableInput(f"nothing is accepted at {folder}; accept its drafts with tiepoint accept")
        with Ledger(station.ledger_place) as ledger:
            self._keeper = Keeper(station, ledger)
            variant, checked = variant_now(station, ledger), tie_checked(station, ledger)
            alarms = alarms_told(ledger)
        self._watch = Watch(station, kept_reference(station), told=alarms)
        self._acts = Acts(station, self._watch)
        self._notes: dict[str, str] = {}
        self._retention: Retention | None = None
        self._expired_s = time.monotonic()
        self.duty = Duty(
            station,
            cameras,
            [self._placed(wire) for wire in open_wires(table.wires, folder, station.name)],
            self._keeper.keep,
            inbox=self._acts.hear,
            every_tick=self._tick,
            seen=self._watch.seen,
            at_end=self._watch.end,
            judge=judge,
        )
        self.duty.variant, self.duty.tie_checked_utc = variant, checked

    def _placed(self, wire: Wire) -> Wire:
        """Return a wire; one that throws parts out, at its place behind the camera."""
        after = self.station.table.duty.reject.after
        return Downstream(wire, after) if after and isinstance(wire, RemoteIoWire) else wire

    def run(self) -> None:
        """Serve until it is stopped."""
        try:
            with Care(self.station, self._told_of_care):
                self.duty.run()
        finally:
            if self._retention is not None:
                self._retention.end()
            self._status(self.duty)

    def _told_of_care(self, what: str, why: str | None) -> None:
        """Write into the ledger what keeps heads and far copies from their places, and when it has ended."""
        if self._notes.get(what) == why:
            return
        if why is None:
            self._notes.pop(what, None)
        else:
            self._notes[what] = why
        self.duty.later(lambda: self.duty.write_event("care", what=what, says=why or "", ended=why is None))

    def _tick(self, duty: Duty) -> None:
        self._status(duty)
        self._watch.every_tick(duty)
        # What one step takes away is bounded, and a line may keep more than that in ten seconds.
        is_behind = self._retention is not None and self._retention.is_behind and not duty.condition.has("ledger")
        if is_behind or time.monotonic() - self._expired_s >= RETENTION_S:
            self._expired_s = time.monotonic()
            try:
                self._retention = self._retention or Retention(self.station, duty.ledger)
                self._retention.step(duty.ledger)
            except TiepointError as error:
                duty.condition.fault("ledger", str(error))

    def _status(self, duty: Duty) -> None:
        seq = 0 if duty.last is None else duty.last.seq
        write_status(
            self.station.folder,
            pid=os.getpid(),
            told=duty.told,
            seq=seq,
            waiting=len(duty.waiting),
            written_utc=utc_now(),
            links={c.name: c.link[1] for c in duty.cameras} | {w.name: w.link[1] for w in duty.wires},
        )


def serve(
    folder: Path, stopping: Callable[[Callable[[], None]], None] | None = None, *, as_accepted: bool = False
) -> None:
    """Have a station on duty until it is stopped. Raises a `TiepointError` where a fault forbids it.

    `stopping` is given what ends the service, to be called from a signal's handler or another thread. `as_accepted`:
    drafts are not looked at, which somebody may be at work on while the line waits for the station to come back.
    """
    faults, judge = looked_at(folder, ports=True, drafts=not as_accepted, far=False)
    if faults:
        more = f"; and {len(faults) - 1} more: tiepoint check {folder}" if len(faults) > 1 else ""
        raise UnusableInput(f"{faults[0].sentence}{more}")
    with WriterLock(folder, DUTY):
        service = Service(folder, judge)
        for place in service.station.written_into():
            clear_half_written(place)
        if stopping is not None:
            stopping(service.duty.stop)
        service.run()


def main(words: Sequence[str] | None = None) -> int:
    """Run the process and return its exit code: 0 after an end in good order, 2 where it could not begin."""
    asked = argparse.ArgumentParser(prog="tiepoint.station.duty", description=__doc__)
    asked.add_argument("station", type=Path, help="the station's folder")
    asked.add_argument("--as-accepted", action="store_true", help="do not look at drafts")
    told = asked.parse_args(words)
    try:
        serve(told.station, _on_signals, as_accepted=told.as_accepted)
    except TiepointError as error:
        print(f"tiepoint: {error}", file=sys.stderr)  # noqa: T201
        return 2
    return 0


def _on_signals(stop: Callable[[], None]) -> None:
    def hear(number: int, frame: FrameType | None) -> None:  # noqa: ARG001  # as Python calls it
        stop()

    for name in SIGNALS:
        if hasattr(signal, name):
            with suppress(ValueError):  # not the main thread
                signal.signal(getattr(signal, name), hear)
