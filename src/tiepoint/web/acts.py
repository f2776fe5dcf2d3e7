"""Acts of people on a station that is on duty: handed to the one writer through its inbox, and never written here."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
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
from tiepoint.web.refused import Refused, refusals, told_here
from tiepoint.web.sessions import needs
from tiepoint.web.users import User

WAIT_S = 10.0
ABOUT = {"variant": "variant", "settle": "alarm", "lot": "lot"}
"""Acts that are about something, and what tells it."""

Why = Annotated[str, Field(min_length=1, max_length=500)]

router = APIRouter(prefix="/api/acts", tags=["duty"])


class Act(BaseModel):
    """What a person wants of duty, and why; `variant`, `alarm` or `lot` where it is about one.

    `challenge`: show the challenge set again. `bypass`: release the station though that was not judged right.
    `variant`: what parts are from now on where nothing else tells. `rest`: go off duty; `resume`: and on again.
    `settle`: the cause of an alarm of the watch is gone, and its chart begins anew. `lot`: of which lot the parts are
    that come from now on.
    """

    model_config = ConfigDict(extra="forbid")

    # Those that duty does (station.duty.acts).
    act: Literal["challenge", "bypass", "variant", "rest", "resume", "settle", "lot"]
    why: Why
    variant: str | None = Field(None, min_length=1, max_length=200)
    alarm: str | None = Field(None, min_length=1, max_length=200)
    lot: str | None = Field(None, min_length=1, max_length=80)


class Done(BaseModel):
    """The entry of the ledger that an act has become."""

    seq: int
    sha: str
    written_utc: str


@router.post("", status_code=201, responses=refusals(401, 409, 415, 422))
async def act(request: Request, wanted: Act, user: Annotated[User, Depends(needs("operate"))]) -> Done:
    """Ask duty for an act; it stands in the ledger with who and why once this is answered. Needs the role operate."""
    station = here_of(request).station
    about: dict[str, Any] = {}
    for act_, key in ABOUT.items():
        said = getattr(wanted, key)
        if (said is None) == (wanted.act == act_):
            raise Refused(422, f"{key} belongs to the act {act_}, which needs it", "give both or neither", where=key)
        if said is not None:
            line_of(key, said)
            about[key] = said.strip()
    body = act_of(station, wanted.act, who=user.name, why=line_of("why", wanted.why), **about)
    async with here_of(request).acting:
        entry = await asyncio.to_thread(_asked, station, body)
    return Done(seq=entry.seq, sha=entry.sha, written_utc=entry.written_utc)


def line_of(where: str, text: str) -> str:
    """Return a text as one line without blanks to spare; refused where it is none."""
    line = " ".join(text.split())
    if not line or not line.isprintable():
        raise Refused(422, f"{where} is a line of printable characters", "write it as one", where=where)
    return line


def demand_duty(station: Station) -> None:
    """Refuse where no duty process is there, which alone writes what people ask for."""
    status = read_status(station.folder)
    if status is None or not status.is_fresh:
        raise Refused(409, "no duty process is there to do it", "put the station on duty first")


@contextmanager
def not_taken(station: Station) -> Iterator[None]:
    """Answer what duty refuses in its own words, in which the station's folder is not told."""
    try:
        yield
    except UnusableInput as error:
        says, _, do = told_here(error, station.folder).partition("; ")
        raise Refused(409, says, do, code="not_taken") from error


def _asked(station: Station, body: dict[str, Any]) -> Entry:
    demand_duty(station)
    with not_taken(station):
        return ask(station, body, wait_s=WAIT_S)
