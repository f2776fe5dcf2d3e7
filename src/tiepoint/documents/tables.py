"""Tables of numbers as text, the way spreadsheets of any country write them: columns by name, faults with their line.

The first row names the columns, in any order; further ones are ignored. Cells are parted by a comma, a semicolon or a
tab: by the one that parts the names of the columns. With the latter two a decimal comma is read, where all numbers of
the table are written with it. Blank lines and lines that begin with # are skipped.
"""

import csv
import math
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import islice

from tiepoint.foundation.errors import UnusableDocument

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?\Z", re.ASCII)
_WITH_COMMA = re.compile(r"[+-]?(\d+,\d*|,\d+)([eE][+-]?\d{1,3})?\Z", re.ASCII)
_LIKE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}\Z", re.ASCII)
_TYPED = re.compile(r"([+-]?\d*),(\d+)(\s*[^\d,.\s][^,]*)?", re.ASCII)
_SEPARATORS = {";": "semicolons", "\t": "tabs", ",": "commas"}

MOST_ROWS = 100_000
"""Of a table: no more are read, and none is looked at beyond."""
LONGEST_NAME = 60
"""Characters of a name in a table's cell."""


@dataclass(frozen=True, slots=True)
class Numbers:
    """Rows of a table in the order of the columns asked for.

    `values` as numbers; `texts` as typed, with a decimal point; `lines` of the file, from 1, on which each row stands.
    """

    values: tuple[tuple[float, ...], ...]
    texts: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]


def read_numbers(text: str, columns: Sequence[str], where: str = "the table", most_rows: int = MOST_ROWS) -> Numbers:
    """Return the named columns; `UnusableDocument` in one sentence with row, line and column of the first fault."""
    table = _table(text, columns, where, most_rows)
    places = _places(table.header, columns, where)
    asked = []
    for k, (number, cells) in enumerate(table.rows, 1):
        here = f"{where}, row {k} (line {number})"
        _check_width(cells, len(table.header), table.separator, here)
        asked.append((here, [with_plain_sign(cells[at]) if at < len(cells) else "" for at in places]))
    comma = decimal_comma([cell for _, row in asked for cell in row], table.separator, where)
    texts = [
        tuple(number_text(c, name, comma, here) for c, name in zip(row, columns, strict=True)) for here, row in asked
    ]
    values = tuple(tuple(map(float, row)) for row in texts)
    return Numbers(values, tuple(texts), tuple(number for number, _ in table.rows))


@dataclass(frozen=True, slots=True)
class Cells:
    """A table's cells as typed: the names of its columns in small letters, its rows, and the line of each."""

    separator: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]


def read_cells(text: str, columns: Sequence[str], where: str = "the table") -> Cells:
    """Return all cells of a table that has the named columns at least; `UnusableDocument` in one sentence otherwise."""
    table = _table(text, columns, where)
    width = len(table.header)
    for k, (number, cells) in enumerate(table.rows, 1):
        _check_width(cells, width, table.separator, f"{where}, row {k} (line {number})")
    rows = tuple(tuple([*cells, *[""] * width][:width]) for _, cells in table.rows)
    header = tuple(name.lower() for name in table.header)
    return Cells(table.separator, header, rows, tuple(number for number, _ in table.rows))


def separator_of(line: str, columns: Collection[str]) -> str:
    """Return what parts the names in a table's first row: that by which all the `columns` are found."""
    there = [s for s in _SEPARATORS if s in line] or [","]
    return next((s for s in there if set(columns) <= _names(line, s)), there[0])


def _names(line: str, separator: str) -> set[str]:
    try:
        return {name.lower() for name in _cells(line, separator, "")}
    except UnusableDocument:
        return set()


def decimal_comma(cells: Collection[str], separator: str, where: str) -> bool:
    """Return whether a table's numbers have a decimal comma; `UnusableDocument` where that is not plain.

    A table that is parted by commas has none. Of one that is parted by tabs nobody knows what 1,234 means.
    """
    commas = [cell for cell in cells if _WITH_COMMA.match(cell)] if separator != "," else []
    if not commas:
        return False
    point = next((cell for cell in cells if "." in cell and _NUMBER.match(cell)), None)
    if point is not None:
        raise UnusableDocument(f"{where} holds {commas[0]} and {point}; write all its numbers with one decimal sign")
    if separator == "\t" and all(map(_LIKE_THOUSANDS.match, commas)):
        raise UnusableDocument(
            f"{where} holds {commas[0]}, where the comma may be a decimal one or part thousands; part the cells by "
            "semicolons if it is a decimal one, or write decimal points"
        )
    return True


