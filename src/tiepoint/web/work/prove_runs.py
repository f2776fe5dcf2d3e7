"""Designs and run sheets of the page Prove: begun, filled in run by run, and made into a study that is kept."""

import asyncio
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Depends, Path
from fastapi.responses import Response

from tiepoint.foundation.errors import TiepointError, UnusableDocument, UnusableInput
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry, Ledger, has_ledger, utc_now
from tiepoint.web.acts import not_taken
from tiepoint.web.here import Here, here_of
from tiepoint.web.refused import Refused, refusals, refused_by
from tiepoint.web.sessions import needs
from tiepoint.web.users import User
from tiepoint.web.work import prove_shapes as shapes
from tiepoint.web.work.prove import claims

if TYPE_CHECKING:
    from tiepoint.model.record import Record
    from tiepoint.station.run_sheets import Runs
    from tiepoint.studies.design import Design

Editor = Annotated[User, Depends(needs("change"))]
ThisStation = Annotated[Here, Depends(here_of)]
SheetId = Annotated[str, Path(pattern="^[A-Za-z0-9._-]{1,80}$")]
Number = Annotated[int, Path(ge=1, le=1_000_000)]
NEWEST = 12

router = APIRouter(prefix="/api/prove", tags=["prove"], dependencies=[Depends(needs("look"))])


# --- designs ---------------------------------------------------------------------------------------------------------


@router.post("/designs", responses=refusals(401, 415, 422))
async def design(wanted: shapes.DesignWanted, _: Annotated[User, Depends(needs("look"))]) -> shapes.DesignTold:
    """Tell which studies prove a characteristic, with how many parts and runs; nothing is written."""
    return await asyncio.to_thread(_designed, wanted)


def _designed(wanted: shapes.DesignWanted) -> shapes.DesignTold:
    from tiepoint.report.acceptance_evidence import KINDS

    found = _design(wanted)
    plans = [
        shapes.StudyPlanTold(name=KINDS.get(plan.study, plan.study), **{key: getattr(plan, key) for key in _PLAN})
        for plan in found.plans
    ]
    return shapes.DesignTold(plans=plans, sentences=list(found.sentences), convention=found.convention)


_PLAN = ("study", "parts", "loadings", "conditions", "runs", "minutes", "why", "which_parts")


def _design(wanted: shapes.DesignWanted) -> "Design":
    from tiepoint.studies.design import HANDLING_S, study_design
    from tiepoint.studies.measured import KNOWN

    factors = {name.strip().lower(): levels for name, levels in wanted.factors.items()}
    for name in factors:
        if not name or name in (*KNOWN, "run", "visit", "time", "remarks", "shot", "record"):
            raise Refused(
                422, f"a factor {name[:40]!r} would take the place of a column", "call it otherwise", where="factors"
            )
    return study_design(
        wanted.of,
        seed=wanted.seed,
        tolerance=wanted.tolerance,
        takt_s=wanted.takt_s,
        handling_s=wanted.handling_s or HANDLING_S,
        factors=factors or None,
        block=wanted.block,
        most_escapes=wanted.most_escapes,
        most_false=wanted.most_false,
        unit=wanted.unit,
    )


# --- sheets ----------------------------------------------------------------------------------------------------------


@router.post("/sheets", status_code=201, responses=refusals(401, 409, 415, 422))
async def begin(here: ThisStation, wanted: shapes.Begin, user: Editor) -> shapes.SheetTold:
    """Begin a run sheet of one study, in random order; the ledger knows from when it is. Needs the role change."""
    return await asyncio.to_thread(_begun, here.station, wanted, user.name)


