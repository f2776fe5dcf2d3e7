"""The routes that read: station, state, records and their pictures, counts, entries, studies, requirements, events."""

from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path as FilePath
from typing import Annotated, Any, Literal, TypeVar
from urllib.parse import quote

from fastapi import APIRouter, Depends, Path, Query, Request, Response

from tiepoint.documents.software import software
from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.decide import Verdict
from tiepoint.station.archive import Kept
from tiepoint.station.duty.status import read_status
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.questions import MOST, Asked, Count, counts, counts_per, last_entries
from tiepoint.web import shapes
from tiepoint.web.asking import NoLedger
from tiepoint.web.feed import EventStream
from tiepoint.web.here import Here, here_of
from tiepoint.web.on_a_page import on_a_page
from tiepoint.web.pictures import FileAnswer, is_picture, kept_bytes, kept_file, kept_with, preview, type_of
from tiepoint.web.rates import peer_of
from tiepoint.web.refused import Refused, refusals
from tiepoint.web.searching import AtLeast, AtMost, OfReading, Search, found
from tiepoint.web.sessions import ANYBODY, needs, sessions_of
from tiepoint.web.showing import TILE, Level, Place, shown_tile
from tiepoint.web.told import entry_in_short, reading_whole, record_in_short, state_told

LONGEST_MINUTES = timedelta(days=7)
LAST_NUMBER = 2**62

T = TypeVar("T")
At = Annotated[str | None, Query(max_length=40, examples=["2026-11-26T08:00:00Z"])]
Word = Annotated[str | None, Query(max_length=200)]
Number = Annotated[int, Path(ge=1, le=LAST_NUMBER)]
Before = Annotated[int | None, Query(ge=1, le=LAST_NUMBER)]
FileName = Annotated[str, Path(max_length=255)]
Width = Literal["320", "960", "1280"]
Many = Annotated[int, Query(ge=1, le=MOST)]
ThisStation = Annotated[Here, Depends(here_of)]

router = APIRouter(prefix="/api", dependencies=[Depends(needs("look"))])


@router.get("/station", responses=refusals(401, 422), tags=["station"])
async def station(here: ThisStation) -> shapes.StationTold:
    """Tell what the station is, and what was accepted to run on it."""

    def accepted() -> dict[str, dict[str, str]]:
        # All of recipes comes with it, which takes seconds, and who only looks need not wait for it to begin.
        from tiepoint.station.accepted import as_plain, pointers_of

        return as_plain(pointers_of(here.station))

    table, pointers = here.station.table, await here.asking.run(accepted)
    return shapes.StationTold(
        name=table.name,
        unit=table.unit,
        says=table.says,
        software=software(),
        cameras=[shapes.CameraTold(name=camera.name, says=camera.says) for camera in table.camera],
        variants=pointers["variants"],
        recipes=pointers["recipes"],
    )


@router.get("/state", responses=refusals(401), tags=["duty"])
async def state(here: ThisStation) -> shapes.StateTold:
    """Tell what duty is doing; a last word that is stale is told as such."""
    return shapes.StateTold(**await here.asking.run(lambda: state_told(read_status(here.station.folder))))


@router.get("/records", responses=refusals(401, 422), tags=["records"])
async def records(
    here: ThisStation,
    since: At = None,
    until: At = None,
    part_id: Word = None,
    verdict: Verdict | None = None,
    reading: Annotated[str | None, Query(max_length=200, description="Of which this reading does not conform.")] = None,
    of: OfReading = None,
    at_least: AtLeast = None,
    at_most: AtMost = None,
    recipe: Annotated[str | None, Query(max_length=64, description="By the recipe's hash.")] = None,
    variant: Word = None,
    before: Before = None,
    count: Many = 100,
) -> shapes.Records:
    """Tell the last records of a time (when they were written), a part, a verdict, a reading, a recipe or a variant.

    With `of`, `at_least` or `at_most` they are those in which the reading has such a verdict or value.
    """
    asked = Asked(since, until, part_id, verdict, reading, recipe, variant)
    search = Search(asked, of, at_least, at_most)
    entries: tuple[Entry, ...] = await _asked(here, lambda b: found(here.station, b, search, count, before), ())
    told = [shapes.RecordInShort(**record_in_short(entry)) for entry in entries]
    return shapes.Records(records=told, next=_next(entries, count))


@router.get("/records/{seq}", responses=refusals(401, 404, 422), tags=["records"])
async def record(here: ThisStation, seq: Number) -> shapes.RecordTold:
    """Tell a record whole, with the files that were kept of it."""
    entry, kept = await record_of(here, seq)
    return shapes.RecordTold(
        seq=seq,
        sha=entry.sha,
        prev_sha=entry.prev_sha,
        written_utc=entry.written_utc,
        record=dict(entry.body),
        readings=[shapes.WrittenWhole(**reading_whole(reading)) for reading in entry.body["readings"]],
        files=[] if kept is None else [file_told(seq, name, sha) for name, sha in kept.files.items()],
    )


