"""What a study works on: values in the order in which they were taken, and what is known of each.

They come from a table (CSV or .xlsx) or from the station's own `records.jsonl`. Nothing is dropped silently: what was
left out, or not used, stands in `notes`.
"""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tiepoint.documents.grid import Grid, one_spelling, read_grid
from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import forbidding
from tiepoint.foundation.units import MM_PER
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

KNOWN = ("part", "trial", "value", "reference", "u_reference", "u", "unit")
UNREAD = "unread"
"""What a column value reads where the part was put in and gave no value: it is left out, counted and told."""
BESIDE = ("run", "shot", "record", "time", "remarks")
"""Columns that a run sheet has beside these; `run` is the order in which the values were taken."""
USUAL_FACTOR = "appraiser"
"""The column that is a factor without being named; whatever it stands for on a station without an operator."""
FROM_RECORDS = ("variant", "day")
"""What records tell that may be a factor: the variant, and the day (UTC) on which the shot was taken."""
UNITS = (*MM_PER, *(f"{unit}2" for unit in ("mm", "in", "px")), "px", "deg", "rad", "1", "%", "K", "°C")
"""Of values: lengths, and what else readings and tables are in. Of any other nobody knows what a tolerance means."""
LARGEST, SMALLEST = 1e15, 1e-30
"""Of a value in any unit: beyond, a double has no digit left after the point, or nothing is left to see."""
_SHOWN = 12
_PASTED, _OFTEN, _BY_CHANCE = 4, 0.4, 1e-6
"""Of a run of rows that is there twice: its fewest rows, the share of one row that tells too little, and chance."""


@dataclass(frozen=True)
class Measured:
    """Values (n,) of `unit` in the order in which they were taken; `name` tells what was measured.

    `where` (n,) tells where each stands. `part`, `trial` and each of `factors` (n,) are names; `reference` and `u` (n,)
    are numbers of the same unit, and so is `u_reference` (n,), of each reference on its own. What is not known is None.
    `unread`: readings without a value that were left out.
    """

    values: Array
    unit: str
    where: tuple[str, ...]
    name: str = "value"
    part: tuple[str, ...] | None = None
    factors: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    trial: tuple[str, ...] | None = None
    reference: Array | None = None
    u: Array | None = None
    unread: int = 0
    notes: tuple[str, ...] = ()
    u_reference: Array | None = None

    def __post_init__(self) -> None:
        columns = {"value": self.values, "reference": self.reference, "u": self.u, "u_reference": self.u_reference}
        for what, numbers in columns.items():
            if numbers is not None:
                self._check(what, np.asarray(numbers, float))

    def _check(self, what: str, numbers: Array) -> None:
        """Refuse what squares would overflow or vanish with: no measured value comes near."""
        sized = np.abs(numbers)
        beyond = np.flatnonzero(~(sized <= LARGEST) | ((sized > 0) & (sized < SMALLEST)))
        if beyond.size:
            told = f"{self.name}, {self.where[beyond[0]]}: {what} is {numbers[beyond[0]]:g}"
            raise UnusableInput(f"{told}, which is beyond all measure; look at it")

    def __len__(self) -> int:
        return len(self.values)

    def parts(self) -> tuple[str, ...]:
        """Return the part of each value; `UnusableInput` where it is not known."""
        if self.part is None:
            raise UnusableInput(f"{self.name}: it is not said which part each value is of; give a column part")
        return self.part


def read_measured(
    path: Path,
    *,
    factors: Sequence[str] = (),
    reading: str | None = None,
    unit: str | None = None,
    sheet: Path | None = None,
) -> Measured:
    """Return the values of a file: a table with a column `value`, or `records.jsonl`, of which `reading` names one.

    `factors`: columns that are factors (of records: `variant`, `day`, or columns of the `sheet`, which tells of each
    record what was put in). `unit`: of a table that does not say it.

    Raises `UnusableInput` or `UnusableDocument` in one sentence.
    """
    if path.suffix.lower() == ".jsonl":
        from tiepoint.recipe.records import read_records

        if unit is not None:
            raise UnusableInput(f"a unit is given, but the records of {path} have their own; leave it out")
        runs = None if sheet is None else read_grid(sheet, ("part",))
        return of_records(read_records(path), reading, factors, str(path), runs)
    if sheet is not None:
        raise UnusableInput(f"{path} is a table and needs no run sheet beside it; leave the sheet out")
    if reading is not None:
        raise UnusableInput(f"{path} is a table and has no readings to choose from; leave the reading's name out")
    return of_grid(read_grid(path, ("value",)), factors, unit)


