"""The look of every page and drawing: tokens, faces and style sheets, gathered into one self-contained text.

Nothing is fetched: faces are embedded. A page follows the reader's light or dark setting; a drawing that
stands alone is in light inks, literally, since not every program that opens an SVG knows custom properties.
"""

import base64
import re
from functools import cache
from html import escape
from importlib.resources import files

_FACES: tuple[tuple[str, str, int, str], ...] = (
    ("Fira Sans Condensed", "fira-sans-condensed", 400, "normal"),
    ("Fira Sans Condensed", "fira-sans-condensed", 500, "normal"),
    ("Fira Sans Condensed", "fira-sans-condensed", 600, "normal"),
    ("Source Serif 4", "source-serif-4", 400, "normal"),
    ("Source Serif 4", "source-serif-4", 600, "normal"),
    ("Source Serif 4", "source-serif-4", 400, "italic"),
)
_SUBSETS = {"latin": "U+0000-00FF,U+0131,U+0152-0153,U+02BB-02DC,U+2000-206F,U+20AC,U+2212", "greek": "U+0370-03FF"}
_PAIR = re.compile(r"light-dark\(([^,()]+),([^,()]+)\)")
_USE = re.compile(r"var\((--[a-z0-9-]+)\)")
_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; font-src data:; "
    "img-src data: 'self' file:"
)


@cache
def sheet(name: str) -> str:
    """Return one of the package's style sheets: `tokens`, `drawing` or `style`."""
    return (files("tiepoint.report") / f"{name}.css").read_text(encoding="utf-8")


@cache
def script() -> str:
    """Return the page's own script; the page can be read without it."""
    return (files("tiepoint.report") / "page.js").read_text(encoding="utf-8")


@cache
def faces(*weights: tuple[str, int, str]) -> str:
    """Return `@font-face` rules with the faces embedded; all of them, or those named (family, weight, style)."""
    rules = []
    for family, stem, weight, style in _FACES:
        if weights and (family, weight, style) not in weights:
            continue
        for subset, reach in _SUBSETS.items():
            data = (files("tiepoint.report") / "fonts" / f"{stem}-{subset}-{weight}-{style}.woff2").read_bytes()
            rules.append(
                f'@font-face{{font-family:"{family}";font-weight:{weight};font-style:{style};unicode-range:{reach};'
                f"src:url(data:font/woff2;base64,{base64.b64encode(data).decode()}) format('woff2')}}"
            )
    return "\n".join(rules)


@cache
def tokens(theme: str = "light") -> dict[str, str]:
    """Return every token with its plain value in the `light` or `dark` theme."""
    pairs = re.findall(r"(--[a-z0-9-]+):([^;}]+)", sheet("tokens"))
    return {name: _PAIR.sub(r"\1" if theme == "light" else r"\2", value).strip() for name, value in pairs}


def plain_sheet(theme: str = "light") -> str:
    """Return the drawing's style sheet with every token replaced by its value in one theme."""
    values = tokens(theme)
    return _USE.sub(lambda use: values[use.group(1)], sheet("drawing"))


def in_dark(drawing: str) -> str:
    """Return a drawing that stands alone, which is in light inks, in the dark ones."""
    return drawing.replace(plain_sheet(), plain_sheet("dark"))


def page(title: str, body: str, *, script: str = "", description: str = "") -> str:
    """Return a whole HTML page: faces, styles and script inside, no request to anywhere."""
    style = "\n".join((faces(), sheet("tokens"), sheet("drawing"), sheet("style")))
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        f'<meta name="description" content="{escape(description)}">\n<title>{escape(title)}</title>\n'
        f"<style>\n{style}</style>\n</head>\n<body>\n{body}\n"
        f"{f'<script>{script}</script>' if script else ''}\n</body>\n</html>\n"
    )


def data_uri(data: bytes, kind: str) -> str:
    """Return bytes as a data URI of a media type such as `image/jpeg`."""
    return f"data:{kind};base64,{base64.b64encode(data).decode()}"
