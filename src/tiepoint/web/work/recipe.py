"""The recipe page: drafts judged on a shot while they are edited, taught, painted over and run over folders."""

import asyncio
import json
from collections import Counter
from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Request
from fastapi.responses import Response

from tiepoint.web.here import Here, here_of
from tiepoint.web.jobs import LOOKERS_WAITING, JobTold, Telling
from tiepoint.web.refused import Refused, refusals, told_here
from tiepoint.web.sessions import needs
from tiepoint.web.tiles import tile_answer
from tiepoint.web.users import User
from tiepoint.web.work.recipe_shapes import (
    CardTold,
    Change,
    Edited,
    Folder,
    FolderTold,
    JudgedTold,
    NewRecipe,
    Outline,
    Paint,
    RanTold,
    RecipesTold,
    ShotInShort,
    ShotsTold,
    TaughtTold,
    Teach,
    Try,
)

ThisStation = Annotated[Here, Depends(here_of)]
Anyone = Annotated[User, Depends(needs("look"))]
Editor = Annotated[User, Depends(needs("change"))]
ORDER = {"rejected": 0, "unread": 1, "undecided": 2, "conforms": 3}

router = APIRouter(prefix="/api/recipe", tags=["recipe"])


def _room(request: Request) -> Any:
    # Made with the first question: all of recipes comes with it, which takes seconds.
    from tiepoint.web.work.recipe_room import Room

    state = request.app.state
    if not hasattr(state, "recipe_room"):
        state.recipe_room = Room(here_of(request).station)
    return state.recipe_room


@router.get("/card", responses=refusals(401), dependencies=[Depends(needs("look"))])
async def card() -> CardTold:
    """Tell the step card: every installed kind of step, by what it gives, with the keys that its form asks for."""
    from tiepoint.station.recipes.forms import edge_fields, grip_fields, head_fields, step_card
    from tiepoint.vision.relief import NAMES

    def work() -> CardTold:
        return CardTold(
            kinds=list(step_card()),
            head=head_fields(),
            edge=edge_fields(),
            grip=grip_fields(),
            relief=list(NAMES),
        )

    return await asyncio.to_thread(work)


@router.get("/drafts", responses=refusals(401, 422), dependencies=[Depends(needs("look"))])
async def drafts(here: ThisStation) -> RecipesTold:
    """Tell the drafts of recipes, and what a new one may rest on."""
    from tiepoint.web.work.recipe_judging import recipes

    return await asyncio.to_thread(recipes, here.station)


@router.post("/drafts", status_code=201, responses=refusals(401, 409, 415, 422))
async def begin(here: ThisStation, wanted: NewRecipe, user: Editor) -> Edited:
    """Begin a recipe. Needs the role change."""
    from tiepoint.station import drafting
    from tiepoint.station.recipes.drafts import new_recipe

    if (wanted.height is None) != (wanted.u_height is None):
        raise Refused(422, "a height comes with its u_height", "give its standard uncertainty too", where="u_height")
    height = None if wanted.height is None or wanted.u_height is None else (wanted.height, wanted.u_height)

    def work() -> Edited:
        made = new_recipe(here.station, wanted.name, wanted.tie, wanted.unit, height)
        says = f"Begin the recipe {wanted.name}"
        step = drafting.edit(here.station, says, [made], who=user.name, seen={made.path: None})
        return Edited(sha=drafting.sha_of(here.station, made.path) or "", step=made.path, number=step.number, says=says)

    return await asyncio.to_thread(work)


@router.get("/shots", responses=refusals(401, 422), dependencies=[Depends(needs("look"))])
async def shots(here: ThisStation) -> ShotsTold:
    """Tell the shots of the station's own folders that can be worked on; kept ones go by `record/` and their entry."""
    from tiepoint.station.recipes.shots import shot_files

    def work() -> ShotsTold:
        found = [ShotInShort(ref=s.ref, name=s.name, folder=s.folder) for s in shot_files(here.station)]
        return ShotsTold(shots=found, folders=list(dict.fromkeys(s.folder for s in found)))

    return await asyncio.to_thread(work)


@router.post("/try", response_model=JudgedTold, responses=refusals(401, 409, 415, 422))
async def try_it(request: Request, wanted: Try, user: Anyone) -> Response:
    """Judge a draft on a shot: as it is, or as if it had been edited; nothing is written.

    A draft that cannot be judged says why in `fault`. While a hand moves (`live`), what is asked for next takes the
    place of what waits: that is refused as `overtaken`.
    """
    room = _room(request)
    ticket = room.ticket(user.name) if wanted.live else None

    def work() -> bytes:
        from tiepoint.web.work.recipe_judging import judge

        told = room.alone(lambda: judge(room, wanted), user.name, ticket)
        # Written at once: the models above describe it, and would take longer than the judging.
        return json.dumps(told, ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=str).encode()

    return Response(await asyncio.to_thread(work), media_type="application/json")


@router.post("/edit", responses=refusals(401, 409, 415, 422))
async def edit(request: Request, wanted: Change, user: Editor) -> Edited:
    """Edit a draft; refused, at its field, where it could not be run then. Needs the role change."""

    def work() -> Edited:
        from tiepoint.web.work.recipe_judging import change

        return change(_room(request), wanted, user.name)

    return await _alone(request, work)


