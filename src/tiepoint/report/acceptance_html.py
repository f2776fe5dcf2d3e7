"""The acceptance report as one page that needs nothing else: the same blocks, and beside each number its inputs."""

import json
import re
from collections.abc import Callable, Iterator, Sequence
from html import escape
from importlib.resources import files
from typing import Any

from tiepoint.report import charts, look
from tiepoint.report.blocks import (
    Block,
    Cell,
    Facts,
    Figure,
    Grid,
    Lines,
    Listed,
    Mark,
    Note,
    Picture,
    Pictures,
    Raw,
    Report,
    Say,
    Section,
)
from tiepoint.report.page_parts import block, esc, note, say, scroll, sheet, title_block

_SCRIPTS = ("statistics", "risks", "formulas", "recompute")
_MOST_LINKS = 1000
"""So many records are linked beside raw numbers; of more the column of entries alone tells which they are."""
_CLAIMS = {
    "shown": '<path d="M1 1h12v12H1z" class="box"/><path d="M3 7.5l3 3 5-7" class="box"/>',
    "not shown": '<path d="M1 1h12v12H1z" class="box"/><path d="M3 7h8" class="box bar"/>',
    "not tried": '<path d="M1 1h12v12H1z" class="box dashed"/>',
}
"""The marks of claims: a ticked, a barred and a dashed square, which no verdict has."""


def acceptance_html(report: Report) -> str:
    """Return the page; whoever reads it can have each number worked out again."""
    corner = title_block(report.corner)
    every = (
        '<p class="every"><button type="button" id="recompute-all" hidden>Work every number out again</button>'
        '<span role="status"></span></p>'
    )
    hint = note("Recompute, beside a number, works it out again in this browser, from the raw numbers in this page.")
    title = f"<h1>{esc(report.title)}</h1>{say(esc(report.kicker))}"
    head = f'<header class="pagehead">{title}{corner}{every}{hint}</header>'
    contents = "".join(f'<a href="#{s.anchor}">{esc(s.title)}</a>' for s in report.sections)
    sections = "".join(_section(section) for section in report.sections)
    body = (
        f"<style>{_styles()}</style>{charts.symbols()}{_claims()}<main>{head}"
        f'<nav class="contents" aria-label="Contents">{contents}</nav>{sections}{note(esc(report.foot))}</main>'
    )
    script = "\n".join(_file(f"{name}.js") for name in _SCRIPTS)
    return look.page(f"{report.title}: {report.kicker}", body, script=script, description=report.kicker)


def _file(name: str) -> str:
    return (files("tiepoint.report") / name).read_text(encoding="utf-8")


def _styles() -> str:
    return _file("acceptance.css")


def _claims() -> str:
    marks = "".join(
        f'<symbol id="claim-{name.replace(" ", "-")}" viewBox="0 0 14 14">{drawn}</symbol>'
        for name, drawn in _CLAIMS.items()
    )
    return f'<svg class="symbols" aria-hidden="true" focusable="false">{marks}</svg>'


def _section(section: Section) -> str:
    return sheet(section.anchor, section.title, section.aside, *(block(_told(one)) for one in section.blocks))


def _told(one: Block) -> str:
    return _TOLD[type(one)](one)


def _say(one: Say) -> str:
    return f'<p class="say loud">{esc(one.text)}</p>' if one.loud else say(esc(one.text))


def _listed(one: Listed) -> str:
    tag = "ol" if one.numbered else "ul"
    return f'<{tag} class="said">{"".join(f"<li>{esc(line)}</li>" for line in one.lines)}</{tag}>'


def _facts(one: Facts) -> str:
    return title_block(one.rows)


