"""What a watch knows, in a small file beside the duty's state: taken up after a restart, so that no chart begins anew.

It is written once a minute without being flushed to the disk: after a loss of power a minute of charts is missing, and
no part. One that cannot be read is as none.
"""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from tiepoint.documents.files import document_bytes, read_document
from tiepoint.documents.revived import outcome_of, revived
from tiepoint.foundation.errors import TiepointError
from tiepoint.model.record import Record
from tiepoint.station.folder import Station
from tiepoint.station.watch.alarms import Alarm, Alarms, Turn
from tiepoint.station.watch.chart import Course
from tiepoint.station.watch.counts import Counts
from tiepoint.station.watch.shares import Block, Lot
from tiepoint.station.watch.tally import Tally

FOLDER, FILE = "duty", "watch.json"


@dataclass
class Known:
    """What was known: courses and alarms, counts, tally, what golden parts' tolerances are, the clock's last time.

    `is_of_another`: an accepted state that is not the present one; `over`: the alarms of that.
    """

    courses: dict[str, Course] = field(default_factory=dict)
    alarms: Alarms = field(default_factory=Alarms)
    counts: Counts = field(default_factory=Counts)
    tally: Tally = field(default_factory=Tally)
    tolerances: dict[str, float] = field(default_factory=dict)
    wall_s: float | None = None
    is_of_another: bool = False
    over: tuple[Turn, ...] = ()


@dataclass(frozen=True)
class _Document:
    reference: str
    courses: Mapping[str, Course]
    alarms: Mapping[str, Alarm]
    blocks: Mapping[str, Block]
    begun: Mapping[str, str]
    lots: Mapping[str, Mapping[str, Lot]]
    lot: str | None
    tally: Tally
    tolerances: Mapping[str, float]
    wall_s: float


OF_REFERENCE = ("light", "sharpness", "saturated", "black", "position", "scale", "edge", "dirt", "golden", "runner_up",
                "temperature", "watch")  # fmt: skip


def state_path(station: Station) -> Path:
    """Return where a station's watch keeps what it knows."""
    return station.folder / FOLDER / FILE


def content_of(
    reference_sha: str, courses: Mapping[str, Course], alarms: Alarms, counts: Counts, tally: Tally,
    tolerances: Mapping[str, float], wall_s: float,
) -> bytes:  # fmt: skip
    """Return the document."""
    told = _Document(
        reference_sha, courses, alarms.on, counts.blocks, counts.begun, counts.lots, counts.lot, tally, tolerances,
        wall_s,
    )  # fmt: skip
    return document_bytes("watching", outcome_of(told))


def write_state(station: Station, content: bytes) -> None:
    """Write the document; where the disk does not take it, the next one is tried."""
    path = state_path(station)
    staged = path.with_name(f".{FILE}.part")
    with suppress(OSError):
        path.parent.mkdir(exist_ok=True)
        staged.write_bytes(content)
        staged.replace(path)


def read_state(station: Station, reference_sha: str) -> Known:
    """Return what was known; charts and their alarms only where they are against the same accepted state."""
    try:
        told = revived(_Document, read_document(state_path(station), "watching"))
    except TiepointError:
        return Known()
    known = Known(
        courses=dict(told.courses),
        alarms=Alarms(dict(told.alarms)),
        counts=Counts(dict(told.blocks), dict(told.begun), {k: dict(v) for k, v in told.lots.items()}, told.lot),
        tally=told.tally,
        tolerances=dict(told.tolerances),
        wall_s=told.wall_s,
    )
    if told.reference != reference_sha:
        known.courses, known.is_of_another = {}, True
        gone = [a for a in known.alarms.on.values() if a.kind in OF_REFERENCE]
        known.over = tuple(
            turn for alarm in gone for turn in known.alarms.ends(alarm.name, "the accepted state was held anew")
        )
    return known


def tolerances_of(record: Record) -> dict[str, float]:
    """Return the width between the limits of readings, by their ids, where both are known."""
    return {
        r.id: r.limits.upper - r.limits.lower
        for r in record.readings
        if r.limits is not None and r.limits.lower is not None and r.limits.upper is not None
    }
