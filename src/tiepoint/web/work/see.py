"""See: the live picture and its numbers, what is set at the camera, and how it looks held as accepted."""

import asyncio
import math
import time
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Path, Query, Request, Response

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.station.folder import STATION, Station, open_station
from tiepoint.station.ledger_chain import utc_now
from tiepoint.station.lock import is_on_duty
from tiepoint.web.acts import line_of
from tiepoint.web.eyes import BENCH, Eyes, offers
from tiepoint.web.here import Here, here_of
from tiepoint.web.refused import Refused, refusals, refused_by, told_here
from tiepoint.web.sessions import needs
from tiepoint.web.tiles import tile_answer
from tiepoint.web.users import User
from tiepoint.web.work.lengths import at_field
from tiepoint.web.work.see_shapes import (
    Agreed,
    AimTold,
    BenchTold,
    HeldTold,
    Hold,
    Holding,
    LightTold,
    LiveTold,
    LookTold,
    NumberTold,
    PlaceTold,
    SeeTold,
    Set,
    SetTold,
    SourceTold,
)  # fmt: skip

if TYPE_CHECKING:
    from tiepoint.station.see.eye import Eye, Looked
    from tiepoint.station.see.held import HeldSight

LONGEST_WAIT_S, AGAIN_S = 10.0, 0.03
WIDEST_PX = 1600

router = APIRouter(prefix="/api/see", tags=["see"])
ThisStation = Annotated[Here, Depends(here_of)]
Looker = Annotated[User, Depends(needs("look"))]
Editor = Annotated[User, Depends(needs("change"))]


@router.get("", responses=refusals(401, 422))
async def see(here: ThisStation, _: Looker) -> SeeTold:
    """Tell where pictures come from, what was agreed of them, and what was held as accepted."""
    return await asyncio.to_thread(_see, here.station)


@router.get("/live", responses=refusals(401, 404, 422))
async def live(
    here: ThisStation,
    _: Looker,
    source: Annotated[str, Query(min_length=1, max_length=200)],
    after: Annotated[int, Query(ge=0, le=2**53)] = 0,
    wait_s: Annotated[float, Query(ge=0, le=LONGEST_WAIT_S)] = 5.0,
) -> LiveTold:
    """Tell the newest picture's numbers, once there is one later than `after`; without `look` where none came.

    Who asks has the camera taken up; it is let go of when nobody has asked for some seconds. On duty no camera is
    opened.
    """
    station = await asyncio.to_thread(_now, here)
    eye = await asyncio.to_thread(here.eyes.of, station, source)
    until = time.monotonic() + wait_s
    looked = eye.ask()
    while (looked is None or looked.number <= after) and time.monotonic() < until and not here.feed.closing.is_set():
        await asyncio.sleep(AGAIN_S)
        looked = eye.ask()
    if looked is not None and looked.number <= after:
        looked = None
    return await asyncio.to_thread(_live, here, station, source, eye, looked)


SourceAsked = Annotated[str, Query(min_length=1, max_length=200)]
NumberAsked = Annotated[int, Query(ge=1, le=2**53)]
Place = Annotated[int, Path(ge=0, le=4096)]


@router.get("/picture", responses={**refusals(401, 404, 422), 200: {"content": {"image/jpeg": {}}}})
async def picture(here: ThisStation, _: Looker, source: SourceAsked, number: NumberAsked) -> Response:
    """Give the newest picture as JPEG, at most 1600 px wide; `number` keeps it apart from those before."""
    looked = _newest(here, source)
    data = await asyncio.to_thread(_jpeg, looked.seen.loaded.pixels, looked.sight.exposure.full)
    kept = "private, max-age=60, immutable" if looked.number == number else "no-store"
    return Response(data, media_type="image/jpeg", headers={"Cache-Control": kept})