# --- tables --------------------------------------------------------------------------------------------------------


def of_grid(grid: Grid, factors: Sequence[str] = (), unit: str | None = None) -> Measured:
    """Return the values of a table; `factors` are columns by name, `appraiser` is one wherever it stands."""
    if grid.has("record_sha"):
        raise UnusableInput(f"{grid.where} is a list of readings of records; give the records.jsonl beside it")
    named = _factors(grid, factors)
    _check_distinct(grid)
    grid, unread = _read_ones(_in_order(grid))
    numbers = [name for name in ("value", "reference", "u", "u_reference") if grid.has(name)]
    columns = dict(zip(numbers, (np.array(column) for column in grid.numbers(numbers)), strict=True))
    part, trial = (grid.names(name) if grid.has(name) else None for name in ("part", "trial"))
    levels = {name: grid.names(name) for name in named}
    _check_trials(grid, part, levels, trial)
    told = [columns["value"], columns.get("reference"), part, *levels.values()]
    demand_not_pasted([c for c in told if c is not None], grid.places, grid.where)
    for u in {"u", "u_reference"} & columns.keys():
        if (low := np.flatnonzero(columns[u] < 0)).size:
            raise UnusableInput(
                f"{grid.where}, {grid.places[low[0]]}: {u} is negative; give a standard uncertainty, 0 or more"
            )
    return Measured(
        columns["value"],
        _unit(grid, unit),
        grid.places,
        grid.where,
        part,
        levels,
        trial,
        columns.get("reference"),
        columns.get("u"),
        unread=unread,
        notes=(*_unread_said(unread, unread + len(grid.rows)), *_unused(grid, named)),
        u_reference=columns.get("u_reference"),
    )


def _read_ones(grid: Grid) -> tuple[Grid, int]:
    """Return the table without the lines whose part was put in and could not be read, and how many these are."""
    kept = [k for k, cell in enumerate(grid.texts("value")) if cell.lower() != UNREAD]
    if not kept:
        raise UnusableInput(f"{grid.where}: all {len(grid.rows)} values are unread; see why in the station's records")
    of_them = replace(grid, rows=tuple(grid.rows[k] for k in kept), places=tuple(grid.places[k] for k in kept))
    return of_them, len(grid.rows) - len(kept)


def _unread_said(unread: int, of: int) -> tuple[str, ...]:
    return (f"{unread} of {of} readings have no value and are left out.",) if unread else ()


def _in_order(grid: Grid) -> Grid:
    """Return the table in the order of its column `run`, where it has one: sheets get sorted by part."""
    if not grid.has("run"):
        return grid
    (runs,) = grid.numbers(("run",))
    if len(set(runs)) < len(runs):
        again = next(k for k, run in enumerate(runs) if run in runs[:k])
        raise UnusableInput(f"{grid.where}, {grid.places[again]}: run {runs[again]:g} is there twice; number the runs")
    order = np.argsort(runs)
    return replace(grid, rows=tuple(grid.rows[k] for k in order), places=tuple(grid.places[k] for k in order))


def _factors(grid: Grid, asked: Sequence[str]) -> tuple[str, ...]:
    names = tuple(dict.fromkeys(name.strip().lower() for name in asked))
    for name in names:
        if name in KNOWN or name == "run":
            raise UnusableInput(f"{name} is no factor: it has its own meaning in a study's table; name another column")
        grid.texts(name)
    usual = grid.has(USUAL_FACTOR) and USUAL_FACTOR not in names
    return (USUAL_FACTOR, *names) if usual else names


