"""A run sheet that a station fills in: what was judged goes to the next open line of its part, in the sheet's order.

A line is open until its shot is named. The table stays the one that a study reads: `value` gets the reading (or the
verdict), and `unit`, `shot` and `record` say whence. Of a trial's table, which has no value, the shot is filled in.
"""

import csv
import io
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from tiepoint.documents.files import write_atomic
from tiepoint.documents.grid import Grid, one_spelling, read_grid
from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.record import Record
from tiepoint.model.shot import Shot
from tiepoint.studies.measured import UNREAD

VERDICT = "verdict"
"""What is asked for where parts are judged and not measured."""
_SHOWN = 8


@dataclass(frozen=True)
class RunSheet:
    """A sheet at `path`, its cells, and which `reading` goes into it: None for the only one that a recipe has."""

    path: Path
    grid: Grid
    reading: str | None

    @property
    def is_of_labels(self) -> bool:
        """Whether it is a trial's table, which names parts and their labels and has no value."""
        return not self.grid.has("value")

    @property
    def parts(self) -> tuple[str, ...]:
        """The part of each line."""
        return self.grid.names("part_id" if self.is_of_labels else "part")

    @property
    def open(self) -> tuple[int, ...]:
        """The lines that are still to be filled, in their order."""
        columns = ["shot"] if self.is_of_labels else ["shot", "value"]
        cells = zip(*(self.grid.texts(name) for name in columns), strict=True)
        return tuple(k for k, line in enumerate(cells) if not any(line))


def open_sheet(path: Path, reading: str | None) -> RunSheet:
    """Return the sheet of a file, with the columns that are filled in; `UnusableInput` or `UnusableDocument`."""
    if path.suffix.lower() != ".csv":
        raise UnusableInput(f"{path} is to be filled in line by line, which is done in a CSV; save it as one")
    grid = read_grid(path, ())
    labels = not grid.has("value") and grid.has("part_id")
    if not labels and not (grid.has("part") and grid.has("value")):
        raise UnusableInput(
            f"{path} is no run sheet: it has no columns part and value, nor part_id and shot of a trial"
        )
    if labels and reading is not None:
        raise UnusableInput(f"{path} is a trial's table and takes no reading; leave --reading out")
    for name in ("shot",) if labels else ("unit", "shot", "record"):
        if not grid.has(name):
            grid = replace(grid, header=(*grid.header, name), rows=tuple((*row, "") for row in grid.rows))
    return RunSheet(path, grid, reading)


def lines_for(sheet: RunSheet, shots: Mapping[Path, Shot]) -> dict[Path, int]:
    """Return the line for each shot that is not on the sheet yet, before any of them is judged.

    A shot that names its part goes to the next open line of that part, any other to the next open line. Raises
    `UnusableInput` for a part that is not on the sheet, and where no line is left.
    """
    left, there = list(sheet.open), set(sheet.grid.texts("shot"))
    lines: dict[Path, int] = {}
    for path, shot in shots.items():
        if _named(sheet, path, shot.id) in there:
            continue
        there.add(_named(sheet, path, shot.id))
        line = next((k for k in left if shot.part_id is None or sheet.parts[k] == one_spelling(shot.part_id)), None)
        if line is None:
            raise UnusableInput(f"{path}: {_none_left(sheet, shot.part_id)}; nothing was judged")
        left.remove(line)
        lines[path] = line
    return lines


def _none_left(sheet: RunSheet, part: str | None) -> str:
    if part is None:
        return f"all {len(sheet.parts)} lines of {sheet.path} are filled"
    if (many := sheet.parts.count(one_spelling(part))) == 0:
        return f"part {part} is not on {sheet.path}"
    return f"{'the line' if many == 1 else f'all {many} lines'} of part {part} on {sheet.path} are filled"


def filled(sheet: RunSheet, line: int, path: Path, record: Record) -> RunSheet:
    """Return the sheet with a record in one of its lines."""
    cells = {"shot": _named(sheet, path, record.shot.id)}
    if not sheet.is_of_labels:
        value, unit = _said(sheet, record)
        cells |= {"value": value, "unit": unit, "record": str(record.seq)}
    grid = sheet.grid
    row = tuple(cells.get(name, cell) for name, cell in zip(grid.header, grid.rows[line], strict=True))
    return replace(sheet, grid=replace(grid, rows=(*grid.rows[:line], row, *grid.rows[line + 1 :])))


def _named(sheet: RunSheet, path: Path, shot_id: str) -> str:
    """Return how a shot is named: by its id, or in a trial's table by its file, seen from the table's folder."""
    if not sheet.is_of_labels:
        return shot_id
    try:
        return Path(os.path.relpath(path, sheet.path.parent)).as_posix()
    except ValueError:  # another drive
        return path.resolve().as_posix()


def _said(sheet: RunSheet, record: Record) -> tuple[str, str]:
    """Return what goes into the column value, and its unit."""
    if sheet.reading == VERDICT:
        return record.verdict, ""
    readings = {r.id: r for r in record.readings if r.text is None}
    name = next(iter(readings), None) if sheet.reading is None and len(readings) == 1 else sheet.reading
    if name is None or name not in readings:
        listed = ", ".join([*list(readings)[:_SHOWN], VERDICT])
        missing = "name with --reading what goes into" if name is None else f"there is no reading {name} for"
        raise UnusableInput(f"{missing} {sheet.path}; there are {listed}")
    found = readings[name]
    if found.value is None:
        return UNREAD, found.unit
    text = f"{found.value:.10g}"
    return (text.replace(".", ",") if _has_commas(sheet.grid) else text), found.unit


def _has_commas(grid: Grid) -> bool:
    """Whether the numbers of a table parted by semicolons have decimal commas already."""
    numbers = [name for name in ("value", "reference", "known", "u") if grid.has(name)]
    return grid.separator == ";" and any("," in cell for name in numbers for cell in grid.texts(name))


def write_sheet(sheet: RunSheet) -> None:
    """Write the sheet in one move, so that whoever stops in the middle finds it whole."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=sheet.grid.separator, lineterminator="\r\n")
    writer.writerow(sheet.grid.header)
    writer.writerows(sheet.grid.rows)
    write_atomic(sheet.path, ("\ufeff" + out.getvalue()).encode())


def told(sheet: RunSheet, skipped: int) -> tuple[str, ...]:
    """Return how far the sheet is, and what is put in next."""
    grid, still = sheet.grid, sheet.open
    said = [f"{len(grid.rows) - len(still)} of {len(grid.rows)} lines of {sheet.path} are filled."]
    if skipped:
        said.append(f"{skipped} {'shot was' if skipped == 1 else 'shots were'} on it already, and not judged again.")
    if still:
        kept = [name for name in grid.header if name not in _NOT_PUT_IN]
        row = dict(zip(grid.header, grid.rows[still[0]], strict=True))
        said.append(f"Next: {', '.join(f'{name} {row[name]}' for name in kept if row[name])}.")
    return tuple(said)


_NOT_PUT_IN = (
    "value",
    "unit",
    "shot",
    "record",
    "trial",
    "label",
    "class",
    "time",
    "remarks",
    "reference",
    "known",
    "u",
)