@router.get(
    "/tiles/{level}/{col}/{row}",
    responses={**refusals(401, 404, 422), 200: {"content": {"image/png": {}, "image/jpeg": {}}}},
)
async def tiles(
    request: Request, here: ThisStation, _: Looker, source: SourceAsked, number: NumberAsked, level: Place, col: Place,
    row: Place,
) -> Response:  # fmt: skip
    """Give a tile of the newest picture, for who looks closer while it stands."""
    looked = _newest(here, source)
    pixels = looked.seen.loaded.pixels
    return await tile_answer(request, lambda: pixels, level, col, row, f'"see-{looked.number}-{number}"')


@router.post("/set", responses=refusals(401, 409, 415, 422))
async def set_camera(here: ThisStation, wanted: Set, _: Editor) -> SetTold:
    """Set exposure, gain and lamps where the camera allows it; refused while the station is on duty. Role change.

    Caution: light that flashes 3 to 30 times a second can trigger photosensitive epilepsy; ultraviolet and infrared
    light is not seen, and may harm all the same. Ask the supplier for the risk group of every lamp (IEC 62471).
    """
    return await asyncio.to_thread(_set, here, wanted)


@router.put("/agreed", responses=refusals(401, 409, 415, 422))
async def agree(here: ThisStation, wanted: Agreed, user: Editor) -> Agreed:
    """Write into station.toml what a picture is to be like. Role change."""
    return await asyncio.to_thread(_agree, here.station, wanted, user.name)


@router.post("/hold", status_code=201, responses=refusals(401, 409, 415, 422))
async def hold(here: ThisStation, wanted: Hold, user: Editor) -> Holding:
    """Hold the last pictures as accepted, as tiepoint hold does: the reference of the watch. Needs the role change."""
    why = line_of("why", wanted.why)
    async with here.accepting:
        return await asyncio.to_thread(_hold, here, wanted.source, user.name, why)


# --- what they do ----------------------------------------------------------------------------------------------------


def _now(here: Here) -> Station:
    """Return the station as station.toml has it now: a camera may have been named since the start."""
    return open_station(here.station.folder)


def _see(station: Station) -> SeeTold:
    from tiepoint.station.see.held import kept_sight

    station = open_station(station.folder)
    held, fault = None, ""
    try:
        held = kept_sight(station)
    except TiepointError as error:
        fault = refused_by(error, station.folder).says
    return SeeTold(
        sources=[SourceTold(id=o.id, name=o.name, kind=o.kind, why_not=o.why_not) for o in offers(station)],
        on_duty=is_on_duty(station.folder),
        agreed=Agreed(**station.table.see.model_dump(exclude={"target"})),
        held=None if held is None else _held_told(held),
        held_fault=fault,
    )


def _held_told(held: "HeldSight") -> HeldTold:
    return HeldTold(
        at_utc=held.at_utc, who=held.who, why=held.why, camera=held.camera, entry=held.entry, watch=held.watch
    )


def _newest(here: Here, source: str) -> "Looked":
    eye = here.eyes.known(source)
    if eye is None or eye.looked is None:
        raise Refused(404, "there is no picture of that place yet", "ask /api/see/live for one first")
    return eye.looked


def _jpeg(pixels: Any, full: float) -> bytes:
    import cv2
    import numpy as np

    if pixels.dtype != np.uint8:
        scale = 255.0 / full if math.isfinite(full) and full > 0 else 1.0
        pixels = np.clip(pixels * scale, 0, 255).astype(np.uint8)
    height, width = pixels.shape[:2]
    if width > WIDEST_PX:
        pixels = cv2.resize(
            pixels, (WIDEST_PX, max(1, round(height * WIDEST_PX / width))), interpolation=cv2.INTER_AREA
        )
    if pixels.ndim == 3:
        pixels = cv2.cvtColor(np.ascontiguousarray(pixels[:, :, :3]), cv2.COLOR_RGB2BGR)
    _, out = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, 88])
    return out.tobytes()


