"""What the page Prove is told, put together from what the rooms answer."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any, get_args

from tiepoint.documents.revived import revived
from tiepoint.foundation.errors import TiepointError
from tiepoint.report.acceptance import SHARES, asked_said
from tiepoint.report.acceptance_evidence import KINDS, OF_DUTY
from tiepoint.report.proving_pictures import Drawn, pictures_of
from tiepoint.report.study_numbers import worked
from tiepoint.report.study_rows import Row, in_words, of_100
from tiepoint.report.trial_page import MOST_SHOWN
from tiepoint.station.accepted import pointers_of
from tiepoint.station.claims import Claims
from tiepoint.station.drafting import sha_of
from tiepoint.station.folder import Station
from tiepoint.station.kept import KeptStudy
from tiepoint.station.made import not_accepted
from tiepoint.station.matrix import Found, Line, in_all
from tiepoint.station.requirement_edits import differences
from tiepoint.station.requirements import (
    FIGURES,
    REQUIREMENTS,
    By,
    Characteristic,
    Judged,
    Requirement,
    RequirementsTable,
    deviations,
    load_requirements,
)
from tiepoint.station.run_sheets import Runs, out_of_date, parts_of, read_runs, runs_of
from tiepoint.station.study_making import options_told
from tiepoint.station.to_do import ToDo, is_stale, of_requirements, of_sheets
from tiepoint.studies.trial import TrialStudy, margin_said
from tiepoint.web.refused import told_here
from tiepoint.web.work import prove_shapes as shapes
from tiepoint.web.work.editing import step_told
from tiepoint.web.work.prove_order_shapes import ClaimTold, OrderDraft, OrderTold, ReadingTold, ToDoTold

NOT_AGREED = "it is written down, and not agreed on yet"


def page_told(station: Station, claims: Claims, reports: list[shapes.ReportTold]) -> shapes.ProveTold:
    """Return all that the page shows at once."""
    order, draft = order_told(station, claims)
    told = list(_claims(claims, draft))
    sheets, broken = sheets_of(station)
    states = [one.state for one in told]
    agreed = None if claims.agreed is None else claims.agreed.table
    return shapes.ProveTold(
        says=in_all(claims.lines) if claims.agreed is not None else _first(draft),
        shown=states.count("shown"),
        not_shown=states.count("not shown"),
        not_tried=states.count("not tried"),
        order=order,
        claims=told,
        deviations=[] if agreed is None else list(deviations(agreed, claims.judged)),
        studies=[study_short(study, claims) for study in reversed(claims.studies)],
        sheets=[*(sheet_short(runs, claims.pointers.shas) for runs in sheets), *broken],
        readings=[_reading(one) for one in dict.fromkeys(claims.judged)],
        to_do=[to_do_told(one) for one in _to_do(order, claims, sheets, reports)],
        reports=reports,
        kinds={**KINDS, **OF_DUTY},
        figures={by: list(figures) for by, figures in FIGURES.items()},
        tests=list(get_args(By)),
    )


def _first(draft: RequirementsTable | None) -> str:
    if draft is None:
        return "Nothing is agreed on yet: write down what the drawing asks, and what is to be shown."
    return "Nothing is agreed on yet: what is written down counts from the day on which it is agreed."


def _reading(one: Judged) -> ReadingTold:
    limits = one.limits
    return ReadingTold(
        id=one.reading,
        variant=one.variant,
        unit=one.unit,
        lower=None if limits is None else limits.lower,
        upper=None if limits is None else limits.upper,
    )


def _to_do(
    order: OrderTold, claims: Claims, sheets: Sequence[Runs], reports: Sequence[shapes.ReportTold]
) -> Iterator[ToDo]:
    """Yield what comes next, the first first: what is agreed, what shows it, what was begun, and the report."""
    if order.fault:
        yield ToDo("Mend requirements.toml", order.fault, "agree")
    elif not order.there:
        yield ToDo("Write down what is agreed", "studies are held against what was agreed before them", "agree")
    elif order.changes:
        yield ToDo("Agree on what is written down", "a study counts only for what was agreed before it", "agree")
    yield from of_requirements(claims.lines, sheets)
    yield from of_sheets(claims.lines, sheets)
    if claims.lines and all(line.state == "shown" for line in claims.lines):
        newest = max((line.study.act.written_utc for line in claims.lines if line.study is not None), default="")
        if not reports or reports[0].made_utc < newest:
            yield ToDo("Make the acceptance report", "all that was agreed is shown", "report")
        else:
            yield ToDo("Have the acceptance report signed", "all that was agreed is shown, and it says so", "report")


def to_do_told(one: ToDo) -> ToDoTold:
    """Return something to do as the page is told it."""
    return ToDoTold(
        says=one.says, why=one.why, by=one.by, requirement=one.requirement, at=one.at, of=one.of, gain=one.gain
    )


# --- what is agreed --------------------------------------------------------------------------------------------------


def order_told(station: Station, claims: Claims) -> tuple[OrderTold, RequirementsTable | None]:
    """Return the draft of the requirements as the page edits it, and as it is read; None where it cannot be."""
    draft, sha, fault = read_order(station)
    act = claims.act
    agreed = None if claims.agreed is None else claims.agreed.table
    told = OrderTold(
        there=sha is not None,
        sha=sha,
        fault=fault,
        order=None if draft is None else order_from(draft),
        changes=[] if draft is None else list(differences(agreed, draft)),
        agreed_utc=None if act is None else act.written_utc,
        agreed_by="" if act is None else f"{act.body['who']}: {act.body['why']}",
    )
    return told, draft


def read_order(station: Station) -> tuple[RequirementsTable | None, str | None, str]:
    """Return the draft, the hash of its file, and why it cannot be read."""
    sha = sha_of(station, REQUIREMENTS)
    if sha is None:
        return None, None, ""
    try:
        return load_requirements(station.folder / REQUIREMENTS).table, sha, ""
    except TiepointError as error:
        return None, sha, told_here(error, station.folder)


def order_from(table: RequirementsTable) -> OrderDraft:
    """Return requirements as the page edits them."""
    plain = table.model_dump(mode="json", exclude={"format"})
    return OrderDraft.model_validate(plain)


def plain_order(order: OrderDraft) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return what the page wants as the document has it: all that is stated, and that without what is the default."""
    return _stated(order.model_dump(mode="json")), _stated(order.model_dump(mode="json", exclude_defaults=True))


