"""Whose evidence a ledger is: every act and record names its station, and an act says where it was renamed.

A folder can be copied and its `station.toml` be given another name; the entries of its ledger cannot. So a station is
what its entries say, and is called otherwise only from the act on that says so.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from tiepoint.documents.files import format_of
from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.tables import shown
from tiepoint.station.folder import STATION, Station
from tiepoint.station.ledger import Entry, Ledger, has_ledger

RENAME = "rename"


@dataclass(frozen=True, slots=True)
class Stranger:
    """Entries that name another station, which no later act renamed: its `name`, the first of them, and how many."""

    name: str
    first: int
    count: int


@dataclass(frozen=True, slots=True)
class Naming:
    """What a ledger says of whose it is: entries of `strangers`, acts of a rename, and acts that name no station."""

    strangers: tuple[Stranger, ...]
    renamed: tuple[Entry, ...]
    unnamed: tuple[int, ...]

    def faults(self, station: Station) -> Iterator[str]:
        """Yield, in sentences, which entries are of another station."""
        for one in self.strangers:
            which = f"entry {one.first} is" if one.count == 1 else f"entry {one.first} and {one.count - 1} more are"
            yield f"{which} of the station {shown(one.name)}, and this is {shown(station.name)}"

    def notes(self) -> Iterator[str]:
        """Yield what a reader should know, and is no fault."""
        for act in self.renamed:
            was = " and ".join(shown(name) for name in act.body["was"])
            yield f"entry {act.seq}, {act.written_utc[:10]}: renamed from {was} to {shown(act.body['station'])}"
        if self.unnamed:
            which = "1 act names" if len(self.unnamed) == 1 else f"{len(self.unnamed)} acts name"
            yield f"{which} no station, the first of them entry {self.unnamed[0]}: an earlier tiepoint wrote so"


def act_of(station: Station, act: str, *, who: str, why: str, **about: Any) -> dict[str, Any]:
    """Return the body of a person's act at a station."""
    return {"format": format_of("act"), "act": act, "station": station.name, "who": who, "why": why, **about}


class NamingSoFar:
    """Whose the entries of a ledger are, one after another, held against the name that the station has now."""

    def __init__(self, station: Station) -> None:
        self._name = station.name
        self._strangers: dict[str, Stranger] = {}
        self._renamed: list[Entry] = []
        self._unnamed: list[int] = []

    def add(self, entry: Entry) -> None:
        """Take the next entry into account."""
        if entry.body.get("act") == RENAME:
            self._renamed.append(entry)
            for was in entry.body["was"]:
                self._strangers.pop(was, None)
        name = entry.body.get("station")
        if name is None and entry.kind == "act":
            self._unnamed.append(entry.seq)
        elif name is not None and name != self._name:
            known = self._strangers.get(name, Stranger(name, entry.seq, 0))
            self._strangers[name] = Stranger(name, known.first, known.count + 1)

    @property
    def naming(self) -> Naming:
        """What the entries say so far."""
        return Naming(tuple(self._strangers.values()), tuple(self._renamed), tuple(self._unnamed))


def name_in(ledger: Ledger) -> str | None:
    """Return the name that the ledger's newest act or record gives its station; None where neither gives one."""
    named = [entry for entry in map(ledger.last, ("act", "record")) if entry is not None and entry.body.get("station")]
    return max(named, key=lambda entry: entry.seq).body["station"] if named else None


def demand_own(station: Station, ledger: Ledger) -> None:
    """Raise `UnusableInput` where the ledger is of a station that is called otherwise: nothing is added to it then."""
    name = name_in(ledger)
    if name is not None and name != station.name:
        raise UnusableInput(
            f"{ledger.name} is of the station {shown(name)}, and {station.folder / STATION} calls it "
            f"{shown(station.name)}; if it was renamed, date that with tiepoint accept --why; if the folder was copied "
            "for another station, begin that one without ledger, accepted, archive and studies"
        )


def other_names(station: Station) -> tuple[str, ...]:
    """Return what the entries of its ledger call a station, where that is not its name, nor was renamed to it."""
    if not has_ledger(station.ledger_place):
        return ()
    told = NamingSoFar(station)
    with Ledger(station.ledger_place) as ledger:
        for entry in ledger.entries():
            told.add(entry)
    return tuple(one.name for one in told.naming.strangers)
