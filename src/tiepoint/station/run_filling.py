"""Beginning a run sheet and filling it in, run by run: every edit goes by `drafting`, so that it can be undone.

A run is written with what the page saw of it before. Where another page filled the same run meanwhile, nothing is
written and both are told; runs that others filled are no conflict.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tiepoint.documents.grid import grid_of, one_spelling
from tiepoint.documents.tables import LONGEST_NAME, plain_number, with_plain_sign, with_point
from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.record import Record
from tiepoint.station import run_sheets
from tiepoint.station.drafting import Change, Conflict, Step, edit, sha_of
from tiepoint.station.folder import Station
from tiepoint.station.run_sheets import Runs, RunsTable, next_id, read_runs, with_cells, with_known
from tiepoint.station.sheet import VERDICT, RunSheet, filled
from tiepoint.station.study_making import asked_from
from tiepoint.studies.design import Design
from tiepoint.studies.measured import LARGEST, UNREAD

LONGEST_REMARK = 200
_TRIES = 5
_FAR = 20.0
"""In half-widths of the tolerance, or spreads of the other values: what is farther off is a slip of the hand."""


@dataclass(frozen=True, slots=True)
class Filled:
    """A run that was filled in: the sheet as it is then, the step that undoes it, and what is odd about it."""

    runs: Runs
    step: Step
    caution: str


class Taken(Conflict):
    """A run was filled in by another meanwhile; `there` is what stands there now, by column."""

    def __init__(self, says: str, there: Mapping[str, str]) -> None:
        super().__init__(says)
        self.there = dict(there)


def begin_runs(station: Station, table: RunsTable, sheet: str, *, who: str) -> str:
    """Write a new sheet, and return its id. `sheet`: its table as `run_sheets.sheet_of` and its like give it."""
    id_ = next_id(station, table.study)
    csv_path, toml_path = (f"{run_sheets.RUNS}/{id_}.{ending}" for ending in ("csv", "toml"))
    of = f" of {table.of}" if table.of else ""
    edit(
        station,
        f"Begin run sheet {id_}{of}",
        [
            Change(csv_path, ("\ufeff" + sheet).encode()),
            Change(toml_path, run_sheets.document_of(table).encode()),
        ],
        who=who,
        seen={csv_path: None, toml_path: None},
    )
    return id_


def sheet_for(design: Design | None, study: str, poses: Sequence[str] = (), measured: Sequence[str] = ()) -> str:
    """Return the table of a new sheet. `design`: of a study that is designed; `poses`, `measured`: of a robot's."""
    if study == "capability":
        return run_sheets.causes_sheet()
    if study == "pose":
        named = tuple(dict.fromkeys(map(one_spelling, poses))) or ("1",)
        return run_sheets.cycles_sheet(named, tuple(measured) or ("x_mm", "y_mm"))
    if design is None or not design.of(study):
        there = "" if design is None else ", ".join(plan.study for plan in design.plans)
        raise UnusableInput(f"a study {study} is not part of this design; it has {there or 'none'}")
    return run_sheets.sheet_of(design, study)


def fill_run(
    station: Station,
    id_: str,
    run: int,
    cells: Mapping[str, str],
    *,
    who: str,
    at: str,
    was: Mapping[str, str] | None = None,
) -> Filled:
    """Fill in a run by hand and return the sheet then. All cells empty: the run is open again.

    `cells`: what was read, by column; `was`: what the page last saw there; `at`: when (RFC 3339). Raises `Taken` where
    something else stands there by now, `UnusableInput` in a sentence for what is no reading.
    """

    def change(runs: Runs) -> tuple[Runs, str]:
        row = runs.row_of(run)
        _demand_as_seen(runs, row, run, was, cells)
        read = _read(runs, cells)
        told = next((read[name] for name in runs.fills if read.get(name)), "")
        what = f"Run {run} of {id_}: {told}" if told else f"Open run {run} of {id_} again"
        return with_cells(runs, row, _whole(runs, read, at if told else "")), what

    return _edited(station, id_, change, who, run)


