"""Acts of people on a station that is on duty: handed to the one writer through its inbox, and never written here."""

import asyncio
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Request
from pydantic import BaseModel, ConfigDict, Field

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.duty.status import read_status
from tiepoint.station.folder import Station
from tiepoint.station.inbox import ask
from tiepoint.station.ledger import Entry
from tiepoint.station.naming import act_of
from tiepoint.web.here import here_of
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs
from tiepoint.web.users import User

WAIT_S = 10.0

router = APIRouter(prefix="/api/acts", tags=["duty"])


class Act(BaseModel):
    """What a person wants of duty, and why; `variant` where it is to be another.

    `challenge`: show the challenge set again. `bypass`: release the station though that was not judged right.
    `variant`: what parts are from now on where nothing else tells. `rest`: go off duty; `resume`: and on again.
    """

    model_config = ConfigDict(extra="forbid")

    # Those that duty does (station.duty.acts).
    act: Literal["challenge", "bypass", "variant", "rest", "resume"]
    why: str = Field(min_length=1, max_length=500)
    variant: str | None = Field(None, min_length=1, max_length=200)


class Done(BaseModel):
    """The entry of the ledger that an act has become."""

    seq: int
    sha: str
    written_utc: str


@router.post("", status_code=201, responses=refusals(401, 409, 415, 422))
async def act(request: Request, wanted: Act, user: Annotated[User, Depends(needs("operate"))]) -> Done:
    """Ask duty for an act; it stands in the ledger with who and why once this is answered. Needs the role operate."""
    station = here_of(request).station
    if (wanted.variant is None) == (wanted.act == "variant"):
        raise Refused(422, "a variant belongs to the act variant, which needs one", "give both or neither")
    why = " ".join(wanted.why.split())
    if not why or not why.isprintable() or not (wanted.variant or " ").isprintable():
        raise Refused(422, "why is a line of printable characters", "say the reason", where="why")
    about: dict[str, Any] = {} if wanted.variant is None else {"variant": wanted.variant}
    body = act_of(station, wanted.act, who=user.name, why=why, **about)
    async with here_of(request).acting:
        entry = await asyncio.to_thread(_asked, station, body)
    return Done(seq=entry.seq, sha=entry.sha, written_utc=entry.written_utc)


def _asked(station: Station, body: dict[str, Any]) -> Entry:
    status = read_status(station.folder)
    if status is None or not status.is_fresh:
        raise Refused(409, "no duty process is there to do it", "begin it with tiepoint serve")
    try:
        return ask(station, body, wait_s=WAIT_S)
    except UnusableInput as error:
        says, _, do = str(error).replace(str(station.folder), "the station").partition("; ")
        raise Refused(409, says, do, code="not_taken") from error
