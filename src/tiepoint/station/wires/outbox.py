"""What MQTT and webhooks share: a result as others are told it, and the way from the duty loop to the spool.

The duty loop puts into a bounded queue and goes on; the wire's own thread takes it to the disk. Who listens can tell
what is missing: `number` counts every message of a wire without a gap, and `seq` is the record's in the ledger.
"""

import hashlib
import json
import queue
import re
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tiepoint.station.wires.spool import Spool
from tiepoint.station.wires.table import SpoolTable
from tiepoint.station.wires.wire import Result, Told

MOST_QUEUED = 1000


def told_result(result: Result) -> dict[str, Any]:
    """Return what others are told of a part: the record's summary, and where it stands in the ledger."""
    record = result.record
    return {
        "station": record.station,
        "seq": record.seq,
        "part_id": record.shot.part_id,
        "variant": record.variant,
        "taken_utc": record.shot.taken_utc,
        "verdict": record.verdict,
        "is_check": result.is_check,
        "good": record.verdict == "conforms" and not result.is_check,
        "readings": [
            {
                "id": r.id, "value": r.value, "text": r.text, "unit": r.unit, "U95": r.U95, "verdict": r.verdict,
                "reason": None if r.reason is None else r.reason.code,
            }
            for r in record.readings
        ],
        "recipe_sha": record.recipe_sha,
        "record_sha": record.sha,
        "head_sha": result.head_sha,
    }  # fmt: skip


def told_state(told: Told, dropped: int) -> dict[str, Any]:
    """Return what others are told of the station. `dropped`: messages of this wire that were never sent."""
    return {
        "state": told.state,
        "since_utc": told.since_utc,
        "fault": told.fault,
        "says": told.says,
        "tie_overdue": told.tie_overdue,
        "head_sha": told.head_sha,
        "counts": dict(told.counts),
        "links": dict(told.links),
        "dropped": dropped,
    }


def text_of(content: dict[str, Any]) -> str:
    """Return JSON in one line."""
    return json.dumps(content, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def spool_folder(folder: Path, name: str) -> Path:
    """Return where a wire's messages wait in the station's folder, by a name that any system can hold."""
    plain = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40]
    return folder / "spool" / f"{plain}-{hashlib.sha256(name.encode()).hexdigest()[:8]}"


class Outbox:
    """From a bounded queue to the spool. `put` is for the duty loop, the rest for the wire's own thread."""

    def __init__(self, table: SpoolTable, folder: Path, topic: str) -> None:
        self.table, self.folder, self.topic = table, folder, topic
        self.wake = threading.Event()
        self.overrun = 0
        self.fault = ""
        self._queue: queue.Queue[Result] = queue.Queue(MOST_QUEUED)
        self._spool: Spool | None = None

    def open(self) -> Spool:
        """Open the spool; `UnusableInput` where its folder cannot be used."""
        self._spool = Spool(self.folder, self.table.most_messages, self.table.most_mb * 1e6)
        return self._spool

    def put(self, result: Result) -> None:
        """Take a result; one that finds the queue full is dropped and counted."""
        try:
            self._queue.put_nowait(result)
        except queue.Full:
            self.overrun += 1
        self.wake.set()

    def collect(self, told: Callable[[Result], dict[str, Any]] = told_result) -> None:
        """Take what is in the queue to the disk, all with one flush."""
        results: list[Result] = []
        while len(results) < MOST_QUEUED:
            try:
                results.append(self._queue.get_nowait())
            except queue.Empty:
                break
        if not results or self._spool is None:
            return
        try:
            self._spool.append([(self.topic, text_of(told(r))) for r in results])
            self.fault = ""
        except OSError as error:
            self.overrun += len(results)
            self.fault = f"cannot keep messages in {self.folder}: {error.strerror or error}"

    @property
    def dropped(self) -> int:
        """Messages that were never sent, and never will be."""
        return self.overrun + (0 if self._spool is None else self._spool.dropped)

    @property
    def says(self) -> str:
        """What waits, and what was dropped, in a clause; "" where there is nothing to say."""
        waiting = 0 if self._spool is None else len(self._spool)
        told = [f"{waiting} messages wait"] if waiting else []
        told += [f"{self.dropped} were dropped"] if self.dropped else []
        told += [self.fault] if self.fault else []
        return "; ".join(told)

    def close(self) -> None:
        """Take the rest to the disk, and let go of it."""
        self.collect()
        if self._spool is not None:
            self._spool.close()
