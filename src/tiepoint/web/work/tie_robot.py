"""The routes of a robot: a place in its numbers and back, inside an envelope or not, and the touch test of its tie."""

import asyncio
import math
from typing import TYPE_CHECKING, Annotated

from fastapi import APIRouter, Depends, Path, Query, Response
from pydantic import BaseModel, ConfigDict

from tiepoint.web.here import Here, here_of
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs
from tiepoint.web.users import User
from tiepoint.web.work.lengths import Typed, Unit, at_field, length_mm, needed_mm
from tiepoint.web.work.tie_asked import AskRobot, RobotTold, Rows
from tiepoint.web.work.tie_told import NumberTold, number_told
from tiepoint.web.work.tie_ways import tie_of, tie_place

if TYPE_CHECKING:
    from tiepoint.ties.grip_envelope import Envelope
    from tiepoint.ties.tie import Tie
    from tiepoint.ties.touch import TouchPoint

router = APIRouter(prefix="/api/tie", tags=["tie"], dependencies=[Depends(needs("look"))])
ThisStation = Annotated[Here, Depends(here_of)]
Editor = Annotated[User, Depends(needs("change"))]
Name = Annotated[str, Path(max_length=80)]
Count = Annotated[int, Query(ge=3, le=12)]
Text = Annotated[str, Query(max_length=60)]


class TouchPointTold(BaseModel):
    """A point to touch: its place in the plane, and what the robot should show there ± U (95 %), as text."""

    number: int
    plane_x: str
    plane_y: str
    x: str
    y: str
    U: NumberTold


class TouchTold(BaseModel):
    """Points to touch, none of which the tie was made from; `says`: why there is no touch test with this tie.

    `of`, `most`: of which robot a touch test is asked by what was agreed, and how far off it may be; else empty.
    """

    points: list[TouchPointTold]
    says: str
    of: str
    most: str


class Touched(BaseModel):
    """What the robot showed: rows of plane x, plane y, robot x, robot y; without the last two it was not touched.

    `u`: standard uncertainty of one coordinate of a touch; the tie's own scatter where it is empty. `keep`: as a study,
    of the robot `of`, as the requirements name it.
    """

    model_config = ConfigDict(extra="forbid")

    rows: Rows
    tolerance: Typed
    u: Typed = ""
    unit: Unit = "mm"
    keep: bool = False
    of: Typed = ""


class CheckedTold(BaseModel):
    """A touched point. `verdict`: against the tolerance, with the touching's own u as the guard; None with `why`."""

    row: int
    error_x: str
    error_y: str
    size: str
    verdict: str | None
    why: str


class TouchChecked(BaseModel):
    """What a touch test comes to. `study`: the ledger's entry that keeps it, where it was kept."""

    good: bool
    sentences: list[str]
    points: list[CheckedTold]
    study: int | None


@router.post("/robot", responses=refusals(401, 404, 422))
async def robot(here: ThisStation, asked: AskRobot) -> RobotTold:
    """Tell a place of the picture as the robot's numbers, or the robot's numbers as a place; nothing moves by it."""
    return await asyncio.to_thread(robot_told, here, asked)


@router.get("/robots/{name}/touch", responses=refusals(401, 404, 422))
async def touch(
    here: ThisStation, name: Name, points: Count = 6, pitch: Text = "", tolerance: Text = "", unit: Unit = "mm"
) -> TouchTold:
    """Tell points to touch with a robot, spread over its tie's region; with a `pitch`, corners of that target."""

    def found() -> TouchTold:
        from tiepoint.foundation.units import to_unit
        from tiepoint.report.tie_numbers import number

        _, chosen, says, _ = _points(here, name, points, pitch, tolerance, unit)
        of, most = _asked(here, unit)
        return TouchTold(
            says=says,
            of=of,
            most=most,
            points=[
                TouchPointTold(
                    number=p.number,
                    plane_x=_plain(p.plane_mm[0], unit),
                    plane_y=_plain(p.plane_mm[1], unit),
                    x=_plain(p.robot_mm[0], unit),
                    y=_plain(p.robot_mm[1], unit),
                    U=number_told(number(to_unit(p.U_mm, unit), to_unit(p.U_mm, unit), unit)),
                )
                for p in chosen
            ],
        )

    return await asyncio.to_thread(found)