def fill_from(
    station: Station,
    id_: str,
    run: int,
    record: Record,
    *,
    who: str,
    at: str,
    was: Mapping[str, str] | None = None,
    kind: str = "",
) -> Filled:
    """Fill in a run from a record of the station, which names its shot and number. `kind`: the class of a trial's part.

    Raises `UnusableInput` where the record has no such reading, or is on the sheet already.
    """

    def change(runs: Runs) -> tuple[Runs, str]:
        row = runs.row_of(run)
        there = dict(zip(runs.column("record"), runs.column("run"), strict=True))
        if str(record.seq) in there and there[str(record.seq)] != str(run):
            raise UnusableInput(f"record {record.seq} stands in run {there[str(record.seq)]} already; take another")
        if runs.table.study == "trial":
            cells = {"record": str(record.seq), "class": kind, "shot": record.shot.id, "time": at}
        else:
            cells = {**_from_record(runs, row, record), "time": record.shot.taken_utc or at}
        _demand_as_seen(runs, row, run, was, cells)
        told = {name: cell for name, cell in cells.items() if name in runs.cells.header}
        return with_cells(runs, row, told), f"Run {run} of {id_}: record {record.seq}"

    return _edited(station, id_, change, who, run)


def know(station: Station, id_: str, part: str, column: str, value: str, *, who: str) -> Runs:
    """Write what is known of a part into all of its runs: its reference, or the known length."""

    def change(runs: Runs) -> tuple[Runs, str]:
        text = _name(value, column) if runs.table.study == "agreement" else _number(value, column)
        return with_known(runs, part, column, text), f"{column} of {part} on {id_}: {text or 'not known'}"

    return _edited(station, id_, change, who, None).runs


def ask_of_runs(station: Station, id_: str, typed: Mapping[str, str], *, who: str) -> Step:
    """Change what is asked of a sheet's study, each as it was typed (see `study_making.asked_from`)."""
    path = f"{run_sheets.RUNS}/{id_}.toml"
    sha = sha_of(station, path)
    runs = read_runs(station, id_)
    asked = asked_from(runs.table.study, typed, runs.table.asked)
    new = runs.table.model_copy(update={"asked": asked})
    says = f"Ask of {id_}: {', '.join(typed)}"[:120]
    return edit(station, says, [Change(path, run_sheets.document_of(new).encode())], who=who, seen={path: sha})


def remove_runs(station: Station, id_: str, *, who: str) -> Step:
    """Take a sheet away; the step brings it back."""
    read_runs(station, id_)
    changes = [Change(f"{run_sheets.RUNS}/{id_}.{ending}", None) for ending in ("csv", "toml")]
    return edit(station, f"Take run sheet {id_} away", changes, who=who)


def _edited(
    station: Station, id_: str, change: Callable[[Runs], tuple[Runs, str]], who: str, run: int | None
) -> Filled:
    """Change a sheet as it is now, and again where somebody else changed it in that moment."""
    for left in reversed(range(_TRIES)):
        path = f"{run_sheets.RUNS}/{id_}.csv"
        sha = sha_of(station, path)  # first: what is changed between the two is then a conflict, and not lost
        runs = read_runs(station, id_)
        new, says = change(runs)
        try:
            step = edit(station, says, [Change(path, ("\ufeff" + new.text).encode())], who=who, seen={path: sha})
        except Conflict:
            if not left:
                raise
            continue  # another run was filled in at the same moment, or this one: looked at anew
        return Filled(new, step, "" if run is None else _caution(new, new.row_of(run)))
    raise AssertionError


def _demand_as_seen(runs: Runs, row: int, run: int, was: Mapping[str, str] | None, cells: Mapping[str, str]) -> None:
    """Refuse to write over what somebody else wrote; what is the same already is none of that."""
    if was is None:
        return
    there = {name: runs.cell(row, name) for name in runs.fills}
    if any(there[name] != was.get(name, "") for name in there) and any(there[n] != cells.get(n, "") for n in there):
        told = ", ".join(cell for cell in there.values() if cell) or "empty again"
        raise Taken(
            f"run {run} of {runs.id} was filled in meanwhile, on another page: it is {told}; yours was not written",
            there,
        )


