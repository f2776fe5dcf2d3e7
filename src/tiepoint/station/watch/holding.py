"""Hold as accepted, whole: the accepted state is worked out, kept, and written into the ledger as an act."""

from collections.abc import Sequence
from dataclasses import dataclass

from tiepoint.model.record import Record
from tiepoint.recipe.shots import LoadedShot
from tiepoint.station.acts import demand_off_duty, write_act
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry
from tiepoint.station.naming import act_of
from tiepoint.station.watch.hold import Reference, hold, keep_reference, not_held

KINDS = {"grey": "light", "blur": "sharpness", "turn": "position"}
"""Numbers whose alarms are called otherwise than they are."""


@dataclass(frozen=True)
class Holding:
    """What was held: the ledger's `entry`, the state, which kinds of alarms it can raise, and what is not watched."""

    entry: Entry
    reference: Reference
    watched: tuple[str, ...]
    not_watched: tuple[str, ...]


def hold_now(
    station: Station, shots: Sequence[LoadedShot], records: Sequence[Record] = (), *, who: str, why: str
) -> Holding:
    """Take how a station looks in some shots for its accepted state, as `tiepoint hold` does.

    Raises `UnusableInput` while it is on duty, and where the shots cannot be held.
    """
    demand_off_duty(station, "the accepted state is not held anew")
    reference = hold(station, shots, records)
    keep_reference(station, reference)
    entry = write_act(station, act_of(station, "hold", who=who, why=why, sha=reference.sha, shots=reference.shots))
    return Holding(entry, reference, tuple(_watched(station, reference)), not_held(reference, station.table.watch))


def _watched(station: Station, reference: Reference) -> list[str]:
    """Return the kinds of alarms that what was held can raise."""
    found = {name.partition("|")[0] for name in reference.centres}
    kinds = {KINDS.get(name, name) for name in found}
    kinds |= {"dirt"} if reference.grounds and station.table.watch.dirt is not None else set()
    return sorted(kinds | ({"edge"} if reference.edges else set()))
