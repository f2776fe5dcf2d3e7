"""Tables of numbers in CSV: columns by name, every fault named with its line."""

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tiepoint.documents.files import read_text
from tiepoint.foundation.errors import UnusableDocument

MOST_ROWS = 200_000


@dataclass(frozen=True, slots=True)
class Numbers:
    """Rows of a table: `values` as numbers, `texts` as typed, both in the order of the columns asked for."""

    values: list[list[float]]
    texts: list[list[str]]


def read_numbers(path: Path, columns: Sequence[str]) -> Numbers:
    """Return the named columns of a CSV file; others, and empty lines, are left out.

    Raises `UnusableDocument` in one sentence where a column is missing, a cell is no finite number, or no row is left.
    """
    try:
        lines = list(enumerate(csv.reader(read_text(path).splitlines()), 1))
    except csv.Error as error:
        raise UnusableDocument(f"{path} is not a table of comma-separated values: {error}") from error
    lines = [(number, row) for number, row in lines if any(cell.strip() for cell in row)]
    if len(lines) > MOST_ROWS:
        raise UnusableDocument(f"{path} has {len(lines)} lines; at most {MOST_ROWS} are read")
    places = _places(path, lines[0][1] if lines else [], columns)
    texts = [[row[k].strip() if k < len(row) else "" for k in places] for _, row in lines[1:]]
    if not texts:
        raise UnusableDocument(f"{path} names its columns but has no row; give at least one")
    values = [
        [_number(cell, f"{path}, line {number}, {name}") for cell, name in zip(row, columns, strict=True)]
        for (number, _), row in zip(lines[1:], texts, strict=True)
    ]
    return Numbers(values, texts)


def _places(path: Path, header: Sequence[str], columns: Sequence[str]) -> list[int]:
    names = [cell.strip().lower() for cell in header]
    missing = [name for name in columns if name not in names]
    if missing:
        said = ",".join(header)
        hint = "; separate the columns by commas" if ";" in said or "\t" in said else ""
        raise UnusableDocument(
            f"{path} has no column {missing[0]}; its first line must name the columns {', '.join(columns)}, "
            f"and it is {said[:60]!r}{hint}"
        )
    twice = [name for name in columns if names.count(name) > 1]
    if twice:
        raise UnusableDocument(f"{path} has the column {twice[0]} twice; rename one")
    return [names.index(name) for name in columns]


def _number(cell: str, where: str) -> float:
    try:
        number = math.nan if "_" in cell else float(cell)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        said = f"is {cell[:40]!r}" if cell else "is empty"
        raise UnusableDocument(f"{where} {said}; give a number with a decimal point, as in 12.5")
    return number
