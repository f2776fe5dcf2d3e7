"""Judging one part, in a process of its own: what is accepted, prepared and warmed, over what a camera delivered.

A process that judges can be ended from outside, whatever a step does: the part is then unread, and the station goes on.
"""

import signal
import time
import traceback
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from importlib.metadata import version
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

from tiepoint.documents.pictures import picture_of
from tiepoint.foundation.errors import TiepointError, UnusablePicture
from tiepoint.foundation.reasons import Reason
from tiepoint.model.record import Record
from tiepoint.model.shot import Shot
from tiepoint.recipe.runner import Job, run, unread
from tiepoint.recipe.shots import LoadedShot, load_shot, sensor_of
from tiepoint.recipe.station import Prepared, seen_of
from tiepoint.recipe.tables import shown
from tiepoint.station.accepted import Pointers, pointers_of, preparation_of
from tiepoint.station.cameras.delivery import Delivery
from tiepoint.station.composed import Composed, composed
from tiepoint.station.duty.seeing import loaded_of, shot_of
from tiepoint.station.duty.table import DutyTable, by_rule
from tiepoint.station.folder import Station, open_station

SIZE_PX = (1224, 1024)
"""Of a picture to warm up with where the tie does not say how large pictures are."""


@dataclass(frozen=True, slots=True)
class Task:
    """A part to be judged. `variant`: what parts are at present where nothing else tells."""

    delivery: Delivery
    variant: str | None
    seq: int = 0


@dataclass(frozen=True, slots=True)
class Warm:
    """Shots to warm up with, by accepted copy: the folder of the last one that was kept."""

    shots: tuple[tuple[str, Path], ...] = ()


class Judge:
    """What is accepted at a station, prepared once."""

    def __init__(self, station: Station) -> None:
        """Prepare all copies. Raises a `TiepointError` where one is not what was accepted."""
        self.station = station
        self.table: DutyTable = station.table.duty
        self.pointers: Pointers = pointers_of(station)
        self.copies: dict[str, Prepared] = {sha: preparation_of(station, sha).prepared() for sha in self.pointers.shas}

    def warm(self, warm: Warm) -> None:
        """Run every recipe once, so that the first part is judged as fast as the thousandth."""
        kept = dict(warm.shots)
        for sha, prepared in self.copies.items():
            names: list[str | None] = [v.name for v in prepared.variants.values() if self.pointers.of(v.name) == sha]
            for name in names or [None]:
                with suppress(TiepointError):
                    composed(_record(prepared, _to_warm(prepared, name, kept.get(sha))))

    def judged(self, task: Task) -> Record:
        """Return the record of a part; unread, with its reason, where it cannot be looked at."""
        delivery = task.delivery
        if delivery.status != "complete":
            return self.unread(task, Reason("shot_not_complete", {"status": delivery.status.replace("_", " ")}))
        try:
            loaded = loaded_of(delivery)
        except UnusablePicture as error:
            return self.unread(task, Reason("shot_unreadable", {"detail": str(error).rstrip(".")}))
        variant = self._variant(task, loaded)
        sha = self._copy(variant)
        if sha is None:
            return _bare(self.station, loaded.shot, no_recipe(variant))
        loaded = replace(loaded, shot=replace(loaded.shot, variant=variant))
        return _record(self.copies[sha], loaded)

    def composed(self, record: Record) -> Composed:
        """Return a record of this station in the pieces that its ledger takes."""
        return composed(replace(record, station=self.station.name))

    def unread(self, task: Task, reason: Reason) -> Record:
        """Return the record of a part that was not judged; what was wrong with its shot is noted in it."""
        variant = told_variant(self.table, task.delivery, task.variant)
        sha, shot = self._copy(variant), shot_of(task.delivery)
        job = None if sha is None else self._job(sha, variant)
        made = _bare(self.station, shot, reason) if job is None else unread(job, shot, reason)
        why = task.delivery.why.rstrip(".")
        return made if not why else replace(made, notes=(*made.notes, f"The shot is {shot.status}: {why}."))

    def _copy(self, variant: str | None) -> str | None:
        """Return the accepted copy for a variant. Where there are variants, a part that is of none has no recipe."""
        return None if variant is None and self.pointers.by_variant else self.pointers.of(variant)

    def _job(self, sha: str, variant: str | None) -> Job | None:
        with suppress(TiepointError):
            return self.copies[sha].job(variant)
        return None

    def _variant(self, task: Task, loaded: LoadedShot) -> str | None:
        told = told_variant(self.table, task.delivery, None)
        if told is None and self.table.sorted_by is not None:
            told = by_rule(self.table, "code", self._code(loaded))
        # Where rules are to tell, a part that none fits is not taken for one that happens to be run.
        return told if told is not None or self.table.rule else task.variant

    def _code(self, loaded: LoadedShot) -> str | None:
        name = self.table.sorted_by
        sha = self.pointers.of(name)
        if sha is None:
            return None
        record = _record(self.copies[sha], replace(loaded, shot=replace(loaded.shot, variant=name)))
        return next((reading.text for reading in record.readings if reading.text), None)


