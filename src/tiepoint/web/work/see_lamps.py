"""See's lamps switched in turn, as long work that can be cancelled: what it comes to is a shot to work on in Light."""

import asyncio
from typing import Annotated

from fastapi import APIRouter, Depends
from pydantic import BaseModel, ConfigDict

from tiepoint.station.lock import is_on_duty
from tiepoint.web.eyes import BENCH
from tiepoint.web.here import Here, here_of
from tiepoint.web.jobs import JobTold, Telling
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs
from tiepoint.web.users import User
from tiepoint.web.work.lengths import at_field
from tiepoint.web.work.see_shapes import SourceId

router = APIRouter(prefix="/api/see", tags=["see"])
ThisStation = Annotated[Here, Depends(here_of)]
Editor = Annotated[User, Depends(needs("change"))]


class InTurn(BaseModel):
    """Whose lamps are switched."""

    model_config = ConfigDict(extra="forbid")

    source: SourceId


class TakenInTurn(BaseModel):
    """The shot that was taken: the paths of its pictures in the station, by lamp."""

    shot: str
    pictures: dict[str, str]


@router.post("/in-turn", status_code=202, responses=refusals(401, 409, 415, 422))
async def in_turn(here: ThisStation, wanted: InTurn, user: Editor) -> JobTold:
    """Light each lamp alone, and keep a picture under each as one shot: a job that comes to `TakenInTurn`.

    Caution: light that flashes 3 to 30 times a second can trigger photosensitive epilepsy; ask the supplier for the
    risk group of every lamp (IEC 62471). Refused on duty. Needs the role change.
    """
    from tiepoint.station.folder import open_station

    if wanted.source != BENCH and is_on_duty(here.station.folder):
        raise Refused(409, "no lamp is switched while the station is on duty", "take it off duty first", code="on_duty")
    station = await asyncio.to_thread(open_station, here.station.folder)
    with at_field(here, "source"):
        eye = await asyncio.to_thread(here.eyes.of, station, wanted.source)

    def work(telling: Telling) -> TakenInTurn:
        from tiepoint.station.see.in_turn import in_turn as switched
        from tiepoint.station.taking import take_lit

        with at_field(here, "source"):
            lit = dict(here.eyes.bench.turned.lamps) if wanted.source == BENCH else None
            seen = switched(eye, lambda k, of, lamp: telling(k, of, f"Lamp {lamp}"), lit=lit)
            telling.check()
            _, pictures = take_lit(here.station, seen, who=user.name)
        return TakenInTurn(
            shot=pictures[0].shot or "", pictures=dict(zip(seen, (p.path for p in pictures), strict=True))
        )

    return here.jobs.begin(page="see", says="Switching the lamps in turn", work=work)
