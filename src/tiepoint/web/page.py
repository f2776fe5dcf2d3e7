"""The pages, as they were built into the package: fixed files, looked up by name and never by path.

A file of the app has its hash in its name, so that a browser may keep it; `index.html`, which names them, is asked for
each time.
"""

import asyncio
import gzip
import hashlib
from contextlib import suppress
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

from fastapi import APIRouter, Request, Response

from tiepoint.station.lock import is_on_duty
from tiepoint.station.stages import IDS, first_to_do, stages_of
from tiepoint.web.here import Here, here_of
from tiepoint.web.refused import Refused
from tiepoint.web.sessions import sessions_of

router = APIRouter(include_in_schema=False)

APP = Path(__file__).parent / "static" / "app"
INDEX, MARK = "index.html", "mark.svg"
KINDS = {
    "html": "text/html",
    "js": "text/javascript",
    "css": "text/css",
    "json": "application/json",
    "svg": "image/svg+xml",
    "png": "image/png",
    "woff2": "font/woff2",
}
PACKED = ("html", "js", "css", "json", "svg")
"""What is sent packed (gzip, RFC 1952) to who takes it; the others are packed already."""
A_YEAR_S = 31_536_000
FIRST_S = 0.5
"""So long a person waits at most to be sent where the job goes on, and not to its beginning."""


@dataclass(frozen=True, slots=True)
class File:
    """A file of the pages: its media type, its tag, and its bytes; packed too, where that is worth it."""

    kind: str
    etag: str
    data: bytes
    packed: bytes | None = None


@router.get("/")
async def first_page(request: Request) -> Response:
    """Lead to where the job goes on: duty, or the first stage that is not proved."""
    place = await _first(request)
    return Response(status_code=302, headers={"Location": f"/{place}", "Cache-Control": "no-store"})


async def stage_page(request: Request) -> Response:
    """Give the app, which shows the stage that the address names."""
    if not app_files():
        raise Refused(
            503, "the pages were not built", "build them with python hatch_build.py, or install tiepoint anew"
        )
    return _given(request, app_files().get(INDEX))


for _id in IDS:
    router.add_api_route(f"/{_id}", stage_page, methods=["GET"])


@router.get("/static/app/{name:path}")
async def app_file(request: Request, name: str) -> Response:
    """Give one of the files that the app is made of."""
    return _given(request, app_files().get(name), keep=name != INDEX)


@router.get("/static/{name}")
async def static(request: Request, name: str) -> Response:
    """Give what lies beside the app: the mark that stands for a page."""
    return _given(request, _beside() if name == MARK else None)


async def _first(request: Request) -> str:
    here = here_of(request)
    with suppress(Refused):
        sessions_of(request).who(request)
        if not await here.asking.run(lambda: is_on_duty(here.station.folder)):
            return await _first_to_do(here)
    return "duty"  # also for who is not known yet: it is told nothing of how far the job is


async def _first_to_do(here: Here) -> str:
    asked = asyncio.ensure_future(here.asking.run(lambda: first_to_do(stages_of(here.station))))
    done, _ = await asyncio.wait({asked}, timeout=FIRST_S)  # it goes on, and the page that asks next finds it done
    return asked.result() if done else IDS[0]


def _given(request: Request, found: File | None, *, keep: bool = False) -> Response:
    if found is None:
        raise Refused(404)
    lasts = f"public, max-age={A_YEAR_S}, immutable" if keep else "no-cache"
    headers = {"ETag": found.etag, "Cache-Control": lasts}
    if found.packed is not None:
        headers["Vary"] = "Accept-Encoding"
    if found.etag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    if found.packed is not None and "gzip" in request.headers.get("accept-encoding", ""):
        headers["Content-Encoding"] = "gzip"
        return Response(found.packed, media_type=found.kind, headers=headers)
    return Response(found.data, media_type=found.kind, headers=headers)


def app_files() -> dict[str, File]:
    """Return the files of the app by their names below `/static/app/`; none where it was not built."""
    try:
        stamp = (APP / INDEX).stat().st_mtime_ns
    except OSError:
        return {}
    return _built(APP, stamp)


@lru_cache(maxsize=2)
def _built(folder: Path, stamp: int) -> dict[str, File]:  # noqa: ARG001  # built anew, it is read anew
    paths = [path for path in sorted(folder.rglob("*")) if path.is_file() and path.suffix[1:] in KINDS]
    named = {path.relative_to(folder).as_posix(): path for path in paths}
    return {name: _file(name, path.read_bytes()) for name, path in named.items()}


def _file(name: str, data: bytes) -> File:
    ending = name.rpartition(".")[2]
    packed = gzip.compress(data, 9, mtime=0) if ending in PACKED else data
    return File(KINDS[ending], _tag(data), data, packed if len(packed) < 0.9 * len(data) else None)


def _tag(data: bytes) -> str:
    return f'"{hashlib.sha256(data).hexdigest()[:32]}"'


@cache
def _beside() -> File:
    return _file(MARK, (Path(__file__).parent / "static" / MARK).read_bytes())
