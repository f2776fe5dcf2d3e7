"""The pictures that a person works with: brought, looked at in tiles, and taken away."""

import asyncio
import secrets
import shutil
from contextlib import suppress
from pathlib import Path as FilePath
from typing import Annotated

from fastapi import APIRouter, Depends, Path, Query, Request, Response
from pydantic import BaseModel
from starlette.datastructures import UploadFile

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station import drafting
from tiepoint.station.draft_names import place_of
from tiepoint.station.working_pictures import (
    MOST_AT_ONCE,
    Come,
    WorkingPicture,
    add_pictures,
    demand_use,
    picture_of,
    pictures_of,
    remove_pictures,
)
from tiepoint.web.forms import demand_form, one_of_a_few, pictures_body, read_form
from tiepoint.web.here import Here, here_of
from tiepoint.web.pictures import FileAnswer, type_of
from tiepoint.web.refused import Refused, refusals, refused_by
from tiepoint.web.sessions import needs, not_allowed, sessions_of
from tiepoint.web.showing import TILE, Level, Place, shown_tile
from tiepoint.web.users import User
from tiepoint.web.work.editing import StepTold, step_told

UPLOADS = 3
"""Bodies of pictures that are taken at once: each may be as large as the disk takes."""

router = APIRouter(prefix="/api/pictures", tags=["pictures"])
ThisStation = Annotated[Here, Depends(here_of)]
PictureId = Annotated[str, Path(pattern="^[0-9a-f]{16}$")]
Use = Annotated[str, Query(max_length=30, examples=["tie"], description="What they are for: tie, shots, see, …")]

_BODY = pictures_body(MOST_AT_ONCE + 1, ", with its name; a shot.json among them makes them one shot.")


class PictureTold(BaseModel):
    """A picture that a person works with. `url`: its file; `tiles`: its tiles, at `/{level}/{col}/{row}` below.

    `bits`, `channels`: of each pixel. `shot`: the shot that it belongs to, if it is not one alone. `fault`: why it
    cannot be used, "" where it can. Another picture, or one that was changed, has another `id`.
    """

    id: str
    use: str
    name: str
    path: str
    width: int
    height: int
    bits: int
    channels: int
    sha: str
    url: str
    tiles: str
    shot: str | None
    fault: str


class PicturesTold(BaseModel):
    """Pictures, in the order of their names."""

    pictures: list[PictureTold]


class Brought(PicturesTold):
    """Pictures that were brought, and the step that undoes it; None where all of them were there already."""

    step: StepTold | None


@router.get("", responses=refusals(401, 422), dependencies=[Depends(needs("look"))])
async def pictures(
    here: ThisStation, use: Annotated[str | None, Query(max_length=30, examples=["tie"])] = None
) -> PicturesTold:
    """Tell the pictures of a use, or all."""
    found = await here.asking.run(lambda: pictures_of(here.station, use))
    return PicturesTold(pictures=[told(picture) for picture in found])


@router.post("", status_code=201, responses=refusals(401, 415, 422), openapi_extra=_BODY)
async def bring(  # the body is read by hand, so that nobody's is before it is known who asks
    request: Request,
    here: ThisStation,
    use: Use,
    shot: Annotated[str | None, Query(max_length=200, description="They are one shot, of this name.")] = None,
) -> Brought:
    """Bring pictures; all are taken in, or, where one of them is none, nothing. Needs the role change."""
    user = sessions_of(request).who(request)
    if not user.may("change"):
        raise not_allowed(user, "this needs the role change")
    demand_use(use)
    demand_form(request, "pictures come")
    with one_of_a_few(here.pushing, "pictures", UPLOADS, "lots of pictures"):
        async with read_form(request, MOST_AT_ONCE, files=1) as form:
            files = [one for one in form.getlist("picture") if isinstance(one, UploadFile)]
            if not files or set(form) != {"picture"}:
                raise Refused(422, "pictures come in fields called picture", where="picture")
            step, found = await _taken(here, use, shot, files, user)
    return Brought(pictures=[told(picture) for picture in found], step=step_told(step) if step.number else None)


