"""What comes as a form of several parts (RFC 7578): how a route documents its pictures, and what is refused at once."""

from typing import Any

from fastapi import Request

from tiepoint.web.refused import Refused

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


def demand_form(request: Request, what: str) -> None:
    """Refuse a body that is no such form."""
    if not request.headers.get("content-type", "").lower().startswith(FORM):
        raise Refused(415, f"{what} as {FORM}", "see /api/openapi.json")
