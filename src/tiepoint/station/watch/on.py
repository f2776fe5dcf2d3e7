"""Which alarms of a station's watch are on now, for who only reads: by its state file, and the ledger since then."""

from collections.abc import Mapping
from dataclasses import dataclass

from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger
from tiepoint.station.questions import MOST, last_entries
from tiepoint.station.watch.alarms import Alarm
from tiepoint.station.watch.hold import kept_reference
from tiepoint.station.watch.kinds import NEXT
from tiepoint.station.watch.state import read_state


@dataclass(frozen=True, slots=True)
class AlarmOn:
    """An alarm: what it says, since when, and what to do next."""

    says: str
    since_utc: str
    next: str


def alarms_told(ledger: Ledger) -> Mapping[str, Alarm | None]:
    """Return what the ledger's last events tell of alarms, by name: the alarm where it began, None where it ended."""
    told: dict[str, Alarm | None] = {}
    for entry in reversed(last_entries(ledger, "duty", MOST)):
        body = entry.body
        if body.get("event") == "alarm":
            since = str(body.get("since_utc", entry.written_utc))
            alarm = Alarm(
                body["kind"], body["about"], str(body["says"]), since, body.get("change"), str(body.get("unit", ""))
            )
            told[alarm.name] = alarm if body["phase"] == "begins" else None
    return told


def alarms_on(station: Station, ledger: Ledger) -> dict[str, AlarmOn]:
    """Return the alarms that are on, by name. Raises a `TiepointError` where the accepted state is broken."""
    reference = kept_reference(station)
    known = read_state(station, "" if reference is None else reference.sha)
    # That file is of a minute ago, or of when the last part passed.
    now: dict[str, Alarm | None] = {**known.alarms.on, **alarms_told(ledger)}
    return {name: AlarmOn(a.says, a.since_utc, NEXT.get(a.kind, "")) for name, a in now.items() if a is not None}
