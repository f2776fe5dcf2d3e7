"""The routes of printed targets: which to print, the pages to print, and what the bars measured."""

import asyncio
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Path, Response
from pydantic import BaseModel, ConfigDict, Field

from tiepoint.station.ledger_chain import utc_now
from tiepoint.web.here import Here, here_of
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs
from tiepoint.web.users import User
from tiepoint.web.work.lengths import Typed, Unit, at_field, needed_mm

router = APIRouter(prefix="/api/targets", tags=["targets"], dependencies=[Depends(needs("look"))])
ThisStation = Annotated[Here, Depends(here_of)]
Editor = Annotated[User, Depends(needs("change"))]
Pattern = Literal["charuco", "checker", "dots"]
Material = Literal["paper", "film", "glass", "steel", "aluminium"]
Name = Annotated[str, Path(max_length=80)]
Pixels = Annotated[int, Field(ge=16, le=100_000)]
_OTHER = "choose another name, or undo"


class TargetTold(BaseModel):
    """A target. `path`: its document in the station; `seen`: the SHA-256 of that; `scale`: what its print measured."""

    path: str
    name: str
    seen: str | None
    fault: str = ""
    id: str = ""
    pattern: str = ""
    pitch_mm: float = 0.0
    columns: int = 0
    rows: int = 0
    says: str = ""
    bar_x_mm: float = 0.0
    bar_y_mm: float = 0.0
    material: str = "paper"
    is_measured: bool = False
    measured_x_mm: float | None = None
    measured_y_mm: float | None = None
    u_mm: float | None = None
    measured_with: str = ""
    measured_utc: str = ""
    scale: list[str] = []
    is_page_there: bool = False


class Targets(BaseModel):
    """All targets of the station."""

    targets: list[TargetTold]


class Asked(BaseModel):
    """The field of view that a target is to fill, as typed, and the pictures' size."""

    model_config = ConfigDict(extra="forbid")

    width: Typed
    height: Typed
    unit: Unit = "mm"
    width_px: Pixels
    height_px: Pixels
    pattern: Pattern = "charuco"


class AdviceTold(BaseModel):
    """The target that suits a field, and why."""

    pattern: Pattern
    pitch_mm: float
    columns: int
    rows: int
    paper: str | None
    sentences: list[str]


class Draw(BaseModel):
    """The target that is to be drawn. `paper`: none makes a page that fits; `seen`: None for a new one."""

    model_config = ConfigDict(extra="forbid")

    name: Annotated[str, Field(min_length=1, max_length=60)]
    pattern: Pattern
    pitch: Typed
    unit: Unit = "mm"
    columns: Annotated[int, Field(ge=1, le=1000)]
    rows: Annotated[int, Field(ge=1, le=1000)]
    paper: Annotated[str, Field(max_length=20)] | None = None
    seen: str | None = None


class Bars(BaseModel):
    """What the bars of a print measured, as typed: `u` is the standard uncertainty of one; `measured_with` what."""

    model_config = ConfigDict(extra="forbid")

    path: Annotated[str, Field(max_length=200)]
    seen: str
    x: Typed
    y: Typed
    u: Typed
    unit: Unit = "mm"
    measured_with: Annotated[str, Field(max_length=100)]
    material: Material | None = None


@router.get("", responses=refusals(401, 422))
async def targets(here: ThisStation) -> Targets:
    """Tell the targets that the station has."""
    return Targets(targets=await asyncio.to_thread(_all, here))


@router.post("/advice", responses=refusals(401, 422))
async def advice(here: ThisStation, asked: Asked) -> AdviceTold:
    """Tell which target to print for a field of view."""

    def found() -> AdviceTold:
        from tiepoint.station.printed_targets import advise

        field = (
            needed_mm("width", asked.width, asked.unit, "the width of the field"),
            needed_mm("height", asked.height, asked.unit, "the height of the field"),
        )
        with at_field(here, "width"):
            told = advise(field, (asked.width_px, asked.height_px), asked.pattern)
        return AdviceTold(
            pattern=asked.pattern, pitch_mm=told.pitch_mm, columns=told.columns, rows=told.rows, paper=told.paper,
            sentences=list(told.sentences),
        )  # fmt: skip

    return await asyncio.to_thread(found)


@router.post("", status_code=201, responses=refusals(401, 409, 415, 422))
async def draw(here: ThisStation, wanted: Draw, user: Editor) -> TargetTold:
    """Draw a target: its page as PDF and SVG at true scale, and its document. Needs the role change."""
    return await asyncio.to_thread(_drawn, here, wanted, user.name)


@router.post("/bars", responses=refusals(401, 404, 409, 415, 422))
async def bars(here: ThisStation, told: Bars, user: Editor) -> TargetTold:
    """Keep what the bars of a print measured; both axes are corrected by it from then on. Needs the role change."""
    return await asyncio.to_thread(_measured, here, told, user.name)


