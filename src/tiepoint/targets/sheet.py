"""A target on a page: true-scale vector PDF and SVG, with its ruler bars, its id and how to print it.

Nothing here depends on the clock or the machine: the same target gives the same bytes.
"""

import io
from collections.abc import Iterable
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from tiepoint.foundation.errors import UnusableInput
from tiepoint.targets.draw import Target, bar_style, shapes

Array = NDArray[np.float64]

POINTS_PER_MM = 72 / 25.4

PAPERS_MM: dict[str, tuple[float, float]] = {
    "A0": (841.0, 1189.0),
    "A1": (594.0, 841.0),
    "A2": (420.0, 594.0),
    "A3": (297.0, 420.0),
    "A4": (210.0, 297.0),
    "A5": (148.0, 210.0),
    "A6": (105.0, 148.0),
    "Letter": (215.9, 279.4),
    "Legal": (215.9, 355.6),
    "Tabloid": (279.4, 431.8),
}
"""Width and height of an upright sheet (ISO 216; the North American sizes in exact inches)."""

UNPRINTED_MM = 5.0
"""Rim that printers leave white."""

_FONT = "Helvetica"
_LINE = 1.35
_SMALLEST_TEXT_MM, _LARGEST_TEXT_MM = 2.2, 8.0


@dataclass(frozen=True)
class Text:
    """A line of text: where its baseline starts in page mm (y up), or its middle; turned by a right angle or not."""

    words: str
    x_mm: float
    y_mm: float
    upright: bool = True
    centred: bool = False


@dataclass(frozen=True)
class Page:
    """A page: its size, where the target's origin lies on it (mm from the lower left), and its text."""

    width_mm: float
    height_mm: float
    origin_mm: tuple[float, float]
    text_mm: float
    texts: tuple[Text, ...]


def page(target: Target, paper: str | None = None) -> Page:
    """Lay the target on a page: on a paper by name (`PAPERS_MM`, turned if that fits better), or fitted to it.

    Raises `UnusableInput` where the paper is not known or too small.
    """
    width, height = target.size_mm
    size = float(np.clip(0.35 * target.pitch_mm, _SMALLEST_TEXT_MM, _LARGEST_TEXT_MM))
    style = bar_style(target)
    beside = style.offset + style.tick / 2 + 2.2 * size  # bar and its words, left of and below the pattern
    lines = _lines(target)
    words = max(stringWidth(line, _FONT, size) for line in lines)
    below = beside + (0.8 + _LINE * len(lines)) * size
    wide = max(beside + width + 1.5 * size, words) + 2 * UNPRINTED_MM
    high = below + height + 1.5 * size + 2 * UNPRINTED_MM
    page_width, page_height = (wide, high) if paper is None else _turned(paper, wide, high)
    left = (page_width - width - beside) / 2 + beside
    bottom = (page_height - height - below) / 2 + below
    texts = (*_labels(target, left, bottom, size), *_footer(lines, page_width / 2, bottom - beside - size, size))
    return Page(page_width, page_height, (left, bottom), size, texts)


def _turned(paper: str, wide: float, high: float) -> tuple[float, float]:
    name = next((known for known in PAPERS_MM if known.lower() == paper.strip().lower()), None)
    if name is None:
        raise UnusableInput(f"the paper {paper!r} is not known; use one of {', '.join(PAPERS_MM)}")
    short, long = PAPERS_MM[name]
    for sheet in ((short, long), (long, short)) if high >= wide else ((long, short), (short, long)):
        if wide <= sheet[0] and high <= sheet[1]:
            return sheet
    need = f"the target with its ruler bars needs {wide:.0f} × {high:.0f} mm and {name} has {short:g} × {long:g} mm"
    family = [n for n in PAPERS_MM if n.startswith("A") == name.startswith("A")]
    larger = [n for n in family if min(wide, high) <= PAPERS_MM[n][0] and max(wide, high) <= PAPERS_MM[n][1]]
    help_ = (
        f"choose {min(larger, key=lambda n: PAPERS_MM[n])}" if larger else "leave the paper out for a page that fits"
    )
    raise UnusableInput(f"{need}; {help_}, or fewer or smaller squares")


def _lines(target: Target) -> list[str]:
    cells = "" if target.pattern == "dots" else " squares"
    return [
        f"tiepoint target {target.id} · {target.pattern} {target.columns} × {target.rows}{cells} · "
        f"pitch {target.pitch_mm:g} mm · {target.variant}",
        "Print at 100 %, never “fit to page”. Keep it flat.",
        f"Then measure each bar from an edge of one end line to the same edge of the other: x {target.bar_x_mm:g} mm, "
        f"y {target.bar_y_mm:g} mm.",
    ]


