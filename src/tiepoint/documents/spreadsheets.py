"""Spreadsheets (.xlsx) as tables of text: values only, and a sentence for whatever a table cannot be read from.

A sheet is read row by row and no further than a table may be long: a small file can be packed without end.
"""

import datetime
import io
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError, iterparse

from tiepoint.documents.files import read_bytes
from tiepoint.documents.grid import Grid
from tiepoint.documents.quiet import silence
from tiepoint.documents.tables import MOST_ROWS, too_many_rows
from tiepoint.foundation.errors import UnusableDocument

MOST_BYTES = 20_000_000
MOST_UNPACKED = 400_000_000
"""Bytes in the archive that an .xlsx is: a small file can be packed so that it never ends."""
LAST_ROW = 1_048_576
"""Of a sheet, by its own format (ECMA-376, from memory)."""
_NO_SEPARATOR = ","
"""A sheet's numbers are numbers; of text in it no decimal comma is read, as in tables parted by commas."""

Rows = list[tuple[int, tuple[str, ...]]]


def read_spreadsheet(path: Path, columns: Sequence[str]) -> Grid:
    """Return the one sheet that has the named columns at least, in the first row that is not empty.

    Raises `UnusableDocument` in one sentence: no such sheet or several, merged cells, formulas without a value.
    """
    data = read_bytes(path, MOST_BYTES)
    with _understood(path):
        sheet = _one_sheet(_opened(data, path, values=True).worksheets, columns, path)
        where = f"{path}, sheet {sheet.title}"
        rows = _filled(sheet, where, MOST_ROWS + 2)
        if len(rows) > MOST_ROWS + 1:
            raise too_many_rows(where, MOST_ROWS)
        _check_merged(sheet, where)
        (first, header), *others = rows
        width = len(header) - next((k for k, c in enumerate(reversed(header)) if c), 0)
        _check_formulas(sheet, _opened(data, path, values=False)[sheet.title], first, width, where)
    return _grid(header[:width], others, where)


@contextmanager
def _understood(path: Path) -> Iterator[None]:
    """Turn whatever a damaged file brings about in the library into one sentence."""
    try:
        yield
    except (
        zipfile.BadZipFile, zlib.error, ParseError, KeyError, ValueError, TypeError, AttributeError, IndexError,
        EOFError, OSError, RuntimeError,
    ) as error:  # fmt: skip
        raise UnusableDocument(f"{path} cannot be read as a spreadsheet ({error}); save it anew, or as CSV") from error


def _opened(data: bytes, path: Path, values: bool) -> Any:
    import openpyxl  # type: ignore[import-untyped]  # the package carries no types

    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        if sum(entry.file_size for entry in archive.infolist()) > MOST_UNPACKED:
            raise UnusableDocument(f"{path} is too large once unpacked; save the sheet as CSV")
    silence(r"openpyxl\.")  # of what it leaves out: styles, drop-down lists, pictures
    book = openpyxl.load_workbook(io.BytesIO(data), data_only=values, read_only=True)
    for sheet in book.worksheets:
        sheet.reset_dimensions()  # what a file says of its own size need not be true
    return book


def _one_sheet(sheets: Sequence[Any], columns: Sequence[str], path: Path) -> Any:
    headers = [next((row for _, row in _filled(sheet, f"{path}, sheet {sheet.title}", 1)), ()) for sheet in sheets]
    found = [sheet for sheet, header in zip(sheets, headers, strict=True) if set(columns) <= set(header)]
    if not found:
        told = zip(sheets[:3], headers, strict=False)
        seen = "; ".join(f"{sheet.title}: {', '.join(header)[:60]}" for sheet, header in told)
        raise UnusableDocument(f"{path} has no sheet whose first row names {', '.join(columns)} (it reads {seen})")
    if len(found) > 1:
        titles = ", ".join(sheet.title for sheet in found)
        raise UnusableDocument(
            f"{path} has {len(found)} sheets with these columns ({titles}); keep one, or save it as CSV"
        )
    return found[0]


def _filled(sheet: Any, where: str, most: int) -> Rows:
    """Return the rows that hold something, as text with their numbers; the first is the names in small letters."""
    rows: Rows = []
    for number, row in enumerate(sheet.iter_rows(values_only=True), 1):
        if number > LAST_ROW:
            raise UnusableDocument(f"{where} goes on after row {LAST_ROW}; save it as CSV")
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


def _check_merged(sheet: Any, where: str) -> None:
    merged = []
    with sheet.parent._archive.open(sheet._worksheet_path) as source:  # the library does not tell it of such a sheet
        for _, element in iterparse(source):
            if element.tag.endswith("}mergeCell"):
                merged.append(element.get("ref", ""))
            elif element.tag.endswith("}row"):
                element.clear()
    if merged:
        raise UnusableDocument(
            f"{where} has merged cells ({', '.join(sorted(merged)[:3])}); part them and fill each with its value, "
            "since the rows below would have none"
        )


def _grid(header: tuple[str, ...], rows: Rows, where: str) -> Grid:
    if not rows:
        raise UnusableDocument(f"{where} names its columns but holds no row; give at least one")
    width = len(header)
    for number, row in rows:
        if any(row[width:]):
            raise UnusableDocument(
                f"{where}, row {number} has cells beyond the {width} columns that are named; clear them"
            )
    return Grid(
        where,
        _NO_SEPARATOR,
        header,
        tuple((*row, *[""] * width)[:width] for _, row in rows),
        tuple(f"row {number}" for number, _ in rows),
    )


def _check_formulas(values: Any, formulas: Any, first: int, width: int, where: str) -> None:
    """Refuse formulas below the names whose value nobody ever computed; one that gives an empty text has a value."""
    for number, rows in enumerate(zip(values.iter_rows(), formulas.iter_rows(), strict=True), 1):
        for value, cell in zip(*(row[:width] for row in rows), strict=True):
            if number > first and cell.data_type == "f" and value.value is None and value.data_type != "str":
                raise UnusableDocument(
                    f"{where}, cell {cell.coordinate} holds a formula without a value; open the file in its program, "
                    "save it, or paste values"
                )