@router.post("/mask", responses=refusals(401, 409, 415, 422))
async def mask(request: Request, wanted: Paint, user: Editor) -> Edited:
    """Paint over a step's region, wherever it goes; or take its mask away. Needs the role change."""

    def work() -> Edited:
        from tiepoint.web.work.recipe_judging import paint

        return paint(_room(request), wanted, user.name)

    return await _alone(request, work)


async def _alone(request: Request, work: Callable[[], Edited]) -> Edited:
    done: Edited = await asyncio.to_thread(_room(request).alone, work)
    return done


@router.post("/teach", status_code=202, responses=refusals(401, 409, 415, 422))
async def teach(request: Request, here: ThisStation, wanted: Teach, user: Editor) -> JobTold:
    """Teach a step: begins a job, whose result is what was learnt, in sentences. Needs the role change."""
    room = _room(request)

    def work(telling: Telling) -> TaughtTold:
        from tiepoint.recipe.station import seen_of
        from tiepoint.station import drafting
        from tiepoint.station.recipes.drafts import recipe_draft, taught
        from tiepoint.station.recipes.text import plain
        from tiepoint.web.work.recipe_judging import lights_of

        draft = recipe_draft(here.station, wanted.recipe)
        if draft.sha != wanted.sha:
            raise Refused(409, f"{wanted.recipe} was changed since you last saw it", "teach again", code="changed")
        content = plain(draft.data or b"", wanted.recipe)
        lights, shown = lights_of(here.station, content), []
        for k, ref in enumerate(wanted.shots):
            telling(k, len(wanted.shots), ref)
            _, loaded = room.alone(lambda ref=ref: room.shot(ref, lights))
            job = room.alone(
                lambda loaded=loaded: room.bench(wanted.recipe).job(content, _variant(room, wanted, loaded))
            )
            shown.append((job, seen_of(loaded)))
        done = taught(room.path(wanted.recipe), wanted.step, shown, here.station.folder)
        telling.check()
        drafting.edit(
            here.station, f"Teach {wanted.step}", done.changes, who=user.name, seen={wanted.recipe: wanted.sha}
        )  # fmt: skip
        return TaughtTold(lines=list(done.lines), sha=drafting.sha_of(here.station, wanted.recipe) or "")

    return here.jobs.begin(page="recipe", says=f"Teaching {wanted.step}", work=work)


@router.post("/outline", responses=refusals(401, 409, 415, 422))
async def outline(request: Request, wanted: Outline, user: Editor) -> TaughtTold:
    """Teach a find the outline of a drawing, whose coordinates are those of the part. Needs the role change."""

    def work() -> TaughtTold:
        from tiepoint.web.work.recipe_judging import teach_by_drawing

        return teach_by_drawing(_room(request), wanted, user.name)

    done: TaughtTold = await asyncio.to_thread(_room(request).alone, work)
    return done


def _variant(room: Any, wanted: Teach, loaded: Any) -> str | None:
    return wanted.variant or (loaded.shot.variant if room.station.variants_path is not None else None)


@router.post("/folder", status_code=202, responses=refusals(401, 415, 422, 429))
async def folder(request: Request, here: ThisStation, wanted: Folder, user: Anyone) -> JobTold:
    """Run a draft over a folder of shots, or over the last kept ones: begins a job; the gravest come first."""
    room = _room(request)
    if (wanted.folder is None) == (wanted.kept is None):
        raise Refused(422, "name either a folder or a number of kept shots", where="folder")

    def work(telling: Telling) -> FolderTold:
        from tiepoint.station.recipes.over import over_folder, over_kept

        path = room.path(wanted.recipe)
        shots = (
            over_kept(here.station, path, wanted.kept, wanted.variant)
            if wanted.kept is not None
            else over_folder(here.station, path, wanted.folder or "", wanted.variant)
        )
        ran = []
        for one in shots:
            telling(one.done, one.of, one.name)
            thumb = "" if one.ran.loaded is None else room.thumb(one.ref, one.ran.loaded)
            told: dict[str, Any] = {"ref": one.ref, "name": one.name, "was": one.was, "thumb": thumb}
            told["why"] = told_here(one.why, here.station.folder)
            ran.append(RanTold(verdict=one.ran.record.verdict, ms=one.spent_ms, **told))
        ran.sort(key=lambda r: ORDER[r.verdict])
        return FolderTold(ran=ran, counts=Counter(r.verdict for r in ran))

    what = wanted.folder if wanted.folder is not None else f"the last {wanted.kept} kept shots"
    most = None if user.may("change") else LOOKERS_WAITING
    return here.jobs.begin(page="recipe", says=f"Running over {what}", work=work, most=most)


@router.get(
    "/tiles/{stamp}/{role}/{ref:path}/{level}/{col}/{row}",
    response_class=Response,
    responses=refusals(401, 404, 422),
    dependencies=[Depends(needs("look"))],
)
async def tile(
    request: Request,
    here: ThisStation,
    stamp: Annotated[str, Path(pattern="^[0-9a-f]{12}$")],
    role: Annotated[str, Path(max_length=80)],
    ref: Annotated[str, Path(max_length=400)],
    level: Annotated[int, Path(ge=0, le=8)],
    col: Annotated[int, Path(ge=0, le=4000)],
    row: Annotated[int, Path(ge=0, le=4000)],
) -> Response:
    """Tell a tile of a picture of a shot that is worked on: 512 px of it, halved so many times."""
    room = _room(request)
    async with here.looking:
        return await tile_answer(request, lambda: room.pixels(ref, role), level, col, row, f'"{stamp}"')
