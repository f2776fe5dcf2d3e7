"""station.toml, changed from a page: comments stay, and nothing is written that could not be read."""

import tomllib
from collections.abc import Callable

import tomlkit

from tiepoint.station.drafting import Change, Step, edit, read_draft
from tiepoint.station.folder import STATION, Station, StationTable, open_station


def edit_station(
    station: Station, says: str, put: Callable[[tomlkit.TOMLDocument], None], *, who: str, seen: str | None
) -> Step:
    """Have `put` change the document, and write it; return the step that undoes it. `says`: what it does, in words.

    `seen`: the SHA-256 of station.toml as the page saw it. Raises `Conflict` where it is otherwise by now, and
    `UnusableInput` where it cannot be read, is not there, or could not be read with the change.
    """
    open_station(station.folder)  # what is wrong already is mended by hand
    draft = read_draft(station, STATION)
    document = tomlkit.parse(draft.text or "")
    put(document)
    text = tomlkit.dumps(document)
    StationTable.read(tomllib.loads(text), f"{STATION}: ")
    return edit(station, says, [Change(STATION, text.encode())], who=who, seen={STATION: seen})