def _stated(thing: Any) -> Any:
    if isinstance(thing, dict):
        told = {key: _stated(value) for key, value in thing.items()}
        return {key: value for key, value in told.items() if value not in (None, "", [], {})}
    if isinstance(thing, list):
        return [_stated(one) for one in thing]
    return thing.strip() if isinstance(thing, str) else thing


def _claims(claims: Claims, draft: RequirementsTable | None) -> Iterator[ClaimTold]:
    wanted = {} if draft is None else {asked.id: asked for asked in draft.requirement}
    agreed = {line.asked.id for line in claims.lines}
    drawn = () if claims.agreed is None else claims.agreed.table.characteristic
    for line in claims.lines:
        changed = _drafted(line.asked, wanted.get(line.asked.id), draft)
        yield _claim(line, changed, drawn)
    for asked in wanted.values():
        if asked.id not in agreed:
            drawing = () if draft is None else draft.characteristic
            yield _bare(asked, "not tried", NOT_AGREED, "new", drawing)


def _drafted(was: Requirement, is_: Requirement | None, draft: RequirementsTable | None) -> str:
    if draft is None or is_ == was:
        return ""
    return "taken out" if is_ is None else "changed"


def _claim(line: Line, changed: str, drawn: Sequence[Characteristic]) -> ClaimTold:
    bare = _bare(line.asked, line.state, line.why, changed, drawn)
    found = None if line.found is None else in_words(_row(line.found, line.asked.by in SHARES))
    figure = {} if found is None else {"found": found.value, "low": found.low, "high": found.high, "unit": found.unit}
    study = None if line.study is None else line.study.act.seq
    name = "" if line.found is None else line.found.name
    return bare.model_copy(update={**figure, "name": name, "study": study, "stale": is_stale(line), "more": line.more})


