"""Kept pictures: the files of the archive as they are, and previews of them."""

import asyncio
import hashlib
import os
from collections.abc import Mapping
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from tiepoint.documents.pictures import MOST_BYTES, decode_picture
from tiepoint.foundation.errors import TiepointError
from tiepoint.station.archive import Kept, kept_of
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger
from tiepoint.web.refused import Refused

WIDEST_PX = 1280
QUALITY = 82
PART = 1 << 18
"""Bytes of a file that are sent at once."""
FAR = 2000
"""So many entries after a record its pictures are looked for: they are kept behind the verdict's back."""

_TYPES = {
    ".png": "image/png", ".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".tif": "image/tiff", ".tiff": "image/tiff",
    ".bmp": "image/bmp", ".json": "application/json",
}  # fmt: skip


def kept_with(station: Station, ledger: Ledger, seq: int) -> Kept | None:
    """Return what was kept of a record; None where nothing was, or not yet."""
    for entry in islice(ledger.entries("archived", after=seq), FAR):
        kept = entry.body["record"]
        if kept == seq:
            return kept_of(station, entry)
        if entry.seq > seq + FAR:
            break
    return None


def is_picture(name: str) -> bool:
    """Whether a kept file is a picture."""
    return type_of(name).startswith("image/")


def type_of(name: str) -> str:
    """Return the media type of a kept file, by its ending."""
    return _TYPES.get(Path(name).suffix.lower(), "application/octet-stream")


def kept_file(station: Station, kept: Kept | None, name: str) -> BinaryIO:
    """Return a kept file, opened at its beginning; refused where there is none of that name, or it is not as it was.

    A name is looked up among those in the ledger, and never put together with a path.
    """
    if kept is None or name not in kept.files:
        raise Refused(404, "no file of that name was kept of this record", "see the record for those that were")
    path, root = kept.folder / name, station.archive_path.resolve()
    gone = Refused(
        404, "the file was taken away, or is missing", "Verify, on the page Evidence, tells which", code="not_kept"
    )
    try:
        if not (path.resolve().is_relative_to(root) and path.is_file()):
            raise gone
        file = path.open("rb")
    except (OSError, RuntimeError, ValueError) as error:
        raise gone from error
    try:
        if hashlib.file_digest(file, "sha256").hexdigest() != kept.files[name]:
            raise Refused(
                409,
                "the file was altered after it was kept",
                "verify the evidence on the page Evidence",
                code="altered",
            )
        file.seek(0)
    except BaseException as error:
        file.close()
        if isinstance(error, OSError):
            raise gone from error
        raise
    return file


def kept_bytes(station: Station, kept: Kept | None, name: str) -> bytes:
    """Return what is in a kept file; refused as by `kept_file`, or where it is larger than any picture that is read."""
    with kept_file(station, kept, name) as file:
        data = file.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise Refused(422, f"{name} is too large for a preview", "open the file itself", code="not_shown")
    return data


class FileAnswer(Response):
    """A file as an answer, read as it is sent: of one that is read slowly, or not at all, no more than a part is held.

    The file is closed at the end.
    """

    def __init__(self, file: BinaryIO, media_type: str, headers: Mapping[str, str]) -> None:
        size = file.seek(0, os.SEEK_END)
        file.seek(0)
        super().__init__(media_type=media_type, headers={**headers, "Content-Length": str(size)})
        self._file = file

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # noqa: ARG002  # as ASGI has it
        """Send it."""
        with self._file:
            await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
            while data := await asyncio.to_thread(self._file.read, PART):
                await send({"type": "http.response.body", "body": data, "more_body": True})
            await send({"type": "http.response.body", "body": b""})


def preview(data: bytes, name: str, widest: int = WIDEST_PX) -> bytes:
    """Return a picture as JPEG, at most so many px wide; refused where it cannot be decoded.

    More than 8 bits are cut to the upper 8 of those that the picture uses.
    """
    import cv2

    try:
        loaded = decode_picture(data, Path(name))
    except TiepointError as error:
        raise Refused(422, str(error), code="not_shown") from error
    pixels: Any = loaded.pixels
    if pixels.dtype != np.uint8:
        bits = min(16, max(8, loaded.bits, int(pixels.max()).bit_length()))
        pixels = (pixels >> (bits - 8)).astype(np.uint8)
    height, width = pixels.shape[:2]
    if width > widest:
        size = widest, max(1, round(height * widest / width))
        pixels = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    if pixels.ndim == 3:
        pixels = cv2.cvtColor(np.ascontiguousarray(pixels[:, :, :3]), cv2.COLOR_RGB2BGR)
    good, out = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not good:
        raise Refused(422, f"{name} cannot be shown as a preview", "open the file itself", code="not_shown")
    return out.tobytes()
