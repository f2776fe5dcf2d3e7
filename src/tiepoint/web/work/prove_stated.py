"""Limits with their risks: what the page Prove makes without a run sheet."""

import asyncio
from typing import TYPE_CHECKING, Annotated, Any, Literal

from fastapi import APIRouter, Depends
from pydantic import BaseModel, ConfigDict, Field

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.ledger import Ledger, has_ledger
from tiepoint.web.acts import not_taken
from tiepoint.web.here import Here, here_of
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs
from tiepoint.web.users import User
from tiepoint.web.work.lengths import at_field
from tiepoint.web.work.prove import claims
from tiepoint.web.work.prove_order_shapes import Line
from tiepoint.web.work.prove_shapes import Share, StudyTold

if TYPE_CHECKING:
    from tiepoint.model.decide import Limits
    from tiepoint.station.limit_studies import Parts

Editor = Annotated[User, Depends(needs("change"))]
ThisStation = Annotated[Here, Depends(here_of)]
Pasted = Annotated[str, Field(max_length=2_000_000)]
Number = Annotated[float, Field(ge=-1e7, le=1e7)]
NotBelow = Annotated[float, Field(ge=0, le=1e7)]
Above0 = Annotated[float, Field(gt=0, le=1e7)]

router = APIRouter(prefix="/api/prove", tags=["prove"], dependencies=[Depends(needs("look"))])


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class LimitsWanted(_Strict):
    """Limits of a reading, lengths in `unit`. `by`: from the newest records, a table that is pasted, or what is stated.

    A pasted table has a column value, and may have u, part and label; where label says good or bad the limits come
    from the parts, by `side`, `most_escapes` and `most_false`. Limits that are left out are those of the records.
    """

    of: Annotated[str, Field(min_length=1, max_length=200)]
    by: Literal["records", "table", "stated"] = "records"
    variant: Line | None = None
    table: Pasted = ""
    unit: Literal["mm", "in", "deg", "px", "1"] = "mm"
    lower: Number | None = None
    upper: Number | None = None
    mean: Number | None = None
    spread: Above0 | None = None
    u: NotBelow | None = None
    u_common: NotBelow | None = None
    most_consumer: Share | None = None
    most_producer: Share | None = None
    undecided: Literal["not-accepted", "accepted", "sorted"] | None = None
    rule: Line = "iso14253-1"
    p: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    as_measured: bool = False
    side: Literal["upper", "lower", "both"] | None = None
    most_escapes: Share | None = None
    most_false: Share | None = None


@router.post("/limits", status_code=201, responses=refusals(401, 409, 415, 422))
async def limits(here: ThisStation, wanted: LimitsWanted, user: Editor) -> StudyTold:
    """Set limits with a known risk, and keep the study with what it was made of. Needs the role change."""
    return await asyncio.to_thread(_limits, here, wanted, user.name)


def _limits(here: Here, wanted: LimitsWanted, who: str) -> StudyTold:
    from tiepoint.station.limit_studies import keep_limits, parts_of_records, table_of
    from tiepoint.station.to_do import newest_records

    station, records, table = here.station, [], None
    if wanted.by == "records":
        if has_ledger(station.ledger_place):
            with Ledger(station.ledger_place) as ledger:
                records = newest_records(ledger, wanted.variant)
        with at_field(here, "of"):
            parts = parts_of_records(records, wanted.of, as_measured=wanted.as_measured)
        document = _by_risks(here, wanted, parts)
    elif wanted.by == "table":
        table = wanted.table
        with at_field(here, "table"):
            grid = table_of(table)
            document = _of_labels(wanted, grid) if grid.has("label") else _by_risks(here, wanted, _pasted(wanted, grid))
    else:
        document = _by_risks(here, wanted, _stated(wanted))
    with not_taken(station):
        entry = keep_limits(station, wanted.of, document, who=who, table=table, records=records)
    return _kept(here, entry.seq)


def _stated(wanted: LimitsWanted) -> "Parts":
    from tiepoint.station.limit_studies import Uncertain, stated_parts

    for name, what in (("mean", "their mean"), ("spread", "their standard deviation"), ("u", "a reading's u")):
        if getattr(wanted, name) is None:
            raise Refused(422, f"how parts vary is stated, and {what} is missing", "state it", where=name)
    u = Uncertain(wanted.u or 0.0, wanted.u_common or 0.0)
    return stated_parts(wanted.mean or 0.0, wanted.spread or 0.0, u, wanted.unit)


def _pasted(wanted: LimitsWanted, grid: Any) -> "Parts":
    from tiepoint.station.limit_studies import Uncertain, read_parts
    from tiepoint.studies.measured import of_grid

    u = None if wanted.u is None else Uncertain(wanted.u, wanted.u_common or 0.0)
    found = of_grid(grid, unit=None if grid.has("unit") else wanted.unit)
    return read_parts(found, u=u, common=wanted.u_common, as_measured=wanted.as_measured)


def _of_labels(wanted: LimitsWanted, grid: Any) -> dict[str, Any]:
    from tiepoint.station.limit_studies import good_and_bad, labelled

    told = labelled(grid, None if grid.has("unit") else wanted.unit)
    rates = {"most_escapes": wanted.most_escapes, "most_false": wanted.most_false}
    return good_and_bad(told, side=wanted.side, u=wanted.u, **rates)[1]


def _by_risks(here: Here, wanted: LimitsWanted, parts: "Parts") -> dict[str, Any]:
    from tiepoint.station.limit_studies import Agreed, limits_of
    from tiepoint.station.requirements import undecided_of

    undecided = wanted.undecided or undecided_of(here.station)
    with at_field(here, "lower"):
        asked = _asked(wanted, parts)
        return limits_of(asked, parts, Agreed(wanted.most_consumer, wanted.most_producer, undecided))[2]


def _asked(wanted: LimitsWanted, parts: "Parts") -> "Limits":
    from tiepoint.model.decide import Limits
    from tiepoint.station.limit_studies import drawing_limits

    if wanted.lower is None and wanted.upper is None:
        return drawing_limits(parts)
    if wanted.lower is not None and wanted.upper is not None and not wanted.lower < wanted.upper:
        raise UnusableInput(f"the limits are {wanted.lower:g} and {wanted.upper:g}; give lower < upper")
    return Limits(wanted.lower, wanted.upper, wanted.rule, wanted.p)


def _kept(here: Here, seq: int) -> StudyTold:
    from tiepoint.web.work.prove_told import study_told

    found = claims(here.station)
    return study_told(next(study for study in found.studies if study.act.seq == seq), found)