def _unused(grid: Grid, factors: Iterable[str]) -> tuple[str, ...]:
    left = [name for name in grid.header if name and name not in (*KNOWN, *BESIDE, *factors)]
    if not left:
        return ()
    told = f"Column {left[0]} is" if len(left) == 1 else f"Columns {', '.join(left)} are"
    return (f"{told} not used; what differs between readings and is a cause of it should be named as a factor.",)


def _check_distinct(grid: Grid) -> None:
    """Refuse rows that are there twice where a trial tells repeats apart: they were pasted twice."""
    if not grid.has("trial"):
        return
    first: dict[tuple[str, ...], str] = {}
    for row, place in zip(grid.rows, grid.places, strict=True):
        if row in first:
            raise UnusableInput(f"{grid.where}: {place} repeats {first[row]} cell by cell; keep one of them")
        first[row] = place


def demand_not_pasted(columns: Sequence[Sequence[object] | Array], places: Sequence[str], where: str) -> None:
    """Raise `UnusableInput` where a run of rows is there twice, as after pasting: rows that repeat prove nothing more.

    A run is long enough where rows drawn at random from this table would hardly have one (1e-6): single values, and
    coarse ones, may well be the same again.
    """
    rows = list(
        zip(*(column.tolist() if isinstance(column, np.ndarray) else column for column in columns), strict=True)
    )
    n = len(rows)
    most = Counter(rows).most_common(1)[0][1] / n if n else 1.0
    if n < 2 * _PASTED or most > _OFTEN:
        return
    length = max(_PASTED, math.ceil((math.log(n * n / 2) - math.log(_BY_CHANCE)) / -math.log(most)))
    first: dict[tuple[tuple[object, ...], ...], int] = {}
    for k in range(n - length + 1):
        run = tuple(rows[k : k + length])
        start = first.setdefault(run, k)
        if k >= start + length and 2 * len(set(run)) > length:
            raise UnusableInput(
                f"{where}: the {length} rows from {places[start]} on are there again from {places[k]} on, as if pasted "
                "twice; keep one of each"
            )


def _check_trials(
    grid: Grid, part: tuple[str, ...] | None, levels: Mapping[str, tuple[str, ...]], trial: tuple[str, ...] | None
) -> None:
    if trial is None or part is None:
        return
    first: dict[tuple[str, ...], str] = {}
    for key, place in zip(zip(part, *levels.values(), trial, strict=True), grid.places, strict=True):
        if key in first:
            of = ", ".join(f"{n} {k}" for n, k in zip(("part", *levels, "trial"), key, strict=True))
            raise UnusableInput(
                f"{grid.where}: {first[key]} and {place} are both of {of}; number the trials, keep one of the rows, or "
                "name the factor that differs"
            )
        first[key] = place


def _unit(grid: Grid, given: str | None) -> str:
    if given is not None:
        demand_unit(given, grid.where)
    if not grid.has("unit"):
        return given or ""
    units = dict(zip(reversed(grid.texts("unit")), reversed(grid.places), strict=True))
    if len(units) > 1:
        (a, at), (b, bt) = list(units.items())[-2:]
        raise UnusableInput(
            f"{grid.where}: the unit is {b or 'empty'} in {bt} and {a or 'empty'} in {at}; use one for all"
        )
    (unit,) = units
    demand_unit(unit, grid.where)
    if given is not None and given != unit:
        raise UnusableInput(f"{grid.where} says that its unit is {unit}, not {given}; leave the unit out")
    return unit


def demand_unit(unit: str, where: str) -> None:
    """Raise `UnusableInput` for a unit that is not known; none at all is left to the caller."""
    if unit and unit not in UNITS:
        raise UnusableInput(f"{where}: the unit {unit[:40]!r} is not known; use one of {', '.join(UNITS)}")


# --- records -------------------------------------------------------------------------------------------------------


