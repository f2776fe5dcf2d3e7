"""A `[[camera]]` of station.toml as a page names it: comments stay, and so do the keys that a page does not have.

A page has the few that make a camera one whose pictures come: its name, where from, what its files are called, and by
what a part is. The others stand in the reference of files.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.items import AoT

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.table import KINDS, CameraTable, From, PartId
from tiepoint.station.drafting import Step
from tiepoint.station.folder import STATION, Station
from tiepoint.station.station_edits import edit_station

DEVICE = ("index", "url", "path")


@dataclass(frozen=True, slots=True)
class Named:
    """A camera as a page has it. `at`: the folder, the device, or the id of a GenICam camera; a pushed one has none.

    A device is a number, as the operating system counts it, a stream's URL, or else a video file. `names`: what the
    files in a folder are called, as in `{shot}_{light}.png`; empty where they need not tell anything.
    """

    name: str
    comes_from: From
    at: str = ""
    names: str = ""
    part_id: PartId | None = None


def named(table: CameraTable) -> Named | None:
    """Return a camera as a page has it; None where its pictures come from nowhere."""
    if table.comes_from is None:
        return None
    at, names = "", ""
    if table.folder is not None:
        at, names = table.folder.path, table.folder.names or ""
    elif table.device is not None:
        at = next(str(value) for key in DEVICE if (value := getattr(table.device, key)) is not None)
    elif table.genicam is not None:
        at = table.genicam.id
    return Named(table.name, table.comes_from, at, names, table.part_id)


def name_camera(station: Station, wanted: Named, *, was: str | None, who: str, seen: str | None) -> Step:
    """Write a camera into station.toml, a new one or the one that `was` called so; return the step that undoes it.

    `seen`: the SHA-256 of station.toml as the page saw it. Raises `Conflict` where it is otherwise by now,
    `UnusableDocument` that begins with the field where the camera could not be used, and `UnusableInput` where there
    is no camera called `was`, or another one called so.
    """

    def put(document: tomlkit.TOMLDocument) -> None:
        cameras = _cameras(document)
        table = _of(cameras, was)
        if any(one is not table and one.get("name") == wanted.name for one in cameras):
            raise UnusableInput(f'name "{wanted.name}" is another camera\'s already; give this one its own')
        if table is None:
            table = tomlkit.table()
            _put(table, wanted)
            cameras.append(table)
        else:
            _put(table, wanted)
        CameraTable.read(table.unwrap(), "")

    says = f"Name the camera {wanted.name}" if was is None else f"Change the camera {was}"
    return edit_station(station, says[:120], put, who=who, seen=seen)


def _cameras(document: tomlkit.TOMLDocument) -> AoT:
    """Return the cameras, each a table of its own: what stood as a list in one line cannot hold one, and moves down."""
    there = document.get("camera", ())
    if isinstance(there, AoT):
        return there
    document.pop("camera", None)
    cameras = tomlkit.aot()
    for one in there:
        cameras.append(tomlkit.item(one.unwrap()))
    document.append("camera", cameras)
    return cameras


def _of(cameras: Sequence[Any], was: str | None) -> Any:
    if was is None:
        return None
    for one in cameras:
        if one.get("name") == was:
            return one
    raise UnusableInput(f'there is no camera "{was}" in {STATION} any more; look at what is there now')


def _put(table: Any, wanted: Named) -> None:
    """State what is wanted in a camera's table, and take away what only belonged to where its pictures came from."""
    if table.get("from") not in (None, wanted.comes_from):
        for key in (*KINDS, "receiver", "lamps", "trigger", "part_id"):
            table.pop(key, None)
    _set(table, "name", wanted.name)
    _set(table, "from", wanted.comes_from)
    _set(table, "part_id", wanted.part_id)
    places: dict[str, Any] = {}
    if wanted.comes_from == "folder":
        places = {"path": wanted.at, "names": wanted.names or None}
    elif wanted.comes_from == "genicam":
        places = {"id": wanted.at}
    elif wanted.comes_from == "device":
        places = dict.fromkeys(DEVICE) | _device(wanted.at)
    if not places:
        return
    if wanted.comes_from not in table:
        table[wanted.comes_from] = tomlkit.table()
    for key, value in places.items():
        _set(table[wanted.comes_from], key, value)


def _device(at: str) -> dict[str, Any]:
    # More digits are no number of a camera, and the table says so.
    return (
        {"index": int(at)} if at.isascii() and at.isdigit() and len(at) < 10 else {"url" if "://" in at else "path": at}
    )


def _set(table: Any, key: str, value: Any) -> None:
    if value is None:
        table.pop(key, None)
    elif table.get(key) != value:
        table[key] = value
