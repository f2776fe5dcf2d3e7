"""What a draft would have changed: it judges the last kept shots again, and tells which come out otherwise."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends
from pydantic import BaseModel, ConfigDict, Field

from tiepoint.model.decide import Verdict
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger, has_ledger
from tiepoint.web.here import Here, here_of
from tiepoint.web.jobs import JobTold, Telling
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs

MOST = 2000

router = APIRouter(prefix="/api/replay", tags=["replay"])
ThisStation = Annotated[Here, Depends(here_of)]


class Replay(BaseModel):
    """Which draft is to judge again, and how many of the last kept shots."""

    model_config = ConfigDict(extra="forbid")

    recipe: str = Field(min_length=1, max_length=200, examples=["recipes/plate.toml"])
    last: int = Field(50, ge=1, le=MOST)


class ReadingChanged(BaseModel):
    """A reading that comes out otherwise: its value, text or reason, ± and verdict, before and now."""

    id: str
    was: float | str | None
    U95_was: float | None
    verdict_was: Verdict | None
    now: float | str | None
    U95_now: float | None
    verdict_now: Verdict | None


class ShotChanged(BaseModel):
    """A kept shot that comes out otherwise. `seq`: its record; `lost`: why it could not be judged again."""

    seq: int
    shot: str
    part_id: str | None
    was: Verdict
    now: Verdict | None
    readings: list[ReadingChanged]
    lost: str | None


class Replayed(BaseModel):
    """What a draft changes: of `shots` that were judged again, those whose verdict is another, and those where only
    readings are. `says`: in a sentence. The record of each is named by its number.
    """

    recipe: str
    shots: int
    verdicts: list[ShotChanged]
    readings: list[ShotChanged]
    says: str


@router.post("", status_code=202, responses=refusals(401, 404, 415, 422), dependencies=[Depends(needs("change"))])
async def replay(here: ThisStation, wanted: Replay) -> JobTold:
    """Judge the last kept shots again by a draft, as a job; its result is a Replayed. Needs the role change."""
    station = here.station
    paths = {f"{path.parent.name}/{path.name}" for path in station.recipes()}
    if wanted.recipe not in paths:
        raise Refused(404, "there is no draft of that name", "see /api/drafts for those that there are", where="recipe")
    says = f"Judging the last {wanted.last} kept shots by {wanted.recipe}"
    return here.jobs.begin(
        page="recipe", says=says, work=lambda telling: replayed(station, wanted.recipe, wanted.last, telling)
    )


def replayed(station: Station, recipe: str, last: int, telling: Telling) -> Replayed:
    """Return what a draft changes of the last kept shots."""
    from tiepoint.station.replay import replay_draft  # all of recipes comes with it

    if not has_ledger(station.ledger_place):
        return _told(recipe, [])
    with Ledger(station.ledger_place) as ledger:
        of, outcomes = replay_draft(station, ledger, station.folder / recipe, last)
        found = []
        for one in outcomes:
            found.append(one)
            telling(len(found), of, f"record {one.seq}")
    return _told(recipe, found)


def _told(recipe: str, found: list[Any]) -> Replayed:
    others = [one for one in found if one.lost is not None or one.was != one.now]
    only = [one for one in found if one not in others and not one.same]
    return Replayed(
        recipe=recipe, shots=len(found), verdicts=[_shot(one) for one in others], readings=[_shot(one) for one in only],
        says=_sentence(len(found), len(others), len(only)),
    )  # fmt: skip


def _sentence(n: int, others: int, only: int) -> str:
    if not n:
        return "No shot was kept yet that could be judged again."
    shots = "the last kept shot" if n == 1 else f"the last {n} kept shots"
    if not others and not only:
        return f"Nothing changes on {shots}."
    said = f"{others} of {shots} would get another verdict" if others else f"No verdict changes on {shots}"
    return f"{said}{f', and on {only} readings differ' if only else ''}."


def _shot(one: Any) -> ShotChanged:
    readings = [
        ReadingChanged(
            id=change.id, was=change.was, U95_was=change.U95_was, verdict_was=change.verdict_was, now=change.now,
            U95_now=change.U95_now, verdict_now=change.verdict_now,
        )
        for change in one.changes
    ]  # fmt: skip
    return ShotChanged(
        seq=one.seq, shot=one.shot, part_id=one.part_id, was=one.was, now=one.now, readings=readings, lost=one.lost
    )