def _begun(station: Station, wanted: shapes.Begin, who: str) -> shapes.SheetTold:
    from tiepoint.documents.files import format_of
    from tiepoint.station.run_filling import begin_runs, sheet_for
    from tiepoint.station.run_sheets import RunsTable, read_runs
    from tiepoint.web.work.prove_told import sheet_told

    there = claims(station)
    designed = None if wanted.study in ("capability", "pose") else _design(wanted.wanted)
    sheet = sheet_for(designed, wanted.study, wanted.poses, wanted.measured)
    plan = None if designed is None else next(plan for plan in designed.plans if plan.study == wanted.study)
    limits = next((j.limits for j in there.judged if j.reading == wanted.wanted.of and j.limits is not None), None)
    told: dict[str, Any] = {
        "format": format_of("runs"),
        "study": wanted.study,
        "of": wanted.wanted.of,
        "reading": wanted.reading or _reading_of(wanted),
        "begun_utc": utc_now(),
        "by": who,
        "accepted": sorted(there.pointers.shas),
        "lower": None if limits is None else limits.lower,
        "upper": None if limits is None else limits.upper,
        "asked": _asked_by(wanted, designed),
    }
    if plan is not None:
        told |= {
            "why": plan.why,
            "which_parts": plan.which_parts,
            "conditions": plan.conditions,
            "minutes": plan.minutes,
        }
    table = _read(RunsTable, told)
    id_ = begin_runs(station, table, sheet, who=who)
    return sheet_told(station, read_runs(station, id_))


def _read(kind: Any, told: Any) -> Any:
    """Return a table as it is read from a document; what is wrong with it is said at its field."""
    try:
        return kind.read({key: value for key, value in told.items() if value is not None}, "")
    except UnusableDocument as error:
        says, _, do = str(error).partition("; ")
        raise Refused(422, says, do, where=says.partition(" ")[0]) from error


def _reading_of(wanted: shapes.Begin) -> str | None:
    return wanted.wanted.of if wanted.study in ("type1", "rr", "linearity", "stability", "lengths") else None


def _asked_by(wanted: shapes.Begin, designed: "Design | None") -> dict[str, Any]:
    """Return what is asked of the study: as the page says it, else by the design."""
    from tiepoint.station.study_making import options_of

    asked = dict(wanted.asked)
    if wanted.study == "trial":  # the rates by which its parts were counted
        rates = {"most_misses": wanted.wanted.most_escapes, "most_false": wanted.wanted.most_false}
        return {name: rate for name, rate in rates.items() if rate is not None} | asked
    takes = options_of(wanted.study)
    asked.setdefault("unit", wanted.wanted.unit)
    if "tolerance" in takes and wanted.wanted.tolerance is not None:
        asked.setdefault("tolerance", wanted.wanted.tolerance)
    factors = [] if designed is None else [name for name, _ in designed.of(wanted.study)[0].factors]
    if wanted.study == "rr":
        asked.setdefault("factors", factors)
    if wanted.study == "agreement" and factors:
        asked.setdefault("by", factors[0])
    if wanted.study == "stability":
        asked.setdefault("by", "visit")
    if unknown := [key for key in asked if key not in (*takes, "unit")]:
        raise Refused(
            422, f"a study {wanted.study} takes no {unknown[0][:40]}", f"it takes {', '.join(takes)}", where="asked"
        )
    return asked


@router.get("/sheets/{id}", responses=refusals(401, 404, 422))
async def sheet(here: ThisStation, id: SheetId) -> shapes.SheetTold:
    """Tell a run sheet with all of its runs, and which comes next."""

    def told() -> shapes.SheetTold:
        from tiepoint.web.work.prove_told import sheet_told

        return sheet_told(here.station, _there(here.station, id))

    return await here.asking.run(told)


@router.delete("/sheets/{id}", responses=refusals(401, 404, 409, 415, 422))
async def remove(here: ThisStation, id: SheetId, user: Editor) -> Any:
    """Take a run sheet away; undo brings it back. Needs the role change."""

    def removed() -> Any:
        from tiepoint.station.run_filling import remove_runs
        from tiepoint.web.work.editing import step_told

        _there(here.station, id)
        return step_told(remove_runs(here.station, id, who=user.name))

    return await asyncio.to_thread(removed)


