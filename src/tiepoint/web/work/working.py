"""Jobs, as pages ask for them."""

from typing import Annotated

from fastapi import APIRouter, Depends, Path
from pydantic import BaseModel

from tiepoint.web.here import Here, here_of
from tiepoint.web.jobs import JobTold
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs

router = APIRouter(prefix="/api/jobs", tags=["jobs"])
ThisStation = Annotated[Here, Depends(here_of)]
JobId = Annotated[str, Path(pattern="^[0-9a-f]{16}$")]


class JobsTold(BaseModel):
    """All jobs that are known, the newest first, without what they came to."""

    jobs: list[JobTold]


@router.get("", responses=refusals(401), dependencies=[Depends(needs("look"))])
async def jobs(here: ThisStation) -> JobsTold:
    """Tell all jobs that are known, the newest first, without what they came to."""
    return JobsTold(jobs=here.jobs.all())


@router.get("/{id}", responses=refusals(401, 404, 422), dependencies=[Depends(needs("look"))])
async def job(here: ThisStation, id: JobId) -> JobTold:
    """Tell a job, with what it came to."""
    return _known(here.jobs.told(id))


@router.delete("/{id}", responses=refusals(401, 404, 422), dependencies=[Depends(needs("operate"))])
async def cancel(here: ThisStation, id: JobId) -> JobTold:
    """Cancel a job; it ends as soon as it next tells how far it is. Needs the role operate."""
    return _known(here.jobs.cancel(id))


def _known(told: JobTold | None) -> JobTold:
    if told is None:
        raise Refused(404, "no job of that id is known any more", "begin it again")
    return told
