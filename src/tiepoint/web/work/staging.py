"""The stages of the job, as every page shows them along its top edge."""

from dataclasses import replace
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field

from tiepoint.foundation.errors import TiepointError
from tiepoint.station.folder import open_station
from tiepoint.station.stages import LONGEST_LINE, Stage, StageId, StageState
from tiepoint.station.there import demand_there
from tiepoint.station.words import sentence
from tiepoint.web.here import Here, here_of
from tiepoint.web.on_a_page import on_a_page
from tiepoint.web.refused import refusals, told_here
from tiepoint.web.sessions import needs

router = APIRouter(prefix="/api/stages", tags=["stages"])
ThisStation = Annotated[Here, Depends(here_of)]


class StageTold(BaseModel):
    """A stage of the job. `word`: its own for its state, as *on duty*; "" where it has none.

    `rests`: whether it still rests on the one before. The first of `to_do` comes next.
    """

    id: StageId
    state: StageState
    word: str
    line: str = Field(max_length=LONGEST_LINE)
    rests: bool
    done: list[str]
    to_do: list[str]


class StagesTold(BaseModel):
    """All stages, in the order in which the job is done. `fault`: why the station itself cannot be read now, or ""."""

    stages: list[StageTold]
    fault: str


@router.get("", responses=refusals(401), dependencies=[Depends(needs("look"))])
async def stages(here: ThisStation) -> StagesTold:
    """Tell how far the job is, stage by stage. The first answer after a change takes a while."""
    async with here.proving:
        fault = await here.asking.run(lambda: _fault(here.station.folder))
        found = await here.asking.run(lambda: stages_now(here))
    return StagesTold(stages=[_told(stage) for stage in found], fault=fault)


def stages_now(here: Here) -> tuple[Stage, ...]:
    """Return the stages as they are now."""
    from tiepoint.station.stages import stages_of

    return tuple(_otherwise(stage, here) if stage.id == "see" else stage for stage in stages_of(here.station))


def _fault(folder: Path) -> str:
    """Return, in whole sentences, why a station cannot be read that was read before; "" where it can."""
    then = ""
    try:
        demand_there(folder)
        then = " What it said before holds until it is mended."
        open_station(folder)
    except TiepointError as error:
        return f"{sentence(told_here(error, folder))}{then}"
    return ""


def _otherwise(stage: Stage, here: Here) -> Stage:
    """Return the stage See as it is while somebody looks at a picture that is not as it was held."""
    changed = here.eyes.not_as_held(here.station) if stage.state == "proved" else ()
    if not changed:
        return stage
    to_do = f"Not as held: {', '.join(changed)}. Set it as it was, or hold it anew with the reason."
    return replace(stage, state="out of date", line="Looks otherwise now", word="not as held", to_do=(to_do,))


def _told(stage: Stage) -> StageTold:
    return StageTold(
        id=stage.id, state=stage.state, word=stage.word, line=stage.line, rests=stage.rests,
        done=[on_a_page(says) for says in stage.done], to_do=[on_a_page(says) for says in stage.to_do],
    )  # fmt: skip
