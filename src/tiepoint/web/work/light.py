"""Light: the lamps of a shot, and what they bring out of it. Any picture of the newest look is given in tiles."""

import asyncio
import secrets
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any, Literal

from fastapi import APIRouter, Depends, Path, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.station.drafting import Change, edit
from tiepoint.station.lamps import FOUR, USUAL, LampsDraft, described, edited, lamps_draft
from tiepoint.web.here import Here, here_of
from tiepoint.web.jobs import JobTold, Telling
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs
from tiepoint.web.tiles import tile_answer
from tiepoint.web.users import User

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tiepoint.vision.relief import Relief

LARGEST_FEATURE_PX, USUAL_FEATURE_PX = 1000.0, 6.0
OF_DETAIL = ("raised", "sunken")
"""Pictures that depend on the width of the detail."""

router = APIRouter(prefix="/api/light", tags=["light"])
ThisStation = Annotated[Here, Depends(here_of)]
Editor = Annotated[User, Depends(needs("change"))]
DraftPath = Annotated[str, Field(min_length=1, max_length=300)]
Feature = Annotated[float, Field(ge=1, le=LARGEST_FEATURE_PX, description="Width of the detail, in px.")]
PictureName = Literal["albedo", "slope_x", "slope_y", "curvature", "relief", "confidence", "raised", "sunken"]


class Lamp(BaseModel):
    """A lamp: its direction as seen from the part, or its place, or neither, where it is found by a picture."""

    model_config = ConfigDict(extra="forbid")

    id: Annotated[str, Field(min_length=1, max_length=60)]
    azimuth_deg: float | None = Field(None, ge=-360, le=360)
    elevation_deg: float | None = Field(None, gt=0, le=90)
    position_mm: tuple[float, float, float] | None = None
    gain: float | None = Field(None, gt=0)
    wavelength_nm: float | None = Field(None, gt=0)
    risk_group: str | None = Field(None, max_length=40)


class LampsTold(BaseModel):
    """The lamps as they are described. `sha`: None where nothing is; `fault`: why they cannot be used."""

    path: str
    sha: str | None
    lamps: list[Lamp]
    exposures: list[str]
    has_flat: bool
    has_step: bool
    fault: str
    others: list[str]


class LampsWanted(BaseModel):
    """Other lamps. `seen`: the hash of the description as the page saw it, None where there was none."""

    model_config = ConfigDict(extra="forbid")

    path: DraftPath = USUAL
    seen: str | None = Field(max_length=64)
    lamps: list[Lamp] = Field(min_length=1, max_length=32)


class Wanted(BaseModel):
    """What is to be looked at: a folder or files of pictures below `pictures/`, with which lamps and which tie."""

    model_config = ConfigDict(extra="forbid")

    pictures: list[DraftPath] = Field(min_length=1, max_length=32)
    lights: DraftPath = USUAL
    tie: DraftPath | None = None
    feature_px: Feature = USUAL_FEATURE_PX
    is_plate: bool = False


class LampSeen(BaseModel):
    """A lamp as it is seen from the middle of the picture."""

    id: str
    azimuth_deg: float
    elevation_deg: float


class Look(BaseModel):
    """What was computed of a shot. `says`: what is wrong with it or worth knowing; `faulty`: what is with its lamps."""

    id: str
    pictures: list[str]
    tie: str | None
    width: int
    height: int
    unit: str
    relief_unit: str
    noise_grey: float
    feature_px: float
    names: list[str]
    taken: list[str]
    lamps: list[LampSeen]
    says: list[str]
    faulty: list[str]


class Slopes(BaseModel):
    """The slopes at a pixel, rise per run along the plane's axes, and the standard uncertainty of either; None where
    too few lamps tell them.
    """

    slope_x: float | None
    slope_y: float | None
    u: float | None


@dataclass(eq=False)
class _Looked:
    """A shot that was computed, and the pictures that were made of it to look at."""

    told: Look
    relief: "Relief"
    pictures: "list[NDArray[Any]]"
    lock: threading.Lock = field(default_factory=threading.Lock)
    made: "dict[str, NDArray[Any]]" = field(default_factory=dict)
    feature_px: float = 0.0

    def viewable(self, name: str, feature_px: float) -> "NDArray[Any]":
        """Return one of its pictures in 8 bits; of details, those of the newest width are kept."""
        from tiepoint.recipe.lit_files import viewable

        with self.lock:
            if name in OF_DETAIL and feature_px != self.feature_px:
                from tiepoint.vision.relief_detail import composites

                both = composites(self.relief.relief, feature_px)
                self.made.update({k: viewable(k, v) for k, v in zip(OF_DETAIL, both, strict=True)})
                self.feature_px = feature_px
            if name not in self.made:
                self.made[name] = viewable(name, self.relief.picture(name))
            return self.made[name]