def _live(here: Here, station: Station, source: str, eye: "Eye", looked: "Looked | None") -> LiveTold:
    link, says = eye.link
    known = eye.looked
    return LiveTold(
        source=source,
        number=0 if known is None else known.number,
        link=link,
        link_says=told_here(says, station.folder),
        on_duty=is_on_duty(station.folder),
        set=_set_told(here.eyes, source, eye),
        look=None if looked is None else _look(station, source, looked),
    )


def _look(station: Station, source: str, looked: "Looked") -> LookTold:
    from tiepoint.station.see.held import changed_since, kept_sight
    from tiepoint.station.see.told import account_of, not_as_held, numbers_of

    agreed, sight = station.table.see, looked.sight
    try:
        held = kept_sight(station)
    except TiepointError:
        held = None
    if held is not None and held.camera != source:
        held = None
    rows = numbers_of(sight, looked.flicker, agreed, looked.scatter)
    account = account_of(sight, looked.flicker, agreed)
    changed = () if held is None else changed_since(held, rows)
    light, even = sight.exposure, sight.evenness
    return LookTold(
        picture=f"/api/see/picture?{urlencode({'source': source, 'number': looked.number})}",
        size=sight.size,
        name=looked.seen.name,
        taken_utc=looked.seen.taken_utc,
        per_s=round(looked.per_s, 2),
        pictures=looked.pictures,
        places=[
            PlaceTold(
                name=p.name, box=p.box, at=p.at, towards_deg=p.towards_deg, width_px=p.width_px, edges=p.edges,
                profile=list(p.profile), step_px=p.step_px, reason=p.reason,
                held_width_px=None if held is None else held.values.get(f"width|{p.name}"),
            )
            for p in sight.places
        ],
        light=LightTold(
            full=light.full, mean=light.mean, saturated=light.saturated, black=light.black, curve=list(light.curve),
            saturated_at=[list(one) for one in light.saturated_at], black_at=[list(one) for one in light.black_at],
            across=list(even.across), down=list(even.down), even_by=even.by, trace=list(looked.flicker.trace),
            flicker_reason=looked.flicker.reason,
        ),
        aim=_aim(sight.aim),
        held_aim=None if held is None else _aim(held.sight.aim),
        numbers=[_number(row, held, row.name in changed) for row in rows],
        good=account.good,
        says=account.says if not changed else f"{account.says} {not_as_held(rows, changed)}",
        to_do=list(account.to_do),
        lately=[[None if math.isnan(w) else round(w, 3) for w in one] for one in looked.lately],
    )  # fmt: skip


def _aim(aim: Any) -> AimTold | None:
    from tiepoint.station.see.told import squared

    if aim is None:
        return None
    return AimTold(
        outline=list(aim.outline), fills=aim.fills, corners_seen=aim.corners_seen, mm_per_px=aim.mm_per_px,
        lean_deg=aim.lean_deg, u95_deg=aim.u95_deg, farther=aim.farther, distance_mm=aim.distance_mm, how=aim.how,
        says=squared(aim),
    )  # fmt: skip


def _number(row: Any, held: "HeldSight | None", changed: bool) -> NumberTold:
    was = None if held is None else held.values.get(row.name)
    value, pm = _written(row.value, row.u95)
    return NumberTold(
        name=row.name, says=row.says, value=value, pm=pm, unit=row.unit, number=row.value, u95=row.u95,
        limit=row.limit, bound=row.bound, outside=row.outside, held=_written(was, row.u95)[0], held_number=was,
        changed=changed, reason=row.reason,
    )  # fmt: skip


def _written(value: float | None, u95: float | None) -> tuple[str, str]:
    """Return a value and its ± to the same place, two decimals at most: no more is of use while a ring is turned."""
    if value is None:
        return "", ""
    if u95 is None:
        return f"{value:.2f}", ""
    places = 2 if u95 < 0.1 else 1
    pm = max(math.ceil(u95 * 10**places - 1e-9), 1) / 10**places
    return f"{value:.{places}f}", f"{pm:.{places}f}"