def _row(found: Found, is_share: bool) -> Row:
    low, high = (v if math.isfinite(v) else None for v in (found.low, found.high))
    row = Row(found.name, None if math.isnan(found.value) else found.value, low, high, found.unit)
    return of_100(row) if is_share else row


def _bare(asked: Requirement, state: str, why: str, draft: str, drawn: Sequence[Characteristic]) -> ClaimTold:
    of_it = next((one.drawing for one in drawn if one.reading == asked.of), "")
    return ClaimTold.model_validate(
        {
            "id": asked.id, "says": asked.says, "by": asked.by, "of": asked.of, "asked": asked_said(asked),
            "drawing": of_it, "state": state, "why": why, "name": "", "found": "", "low": "", "high": "", "unit": "",
            "study": None, "stale": False, "draft": draft, "more": None,
        }
    )  # fmt: skip


# --- studies ---------------------------------------------------------------------------------------------------------


def study_short(study: KeptStudy, claims: Claims) -> shapes.StudyShort:
    """Return a study as a list has it."""
    sentences = study.document.get("outcome", {}).get("sentences") or [""]
    return shapes.StudyShort(
        seq=study.act.seq,
        kind=study.kind,
        name=KINDS.get(study.kind, study.kind),
        of=study.of,
        good=study.good,
        written_utc=study.act.written_utc,
        who=str(study.act.body.get("who", "")),
        says=str(sentences[0]),
        stale=_stale(study, claims),
        fault=study.fault,
    )


def _stale(study: KeptStudy, claims: Claims) -> str:
    """Return why a study is out of date."""
    if study.replaced is not None:
        by = f"entry {study.replaced.seq}"
        return f"Out of date: what was accepted when it was made was replaced by {by}; make it again."
    made = study.document.get("made_by")
    if not made:
        return ""
    why = not_accepted(made, claims.accepted)
    return "" if why is None else f"Out of date: {why}; accept that, or make it again with what is accepted."


def study_told(study: KeptStudy, claims: Claims) -> shapes.StudyTold:
    """Return a study with what it found."""
    outcome = study.document.get("outcome", {})
    found = [in_words(row) for row in worked(study.kind, outcome).rows] if outcome else []
    wrong = list(wrong_told(study)) if study.kind == "trial" and outcome else []
    seq, made = study.act.seq, study.document.get("made_by") or ()
    data = study.document.get("data")
    return shapes.StudyTold(
        **study_short(study, claims).model_dump(),
        sentences=[str(s) for s in outcome.get("sentences", ())],
        convention=str(outcome.get("convention") or ""),
        figures=[shapes.FigureTold(**{k: getattr(one, k) for k in shapes.FigureTold.model_fields}) for one in found],
        checks=[
            shapes.CheckTold(name=c["name"], holds=c["holds"], says=c["sentence"]) for c in outcome.get("checks", ())
        ],
        pictures=[_picture(one, seq) for one in drawn_of(study)],
        wrong=wrong[:MOST_SHOWN],
        left_over=max(0, len(wrong) - MOST_SHOWN),
        file=str(study.act.body.get("file", "")),
        data=None if data is None else str(data["named"]),
        command=study.document.get("command"),
        recipe=", ".join(dict.fromkeys(str(one["recipe_sha"])[:12] for one in made)),
        sha=str(study.act.body.get("sha", "")),
    )


def drawn_of(study: KeptStudy) -> tuple[Drawn, ...]:
    """Return the pictures of a study."""
    outcome = study.document.get("outcome")
    return () if not outcome else pictures_of(study.kind, outcome)


def _picture(one: Drawn, seq: int) -> shapes.PictureTold:
    href = f"/api/prove/studies/{seq}/pictures/{one.name}.svg"
    return shapes.PictureTold(href=href, name=one.name, title=one.title, caption=one.caption)