@router.get("/lamps", responses=refusals(401, 422), dependencies=[Depends(needs("look"))])
async def lamps(here: ThisStation, path: Annotated[str, Query(max_length=300)] = USUAL) -> LampsTold:
    """Tell which lamps are described."""
    return await asyncio.to_thread(lambda: _told(lamps_draft(here.station, path), described(here.station)))


@router.put("/lamps", responses=refusals(401, 409, 415, 422))
async def change_lamps(here: ThisStation, wanted: LampsWanted, user: Editor) -> LampsTold:
    """Describe the lamps otherwise; comments stay. Needs the role change."""

    def changed() -> LampsTold:
        before = lamps_draft(here.station, wanted.path)
        if before.text is None:
            raise UnusableDocument(before.fault)
        data = edited(before.text or FOUR, [lamp.model_dump(exclude_none=True) for lamp in wanted.lamps], wanted.path)
        change = Change(wanted.path, data)
        edit(here.station, _says(before, wanted.lamps), [change], who=user.name, seen={wanted.path: wanted.seen})
        return _told(lamps_draft(here.station, wanted.path), described(here.station))

    return await asyncio.to_thread(changed)


@router.post("/looks", status_code=202, responses=refusals(401, 415, 422, 429))
async def look(request: Request, here: ThisStation, wanted: Wanted, _: Editor) -> JobTold:
    """Compute what the lamps bring out of a shot; the job comes to a look, of which the newest is kept."""
    app = request.app

    def work(telling: Telling) -> Look:
        looked = _computed(here, wanted, telling)
        app.state.looked = looked
        return looked.told

    return here.jobs.begin(page="light", says="Computing what the lamps bring out", work=work)


@router.get("/looks/newest", responses=refusals(401), dependencies=[Depends(needs("look"))])
async def newest(request: Request) -> Look | None:
    """Tell what was computed last, with which a page that is loaded again goes on; nothing where nothing was."""
    looked: _Looked | None = getattr(request.app.state, "looked", None)
    return None if looked is None else looked.told


@router.get(
    "/looks/{id}/{name}/tiles/{level}/{col}/{row}",
    responses={**refusals(401, 404, 422), 200: {"content": {"image/png": {}}}, 304: {}},
    response_class=Response,
    dependencies=[Depends(needs("look"))],
)
async def tile(
    request: Request,
    id: Annotated[str, Path(pattern="^[0-9a-f]{16}$")],
    name: Annotated[str, Path(pattern="^([a-z_]{1,20}|taken-[0-9]{1,2})$")],
    level: Annotated[int, Path(ge=0, le=20)],
    col: Annotated[int, Path(ge=0, le=10_000)],
    row: Annotated[int, Path(ge=0, le=10_000)],
    feature_px: Annotated[float, Query(ge=1, le=LARGEST_FEATURE_PX)] = USUAL_FEATURE_PX,
) -> Response:
    """Give a tile of a picture that was computed, or, as `taken-0` and so on, of one that was taken."""
    looked = _known(request, id)

    def picture() -> "NDArray[Any]":
        if name.startswith("taken-") and (k := int(name[6:])) < len(looked.pictures):
            return looked.pictures[k]
        if name not in PictureName.__args__:  # type: ignore[attr-defined]
            raise Refused(404, "there is no such picture", "see what the look names")
        return looked.viewable(name, feature_px)

    etag = f'"{id}-{name}-{feature_px:g}-{level}-{col}-{row}"'
    return await tile_answer(request, picture, level, col, row, etag)


@router.get("/looks/{id}/at", responses=refusals(401, 404, 422), dependencies=[Depends(needs("look"))])
async def at(
    request: Request,
    id: Annotated[str, Path(pattern="^[0-9a-f]{16}$")],
    x: Annotated[float, Query(ge=-0.5, le=1e6)],
    y: Annotated[float, Query(ge=-0.5, le=1e6)],
) -> Slopes:
    """Tell the slopes at a pixel."""
    return await asyncio.to_thread(_at, _known(request, id).relief, round(x), round(y))


