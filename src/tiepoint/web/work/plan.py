"""Plan: what is typed is worked out at once, kept as a draft, and its camera's pictures are rendered."""

import asyncio
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Depends, Path, Request, Response

from tiepoint.web.here import Here, here_of
from tiepoint.web.jobs import JobTold, Telling
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs
from tiepoint.web.tiles import tile_answer
from tiepoint.web.users import User
from tiepoint.web.work.graticule import Graticule
from tiepoint.web.work.plan_shapes import (
    BesideTold,
    FieldTold,
    ForeseenTold,
    KeptTold,
    LineTold,
    LookTold,
    PictureTold,
    PlanTold,
    PlanWanted,
    PredictedTold,
    ShareTold,
    SheetTold,
    SizeTold,
    TargetPlanned,
    Typed,
    Which,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tiepoint.plan.sheet import Sheet
    from tiepoint.station.planning import Plan

router = APIRouter(prefix="/api/plan", tags=["plan"])
ThisStation = Annotated[Here, Depends(here_of)]
Editor = Annotated[User, Depends(needs("change"))]


@router.get("", responses=refusals(401, 422), dependencies=[Depends(needs("look"))])
async def plan(here: ThisStation) -> PlanTold:
    """Tell the station's plan, worked out, and what was measured beside what was foreseen."""
    return await asyncio.to_thread(_told, here)


@router.post("/look", responses=refusals(401, 415, 422), dependencies=[Depends(needs("look"))])
async def look(wanted: PlanWanted) -> LookTold:
    """Work out what is typed; nothing is kept."""
    return await asyncio.to_thread(_looked, wanted.typed)


@router.put("", responses=refusals(401, 409, 415, 422))
async def keep(here: ThisStation, wanted: PlanWanted, user: Editor) -> PlanTold:
    """Keep what is typed in plan.toml, where comments stay; what was foreseen for another plan goes."""

    def kept() -> PlanTold:
        from tiepoint.station import planning

        text, faults = _changed(here, wanted.typed)
        faults = faults or _looked(wanted.typed).faults
        for key, fault in faults.items():
            raise Refused(422, fault or f"{key} is needed, and nothing was typed", "type it", where=key)
        seen = {planning.PLAN: wanted.seen}
        planning.keep(here.station, text, who=user.name, seen=seen, says="Change the plan")
        return _told(here)

    return await asyncio.to_thread(kept)


@router.post("/foresee", status_code=202, responses=refusals(401, 415, 422, 429))
async def foresee(here: ThisStation, user: Editor) -> JobTold:
    """Render what the planned camera would see, and measure it; the plan that is kept is meant."""
    from tiepoint.plan.sheet import arithmetic
    from tiepoint.station import planning

    kept = await asyncio.to_thread(planning.read_plan, here.station)
    if kept is None:
        raise Refused(422, "there is no plan yet", "type the part, its tolerance and the stand-off first")
    plan = kept

    def work(telling: Telling) -> ForeseenTold:
        from tiepoint.plan.foresee import foresee as foreseen_of
        from tiepoint.station.drafting import Conflict

        foreseen = foreseen_of(arithmetic(plan.asked), telling=lambda done, of, says: telling(done, of, says))
        is_kept = True
        try:
            seen = {planning.PLAN: plan.sha}
            planning.keep(
                here.station, plan.text, who=user.name, foreseen=foreseen, seen=seen, says="Foresee what is planned"
            )
        except Conflict:
            is_kept = False
        return ForeseenTold(
            good=foreseen.good,
            never=foreseen.never,
            sentences=list(foreseen.sentences),
            sizes=[_size(one) for one in foreseen.readings],
            target=foreseen.target_says,
            is_kept=is_kept,
        )

    return here.jobs.begin(page="plan", says="Photographing with the planned camera", work=work)


@router.get(
    "/pictures/{which}/{sha}/tiles/{level}/{col}/{row}",
    responses={**refusals(401, 404, 422), 200: {"content": {"image/png": {}}}, 304: {}},
    response_class=Response,
    dependencies=[Depends(needs("look"))],
)
async def tile(
    request: Request,
    here: ThisStation,
    which: Which,
    sha: Annotated[str, Path(pattern="^[0-9a-f]{64}$")],
    level: Annotated[int, Path(ge=0, le=20)],
    col: Annotated[int, Path(ge=0, le=10_000)],
    row: Annotated[int, Path(ge=0, le=10_000)],
) -> Response:
    """Give a tile of what the planned camera would see, by the hash of the picture that is meant."""
    app = request.app

    def picture() -> "NDArray[Any]":
        held: tuple[str, NDArray[Any]] | None = getattr(app.state, f"planned_{which}", None)
        if held is None or held[0] != sha:
            held = sha, _picture(here, which, sha)
            setattr(app.state, f"planned_{which}", held)
        return held[1]

    return await tile_answer(request, picture, level, col, row, f'"plan-{sha}-{level}-{col}-{row}"')


def _picture(here: Here, which: str, sha: str) -> "NDArray[Any]":
    from tiepoint.documents.pictures import decode_picture
    from tiepoint.station.drafting import read_draft

    path = f"plan/{which}.png"
    draft = read_draft(here.station, path)
    if draft.data is None or draft.sha != sha:
        raise Refused(404, "that picture is not there any more", "see what the plan has now")
    return decode_picture(draft.data, here.station.folder / path).grey


def _changed(here: Here, typed: Typed) -> tuple[str, dict[str, str]]:
    """Return the text of plan.toml with what was typed otherwise than it says, and why by key where that cannot be."""
    from tiepoint.station import planning

    kept = planning.read_plan(here.station)
    text = "" if kept is None else kept.text
    before = planning.typed_of(text)
    changes = {key: said for key, said in typed.items() if said.strip() != before.get(key, "")}
    return planning.with_typed(text, changes, bare=True)


def _looked(typed: Typed) -> LookTold:
    from tiepoint.foundation.errors import UnusableInput
    from tiepoint.plan.sheet import arithmetic
    from tiepoint.plan.typed import BY_KEY
    from tiepoint.station import planning

    text, faults = planning.with_typed("", typed, bare=True)
    if faults:
        return LookTold(faults=faults, sheet=None)
    told = planning.typed_of(text)
    missing = {key: "" for key, field in BY_KEY.items() if field.needed and key not in told}
    if missing:
        return LookTold(faults=missing, sheet=None)
    try:
        return LookTold(faults={}, sheet=_sheet(arithmetic(planning.asked_by(text))))
    except UnusableInput as error:
        key, says = planning.at_key(str(error))
        return LookTold(faults={key: says}, sheet=None)


def _told(here: Here) -> PlanTold:
    from tiepoint.station import planning
    from tiepoint.station.drafting import read_draft

    station = here.station
    kept = planning.read_plan(station)
    typed = {} if kept is None else planning.typed_of(kept.text)
    pictures = []
    for which in Which.__args__:  # type: ignore[attr-defined]
        draft = read_draft(station, f"plan/{which}.png")
        if draft.data is not None and draft.sha is not None:
            pictures.append(_described(which, draft.data, draft.sha))
    return PlanTold(
        sha=None if kept is None else kept.sha,
        typed=typed,
        fields=_fields(),
        look=_looked(typed),
        predicted=None if kept is None else _predicted(kept),
        beside=[] if kept is None else [_beside(one) for one in planning.beside(station, kept)],
        pictures=pictures,
        grid=None if kept is None or kept.predicted is None else _grid(kept),
    )


def _grid(kept: "Plan") -> Graticule:
    from tiepoint.plan.choose import choose
    from tiepoint.plan.numbers import as_stated
    from tiepoint.plan.scene import grid_of

    grid = grid_of(as_stated(kept.asked, choose(kept.asked)))
    rows, cols = grid.x_mm.shape
    places = {"X": grid.x_mm.ravel().tolist(), "Y": grid.y_mm.ravel().tolist()}
    return Graticule(x0=grid.x0, y0=grid.y0, step_x=grid.step_x, step_y=grid.step_y, cols=cols, rows=rows, **places)


def _described(which: Which, data: bytes, sha: str) -> PictureTold:
    from io import BytesIO

    from PIL import Image

    with Image.open(BytesIO(data)) as image:
        return PictureTold(which=which, width=image.width, height=image.height, sha=sha)


def _predicted(kept: "Plan") -> PredictedTold | None:
    told = kept.table.predicted
    if told is None:
        return None
    from tiepoint.plan.printed import micrometres

    sizes = [
        KeptTold(
            name=one.name,
            nominal=f"{one.nominal_mm:g}",
            U=micrometres(one.U_mm),
            error=micrometres(one.error_mm),
            inside="" if one.inside is None else f"{one.inside} of {one.n}",
        )
        for one in told.size
    ]
    return PredictedTold(good=told.good, says=told.says, is_current=kept.is_current, sizes=sizes)


def _fields() -> list[FieldTold]:
    from tiepoint.plan.typed import FIELDS
    from tiepoint.station.planning import usual

    return [
        FieldTold(
            key=field.key,
            label=field.label,
            unit=field.unit,
            needed=field.needed,
            choices=list(field.choices),
            usual=usual(field.key),
        )
        for field in FIELDS
    ]


def _sheet(sheet: "Sheet") -> SheetTold:
    from tiepoint.plan.printed import chosen, printed

    total = sum(u * u for u in sheet.budget_um.values())
    ranked = sorted(sheet.budget_um.items(), key=lambda item: -item[1])
    return SheetTold(
        good=sheet.good,
        verdict=list(sheet.verdict),
        lines=[
            LineTold(
                key=line.key,
                group=line.group,
                label=line.label,
                **dict(zip(("value", "pm"), printed(line), strict=True)),
                unit=line.unit,
                how=line.how,
                source=line.source,
                state=line.state,
                says=line.says,
                chosen=line.chosen,
            )
            for line in sheet.lines
        ],
        budget=[ShareTold(label=label, share=u * u / total if total else 0.0) for label, u in ranked],
        chosen=chosen(sheet.chosen),
        target=_target(sheet),
    )


def _target(sheet: "Sheet") -> TargetPlanned | None:
    from tiepoint.plan.target import field_at_target, lens_to_target_mm, target_of

    found = target_of(sheet.asked, sheet.chosen)
    if isinstance(found, str):
        return None
    width, height = field_at_target(sheet.asked, sheet.chosen)
    return TargetPlanned(
        width_mm=width,
        height_mm=height,
        width_px=sheet.chosen.columns,
        height_px=sheet.chosen.rows,
        away_mm=lens_to_target_mm(sheet.asked),
        pattern=found.pattern,
        pitch_mm=found.pitch_mm,
        columns=found.columns,
        rows=found.rows,
    )


def _size(one: Any) -> SizeTold:
    from tiepoint.plan.printed import micrometres

    return SizeTold(
        name=one.name,
        nominal=f"{one.nominal:g}",
        U=micrometres(one.U),
        error=micrometres(one.worst),
        inside=f"{one.inside} of {one.n}",
        budget=[ShareTold(label=share.label, share=share.share) for share in one.budget[:5]],
        reason=one.reason,
    )


def _beside(one: Any) -> BesideTold:
    from tiepoint.plan.line import g

    return BesideTold(
        what=one.what,
        unit=one.unit,
        predicted="" if one.predicted is None else g(one.predicted),
        measured="" if one.measured is None else g(one.measured),
        where=one.where,
    )