def wrong_told(study: KeptStudy) -> Iterator[shapes.WrongTold]:
    """Yield the parts that a trial judged wrongly, escapes first, with the pictures that were kept of them."""
    kept = study.document.get("pictures") or {}
    places = list(kept)
    for part in revived(TrialStudy, study.document["outcome"]).wrong:
        worst = part.worst
        called = f"{worst.truth}, {worst.kind}" if worst.kind else worst.truth
        is_kept = worst.where in kept
        href = f"/api/prove/studies/{study.act.seq}/wrong/{places.index(worst.where)}.svg" if is_kept else None
        yield shapes.WrongTold(
            part=worst.part,
            truth=worst.truth,
            kind=worst.kind,
            verdict=worst.verdict,
            says=f"{worst.part} is {called}, and was judged: {worst.verdict}{margin_said(worst)}",
            where=worst.where,
            picture=href,
        )


# --- run sheets ------------------------------------------------------------------------------------------------------


def sheets_of(station: Station) -> tuple[list[Runs], list[shapes.SheetShort]]:
    """Return the run sheets of a station, and those that cannot be read, with why."""
    read: list[Runs] = []
    broken = []
    for id_ in runs_of(station):
        try:
            read.append(read_runs(station, id_))
        except TiepointError as error:
            study = id_.rpartition("-")[0]
            broken.append(
                shapes.SheetShort(
                    id=id_, study=study, name=KINDS.get(study, study), of=None, runs=0, taken=0, minutes_left=None,
                    begun_utc="", by="", out_of_date="", fault=told_here(error, station.folder),
                )
            )  # fmt: skip
    return read, broken


def sheet_short(runs: Runs, accepted: Sequence[str]) -> shapes.SheetShort:
    """Return a sheet as a list has it. `accepted`: hashes of what is run now."""
    table, n, left = runs.table, len(runs.cells.rows), len(runs.open)
    return shapes.SheetShort(
        id=runs.id,
        study=table.study,
        name=KINDS.get(table.study, table.study),
        of=table.of,
        runs=n,
        taken=n - left,
        minutes_left=None if table.minutes is None else table.minutes * left / n,
        begun_utc=table.begun_utc,
        by=table.by,
        out_of_date=out_of_date(runs, accepted),
        fault="",
    )


def sheet_told(station: Station, runs: Runs, step: Any = None, caution: str = "") -> shapes.SheetTold:
    """Return a sheet with its runs."""
    rows = [_run(runs, k) for k in range(len(runs.cells.rows))]
    known = {part: {name: _known(runs, part, name) for name in runs.known} for part in parts_of(runs)}
    return shapes.SheetTold(
        **sheet_short(runs, pointers_of(station).shas).model_dump(),
        sha=sha_of(station, runs.path) or "",
        table=runs.table,
        fills=list(runs.fills),
        asks=list(runs.known),
        parts=known if runs.known else {},
        takes_records=runs.table.study not in ("pose", "capability"),
        options=[
            shapes.OptionTold.model_validate({**asdict(one), "choices": list(one.choices)})
            for one in options_told(runs.table.study, runs.table.asked)
        ],
        rows=rows,
        next=None if not runs.open else int(runs.cell(runs.open[0], "run")),
        step=None if step is None else step_told(step),
        caution=caution,
    )


def _known(runs: Runs, part: str, name: str) -> str:
    told = zip(runs.column(runs.of_whom), runs.column(name), strict=True)
    return next((cell for whose, cell in told if whose == part and cell), "")


def _run(runs: Runs, row: int) -> shapes.RunTold:
    def cell(name: str) -> str:
        return runs.cell(row, name) if name in runs.cells.header else ""

    cells = {name: cell(name) for name in runs.fills}
    return shapes.RunTold(
        run=int(cell("run")) if cell("run").isdecimal() else row + 1,
        part=cell(runs.of_whom),
        factors={name: cell(name) for name in runs.factors},
        trial=cell("trial"),
        label=cell("label"),
        cells=cells,
        known={name: cell(name) for name in runs.known},
        record=cell("record"),
        shot=cell("shot"),
        time=cell("time"),
        remarks=cell("remarks"),
        is_open=row in runs.open,
    )
