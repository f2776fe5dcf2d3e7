"""The station's cameras as See names them: kept in station.toml, undoable like any edit."""

import asyncio
import re
from dataclasses import asdict
from typing import Annotated

from fastapi import APIRouter, Depends
from pydantic import BaseModel, ConfigDict, Field

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.camera_edits import DEVICE, Named, name_camera, named
from tiepoint.station.cameras.table import From, PartId
from tiepoint.station.drafting import Conflict, sha_of
from tiepoint.station.folder import STATION, Station, open_station
from tiepoint.web.here import Here, here_of
from tiepoint.web.refused import Refused, refusals, refused_by
from tiepoint.web.sessions import needs
from tiepoint.web.users import User

router = APIRouter(prefix="/api/see", tags=["see"])
ThisStation = Annotated[Here, Depends(here_of)]
Looker = Annotated[User, Depends(needs("look"))]
Editor = Annotated[User, Depends(needs("change"))]
Typed = Annotated[str, Field(max_length=1000)]


class CameraNamed(BaseModel):
    """A camera whose pictures come from a folder, a device, a GenICam camera, or are pushed by it over HTTP.

    `at`: the folder; the number, URL or video file of a device; the id, serial number or address of a GenICam camera.
    `names`: what the files in a folder are called, as in `{shot}_{light}.png`. `part_id`: by what a part is called.
    """

    model_config = ConfigDict(extra="forbid")

    name: Typed
    comes_from: From
    at: Typed = ""
    names: Typed = ""
    part_id: PartId | None = None


class CamerasTold(BaseModel):
    """The cameras of station.toml, and the SHA-256 of it, which an edit gives back."""

    cameras: list[CameraNamed]
    sha: str | None


class NameCamera(CameraNamed):
    """The camera that is wanted; `was`: what it was called, or null for a new one."""

    was: Typed | None = None
    sha: Annotated[str, Field(pattern="^[0-9a-f]{64}$")] | None


@router.get("/cameras", responses=refusals(401, 422))
async def cameras(here: ThisStation, _: Looker) -> CamerasTold:
    """Tell the cameras that station.toml names."""
    return await asyncio.to_thread(_told, here.station)


@router.put("/cameras", responses=refusals(401, 409, 415, 422))
async def name(here: ThisStation, wanted: NameCamera, user: Editor) -> CamerasTold:
    """Write a camera into station.toml. Duty has it when it begins anew. Needs the role change."""
    return await asyncio.to_thread(_name, here.station, wanted, user.name)


def _told(station: Station) -> CamerasTold:
    sha = sha_of(station, STATION)
    there = map(named, open_station(station.folder).table.camera)
    return CamerasTold(cameras=[CameraNamed(**asdict(one)) for one in there if one is not None], sha=sha)


def _name(station: Station, wanted: NameCamera, who: str) -> CamerasTold:
    stated = Named(wanted.name.strip(), wanted.comes_from, wanted.at.strip(), wanted.names.strip(), wanted.part_id)
    try:
        name_camera(station, stated, was=wanted.was, who=who, seen=wanted.sha)
    except Conflict:
        raise
    except UnusableInput as error:
        refused = refused_by(error, station.folder)
        raise Refused(422, refused.says, refused.do, where=_field(refused.says)) from error
    return _told(station)


def _field(says: str) -> str:
    """Return which field of the page a sentence that begins with a place in station.toml is about."""
    table, key = [*re.split(r"[ .]", says.removeprefix(f"{STATION}: "), maxsplit=2), ""][:2]
    if table in ("name", "part_id"):
        return table
    if table not in ("folder", "device", "genicam"):
        return ""
    return "names" if key == "names" else "at" if key in ("path", "id", *DEVICE) else ""
