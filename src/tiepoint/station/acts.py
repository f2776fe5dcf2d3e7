"""Writing people's acts into the ledger: as the writer where no other program is one, through the inbox on duty."""

from collections.abc import Callable, Mapping
from typing import Any

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.folder import Station
from tiepoint.station.inbox import ask
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.lock import DUTY, WAIT_S, WriterLock, holder_of
from tiepoint.station.naming import RENAME, act_of, demand_own, other_names

Body = Mapping[str, Any]


def write_act(
    station: Station, act: Body | Callable[[int], Body], *, at: str | None = None, wait_s: float = WAIT_S
) -> Entry:
    """Write an act into a station's ledger, durably, and return its entry.

    `act`: its body, or what makes it for the entry's number; on duty that number is only the next one by the look of
    it. Raises `UnusableInput` where the ledger cannot be written, is another station's, or the duty process refuses.
    """
    holder = holder_of(station.folder)
    if holder is not None and holder.what == DUTY:
        return ask(station, act(_next(station)) if callable(act) else act)
    with WriterLock(station.folder, "a command", wait_s=wait_s), Ledger(station.ledger_place, create=True) as ledger:
        if callable(act) or act.get("act") != RENAME:
            demand_own(station, ledger)
        return ledger.append_made("act", act if callable(act) else lambda _: act, at=at)


def rename(station: Station, *, who: str, why: str, at: str | None = None) -> Entry | None:
    """Write into the ledger that the station is called what `station.toml` says; None where it is already."""
    was = other_names(station)
    if not was:
        return None
    demand_off_duty(station, "a station is not renamed")
    return write_act(station, act_of(station, RENAME, who=who, why=why, was=list(was)), at=at)


def demand_off_duty(station: Station, what: str) -> None:
    """Raise `UnusableInput` where the station is on duty: `what` cannot be done then."""
    holder = holder_of(station.folder)
    if holder is not None and holder.what == DUTY:
        raise UnusableInput(f"{what} while {station.folder} is on duty ({holder}); take it off duty first")


def _next(station: Station) -> int:
    with Ledger(station.ledger_place) as ledger:
        return ledger.head.seq + 1
