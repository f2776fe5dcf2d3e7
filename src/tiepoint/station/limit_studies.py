"""The study of limits and their risks, from what a station has: its records, a table of parts, or what is stated.

The command, the page and a notebook make it by the same functions; with good and bad parts in place of a drawing's
limits it is `good_and_bad`.
"""

import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tiepoint.documents.canonical import plain
from tiepoint.documents.grid import Grid, grid_of
from tiepoint.documents.revived import outcome_of
from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.decide import Limits
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.station.folder import Station
from tiepoint.station.kept import keep_study
from tiepoint.station.ledger import Entry
from tiepoint.station.to_do import next_for, one_a_part
from tiepoint.studies.good_bad import GoodBadLimits, Side, study_good_bad
from tiepoint.studies.limits import (
    LimitsStudy,
    Spread,
    own_and_common,
    sample_of_parts,
    spread_of_readings,
    stated_spread,
    study_limits,
)
from tiepoint.studies.measured import Measured, of_grid, of_records
from tiepoint.studies.next_steps import NextSteps
from tiepoint.studies.risks import Undecided

LIMITS = "limits"


@dataclass(frozen=True)
class Uncertain:
    """What a reading is uncertain by: u of each part's own, u that all parts share, and dof. `stated`: by a person."""

    own: float
    common: float = 0.0
    dof: float = math.inf
    stated: bool = True


@dataclass(frozen=True)
class Parts:
    """What the study is given: how parts vary and what a reading is uncertain by, lengths in `unit`.

    `readings` are one for each part; `measured` those of records, which bring their own limits and sources.
    """

    spread: Spread
    u: Uncertain
    unit: str
    readings: Sequence[float] | None = None
    measured: tuple[Reading, ...] = ()
    notes: tuple[str, ...] = ()
    name: str | None = None


@dataclass(frozen=True, slots=True)
class Agreed:
    """The risks that were agreed, as shares of all parts, and what becomes of undecided ones."""

    most_consumer: float | None = None
    most_producer: float | None = None
    undecided: Undecided = "not-accepted"


def stated_parts(mean: float, sd: float, u: Uncertain, unit: str = "mm") -> Parts:
    """Return parts whose mean and standard deviation are stated."""
    return Parts(stated_spread(mean, sd), u, unit)


def read_parts(
    found: Measured,
    measured: tuple[Reading, ...] = (),
    *,
    u: Uncertain | None = None,
    common: float | None = None,
    as_measured: bool = False,
) -> Parts:
    """Return parts as they were measured. `measured`: their readings, where `found` is of records.

    `u`: as it is stated, else of the records' sources, else of a table's column u with what is stated in `common`.
    `as_measured`: the parts as they are, and not as a normal law. Raises `UnusableInput` where u is nowhere said.
    """
    uncertain = u or _uncertain(found, measured, common)
    values, again = one_a_part(found)
    spread = sample_of_parts(values, uncertain.own) if as_measured else spread_of_readings(values, uncertain.own)
    name = found.name if measured else None
    return Parts(spread, uncertain, found.unit, values, measured, found.notes + again, name)


def _uncertain(found: Measured, measured: tuple[Reading, ...], common: float | None) -> Uncertain:
    if measured and common is None:
        return Uncertain(*own_and_common(measured), stated=False)
    if not measured and found.u is not None:
        own = math.sqrt(math.fsum(float(u) ** 2 for u in found.u) / len(found.u))
        return Uncertain(own, common or 0.0, stated=False)
    raise UnusableInput("what a reading is uncertain by is not said; state its standard uncertainty u")


def drawing_limits(parts: Parts) -> Limits:
    """Return the limits that records bring with them; `UnusableInput` where there are none."""
    of_records_ = parts.measured[0].limits if parts.measured else None
    if of_records_ is None:
        raise UnusableInput("the part's limits are not said; state the lower, the upper or both")
    return of_records_


def limits_of(asked: Limits, parts: Parts, agreed: Agreed) -> tuple[LimitsStudy, NextSteps | None, dict[str, Any]]:
    """Return the study, what to do next by the readings' own sources (None without them), and both as plain data."""
    study = study_limits(
        asked,
        parts.spread,
        u_own=parts.u.own,
        u_common=parts.u.common,
        dof=parts.u.dof,
        unit=parts.unit,
        most_consumer=agreed.most_consumer,
        most_producer=agreed.most_producer,
        undecided=agreed.undecided,
        readings=parts.readings,
    )
    steps = None
    if parts.measured and not parts.u.stated:
        steps = next_for(parts.measured, asked, parts.spread.parts, dof=parts.u.dof, unit=parts.unit)
    document = {"study": LIMITS, "unit": parts.unit, **outcome_of(study), "next_steps": plain(steps)}
    return study, steps, document


# --- good and bad parts ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Labelled:
    """Readings of parts that are known to be good and bad."""

    good: np.ndarray[Any, Any]
    bad: np.ndarray[Any, Any]
    unit: str


def labelled(grid: Grid, unit: str | None = None) -> Labelled:
    """Return the readings of a table whose column label says good or bad, one row for each distinct part."""
    found, labels = of_grid(grid, unit=unit), [label.lower() for label in grid.texts("label")]
    for label, place in zip(labels, grid.places, strict=True):
        if label not in ("good", "bad"):
            raise UnusableInput(f"{grid.where}, {place}: label reads {label[:40]!r}; write good or bad")
    _demand_each_once(found, grid.where)
    good, bad = (found.values[np.array([label == word for label in labels])] for word in ("good", "bad"))
    return Labelled(good, bad, found.unit or "mm")


def _demand_each_once(found: Measured, where: str) -> None:
    first: dict[str, str] = {}
    for name, place in zip(found.part or (), found.where, strict=False):
        if name in first:
            raise UnusableInput(
                f"{where}: part {name} stands in {first[name]} and in {place}; the bounds count distinct parts, so "
                "give one reading for each"
            )
        first[name] = place


def good_and_bad(
    told: Labelled,
    *,
    side: Side | None = None,
    u: float | None = None,
    most_escapes: float | None = None,
    most_false: float | None = None,
) -> tuple[GoodBadLimits, dict[str, Any]]:
    """Return the limits that tell good parts from bad ones, and the study as plain data."""
    study = study_good_bad(told.good, told.bad, side=side, u=u, most_escapes=most_escapes, most_false=most_false)
    return study, {"study": LIMITS, "unit": told.unit, **outcome_of(study)}


# --- of a station ----------------------------------------------------------------------------------------------------


def parts_of_records(records: Sequence[Record], reading: str, *, as_measured: bool = False) -> Parts:
    """Return parts as the records of a station read them."""
    found = of_records(records, reading)
    measured = tuple(r for one in records for r in one.readings if r.id == reading and r.value is not None)
    return read_parts(found, measured, as_measured=as_measured)


def table_of(text: str) -> Grid:
    """Return the table that somebody pasted: its column value, and label or u beside it."""
    return grid_of(text, ("value",), "the table")


def keep_limits(
    station: Station,
    of: str | None,
    document: dict[str, Any],
    *,
    who: str,
    table: str | None = None,
    records: Sequence[Record] = (),
) -> Entry:
    """Keep the study with the table or the records that it was made of; return the act of the ledger."""
    outcome = {key: value for key, value in document.items() if key != "study"}
    with tempfile.TemporaryDirectory() as folder:
        path = None if table is None else Path(folder) / "parts.csv"
        if path is not None and table is not None:
            path.write_text(table, encoding="utf-8")
        return keep_study(station, LIMITS, of, outcome, path, who=who, records=records)