@router.get(
    "/records/{seq}/files/{name}",
    responses={**refusals(401, 404, 409, 422), 200: {"content": {"application/octet-stream": {}}}, 304: {}},
    response_class=Response,
    tags=["records"],
)
async def file(here: ThisStation, request: Request, seq: Number, name: FileName) -> Response:
    """Give a file that was kept of a record, as the camera gave it; refused where it was altered since."""
    _, kept = await record_of(here, seq)
    if (known := _not_modified(request, kept, name, "")) is not None:
        return known
    opened = await here.asking.run(lambda: kept_file(here.station, kept, name))
    assert kept is not None
    return FileAnswer(opened, type_of(name), _kept_by_browsers(f'"{kept.files[name]}"'))


@router.get(
    "/records/{seq}/files/{name}/preview",
    responses={**refusals(401, 404, 409, 422), 200: {"content": {"image/jpeg": {}}}, 304: {}},
    response_class=Response,
    tags=["records"],
)
async def file_preview(
    here: ThisStation, request: Request, seq: Number, name: FileName, width: Width = "1280"
) -> Response:
    """Give a kept picture as JPEG of at most 1280 px in width, or of less, made once for all who ask."""
    kept = await _kept_picture(here, seq, name)
    if (known := _not_modified(request, kept, name, f"-{width}")) is not None:
        return known

    async def made() -> bytes:
        return await here.asking.run(lambda: preview(kept_bytes(here.station, kept, name), name, int(width)))

    sha = kept.files[name]
    data = await here.cache.get(f"preview {sha} {width} {name}", made)
    return Response(data, media_type="image/jpeg", headers=_kept_by_browsers(f'"{sha}-{width}"'))


@router.get(
    "/records/{seq}/files/{name}/tiles/{level}/{col}/{row}",
    responses={**refusals(401, 404, 409, 422), **TILE},
    response_class=Response,
    tags=["records"],
)
async def file_tile(
    here: ThisStation, request: Request, seq: Number, name: FileName, level: Level, col: Place, row: Place
) -> Response:
    """Give a tile of a kept picture: 512 px of it reduced by 2^level; PNG at level 0, JPEG above."""
    kept = await _kept_picture(here, seq, name)

    def as_kept() -> FilePath:
        with kept_file(here.station, kept, name):
            return kept.folder / name

    return await shown_tile(request, here, kept.files[name], lambda: here.asking.run(as_kept), level, col, row)


@router.get("/counts", responses=refusals(401, 422), tags=["records"])
async def counted(
    here: ThisStation,
    since: At = None,
    until: At = None,
    verdict: Verdict | None = None,
    recipe: Word = None,
    variant: Word = None,
    per: Literal["minute", "day"] | None = None,
) -> shapes.Counts:
    """Count records by recipe, variant and verdict; per minute (of at most seven days) or day where that is asked."""
    if per == "minute":
        since = since or (datetime.now(UTC) - timedelta(days=1)).isoformat(timespec="seconds")
        _demand_short(since, until)
    asked = Asked(since=since, until=until, verdict=verdict, recipe_sha=recipe, variant=variant)
    found: tuple[Count, ...] = await _asked(
        here, lambda b: counts(b, asked) if per is None else counts_per(b, per, asked), ()
    )
    return shapes.Counts(counts=[shapes.CountTold(**asdict(one)) for one in found])


@router.get("/acts", responses=refusals(401, 422), tags=["station"])
async def acts(here: ThisStation, before: Before = None, count: Many = 100) -> shapes.Entries:
    """Tell the last acts of people: what they accepted, agreed, studied, renamed."""
    return await _entries(here, "act", before, count)


@router.get("/duty", responses=refusals(401, 422), tags=["duty"])
async def duty(here: ThisStation, before: Before = None, count: Many = 100) -> shapes.Entries:
    """Tell what happened to the duty last: states, faults, challenges."""
    return await _entries(here, "duty", before, count)


@router.get("/alarms", responses=refusals(401, 422), tags=["duty"])
async def alarms(here: ThisStation) -> shapes.Alarms:
    """Tell which alarms of the watch are on, and what to do about each."""

    def on(ledger: Ledger) -> list[shapes.AlarmTold]:
        from tiepoint.station.watch.on import alarms_on  # as above

        return [
            shapes.AlarmTold(name=name, says=on_a_page(a.says), since_utc=a.since_utc, next=on_a_page(a.next))
            for name, a in alarms_on(here.station, ledger).items()
        ]

    return shapes.Alarms(alarms=await _asked(here, on, []))


@router.get("/studies", responses=refusals(401, 422), tags=["station"])
async def studies(here: ThisStation) -> shapes.Studies:
    """Tell all studies that the station keeps."""

    def told(ledger: Ledger) -> dict[str, Any]:
        from tiepoint.web.proving import studies_told  # as above

        return studies_told(here.station, ledger)

    return shapes.Studies(**await _asked(here, told, {"studies": []}))


