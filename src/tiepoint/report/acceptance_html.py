"""The acceptance report as one page that needs nothing else: the same blocks, and beside each number its inputs."""

import json
from collections.abc import Callable, Sequence
from html import escape
from importlib.resources import files
from typing import Any

from tiepoint.report import charts, look
from tiepoint.report.blocks import Block, Cell, Facts, Figure, Grid, Lines, Listed, Mark, Note, Report, Say, Section
from tiepoint.report.page_parts import block, esc, note, say, scroll, sheet, title_block

_VERDICT_OF: dict[Mark, str] = {"shown": "conforms", "not shown": "rejected", "not tried": "unread"}
_STYLE = (
    "<style>.again{color:var(--ink2)}.again.differs{color:var(--v-rejected-ink);font-weight:600}"
    "button[data-how]{font:inherit;font-size:11px;border:1px solid var(--edge);background:none;color:var(--ink2);"
    "border-radius:3px;padding:0 4px;margin-left:4px;cursor:pointer}.entry{color:var(--ink2)}"
    ".sign{display:grid;grid-template-columns:repeat(auto-fit,minmax(220px,1fr));gap:48px 32px;padding-top:40px}"
    ".sign div{border-top:1px solid var(--ink);padding-top:4px;font-size:var(--t1)}"
    ".said{margin-left:20px;font:400 15px/1.5 var(--prose);max-width:80ch}#can .said{font-size:18px}"
    ".drawn img{display:block;max-width:100%;background:#fff}@media print{button[data-how]{display:none}}</style>"
)


def acceptance_html(report: Report) -> str:
    """Return the page; whoever reads it can have each number worked out again."""
    corner = title_block(report.corner)
    head = f'<header class="pagehead"><h1>{esc(report.title)}</h1>{say(esc(report.kicker))}{corner}</header>'
    sections = "".join(_section(section) for section in report.sections)
    body = f"{_STYLE}{charts.symbols()}<main>{head}{sections}{note(esc(report.foot))}</main>"
    script = (files("tiepoint.report") / "recompute.js").read_text(encoding="utf-8")
    return look.page(f"{report.title}: {report.kicker}", body, script=script, description=report.kicker)


def _section(section: Section) -> str:
    return sheet(section.anchor, section.title, section.aside, *(block(_told(one)) for one in section.blocks))


def _told(one: Block) -> str:
    return _TOLD[type(one)](one)


def _listed(one: Listed) -> str:
    tag = "ol" if one.numbered else "ul"
    return f'<{tag} class="said">{"".join(f"<li>{esc(line)}</li>" for line in one.lines)}</{tag}>'


def _facts(one: Facts) -> str:
    return title_block(one.rows)


def _grid(one: Grid) -> str:
    kinds = ["n" if k in one.right else "" for k in range(len(one.head))]
    head = "".join(_of("th", kind, esc(word), ' scope="col"') for word, kind in zip(one.head, kinds, strict=True))
    rows = "".join(f"<tr>{_row(row, kinds)}</tr>" for row in one.rows)
    return scroll(f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>")


def _row(row: Sequence[Cell], kinds: Sequence[str]) -> str:
    return "".join(_of("td", kind, _cell(cell)) for cell, kind in zip(row, kinds, strict=True))


def _of(tag: str, kind: str, inside: str, more: str = "") -> str:
    return f'<{tag}{more} class="{kind}">{inside}</{tag}>' if kind else f"<{tag}{more}>{inside}</{tag}>"


def _cell(cell: Cell) -> str:
    words = esc(cell.text)
    if cell.mark is not None:
        words = _marked(cell.mark, words)
    if cell.entry is not None:
        words += f' <span class="entry">[{cell.entry}]</span>'
    if cell.how is not None:
        how = {"formula": cell.how.formula, "inputs": dict(cell.how.inputs), "number": cell.how.number}
        kept = escape(json.dumps(how, separators=(",", ":"), allow_nan=False))
        words += f'<button type="button" hidden data-how="{kept}">recompute</button><span role="status"></span>'
    return words


def _marked(mark: Mark, words: str) -> str:
    symbol = _VERDICT_OF.get(mark, mark)
    return f'<svg width="14" height="14" aria-hidden="true"><use href="#mark-{symbol}"/></svg> {words}'


def _figure(one: Figure) -> str:
    uri = look.data_uri(one.svg.encode(), "image/svg+xml")
    return f'<figure class="drawn"><img alt="{escape(one.caption)}" src="{uri}"></figure>{note(esc(one.caption))}'


def _lines(one: Lines) -> str:
    told = "".join(
        f"<div>{esc(role)}{', ' + esc(name) if name else ''} · date, signature</div>" for role, name in one.names
    )
    return f'<div class="sign">{told}</div>'


_TOLD: dict[type, Callable[[Any], str]] = {
    Say: lambda one: say(esc(one.text), one.big),
    Note: lambda one: note(esc(one.text)),
    Listed: _listed,
    Facts: _facts,
    Grid: _grid,
    Figure: _figure,
    Lines: _lines,
}
