"""What is accepted, changed from a page: drafts, what each would change, and the act that has duty run them."""

import asyncio
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from pydantic import BaseModel, ConfigDict, Field

from tiepoint.foundation.errors import TiepointError
from tiepoint.station.folder import Station
from tiepoint.web.acts import Done, Why, demand_duty, line_of, not_taken
from tiepoint.web.here import Here, here_of
from tiepoint.web.refused import Refused, refusals, told_here
from tiepoint.web.sessions import needs
from tiepoint.web.users import User

Named = Annotated[str, Field(min_length=1, max_length=200)]
Boss = Annotated[User, Depends(needs("change"))]

router = APIRouter(prefix="/api", tags=["station"])


class Draft(BaseModel):
    """A draft of a recipe: what it changes of what is accepted, line by line, or why it cannot be (`fault`)."""

    recipe: str = Field(examples=["recipes/plate.toml"])
    changes: list[str]
    fault: str


class Drafts(BaseModel):
    """All drafts of recipes."""

    drafts: list[Draft]


class Accept(BaseModel):
    """Which drafts are to be run from now on, and why; `variants` where only these are to be measured by them."""

    model_config = ConfigDict(extra="forbid")

    recipes: list[Named] = Field(min_length=1, max_length=100)
    why: Why
    variants: list[Named] = Field([], max_length=1000)


class Accepted(Done):
    """The act, and the copy that is run from then on, by its hash, for each variant, or for each recipe without any."""

    variants: dict[str, str]
    recipes: dict[str, str]


@router.get("/drafts", responses=refusals(401, 422))
async def drafts(request: Request, _: Boss) -> Drafts:
    """Tell the drafts of recipes, and what each would change. Needs the role change."""
    async with here_of(request).accepting:
        return Drafts(drafts=await asyncio.to_thread(_told, here_of(request).station))


@router.post("/accept", status_code=201, responses=refusals(401, 409, 415, 422))
async def accept(request: Request, wanted: Accept, user: Boss) -> Accepted:
    """Accept drafts, as tiepoint accept does; duty runs them from now on, and no later edit. Needs the role change.

    Requirements, and another name of the station, are agreed on by tiepoint accept alone.
    """
    why = line_of("why", wanted.why)
    async with here_of(request).accepting:
        return await asyncio.to_thread(_accepted, here_of(request), wanted, user.name, why)


def _told(station: Station) -> list[Draft]:
    # Here, since all of recipes comes with it, which takes seconds, and who only looks need not wait for it.
    from tiepoint.station.accepted import differences, draft_of
    from tiepoint.station.drafts import copies_by_recipe

    there, told = copies_by_recipe(station), []
    for path in station.recipes():
        name, changes, fault = f"{path.parent.name}/{path.name}", [], ""
        try:
            bundle = draft_of(station, path)
            changes = list(differences(there.get(bundle.recipe), bundle))
        except TiepointError as error:
            fault = told_here(error, station.folder)
        told.append(Draft(recipe=name, changes=changes, fault=fault))
    return told


def _accepted(here: Here, wanted: Accept, who: str, why: str) -> Accepted:
    station = here.station
    from tiepoint.station.accepted import accept, as_plain, draft_of  # as above
    from tiepoint.station.drafts import drafts_named

    drafts = drafts_named(station, wanted.recipes)
    if not here.alone:  # who has it open alone writes as a command does: by the lock, or through duty's inbox
        demand_duty(station)
    bundles = [draft_of(station, path) for path in drafts]
    with not_taken(station):
        found = accept(station, bundles, who=who, why=why, variants=wanted.variants)
    if found is None:
        raise Refused(409, "nothing differs from what is accepted", code="not_taken")
    entry = found.entry
    return Accepted(seq=entry.seq, sha=entry.sha, written_utc=entry.written_utc, **as_plain(found.pointers))
