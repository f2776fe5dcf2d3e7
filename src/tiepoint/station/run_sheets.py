"""Run sheets that a station keeps while they are filled in: `designs/rr-1.csv`, and beside it what it is for.

    format = "tiepoint/runs/1"
    study = "rr"
    of = "bore A.diameter"
    reading = "bore A.diameter"
    begun_utc = "2026-11-26T08:00:00Z"
    by = "anna"

    [asked]
    tolerance = 0.2
    factors = ["carrier"]

The table is the one that the study reads, in the order in which its runs are taken. A run is open until its first
column to be filled holds something; `time` says when that was, so that the study tells how old its data are.
"""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal

from pydantic import Field

from tiepoint.documents.files import check_format, format_of, read_document, read_text
from tiepoint.documents.grid import one_spelling
from tiepoint.documents.tables import Cells, read_cells
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.recipe.tables import Number, Table
from tiepoint.station.folder import Station
from tiepoint.station.requirements import Words
from tiepoint.station.study_making import AskedOf
from tiepoint.station.study_tables import ABC, XYZ
from tiepoint.studies.capability import KINDS as CAUSES
from tiepoint.studies.capability import LEAST_PROCESS
from tiepoint.studies.design import Design
from tiepoint.studies.labels import TRUTHS

RUNS = "designs"
BESIDE = ("unit", "shot", "record", "time", "remarks")
"""Columns of a kept sheet beside those of the study: whence a value is, when it came, and what was seen."""
KNOWN = {"type1": ("reference",), "linearity": ("reference",), "agreement": ("reference",), "lengths": ("known",)}
"""Columns to be filled in besides the value: what is known of the part."""
IN_A_VISIT = 3
"""Runs of a stability study that are taken together."""
CYCLES = 30
"""Of a pose, as ISO 9283 has it."""
Many = Field(strict=False)


class RunsTable(Table):
    """What a run sheet is for. `accepted`: hashes of what was accepted when it was begun; `lower`, `upper`: limits."""

    format: str
    study: Literal["type1", "rr", "linearity", "stability", "lengths", "agreement", "capability", "pose", "trial"]
    of: Words | None = None
    reading: Words | None = None
    begun_utc: Words
    by: Words
    accepted: Annotated[tuple[Words, ...], Many] = ()
    lower: Number | None = None
    upper: Number | None = None
    why: Words | None = None
    which_parts: Words | None = None
    conditions: Words | None = None
    minutes: Number | None = None
    asked: AskedOf = AskedOf()


@dataclass(frozen=True, slots=True)
class Runs:
    """A sheet: its `id`, what it is for, its cells as they stand in `text`, and the files' paths in the station."""

    id: str
    table: RunsTable
    cells: Cells
    text: str

    @property
    def path(self) -> str:
        """The table's place in the station's folder."""
        return f"{RUNS}/{self.id}.csv"

    @property
    def fill(self) -> tuple[str, ...]:
        """The columns that each run fills, the first of which says whether it is open."""
        return {"pose": (*XYZ, *ABC), "capability": ("value", "dof"), "trial": ("record", "class")}.get(
            self.table.study, ("value",)
        )

    @property
    def fills(self) -> tuple[str, ...]:
        """Those of `fill` that the table has."""
        return tuple(name for name in self.fill if name in self.cells.header)

    @property
    def known(self) -> tuple[str, ...]:
        """The columns that tell what is known of a part, the same in all its runs."""
        told = ("commanded_x_mm", "commanded_y_mm", "commanded_z_mm") if self.table.study == "pose" else ()
        return tuple(name for name in (*KNOWN.get(self.table.study, ()), *told) if name in self.cells.header)

    @property
    def of_whom(self) -> str:
        """The column that says what is put in."""
        return {"pose": "pose", "capability": "cause", "trial": "part_id"}.get(self.table.study, "part")

    @property
    def factors(self) -> tuple[str, ...]:
        """The columns that say how: those of the table that are none of the study's own."""
        own = {"run", "trial", "visit", "label", "name", self.of_whom, *self.fill, *self.known, *BESIDE, "reference"}
        return tuple(name for name in self.cells.header if name and name not in own)

    def column(self, name: str) -> tuple[str, ...]:
        """Return the cells of a column; `UnusableDocument` where the table has lost it."""
        if name not in self.cells.header:
            raise UnusableDocument(f"{self.path} has no column {name}; put it back, or undo what took it away")
        at = self.cells.header.index(name)
        return tuple(row[at] for row in self.cells.rows)

    @property
    def open(self) -> tuple[int, ...]:
        """The rows that are still open, from 0, in the order of the runs."""
        return tuple(k for k, cell in enumerate(self.column(self.fill[0])) if not cell)

    def row_of(self, run: int) -> int:
        """Return the row of a run by its number."""
        numbers = self.column("run")
        if str(run) not in numbers:
            raise UnusableInput(f"{self.id} has no run {run}; it has {len(numbers)}, see the sheet")
        return numbers.index(str(run))

    def cell(self, row: int, name: str) -> str:
        """Return one cell."""
        return self.column(name)[row]