@router.get(
    "/{name}/page.{kind}",
    responses={**refusals(401, 404, 422), 200: {"content": {"application/pdf": {}, "image/svg+xml": {}}}},
    response_class=Response,
)
async def page(here: ThisStation, name: Name, kind: Literal["pdf", "svg"], paper: str | None = None) -> Response:
    """Give the page to print, at true scale: the one that lies beside the document, or else one that is made now."""
    data = await asyncio.to_thread(_page, here, name, kind, paper)
    media = {"pdf": "application/pdf", "svg": "image/svg+xml"}[kind]
    return Response(data, media_type=media, headers={"Content-Disposition": f'inline; filename="target.{kind}"'})


# --- what is done ----------------------------------------------------------------------------------------------------


def _all(here: Here) -> list[TargetTold]:
    from tiepoint.station.printed_targets import targets_in

    return [_told(here, path, target) for path, target in targets_in(here.station.folder)]


def _told(here: Here, path: str, target: object) -> TargetTold:
    from tiepoint.station.drafting import sha_of
    from tiepoint.station.printed_targets import told_scale
    from tiepoint.targets.draw import Target

    name = path.removeprefix("targets/").removesuffix(".json")
    seen = sha_of(here.station, path)
    if not isinstance(target, Target):
        return TargetTold(path=path, name=name, seen=seen, fault=str(target))
    m = target.measured
    cells = "dots" if target.pattern == "dots" else "squares"
    return TargetTold(
        path=path,
        name=name,
        seen=seen,
        id=target.id,
        pattern=target.pattern,
        pitch_mm=target.pitch_mm,
        columns=target.columns,
        rows=target.rows,
        says=f"{target.pattern}, {target.columns} × {target.rows} {cells} of {target.pitch_mm:g} mm",
        bar_x_mm=target.bar_x_mm,
        bar_y_mm=target.bar_y_mm,
        material=target.material,
        is_measured=m is not None,
        measured_x_mm=None if m is None else m.x_mm,
        measured_y_mm=None if m is None else m.y_mm,
        u_mm=None if m is None else m.u_mm,
        measured_with="" if m is None else m.with_,
        measured_utc="" if m is None else m.when_utc,
        scale=list(told_scale(target)),
        is_page_there=(here.station.folder / path).with_suffix(".pdf").is_file(),
    )


def _drawn(here: Here, wanted: Draw, who: str) -> TargetTold:
    from tiepoint.station.drafting import Change, edit
    from tiepoint.station.printed_targets import FOLDER, files_of
    from tiepoint.targets.draw import new_target

    pitch = needed_mm("pitch", wanted.pitch, wanted.unit, "the pitch")
    with at_field(here, "pitch"):
        target = new_target(wanted.pattern, pitch, wanted.columns, wanted.rows)
    with at_field(here, "paper"):
        files = files_of(target, wanted.paper or None, wanted.name)
    path = f"{FOLDER}/{wanted.name}.json"
    with at_field(here, "name"):
        there = {known: found for known, found in _known(here).items() if known == path}
        if there and getattr(there[path], "measured", None) is not None:
            raise Refused(409, f"{wanted.name} holds the measurement of a print", _OTHER, where="name")
        changes = [Change(f"{FOLDER}/{name}", data) for name, data in files.items()]
        edit(here.station, f"Draw the target {wanted.name}", changes, who=who, seen={path: wanted.seen})
    return _told(here, path, target)


def _known(here: Here) -> dict[str, object]:
    from tiepoint.station.printed_targets import targets_in

    return dict(targets_in(here.station.folder))


def _measured(here: Here, told: Bars, who: str) -> TargetTold:
    from tiepoint.documents.files import document_bytes
    from tiepoint.station.drafting import Change, edit
    from tiepoint.targets.document import KIND, to_document
    from tiepoint.targets.draw import Target
    from tiepoint.targets.paper import apply_measure, borne_by

    target = _known(here).get(told.path)
    if not isinstance(target, Target):
        raise Refused(404, "there is no target of that name", "look at the list again", where="path")
    x = needed_mm("x", told.x, told.unit, "the bar along the lower edge")
    y = needed_mm("y", told.y, told.unit, "the bar along the left edge")
    u = needed_mm("u", told.u, told.unit, "the standard uncertainty of one bar")
    if not told.measured_with.strip():
        raise Refused(422, "what the bars were measured with is not said", "name the rule", where="measured_with")
    with at_field(here, "x"):
        target = apply_measure(
            borne_by(target, told.material or target.material), x, y, u, told.measured_with, utc_now()
        )
    data = document_bytes(KIND, to_document(target))
    says = f"Note the bars of {told.path.removeprefix('targets/').removesuffix('.json')}"
    edit(here.station, says, [Change(told.path, data)], who=who, seen={told.path: told.seen})
    return _told(here, told.path, target)


def _page(here: Here, name: str, kind: Literal["pdf", "svg"], paper: str | None) -> bytes:
    from tiepoint.station.printed_targets import FOLDER, files_of
    from tiepoint.targets.draw import Target

    path = f"{FOLDER}/{name}.json"
    target = _known(here).get(path)
    if not isinstance(target, Target):
        raise Refused(404, "there is no target of that name", "look at the list again")
    beside = (here.station.folder / path).with_suffix(f".{kind}")
    if paper is None and beside.is_file() and not beside.is_symlink():
        return beside.read_bytes()
    return files_of(target, paper, "target")[f"target.{kind}"]
