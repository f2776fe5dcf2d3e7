"""Tables of pairs as text: `from_x, from_y, to_x, to_y`, the way spreadsheets of any country write them."""

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput

Array = NDArray[np.float64]

PAIR_COLUMNS: Final = ("from_x", "from_y", "to_x", "to_y")
MOST_ROWS: Final = 1000
"""A tie by pairs is typed or touched; a longer table is something else."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?\Z")


@dataclass(frozen=True)
class PairsTable:
    """Pairs as they were typed: `from_xy`, `to_xy` (n, 2); `texts`: the four cells of each row, decimal point.

    `lines`: the line of the file, from 1, on which each row stands.
    """

    from_xy: Array
    to_xy: Array
    texts: tuple[tuple[str, str, str, str], ...]
    lines: tuple[int, ...]


def read_pairs(text: str, where: str = "the table") -> PairsTable:
    """Return the pairs that a table holds.

    The first row names the columns, in any order; further columns are ignored. Cells are parted by a comma, a
    semicolon or a tab; with the latter two a decimal comma is read. Blank lines and lines that begin with # are
    skipped. Raises `UnusableInput` with row, line and column of the first cell that is no number.
    """
    lines = _meaningful(text)
    if not lines:
        raise UnusableInput(f"{where} is empty; its first row names the columns: {', '.join(PAIR_COLUMNS)}")
    separator = _separator(lines[0][1])
    rows = [(number, _cells(line, separator, number, where)) for number, line in lines]
    places = _places(rows[0][1], where)
    data = [(number, cells) for number, cells in rows[1:] if any(cells)]
    if not data:
        raise UnusableInput(f"{where} names its columns but holds no pairs")
    if len(data) > MOST_ROWS:
        raise UnusableInput(f"{where} holds {len(data)} pairs; at most {MOST_ROWS} are read")
    texts = tuple(
        _row(cells, places, separator, len(rows[0][1]), f"{where}, row {k + 1} (line {number})")
        for k, (number, cells) in enumerate(data)
    )
    values = np.array([[float(cell) for cell in row] for row in texts])
    return PairsTable(values[:, :2], values[:, 2:], texts, tuple(number for number, _ in data))


def _meaningful(text: str) -> list[tuple[int, str]]:
    lines = enumerate(text.removeprefix("\ufeff").splitlines(), start=1)
    return [(number, line) for number, line in lines if line.strip() and not line.lstrip().startswith("#")]


def _separator(header: str) -> str:
    return next((s for s in (";", "\t", ",") if s in header), ",")


def _cells(line: str, separator: str, number: int, where: str) -> list[str]:
    try:
        rows = list(csv.reader([line], delimiter=separator, strict=True, skipinitialspace=True))
    except csv.Error as error:
        raise UnusableInput(f"{where}, line {number} cannot be read as a row of cells: {error}") from error
    return [cell.strip() for cell in rows[0]] if rows else []


def _places(header: Sequence[str], where: str) -> tuple[int, ...]:
    names = [name.strip().lower() for name in header]
    if missing := [c for c in PAIR_COLUMNS if c not in names]:
        seen = ", ".join(header)[:80]
        raise UnusableInput(
            f"{where} has no column {missing[0]} (its first row reads: {seen}); the first row must name "
            f"{', '.join(PAIR_COLUMNS)}"
        )
    if doubled := [c for c in PAIR_COLUMNS if names.count(c) > 1]:
        raise UnusableInput(f"{where} names the column {doubled[0]} twice; keep one")
    return tuple(names.index(c) for c in PAIR_COLUMNS)


def _row(
    cells: Sequence[str], places: Sequence[int], separator: str, width: int, where: str
) -> tuple[str, str, str, str]:
    filled = len(cells) - next((k for k, c in enumerate(reversed(cells)) if c), 0)
    if filled > width:
        hint = "; with decimal commas part the cells by semicolons" if separator == "," else ""
        raise UnusableInput(f"{where} has {filled} cells where the first row names {width} columns{hint}")
    a, b, c, d = (
        _number(cells[k] if k < len(cells) else "", name, separator, where)
        for k, name in zip(places, PAIR_COLUMNS, strict=True)
    )
    return a, b, c, d


def _number(cell: str, column: str, separator: str, where: str) -> str:
    """Return the cell as text with a decimal point, checked to be a finite number."""
    text = cell.replace("\N{MINUS SIGN}", "-")
    if separator != ",":
        text = text.replace(",", ".")
    if not text:
        raise UnusableInput(f"{where}: {column} is empty; give a number")
    if not _NUMBER.match(text) or not text.isascii():
        raise UnusableInput(f"{where}: {column} reads {cell[:40]!r}; give a bare number (the unit is an option)")
    if not np.isfinite(float(text)):
        raise UnusableInput(f"{where}: {column} reads {cell[:40]!r}, which is beyond all measure")
    return text
