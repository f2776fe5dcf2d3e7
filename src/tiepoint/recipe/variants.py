"""`variants.csv`: what differs from variant to variant, one line each.

`variant, height_mm, u_height_mm, recipe`, then a column per nominal, limit or expected text. A recipe takes a
number from here by naming the column where the number would stand:

    limits.diameter = { nominal = "bore_a", plus = 0.05, minus = 0.05 }
"""

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath

from tiepoint.documents.files import read_text
from tiepoint.documents.tables import decimal_comma, plain_number, separator_of, with_point
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.recipe.tables import said_names, shown

RESERVED = ("variant", "height_mm", "u_height_mm", "recipe")
MOST_BYTES = 5_000_000


@dataclass(frozen=True)
class Variant:
    """One variant. `height_mm` of the measured surface above the plane, and its `u_height_mm`; None: the recipe's."""

    name: str
    height_mm: float | None
    u_height_mm: float | None
    recipe: str | None
    columns: Mapping[str, str]
    """The further columns, as written."""

    def is_for(self, recipe_path: PurePath) -> bool:
        """Whether this variant is measured by the recipe of that file, as far as the table says."""
        return self.recipe is None or PurePath(self.recipe).stem == recipe_path.stem


def load_variants(path: Path) -> dict[str, Variant]:
    """Return the variants of a file by name. `UnusableDocument` with line and column otherwise."""
    return read_variants(read_text(path, MOST_BYTES), path.name)


def read_variants(text: str, where: str = "variants.csv") -> dict[str, Variant]:
    """Return the variants that CSV text holds, by name."""
    separator = separator_of(next((line for line in text.splitlines() if line.strip()), ""), ("variant",))
    try:
        read = csv.reader(io.StringIO(text), delimiter=separator)
        lines = [(n, [cell.strip() for cell in row]) for n, row in enumerate(read, 1)]
    except csv.Error as error:
        raise UnusableDocument(f"{where} is not a table whose cells are parted by {separator!r}: {error}") from error
    lines = [(n, row) for n, row in lines if any(row)]
    if not lines:
        raise UnusableDocument(f"{where} is empty; its first line names the columns: {', '.join(RESERVED)}")
    header = _header(lines[0][1], where)
    variants: dict[str, Variant] = {}
    for number, row in _with_points(header, lines[1:], separator, where):
        variant = _variant(header, row, f"{where}, line {number}")
        if variant.name in variants:
            raise UnusableDocument(f"{where}, line {number}: variant {shown(variant.name)} stands twice; keep one")
        variants[variant.name] = variant
    if not variants:
        raise UnusableDocument(f"{where} names columns but no variant; add a line for each")
    return variants


def _with_points(
    header: list[str], lines: list[tuple[int, list[str]]], separator: str, where: str
) -> list[tuple[int, list[str]]]:
    """Return the rows with a decimal point in each number, whatever sign the table is written with."""
    names = {k for k, name in enumerate(header) if name in ("variant", "recipe")}
    numbers = [cell for _, row in lines for k, cell in enumerate(row) if k not in names]
    if not decimal_comma(numbers, separator, where):
        return lines
    return [(n, [cell if k in names else with_point(cell) for k, cell in enumerate(row)]) for n, row in lines]


def choose(variants: Mapping[str, Variant], name: str, where: str = "variants.csv") -> Variant:
    """Return the variant of that name; `UnusableDocument` where the table has no such."""
    if name not in variants:
        raise UnusableDocument(f"{where} has no variant {shown(name)}; there are {said_names(variants)}")
    return variants[name]


def _header(row: list[str], where: str) -> list[str]:
    if "variant" not in row:
        raise UnusableDocument(f"{where}: the first line has no column variant; it starts {', '.join(RESERVED)}")
    for k, name in enumerate(row):
        if not name:
            raise UnusableDocument(f"{where}: column {k + 1} has no name in the first line")
        if name in row[:k]:
            raise UnusableDocument(f"{where}: the column {shown(name)} stands twice in the first line; rename one")
    return row


def _variant(header: list[str], row: list[str], here: str) -> Variant:
    if len(row) > len(header):
        raise UnusableDocument(f"{here} has {len(row)} cells where the first line names {len(header)} columns")
    cells = dict(zip(header, row + [""] * (len(header) - len(row)), strict=True))
    if not cells["variant"]:
        raise UnusableDocument(f"{here} has no name in the column variant")
    if any(s in cells["variant"] for s in (";\t," if len(row) == 1 < len(header) else ";\t")):
        raise UnusableDocument(
            f"{here}: the variant's name reads {shown(cells['variant'])}; part all cells as the first line does, and "
            "leave semicolons and tabs out of names"
        )
    height = _length(cells, "height_mm", here)
    u_height = _length(cells, "u_height_mm", here)
    if u_height is not None and u_height < 0:
        raise UnusableDocument(f"{here}: u_height_mm is {u_height:g}; choose 0 or above")
    if u_height is not None and height is None:
        raise UnusableDocument(f"{here}: u_height_mm stands without height_mm; state the height too")
    columns = {k: v for k, v in cells.items() if k not in RESERVED}
    return Variant(cells["variant"], height, u_height, cells.get("recipe") or None, columns)


def _length(cells: Mapping[str, str], column: str, here: str) -> float | None:
    text = cells.get(column, "")
    if not text:
        return None
    value = plain_number(text)
    if value is None or abs(value) > 1e5:
        raise UnusableDocument(f"{here}: {column} is {shown(text)}; give a number of millimetres, as in 12.5")
    return value