def with_point(cell: str) -> str:
    """Return a number that has a decimal comma with a point, and any other text as it is."""
    return cell.replace(",", ".") if _WITH_COMMA.match(cell) else cell


def typed_with_point(text: str) -> str:
    """Return one number that a person typed with a decimal comma, its unit perhaps behind it, with a point."""
    match = _TYPED.fullmatch(text.strip())
    return text if match is None else f"{match[1]}.{match[2]}{match[3] or ''}"


def with_plain_sign(cell: str) -> str:
    """Return a cell in which a typeset minus is the plain one."""
    return cell.replace("\N{MINUS SIGN}", "-")


def plain_number(text: str) -> float | None:
    """Return the finite number that plain digits spell, with a decimal point; None where they spell none.

    Python's own reading also takes `1_0`, digits of other scripts, and words.
    """
    stripped = text.strip()
    value = float(stripped) if _NUMBER.match(stripped) else math.inf
    return value if math.isfinite(value) else None


@dataclass(frozen=True, slots=True)
class _Table:
    """A table's cells: the names of its columns, and its rows with the lines on which they stand."""

    separator: str
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]


def too_many_rows(where: str, most: int) -> UnusableDocument:
    """Return what is said of a table that has more rows than are read."""
    return UnusableDocument(f"{where} holds more than {most} rows; no more are read, so give it in parts")


def _table(text: str, columns: Sequence[str], where: str, most_rows: int = MOST_ROWS) -> _Table:
    lines = _lines(text)
    if not lines:
        raise UnusableDocument(f"{where} is empty; its first row names the columns: {', '.join(columns)}")
    separator = separator_of(lines[0][1], columns)
    (number, first), *others = lines
    header = tuple(_cells(first, separator, f"{where}, line {number}"))
    _places(header, columns, where)  # before the rows are read: of what is no such table, no row is to be mended
    rows = ((n, tuple(_cells(line, separator, f"{where}, line {n}"))) for n, line in others)
    data = tuple(islice((row for row in rows if any(row[1])), most_rows + 1))
    if len(data) > most_rows:
        raise too_many_rows(where, most_rows)
    if not data:
        raise UnusableDocument(f"{where} names its columns but holds no row; give at least one")
    return _Table(separator, header, data)


def _lines(text: str) -> list[tuple[int, str]]:
    return [(n, s) for n, s in enumerate(text.removeprefix("\ufeff").splitlines(), 1) if _means_something(s)]


def _means_something(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _cells(line: str, separator: str, where: str) -> list[str]:
    try:
        rows = list(csv.reader([line], delimiter=separator, strict=True, skipinitialspace=True))
    except csv.Error as error:
        raise UnusableDocument(f"{where} cannot be read as a row of cells: {error}") from error
    return [cell.strip() for cell in rows[0]] if rows else []


def _places(header: Sequence[str], columns: Sequence[str], where: str) -> list[int]:
    names = [name.lower() for name in header]
    if missing := [c for c in columns if c not in names]:
        seen = ", ".join(header)[:80]
        raise UnusableDocument(
            f"{where} has no column {missing[0]} (its first row reads: {seen}); the first row must name "
            f"{', '.join(columns)}"
        )
    if doubled := [c for c in columns if names.count(c) > 1]:
        raise UnusableDocument(f"{where} names the column {doubled[0]} twice; keep one")
    return [names.index(c) for c in columns]


def _check_width(cells: Sequence[str], width: int, separator: str, where: str) -> None:
    filled = len(cells) - next((k for k, c in enumerate(reversed(cells)) if c), 0)
    if filled > width:
        hint = "; with decimal commas part the cells by semicolons" if separator == "," else ""
        raise UnusableDocument(f"{where} has {filled} cells where the first row names {width} columns{hint}")


def number_text(cell: str, column: str, comma: bool, where: str) -> str:
    """Return the cell as text with a decimal point, checked to be a finite number."""
    text = with_point(cell) if comma else cell
    if not text:
        raise UnusableDocument(f"{where}: {column} is empty; give a number")
    if not _NUMBER.match(text):
        raise UnusableDocument(f"{where}: {column} reads {cell[:40]!r}; give a bare number, as in 12.5")
    if not math.isfinite(float(text)):
        raise UnusableDocument(f"{where}: {column} reads {cell[:40]!r}, which is beyond all measure")
    return text