def _grid(one: Grid) -> str:
    kinds = ["n" if k in one.right else "" for k in range(len(one.head))]
    head = "".join(_of("th", kind, esc(word), ' scope="col"') for word, kind in zip(one.head, kinds, strict=True))
    anchors: Sequence[int | None] = one.entries or (None,) * len(one.rows)
    rows = "".join(_row(row, kinds, entry) for row, entry in zip(one.rows, anchors, strict=True))
    return scroll(f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>")


def _row(row: Sequence[Cell], kinds: Sequence[str], entry: int | None) -> str:
    inside = "".join(_of("td", kind, _cell(cell)) for cell, kind in zip(row, kinds, strict=True))
    return f"<tr>{inside}</tr>" if entry is None else f'<tr id="e{entry}">{inside}</tr>'


def _of(tag: str, kind: str, inside: str, more: str = "") -> str:
    return f'<{tag}{more} class="{kind}">{inside}</{tag}>' if kind else f"<{tag}{more}>{inside}</{tag}>"


def _cell(cell: Cell) -> str:
    words = esc(cell.text)
    if cell.loud:
        words = f"<strong>{words}</strong>"
    if cell.to is not None:
        words = f'<a href="#{escape(cell.to)}">{words}</a>'
    if cell.mark is not None:
        words = _marked(cell.mark, words)
    if cell.entry is not None:
        words += f" {_entry(cell.entry)}"
    if cell.entries:
        words += ": " + " ".join(map(_entry, cell.entries))
    if cell.how is not None:
        how = {"formula": cell.how.formula, "inputs": dict(cell.how.inputs), "numbers": dict(cell.how.numbers)}
        how |= {} if cell.how.held is None else {"held": dict(cell.how.held)}
        kept = escape(json.dumps(how, separators=(",", ":"), allow_nan=False))
        words += f' <button type="button" hidden data-how="{kept}">recompute</button><span role="status"></span>'
    return words


def _entry(seq: int) -> str:
    return f'<a class="entry" href="#e{seq}">[{seq}]</a>'


def _marked(mark: Mark, words: str) -> str:
    symbol = f"claim-{mark.replace(' ', '-')}" if mark in _CLAIMS else f"mark-{mark}"
    return f'<svg width="14" height="14" aria-hidden="true"><use href="#{symbol}"/></svg> {words}'


def _uri(svg: str) -> str:
    """Return a drawing as an address, not coded twice: most of it is a picture in letters already."""
    for letter in '%#"<>\n\t':
        svg = svg.replace(letter, f"%{ord(letter):02X}")
    return f"data:image/svg+xml,{svg}"


def _figure(one: Figure) -> str:
    image = f'<img alt="{escape(one.caption)}" src="{_uri(one.svg)}">'
    entry = "" if one.entry is None else f" {_entry(one.entry)}"
    return f'<figure class="drawn">{image}</figure>{note(esc(one.caption) + entry)}'


def _pictures(one: Pictures) -> str:
    return f'<div class="shots">{"".join(map(_picture, one.pictures))}</div>'


def _picture(one: Picture) -> str:
    entry = "" if one.entry is None else f" {_entry(one.entry)}"
    image = f'<img loading="lazy" alt="{escape(one.caption)}" src="{_uri(one.svg)}">'
    return f"<figure>{image}<figcaption>{esc(one.caption)}{entry}</figcaption></figure>"


def _raw(one: Raw) -> str:
    hint = note(
        "What is worked out again is worked out of these numbers. Change one in this view, and press recompute: it "
        "differs."
    )
    if 0 < len(one.entries) <= _MOST_LINKS:
        hint += f'<p class="note">From the records {" ".join(map(_entry, one.entries))}.</p>'
    text = "\n".join("\t".join(line) for line in _lines_of(one))
    n = len(next(iter(one.columns.values()), ()))
    return (
        f'<details class="raw"><summary>{esc(one.title)}, {n} rows</summary>{hint}<pre class="raw" id="{one.name}" '
        f'contenteditable="plaintext-only" spellcheck="false">{esc(text)}</pre></details>'
    )


def _lines_of(one: Raw) -> Iterator[list[str]]:
    yield list(one.columns)
    for row in zip(*one.columns.values(), strict=True):
        yield [_raw_word(value) for value in row]


def _raw_word(value: Any) -> str:
    """Return a raw value to its last digit; what a table cannot hold becomes a blank."""
    if value is None:
        return ""
    return repr(value) if isinstance(value, float) else re.sub(r"\s", " ", str(value))


def _lines(one: Lines) -> str:
    told = "".join(
        f"<div>{esc(role)}{', ' + esc(name) if name else ''} · date, signature</div>" for role, name in one.names
    )
    return f'<div class="sign">{told}</div>'


_TOLD: dict[type, Callable[[Any], str]] = {
    Say: _say,
    Note: lambda one: note(esc(one.text)),
    Listed: _listed,
    Facts: _facts,
    Grid: _grid,
    Figure: _figure,
    Pictures: _pictures,
    Raw: _raw,
    Lines: _lines,
}
