"""What studies take, from the tables and records of a station: decisions, causes, known lengths, cycles, showings.

Values are read by `studies.measured`, labels by `studies.labels`. Every function raises a `TiepointError` in one
sentence, with the row, for what it cannot use.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import cast

import numpy as np

from tiepoint.documents.grid import Grid
from tiepoint.documents.tables import plain_number
from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.frames import CONVENTIONS, AngleConvention, Pose3
from tiepoint.model.record import Record
from tiepoint.studies.agreement import Decision
from tiepoint.studies.capability import KINDS, Cause
from tiepoint.studies.labels import Label
from tiepoint.studies.lengths import KnownLengths, known_lengths
from tiepoint.studies.measured import Measured, demand_one_recipe, demand_unit, read_measured
from tiepoint.studies.pose import Cycles, cycles_of
from tiepoint.studies.trial import Showing, margin_of

RATER = "appraiser"
"""The column that tells who decided, without being named."""
PLACES = ("position", "orientation", "height")
XYZ, ABC = ("x_mm", "y_mm", "z_mm"), ("a", "b", "c")


def unit_of(grid: Grid, given: str | None) -> str:
    """Return the unit of a table: that of its column, that which was given, or mm."""
    if given is not None:
        demand_unit(given, "--unit")
    if not grid.has("unit"):
        return given or "mm"
    first, *others = zip(grid.texts("unit"), grid.places, strict=True)
    for unit, place in others:
        if unit != first[0]:
            raise UnusableInput(
                f"{grid.where}: the unit is {first[0] or 'empty'} in {first[1]} and {unit or 'empty'} in {place}; use "
                "one for all"
            )
    if given is not None and given != first[0]:
        raise UnusableInput(f"{grid.where} says that its unit is {first[0]}, not {given}; leave the unit out")
    demand_unit(first[0], grid.where)
    return first[0]


def values_of(
    path: Path, reading: str | None, unit: str | None, factors: Sequence[str] = (), sheet: Path | None = None
) -> Measured:
    """Return the values of a file as studies take them; a table that names no unit is in mm, and that is noted."""
    data = read_measured(path, factors=factors, reading=reading, unit=unit, sheet=sheet)
    if data.unit:
        return data
    return replace(data, unit="mm", notes=(*data.notes, "The table names no unit, so mm is taken."))


# --- decisions -------------------------------------------------------------------------------------------------------


def decisions(grid: Grid, by: str = RATER) -> list[Decision]:
    """Return the decisions of a table with part, value, and as far as they are known reference, trial and `by`."""
    if by != RATER and not grid.has(by):
        grid.texts(by)  # says what columns there are
    nobody = ("",) * len(grid.rows)
    truths = grid.names("reference") if grid.has("reference") else nobody
    raters = grid.names(by) if grid.has(by) else nobody
    parts = grid.names("part")
    if grid.has("trial"):
        _demand_distinct(grid, zip(parts, raters, grid.names("trial"), strict=True))
    return [Decision(*row) for row in zip(parts, grid.names("value"), truths, raters, grid.places, strict=True)]


def _demand_distinct(grid: Grid, keys: Iterable[tuple[str, ...]]) -> None:
    """Refuse two rows of the same part, rater and trial: one of them was pasted twice."""
    first: dict[tuple[str, ...], str] = {}
    for key, place in zip(keys, grid.places, strict=True):
        if key in first:
            raise UnusableInput(
                f"{grid.where}: {first[key]} and {place} are both of part {key[0]}, trial {key[-1]}; number the "
                "trials, keep one of the rows, or name with --by who decided"
            )
        first[key] = place


def decisions_of(records: Sequence[Record], where: str) -> list[Decision]:
    """Return the verdicts of records as decisions on their parts, whose truth nobody says."""
    demand_one_recipe(records, where)
    made = []
    for record in records:
        if record.shot.part_id is None:
            raise UnusableInput(f"{where}: record {record.seq} does not tell its part; agreement needs to know it")
        made.append(Decision(record.shot.part_id, record.verdict, where=f"record {record.seq}"))
    return made


def showing(label: Label, record: Record) -> Showing:
    """Return what a record says of a part whose truth is known."""
    margin, nearest = margin_of(record)
    pictures = tuple(p.pixels_sha256 for p in record.shot.pictures)
    part = label.part or record.shot.part_id or label.where
    return Showing(part, label.truth, label.kind, record.verdict, margin, nearest, pictures, label.where)


# --- causes ----------------------------------------------------------------------------------------------------------


def causes(grid: Grid) -> list[Cause]:
    """Return the causes of uncertainty of a table with cause, value and, where they are known, dof and name."""
    kinds = [kind.strip().lower().replace(" ", "_") for kind in grid.names("cause")]
    for kind, place in zip(kinds, grid.places, strict=True):
        if kind not in KINDS:
            raise UnusableInput(
                f"{grid.where}, {place}: the cause {kind!r} is not known; use one of {', '.join(KINDS)}"
            )
    (values,) = grid.numbers(("value",))
    labels = grid.texts("name") if grid.has("name") else ("",) * len(kinds)
    return [Cause(*row) for row in zip(kinds, values, _dofs(grid), labels, strict=True)]


def _dofs(grid: Grid) -> list[float | None]:
    """Return degrees of freedom, None where a cell is empty."""
    if not grid.has("dof"):
        return [None] * len(grid.rows)
    return [_dof(cell, f"{grid.where}, {place}") for cell, place in zip(grid.texts("dof"), grid.places, strict=True)]


def _dof(cell: str, where: str) -> float | None:
    if not cell:
        return None
    number = math.inf if cell.lower() == "inf" else plain_number(cell)
    if number is None:
        raise UnusableInput(f"{where}: dof reads {cell[:40]!r}; give a number, or inf where it is known exactly")
    return number


# --- known lengths ---------------------------------------------------------------------------------------------------


def lengths(grid: Grid, u: float | None = None) -> KnownLengths:
    """Return the known lengths of a table with known, value and `PLACES`; `u` of all, where it has no column u."""
    has_u = grid.has("u")
    if has_u and u is not None:
        raise UnusableInput(f"{grid.where} has a column u, and --u is given; leave one out")
    known, value, *us = grid.numbers(("known", "value", "u") if has_u else ("known", "value"))
    position, orientation, height = (grid.names(name) for name in PLACES)
    told = us[0] if has_u else u or 0.0
    places = [f"{grid.where}, {place}" for place in grid.places]
    return known_lengths(known, value, u=told, position=position, orientation=orientation, height=height, where=places)


# --- cycles of a robot -----------------------------------------------------------------------------------------------


def cycles(grid: Grid, angles: str | None = None) -> list[Cycles]:
    """Return the cycles of each pose of a table, in mm: x_mm, y_mm, and as far as they are known z_mm and turns.

    `angles`: the convention of its columns a, b, c; one turn in the plane is turn_deg. What was commanded stands in
    columns of the same names after `commanded_`, and the pose's name in a column pose.
    """
    columns = _wanted(grid, angles)
    rows = [dict(zip(columns, row, strict=True)) for row in zip(*grid.numbers(columns), strict=True)]
    names = grid.names("pose") if grid.has("pose") else ("1",) * len(rows)
    groups: dict[str, list[dict[str, float]]] = {}
    for name, row in zip(names, rows, strict=True):
        groups.setdefault(name, []).append(row)
    return [_cycles(name, group, angles, grid.where) for name, group in groups.items()]


def _wanted(grid: Grid, angles: str | None) -> tuple[str, ...]:
    """Return the columns to be read: what is needed, and what the table holds besides."""
    if angles is not None and angles not in CONVENTIONS:
        raise UnusableInput(f"--angles {angles!r} is not known; use one of {', '.join(CONVENTIONS)}")
    places = [name for name in XYZ if grid.has(name) or name != "z_mm"]
    turns: list[str] = []
    if any(map(grid.has, ABC)):
        if angles is None:
            raise UnusableInput(
                f"{grid.where} holds a, b, c; say with --angles what they mean: {', '.join(CONVENTIONS)}"
            )
        turns = list(ABC)
    elif angles is not None:
        raise UnusableInput(f"--angles is given, but {grid.where} has no columns a, b, c; add them or leave it out")
    elif grid.has("turn_deg"):
        turns = ["turn_deg"]
    commanded: list[str] = []
    for names in (places, turns):
        told = [f"commanded_{name}" for name in names]
        commanded += told if any(map(grid.has, told)) else []
    return (*places, *turns, *commanded)


Row = Mapping[str, float]


def _cycles(name: str, rows: Sequence[Row], angles: str | None, where: str) -> Cycles:
    places = [key for key in XYZ if key in rows[0]]
    xyz = [[row[key] for key in places] for row in rows]
    to = _commanded(rows, places, name, where)
    if angles is not None:
        poses = [_pose(row, "", angles) for row in rows]
        turns = _commanded(rows, ABC, name, where)
        return cycles_of(name, xyz, to, poses, None if turns is None else _pose(rows[0], "commanded_", angles))
    if "turn_deg" not in rows[0]:
        return cycles_of(name, xyz, to)
    turn = _commanded(rows, ["turn_deg"], name, where)
    about = rows[0]["turn_deg"] if turn is None else turn[0]
    small = np.array([[math.remainder(row["turn_deg"] - about, 360.0)] for row in rows])
    return Cycles(name, np.array(xyz), None if to is None else np.array(to), small, turn is not None)


def _commanded(rows: Sequence[Row], names: Sequence[str], pose: str, where: str) -> list[float] | None:
    """Return what was commanded, one and the same in all rows of a pose."""
    keys = [f"commanded_{name}" for name in names]
    if keys[0] not in rows[0]:
        return None
    for key in keys:
        if len(values := {row[key] for row in rows}) > 1:
            a, b = sorted(values)[:2]
            raise UnusableInput(
                f"{where}: {key} is {a:g} and {b:g} within pose {pose}; tell the poses apart in a column pose"
            )
    return [rows[0][key] for key in keys]


def _pose(row: Row, prefix: str, angles: str) -> Pose3:
    return Pose3.from_angles((0, 0, 0), [row[prefix + key] for key in ABC], cast(AngleConvention, angles))
