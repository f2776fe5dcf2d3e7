"""The routes of ties: to make one in each way, to draw it, and to ask it."""

import asyncio
from typing import Annotated

from fastapi import APIRouter, Depends, Path, Query

from tiepoint.web.here import Here, here_of
from tiepoint.web.jobs import JobTold
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs
from tiepoint.web.users import User
from tiepoint.web.work.lengths import Unit, at_field, length_mm
from tiepoint.web.work.tie_asked import (
    Answers,
    Ask,
    CellFault,
    Pairs,
    PairsTold,
    Pasted,
    PastedTold,
    Placed,
    SnappedTold,
    Solve,
    Ties,
)
from tiepoint.web.work.tie_told import (
    GridTold,
    TieTold,
    grid_told,
    length_told,
    point_told,
    short_told,
    tie_told,
)
from tiepoint.web.work.tie_ways import made_from, pairs_told, photo_of, tie_of, warm_once, work_of

router = APIRouter(prefix="/api/tie", tags=["tie"], dependencies=[Depends(needs("look"))])
ThisStation = Annotated[Here, Depends(here_of)]
Editor = Annotated[User, Depends(needs("change"))]
Name = Annotated[str, Path(max_length=80)]


@router.get("/ties", responses=refusals(401))
async def ties(here: ThisStation) -> Ties:
    """Tell the documents of the station's `ties/`; what cannot be used says why."""
    warm_once()

    def found() -> Ties:
        from tiepoint.station.tie_files import tie_files

        return Ties(ties=[short_told(file) for file in tie_files(here.station.folder)])

    return await asyncio.to_thread(found)


@router.get("/ties/{name}", responses=refusals(401, 404, 422))
async def tie(
    here: ThisStation, name: Name, tolerance: Annotated[str, Query(max_length=60)] = "", unit: Unit = "mm"
) -> TieTold:
    """Tell a tie whole: its map, its numbers, and the verdict for ± the tolerance that was typed."""

    def found() -> TieTold:
        from tiepoint.station.tie_files import recipes_on

        asked = length_mm("tolerance", tolerance, unit, "the tolerance", least="above 0") or None
        file, solved = tie_of(here, name)
        picture = made_from(here, solved.photos)
        return tie_told(file, solved, unit, asked, picture, recipes_on(here.station.folder, name))

    return await asyncio.to_thread(found)


@router.get("/ties/{name}/grid", responses=refusals(401, 404, 422))
async def grid(here: ThisStation, name: Name) -> GridTold:
    """Give a grid from which the place of every pixel, and its ±, is read while a pointer moves."""

    def found() -> GridTold:
        from tiepoint.report.tie_grid import pointer_grid

        _, solved = tie_of(here, name)
        if solved.from_frame != "image" or solved.sensor is None:
            raise Refused(422, "the tie does not know its picture", "ask it for points of the plane")
        return grid_told(pointer_grid(solved, solved.sensor.size_px))

    return await asyncio.to_thread(found)


@router.post("/ties/{name}/ask", responses=refusals(401, 404, 422))
async def ask(here: ThisStation, name: Name, asked: Ask) -> Answers:
    """Tell exactly where pixels lie, and how far pixels are apart: what the points share adds or cancels as it does."""

    def found() -> Answers:
        from tiepoint.ties.probe import length, probe

        _, solved = tie_of(here, name)
        points = probe(solved, asked.points, extrapolate=asked.extrapolate).points if asked.points else ()
        lengths = [length(solved, a, b, extrapolate=asked.extrapolate) for a, b in asked.lengths]
        return Answers(
            points=[point_told(solved, point, asked.unit) for point in points],
            lengths=[length_told(one, asked.unit) for one in lengths],
        )

    return await asyncio.to_thread(found)


@router.post("/snap", responses=refusals(401, 404, 422))
async def snap(here: ThisStation, placed: Placed) -> SnappedTold:
    """Tell which edge, corner or crossing lies under a placed pixel; by hand where there is none."""

    def found() -> SnappedTold:
        from tiepoint.station.tying import snapped

        with at_field(here, "at"):
            seen, says = snapped(photo_of(here, placed.photo), placed.at, placed.along)
        x, y = (float(v) for v in seen.xy_px)
        return SnappedTold(kind=seen.kind, x=x, y=y, says=says)

    return await asyncio.to_thread(found)


@router.post("/pasted", responses=refusals(401, 422))
async def pasted(here: ThisStation, told: Pasted) -> PastedTold:
    """Read the pairs of a text that was copied from a spreadsheet: tabs, semicolons or commas, decimal commas too."""

    def found() -> PastedTold:
        from tiepoint.station.pairs_table import read_pasted

        with at_field(here, "text"):
            read = read_pasted(told.text)
        return PastedTold(
            rows=[list(row) for row in read.rows],
            faults=[CellFault(row=f.row, column=f.column, says=f.says) for f in read.faults],
        )

    return await asyncio.to_thread(found)


@router.post("/pairs", responses=refusals(401, 404, 422))
async def pairs(here: ThisStation, told: Pairs) -> PairsTold:
    """Tell what pairs come to, row by row, and what would mend those that do not fit; nothing is kept."""
    return await asyncio.to_thread(pairs_told, here, told)


@router.post("/solve", status_code=202, responses=refusals(401, 404, 409, 415, 422))
async def solve(here: ThisStation, wanted: Solve, user: Editor) -> JobTold:
    """Tie in one of the ways, and keep it in `ties/`: a job that comes to `Solved`. Needs the role change."""
    work = await asyncio.to_thread(work_of, here, wanted, user.name)
    return here.jobs.begin(page="tie", says=_SAYS[wanted.way], work=work)


_SAYS = {
    "target": "Tying by target",
    "length": "Tying by length",
    "pairs": "Tying by pairs",
    "views": "Finding the camera from views",
    "hand-eye": "Tying the robot by hand-eye",
}
