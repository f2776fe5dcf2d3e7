"""The page Duty: what the floor looks at, in one answer, and the drawing of a record."""

import asyncio
import time
from collections import OrderedDict
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Depends, Request, Response

from tiepoint.foundation.errors import TiepointError
from tiepoint.model.decide import Verdict
from tiepoint.station.duty.status import read_status
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.web.asking import NoLedger
from tiepoint.web.here import Here, here_of
from tiepoint.web.on_a_page import on_a_page
from tiepoint.web.pictures import is_picture, kept_with
from tiepoint.web.reading import At, Number, ThisStation, file_told
from tiepoint.web.reading import record_of as found_record
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.sessions import needs
from tiepoint.web.shapes import File, RecordInShort
from tiepoint.web.told import reading_written, record_in_short
from tiepoint.web.work.duty_shapes import (
    DetectionTold,
    DrawingTold,
    DutyNow,
    FirstReason,
    LinkTold,
    Missed,
    ReadingNow,
    RunTold,
    TimesTold,
    TrendPoint,
    YieldTold,
)

if TYPE_CHECKING:
    from tiepoint.station.drawn import Drawer
    from tiepoint.station.monitor import Monitor

FRESH_S = 0.5
"""For so long an answer is given again: many who look ask once."""
MOST_ASKED = 8
MOST_CAUSES = 8
SHOWN = 8
"""Last parts that did not conform that are shown."""

router = APIRouter(prefix="/api", tags=["duty"], dependencies=[Depends(needs("look"))])


class Board:
    """What the page's routes share in one application: the monitor, answers of a moment ago, and who draws."""

    def __init__(self, station: Station) -> None:
        self.station = station
        self.looking, self.drawing = asyncio.Lock(), asyncio.Lock()
        self._monitor: Monitor | None = None
        self._drawer: Drawer | None = None
        self._answers: OrderedDict[str, tuple[float, bytes]] = OrderedDict()
        self.pictures: OrderedDict[int, str] = OrderedDict()

    @property
    def monitor(self) -> "Monitor":
        """The monitor, made when somebody looks."""
        if self._monitor is None:
            from tiepoint.station.monitor import Monitor  # as in reading

            self._monitor = Monitor()
        return self._monitor

    @property
    def drawer(self) -> "Drawer":
        """The drawer, made when something is to be drawn: all of recipes comes with it."""
        if self._drawer is None:
            from tiepoint.station.drawn import Drawer

            self._drawer = Drawer(self.station)
        return self._drawer

    def recent(self, key: str) -> bytes | None:
        """Return an answer of a moment ago."""
        at, data = self._answers.get(key, (0.0, b""))
        return data if data and time.monotonic() - at < FRESH_S else None

    def remember(self, key: str, data: bytes) -> bytes:
        """Keep an answer for a moment."""
        self._answers[key] = time.monotonic(), data
        while len(self._answers) > MOST_ASKED:
            self._answers.popitem(last=False)
        return data


def board_of(request: Request) -> Board:
    """Return the board of the application that a request came to."""
    state = request.app.state
    if not hasattr(state, "board"):
        state.board = Board(here_of(request).station)
    found: Board = state.board
    return found


TheBoard = Annotated[Board, Depends(board_of)]


@router.get("/duty/now", responses=refusals(401, 422), response_model=DutyNow)
async def now(here: ThisStation, board: TheBoard, since: At = None) -> Response:
    """Tell in one answer what a person on the floor looks at; yield, counts and reasons `since` a time."""
    key = f"{since}"
    async with board.looking:
        data = board.recent(key)
        if data is None:
            told = await _now(here, board, since)
            data = board.remember(key, told.model_dump_json().encode())
    return Response(data, media_type="application/json", headers={"Cache-Control": "no-store"})


async def _now(here: Here, board: Board, since: str | None) -> DutyNow:
    try:
        return await here.asking(lambda ledger: _told(board, ledger, since))
    except NoLedger:
        return await here.asking.run(lambda: _nothing(board.station, since))