@router.delete("/{id}", responses=refusals(401, 404, 409, 422))
async def remove(here: ThisStation, id: PictureId, user: Annotated[User, Depends(needs("change"))]) -> StepTold:
    """Take a picture away, or all of the shot that its shot.json describes; undoable. Needs the role change."""
    await _known(here, id)
    step = await asyncio.to_thread(remove_pictures, here.station, [id], who=user.name)
    return step_told(step)


@router.get(
    "/{id}",
    responses={**refusals(401, 404, 422), 200: {"content": {"application/octet-stream": {}}}, 304: {}},
    response_class=Response,
    dependencies=[Depends(needs("look"))],
)
async def file(request: Request, here: ThisStation, id: PictureId) -> Response:
    """Give a picture's file as it came."""
    picture = await _known(here, id)
    headers = {"ETag": f'"{picture.sha}"', "Cache-Control": "private, no-cache"}
    if headers["ETag"] in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    try:
        opened = await here.asking.run(lambda: _place(here, picture).open("rb"))
    except OSError as error:
        raise _gone() from error
    return FileAnswer(opened, type_of(picture.name), headers)


@router.get(
    "/{id}/tiles/{level}/{col}/{row}",
    responses={**refusals(401, 404, 422), **TILE},
    response_class=Response,
    dependencies=[Depends(needs("look"))],
)
async def tile(
    request: Request,
    here: ThisStation,
    id: PictureId,
    level: Level,
    col: Place,
    row: Place,
) -> Response:
    """Give a tile of a picture: 512 px of it reduced by 2^level, from the upper left; PNG at level 0, JPEG above."""
    picture = await _known(here, id)

    async def path() -> FilePath:
        return _place(here, picture)

    return await shown_tile(request, here, picture.sha, path, level, col, row)


def told(picture: WorkingPicture) -> PictureTold:
    """Return a picture as pages are told it."""
    url = f"/api/pictures/{picture.id}"
    return PictureTold(
        id=picture.id, use=picture.use, name=picture.name, path=picture.path, width=picture.width,
        height=picture.height, bits=picture.bits, channels=picture.channels, sha=picture.sha, url=url,
        tiles=f"{url}/tiles", shot=picture.shot, fault=picture.fault,
    )  # fmt: skip


async def _known(here: Here, id_: str) -> WorkingPicture:
    found = await here.asking.run(lambda: picture_of(here.station, id_))
    if found is None:
        raise _gone()
    return found


def _gone() -> Refused:
    return Refused(404, "there is no picture of that id, or it was changed", "see /api/pictures for those that are")


def _place(here: Here, picture: WorkingPicture) -> FilePath:
    return place_of(here.station.folder, picture.path)


async def _taken(
    here: Here, use: str, shot: str | None, files: list[UploadFile], user: User
) -> tuple[drafting.Step, tuple[WorkingPicture, ...]]:
    own = drafting.coming(here.station) / secrets.token_hex(8)

    def taken() -> tuple[drafting.Step, tuple[WorkingPicture, ...]]:
        come = []
        for k, one in enumerate(files):
            name = str(one.filename or "")
            place = own / f"{k}{'.json' if name == 'shot.json' else ''}"
            with place.open("xb") as to:
                shutil.copyfileobj(one.file, to, 1 << 20)
            come.append(Come(name, place))
        return add_pictures(here.station, use, come, who=user.name, shot=shot)

    own.mkdir()
    try:
        async with here.looking:
            return await asyncio.to_thread(taken)
    except UnusableInput as error:
        raise refused_by(error, here.station.folder, where="picture") from error
    finally:
        with suppress(OSError):
            await asyncio.to_thread(shutil.rmtree, own)
