"""The blocks that a report is made of, before anything is set: the same ones become a PDF and a page."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

Mark = Literal["conforms", "rejected", "undecided", "unread", "shown", "not shown", "not tried"]


@dataclass(frozen=True, slots=True)
class Recompute:
    """How a shown number comes about: the `formula` by name, its `inputs` as plain data, and the number itself.

    The page works it out again from the inputs alone and compares; the formulas stand in `recompute.js`.
    """

    formula: str
    inputs: Mapping[str, Any]
    number: float


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell: its words, a `mark` before them, how its number is worked out, and the entry that it came from."""

    text: str
    mark: Mark | None = None
    how: Recompute | None = None
    entry: int | None = None


@dataclass(frozen=True, slots=True)
class Say:
    """A statement in full sentences; `big` on the first page."""

    text: str
    big: bool = False


@dataclass(frozen=True, slots=True)
class Note:
    """What is to be known beside it, set small."""

    text: str


@dataclass(frozen=True, slots=True)
class Listed:
    """Sentences one below the other, `numbered` or not."""

    lines: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """Pairs of what and what is said of it."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table: `head` and `rows`; columns in `right` are aligned to the right; `widths` are shares, even without."""

    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    right: frozenset[int] = frozenset()
    widths: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing (SVG as text) with its caption."""

    svg: str
    caption: str


@dataclass(frozen=True, slots=True)
class Lines:
    """Room to write: a line for each name, as for a signature."""

    names: tuple[tuple[str, str], ...]


Block = Say | Note | Listed | Facts | Grid | Figure | Lines


@dataclass(frozen=True, slots=True)
class Section:
    """A section: its `anchor`, title, what stands beside the title, and its blocks."""

    anchor: str
    title: str
    blocks: Sequence[Block]
    aside: str = ""


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report: `title`, `kicker` above it, the facts in its corner, and its sections, the first on page one.

    `foot`: what every page says of where it belongs.
    """

    title: str
    kicker: str
    corner: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    foot: str = ""
    data: Mapping[str, Any] = field(default_factory=dict)


def cells(*words: str | Cell) -> tuple[Cell, ...]:
    """Return a row of cells; plain words become cells."""
    return tuple(word if isinstance(word, Cell) else Cell(word) for word in words)
