"""What stands in the margin of a tie's map: its key, what was done, what to do, and the title block.

The page sets these beside the map as HTML; `sheet_svg` writes map and margin as one drawing that stands alone.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tiepoint.foundation.rounding import fixed, short
from tiepoint.report import look, svg
from tiepoint.report.tie_picture import COLLAR, TieView, legend, map_size, map_svg

MARGIN_WIDTH = 232.0
_KEY_LEFT = 46.0
_LINE = 16.0

_WIDTH_OF = {"face": 0.445, "prose": 0.49}
"""Mean width of a letter over the type size; lines are broken a little early, so that none runs out."""


@dataclass(frozen=True)
class Margin:
    """Notes and title block beside a map: sentences, and (what, said) pairs."""

    done: str
    to_do: str
    title_block: tuple[tuple[str, str], ...]


def key(view: TieView, good_for: str = "") -> tuple[tuple[str, str], ...]:
    """Return the map's key as (drawing in a box of 36 × 14, words).

    `good_for` names what the limit stands for, as in `±0.05 mm`.
    """
    told = legend(view)
    items = [(_arrow_sample(), f"residual of {_micro(told.key_um)}, drawn {_times(told.magnification)} times larger")]
    if view.unseen.any():
        items.append((_sample("cross unseen", "M15.2 4.2l5.6 5.6m-5.6 0l5.6 -5.6"), "point unseen by the fit"))
    if not view.unseen.all():
        items.append((_sample("cross", "M14.5 7h7M18 3.5v7"), "point used by the fit"))
    items.append((_sample("contour", "M0 7H36"), "U at 95 %, in µm"))
    if told.limit_um is not None:
        meant = f": good for {good_for} inside" if good_for else ""
        items.append((_sample("contour limit", "M0 7H36"), f"U of {_micro(told.limit_um)}{meant}"))
        items.append((_hatched(), "not good enough, or not known"))
    if len(view.region_px):
        items.append((_sample("region", "M1 1H35V13H1Z"), "where the tie is valid"))
    if told.worst >= 0 and told.worst_um > 0:
        ring = svg.element("circle", class_="worst", cx=18, cy=7, r=7)
        items.append((ring, f"largest, {_micro(told.worst_um)}"))
    return tuple(items)


def key_html(view: TieView, good_for: str = "") -> str:
    """Return the key for a page."""
    rows = (
        f"{svg.drawing(36, 14, mark, aria_hidden='true')}<span>{_spoken(said)}</span>"
        for mark, said in key(view, good_for)
    )
    return f'<div class="key">{"".join(rows)}</div>'


def sheet_svg(view: TieView, photo_uri: str, title: str, margin: Margin, good_for: str = "") -> str:
    """Return map, key, notes and title block as one drawing that stands alone, in light inks."""
    width, height = map_size(view)
    faces = look.faces(
        ("Fira Sans Condensed", 400, "normal"),
        ("Fira Sans Condensed", 600, "normal"),
        ("Source Serif 4", 400, "normal"),
    )
    inner = map_svg(view, photo_uri, title)
    placed = inner.replace("<svg ", f'<svg x="0" y="0" width="{svg.number(width)}" height="{svg.number(height)}" ', 1)
    whole = width + MARGIN_WIDTH
    return svg.drawing(
        whole,
        height,
        svg.element("style", f"\n{faces}\n{look.plain_sheet()}"),
        svg.element("rect", class_="paper", x=0, y=0, width=whole, height=height),
        placed,
        *_margin(view, margin, good_for, width + 4, height),
        svg.element("rect", class_="frame", x=0.5, y=0.5, width=whole - 1, height=height - 1),
        width=whole,
        height=height,
    )


def _margin(view: TieView, margin: Margin, good_for: str, left: float, height: float) -> Iterator[str]:
    room = MARGIN_WIDTH - 16
    y = COLLAR
    for mark, said in key(view, good_for):
        yield svg.element("g", mark, transform=f"translate({svg.number(left)} {svg.number(y - 11)})")
        lines = wrapped(said, room - _KEY_LEFT, 12.0, "face")
        yield from _lines(lines, left + _KEY_LEFT, y, "t")
        y += _LINE * len(lines) + 5
    for heading, said in (("Done", margin.done), ("To do", margin.to_do)):
        if said:
            y += 12
            yield svg.text(left, y, heading, class_="t strong")
            lines = wrapped(said, room, 12.0, "prose")
            yield from _lines(lines, left, y + _LINE, "t prose quiet")
            y += _LINE * (len(lines) + 1)
    yield from _title_block(margin.title_block, left, height)


def _title_block(rows: Sequence[tuple[str, str]], left: float, height: float) -> Iterator[str]:
    tall = 17.0 * len(rows) + 12
    top = height - tall
    yield svg.element("rect", class_="frame", x=left, y=top, width=MARGIN_WIDTH - 4, height=tall)
    for number, (what, said) in enumerate(rows):
        y = top + 19 + 17.0 * number
        yield svg.text(left + 10, y, what, class_="t quiet")
        yield svg.text(left + 66, y, said, class_="t")


def _lines(lines: Sequence[str], x: float, y: float, class_: str) -> Iterator[str]:
    for number, line in enumerate(lines):
        yield svg.text(x, y + _LINE * number, line, class_=class_)


def wrapped(words: str, width: float, size: float, face: str) -> list[str]:
    """Return words broken into lines of at most `width` at a type size, by the face's mean letter."""
    most = max(8, int(width / (size * _WIDTH_OF[face])))
    lines: list[str] = [""]
    # Plain spaces only: thin ones hold groups of figures together.
    for word in words.split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if len(longer) <= most or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _sample(class_: str, d: str) -> str:
    return svg.element("path", class_=class_, d=d)


def _arrow_sample() -> str:
    return _sample("arrow", "M0 7H27") + svg.element("path", class_="arrow-head", d="M36 7l-9 -3.4v6.8z")


def _hatched() -> str:
    lines = _sample("not-good", "M0 14L14 0M8 14L22 0M16 14L30 0M24 14L36 2M32 14L36 10M0 6L6 0")
    return lines + svg.element("rect", class_="contour", x=0.5, y=0.5, width=35, height=13)


def _micro(value: float) -> str:
    rounded = float(f"{value:.2g}")
    return f"{short(rounded)} µm"


def _times(magnification: float) -> str:
    return fixed(float(f"{magnification:.2g}"), 0)


def _spoken(said: str) -> str:
    return f'<span class="q">U</span>{said[1:]}' if said.startswith("U ") else said
