"""What a station is doing, for who sees nothing but a terminal or a log: what happened, to which part, what to do."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tiepoint.station.duty.condition import next_of
from tiepoint.station.duty.status import read_status

if TYPE_CHECKING:
    from tiepoint.model.record import Record
    from tiepoint.station.ledger import Entry, Ledger

LAST_PARTS = 3
NOT_CONFORMING = ("rejected", "undecided", "unread")


def counted(verdicts: Mapping[str, int]) -> str:
    """Return how many parts have each verdict, as in `41 conform, 1 rejected`."""
    return ", ".join(f"{n} {'conform' if word == 'conforms' and n != 1 else word}" for word, n in verdicts.items() if n)


def state_line(told: Mapping[str, Any]) -> str:
    """Return in a line what a station is, since when and why."""
    state = str(told["state"])
    fault = f" ({told['fault']})" if told["fault"] else ""
    says = f": {told['says']}" if told["says"] else ""
    return f"{state[:1].upper()}{state[1:]}{fault} since {told['since_utc']}{says}"


def next_line(told: Mapping[str, Any], station: Path) -> str:
    """Return what to do about a state; "" where there is nothing, or its own sentence says so."""
    if told["state"] == "fault":
        todo = next_of(str(told["fault"]))
        alarm = str(told["fault"]).removeprefix("watch ")
        if alarm != told["fault"]:
            todo = f'once that is done: tiepoint duty settle {station} "{alarm}" --why TEXT'
        return f"What to do: {todo}." if todo else ""
    return {
        "off duty": f"It goes on duty again by: tiepoint duty resume {station} --why TEXT",
        "not released": (
            f"What to do: see to what was judged wrong, then: tiepoint duty challenge {station} --why TEXT. "
            f"Who answers for parts all the same: tiepoint duty bypass {station} --why TEXT"
        ),
        "warming": "Parts are unread meanwhile. A machine's first start takes a minute or two, later ones seconds.",
    }.get(str(told["state"]), "")


class Teller:
    """Hears what the duty process of a station says, and hands on in lines what has changed."""

    def __init__(self, station: Path) -> None:
        """Nothing was heard yet; what an earlier process left is not of now."""
        before = read_status(station)
        self._station = station
        self._since_utc = "" if before is None else str(before.told["since_utc"])
        self._last: tuple[str, str] | None = None

    def changes(self) -> Iterator[str]:
        """Yield what is to be told since the last time."""
        status = read_status(self._station)
        if status is None:
            return
        told, now = status.told, (str(status.told["state"]), str(status.told["fault"]))
        # A state is heard of a moment before it is known since when.
        if now == self._last or told["since_utc"] == self._since_utc:
            return
        self._last, self._since_utc = now, str(told["since_utc"])
        yield state_line(told)
        if then := next_line(told, self._station):
            yield f"  {then}"


def last_not_conforming(ledger: "Ledger") -> Iterator[str]:
    """Yield a line for each of the last parts that did not conform, newest first."""
    from tiepoint.recipe.records import record_from
    from tiepoint.station.questions import Asked, last_records

    found: list[Entry] = []
    for verdict in NOT_CONFORMING:
        found += last_records(ledger, LAST_PARTS, Asked(verdict=verdict))  # type: ignore[arg-type]  # each is one
    for entry in sorted(found, key=lambda e: -e.seq)[:LAST_PARTS]:
        record = record_from(entry.body)
        why = _why(record)
        part = record.shot.part_id or record.shot.id
        when = f"entry {entry.seq} of {entry.written_utc[:19]}Z"
        yield f"{part}: {record.verdict}, {when}{f': {why}' if why else ''}"


def _why(record: "Record") -> str:
    """Return by which reading a part does not conform, and why."""
    from tiepoint.cli.told import reading_row

    one = next((r for r in record.readings if r.verdict not in (None, "conforms")), None)
    if one is None or (record.shot.status != "complete" and record.notes):
        return " ".join(record.notes)  # nobody looked: what was wrong with the shot, or why it had no recipe
    name, value, pm, unit, limits, _, remarks = reading_row(one)
    measured = " ".join(filter(None, (name, value, pm, unit)))
    said = remarks if one.value is None else f"allowed {limits}" if limits else ""
    return "; ".join(filter(None, (measured, said)))
