"""A table of pairs as it is typed, pasted from a spreadsheet, judged and mended: its cells stay as they were typed."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tiepoint.documents.tables import decimal_comma, number_text, plain_number, with_plain_sign
from tiepoint.foundation.errors import TiepointError, UnusableDocument

if TYPE_CHECKING:
    from tiepoint.foundation.sources import Value
    from tiepoint.ties.diagnose import Diagnosis
    from tiepoint.ties.pairs import AskedModel, FromFrame, PairTie, ToFrame
    from tiepoint.ties.sensor import Sensor

COLUMNS: Final = ("from_x", "from_y", "to_x", "to_y")
MOST_ROWS: Final = 1000
WHERE: Final = "the table"

Row = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True)
class CellFault:
    """What is wrong with a cell: `row` from 1, `column` one of `COLUMNS`."""

    row: int
    column: str
    says: str


@dataclass(frozen=True, slots=True)
class Pasted:
    """Rows with decimal points, and what cannot be read of them, which stands as it was typed."""

    rows: tuple[Row, ...]
    faults: tuple[CellFault, ...]


@dataclass(frozen=True, slots=True)
class JudgedRow:
    """One pair: how far it lies from where the others put it, in mm (None where that is not known), and what is said.

    `is_refused`: the tie is not kept as long as this row stands as it is.
    """

    off_mm: float | None
    says: tuple[str, ...]
    is_refused: bool


@dataclass(frozen=True, slots=True)
class JudgedPairs:
    """What the pairs come to: the tie where there is one, or `says` why there is none; one `JudgedRow` a row."""

    made: "PairTie | None"
    diagnosis: "Diagnosis | None"
    rows: tuple[JudgedRow, ...]
    faults: tuple[CellFault, ...]
    says: str

    @property
    def is_good(self) -> bool:
        """Whether the tie may be kept."""
        return self.made is not None and not self.made.diagnosis.refused


def read_pasted(text: str) -> Pasted:
    """Return the pairs of a text, as a spreadsheet of any country gives it: parted by tabs, semicolons or commas.

    A first row that names the four columns tells their order; one that holds no number is left out, and the columns
    are then taken as they come. Decimal commas become points. Raises `UnusableDocument` where no row of four cells is
    there, or where nobody can know what its commas mean.
    """
    lines = [line for line in text.removeprefix("\ufeff").splitlines() if line.strip() and not line.startswith("#")]
    if not lines:
        raise UnusableDocument("nothing was pasted; copy rows of from_x, from_y, to_x, to_y")
    separator = _separator(lines)
    table = [[with_plain_sign(_unquoted(cell.strip())) for cell in line.split(separator)] for line in lines]
    places, body = _without_names(table)
    if len(body) > MOST_ROWS:
        raise UnusableDocument(f"{len(body)} rows were pasted; at most {MOST_ROWS} pairs are taken")
    cells = [tuple(row[at] if at < len(row) else "" for at in places) for row in body]
    if not cells or max(map(len, body)) < len(COLUMNS):
        widest = max((len(row) for row in table), default=0)
        raise UnusableDocument(f"the rows have {widest} cells; each needs {len(COLUMNS)}: {', '.join(COLUMNS)}")
    comma = decimal_comma([cell for row in cells for cell in row], separator, WHERE)
    faults: list[CellFault] = []
    return Pasted(tuple(_row(k, row, comma, faults) for k, row in enumerate(cells, 1)), tuple(faults))


def _unquoted(cell: str) -> str:
    """Take off the quotation marks that stand round a cell; one behind a number is an inch mark, and stays."""
    return cell[1:-1] if len(cell) > 1 and cell[0] == cell[-1] == '"' else cell


def _separator(lines: Sequence[str]) -> str:
    for sign in ("\t", ";", ","):
        if all(line.count(sign) >= len(COLUMNS) - 1 for line in lines):
            return sign
    for sign in ("\t", ";", ","):
        if any(sign in line for line in lines):
            return sign
    return " "


def _without_names(table: list[list[str]]) -> tuple[list[int], list[list[str]]]:
    """Return where the four columns stand, and the rows below their names."""
    first = [cell.lower() for cell in table[0]]
    if set(COLUMNS) <= set(first):
        return [first.index(name) for name in COLUMNS], table[1:]
    in_order = list(range(len(COLUMNS)))
    is_named = not any(plain_number(cell.replace(",", ".")) is not None for cell in table[0])
    return in_order, table[1:] if is_named and len(table) > 1 else table


def _row(number: int, cells: Sequence[str], comma: bool, faults: list[CellFault]) -> Row:
    told = []
    for column, cell in zip(COLUMNS, cells, strict=True):
        try:
            told.append(number_text(cell, column, comma, f"row {number}"))
        except UnusableDocument as error:
            faults.append(CellFault(number, column, str(error)))
            told.append(cell)
    return told[0], told[1], told[2], told[3]


def judge_pairs(
    rows: Sequence[Sequence[str]],
    *,
    from_frame: "FromFrame",
    to_frame: "ToFrame",
    model: "AskedModel" = "auto",
    unit: str = "mm",
    height: "Value | None" = None,
    sensor: "Sensor | None" = None,
) -> JudgedPairs:
    """Return what pairs as typed come to, row by row. What is wrong is said, and nothing of it is mended.

    Never raises for what was typed: a table that gives no tie says why.
    """
    from tiepoint.ties.pairs import tie_by_pairs

    faults: list[CellFault] = []
    texts = [_row(k, [with_plain_sign(cell.strip()) for cell in row], False, faults) for k, row in enumerate(rows, 1)]
    if faults:
        bad = {fault.row for fault in faults}
        said = tuple(JudgedRow(None, tuple(f.says for f in faults if f.row == k), k in bad) for k in _numbers(texts))
        says = "1 cell holds no number" if len(faults) == 1 else f"{len(faults)} cells hold no number"
        return JudgedPairs(None, None, said, tuple(faults), says)
    numbers = [[float(cell) for cell in row] for row in texts]
    try:
        made = tie_by_pairs(
            [row[:2] for row in numbers] or [[]],
            [row[2:] for row in numbers] or [[]],
            from_frame=from_frame,
            to_frame=to_frame,
            model=model,
            height=height,
            unit=unit,
            sensor=sensor,
            texts=texts,
            keep_suspects=True,
        )
    except TiepointError as error:
        return JudgedPairs(None, None, tuple(JudgedRow(None, (), False) for _ in texts), (), str(error))
    return JudgedPairs(made, made.diagnosis, tuple(_judged(made, len(texts))), (), "")


def _numbers(rows: Sequence[object]) -> range:
    return range(1, len(rows) + 1)


def _judged(made: "PairTie", count: int) -> Iterator[JudgedRow]:
    import numpy as np

    residuals = made.tie.residuals
    for k in range(1, count + 1):
        findings = [f for f in made.diagnosis.findings if k in f.rows]
        off = None if residuals is None else float(np.hypot(*residuals.unseen_mm[k - 1]))
        yield JudgedRow(off, tuple(f.sentence for f in findings), any(f.severity == "refuse" for f in findings))


def table_of(rows: Sequence[Sequence[str]]) -> bytes:
    """Return pairs as the table that `tiepoint tie pairs` reads."""
    lines = [",".join(COLUMNS), *(",".join(cell.strip() for cell in row) for row in rows)]
    return ("\n".join(lines) + "\n").encode()
