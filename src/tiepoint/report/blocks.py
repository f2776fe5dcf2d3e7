"""The blocks that a report is made of, before anything is set: the same ones become a PDF and a page."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

Mark = Literal["conforms", "rejected", "undecided", "unread", "shown", "not shown", "not tried"]


@dataclass(frozen=True, slots=True)
class Recompute:
    """How shown numbers come about: the `formula` by name, its `inputs` as plain data, and the `numbers` themselves.

    `numbers`: by their place in the formula's result, as in `cg.low`. An input `raw` names the `Raw` block whose
    columns the formula takes. The page works them out again and compares; the formulas stand in `formulas.js`. `held`:
    where in the result the figure stands that a requirement is held by, and whether it was folded or put in another
    unit; `numbers` are then its `value`, `low` and `high`.
    """

    formula: str
    inputs: Mapping[str, Any]
    numbers: Mapping[str, float]
    held: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell: its words, a `mark` before them, how its numbers are worked out, and the entry that it came from.

    `to`: the anchor of the section that tells more. `loud`: not to be overlooked. `entries`: several that it came from.
    """

    text: str
    mark: Mark | None = None
    how: Recompute | None = None
    entry: int | None = None
    to: str | None = None
    loud: bool = False
    entries: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Say:
    """A statement in full sentences; `loud` where it must not be overlooked."""

    text: str
    loud: bool = False


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
    """A table: `head` and `rows`; columns in `right` are aligned to the right; `widths` are shares, even without.

    `entries`: the ledger's entry that each row tells of, to which numbers lead. `on_paper`: so many rows are printed,
    the last ones; the page has all.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    right: frozenset[int] = frozenset()
    widths: tuple[float, ...] = ()
    entries: tuple[int, ...] = ()
    on_paper: int | None = None


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing (SVG as text) with its caption, and the entry of the ledger that it is of."""

    svg: str
    caption: str
    entry: int | None = None


@dataclass(frozen=True, slots=True)
class Picture:
    """One of several pictures: an SVG document, what it shows, and the entry whose shot it is of."""

    svg: str
    caption: str
    entry: int | None = None


@dataclass(frozen=True, slots=True)
class Pictures:
    """Pictures side by side, `across` of them in a row on paper."""

    pictures: tuple[Picture, ...]
    across: int = 2


@dataclass(frozen=True, slots=True)
class Raw:
    """Raw numbers in columns, under a `name` that formulas call them by; `title` says what they are.

    `entries`: those of the ledger that they came from. On paper only the title is told, and where the numbers are kept.
    """

    name: str
    title: str
    columns: Mapping[str, Sequence[Any]]
    entries: Sequence[int] = ()


@dataclass(frozen=True, slots=True)
class Lines:
    """Room to write: a line for each name, as for a signature."""

    names: tuple[tuple[str, str], ...]


Block = Say | Note | Listed | Facts | Grid | Figure | Pictures | Raw | Lines


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


def cells(*words: str | Cell) -> tuple[Cell, ...]:
    """Return a row of cells; plain words become cells."""
    return tuple(word if isinstance(word, Cell) else Cell(word) for word in words)