def of_records(
    records: Sequence[Record],
    reading: str | None,
    factors: Sequence[str] = (),
    where: str = "the records",
    sheet: Grid | None = None,
) -> Measured:
    """Return one reading of every record, by its id as in `bore A.diameter`, in their order.

    `sheet`: what was put in, a row a record: by its column `shot` or `record`, else row by row. Its part, trial,
    reference and factors are taken.

    Readings without a value are left out, counted and told. Raises `UnusableInput` where the records are not of one
    recipe, where there are several readings and none is named, or where one stands there twice.
    """
    if not records:
        raise UnusableInput(f"{where} holds no record; run the recipe over the parts first")
    demand_one_recipe(records, where)
    name = _reading_of(records, reading, where)
    told = [(record, found) for record in records if (found := _found(record, name, where))]
    units = {found.unit: record.seq for record, found in reversed(told)}
    if len(units) > 1:
        listed = " and ".join(f"{unit} (record {seq})" for unit, seq in reversed(units.items()))
        raise UnusableInput(f"{where}: the unit of {name} is {listed}; give records of one unit")
    kept = [k for k, (_, found) in enumerate(told) if found.value is not None]
    read = [told[k] for k in kept]
    if not read:
        raise UnusableInput(f"{where}: {name} was read in none of {len(told)} records; see why in records.csv")
    data = Measured(
        np.array([found.value for _, found in read]),
        next(iter(units)),
        tuple(f"record {record.seq}" for record, _ in read),
        name,
        _parts([record for record, _ in read]),
        u=np.array([found.u for _, found in read]),
        unread=len(told) - len(read),
        notes=tuple(_notes(told, records)),
    )
    if sheet is None:
        levels = {factor: _levels(factor, [record for record, _ in read], where) for factor in factors}
        return replace(data, factors=levels)
    rows = _rows_of(records, sheet, where)
    return _put_in(data, sheet, [rows[k] for k in kept], factors)


def _rows_of(records: Sequence[Record], sheet: Grid, where: str) -> list[int]:
    """Return the row of the sheet that each record is of."""
    key = next((name for name in ("shot", "record") if sheet.has(name)), None)
    if key is None:
        if len(sheet.rows) != len(records):
            raise UnusableInput(
                f"{sheet.where} has {len(sheet.rows)} rows and {where} {len(records)} records; they go together row by "
                "row, or by a column shot or record in the sheet"
            )
        return list(range(len(records)))
    place = {name: k for k, name in enumerate(sheet.names(key))}
    names = [one_spelling(record.shot.id) if key == "shot" else str(record.seq) for record in records]
    if (missing := next((k for k, name in enumerate(names) if name not in place), None)) is not None:
        raise UnusableInput(f"{sheet.where} has no row for {key} {names[missing]} of {where}; add it")
    if len(place) < len(sheet.rows):
        raise UnusableInput(f"{sheet.where} names a {key} in two rows; keep one of each")
    return [place[name] for name in names]


def _put_in(data: Measured, sheet: Grid, rows: Sequence[int], factors: Sequence[str]) -> Measured:
    """Return the values with what the sheet tells of each; parts that records tell otherwise are refused."""
    chosen_rows = replace(sheet, rows=tuple(sheet.rows[k] for k in rows), places=tuple(sheet.places[k] for k in rows))
    parts = chosen_rows.names("part")
    for own, told, at, place in zip(data.part or parts, parts, data.where, chosen_rows.places, strict=True):
        if one_spelling(own) != told:
            raise UnusableInput(f"{sheet.where}, {place} is of part {told}, and {at} of part {own}; see which is right")
    named = _factors(sheet, factors)
    known = [name for name in ("reference", "u_reference") if sheet.has(name)]
    of_each = dict(zip(known, map(np.array, chosen_rows.numbers(known)), strict=True))
    return replace(
        data,
        part=parts,
        factors={name: chosen_rows.names(name) for name in named},
        trial=chosen_rows.names("trial") if sheet.has("trial") else None,
        reference=of_each.get("reference"),
        u_reference=of_each.get("u_reference"),
        notes=(*data.notes, *_unused(sheet, named)),
    )


