"""What every sort of camera needs to make a delivery: ids, times, the names of parts, and no result in due form."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from time import monotonic_ns

from tiepoint.documents.names import portable
from tiepoint.foundation.errors import TiepointError
from tiepoint.model.shot import ShotStatus
from tiepoint.station.cameras.counter import Counter
from tiepoint.station.cameras.delivery import Delivery, Frame, Trigger
from tiepoint.station.cameras.order import Judged
from tiepoint.station.cameras.table import CameraTable

COUNTERS = "counters"
COMPLETE = Judged()


def utc_of(mono_ns: int) -> str:
    """Return the UTC time of a moment by the monotonic clock, as RFC 3339 to the millisecond."""
    ago = timedelta(microseconds=(monotonic_ns() - mono_ns) / 1000)
    return (datetime.now(UTC) - ago).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def said_of(error: Exception) -> str:
    """Return what an error says in a clause, with its name where it is nobody's sentence."""
    return str(error) if isinstance(error, TiepointError) else f"{type(error).__name__}: {error}"


class Parts:
    """Names the parts of one camera, and puts deliveries together; for the camera's threads and those that trigger it.

    Raises `UnusableDocument` where a counter's file is damaged.
    """

    def __init__(self, table: CameraTable, folder: Path) -> None:
        self._table = table
        self._numbers = count(1)
        self._counter: Counter | None = None
        if table.named_by in ("counter", "trigger"):
            self._counter = Counter(folder / COUNTERS / f"{portable(table.name)}.json")

    def delivery(
        self,
        frames: Sequence[Frame],
        taken_mono_ns: int,
        judged: Judged = COMPLETE,
        trigger: Trigger | None = None,
        *,
        shot_id: str = "",
        part_id: str | None = None,
        variant: str | None = None,
        token: object = None,
    ) -> Delivery:
        """Return what came of one trigger. `part_id` and `variant`: what the camera itself says of the part."""
        status, why = judged.status, judged.why
        try:
            name = self._named(trigger, part_id)
        except TiepointError as error:
            name = None
            status, why = ("incomplete", str(error)) if status == "complete" else (status, why)
        taken_utc = utc_of(taken_mono_ns)
        number = next(self._numbers)
        made_up = f"{self._table.name}-{taken_utc[:23].replace(':', '').replace('.', '-')}Z-{number:06d}"
        return Delivery(
            id=shot_id or made_up,
            camera=self._table.name,
            frames=tuple(frames),
            taken_utc=taken_utc,
            taken_mono_ns=taken_mono_ns,
            status=status,
            why=why,
            part_id=name,
            variant=(trigger.variant if trigger else None) or variant,
            encoder_count=trigger.encoder_count if trigger else None,
            robot_from_flange=trigger.robot_from_flange if trigger else None,
            trigger=trigger.id if trigger else "",
            token=token,
        )

    def nothing(self, trigger: Trigger, why: str, status: ShotStatus = "incomplete") -> Delivery:
        """Return what came of a trigger of which nothing came."""
        return self.delivery((), trigger.taken_mono_ns, Judged(status, why), trigger)

    def _named(self, trigger: Trigger | None, part_id: str | None) -> str | None:
        by = self._table.named_by
        if by == "trigger" and (trigger is None or trigger.part_id):
            return trigger.part_id if trigger else None
        if self._counter is not None:  # also for a trigger that is a mere edge, and names no part
            return f"{self._counter.next():09d}"
        return part_id if by == "name" else None


def worse(*judged: Judged) -> Judged:
    """Return the first that is not complete, with all that was lost."""
    bad = next((one for one in judged if one.status != "complete"), Judged())
    return Judged(bad.status, bad.why, sum(one.lost for one in judged))
