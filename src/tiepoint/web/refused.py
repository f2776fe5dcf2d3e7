"""One shape for every refusal: `{"error": {"code", "says", "where", "do"}}`, whatever went wrong, and never a trace."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from tiepoint.foundation.errors import TiepointError
from tiepoint.station.drafting import Conflict
from tiepoint.station.words import without_folder
from tiepoint.web.asking import LedgerAway
from tiepoint.web.on_a_page import on_a_page

CODES = {
    400: ("bad_request", "the request cannot be read", "send it as HTTP/1.1 has it"),
    401: ("not_known", "who asks is not known", "log in, or send a token"),
    403: ("not_allowed", "this is not allowed", "ask who looks after the station's users"),
    404: ("not_there", "there is nothing here", "see /api/openapi.json for what there is"),
    405: ("not_done", "this is not done here", "see /api/openapi.json for what is"),
    408: ("too_slow", "the request came too slowly, and was given up", "send it again"),
    409: ("not_now", "this cannot be done now", "try again later"),
    413: ("too_large", "the request is too large", "send less at once"),
    415: ("wrong_type", "the request is of another type than is taken here", "see /api/openapi.json"),
    421: ("wrong_host", "the station is not called so", "use its own name, or add this one to [web] names"),
    422: ("not_usable", "what was sent cannot be used", "see /api/openapi.json"),
    429: ("too_many", "too much was asked for at once", "wait a little"),
    500: ("fault", "a fault of tiepoint itself, not of the request", "report it with the web process's own output"),
    503: ("not_ready", "the station cannot answer now", "try again later"),
}
"""By status: the code, what it says and what to do, where nothing better is known."""


class Told(BaseModel):
    """What went wrong: a `code` for programs, a sentence for people, where it was, and what to do about it."""

    code: str = Field(examples=["not_there"])
    says: str
    where: str
    do: str


class Error(BaseModel):
    """Every refusal."""

    error: Told


class Refused(Exception):
    """A request is refused, with a status of HTTP."""

    def __init__(
        self,
        status: int,
        says: str = "",
        do: str = "",
        *,
        where: str = "",
        code: str = "",
        headers: Mapping[str, str] | None = None,
    ) -> None:
        """What is left empty is filled in from the status."""
        known = CODES.get(status, CODES[500])
        self.status, self.code = status, code or known[0]
        self.says, self.do = says or known[1], do or (known[2] if not says else "")
        self.where, self.headers = where, dict(headers or {})
        super().__init__(self.says)

    def body(self, where: str) -> dict[str, Any]:
        """Return what is answered; `where` it was, if that is not known better."""
        return {"error": {"code": self.code, "says": self.says, "where": self.where or where, "do": self.do}}

    def data(self, where: str) -> bytes:
        """Return the same as JSON."""
        return json.dumps(self.body(where), ensure_ascii=False).encode("utf-8", "replace")


def refusals(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return, for a route's documentation, how it refuses. Some any route may answer with."""
    every = {400, 403, 408, 413, 421, 429, 500, 503}
    return {status: {"model": Error, "description": CODES[status][1].capitalize() + "."} for status in
            sorted({*statuses, *every})}  # fmt: skip


def refused_by(error: TiepointError, folder: Path, *, where: str = "") -> Refused:
    """Return the refusal that an error is, as a page says it; `where` it was, if that is known."""
    says, _, do = told_here(error, folder).partition("; ")
    if isinstance(error, Conflict):
        # What was edited meanwhile is told apart: a page then shows what is there now, and keeps what was typed.
        return Refused(409, says, do, code="conflict", where=where)
    return Refused(503 if isinstance(error, LedgerAway) else 422, says, do, where=where)


def told_here(says: object, folder: Path) -> str:
    """Return what a room says, an error say, as a page tells it: without the station's folder, naming no command."""
    return on_a_page(without_folder(str(says), folder))


def answer_refusals(app: FastAPI, folder: Path) -> None:
    """Have an application answer all that goes wrong in the one shape."""

    def answer(request: Request, refused: Refused) -> JSONResponse:
        return JSONResponse(refused.body(request.url.path), refused.status, refused.headers)

    @app.exception_handler(Refused)
    def _refused(request: Request, error: Refused) -> JSONResponse:
        return answer(request, error)

    @app.exception_handler(TiepointError)
    def _unusable(request: Request, error: TiepointError) -> JSONResponse:
        return answer(request, refused_by(error, folder))

    @app.exception_handler(HTTPException)
    def _by_the_framework(request: Request, error: HTTPException) -> JSONResponse:
        status = error.status_code if error.status_code in CODES else 400
        return answer(request, Refused(status, headers=error.headers))

    @app.exception_handler(RequestValidationError)
    def _not_as_documented(request: Request, error: RequestValidationError) -> JSONResponse:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"][1:]) or str(first["loc"][0])
        said = _said(first["type"], first.get("ctx", {}), first.get("input"))
        if said is not None:
            return answer(request, Refused(422, f"{place[:80]} {said[0]}", said[1], where=place[:80]))
        says = f"{place[:80]}: {str(first['msg'])[:200]}"
        return answer(request, Refused(422, says, "see /api/openapi.json", where=place[:80]))


_LOOKS = {"^[0-9a-f]{64}$": "give a hash as it is told: 64 digits, 0 to 9 and a to f"}
"""By pattern, how a text has to look."""


def _said(kind: str, bounds: Mapping[str, Any], given: Any) -> tuple[str, str] | None:
    """Return in plain words what is wrong with what a person may have typed, and what to do; None for all else."""
    size = len(given) if isinstance(given, str) else 0
    told = {
        "string_too_long": (f"has {size} characters", f"give at most {bounds.get('max_length')}"),
        "string_too_short": ("is empty" if not size else f"has {size} characters", "type it"),
        "greater_than": (f"is {given!s:.40}", f"give more than {bounds.get('gt')}"),
        "greater_than_equal": (f"is {given!s:.40}", f"give {bounds.get('ge')} or more"),
        "less_than": (f"is {given!s:.40}", f"give less than {bounds.get('lt')}"),
        "less_than_equal": (f"is {given!s:.40}", f"give {bounds.get('le')} or less"),
        "string_pattern_mismatch": (f"reads {given!r:.40}", _LOOKS.get(str(bounds.get("pattern")), "look at it")),
        "finite_number": ("is no finite number", "give one"),
        "float_parsing": (f"reads {given!r:.40}", "give a number, as 4.5"),
        "int_parsing": (f"reads {given!r:.40}", "give a whole number"),
    }
    return told.get(kind)
