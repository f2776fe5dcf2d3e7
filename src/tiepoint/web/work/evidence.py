"""The page Evidence: any reading as a series with its spread, records as files, and whether all of it still holds."""

import asyncio
import csv
import io
import json
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

from fastapi import APIRouter, Depends, Path, Query, Request
from starlette.responses import StreamingResponse

from tiepoint.foundation.errors import TiepointError
from tiepoint.model.decide import Verdict
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.questions import Asked, seqs_of
from tiepoint.station.words import sentence
from tiepoint.web.asking import NoLedger
from tiepoint.web.here import Here, here_of
from tiepoint.web.jobs import JobTold, Telling
from tiepoint.web.reading import LAST_NUMBER, At, ThisStation, Word
from tiepoint.web.refused import Refused, refusals, told_here
from tiepoint.web.searching import AT_ONCE, AtLeast, AtMost, OfReading, Search, found
from tiepoint.web.sessions import needs
from tiepoint.web.shapes import Figure
from tiepoint.web.work.evidence_shapes import (
    AllSeries,
    BucketTold,
    Capabilities,
    Capability,
    SeriesSeen,
    SeriesTold,
    SpreadTold,
    Tick,
    Verified,
    Verify,
)

if TYPE_CHECKING:
    from tiepoint.station.kept import KeptStudy
    from tiepoint.station.trends import Named, Trends

T = TypeVar("T")

PAGE = 200
"""Records that are read for a file at once."""
MOST_TICKS = 7
MOST_FAULTS = 200

Seq = Annotated[int | None, Query(ge=0, le=LAST_NUMBER)]

router = APIRouter(prefix="/api/evidence", tags=["records"], dependencies=[Depends(needs("look"))])


# --- series ----------------------------------------------------------------------------------------------------------


@router.get("/series", responses=refusals(401, 422))
async def series(here: ThisStation) -> AllSeries:
    """Tell of which readings there are series."""
    return await _of_trends(here, _all, AllSeries(series=[], behind=0, of=0))


@router.get("/series/{number}", responses=refusals(401, 404, 422))
async def one_series(
    here: ThisStation,
    number: Annotated[int, Path(ge=1, le=LAST_NUMBER)],
    since: At = None,
    until: At = None,
    first: Seq = None,
    last: Seq = None,
    buckets: Annotated[int, Query(ge=1, le=2000)] = 400,
) -> SeriesSeen:
    """Give a series between two records, or two times, thinned so that no extreme is lost."""

    def seen(ledger: Ledger, trends: "Trends", behind: int) -> SeriesSeen | None:
        return _seen(ledger, trends, behind, number, _range(ledger, since, until, first, last), buckets)

    told = await _of_trends(here, seen, None)
    if told is None:
        raise Refused(404, "the station has no ledger yet", "it begins once something is accepted")
    return told


@router.post("/series", status_code=202, responses=refusals(401, 409, 422))
async def take_in(request: Request) -> JobTold:
    """Read what of the ledger was not read for the series yet; a job, since it takes minutes for a million records."""
    here = here_of(request)

    def work(telling: Telling) -> Mapping[str, Any]:
        from tiepoint.station.trends import Trends

        with Ledger(here.station.ledger_place) as ledger, Trends(here.station) as trends:
            left = trends.take_in(ledger, telling=lambda done, of: telling(done, of, "records read"))
        return {"behind": left}

    # One is enough, however many pages ask for it.
    same = [job for job in here.jobs.all() if job.page == "evidence" and job.says == _TAKING]
    under_way = next((job for job in same if job.state in ("waiting", "running")), None)
    return under_way or here.jobs.begin(page="evidence", says=_TAKING, work=work)


_TAKING = "Reading the ledger for trends"


async def _of_trends(here: Here, question: "Callable[[Ledger, Trends, int], T]", nothing: T) -> T:
    """Return the answer to a question about series; `nothing` where there is no ledger."""

    def asked(ledger: Ledger) -> T:
        from tiepoint.station.trends import Trends

        with Trends(here.station) as trends:
            behind = trends.behind(ledger)
            if behind <= AT_ONCE:
                behind = trends.take_in(ledger)
            return question(ledger, trends, behind)

    try:
        return await here.asking(asked)
    except NoLedger:
        return nothing


def _all(ledger: Ledger, trends: "Trends", behind: int) -> AllSeries:
    told = [SeriesTold.model_validate(one, from_attributes=True) for one in trends.series()]
    return AllSeries(series=told, behind=behind, of=ledger.head.seq)


