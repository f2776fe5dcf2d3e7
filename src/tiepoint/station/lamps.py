"""The lamps of a station as drafts: which descriptions there are, and edits of them that keep their comments."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.recipe.lights import LightsDocument, read_lights
from tiepoint.station.drafting import read_draft
from tiepoint.station.folder import Station

USUAL = "lights.toml"
FOUR = """format = "tiepoint/lights/1"

# Four lamps at 90° to one another, as seen from the part: azimuth from +x of the plane, elevation above it.
[[light]]
id = "east"
azimuth_deg = 0
elevation_deg = 35

[[light]]
id = "north"
azimuth_deg = 90
elevation_deg = 35

[[light]]
id = "west"
azimuth_deg = 180
elevation_deg = 35

[[light]]
id = "south"
azimuth_deg = 270
elevation_deg = 35
"""
"""What a person begins with who has described no lamps yet."""
KEYS = ("id", "azimuth_deg", "elevation_deg", "position_mm", "gain", "wavelength_nm", "risk_group")
"""What a page changes of a lamp; whatever else stands there stays."""


@dataclass(frozen=True, slots=True)
class LampsDraft:
    """A description of lamps: its path in the station, hash and text; `document`, or the `fault` that keeps it away.

    `text`: None where the file is none.
    """

    path: str
    sha: str | None
    text: str | None
    document: LightsDocument | None
    fault: str


def described(station: Station) -> tuple[str, ...]:
    """Return where lamps are described, from the station's folder, the usual place first."""
    places = (station.folder, station.folder / "lights", station.folder / "recipes")
    found = [p.relative_to(station.folder).as_posix() for place in places for p in sorted(place.glob("*lights.toml"))]
    return tuple(sorted(found, key=lambda name: (name != USUAL, name)))


def lamps_draft(station: Station, path: str = USUAL) -> LampsDraft:
    """Return a description of lamps as it is, or empty where there is none."""
    draft = read_draft(station, path)
    text: str | None = None
    try:
        text = draft.text
        if text is None:
            return LampsDraft(path, None, "", None, "")
        document = read_lights(_parsed(text, path).unwrap(), path, (station.folder / path).parent)
    except TiepointError as error:
        return LampsDraft(path, draft.sha, text, None, str(error))
    return LampsDraft(path, draft.sha, text, document, "")


def edited(text: str, lamps: Sequence[Mapping[str, Any]], path: str = USUAL) -> bytes:
    """Return a description with other lamps: those of the same place in their order are changed, others come or go.

    `lamps`: of each what `KEYS` name; a key that is None or missing is taken away. Comments and all other keys stay.
    Raises `UnusableInput` or `UnusableDocument` where the outcome cannot be used.
    """
    document = _parsed(text or FOUR, path)
    tables: Any = document.get("light")
    if not isinstance(tables, tomlkit.items.AoT):
        tables = tomlkit.aot()
        document["light"] = tables
    while len(tables) > len(lamps):
        del tables[-1]
    for k, lamp in enumerate(lamps):
        if k == len(tables):
            tables.append(tomlkit.table())
        for key in KEYS:
            value = lamp.get(key)
            if value is None:
                tables[k].pop(key, None)
            elif tables[k].get(key) != value:
                tables[k][key] = value
    changed = tomlkit.dumps(document)
    read_lights(_parsed(changed, path).unwrap(), path)
    return changed.encode()


def _parsed(text: str, path: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except TOMLKitError as error:
        raise UnusableInput(f"{path} is no TOML: {error}") from error
