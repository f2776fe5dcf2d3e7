"""A new station: the least that a folder needs to be one."""

from pathlib import Path

import tomlkit

from tiepoint.documents.files import format_of, reason_of, write_atomic
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.folder import STATION, Station, open_station
from tiepoint.station.there import is_station

SAYS = "What a station is; every key is described in the reference of files."


def opened_or_begun(folder: Path) -> tuple[Station, bool]:
    """Return the station of a folder, and whether it was begun now: an empty folder, or none, becomes one of its name.

    Raises `UnusableInput` where the folder holds other things, or cannot be written.
    """
    if is_station(folder):
        return open_station(folder), False
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise UnusableInput(
                f"{folder} is no station, and not empty; name one that has a {STATION}, or an empty or a new folder"
            )
        name = folder.resolve().name
    except (OSError, RuntimeError) as error:
        raise UnusableInput(f"cannot look into {folder}: {reason_of(error)}; name another folder") from error
    document = tomlkit.document()
    document.add(tomlkit.comment(SAYS))
    document["format"] = format_of("station")
    document["name"] = "".join(c if c.isprintable() else " " for c in name).strip()[:100] or "station"
    document["unit"] = "mm"
    write_atomic(folder / STATION, tomlkit.dumps(document).encode("utf-8", "replace"))
    return open_station(folder), True