@router.get("/records/{seq}/drawing", responses=refusals(401, 404, 422), response_model=DrawingTold, tags=["records"])
async def drawing(here: ThisStation, board: TheBoard, seq: Number) -> Response:
    """Give where each step of a record sought and what it found, as lines in px; worked out once for all who ask."""
    entry, kept = await found_record(here, seq)
    if kept is None:
        raise Refused(404, "no picture of this record is kept, or not yet, so it is not drawn", code="not_kept")

    async def made() -> bytes:
        async with here.looking, board.drawing:
            drawn = await asyncio.to_thread(lambda: board.drawer.draw(entry, kept))
        return _as_json(drawn)

    data = await here.cache.get(f"drawing {entry.sha}", made)
    return Response(data, media_type="application/json", headers={"Cache-Control": "private, no-cache"})


def _as_json(drawn: Any) -> bytes:
    return DrawingTold.model_validate(asdict(drawn)).model_dump_json().encode()


# --- what is told ----------------------------------------------------------------------------------------------------


def _told(board: Board, ledger: Ledger, since: str | None) -> DutyNow:
    from tiepoint.station.monitor import yield_since
    from tiepoint.station.questions import Asked, last_not_conforming, last_records

    monitor, station = board.monitor, board.station
    monitor.look(ledger)
    last = next(iter(last_records(ledger, 1)), None)
    yielded, causes, times = yield_since(ledger, since), monitor.causes(ledger, since), monitor.times()
    missed = ledger.numbered(list(last_not_conforming(ledger, SHOWN, Asked())))
    rate = yielded.conforms
    return DutyNow(
        seq=0 if last is None else last.seq,
        since=since,
        last=None if last is None else RecordInShort(**record_in_short(last)),
        files=[] if last is None else _files(station, ledger, last.seq),
        readings=[] if last is None else _readings(monitor, last),
        counts=dict(yielded.counts),
        yielded=YieldTold(value=rate.value, low=rate.low, high=rate.high, n=rate.n),
        causes=[
            FirstReason(reading=c.reading, says=on_a_page(c.says), verdict=c.verdict, parts=c.parts)
            for c in causes.causes[:MOST_CAUSES]
        ],
        causes_of=causes.of,
        causes_among=causes.among,
        per_minute=monitor.per_minute(datetime.now(UTC)),
        times=None if times is None else TimesTold(p50_ms=1e3 * times.p50_s, p99_ms=1e3 * times.p99_s, n=times.n),
        deadline_ms=station.table.duty.deadline_ms,
        runs=_runs(station, None if last is None else last.body),
        links=_links(station),
        detection=_detection(station),
        not_conforming=[
            Missed(record=RecordInShort(**record_in_short(e)), picture=_picture(board, ledger, e.seq)) for e in missed
        ],
    )


def _nothing(station: Station, since: str | None) -> DutyNow:
    """Return what is told of a station that has no ledger yet."""
    none: dict[Verdict, int] = {"conforms": 0, "rejected": 0, "undecided": 0, "unread": 0}
    return DutyNow(
        seq=0, since=since, last=None, files=[], readings=[], counts=none,
        yielded=YieldTold(value=None, low=0, high=1, n=0),
        causes=[], causes_of=0, causes_among=0, per_minute=None, times=None,
        deadline_ms=station.table.duty.deadline_ms, runs=[], links=_links(station), detection=[], not_conforming=[],
    )  # fmt: skip


def _readings(monitor: "Monitor", last: Entry) -> list[ReadingNow]:
    from tiepoint.web.told import said_of

    readings: list[Mapping[str, Any]] = last.body["readings"]
    trends = monitor.trends([str(r["id"]) for r in readings])
    told = []
    for reading, trend in zip(readings, trends, strict=True):
        written, limits = reading_written(reading), reading["limits"] or {}
        about = {key: reading[key] for key in ("id", "name", "quantity", "kind", "step", "unit", "value", "U95")}
        told.append(
            ReadingNow(
                **about,
                written=written["value"],
                pm=written["pm"],
                limits=written["limits"],
                lower=limits.get("lower"),
                upper=limits.get("upper"),
                verdict=reading["verdict"],
                why=said_of(reading),
                trend=[TrendPoint(seq=p.seq, value=p.value, U95=p.U95, verdict=p.verdict) for p in trend.points],
            )
        )
    return told