@router.get("/requirements", responses=refusals(401, 422), tags=["station"])
async def requirements(here: ThisStation) -> shapes.Requirements:
    """Tell which requirement is shown, by which study; the first answer after a change takes a while."""

    def found(_: Ledger) -> dict[str, Any]:
        from tiepoint.web.proving import requirements_told  # as above

        return requirements_told(here.station)

    nothing: dict[str, Any] = {"says": "No requirement was agreed.", "requirements": []}
    async with here.proving:
        return shapes.Requirements(**await _asked(here, found, nothing))


@router.get(
    "/events",
    responses={**refusals(401, 422), 200: {"content": {"text/event-stream": {}}}},
    response_class=Response,
    tags=["duty"],
)
async def events(
    here: ThisStation,
    request: Request,
    after: Annotated[int | None, Query(ge=0, le=LAST_NUMBER, description="Begin after this entry.")] = None,
) -> Response:
    """Tell live what comes into the ledger, one event an entry, and the duty's state (server-sent events).

    The id of an event is its entry's number: a browser that lost the connection says it (Last-Event-ID), and is told
    all that came after it, once each.
    """
    last = request.headers.get("last-event-id", "")
    if last.isdecimal() and len(last) < 19:
        after = int(last)
    user, peer = sessions_of(request).who(request), peer_of(request.client.host if request.client else "")
    stream = here.feed.stream(after, peer if user is ANYBODY else user.name)
    return EventStream(stream, await anext(stream), here.cut)


# --- helpers ---------------------------------------------------------------------------------------------------------


async def _asked(here: Here, question: Callable[[Ledger], T], nothing: T) -> T:
    """Return the answer of the ledger, or `nothing` where there is none yet."""
    try:
        return await here.asking(question)
    except NoLedger:
        return nothing


async def _entries(here: Here, kind: str, before: int | None, count: int) -> shapes.Entries:
    found: tuple[Entry, ...] = await _asked(here, lambda b: last_entries(b, kind, count, before=before), ())
    told = [shapes.EntryTold(**entry_in_short(entry)) for entry in found]
    return shapes.Entries(entries=told, next=_next(found, count))


def _next(found: tuple[Entry, ...], count: int) -> int | None:
    return found[-1].seq if len(found) == count else None


async def record_of(here: Here, seq: int) -> tuple[Entry, Kept | None]:
    """Return a record and what was kept of it; refused where the entry is none."""

    def found(ledger: Ledger) -> tuple[Entry, Kept | None] | None:
        told = ledger.numbered([seq])
        if not told or told[0].kind != "record":
            return None
        return told[0], kept_with(here.station, ledger, seq)

    answer = await _asked(here, found, None)
    if answer is None:
        raise Refused(404, f"entry {seq} of the ledger is no record", "see /api/records for those that there are")
    return answer


async def _kept_picture(here: Here, seq: int, name: str) -> Kept:
    """Return the kept shot of a record that has a picture of this name; refused where none has."""
    _, kept = await record_of(here, seq)
    if kept is None or name not in kept.files or not is_picture(name):
        raise Refused(404, "no picture of that name was kept of this record", "see the record for those that were")
    return kept


def file_told(seq: int, name: str, sha: str) -> shapes.File:
    """Return what is told of a kept file."""
    href = f"/api/records/{seq}/files/{quote(name, safe='')}"
    return shapes.File(name=name, sha256=sha, href=href, preview=f"{href}/preview" if is_picture(name) else None)


def _not_modified(request: Request, kept: Kept | None, name: str, more: str) -> Response | None:
    """Return the answer to a browser that has a file already."""
    sha = None if kept is None else kept.files.get(name)
    if sha is None or f'"{sha}{more}"' not in request.headers.get("if-none-match", ""):
        return None
    return Response(status_code=304, headers=_kept_by_browsers(f'"{sha}{more}"'))


def _kept_by_browsers(etag: str) -> dict[str, str]:
    # Asked for again each time: who is logged out sees nothing any more, but is sent nothing twice either.
    return {"ETag": etag, "Cache-Control": "private, no-cache"}


def _demand_short(since: str, until: str | None) -> None:
    try:
        begin = datetime.fromisoformat(since)
        end = datetime.now(UTC) if until is None else datetime.fromisoformat(until)
        begin, end = (t if t.tzinfo is not None else t.replace(tzinfo=UTC) for t in (begin, end))
        is_short = end - begin <= LONGEST_MINUTES
    except (ValueError, OverflowError) as error:
        raise UnusableInput(
            f"{since[:40]!r} or {(until or '')[:40]!r} is no time; write 2026-11-26T08:00:00Z"
        ) from error
    if not is_short:
        raise UnusableInput("minutes are counted over seven days at most; ask for days, or for less")
