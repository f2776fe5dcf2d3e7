"""What was edited at a station, undone and done again: of all pages together, in one order."""

import asyncio
from typing import Annotated

from fastapi import APIRouter, Depends
from pydantic import BaseModel, ConfigDict, Field

from tiepoint.station import drafting
from tiepoint.web.here import Here, here_of
from tiepoint.web.refused import refusals
from tiepoint.web.sessions import needs
from tiepoint.web.users import User

router = APIRouter(prefix="/api", tags=["edits"])
ThisStation = Annotated[Here, Depends(here_of)]
Editor = Annotated[User, Depends(needs("change"))]


class StepTold(BaseModel):
    """An edit: what it did in a few words, who and when, and the files that it changed, from the station's folder."""

    number: int
    says: str
    who: str
    at_utc: str
    paths: list[str]


class HistoryTold(BaseModel):
    """The edits that were done, and those that were undone; of each the next one to be turned comes last."""

    done: list[StepTold]
    undone: list[StepTold]


class Turn(BaseModel):
    """Which step is meant, by its number: refused where another came since. None: the next one, whatever it is."""

    model_config = ConfigDict(extra="forbid")

    number: int | None = Field(None, ge=1, le=2**31)


@router.get("/history", responses=refusals(401, 422), dependencies=[Depends(needs("look"))])
async def history(here: ThisStation) -> HistoryTold:
    """Tell what was edited, and what of it was undone."""
    found = await asyncio.to_thread(drafting.history, here.station)
    return HistoryTold(done=[step_told(step) for step in found.done], undone=[step_told(step) for step in found.undone])


@router.post("/undo", responses=refusals(401, 409, 415, 422))
async def undo(here: ThisStation, turn: Turn, user: Editor) -> StepTold:
    """Take the last edit back; refused where something else changed a file of it since. Needs the role change."""
    return step_told(await asyncio.to_thread(drafting.undo, here.station, user.name, number=turn.number))


@router.post("/redo", responses=refusals(401, 409, 415, 422))
async def redo(here: ThisStation, turn: Turn, user: Editor) -> StepTold:
    """Do again the edit that was undone last; refused as undoing is. Needs the role change."""
    return step_told(await asyncio.to_thread(drafting.redo, here.station, user.name, number=turn.number))


def step_told(step: drafting.Step) -> StepTold:
    """Return a step as pages are told it."""
    return StepTold(number=step.number, says=step.says, who=step.who, at_utc=step.at_utc, paths=list(step.paths))
