"""Hold as accepted, from the camera's pictures: the watch's accepted state, and the numbers of See beside it."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tiepoint.documents.files import read_document, write_document
from tiepoint.documents.revived import outcome_of, revived
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.recipe.shots import LoadedShot
from tiepoint.station.accepted import ACCEPTED
from tiepoint.station.folder import Station
from tiepoint.station.see.sight import Sight
from tiepoint.station.see.told import Number
from tiepoint.station.watch.chart import FEWEST
from tiepoint.station.watch.holding import Holding, hold_now

FILE = "see.json"
MOST_CHANGED = 3.0
"""A number is as held within so many times the ± of both together."""


@dataclass(frozen=True)
class HeldSight:
    """What was held: the numbers of a sight (value and U, 95 %, by name), the sight, when, by whom and why.

    `entry`: of the ledger; `watch`: the hash of the watch's accepted state that was held with it. `camera`: of which.
    """

    at_utc: str
    who: str
    why: str
    camera: str
    entry: int
    watch: str
    values: dict[str, float]
    u95: dict[str, float]
    sight: Sight


def hold_sight(
    station: Station, shots: Sequence[LoadedShot], sight: Sight, numbers: Sequence[Number],
    *, camera: str, who: str, why: str, at_utc: str,
) -> tuple[Holding, HeldSight]:  # fmt: skip
    """Take some pictures of a camera for the accepted state of the watch, and the newest's numbers beside it.

    Raises `UnusableInput` on duty, and for fewer than five pictures.
    """
    if len(shots) < FEWEST:
        raise UnusableInput(
            f"{len(shots)} of at least {FEWEST} pictures are there to be held; look at the live picture a little "
            "longer, or hand more over"
        )
    holding = hold_now(station, shots, (), who=who, why=why)
    told = [row for row in numbers if row.value is not None]
    held = HeldSight(
        at_utc, who, why, camera, holding.entry.seq, holding.reference.sha,
        {row.name: float(row.value or 0.0) for row in told},
        {row.name: row.u95 for row in told if row.u95 is not None}, sight,
    )  # fmt: skip
    write_document(held_path(station), "see", outcome_of(held))
    return holding, held


def held_path(station: Station) -> Path:
    """Return where what was held lies."""
    return station.folder / ACCEPTED / FILE


def kept_sight(station: Station) -> HeldSight | None:
    """Return what was held; None where nothing was. Raises `UnusableDocument` for a broken one."""
    path = held_path(station)
    if not path.is_file():
        return None
    try:
        return revived(HeldSight, read_document(path, "see"))
    except UnusableDocument as error:
        raise UnusableDocument(f"{path} does not hold what was seen: {error}; hold it anew on the page See") from error


def changed_since(held: HeldSight, numbers: Sequence[Number]) -> tuple[str, ...]:
    """Return the names of numbers that are not as held: by more than three times the ± of both, and a twentieth."""
    found = []
    for row in numbers:
        was = held.values.get(row.name)
        if was is None or row.value is None or row.name == "flicker":
            continue
        wide = (row.u95 or 0.0) + held.u95.get(row.name, 0.0)
        if abs(row.value - was) > max(MOST_CHANGED * wide, 0.05 * abs(was), 0.05 if row.unit == "%" else 0.0):
            found.append(row.name)
    return tuple(found)