@router.get(
    "/sheets/{id}/paper.pdf",
    responses={**refusals(401, 404, 422), 200: {"content": {"application/pdf": {}}}},
    response_class=Response,
)
async def printed(here: ThisStation, id: SheetId) -> Response:
    """Give a run sheet on paper, with room for what is read."""

    def made() -> bytes:
        from tiepoint.report.run_sheet import sheet_on_paper

        return sheet_on_paper(_there(here.station, id))

    headers = {"Content-Disposition": f'inline; filename="{id}.pdf"'}
    return Response(await here.asking.run(made), media_type="application/pdf", headers=headers)


def _there(station: Station, id_: str) -> "Runs":
    from tiepoint.station.run_sheets import read_runs, runs_of

    if id_ not in runs_of(station):
        raise Refused(404, f"there is no run sheet {id_[:60]}", "see /api/prove for those that there are")
    return read_runs(station, id_)


# --- filling in ------------------------------------------------------------------------------------------------------


@router.put("/sheets/{id}/runs/{run}", responses=refusals(401, 404, 409, 415, 422))
async def fill(here: ThisStation, id: SheetId, run: Number, wanted: shapes.Fill, user: Editor) -> shapes.SheetTold:
    """Fill a run in with what was read; all empty opens it again. Refused where another page filled it meanwhile.

    Needs the role change.
    """

    def filled() -> shapes.SheetTold:
        from tiepoint.station.run_filling import fill_run

        _there(here.station, id)
        done = fill_run(here.station, id, run, wanted.cells, who=user.name, at=utc_now(), was=wanted.was)
        return _told(here.station, done)

    return await asyncio.to_thread(_at_field, filled)


@router.post("/sheets/{id}/runs/{run}/record", responses=refusals(401, 404, 409, 415, 422))
async def fill_from_record(
    here: ThisStation, id: SheetId, run: Number, wanted: shapes.FromRecord, user: Editor
) -> shapes.SheetTold:
    """Fill a run in from a record of the station, by default the newest that is not on the sheet.

    Needs the role change.
    """

    def filled() -> shapes.SheetTold:
        from tiepoint.station.run_filling import fill_from

        record = _record(here.station, _there(here.station, id), wanted.record)
        done = fill_from(here.station, id, run, record, who=user.name, at=utc_now(), was=wanted.was, kind=wanted.kind)
        return _told(here.station, done)

    return await asyncio.to_thread(_at_field, filled)


@router.put("/sheets/{id}/known", responses=refusals(401, 404, 409, 415, 422))
async def known(here: ThisStation, id: SheetId, wanted: shapes.Known, user: Editor) -> shapes.SheetTold:
    """Write what is known of a part into all of its runs. Needs the role change."""

    def told() -> shapes.SheetTold:
        from tiepoint.station.run_filling import know
        from tiepoint.web.work.prove_told import sheet_told

        _there(here.station, id)
        runs = know(here.station, id, wanted.part, wanted.column, wanted.value, who=user.name)
        return sheet_told(here.station, runs)

    return await asyncio.to_thread(_at_field, told)


@router.put("/sheets/{id}/asked", responses=refusals(401, 404, 409, 415, 422))
async def ask(here: ThisStation, id: SheetId, wanted: shapes.AskOfSheet, user: Editor) -> shapes.SheetTold:
    """Change what is asked of the study of a sheet. Needs the role change."""

    def told() -> shapes.SheetTold:
        from tiepoint.station.run_filling import ask_of_runs
        from tiepoint.web.work.prove_told import sheet_told

        _there(here.station, id)
        step = ask_of_runs(here.station, id, wanted.asked, who=user.name)
        return sheet_told(here.station, _there(here.station, id), step)

    return await asyncio.to_thread(_at_field, told)


def _at_field(work: Any) -> Any:
    """Answer what cannot be read at the field that it was typed in."""
    from tiepoint.station.drafting import Conflict

    try:
        return work()
    except Conflict:
        raise
    except UnusableInput as error:
        says, _, do = str(error).partition("; ")
        raise Refused(422, says, do, where=says.partition(" ")[0]) from error


