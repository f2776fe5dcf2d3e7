"""Pictures from files in tiles: each is decoded once for all who look, and few of them are held at a time."""

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import Path as Part
from fastapi import Request, Response

from tiepoint.documents.pictures import load_shown
from tiepoint.foundation.errors import TiepointError
from tiepoint.web.here import Here
from tiepoint.web.refused import Refused
from tiepoint.web.tiles import tile

if TYPE_CHECKING:
    from numpy.typing import NDArray

TILE: dict[int | str, dict[str, Any]] = {200: {"content": {"image/png": {}, "image/jpeg": {}}}, 304: {}}
"""What a route of tiles answers with, for its documentation."""


Level = Annotated[int, Part(ge=0, le=20)]
Place = Annotated[int, Part(ge=0, le=1 << 20)]


async def shown_tile(
    request: Request, here: Here, sha: str, path: Callable[[], Awaitable[Path]], level: int, col: int, row: int
) -> Response:
    """Answer with a tile of a picture's file. `sha`: of the file; `path`: gives where it lies, asked only where needed.

    Refused where the picture has no tile there, or cannot be shown.
    """
    etag = f'"{sha}-{level}-{col}-{row}"'
    # Asked for again each time: who is logged out sees nothing any more, but is sent nothing twice either.
    headers = {"ETag": etag, "Cache-Control": "private, no-cache"}
    if etag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)

    async def decoded() -> "NDArray[Any]":
        where = await path()
        async with here.looking:
            return await asyncio.to_thread(load_shown, where)

    async def made() -> bytes:
        try:
            pixels = await here.shown.get(sha, decoded)
        except TiepointError as error:
            raise Refused(422, _said(error), code="not_shown") from error
        found = await here.asking.run(lambda: tile(pixels, level, col, row))
        return b"" if found is None else found[0]

    data = await here.cache.get(f"tile {sha} {level} {col} {row}", made)
    if not data:
        raise Refused(404, "the picture has no tile there", "see its width and height for those that it has")
    return Response(data, media_type="image/jpeg" if level else "image/png", headers=headers)


def _said(error: TiepointError) -> str:
    """Return why a picture cannot be shown, without where it lies."""
    words = (Path(word).name if "/" in word[1:] or "\\" in word else word for word in str(error).split(" "))
    return " ".join(words)
