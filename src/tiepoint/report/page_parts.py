"""The page's own furniture: sheets, the traverse along the top edge, numbers in sentences."""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Literal

from tiepoint.foundation.rounding import HOLD, fixed, value_and_pm
from tiepoint.recipe.marks_content import on_page
from tiepoint.report import svg

State = Literal["proved", "begun"]


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of the job on the traverse: `state` is drawn as a mark and said as a word; `line` is short.

    `extent` is said after the state's word, where it does not hold throughout.
    """

    name: str
    state: State
    line: str
    anchor: str
    extent: str = ""


def esc(words: str) -> str:
    """Return words that HTML shows as they are."""
    return escape(on_page(words), quote=False)


def sheet(anchor: str, title: str, aside: str, *blocks: str) -> str:
    """Return a sheet with its heading; `blocks` are HTML."""
    told = f'<span class="aside">{esc(aside)}</span>' if aside else ""
    return f'<section class="sheet" id="{anchor}"><h2>{esc(title)}{told}</h2>{"".join(blocks)}</section>'


def block(*inside: str) -> str:
    """Return a padded block."""
    return f'<div class="block">{"".join(inside)}</div>'


def heading(words: str, aside: str = "") -> str:
    """Return a small heading."""
    told = f'<span class="aside">{esc(aside)}</span>' if aside else ""
    return f"<h3>{esc(words)}{told}</h3>"


def say(words: str, big: bool = False) -> str:
    """Return a statement in full sentences; `words` are HTML."""
    return f'<p class="say{" big" if big else ""}">{words}</p>'


def note(words: str) -> str:
    """Return a note in full sentences; `words` are HTML."""
    return f'<p class="note">{words}</p>'


def scroll(table: str) -> str:
    """Return a table that is moved sideways where the page is too narrow for it: no column is left out."""
    return f'<div class="scroll">{table}</div>'


def title_block(rows: Sequence[tuple[str, str]]) -> str:
    """Return the block in the sheet's corner that says what this is."""
    told = "".join(f"<dt>{esc(what)}</dt><dd>{esc(said)}</dd>" for what, said in rows)
    return f'<dl class="titleblock">{told}</dl>'


def micro(mm: float) -> str:
    """Return a length in µm with its unit, in two figures."""
    number, _ = value_and_pm(1000 * mm, abs(1000 * mm))
    return f"{number}{HOLD}µm"


def megabytes(size_bytes: float) -> str:
    """Return a size in MB or kB."""
    return f"{fixed(size_bytes / 1e6, 1)} MB" if size_bytes >= 1e5 else f"{fixed(size_bytes / 1e3, 1)} kB"


def traverse(stages: Sequence[Stage]) -> str:
    """Return the job as a survey traverse: a mark a stage, legs between them."""
    marks = "".join(_stage(stage, number, number + 1 < len(stages)) for number, stage in enumerate(stages))
    return f'<nav class="traverse" aria-label="Stages of the job">{_BRAND}<ol>{marks}</ol></nav>'


def traverse_key() -> str:
    """Return what the marks of the traverse mean."""
    means: tuple[tuple[State, str], ...] = (
        ("proved", "proved: what it states was held to the truth"),
        ("begun", "begun: done, and not proved"),
    )
    told = "".join(f'<span class="v">{_mark(state, "key-mark")}{words}</span>' for state, words in means)
    return f'<p class="legend traverse-key">{told}</p>'


def _mark(state: State, class_: str) -> str:
    proved = state == "proved"
    triangle = svg.element("path", class_="triangle proved" if proved else "triangle", d="M11 2L20.5 18.5H1.5Z")
    dot = svg.element("circle", class_="dot", cx=11, cy=13, r=2.2) if proved else ""
    return svg.element("svg", triangle, dot, class_=class_, viewBox="0 0 22 20", aria_hidden="true")


def _stage(stage: Stage, number: int, has_next: bool) -> str:
    mark = _mark(stage.state, "station-mark")
    leg = ""
    if has_next:
        d = "M2 40L98 58" if number % 2 == 0 else "M2 58L98 40"
        leg = svg.element(
            "svg",
            svg.element("path", d=d),
            class_="leg",
            viewBox="0 0 100 100",
            preserveAspectRatio="none",
            aria_hidden="true",
        )
    state = f"{stage.state} {stage.extent}".rstrip()
    words = f"<b>{esc(stage.name)}</b><em>{esc(state)}</em><small>{esc(stage.line)}</small>"
    return f'<li>{leg}<a href="#{stage.anchor}">{mark}{words}</a></li>'


_BRAND = (
    '<div class="brand"><svg viewBox="0 0 26 18" aria-hidden="true">'
    '<path d="M5 13L20 5" stroke="var(--ink)" stroke-width="1.6" fill="none"/>'
    '<path d="M5 8.5v9M.5 13h9M20 .5v9M15.5 5h9" stroke="var(--ink)" stroke-width="1.8" fill="none"/></svg>'
    "<span>tiepoint</span></div>"
)
