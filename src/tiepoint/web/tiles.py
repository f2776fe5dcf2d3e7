"""Tiles of a picture, as the pages' picture is made of: 512 px each, of the picture reduced by 2 once and again."""

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from fastapi import Request, Response

from tiepoint.web.refused import Refused

if TYPE_CHECKING:
    from numpy.typing import NDArray

SIDE = 512
QUALITY = 90


def last_level(width: int, height: int) -> int:
    """Return the level at which a picture is one tile."""
    level = 0
    while SIDE << level < max(width, height):
        level += 1
    return level


def tile(pixels: "NDArray[Any]", level: int, col: int, row: int) -> tuple[bytes, str] | None:
    """Return a tile of a picture (rows, cols[, RGB]) and its media type; None where the picture has none there.

    Each of its pixels is the mean of 2^level by 2^level. PNG where pixels are those of the picture, JPEG above. More
    than 8 bits are cut to the upper 8 of those that the picture uses.
    """
    import cv2
    import numpy as np

    side = SIDE << level
    part = pixels[row * side : (row + 1) * side, col * side : (col + 1) * side]
    if part.size == 0 or level > last_level(pixels.shape[1], pixels.shape[0]):
        return None
    if level:
        size = tuple(max(1, round(n / (1 << level))) for n in (part.shape[1], part.shape[0]))
        part = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    if part.dtype != np.uint8:
        # By a sample of all of it: a picture's tiles are alike.
        bits = min(16, max(8, int(pixels[::8, ::8].max()).bit_length()))
        part = (part >> (bits - 8)).clip(0, 255).astype(np.uint8)
    if part.ndim == 3:
        part = cv2.cvtColor(np.ascontiguousarray(part[:, :, :3]), cv2.COLOR_RGB2BGR)
    ending, words = (
        (".jpg", [cv2.IMWRITE_JPEG_QUALITY, QUALITY]) if level else (".png", [cv2.IMWRITE_PNG_COMPRESSION, 1])
    )
    good, data = cv2.imencode(ending, part, words)
    if not good:
        raise Refused(422, "this picture cannot be shown")
    return data.tobytes(), "image/jpeg" if level else "image/png"


async def tile_answer(
    request: Request, picture: "Callable[[], NDArray[Any]]", level: int, col: int, row: int, etag: str
) -> Response:
    """Answer with a tile of what `picture` gives, called in a thread; `etag` changes whenever the picture does."""
    headers = {"ETag": etag, "Cache-Control": "private, max-age=31536000, immutable"}
    if etag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    made = await asyncio.to_thread(lambda: tile(picture(), level, col, row))
    if made is None:
        raise Refused(404, "the picture has no tile there")
    data, kind = made
    return Response(data, media_type=kind, headers=headers)