def columns_of(study: str, factors: Sequence[str]) -> tuple[str, ...]:
    """Return the columns of a study's table of runs as it is designed, of which `run` is the order."""
    if study == "trial":
        return ("run", "shot", "part_id", "label", "class")
    return ("run", "part", *factors, "trial", *KNOWN.get(study, ()), "value")


def runs_table(found: Design, study: str) -> str:
    """Return the runs of a study as CSV, in the columns that the study reads."""
    runs = found.of(study)
    header = columns_of(study, [name for name, _ in runs[0].factors])
    return _csv([header, *([_planned(run, name) for name in header] for run in runs)])


def _planned(run: Any, name: str) -> str:
    told = {"run": str(run.number), "part": run.part, "part_id": run.part, "trial": str(run.trial)}
    told |= {"label": run.part.partition(" ")[0], **dict(run.factors)}
    return str(told.get(name, ""))


def sheet_of(found: Design, study: str) -> str:
    """Return the table that a station keeps of a designed study: its runs from 1 on, and the columns `BESIDE`."""
    runs = found.of(study)
    factors = [name for name, _ in runs[0].factors]
    beside = [name for name in BESIDE if study != "trial" or name not in ("unit", "shot")]
    header = [*columns_of(study, factors), *beside]
    if study == "stability":
        header.insert(2, "visit")
    rows = []
    for k, run in enumerate(runs):
        told = {"run": str(k + 1), "visit": str(1 + k // IN_A_VISIT)}
        rows.append([told.get(name, _planned(run, name)) for name in header])
    return _csv([header, *rows])


def causes_sheet() -> str:
    """Return a table for the causes of a capability study, those first that have to be stated."""
    kinds = [*LEAST_PROCESS, *(kind for kind in CAUSES if kind not in LEAST_PROCESS)]
    header = ("run", "cause", "name", "value", "dof", "unit", "remarks")
    return _csv([header, *((str(k), kind, CAUSES[kind].told, "", "", "", "") for k, kind in enumerate(kinds, 1))])


def cycles_sheet(poses: Sequence[str], columns: Sequence[str], cycles: int = CYCLES) -> str:
    """Return a table for the cycles of a robot's poses; `columns`: what is measured of each, as in x_mm."""
    header = ("run", "pose", *columns, *(f"commanded_{name}" for name in columns if name in XYZ), "time", "remarks")
    empty = [""] * (len(header) - 2)
    order = [pose for pose in poses for _ in range(cycles)]
    return _csv([header, *([str(k), pose, *empty] for k, pose in enumerate(order, 1))])


def _csv(rows: Iterable[Sequence[str]], separator: str = ",") -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator="\r\n").writerows(rows)
    return out.getvalue()


# --- the files -------------------------------------------------------------------------------------------------------


def runs_of(station: Station) -> tuple[str, ...]:
    """Return the ids of the sheets that a station has, the oldest of each kind first."""
    found = {path.stem for path in (station.folder / RUNS).glob("*.toml")}
    return tuple(sorted(found, key=lambda id_: (id_.rpartition("-")[0], _number(id_), id_)))


def _number(id_: str) -> int:
    told = id_.rpartition("-")[2]
    return int(told) if told.isascii() and told.isdigit() and len(told) < 9 else 0


def next_id(station: Station, study: str) -> str:
    """Return the id of a new sheet."""
    taken = {path.stem for path in (station.folder / RUNS).glob("*.*")}
    return next(id_ for k in range(1, 10_000) if (id_ := f"{study}-{k}") not in taken)


def read_runs(station: Station, id_: str) -> Runs:
    """Return a sheet by its id; `UnusableInput` where there is none, `UnusableDocument` where it cannot be read."""
    if id_ not in runs_of(station):
        raise UnusableInput(f"there is no run sheet {id_[:60]}; see the list of those that there are")
    path = station.folder / RUNS / f"{id_}.toml"
    content = read_document(path, "runs")
    check_format(content, "runs", str(path))
    table = RunsTable.read(content, f"{path}: ")
    text = read_text(path.with_suffix(".csv"))
    return Runs(id_, table, read_cells(text, ("run",), f"{RUNS}/{id_}.csv"), text)


def document_of(table: RunsTable) -> str:
    """Return what a sheet is for, as TOML."""
    import tomlkit

    stated = table.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    stated["asked"] = table.asked.model_dump(mode="json", exclude_none=True, exclude_unset=True)
    content = {"format": format_of("runs"), **{k: v for k, v in stated.items() if k != "format" and v != []}}
    return tomlkit.dumps(content)


# --- filling in ------------------------------------------------------------------------------------------------------


def with_cells(runs: Runs, row: int, cells: Mapping[str, str]) -> Runs:
    """Return the sheet with cells of one row set; every other line of its file stays as it is written."""
    header, old = runs.cells.header, runs.cells.rows[row]
    for name in cells:
        if name not in header:
            raise UnusableDocument(f"{runs.path} has no column {name}; put it back, or undo what took it away")
    new = tuple(cells.get(name, cell) for name, cell in zip(header, old, strict=True))
    lines = runs.text.splitlines(keepends=True)
    at = runs.cells.lines[row] - 1
    ending = lines[at][len(lines[at].rstrip("\r\n")) :] or "\r\n"
    lines[at] = _csv([new], runs.cells.separator).rstrip("\r\n") + ending
    rows = (*runs.cells.rows[:row], new, *runs.cells.rows[row + 1 :])
    return replace(runs, text="".join(lines), cells=replace(runs.cells, rows=rows))


def parts_of(runs: Runs) -> tuple[str, ...]:
    """Return what is put in, each once, in the order of the runs."""
    return tuple(dict.fromkeys(runs.column(runs.of_whom)))


def with_known(runs: Runs, part: str, column: str, value: str) -> Runs:
    """Return the sheet with what is known of a part in all of its rows."""
    if column not in runs.known:
        there = ", ".join(runs.known) or "nothing"
        raise UnusableInput(f"{runs.id} asks for no {column[:40]} of a part; it asks for {there}")
    rows = [k for k, name in enumerate(runs.column(runs.of_whom)) if one_spelling(name) == one_spelling(part)]
    if not rows:
        raise UnusableInput(f"{part[:60]} is not on {runs.id}; see the sheet for what is")
    for row in rows:
        runs = with_cells(runs, row, {column: value})
    return runs


def data_of(runs: Runs) -> bytes:
    """Return the table that a study is made of: runs that are open are left out, and columns that hold nothing."""
    open_ = set(runs.open)
    rows = [row for k, row in enumerate(runs.cells.rows) if k not in open_]
    if not rows:
        raise UnusableInput(f"no run of {runs.id} is filled in yet; take its first")
    needed = {*runs.fill[:1], "run", "part"}
    kept = [k for k, name in enumerate(runs.cells.header) if name in needed or any(row[k] for row in rows)]
    header, cells = (runs.cells.header[k] for k in kept), ([row[k] for k in kept] for row in rows)
    return ("\ufeff" + _csv([tuple(header), *cells], runs.cells.separator)).encode()


def labelled_rows(runs: Runs) -> tuple[tuple[int, int], ...]:
    """Return the rows of a trial's sheet that a record was given to, with its number."""
    found = []
    for k, cell in enumerate(runs.column("record")):
        if cell:
            if not (cell.isascii() and cell.isdigit()) or runs.cell(k, "label") not in TRUTHS:
                run = runs.cell(k, "run")
                raise UnusableDocument(f"{runs.path}, run {run}: give a record's number, and the label good or bad")
            found.append((k, int(cell)))
    return tuple(found)


def out_of_date(runs: Runs, accepted: Sequence[str]) -> str:
    """Return in a sentence why a sheet is out of date; "" where it is not. `accepted`: hashes of what is run now."""
    was, now = set(runs.table.accepted), set(accepted)
    if not was or was <= now:
        return ""
    old = ", ".join(sorted(sha[:8] for sha in was - now))
    return (
        f"Out of date: it was begun when {old} was accepted, which is not run any more. What was taken before proves "
        "the station as it was; begin a new sheet."
    )