def _labels(target: Target, left: float, bottom: float, size: float) -> Iterable[Text]:
    width, height = target.size_mm
    style = bar_style(target)
    outside = style.offset + style.tick / 2
    yield Text(_bar_words(target.bar_x_mm), left + width / 2, bottom - outside - 1.2 * size, centred=True)
    words = _bar_words(target.bar_y_mm)
    if stringWidth(words, _FONT, size) < height:  # a fingernail has no room; the last line says it anyway
        yield Text(words, left - outside - 0.4 * size, bottom + height / 2, upright=False, centred=True)
    yield Text("0", left - outside - 0.4 * size, bottom - outside - 0.7 * size, centred=True)
    yield Text("x", left + width + 0.7 * size, bottom - style.offset - 0.25 * size, centred=True)
    yield Text("y", left - style.offset, bottom + height + 0.5 * size, centred=True)


def _bar_words(length_mm: float) -> str:
    return f"{length_mm:g} mm from line to line"


def _footer(lines: list[str], middle: float, top: float, size: float) -> Iterable[Text]:
    for number, line in enumerate(lines):
        yield Text(line, middle, top - (0.8 + _LINE * number) * size, centred=True)


def pdf(target: Target, paper: str | None = None) -> bytes:
    """Return the target as a PDF of one page at true scale."""
    laid = page(target, paper)
    buffer = io.BytesIO()
    canvas = Canvas(
        buffer,
        pagesize=(laid.width_mm * POINTS_PER_MM, laid.height_mm * POINTS_PER_MM),
        invariant=1,
        pageCompression=1,
    )
    canvas.setTitle(f"tiepoint target {target.id}")
    canvas.setAuthor("tiepoint")
    # Viewers that offer to scale are told not to.
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    canvas.setFillGray(0)
    _fill(canvas, target, laid.origin_mm)
    canvas.setFont(_FONT, laid.text_mm)
    for text in laid.texts:
        _write(canvas, text)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _fill(canvas: Canvas, target: Target, origin: tuple[float, float]) -> None:
    # One path for all polygons: what touches is filled without hairlines between.
    drawn = shapes(target)
    path = canvas.beginPath()
    for polygon in drawn.polygons:
        places = polygon + origin
        path.moveTo(*places[0])
        for place in places[1:]:
            path.lineTo(*place)
        path.close()
    for x, y, radius in drawn.discs:
        path.circle(x + origin[0], y + origin[1], radius)
    canvas.drawPath(path, stroke=0, fill=1)


def _write(canvas: Canvas, text: Text) -> None:
    canvas.saveState()
    canvas.translate(text.x_mm, text.y_mm)
    if not text.upright:
        canvas.rotate(90)
    (canvas.drawCentredString if text.centred else canvas.drawString)(0, 0, text.words)
    canvas.restoreState()


def svg(target: Target, paper: str | None = None) -> str:
    """Return the target as an SVG at true scale: width and height in mm, one user unit to the millimetre."""
    laid = page(target, paper)
    width, height = f"{laid.width_mm:.6g}", f"{laid.height_mm:.6g}"
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {width} {height}">',
        f"<title>tiepoint target {target.id}</title>",
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        f'<path d="{_path(target, laid)}" fill="#000"/>',
        f'<g font-family="Helvetica, Arial, sans-serif" font-size="{laid.text_mm:g}">',
        *(_svg_text(text, laid) for text in laid.texts),
        "</g>",
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def _path(target: Target, laid: Page) -> str:
    drawn = shapes(target)
    parts = []
    for polygon in drawn.polygons:
        places = [_on_page(x, y, laid) for x, y in polygon]
        parts.append("M" + "L".join(places) + "z")
    for x, y, radius in drawn.discs:
        start, end = _on_page(x - radius, y, laid), _on_page(x + radius, y, laid)
        arc = f"A{_number(radius)} {_number(radius)} 0 1 0 "
        parts.append(f"M{start}{arc}{end}{arc}{start}z")
    return "".join(parts)


def _on_page(x: float, y: float, laid: Page) -> str:
    return f"{_number(laid.origin_mm[0] + x)} {_number(laid.height_mm - laid.origin_mm[1] - y)}"


def _number(mm: float) -> str:
    # A nanometre is finer than any printer, also for a target of the size of a fingernail.
    return f"{mm:.6f}".rstrip("0").rstrip(".")


def _svg_text(text: Text, laid: Page) -> str:
    x, y = _number(text.x_mm), _number(laid.height_mm - text.y_mm)
    turn = "" if text.upright else f' transform="rotate(-90 {x} {y})"'
    anchor = ' text-anchor="middle"' if text.centred else ""
    return f'<text x="{x}" y="{y}"{anchor}{turn}>{escape(text.words)}</text>'
