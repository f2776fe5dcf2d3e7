"""The routes by which a photo comes into Tie without a file: from a live camera, or from shots that the station has."""

import asyncio
import time
from typing import TYPE_CHECKING, Annotated, Final, Self

from fastapi import APIRouter, Depends
from pydantic import BaseModel, ConfigDict, Field, model_validator

from tiepoint.web.eyes import SourceKind, offers
from tiepoint.web.here import Here, here_of
from tiepoint.web.refused import Refused, refusals, told_here
from tiepoint.web.sessions import needs
from tiepoint.web.users import User
from tiepoint.web.work.editing import step_told
from tiepoint.web.work.lengths import at_field
from tiepoint.web.work.pictures import Brought, told

if TYPE_CHECKING:
    from tiepoint.station.see.eye import Eye
    from tiepoint.station.see.source import Seen

LONGEST_WAIT_S: Final = 60.0
"""A camera that is opened first, and all that looking takes with it, may want its time."""
AGAIN_S: Final = 0.03
_LIVE: Final = ("camera", "folder", "pictures", "bench")

router = APIRouter(prefix="/api/tie", tags=["tie"], dependencies=[Depends(needs("look"))])
ThisStation = Annotated[Here, Depends(here_of)]
Editor = Annotated[User, Depends(needs("change"))]


class LivePlace(BaseModel):
    """Where pictures come from now, as See knows it."""

    id: str
    name: str
    kind: SourceKind


class ShotPlace(BaseModel):
    """A shot that the station has: kept ones go by `record/` and their entry."""

    ref: str
    name: str


class Takeable(BaseModel):
    """What a photo can be taken from."""

    live: list[LivePlace]
    shots: list[ShotPlace]


class Take(BaseModel):
    """Take from a live place (`source`), or all pictures of a shot (`ref`)."""

    model_config = ConfigDict(extra="forbid")

    source: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    ref: Annotated[str, Field(min_length=1, max_length=300)] | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.source is None) == (self.ref is None):
            raise ValueError("takes from a source or from a shot: name one of both")
        return self


@router.get("/takeable", responses=refusals(401, 422))
async def takeable(here: ThisStation) -> Takeable:
    """Tell what a photo can be taken from: cameras that are seen now, the last kept shots, and shots of the folders."""

    def found() -> Takeable:
        from tiepoint.station.folder import open_station
        from tiepoint.station.taking import takeable_shots

        station = open_station(here.station.folder)
        live = [o for o in offers(station) if o.kind in _LIVE and not o.why_not]
        return Takeable(
            live=[LivePlace(id=o.id, name=o.name, kind=o.kind) for o in live],
            shots=[ShotPlace(ref=s.ref, name=s.name) for s in takeable_shots(station)],
        )

    return await asyncio.to_thread(found)


@router.post("/take", status_code=201, responses=refusals(401, 404, 409, 415, 422))
async def take(here: ThisStation, wanted: Take, user: Editor) -> Brought:
    """Take the next picture of a live place, or a shot's pictures, into those for tying; undoable. Role change."""
    from tiepoint.station.taking import take_seen, take_shot

    if wanted.ref is not None:
        ref = wanted.ref

        def from_shot() -> Brought:
            with at_field(here, "ref"):
                step, found = take_shot(here.station, "tie", ref, who=user.name)
            return Brought(pictures=[told(one) for one in found], step=step_told(step) if step.number else None)

        return await asyncio.to_thread(from_shot)
    source = wanted.source or ""
    seen, name = await _next(here, source)

    def from_live() -> Brought:
        with at_field(here, "source"):
            step, found = take_seen(here.station, "tie", seen, name, who=user.name)
        return Brought(pictures=[told(one) for one in found], step=step_told(step) if step.number else None)

    return await asyncio.to_thread(from_live)


async def _next(here: Here, source: str) -> "tuple[Seen, str]":
    """Return the next picture of a live place, and what it is called; the last one where it takes none by itself."""
    from tiepoint.station.folder import open_station

    def opened() -> "tuple[Eye, str, str]":
        station = open_station(here.station.folder)
        with at_field(here, "source"):
            eye = here.eyes.of(station, source)
        known = {one.id: one for one in offers(station)}[source]
        return eye, known.name, known.kind

    eye, name, kind = await asyncio.to_thread(opened)
    looked = eye.ask()
    # A camera and the bench take a fresh one; of a folder the newest is all there is.
    after = looked.number if looked is not None and kind in ("camera", "bench") else 0
    until = time.monotonic() + LONGEST_WAIT_S
    while (looked is None or looked.number <= after) and time.monotonic() < until and not here.feed.closing.is_set():
        await asyncio.sleep(AGAIN_S)
        looked = eye.ask()
    if looked is None or looked.number <= after:
        says = told_here(eye.link[1], here.station.folder)
        raise Refused(409, f"no picture came from {name}: {says}", "look at it on the page See", where="source")
    return looked.seen, name