def _range(
    ledger: Ledger, since: str | None, until: str | None, first: int | None, last: int | None
) -> tuple[int, int]:
    """Return between which records; none at all where a time has none."""
    within = (0, LAST_NUMBER)
    if since is not None or until is not None:
        within = seqs_of(ledger, Asked(since, until)) or (1, 0)
    return max(within[0], first or 0), min(within[1], LAST_NUMBER if last is None else last)


def _seen(
    ledger: Ledger, trends: "Trends", behind: int, number: int, within: tuple[int, int], buckets: int
) -> SeriesSeen:
    named = trends.named(number)
    first, last = max(within[0], named.first), min(within[1], named.last)
    found = trends.thinned(number, first, last, buckets) if first <= last else ()
    spread, says = _spread(trends, named, first, last) if found else (None, "No part of these has the reading.")
    return SeriesSeen(
        series=SeriesTold.model_validate(named, from_attributes=True),
        first=found[0].first if found else first,
        last=found[-1].last if found else last,
        buckets=[BucketTold.model_validate(one, from_attributes=True) for one in found],
        ticks=_ticks(ledger, [one.first for one in found] + [one.last for one in found[-1:]]),
        spread=spread,
        says=says,
        behind=behind,
    )


def _ticks(ledger: Ledger, seqs: list[int]) -> list[Tick]:
    """Return when some of the records were written, the first and the last among them."""
    steps = min(MOST_TICKS, len(seqs))
    chosen = sorted({seqs[round(k * (len(seqs) - 1) / max(1, steps - 1))] for k in range(steps)})
    return [Tick(seq=e.seq, written_utc=e.written_utc) for e in reversed(ledger.numbered(chosen))]


def _spread(trends: "Trends", named: "Named", first: int, last: int) -> tuple[SpreadTold | None, str]:
    from tiepoint.studies.spread import spread_of

    changed = first < named.limits_since <= last
    try:
        found = spread_of(trends.moments(named.id, first, last), named.lower, named.upper)
    except TiepointError as error:
        return None, sentence(str(error))
    says = f"The limits are those since record {named.limits_since}; before it they were others." if changed else ""
    return (
        SpreadTold(
            n=found.n,
            mean=_figure("mean", found.mean, named.unit),
            s=_figure("s", found.s, named.unit),
            pp=None if found.pp is None else _figure("Pp", found.pp, "1"),
            ppk=None if found.ppk is None else _figure("Ppk", found.ppk, "1"),
            says=says,
        ),
        "",
    )


def _figure(name: str, found: Any, unit: str) -> Figure:
    return Figure(name=name, value=found.value, low=found.low, high=found.high, unit=unit)


# --- capability ------------------------------------------------------------------------------------------------------


@router.get("/capability", responses=refusals(401, 422))
async def capability(here: ThisStation, reading: Annotated[str, Query(min_length=1, max_length=200)]) -> Capabilities:
    """Tell how capable the measurement of a reading was shown to be, by the studies that were kept of it."""

    def told(ledger: Ledger) -> Capabilities:
        from tiepoint.station.kept import kept_studies

        found = [s for s in kept_studies(here.station, ledger) if s.kind == "capability" and s.of == reading]
        return Capabilities(studies=[_capability(study) for study in reversed(found) if study.fault is None])

    try:
        return await here.asking(told)
    except NoLedger:
        return Capabilities(studies=[])


def _capability(study: "KeptStudy") -> Capability:
    outcome: Mapping[str, Any] = study.document.get("outcome", {})

    def q(which: str, name: str) -> Figure | None:
        one = (outcome.get(which) or {}).get("q")
        if not one or not all(isinstance(one.get(k), int | float) for k in ("value", "low", "high")):
            return None
        return Figure(name=name, value=one["value"], low=one["low"], high=one["high"], unit="1")

    return Capability(
        study=study.act.seq,
        written_utc=study.act.written_utc,
        q_ms=q("system", "Q_MS"),
        q_mp=q("process", "Q_MP"),
        good=study.good,
        replaced=None if study.replaced is None else study.replaced.seq,
        says=[str(one) for one in outcome.get("sentences", ())],
    )


# --- files -----------------------------------------------------------------------------------------------------------