def _says(before: LampsDraft, wanted: Sequence[Lamp]) -> str:
    """Return what an edit of the lamps does, in a few words."""
    there = [] if before.document is None else [_lamp(one) for one in before.document.table.light]
    others = [lamp.id for lamp in wanted if lamp not in there]
    if not there or not others:
        return "Describe the lamps"
    return f"Change the lamp{'s' if len(others) > 1 else ''} {', '.join(others)}"


def _told(draft: LampsDraft, others: Sequence[str]) -> LampsTold:
    document = draft.document
    table = None if document is None else document.table
    return LampsTold(
        path=draft.path,
        sha=draft.sha,
        lamps=[] if table is None else [_lamp(one) for one in table.light],
        exposures=[] if document is None else list(document.each),
        has_flat=table is not None and table.flat is not None,
        has_step=table is not None and table.step is not None,
        fault=draft.fault,
        others=list(others),
    )


def _lamp(table: Any) -> Lamp:
    return Lamp(
        id=table.id, azimuth_deg=table.azimuth_deg, elevation_deg=table.elevation_deg, position_mm=table.position_mm,
        gain=table.gain if table.gain != 1 else None, wavelength_nm=table.wavelength_nm,
        risk_group=table.risk_group,
    )  # fmt: skip


def _computed(here: Here, wanted: Wanted, telling: Telling) -> _Looked:
    from tiepoint.foundation.reasons import FLAGS, Reason
    from tiepoint.recipe.lit import Lit
    from tiepoint.recipe.lit_files import lamps_differ, pixels, placed, taken
    from tiepoint.station.draft_names import demand_draft
    from tiepoint.station.tie_files import load_tie
    from tiepoint.vision.relief import NAMES

    station = here.station
    draft = lamps_draft(station, wanted.lights)
    if draft.document is None:
        raise Refused(422, draft.fault or "no lamps are described yet", "describe them first", where="lights")
    document = draft.document
    telling(0, 4, "reading the pictures")
    loaded = taken([station.folder / demand_draft(one) for one in wanted.pictures], document)
    plane, height_mm = None, 0.0
    if wanted.tie is not None:
        plane, height_mm = placed(load_tie(station.folder / demand_draft(wanted.tie)), loaded[0])
    elif any(lamp.position_mm for lamp in document.table.light):
        raise Refused(422, "lamps at a place mean nothing without a tie", "choose the tie", where="tie")
    telling(1, 4, "slopes")
    lit = Lit(document, feature_px=wanted.feature_px)
    found = lit.told([pixels(one, document.by_channel) for one in loaded], plane, height_mm)
    if isinstance(found, Reason):
        raise Refused(422, found.sentence, where="pictures")
    telling(2, 4, "relief")
    _ = found.relief
    lamps = lit.lights(plane, height_mm)
    differing = lamps_differ(loaded, lamps, document) if wanted.is_plate else ()
    telling(3, 4, "pictures")
    telling(4, 4)
    seen = zip(lamps.lights, found.angles_of_lamps(), strict=True)
    told = Look(
        id=secrets.token_hex(8),
        pictures=wanted.pictures,
        tie=wanted.tie,
        width=loaded[0].size[0],
        height=loaded[0].size[1],
        unit=found.unit,
        relief_unit="relative" if found.scale is None else found.relief_unit,
        noise_grey=found.noise,
        feature_px=wanted.feature_px,
        names=list(NAMES),
        taken=list(document.each),
        lamps=[LampSeen(id=lamp.id, azimuth_deg=a, elevation_deg=e) for lamp, (a, e) in seen],
        says=[*(FLAGS[code].sentence for code in found.flags), *found.notes],
        faulty=[one.sentence for one in differing],
    )
    return _Looked(told, found, [one.grey for one in loaded])


def _at(relief: "Relief", x: int, y: int) -> Slopes:
    import math

    from tiepoint.vision.relief import CONFIDENT_SLOPE

    rows, cols = relief.albedo.shape
    if not (0 <= x < cols and 0 <= y < rows):
        raise Refused(422, "that is outside the picture", where="x")
    c = float(relief.confidence[y, x])
    if c <= 0:
        return Slopes(slope_x=None, slope_y=None, u=None)
    u = CONFIDENT_SLOPE * math.sqrt(1 / c - 1)
    return Slopes(slope_x=float(relief.slope_x[y, x]), slope_y=float(relief.slope_y[y, x]), u=u)


def _known(request: Request, id_: str) -> _Looked:
    looked: _Looked | None = getattr(request.app.state, "looked", None)
    if looked is None or looked.told.id != id_:
        raise Refused(404, "this look is not kept any more", "look again")
    return looked
