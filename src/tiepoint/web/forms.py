"""What comes as a form of several parts (RFC 7578): how a route documents its pictures, and what is refused at once."""

from collections import Counter
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from typing import Any

from fastapi import Request
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException

from tiepoint.documents.files import reason_of
from tiepoint.web.refused import Refused

MAKE_ROOM = "make room on the station's disk, and send it again"
FIELD_BYTES = 65_536
"""Of a text among the files, at most."""
FORM = "multipart/form-data"
_KINDS = "PNG, JPEG, TIFF, BMP, PGM or PPM"


def pictures_body(most: int, says: str, about: str | None = None) -> dict[str, Any]:
    """Return, for a route's documentation, a body with pictures, `most` of them. `about`: a text that may be with them.

    `says`: what goes on after the kinds of files.
    """
    pictures = {
        "type": "array",
        "maxItems": most,
        "items": {"type": "string", "format": "binary"},
        "description": f"{_KINDS}{says}",
    }
    fields = {"picture": pictures, **({} if about is None else {"about": {"type": "string", "description": about}})}
    schema = {"type": "object", "required": ["picture"], "properties": fields}
    return {"requestBody": {"required": True, "content": {FORM: {"schema": schema}}}}


@asynccontextmanager
async def read_form(request: Request, most: int, *, files: int = 0, fields: int = 0) -> AsyncIterator[FormData]:
    """Read a form with at most so many pictures, and refuse one that cannot be read; its files wait on the disk.

    `files`, `fields`: other files, and texts, that may be with the pictures.
    """
    try:
        async with request.form(max_files=most + files, max_fields=fields, max_part_size=FIELD_BYTES) as form:
            yield form
    except HTTPException as error:
        if str(error.detail).startswith("Too many files"):
            raise Refused(
                422, f"more than {most} pictures came at once", "give them in parts", where="picture"
            ) from error
        raise Refused(400, f"the body is no multipart/form-data as is taken here: {error.detail}") from error
    except OSError as error:
        raise not_taken(f"what is sent cannot be held: {reason_of(error)}", MAKE_ROOM) from error


def not_taken(says: str, do: str) -> Refused:
    """Return the refusal of what is to be sent again a little later."""
    return Refused(503, says, do, code="not_taken", headers={"Retry-After": "5"})


@contextmanager
def one_of_a_few(coming: Counter[str], of: str, most: int, what: str) -> Iterator[None]:
    """Take a body, unless `most` of its kind are `coming` already: each may be as large as the disk takes."""
    if coming[of] >= most:
        raise Refused(429, f"{most} {what} are coming in already", headers={"Retry-After": "1"})
    coming[of] += 1
    try:
        yield
    finally:
        coming[of] -= 1


def demand_form(request: Request, what: str) -> None:
    """Refuse a body that is no such form."""
    if not request.headers.get("content-type", "").lower().startswith(FORM):
        raise Refused(415, f"{what} as {FORM}", "see /api/openapi.json")