@router.get(
    "/robots/{name}/touch.pdf",
    responses={**refusals(401, 404, 409, 422), 200: {"content": {"application/pdf": {}}}},
    response_class=Response,
)
async def sheet(
    here: ThisStation, name: Name, points: Count = 6, pitch: Text = "", tolerance: Text = "", unit: Unit = "mm"
) -> Response:
    """Give the sheet of points to touch, to print, with room for what the robot shows.

    Touch in reduced-speed manual mode with the enabling device in hand (ISO 10218), local rules first.
    """

    def made() -> bytes:
        from tiepoint.report.touch_sheet import touch_sheet

        tie, chosen, says, asked = _points(here, name, points, pitch, tolerance, unit)
        if says:
            raise Refused(409, says.rstrip("."))
        return touch_sheet(tie, chosen, asked)

    data = await asyncio.to_thread(made)
    return Response(data, media_type="application/pdf", headers={"Content-Disposition": 'inline; filename="touch.pdf"'})


@router.post("/robots/{name}/check", responses=refusals(401, 403, 404, 409, 415, 422))
async def check(here: ThisStation, name: Name, touched: Touched, user: Editor) -> TouchChecked:
    """Judge a robot's tie by points that were touched; kept as a study where that is asked. Needs the role change."""
    return await asyncio.to_thread(_checked, here, name, touched, user.name)


# --- what is done ----------------------------------------------------------------------------------------------------


def _robot(here: Here, name: str) -> "Tie":
    from tiepoint.station.tie_files import load_robot

    path = tie_place(here, name)
    with at_field(here, "name"):
        return load_robot(path)


def _points(
    here: Here, name: str, count: int, pitch: str, tolerance: str, unit: Unit
) -> "tuple[Tie, tuple[TouchPoint, ...], str, float | None]":
    from tiepoint.ties.touch import refusal, touch_points

    tie = _robot(here, name)
    apart = length_mm("pitch", pitch, unit, "the pitch of the target", least="above 0") or None
    asked = length_mm("tolerance", tolerance, unit, "the tolerance", least="above 0") or None
    with at_field(here, "name"):
        says = refusal(tie, asked)
    if says is not None:
        return tie, (), says, asked
    with at_field(here, "pitch" if apart else "points"):
        return tie, touch_points(tie, count, apart), "", asked


def _asked(here: Here, unit: Unit) -> tuple[str, str]:
    """Return of which robot a touch test was agreed on, and how far off it may be; empty where nothing was."""
    from tiepoint.foundation.units import MM_PER, to_unit
    from tiepoint.station.requirements import agreed_now

    agreed = agreed_now(here.station)
    asked = next((one for one in agreed.table.requirement if one.by == "touch"), None) if agreed else None
    if asked is None:
        return "", ""
    if asked.most is None or asked.unit not in MM_PER:
        return asked.of or "", ""
    return asked.of or "", f"{to_unit(asked.most * MM_PER[asked.unit], unit):.6g}"


def _plain(mm: float, unit: Unit) -> str:
    from tiepoint.foundation.units import to_unit

    # The z takes the sign off a zero.
    return f"{to_unit(mm, unit):z.{2 if unit == 'mm' else 4}f}"


def _checked(here: Here, name: str, touched: Touched, who: str) -> TouchChecked:
    from tiepoint.documents.canonical import sha256
    from tiepoint.documents.files import kind_of, read_document
    from tiepoint.foundation.rounding import MINUS
    from tiepoint.foundation.units import to_unit
    from tiepoint.station.touched import keep_touch, touch_of
    from tiepoint.ties.grip import planar_robot_refusal

    tie, path = _robot(here, name), here.station.folder / f"ties/{name}.json"
    if (said := planar_robot_refusal(tie)) is not None:
        raise Refused(422, said, where="name")
    tolerance = needed_mm("tolerance", touched.tolerance, touched.unit, "the tolerance")
    u_mm = length_mm("u", touched.u, touched.unit, "the u of a touch", least="0") if touched.u.strip() else None
    rows = [",".join(f"{v:.10g}" for v in row) for row in _touched_mm(touched)]
    table = "\n".join(["from_x,from_y,to_x,to_y", *rows, ""])
    with at_field(here, "rows"):
        found, outcome = touch_of(tie, sha256(read_document(path, kind_of(path) or "tie")), table, tolerance, u_mm)
    study = None
    if touched.keep:
        with at_field(here, "keep"):
            study = keep_touch(here.station, touched.of.strip() or None, outcome, table, who=who).seq
    digits = 3 if touched.unit == "mm" else 5

    def text(mm: float | None, sign: str = "") -> str:
        return "" if mm is None else f"{to_unit(mm, touched.unit):{sign}.{digits}f}".replace("-", MINUS)

    return TouchChecked(
        good=found.good,
        sentences=list(found.sentences),
        points=[
            CheckedTold(
                row=p.row,
                error_x=text(p.error_mm and p.error_mm[0], "+"),
                error_y=text(p.error_mm and p.error_mm[1], "+"),
                size=text(p.size_mm),
                verdict=p.verdict,
                why=p.why,
            )
            for p in found.points
        ],
        study=study,
    )