def demand_one_recipe(records: Sequence[Record], where: str) -> None:
    """Raise `UnusableInput` where records are of two revisions of a recipe, or one of them stands there twice."""
    recipes = {record.recipe_sha: record.seq for record in reversed(records)}
    if len(recipes) > 1:
        a, b = list(recipes.items())[-2:]
        raise UnusableInput(
            f"{where}: record {b[1]} was made by the recipe {b[0][:8]} and record {a[1]} by {a[0][:8]}; a study is of "
            "one revision, so give its records alone"
        )
    shas = Counter(record.sha for record in records if record.sha is not None)
    if twice := [record.seq for record in records if record.sha and shas[record.sha] > 1]:
        raise UnusableInput(f"{where}: record {twice[0]} is there more than once; keep one of each")


def _reading_of(records: Sequence[Record], asked: str | None, where: str) -> str:
    ids = list(dict.fromkeys(r.id for record in records for r in record.readings if r.text is None))
    listed = ", ".join(ids[:_SHOWN]) + (" and more" if len(ids) > _SHOWN else "") or "none"
    if asked is None:
        if len(ids) != 1:
            raise UnusableInput(f"{where} holds several readings; name one of them: {listed}")
        return ids[0]
    if asked not in ids:
        raise UnusableInput(f"{where} holds no reading {asked!r}; it has {listed}")
    return asked


def _found(record: Record, name: str, where: str) -> Reading:
    found = next((r for r in record.readings if r.id == name), None)
    if found is None:
        raise UnusableInput(f"{where}: record {record.seq} has no reading {name}; give records of one recipe")
    return found


def _parts(records: Sequence[Record]) -> tuple[str, ...] | None:
    ids = [record.shot.part_id for record in records]
    return None if None in ids else tuple(str(i) for i in ids)


def _levels(factor: str, records: Sequence[Record], where: str) -> tuple[str, ...]:
    if factor not in FROM_RECORDS:
        raise UnusableInput(
            f"{where}: records tell no {factor}; of {' and '.join(FROM_RECORDS)} they do, and a table with a column "
            f"{factor} can be studied instead"
        )
    levels = []
    for record in records:
        taken = record.shot.taken_utc
        level = record.variant or record.shot.variant if factor == "variant" else taken and taken[:10]
        if not level:
            raise UnusableInput(f"{where}: record {record.seq} does not tell its {factor}; leave that factor out")
        levels.append(level)
    return tuple(levels)


def _notes(told: Sequence[tuple[Record, Reading]], records: Sequence[Record]) -> Iterable[str]:
    unread = [(record, found) for record, found in told if found.value is None]
    if unread:
        seqs = ", ".join(str(record.seq) for record, _ in unread[:5]) + (" and more" if len(unread) > 5 else "")
        reason = unread[0][1].reason
        why = f" ({reason.sentence})" if reason else ""
        yield f"{len(unread)} of {len(told)} readings have no value and are left out: record {seqs}{why}"
    flagged = [record.seq for record, found in told if forbidding(found.flags)]
    if flagged:
        yield f"{len(flagged)} readings carry a flag that says that their ± may not hold, first in record {flagged[0]}."
    if len({record.tie_shas for record in records}) > 1:
        yield "The records were measured by more than one tie: what a tie adds is among the differences."


# --- choosing ------------------------------------------------------------------------------------------------------


def chosen(data: Measured, keep: Ints) -> Measured:
    """Return the values at the places `keep` (k,), in that order."""

    def of(names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(names[k] for k in keep)

    return replace(
        data,
        values=data.values[keep],
        where=of(data.where),
        part=None if data.part is None else of(data.part),
        factors={name: of(levels) for name, levels in data.factors.items()},
        trial=None if data.trial is None else of(data.trial),
        reference=None if data.reference is None else data.reference[keep],
        u=None if data.u is None else data.u[keep],
        u_reference=None if data.u_reference is None else data.u_reference[keep],
    )


def levels_of(names: Sequence[str]) -> tuple[tuple[str, ...], Ints]:
    """Return the distinct names in the order in which they come, and the number of each value's (n,)."""
    number = {name: k for k, name in enumerate(dict.fromkeys(names))}
    return tuple(number), np.array([number[name] for name in names], np.intp)
