"""The first page and what it is made of: a fixed few files, looked up by name and never by path."""

import hashlib
from functools import cache
from importlib.resources import files

from fastapi import APIRouter, Request, Response

from tiepoint.report.look import sheet
from tiepoint.web.refused import Refused

router = APIRouter(include_in_schema=False)

_FACES = (
    ("Fira Sans Condensed", "fira-sans-condensed", (400, 500, 600)),
    ("Source Serif 4", "source-serif-4", (400,)),
)
_SUBSETS = {"latin": "U+0000-00FF,U+0131,U+0152-0153,U+02BB-02DC,U+2000-206F,U+20AC,U+2212", "greek": "U+0370-03FF"}


@router.get("/")
async def first_page(request: Request) -> Response:
    """Give the first page."""
    return _given(request, "index.html")


@router.get("/static/{name}")
async def static(request: Request, name: str) -> Response:
    """Give one of the files that the first page is made of."""
    return _given(request, name)


def _given(request: Request, name: str) -> Response:
    found = _files().get(name)
    if found is None:
        raise Refused(404)
    kind, etag, data = found
    headers = {"ETag": etag, "Cache-Control": "no-cache"}
    if etag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    return Response(data, media_type=kind, headers=headers)


@cache
def _files() -> dict[str, tuple[str, str, bytes]]:
    """Return type, tag and content of every file by its name."""
    here, fonts = files("tiepoint.web") / "static", files("tiepoint.report") / "fonts"
    own = {name: (here / name).read_bytes() for name in ("index.html", "page.js", "mark.svg")}
    style = "\n".join((*_faces(), sheet("tokens"), (here / "page.css").read_text(encoding="utf-8")))
    faces = {name: (fonts / name).read_bytes() for _, stem, weights in _FACES for name in _names(stem, weights)}
    given = {**own, "page.css": style.encode(), **faces}
    kinds = {
        "html": "text/html",
        "js": "text/javascript",
        "css": "text/css",
        "svg": "image/svg+xml",
        "woff2": "font/woff2",
    }
    return {
        name: (kinds[name.rpartition(".")[2]], f'"{hashlib.sha256(data).hexdigest()[:32]}"', data)
        for name, data in given.items()
    }


def _names(stem: str, weights: tuple[int, ...]) -> list[str]:
    return [f"{stem}-{subset}-{weight}-normal.woff2" for subset in _SUBSETS for weight in weights]


def _faces() -> list[str]:
    return [
        f'@font-face{{font-family:"{family}";font-weight:{weight};unicode-range:{_SUBSETS[subset]};'
        f'font-display:swap;src:url("/static/{stem}-{subset}-{weight}-normal.woff2") format("woff2")}}'
        for family, stem, weights in _FACES
        for subset in _SUBSETS
        for weight in weights
    ]
