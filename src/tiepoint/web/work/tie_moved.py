"""The route by which a tie is moved to another height: what the station's own surface is, a part's face is not."""

import asyncio
from typing import Annotated

from fastapi import APIRouter, Depends, Path
from pydantic import BaseModel

from tiepoint.web.here import Here, here_of
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs
from tiepoint.web.users import User
from tiepoint.web.work.lengths import Typed, at_field, length_mm
from tiepoint.web.work.tie_asked import Kept, NewName, Solved
from tiepoint.web.work.tie_ways import keep, stated_far, tie_of

router = APIRouter(prefix="/api/tie", tags=["tie"], dependencies=[Depends(needs("look"))])
ThisStation = Annotated[Here, Depends(here_of)]
Editor = Annotated[User, Depends(needs("change"))]
Name = Annotated[str, Path(max_length=80)]


class Move(Kept):
    """Where to, and how sure that is. `camera`: a document of `ties/`; else `distance` of the lens from the plane."""

    camera: NewName | None = None
    distance: Typed = ""
    u_distance: Typed = ""


class Standing(BaseModel):
    """Whether a tie knows where its camera stands, so that nothing is to be stated; `says`: what is to be, else."""

    is_known: bool
    says: str


@router.get("/ties/{name}/standing", responses=refusals(401, 404, 422))
async def standing(here: ThisStation, name: Name) -> Standing:
    """Tell what is to be stated to move a tie."""

    def found() -> Standing:
        from tiepoint.ties.move import is_telecentric

        _, tie = tie_of(here, name)
        is_known = is_telecentric(tie) or tie.distance_mm is not None
        return Standing(is_known=is_known, says="" if is_known else _UNKNOWN)

    return await asyncio.to_thread(found)


_UNKNOWN = (
    "This tie does not know where its camera stands: "
    "choose a camera, or state how far the lens is from the tie's plane."
)


@router.post("/ties/{name}/move", status_code=201, responses=refusals(401, 404, 409, 415, 422))
async def move(here: ThisStation, name: Name, wanted: Move, user: Editor) -> Solved:
    """Keep a tie as it is at another height, with the uncertainty that it then has. Needs the role change."""

    def work() -> Solved:
        from tiepoint.station.draft_names import demand_draft
        from tiepoint.station.tie_files import load_camera
        from tiepoint.station.tying import stated
        from tiepoint.ties.move import move as moved

        with at_field(here, "name"):
            demand_draft(f"ties/{wanted.name}.json")
        _, tie = tie_of(here, name)
        if wanted.name == name:
            raise Refused(422, f"{name} is the tie that is moved", "give the moved one a name of its own", where="name")
        if not wanted.height.strip():
            raise Refused(422, "the height to move to is empty", "type a length, as in 12.5", where="height")
        if not wanted.u_height.strip():
            raise Refused(
                422, "the height stands without its standard uncertainty", "say how sure it is", where="u_height"
            )
        height = length_mm("height", wanted.height, wanted.unit, "the height")
        u = length_mm("u_height", wanted.u_height, wanted.unit, "the height's standard uncertainty", least="0")
        distance = stated_far(wanted, tie.id)
        with at_field(here, "camera"):
            path = None if wanted.camera is None else here.station.folder / "ties" / f"{wanted.camera}.json"
            camera = load_camera(path)
        with at_field(here, "height" if camera or distance or tie.distance_mm is not None else "distance"):
            to = stated(f"height:{tie.id}:{height:g}mm", "Height of the plane", height, u)
            result = moved(tie, to, camera=camera, distance=distance)
        says = f"Move the tie {name} to {height:g} mm, as {wanted.name}"
        return keep(here, wanted, user.name, result, says, [result.notes[-1]])

    return await asyncio.to_thread(work)