def _read(runs: Runs, cells: Mapping[str, str]) -> dict[str, str]:
    """Return what was typed as the table has it; `UnusableInput` for what is no reading."""
    for name in cells:
        if name not in (*runs.fills, "remarks"):
            raise UnusableInput(f"{runs.id} has no column {name[:40]} to be filled in; it has {', '.join(runs.fills)}")
    return {name: _cell(runs, name, text) for name, text in cells.items()}


def _cell(runs: Runs, name: str, text: str) -> str:
    text = " ".join(text.split())
    if name == "remarks":
        return _line(text, name, LONGEST_REMARK)
    if name == "value" and runs.table.study == "agreement":
        return _name(text, "the decision")
    if name == "dof" and text.lower() == "inf":
        return "inf"
    if name == "value" and text.lower() == UNREAD:
        return UNREAD
    if name in ("class", "record"):
        return _line(text, name, LONGEST_NAME)
    return _number(text, name, runs.table.asked.unit if name == "value" else "")


def _number(text: str, name: str, unit: str = "") -> str:
    """Return a number as it was typed, with a decimal point; "" for nothing."""
    told = with_point(with_plain_sign(text.strip()))
    if not told:
        return ""
    number = plain_number(told)
    if number is None:
        of = f" in {unit}" if unit else ""
        raise UnusableInput(f"{name} reads {text[:40]!r}; give a number{of}, or say that it could not be read")
    if abs(number) > LARGEST:
        raise UnusableInput(f"{name} is {number:g}, which is beyond all measure; look at it")
    return told


def _name(text: str, what: str) -> str:
    return _line(text, what, LONGEST_NAME)


def _line(text: str, what: str, most: int) -> str:
    text = " ".join(text.split())
    if len(text) > most or not text.isprintable() or text.startswith("#"):
        raise UnusableInput(f"{what} reads {text[:40]!r}; give one line of at most {most} characters that print")
    return text


def _whole(runs: Runs, read: Mapping[str, str], at: str) -> dict[str, str]:
    """Return all cells of a run that was filled in by hand: where a record stood there, it does not any more."""
    beside = {"unit": runs.table.asked.unit if at and runs.table.study != "agreement" else "", "time": at}
    beside |= {"shot": "", "record": ""} if runs.table.study != "trial" else {}
    kept = {name: cell for name, cell in beside.items() if name in runs.cells.header}
    return {**kept, **read}


def _from_record(runs: Runs, row: int, record: Record) -> dict[str, str]:
    """Return the cells that a record fills: as `tiepoint run --sheet` does."""
    reading = VERDICT if runs.table.study == "agreement" else runs.table.reading
    grid = grid_of(runs.text, ("run",), runs.id)
    path = Path(runs.path)
    new = filled(RunSheet(path, grid, reading), row, path, record).grid.rows[row]
    told = dict(zip(grid.header, new, strict=True))
    asked = runs.table.asked.unit
    if told.get("unit") not in (None, "", asked):
        raise UnusableInput(
            f"record {record.seq} reads in {told['unit']}, and {runs.id} is in {asked}; begin a sheet in that unit"
        )
    return {name: told[name] for name in ("value", "unit", "shot", "record") if name in told}


# --- what is odd -----------------------------------------------------------------------------------------------------


def _caution(runs: Runs, row: int) -> str:
    """Return in a sentence that a value is far from the others, as after a slip of the hand; "" where it is not."""
    if runs.table.study not in ("type1", "rr", "stability"):
        return ""
    value = plain_number(runs.cell(row, "value"))
    others = [v for k, cell in enumerate(runs.column("value")) if k != row and (v := plain_number(cell)) is not None]
    lower, upper = runs.table.lower, runs.table.upper
    if value is None:
        return ""
    if lower is not None and upper is not None:
        middle, scale = (lower + upper) / 2, (upper - lower) / 2
    elif len(others) >= 5:
        middle = float(np.median(others))
        scale = 1.4826 * float(np.median(np.abs(np.array(others) - middle)))
    else:
        return ""
    if scale > 0 and math.isfinite(scale) and abs(value - middle) > _FAR * scale:
        return f"{value:.10g} is far from {middle:.10g}, where the others should be; if it was a slip, undo it"
    return ""