@router.get(
    "/records.{ending}",
    responses={**refusals(401, 422), 200: {"content": {"text/csv": {}, "application/json": {}}}},
    response_class=StreamingResponse,
)
async def as_file(
    here: ThisStation,
    ending: Literal["csv", "json"],
    since: At = None,
    until: At = None,
    part_id: Word = None,
    verdict: Verdict | None = None,
    reading: Word = None,
    recipe: Word = None,
    variant: Word = None,
    of: OfReading = None,
    at_least: AtLeast = None,
    at_most: AtMost = None,
) -> StreamingResponse:
    """Give all records that are meant as a file, newest first: CSV with a row for each reading, or JSON.

    It is read as it is sent, so it may be of any length. Records that come meanwhile are not in it.
    """
    asked = Search(Asked(since, until, part_id, verdict, reading, recipe, variant), of, at_least, at_most)
    # What cannot be asked is refused now, and not in the middle of a file.
    begin = await _page(here, asked, None)
    made = _csv if ending == "csv" else _json
    kind = "text/csv; charset=utf-8" if ending == "csv" else "application/json"
    headers = {"Content-Disposition": f'attachment; filename="records.{ending}"', "Cache-Control": "no-store"}
    return StreamingResponse(made(_pages(here, asked, begin)), media_type=kind, headers=headers)


async def _page(here: Here, asked: Search, before: int | None) -> tuple[Entry, ...]:
    try:
        page: tuple[Entry, ...] = await here.asking(lambda b: found(here.station, b, asked, PAGE, before))
    except NoLedger:
        return ()
    return page


async def _pages(here: Here, asked: Search, page: tuple[Entry, ...]) -> AsyncIterator[tuple[Entry, ...]]:
    while page:
        yield page
        # A long part's id is looked at letter by letter, so that a page may be short of some, and yet not the last.
        page = await _page(here, asked, page[-1].seq)


async def _csv(pages: AsyncIterator[tuple[Entry, ...]]) -> AsyncIterator[bytes]:
    from tiepoint.recipe.records import COLUMNS

    head = io.StringIO()
    csv.writer(head, lineterminator="\r\n").writerow(COLUMNS)
    # A byte order mark, as `records.csv` has it: spreadsheets take it for the old code page without.
    yield f"\ufeff{head.getvalue()}".encode()
    async for page in pages:
        yield await asyncio.to_thread(_rows, page)


def _rows(page: tuple[Entry, ...]) -> bytes:
    from tiepoint.recipe.records import record_from, records_csv

    records = (record_from(entry.body, f"entry {entry.seq}", vouched=True) for entry in page)
    return records_csv(records).partition("\r\n")[2].encode()


async def _json(pages: AsyncIterator[tuple[Entry, ...]]) -> AsyncIterator[bytes]:
    yield b'{"records":['
    comma = ""
    async for page in pages:
        text = ",\n".join(json.dumps(e.body, ensure_ascii=False, allow_nan=False) for e in page)
        yield f"{comma}\n{text}".encode()
        comma = ","
    yield b"\n]}\n"


# --- verify ----------------------------------------------------------------------------------------------------------


@router.post("/verify", status_code=202, responses=refusals(401, 409, 422), dependencies=[Depends(needs("operate"))])
async def verify(request: Request, wanted: Verify) -> JobTold:
    """Look through all evidence of the station, as tiepoint verify does; a job, and its result is a `Verified`.

    Needs the role operate: it reads every kept picture.
    """
    here = here_of(request)
    station = here.station

    def work(telling: Telling) -> Verified:
        return verified(station, wanted, telling)

    return here.jobs.begin(page="evidence", says="Looking through the evidence", work=work)


def verified(station: Station, wanted: Verify, telling: Callable[[int, int, str], None]) -> Verified:
    """Return what was found, as the page is told it."""
    from tiepoint.station.verify import verify as look_through

    found = look_through(station, head=wanted.head, sample=wanted.sample, telling=telling)
    faults = list(_shortly(found.all_faults, station))
    return Verified(
        good=found.good,
        entries=found.chain.count,
        head=found.chain.head.sha,
        head_known=found.head_known,
        copies=found.copies,
        agreed=found.agreed,
        studies=found.studies,
        kept=found.kept,
        expired=len(found.expired),
        recomputed=len(found.recomputed),
        same=sum(one.same for one in found.recomputed),
        faults=faults[:MOST_FAULTS],
        more_faults=max(0, len(faults) - MOST_FAULTS),
        notes=list(_shortly((*found.notes, *found.not_recomputed), station)),
    )


def _shortly(sentences: tuple[str, ...], station: Station) -> Iterator[str]:
    """Yield sentences in which the station's folder is not told."""
    yield from (told_here(one, station.folder) for one in sentences)