def _touched_mm(touched: Touched) -> list[tuple[float, float, float, float]]:
    """Return the rows that were touched, in mm; what cannot be read is said at its row."""
    rows = []
    for k, cells in enumerate(touched.rows):
        if not any(cell.strip() for cell in cells[2:]):
            continue
        told = []
        for name, cell in zip(("plane x", "plane y", "robot x", "robot y"), cells, strict=True):
            where, what = f"rows.{k}", f"{name} of row {k + 1}"
            if not cell.strip():
                raise Refused(422, f"{what} is empty", "type what the robot showed, or leave both empty", where=where)
            told.append(length_mm(where, cell, touched.unit, what))
        rows.append((told[0], told[1], told[2], told[3]))
    return rows


def robot_told(here: Here, asked: AskRobot) -> RobotTold:
    """Return a place of the picture as the robot's numbers, or the robot's numbers as a place of the picture."""
    from tiepoint.foundation.reasons import FLAGS
    from tiepoint.report.tie_map import tie_map
    from tiepoint.report.tie_numbers import in_unit, number
    from tiepoint.station.robot_places import CAUTION, apart, beyond, outline_px, place_seen, place_typed, robot_axes
    from tiepoint.web.work.tie_told import number_told

    (_, plane), (_, robot) = tie_of(here, asked.plane), tie_of(here, asked.robot)
    envelope = _envelope(here, asked)
    with at_field(here, "robot"):
        step, other = tie_map(plane).step_mm, apart(plane, robot)
        axes = list(robot_axes(plane, robot, step))
        place = None
        if asked.at is not None:
            place = place_seen(plane, robot, asked.at, asked.towards)
        elif asked.x.strip() and asked.y.strip():
            x, y = (length_mm(k, getattr(asked, k), asked.unit, f"the robot's {k}") for k in "xy")
            with at_field(here, "x"):
                place = place_typed(plane, robot, x, y, math.radians(_degrees("turn", asked.turn, 0.0)))
        outline = [] if envelope is None else outline_px(plane, robot, envelope)
    cautions = [CAUTION, *(FLAGS[code].sentence for code in robot.flags), *robot.notes[-1:]]
    if place is None or place.x is None or place.y is None or place.turn is None:
        at, says = (None, "") if place is None else (place.at_px, place.says)
        return RobotTold(
            at=at, ahead=None, x=None, y=None, turn=None, says=says, axes=axes, axes_mm=step, cautions=cautions,
            outline=outline, apart=other,
        )  # fmt: skip
    turn = number(math.degrees(place.turn.value), math.degrees(place.turn.U95), "°")
    return RobotTold(
        at=place.at_px, ahead=place.ahead_px, x=number_told(in_unit(place.x, asked.unit)),
        y=number_told(in_unit(place.y, asked.unit)), turn=number_told(turn), says="", axes=axes, axes_mm=step,
        cautions=cautions, beyond="" if envelope is None else beyond(place, envelope), outline=outline,
        apart=other,
    )  # fmt: skip


def _envelope(here: Here, asked: AskRobot) -> "Envelope | None":
    """Return the envelope that was typed; None where nothing was."""
    from tiepoint.ties.grip_envelope import Envelope, box

    typed = asked.envelope
    if typed is None or not any(text.strip() for text in typed.model_dump().values()):
        return None
    far = 1e7  # mm: what is not bounded

    def ends(axis: str) -> tuple[float, float]:
        names = f"{axis}_from", f"{axis}_to"
        low, high = (
            length_mm(f"envelope.{name}", getattr(typed, name), asked.unit, f"the envelope's {axis}", empty=empty)
            for name, empty in zip(names, (-far, far), strict=True)
        )
        return low, high

    x, y = ends("x"), ends("y")
    for axis, (low, high) in (("x", x), ("y", y)):
        if not low < high:
            raise Refused(
                422, f"the envelope's {axis} runs from {low:g} to {high:g}", "give the smaller first",
                where=f"envelope.{axis}_to",
            )  # fmt: skip
    is_boxed = any(abs(end) < far for end in (*x, *y))
    turns = _degrees("envelope.turn_from", typed.turn_from, -180.0), _degrees("envelope.turn_to", typed.turn_to, 180.0)
    with at_field(here, "envelope.turn_to"):
        return Envelope(box(x, y) if is_boxed else None, turn_rad=(math.radians(turns[0]), math.radians(turns[1])))


def _degrees(where: str, text: str, empty: float) -> float:
    from tiepoint.documents.tables import plain_number, with_plain_sign, with_point

    told = with_point(with_plain_sign(text.strip().removesuffix("°").strip()))
    value = plain_number(told) if told else empty
    if value is None or abs(value) > 3600:
        raise Refused(422, f"the turn reads {text[:40]!r}", "type degrees, as in 12.5", where=where)
    return value
