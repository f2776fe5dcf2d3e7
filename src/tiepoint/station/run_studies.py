"""The study of a run sheet: made of its table as the command makes it, and kept with the records that filled it."""

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from tiepoint.documents.revived import outcome_of
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.model.record import Record
from tiepoint.recipe.records import record_from
from tiepoint.station.folder import Station
from tiepoint.station.kept import keep_study
from tiepoint.station.ledger import Entry, Ledger, has_ledger
from tiepoint.station.run_sheets import Runs, data_of, labelled_rows
from tiepoint.station.study_making import AskedOf, Kind, command_of, make_study
from tiepoint.station.study_tables import showing
from tiepoint.studies.labels import Label, Truth
from tiepoint.studies.measured import demand_one_recipe
from tiepoint.studies.trial import study_trial


def demand_full(runs: Runs) -> None:
    """Raise `UnusableInput` where runs are still open that the study needs."""
    left = len(runs.open)
    if left and runs.table.study != "capability":
        n = len(runs.cells.rows)
        raise UnusableInput(
            f"{left} of {n} runs of {runs.id} are still open; take them, or make the study of those that were taken"
        )


@dataclass(frozen=True)
class Made:
    """A study of a sheet before it is kept: its outcome as plain data, the table that it was made of, its records."""

    outcome: dict[str, Any]
    data: bytes
    records: tuple[Record, ...]
    command: str | None


def study_of_sheet(station: Station, runs: Runs, asked: AskedOf) -> Made:
    """Make the study of what a sheet holds; runs that are open are left out.

    Raises a `TiepointError` in one sentence where the data cannot be used.
    """
    data, records = data_of(runs), records_of(station, runs)
    if runs.table.study == "trial":
        return Made(outcome_of(_trial(runs, records, asked)), data, records, None)
    kind: Kind = runs.table.study
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{runs.id}.csv"
        path.write_bytes(data)
        try:
            outcome = outcome_of(make_study(kind, path, asked))
        except TiepointError as error:
            raise UnusableInput(str(error).replace(str(path), runs.path)) from error
        outcome = _renamed(outcome, str(path), runs.path)
    return Made(outcome, data, records, command_of(kind, runs.path, asked, runs.table.of, str(station.folder.name)))


def _renamed(thing: Any, old: str, new: str) -> Any:
    """Return plain data in which no text names the place where the table lay for a moment."""
    if isinstance(thing, dict):
        return {key: _renamed(one, old, new) for key, one in thing.items()}
    if isinstance(thing, list):
        return [_renamed(one, old, new) for one in thing]
    return thing.replace(old, new) if isinstance(thing, str) else thing


def keep_of_sheet(station: Station, runs: Runs, made: Made, *, who: str) -> Entry:
    """Keep the study of a sheet with its table, shown or not; return the act of the ledger that tells of it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{runs.id}.csv"
        path.write_bytes(made.data)
        return keep_study(
            station,
            runs.table.study,
            runs.table.of,
            made.outcome,
            path,
            who=who,
            command=made.command,
            records=made.records,
        )


def records_of(station: Station, runs: Runs) -> tuple[Record, ...]:
    """Return the records that filled a sheet; `UnusableInput` where one is missing, or they are of two recipes."""
    if "record" not in runs.cells.header:
        return ()
    seqs = sorted({int(cell) for cell in runs.column("record") if cell.isascii() and cell.isdigit()})
    if not seqs:
        return ()
    if not has_ledger(station.ledger_place):
        raise UnusableInput(f"{runs.id} names records, and the station has no ledger; type their values instead")
    with Ledger(station.ledger_place) as ledger:
        found = [entry for entry in ledger.numbered(seqs) if entry.kind == "record"]
    if len(found) < len(seqs):
        missing = sorted(set(seqs) - {entry.seq for entry in found})
        raise UnusableInput(
            f"{runs.id} names entry {missing[0]}, which is no record of the station; fill that run anew"
        )
    records = tuple(record_from(entry.body, f"entry {entry.seq}", vouched=True) for entry in found)
    demand_one_recipe(records, runs.id)
    return records


def _trial(runs: Runs, records: Sequence[Record], asked: AskedOf) -> Any:
    by_seq = {record.seq: record for record in records}
    showings = []
    for row, seq in labelled_rows(runs):
        truth, part = cast(Truth, runs.cell(row, "label")), runs.cell(row, "part_id")
        label = Label(Path(), part, truth, runs.cell(row, "class"), f"record {seq}")
        showings.append(showing(label, by_seq[seq]))
    return study_trial(showings, most_escapes=asked.most_misses, most_false=asked.most_false)
