"""Whether a station is there: a folder that was taken away, as a disk is, looks like one that is new."""

from pathlib import Path

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.folder import STATION


def is_station(folder: Path) -> bool:
    """Return whether a folder is a station's: it has a `station.toml`, of whatever content."""
    return (folder / STATION).is_file()


def demand_there(folder: Path) -> None:
    """Raise `UnusableInput` where a station that was there is not any more: nothing is begun anew where it lay."""
    if not is_station(folder):
        raise UnusableInput(
            f"the station's folder {folder} is not there any more, or has no {STATION}; bring it back: until then "
            "nothing is written, and what is shown is not the station"
        )
