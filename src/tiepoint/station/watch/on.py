"""Which alarms of a station's watch are on now, for who only reads: by its state file, and the ledger since then."""

from dataclasses import dataclass

from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger
from tiepoint.station.questions import MOST, last_entries
from tiepoint.station.watch.hold import kept_reference
from tiepoint.station.watch.state import read_state


@dataclass(frozen=True, slots=True)
class AlarmOn:
    """An alarm: what it says, since when, and what to do next."""

    says: str
    since_utc: str
    next: str


def alarms_on(station: Station, ledger: Ledger) -> dict[str, AlarmOn]:
    """Return the alarms that are on, by name. Raises a `TiepointError` where the accepted state is broken."""
    reference = kept_reference(station)
    known = read_state(station, "" if reference is None else reference.sha)
    on = {name: AlarmOn(alarm.says, alarm.since_utc, alarm.next) for name, alarm in known.alarms.on.items()}
    # That file is of a minute ago, or of when the last part passed.
    for entry in reversed(last_entries(ledger, "duty", MOST)):
        body = entry.body
        if body.get("event") == "alarm":
            name = f"{body['kind']} {body['about']}".strip()
            on.pop(name, None)
            if body["phase"] == "begins":
                on[name] = AlarmOn(
                    str(body["says"]), str(body.get("since_utc", entry.written_utc)), str(body.get("next", ""))
                )
    return on
