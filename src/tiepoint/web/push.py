"""Pictures that a camera sends: they are looked at, and handed over to duty through the camera's folder."""

import asyncio
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from starlette.datastructures import FormData, UploadFile

from tiepoint.documents.files import parsed_json
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.station.cameras.push import NoRoom, NotTaken, Pushed, Quota, hand_over
from tiepoint.station.cameras.table import CameraTable, PushTable
from tiepoint.web.forms import demand_form, not_taken, one_of_a_few, pictures_body, read_form
from tiepoint.web.here import here_of
from tiepoint.web.refused import Refused, refusals, told_here
from tiepoint.web.sessions import not_allowed, sessions_of
from tiepoint.web.shapes import Taken

MOST_PICTURES = 64
AT_ONCE = 4
"""Shots of one camera whose bodies are taken at once."""
_MARKS = (b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"II*\0", b"MM\0*", b"II+\0", b"MM\0+", b"BM", b"P5", b"P6")
_ABOUT = ("id", "part_id", "variant", "taken_utc", "encoder_count", "robot_from_flange", "temperature_c")
_BODY = pictures_body(
    MOST_PICTURES,
    "; the file's name, without its ending, is the light's id where a shot has several.",
    about=f"JSON of what else shot.json holds: {', '.join(_ABOUT)}.",
)

router = APIRouter(prefix="/api/cameras", tags=["cameras"])


@router.post(
    "/{name}/shots", status_code=202, responses=refusals(401, 404, 409, 415, 422), openapi_extra=_BODY
)  # the body is read by hand, so that nobody's is before it is known who asks
async def shot(request: Request, name: Annotated[str, Path(max_length=200)]) -> Taken:
    """Take a shot that a camera sends. What it comes to is never answered here: a record and the wires tell it."""
    user = sessions_of(request).who(request)
    if not user.may_push(name):
        raise not_allowed(user, "this needs the role operate, or the token of this camera")
    here = here_of(request)
    camera = next((c for c in here.station.table.camera if c.name == name and c.comes_from == "push"), None)
    if camera is None:
        raise Refused(404, "no camera of that name is pushed here", 'give it from = "push" in station.toml')
    demand_form(request, "a shot comes")
    with one_of_a_few(here.pushing, f"camera {name}", AT_ONCE, "shots of this camera"):
        async with read_form(request, MOST_PICTURES, fields=1) as form:
            about = _about(form)
            async with here.looking:  # what comes slowly waits on the disk, and keeps nobody else from being looked at
                return Taken(id=await _handed_over(request, camera, await _pictures(form, camera), about))


async def _handed_over(request: Request, camera: CameraTable, pictures: list[Pushed], about: dict[str, Any]) -> str:
    table = camera.push or PushTable()
    quota, folder = Quota(int(table.most_mb * 1e6), table.most_shots), here_of(request).station.folder
    try:
        return await asyncio.to_thread(hand_over, folder / camera.push_path, pictures, about, quota)
    except (NoRoom, NotTaken) as error:
        says, _, do = told_here(error, folder).partition("; ")
        if isinstance(error, NotTaken):
            raise not_taken(says, do) from error
        raise Refused(429, says, do, code="no_room", headers={"Retry-After": "1"}) from error


async def _pictures(form: FormData, camera: CameraTable) -> list[Pushed]:
    sent = [one for one in form.getlist("picture") if isinstance(one, UploadFile)]
    if not sent or set(form) - {"picture", "about"}:
        raise Refused(422, "a shot has its pictures in fields called picture, and at most one called about")
    found = []
    for one in sent:
        data = await one.read()
        if not data.startswith(_MARKS):
            raise Refused(422, "a picture is no PNG, JPEG, TIFF, BMP, PGM or PPM", "send its file", where="picture")
        if len(sent) == 1 and len(camera.lights) < 2:
            found.append(Pushed(data))
            continue
        light = str(one.filename or "").rpartition(".")[0]
        if light not in camera.lights:
            raise Refused(
                422, "a picture's file is not named after a light of the camera", "name it as in left.png",
                where="picture",
            )  # fmt: skip
        found.append(Pushed(data, light, light))
    if len({one.light for one in found}) < len(found) or len(found) < len(camera.lights):
        raise Refused(422, "a shot has one picture of each light of the camera", "send one of each", where="picture")
    return found


def _about(form: FormData) -> dict[str, Any]:
    said = form.get("about")
    if said is None:
        return {}
    if not isinstance(said, str):
        raise Refused(422, "about is a field, and no file", "send it without a file name", where="about")
    try:
        told = parsed_json(said)
    except (ValueError, RecursionError, UnusableDocument) as error:
        raise Refused(422, f"about cannot be read as JSON: {str(error)[:200]}", where="about") from error
    if not isinstance(told, dict) or set(told) - set(_ABOUT):
        raise Refused(422, f"about holds only {', '.join(_ABOUT)}", "leave out the rest", where="about")
    return told