def _record(prepared: Prepared, loaded: LoadedShot) -> Record:
    """Return the record of a shot, without its hash: that is taken where it gets its place in the chain.

    To take it here too would cost as much as all 25 steps of a recipe.
    """
    return run(prepared.job(loaded.shot.variant), seen_of(loaded), clock=time.perf_counter).record


def told_variant(table: DutyTable, delivery: Delivery, otherwise: str | None) -> str | None:
    """Return the variant that trigger or part id tell, or else `otherwise`."""
    return delivery.variant or by_rule(table, "part_id", delivery.part_id) or otherwise


def no_recipe(variant: str | None) -> Reason:
    """Return the reason of a part for whose variant nothing is accepted."""
    return Reason(
        "shot_no_recipe", {"variant": "a part whose variant nothing tells" if variant is None else shown(variant)}
    )


def _bare(station: Station, shot: Shot, reason: Reason) -> Record:
    """Return the record of a part of which nobody can say what should be measured: it has no readings, and a note."""
    software = f"tiepoint {version('tiepoint')}"
    return Record(station.name, 0, shot, "", (), software, (), "unread", notes=(reason.sentence,))


def _to_warm(prepared: Prepared, variant: str | None, kept: Path | None) -> LoadedShot:
    if kept is not None:
        with suppress(TiepointError):
            there = load_shot(kept, prepared.each)
            return replace(there, shot=replace(there.shot, variant=variant))
    sensor = None if prepared.tie is None else prepared.tie.sensor
    width, height = SIZE_PX if sensor is None else (sensor.width_px, sensor.height_px)
    y, x = np.mgrid[:height, :width]
    pixels = (110 + 60 * ((x // 64 + y // 64) % 2)).astype(np.uint8)
    roles = prepared.each or ("picture",)
    loaded = {role: picture_of(pixels, Path(f"{role}.png")) for role in roles}

    described = tuple(
        replace(one.described(role), light=role if prepared.each else None) for role, one in loaded.items()
    )
    sensors = {picture.role: sensor_of(picture) for picture in described}
    return LoadedShot(Path("warm"), Shot("warm", described, variant=variant), loaded, sensors)


# --- the process -----------------------------------------------------------------------------------------------------


def work(connection: Connection, folder: Path, warm: Warm) -> None:
    """Judge what comes down the connection until it is closed: the whole life of a process.

    First it says whether it is ready: None, or in a sentence why it is not.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process is stopped, and ends this one
    import cv2

    cv2.setNumThreads(1)
    with suppress(EOFError, OSError):
        try:
            judge = Judge(open_station(folder))
            judge.warm(warm)
        except Exception as error:
            connection.send(said_of(error))
            return
        connection.send(None)
        for task in _tasks(connection):
            connection.send(_answer(judge, task))


def _tasks(connection: Connection) -> Iterator[Task]:
    while True:
        task: Any = connection.recv()
        if task is None:
            return
        yield task


def _answer(judge: Judge, task: Task) -> Composed:
    try:
        return judge.composed(judge.judged(task))
    except Exception as error:
        # A step's own failure is a reading with a reason. This is not: whatever it is, the part was not judged.
        return judge.composed(judge.unread(task, Reason("shot_not_judged", {"detail": said_of(error).rstrip(".")})))


def said_of(error: Exception) -> str:
    """Return what an error says, with its place where it is nobody's sentence."""
    if isinstance(error, TiepointError):
        return str(error)
    last = traceback.extract_tb(error.__traceback__)[-1:]
    where = f" in {Path(last[0].filename).name}, line {last[0].lineno}" if last else ""
    return f"{type(error).__name__}{where}: {error}"
