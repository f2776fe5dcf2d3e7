"""The page Prove: what was agreed and which of it is shown, studies with their pictures, what to do next."""

import asyncio
import hashlib
import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, TypeVar

from fastapi import APIRouter, Depends, Path, Query, Request, Response

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger, has_ledger
from tiepoint.web.acts import Done, line_of, not_taken
from tiepoint.web.here import Here, here_of
from tiepoint.web.refused import Refused, refusals, refused_by
from tiepoint.web.sessions import needs
from tiepoint.web.users import User
from tiepoint.web.work import prove_shapes as shapes
from tiepoint.web.work.prove_order_shapes import Agree, OrderDraft, OrderEdit, OrderTold, ToDoTold

if TYPE_CHECKING:
    from tiepoint.station.claims import Claims
    from tiepoint.station.kept import KeptStudy

T = TypeVar("T")
Editor = Annotated[User, Depends(needs("change"))]
ThisStation = Annotated[Here, Depends(here_of)]
Seq = Annotated[int, Path(ge=1, le=2**62)]
Theme = Annotated[str, Query(pattern="^(light|dark)$")]
PICTURE_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; font-src data:; img-src data:; sandbox",
    "Cache-Control": "private, no-cache",
}
"""Of a drawing: it holds its own faces and styles, and nothing in it may do anything."""

router = APIRouter(prefix="/api/prove", tags=["prove"], dependencies=[Depends(needs("look"))])


@router.get("", responses=refusals(401, 422))
async def prove(here: ThisStation) -> shapes.ProveTold:
    """Tell all that the page shows: the claims, the draft of what is agreed, studies, run sheets, what to do next."""
    async with here.proving:
        return await here.asking.run(lambda: _page(here.station))


def _page(station: Station) -> shapes.ProveTold:
    from tiepoint.web.work.prove_made import reports_of
    from tiepoint.web.work.prove_told import page_told

    return page_told(station, claims(station), reports_of(station))


def claims(station: Station) -> "Claims":
    """Return what is shown of what was agreed."""
    from tiepoint.station.claims import claims_now  # as above

    return claims_now(station)


# --- what is agreed --------------------------------------------------------------------------------------------------


@router.put("/order", responses=refusals(401, 409, 415, 422))
async def order(here: ThisStation, wanted: OrderEdit, user: Editor) -> OrderTold:
    """Write the draft of what is agreed, comments kept; refused where the file is not as the page saw it.

    Needs the role change.
    """
    return await asyncio.to_thread(_written, here.station, wanted, user.name)


def _written(station: Station, wanted: OrderEdit, who: str) -> OrderTold:
    from tiepoint.station.requirement_edits import write_draft
    from tiepoint.web.work.editing import step_told
    from tiepoint.web.work.prove_told import order_told, plain_order

    try:
        stated, needed = plain_order(wanted.order)
        _, step = write_draft(station, stated, needed, who=who, seen=wanted.seen)
    except UnusableDocument as error:
        raise refused_at(error, station, wanted.order) from error
    told, _ = order_told(station, claims(station))
    return told.model_copy(update={"step": step_told(step)})


_PLACE = re.compile(r"^(?:requirements\.toml: )?([a-z_]+(?:\[\d+\](?=[\[.])|\.[a-z_]+)*)(?:\[\d+\])? ")
"""The field that is named, without which of its lines it is: `control.again[0].tests` of `….tests[2]`."""
_FIELDS = (("figure", "figure"), ("limit", "most"), ("most", "most"), ("lower", "lower"), ("tested", "tested"))
"""By a word of what is said, the field that it is about."""
_NAMED = re.compile(r'(characteristic|requirement|influence) "([^"]*)"')


def refused_at(error: UnusableDocument, station: Station, wanted: OrderDraft) -> Refused:
    """Return the refusal of a draft, which names the field: `requirement[2].most`."""
    refused = refused_by(error, station.folder)
    says = refused.says.removeprefix("requirements.toml: ")
    if (named := _NAMED.search(says)) is not None:
        key = "id" if named[1] == "requirement" else "name"
        all_ = [getattr(one, key) for one in getattr(wanted, named[1])]
        told = says[named.end() :]
        field = next((field for word, field in _FIELDS if word in told), key)
        where = f"{named[1]}[{all_.index(named[2])}].{field}" if named[2] in all_ else named[1]
    else:
        place = _PLACE.match(says)
        where = "" if place is None else place[1]
    return Refused(422, says, refused.do, where=where)


@router.post("/agree", status_code=201, responses=refusals(401, 409, 415, 422))
async def agree(here: ThisStation, wanted: Agree, user: Editor) -> Done:
    """Agree on the draft as it is: dated by the ledger, it is what studies are held against from now on.

    Needs the role change.
    """
    why = line_of("why", wanted.why)
    async with here.accepting:
        return await asyncio.to_thread(_agreed, here.station, user.name, why)


