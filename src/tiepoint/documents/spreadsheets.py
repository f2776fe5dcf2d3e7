"""Spreadsheets (.xlsx) as tables of text: values only, and a sentence for whatever a table cannot be read from."""

import datetime
import io
import warnings
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError

from tiepoint.documents.files import read_bytes
from tiepoint.documents.grid import MOST_ROWS, Grid
from tiepoint.foundation.errors import UnusableDocument

MOST_BYTES = 20_000_000
MOST_UNPACKED = 400_000_000
"""Bytes in the archive that an .xlsx is: a small file can be packed so that it never ends."""
MOST_CELLS = 5_000_000
"""From the first cell to the last that a sheet knows of: one stray cell in its far corner makes them 17 billion."""
_NO_SEPARATOR = ","
"""A sheet's numbers are numbers; of text in it no decimal comma is read, as in tables parted by commas."""


def read_spreadsheet(path: Path, columns: Sequence[str]) -> Grid:
    """Return the one sheet that has the named columns at least, in the first row that is not empty.

    Raises `UnusableDocument` in one sentence: no such sheet or several, merged cells, formulas without a value.
    """
    data = read_bytes(path, MOST_BYTES)
    sheets = _opened(data, path, values=True).worksheets
    for sheet in sheets:
        if sheet.max_row * sheet.max_column > MOST_CELLS:
            raise UnusableDocument(
                f"{path}, sheet {sheet.title} reaches to row {sheet.max_row}, column {sheet.max_column}; clear what "
                "lies beyond the table, or save it as CSV"
            )
    found = [sheet for sheet in sheets if set(columns) <= set(_header(sheet))]
    if not found:
        seen = "; ".join(f"{sheet.title}: {', '.join(_header(sheet))[:60]}" for sheet in sheets[:3])
        raise UnusableDocument(f"{path} has no sheet whose first row names {', '.join(columns)} (it reads {seen})")
    if len(found) > 1:
        titles = ", ".join(sheet.title for sheet in found)
        raise UnusableDocument(
            f"{path} has {len(found)} sheets with these columns ({titles}); keep one, or save it as CSV"
        )
    (sheet,) = found
    where = f"{path}, sheet {sheet.title}"
    if merged := sorted(str(cells) for cells in sheet.merged_cells.ranges):
        raise UnusableDocument(
            f"{where} has merged cells ({', '.join(merged[:3])}); part them and fill each with its value, since the "
            "rows below would have none"
        )
    grid = _grid(sheet, where)
    _check_formulas(grid, sheet.title, data, path)
    return grid


def _opened(data: bytes, path: Path, values: bool) -> Any:
    import openpyxl  # type: ignore[import-untyped]  # the package carries no types

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(entry.file_size for entry in archive.infolist()) > MOST_UNPACKED:
                raise UnusableDocument(f"{path} is too large once unpacked; save the sheet as CSV")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of what it leaves out: styles, drop-down lists, pictures
            return openpyxl.load_workbook(io.BytesIO(data), data_only=values)
    except (
        zipfile.BadZipFile, zlib.error, ParseError, KeyError, ValueError, TypeError, AttributeError, IndexError,
        EOFError, OSError, RuntimeError,
    ) as error:  # fmt: skip  # whatever a damaged one brings about in the library
        raise UnusableDocument(f"{path} cannot be read as a spreadsheet ({error}); save it anew, or as CSV") from error


def _header(sheet: Any) -> tuple[str, ...]:
    return next((row for _, row in _filled(sheet, 1)), ())


def _filled(sheet: Any, most: int = MOST_ROWS + 2) -> list[tuple[int, tuple[str, ...]]]:
    """Return the rows that hold something, as text with their numbers; the first is the names in small letters."""
    rows: list[tuple[int, tuple[str, ...]]] = []
    for number, row in enumerate(sheet.iter_rows(values_only=True), 1):
        cells = tuple(map(_text, row))
        if any(cells) and not next(c for c in cells if c).startswith("#"):
            rows.append((number, cells if rows else tuple(c.lower() for c in cells)))
        if len(rows) == most:
            break
    return rows


def _text(value: object) -> str:
    """Return a cell's value as text: numbers to their last digit, so that nothing is lost on the way."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime.datetime | datetime.date | datetime.time):
        return value.isoformat()
    return str(value).strip()


def _grid(sheet: Any, where: str) -> Grid:
    (_, header), *rows = _filled(sheet)
    width = len(header) - next((k for k, c in enumerate(reversed(header)) if c), 0)
    if not rows:
        raise UnusableDocument(f"{where} names its columns but holds no row; give at least one")
    for number, row in rows:
        if any(row[width:]):
            raise UnusableDocument(
                f"{where}, row {number} has cells beyond the {width} columns that are named; clear them"
            )
    return Grid(
        where,
        _NO_SEPARATOR,
        header[:width],
        tuple(row[:width] for _, row in rows),
        tuple(f"row {number}" for number, _ in rows),
    )


def _check_formulas(grid: Grid, title: str, data: bytes, path: Path) -> None:
    """Refuse empty cells in which a formula stands: whoever wrote the file has never computed it."""
    rows = {int(place.removeprefix("row ")): row for place, row in zip(grid.places, grid.rows, strict=True)}
    if all(all(row) for row in rows.values()):
        return
    for cells in _opened(data, path, values=False)[title].iter_rows():
        for cell in cells:
            empty = cell.row in rows and cell.column <= len(grid.header) and not rows[cell.row][cell.column - 1]
            if empty and cell.data_type == "f":
                raise UnusableDocument(
                    f"{grid.where}, cell {cell.coordinate} holds a formula without a value; open the file in its "
                    "program, save it, or paste values"
                )