def _told(station: Station, done: Any) -> shapes.SheetTold:
    from tiepoint.web.work.prove_told import sheet_told

    return sheet_told(station, done.runs, done.step, done.caution)


@router.get("/sheets/{id}/records", responses=refusals(401, 404, 422))
async def records(here: ThisStation, id: SheetId) -> shapes.RecordsTold:
    """Tell the newest records, with what each would fill a run of this sheet with."""
    return await here.asking.run(lambda: _records(here.station, _there(here.station, id)))


def _records(station: Station, runs: "Runs") -> shapes.RecordsTold:
    there = dict(zip(runs.column("record"), runs.column("run"), strict=True)) if "record" in runs.cells.header else {}
    return shapes.RecordsTold(records=[_short(entry, runs, there) for entry in _newest(station, NEWEST)])


def _short(entry: Entry, runs: "Runs", there: dict[str, str]) -> shapes.RecordShort:
    from tiepoint.web.told import reading_written

    body = entry.body
    reading = next((r for r in body["readings"] if r["id"] == runs.table.reading), None)
    said = {"value": ""} if reading is None else reading_written(reading)
    return shapes.RecordShort(
        seq=entry.seq,
        part=body["shot"].get("part_id"),
        verdict=body["verdict"],
        value=said["value"],
        unit="" if reading is None else reading.get("unit") or "",
        taken_utc=body["shot"].get("taken_utc") or entry.written_utc,
        run=there.get(str(entry.seq)),
    )


def _newest(station: Station, count: int) -> tuple[Entry, ...]:
    """Return the newest records, the newest first."""
    from tiepoint.station.questions import Asked, last_records

    if not has_ledger(station.ledger_place):
        return ()
    with Ledger(station.ledger_place) as ledger:
        return last_records(ledger, count, Asked())


def _record(station: Station, runs: "Runs", seq: int | None) -> "Record":
    """Return a record by its number, or the newest that is not on the sheet."""
    from tiepoint.recipe.records import record_from

    if seq is None:
        taken = set(runs.column("record"))
        free = [entry for entry in _newest(station, NEWEST) if str(entry.seq) not in taken]
        if not free:
            raise Refused(409, "no record has come that is not on the sheet", "let the station judge the part first")
        entry = free[0]
    else:
        entry = _entry(station, seq)
    return record_from(entry.body, f"entry {entry.seq}", vouched=True)


def _entry(station: Station, seq: int) -> Entry:
    if has_ledger(station.ledger_place):
        with Ledger(station.ledger_place) as ledger:
            found = ledger.numbered([seq])
        if found and found[0].kind == "record":
            return found[0]
    raise Refused(422, f"entry {seq} of the ledger is no record", "take one of the list", where="record")


# --- the study -------------------------------------------------------------------------------------------------------


@router.post("/sheets/{id}/study", status_code=201, responses=refusals(401, 404, 409, 415, 422))
async def make(here: ThisStation, id: SheetId, wanted: shapes.MakeStudy, user: Editor) -> shapes.StudyTold:
    """Make the study of a run sheet, and keep it with its data, shown or not. Needs the role change."""
    return await asyncio.to_thread(_made, here.station, id, wanted, user.name)


def _made(station: Station, id_: str, wanted: shapes.MakeStudy, who: str) -> shapes.StudyTold:
    from tiepoint.station.run_studies import demand_full, keep_of_sheet, study_of_sheet
    from tiepoint.web.work.prove_told import study_told

    runs = _there(station, id_)
    asked = runs.table.asked if wanted.asked is None else _read(type(runs.table.asked), wanted.asked)
    try:
        if not wanted.as_far:
            demand_full(runs)
        made = study_of_sheet(station, runs, asked)
    except TiepointError as error:
        raise refused_by(error, station.folder, where="study") from error
    with not_taken(station):
        entry = keep_of_sheet(station, runs, made, who=who)
    found = claims(station)
    return study_told(next(study for study in found.studies if study.act.seq == entry.seq), found)