def _set_told(eyes: Eyes, source: str, eye: "Eye") -> SetTold:
    means, seen = eye.means, eye.looked
    can = [name for name, is_so in (("exposure", means.exposure), ("gain", means.gain)) if is_so]
    can += ["lamps"] if means.lamps else []
    turned = eyes.bench.turned if source == BENCH else None
    if turned is not None:
        bench = BenchTold(
            focus_mm=turned.focus_mm, f_number=turned.f_number, lean_deg=turned.lean_deg,
            towards_deg=turned.towards_deg, room=turned.room,
        )  # fmt: skip
        return SetTold(
            exposure_s=turned.exposure_s, gain=turned.gain, lamps=dict(turned.lamps), can=can, bench=bench
        )  # fmt: skip
    lamps = {name: eye.lamps.get(name, 0.0) for name in means.lamps}
    frame = None if seen is None else seen.seen
    return SetTold(
        exposure_s=None if frame is None else frame.exposure_s, gain=None if frame is None else frame.gain,
        lamps=lamps, can=can, bench=None,
    )  # fmt: skip


def _set(here: Here, wanted: Set) -> SetTold:
    from tiepoint.station.cameras.delivery import Setting

    if wanted.source != BENCH and is_on_duty(here.station.folder):
        raise Refused(
            409, "nothing is set at a camera while the station is on duty", "take it off duty first", code="on_duty"
        )
    eye = here.eyes.of(_now(here), wanted.source)
    if wanted.bench is not None:
        if wanted.source != BENCH:
            raise Refused(422, "only the bench is turned from here", "turn the lens by hand", where="bench")
        for name, value in wanted.bench.model_dump(exclude_none=True).items():
            with at_field(here, f"bench.{name}"):
                here.eyes.bench.turn(**{name: value})
        eye.turned()
    for name in ("exposure_s", "gain"):
        value = getattr(wanted, name)
        if value is not None:
            with at_field(here, name):
                eye.set(Setting(**{name: value}))
    if wanted.lamps:
        with at_field(here, "lamps"):
            eye.set(Setting(lamps=wanted.lamps))
    return _set_told(here.eyes, wanted.source, eye)


def _agree(station: Station, wanted: Agreed, who: str) -> Agreed:
    import tomlkit

    from tiepoint.station.drafting import sha_of
    from tiepoint.station.station_edits import edit_station

    def put(document: tomlkit.TOMLDocument) -> None:
        section = document.setdefault("see", tomlkit.table())
        for name, value in wanted.model_dump().items():
            if section.get(name) != value:
                section[name] = value

    seen = sha_of(station, STATION)
    edit_station(station, "Agree on what a picture is to be like", put, who=who, seen=seen)
    return Agreed(**open_station(station.folder).table.see.model_dump(exclude={"target"}))


def _hold(here: Here, source: str, who: str, why: str) -> Holding:
    from tiepoint.station.see.held import hold_sight
    from tiepoint.station.see.told import numbers_of

    if source == BENCH:
        raise Refused(
            422, "what the bench shows is not held: it is not this station's camera", "choose a camera", where="source"
        )
    station = _now(here)
    eye = here.eyes.of(station, source)
    looked = eye.looked
    if looked is None:
        raise Refused(422, "there is no picture to be held yet", "look at the live picture first", where="source")
    numbers = numbers_of(looked.sight, looked.flicker, station.table.see, looked.scatter)
    try:
        holding, held = hold_sight(
            station, eye.shots(), looked.sight, numbers, camera=source, who=who, why=why, at_utc=utc_now()
        )
    except UnusableInput as error:
        raise refused_by(error, station.folder) from error
    return Holding(
        held=_held_told(held), shots=holding.reference.shots, watched=list(holding.watched),
        not_watched=list(holding.not_watched),
    )  # fmt: skip
