"""The application: all routes of a station behind one guard."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from importlib.metadata import version
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from starlette.types import ASGIApp

from tiepoint.station.drafting import recover
from tiepoint.station.folder import open_station
from tiepoint.web import accepting, acts, login, page, push, reading
from tiepoint.web.access import AccessLog
from tiepoint.web.asking import Asking
from tiepoint.web.cache import Cache
from tiepoint.web.connections import Connections
from tiepoint.web.drafts import watch_drafts
from tiepoint.web.feed import Feed
from tiepoint.web.guard import Guard
from tiepoint.web.here import Here, Reopened
from tiepoint.web.jobs import Jobs, JobTold
from tiepoint.web.refused import answer_refusals
from tiepoint.web.sessions import Local, Sessions
from tiepoint.web.settings import Settings
from tiepoint.web.work import ROUTERS

CACHE_BYTES = 64_000_000
DESCRIPTION = """
What a station tells, and what is worked on there. Who looks only reads; who acts, edits drafts or hands pictures over
is a named user (a cookie and the header X-CSRF-Token) or a machine (Authorization: Bearer). Long work is a job: 202,
and the job's id. An edit that meets another is refused with 409 and the code conflict. Every refusal has one shape.
"""


def app_of(
    folder: Path, settings: Settings, connections: Connections | None = None, local: Local | None = None
) -> FastAPI:
    """Return the application of a station; it reads, and never writes the ledger.

    `connections`: of the server that runs it, so that one that does not read can be cut off. `local`: the person at
    this machine, who has the station open without duty.
    Raises a `TiepointError` where the folder is no station.
    """
    station = open_station(folder.absolute())  # whole, or no sentence could be told without it
    asking, held = Asking(station), connections or Connections()
    feed, access = Feed(station, asking, settings.table.viewers), AccessLog(settings.access_log)

    def job_told(told: JobTold) -> None:
        feed.notify("job", told.model_dump(mode="json", exclude={"result"}))

    jobs = Jobs(station.folder, job_told)
    here = Here(Reopened(station), asking, feed, Cache(CACHE_BYTES), held.cut, jobs, local is not None)

    @asynccontextmanager
    async def lives(_: FastAPI) -> AsyncIterator[None]:
        await asyncio.to_thread(recover, station)
        reader = asyncio.create_task(feed.run())
        watcher = asyncio.create_task(watch_drafts(station, feed, asking.run))
        try:
            yield
        finally:
            feed.close()
            await asyncio.to_thread(jobs.close)
            await asyncio.to_thread(here.eyes.close)
            await asyncio.gather(reader, watcher)
            asking.close()
            access.close()

    app = _routed(lives)
    app.state.here = here
    app.state.sessions = sessions = Sessions(settings, local)
    answer_refusals(app, station.folder)

    def guarded(inner: ASGIApp) -> Guard:
        return Guard(inner, settings, access, sessions.demand_sender)

    app.add_middleware(guarded)
    return app


def openapi() -> dict[str, Any]:
    """Return the documentation of the routes, as `/api/openapi.json` gives it."""
    return _routed(None).openapi()


def _routed(lives: Callable[[FastAPI], AbstractAsyncContextManager[None]] | None) -> FastAPI:
    app = FastAPI(
        title="tiepoint",
        version=version("tiepoint"),
        description=DESCRIPTION.strip(),
        openapi_url="/api/openapi.json",
        docs_url=None,  # both pages fetch scripts from elsewhere
        redoc_url=None,
        redirect_slashes=False,
        lifespan=lives,
    )
    for router in (*(room.router for room in (reading, login, push, acts, accepting)), *ROUTERS, page.router):
        app.include_router(router)
    return app