def _agreed(station: Station, who: str, why: str) -> Done:
    from tiepoint.station.requirements import agree as agreed

    with not_taken(station):
        entry = agreed(station, who=who, why=why)
    if entry is None:
        raise Refused(409, "nothing differs from what is agreed", "change the draft first", code="not_taken")
    return Done(seq=entry.seq, sha=entry.sha, written_utc=entry.written_utc)


# --- studies ---------------------------------------------------------------------------------------------------------


@router.get("/studies/{seq}", responses=refusals(401, 404, 422))
async def study(here: ThisStation, seq: Seq) -> shapes.StudyTold:
    """Tell a kept study: its sentences, figures with their intervals, assumptions, and where its pictures are."""

    def told() -> shapes.StudyTold:
        from tiepoint.web.work.prove_told import study_told

        found = claims(here.station)
        return study_told(_of(found.studies, seq), found)

    return await here.asking.run(told)


@router.get(
    "/studies/{seq}/pictures/{name}.svg",
    responses={**refusals(401, 404, 422), 200: {"content": {"image/svg+xml": {}}}, 304: {}},
    response_class=Response,
)
async def picture(
    here: ThisStation,
    request: Request,
    seq: Seq,
    name: Annotated[str, Path(pattern="^[a-z]{1,20}$")],
    theme: Theme = "light",
) -> Response:
    """Give a picture of a study as a drawing with its own faces, in light or dark inks."""

    def drawn(study: "KeptStudy") -> str | None:
        from tiepoint.report.look import in_dark
        from tiepoint.web.work.prove_told import drawn_of

        made = next((one.svg for one in drawn_of(study) if one.name == name), None)
        return in_dark(made) if made is not None and theme == "dark" else made

    return await _drawing(here, request, seq, f"{name} {theme}", drawn)


@router.get(
    "/studies/{seq}/wrong/{k}.svg",
    responses={**refusals(401, 404, 422), 200: {"content": {"image/svg+xml": {}}}, 304: {}},
    response_class=Response,
)
async def wrong(here: ThisStation, request: Request, seq: Seq, k: Annotated[int, Path(ge=0, le=1000)]) -> Response:
    """Give the picture of a part that a trial judged wrongly, as it was kept with the trial."""

    def drawn(study: "KeptStudy") -> str | None:
        kept = list((study.document.get("pictures") or {}).values())
        return str(kept[k]) if k < len(kept) else None

    return await _drawing(here, request, seq, f"wrong {k}", drawn)


async def _drawing(
    here: Here, request: Request, seq: int, what: str, draw: "Callable[[KeptStudy], str | None]"
) -> Response:
    """Return a drawing of a kept study, made once: a study does not change."""

    def kept() -> "KeptStudy":
        return _of(_studies(here.station), seq)

    sha = str((await here.asking.run(kept)).act.body.get("sha", ""))
    etag = f'"{hashlib.sha256(f"{sha} {what}".encode()).hexdigest()[:32]}"'
    headers = {**PICTURE_HEADERS, "ETag": etag}
    if etag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)

    async def made() -> bytes:
        return (await here.asking.run(lambda: draw(kept())) or "").encode()

    data = await here.cache.get(f"prove {sha} {what}", made)
    if not data:
        raise Refused(404, "the study has no such picture", "see the study for those that it has")
    return Response(data, media_type="image/svg+xml", headers=headers)


def _studies(station: Station) -> "tuple[KeptStudy, ...]":
    from tiepoint.station.kept import kept_studies

    if not has_ledger(station.ledger_place):
        return ()
    with Ledger(station.ledger_place) as ledger:
        return tuple(kept_studies(station, ledger))


def _of(studies: "tuple[KeptStudy, ...]", seq: int) -> "KeptStudy":
    found = next((study for study in studies if study.act.seq == seq), None)
    if found is None:
        raise Refused(404, f"entry {seq} of the ledger is no study", "see /api/prove for those that there are")
    return found


# --- what to do next -------------------------------------------------------------------------------------------------


@router.get("/next", responses=refusals(401, 422))
async def next_(here: ThisStation) -> list[ToDoTold]:
    """Tell what would make readings surer, ranked by the good parts that it spares, from the newest records."""
    return await here.asking.run(lambda: _next(here.station))


def _next(station: Station) -> list[ToDoTold]:
    from contextlib import suppress

    from tiepoint.foundation.errors import TiepointError
    from tiepoint.station.to_do import newest_records, next_of_records, of_readings
    from tiepoint.web.work.prove_told import to_do_told

    if not has_ledger(station.ledger_place):
        return []
    with Ledger(station.ledger_place) as ledger:
        own = newest_records(ledger)
    found = {}
    for reading in {r.id: None for r in own[-1].readings if r.limits is not None and r.text is None} if own else ():
        with suppress(TiepointError):  # a reading of which too little is known tells nothing, and keeps no other quiet
            found[reading] = next_of_records(own, reading)
    return [to_do_told(one) for one in of_readings(found)]
