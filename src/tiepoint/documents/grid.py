"""Tables whose columns are asked for one by one, be they text or a spreadsheet: what a study reads."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tiepoint.documents.files import read_text
from tiepoint.documents.tables import (
    LONGEST_NAME,
    decimal_comma,
    number_text,
    plain_number,
    read_cells,
    with_plain_sign,
)
from tiepoint.foundation.errors import UnusableDocument

_OTHER_SHEETS = (".xls", ".xlsb", ".xlsm", ".ods", ".numbers")


@dataclass(frozen=True, slots=True)
class Grid:
    """Cells of a table as text. `places` tell where each row stands, as in `row 3 (line 4)`."""

    where: str
    separator: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    places: tuple[str, ...]

    def has(self, column: str) -> bool:
        """Whether there is a column of that name (in small letters)."""
        return column.lower() in self.header

    def texts(self, column: str) -> tuple[str, ...]:
        """Return the cells of one column; `UnusableDocument` where there is none, or two."""
        name = column.lower()
        if (count := self.header.count(name)) != 1:
            told = "has no column" if not count else "has more than one column"
            raise UnusableDocument(f"{self.where} {told} {name} (its first row reads: {', '.join(self.header)[:80]})")
        place = self.header.index(name)
        return tuple(row[place] for row in self.rows)

    def names(self, column: str) -> tuple[str, ...]:
        """Return a column of names; numbers that are the same have one spelling. `UnusableDocument` where one is empty.

        A spreadsheet writes 1 where another writes 1.0: they are one part.
        """
        cells = self.texts(column)
        for place, cell in zip(self.places, cells, strict=True):
            if not cell or len(cell) > LONGEST_NAME or not cell.isprintable():
                raise UnusableDocument(
                    f"{self.where}, {place}: {column} reads {cell[:40]!r}; give a name of 1 to {LONGEST_NAME} "
                    "characters, or a number"
                )
        return tuple(one_spelling(cell) for cell in cells)

    def numbers(self, columns: Sequence[str]) -> tuple[tuple[float, ...], ...]:
        """Return columns of numbers, one tuple a column; `UnusableDocument` in one sentence for the first fault.

        They are asked for together, since one decimal sign holds for all of them.
        """
        cells = [[with_plain_sign(cell) for cell in self.texts(column)] for column in columns]
        comma = decimal_comma([cell for column in cells for cell in column], self.separator, self.where)
        return tuple(
            tuple(
                float(number_text(cell, name, comma, f"{self.where}, {place}"))
                for cell, place in zip(column, self.places, strict=True)
            )
            for column, name in zip(cells, columns, strict=True)
        )


def one_spelling(name: str) -> str:
    """Return one spelling of a name: 1 and 1.0 are the same number, and 007 is a name (it has a leading zero)."""
    number = plain_number(name)
    leading = name.lstrip("+-")
    if number is None or (len(leading) > 1 and leading[0] == "0" and leading[1] != "."):
        return name
    return f"{number:.15g}"


def read_grid(path: Path, columns: Sequence[str]) -> Grid:
    """Return the table of a file that has the named columns at least: text, or a spreadsheet by its ending.

    Raises `UnusableDocument` in one sentence with what is in the way.
    """
    ending = path.suffix.lower()
    if ending in _OTHER_SHEETS:
        raise UnusableDocument(f"{path} is a spreadsheet of a kind that is not read; save it as .xlsx or .csv")
    if ending == ".xlsx":
        from tiepoint.documents.spreadsheets import read_spreadsheet

        return read_spreadsheet(path, columns)
    return grid_of(read_text(path), columns, str(path))


def grid_of(text: str, columns: Sequence[str], where: str = "the table") -> Grid:
    """Return the table that a text holds."""
    cells = read_cells(text, columns, where)
    places = tuple(f"row {k} (line {line})" for k, line in enumerate(cells.lines, 1))
    return Grid(where, cells.separator, cells.header, cells.rows, places)