def _runs(station: Station, last: Mapping[str, Any] | None) -> list[RunTold]:
    """Return what is accepted, by variant or by recipe."""
    from tiepoint.documents.files import read_document
    from tiepoint.station.accepted import MANIFEST, folder_of, pointers_of

    pointers = pointers_of(station)
    named = [*pointers.by_variant.items(), *(("", sha) for sha in pointers.by_recipe.values())]
    told = []
    for variant, sha in named:
        about: Mapping[str, Any] = {}
        with suppress(TiepointError):  # what is wrong with a copy is told by duty and by verify
            about = read_document(folder_of(station, sha) / MANIFEST, "accepted")
        recipe_sha = str(about.get("recipe_sha", ""))
        used = last is not None and last["recipe_sha"] == recipe_sha and (last.get("variant") or "") == variant
        told.append(
            RunTold(variant=variant, accepted_sha=sha, recipe=str(about.get("recipe", "")), recipe_sha=recipe_sha,
                    used=used)
        )  # fmt: skip
    return told


def _links(station: Station) -> list[LinkTold]:
    status = read_status(station.folder)
    state: Mapping[str, Any] = {} if status is None or not status.is_fresh else status.told.get("links") or {}
    says: Mapping[str, str] = {} if status is None or not status.is_fresh else status.links
    told = []
    cameras = {camera.name: camera for camera in station.table.camera}
    for name, camera in cameras.items():
        link = str(state.get(name, "not known"))
        told.append(LinkTold(name=name, what="camera", state=link, says=says.get(name, "")))
        # Lamps have no word of their own: what cannot set them is told by the camera that they belong to.
        lamps = () if camera.lamps is None else camera.lamps.lamp
        told += [LinkTold(name=lamp.name, what=f"lamp of {name}", state=link, says="") for lamp in lamps]
    told += [
        LinkTold(name=name, what="wire", state=str(link), says=says.get(name, ""))
        for name, link in state.items() if name not in cameras
    ]  # fmt: skip
    return told


def _detection(station: Station) -> list[DetectionTold]:
    if not station.table.watch.defect:
        return []
    from tiepoint.station.watch.hold import kept_reference
    from tiepoint.station.watch.state import read_state
    from tiepoint.station.watch.tally import CONTROL
    from tiepoint.studies.rates import rate

    reference = None
    with suppress(TiepointError):  # as an alarm it is told by the watch
        reference = kept_reference(station)
    tally = read_state(station, "" if reference is None else reference.sha).tally
    wanted = {defect.name: defect.at_least for defect in station.table.watch.defect}
    told = []
    for name, tried in tally.today.items():
        found = rate(tried.found, tried.shown)
        told.append(
            DetectionTold(
                defect=None if name == CONTROL else name,
                found=tried.found,
                shown=tried.shown,
                at_least=found.at_least,
                at_most=found.at_most,
                wanted=wanted.get(name),
                day=tally.day,
            )
        )
    return told


def _files(station: Station, ledger: Ledger, seq: int) -> list[File]:
    kept = kept_with(station, ledger, seq)
    return [] if kept is None else [file_told(seq, name, sha) for name, sha in kept.files.items()]


def _picture(board: Board, ledger: Ledger, seq: int) -> str | None:
    """Return where a picture of a record is to be had; once it is known it stays."""
    if seq not in board.pictures:
        kept = kept_with(board.station, ledger, seq)
        name = None if kept is None else next(filter(is_picture, kept.files), None)
        if name is None:
            return None
        board.pictures[seq] = f"/api/records/{seq}/files/{quote(name, safe='')}/preview?width=320"
        while len(board.pictures) > 4 * SHOWN:
            board.pictures.popitem(last=False)
    return board.pictures[seq]
