"""What the routes of the recipe page do, one function each: call a room, and put what it gives into an answer."""

import tempfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np

from tiepoint.documents.files import kind_of
from tiepoint.documents.names import portable
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.foundation.units import MM_PER
from tiepoint.recipe.kinds import installed_kinds
from tiepoint.recipe.lights import load_lights
from tiepoint.recipe.schema import SoughtTable
from tiepoint.recipe.shots import LoadedShot
from tiepoint.recipe.variants import load_variants
from tiepoint.station import drafting
from tiepoint.station.folder import Station
from tiepoint.station.recipes import drafts, edits, masking, tell
from tiepoint.station.recipes import text as texts
from tiepoint.station.recipes.gripping import robots_of
from tiepoint.station.recipes.places import Frame, frame_for, region_path, shape_in
from tiepoint.station.recipes.text import NoToml
from tiepoint.station.recipes.trying import Tried
from tiepoint.station.words import without_folder
from tiepoint.web.on_a_page import on_a_page
from tiepoint.web.refused import Refused, refused_by
from tiepoint.web.work.recipe_room import Room
from tiepoint.web.work.recipe_shapes import (
    Change,
    Edited,
    Outline,
    Paint,
    RecipeInShort,
    RecipesTold,
    TaughtTold,
    Try,
    VariantInShort,
    Working,
)

Plain = dict[str, Any]
_PLAIN = edits.Put | edits.Rename | edits.Move | edits.Remove | edits.AddGrip | edits.DropGrip
"""Edits that are told in no pixels."""
GRID = (17, 13)
"""Columns and rows of the places that the graticule is drawn by."""


@dataclass(frozen=True)
class _At:
    """A draft and a shot, before anything is edited."""

    sha: str
    text: bytes
    content: Plain
    key: str
    loaded: LoadedShot


def recipes(station: Station) -> RecipesTold:
    """Tell the drafts of a station."""
    told = []
    for path in station.recipes():
        name = f"{path.parent.name}/{path.name}"
        found: Plain = {"path": name, "name": path.stem, "revision": 1, "steps": 0, "sha": "", "fault": ""}
        try:
            draft = drafts.recipe_draft(station, name)
            content = drafts.content_of(draft.data or b"", name).unwrap()
            found["sha"] = draft.sha
            found["name"] = str(content.get("name", path.stem))[:80]
            found["steps"] = len(content.get("step", []))
            found["revision"] = content["revision"] if isinstance(content.get("revision"), int) else 1
        except TiepointError as error:
            found["fault"] = refused_by(error, station.folder).says
        told.append(RecipeInShort(**found))
    variants: list[VariantInShort] = []
    if station.variants_path is not None:
        with suppress(TiepointError):
            for one in load_variants(station.variants_path).values():
                its = [recipe.path for recipe in told if one.is_for(PurePosixPath(recipe.path))]
                variants.append(VariantInShort(name=one.name, recipes=its))
    ties, robots = drafts.ties_of(station), robots_of(station)
    return RecipesTold(recipes=told, ties=ties, robots=robots, variants=variants, unit=station.table.unit)


def judge(room: Room, wanted: Try) -> Plain:
    """Judge a draft on a shot, as it is, or as if it had been edited."""
    try:
        at = _at(room, wanted, wanted.text)
    except NoToml as error:
        at = _at(room, wanted, "")
        return _answer(room, wanted, at, {}, fault=refused_by(error, room.station.folder))
    bench = room.bench(wanted.recipe)
    content, selected = at.content, wanted.selected
    try:
        if wanted.edit is not None:
            base = (
                bench.judge(content, at.key, at.loaded, wanted.variant) if not wanted.live else _base(room, wanted, at)
            )
            content = _copied(content)
            selected = edits.apply(content, wanted.edit, base.job.recipe, _frames(base)) or selected
        quick = wanted.live and wanted.edit is not None and edits.is_small(wanted.edit)
        tried = bench.judge(content, at.key, at.loaded, wanted.variant, quick=quick)
    except TiepointError as error:
        if wanted.live:
            raise
        return _answer(room, wanted, at, content, fault=_why(error, room))
    if not wanted.live and wanted.edit is None:
        room.bases[wanted.recipe] = (at.key, at.sha, wanted.variant, tried)
    told = tell.told(tried, only=tried.ran if wanted.live else None, handles_of_step=selected, unit=wanted.unit)
    told["says"] = on_a_page(told["says"])
    for step in told["steps"]:
        step["fault"] = on_a_page(step["fault"])
        for reading in step["readings"]:
            reading["why"] = on_a_page(reading["why"])
    return _answer(room, wanted, at, content, told=told, tried=tried)


def _base(room: Room, wanted: Try, at: _At) -> Tried:
    """Return the draft as it was judged before the hand took hold: an edit is one of that, and nothing drifts."""
    known = room.bases.get(wanted.recipe)
    if known is not None and known[:3] == (at.key, at.sha, wanted.variant):
        return known[3]
    tried = room.bench(wanted.recipe).judge(at.content, at.key, at.loaded, wanted.variant)
    room.bases[wanted.recipe] = (at.key, at.sha, wanted.variant, tried)
    return tried


def change(room: Room, wanted: Change, who: str) -> Edited:
    """Edit a draft, if it can be run as it is then; comments survive."""
    at = _at(room, wanted, None)
    _demand_seen(wanted.recipe, wanted.sha, at)
    bench = room.bench(wanted.recipe)
    is_whole = not isinstance(wanted.edit, _PLAIN)
    base = _tried_or_none(room, wanted, at)
    if base is None and is_whole:
        # What is told in pixels needs the frames of a draft that can be judged; why this one cannot, it says itself.
        bench.judge(at.content, at.key, at.loaded, wanted.variant)
    document = drafts.content_of(at.text, wanted.recipe)
    recipe = base.job.recipe if base else None
    selected = edits.apply(document, wanted.edit, recipe, _frames(base) if base else _no_frames)  # type: ignore[arg-type]
    if base is not None and isinstance(wanted.edit, edits.Add | edits.Draw) and wanted.edit.shape == "rectangle":
        _turn_to_what_reads(room, wanted, document, selected or "", at)
    drafts.with_next_revision(room.station, wanted.recipe, document)
    content = document.unwrap()
    if content.get("step"):
        try:
            bench.job(content, wanted.variant)
        except TiepointError as error:
            # A draft that could not be run before may be mended in several steps; one that could be read still can be.
            if base is not None:
                raise _at_field(error, wanted, room) from error
            unread = bench.fault(content, wanted.variant)
            if unread is not None and bench.fault(at.content, wanted.variant) is None:
                raise _at_field(unread, wanted, room) from error
    return _kept(room, wanted, {wanted.recipe: drafts.bytes_of(document)}, edits.describe(wanted.edit), selected, who)


def _turn_to_what_reads(room: Room, wanted: Change, document: texts.Content, name: str, at: _At) -> None:
    """Have a rectangle that was just drawn be searched along its other side, where it reads that way alone."""
    bench, turn = room.bench(wanted.recipe), edits.Nudge(act="quarter", step=name)
    try:
        tried = bench.judge(texts.bare(document), at.key, at.loaded, wanted.variant)
        step = next(s for s in tried.job.recipe.steps if s.name == name)
        if not isinstance(step.table, SoughtTable) or _reads(tried, name):
            return
        other = _copied(texts.bare(document))
        edits.apply(other, turn, tried.job.recipe, _frames(tried))
        if _reads(bench.judge(other, at.key, at.loaded, wanted.variant), name):
            edits.apply(document, turn, tried.job.recipe, _frames(tried))
    except TiepointError:
        return  # why the draft cannot be judged is said where it is kept


def _reads(tried: Tried, name: str) -> bool:
    return any(reading.was_read for reading in tried.traces[name].readings)


def paint(room: Room, wanted: Paint, who: str) -> Edited:
    """Paint over a step's region, and name the mask in the draft: one edit, that is undone as one."""
    at = _at(room, wanted, None)
    _demand_seen(wanted.recipe, wanted.sha, at)
    tried = room.bench(wanted.recipe).judge(at.content, at.key, at.loaded, wanted.variant)
    step = next((s for s in tried.job.recipe.steps if s.name == wanted.step), None)
    shape = None if step is None else shape_in(step)
    if step is None or shape is None or region_path(step) is None:
        raise UnusableInput(f'"{wanted.step}" has no region that could be painted over; draw one first')
    document = drafts.content_of(at.text, wanted.recipe)
    table = texts.step_in(document, wanted.step)
    files: dict[str, bytes | None] = {}
    if wanted.clear:
        texts.put(table, ("mask",), None)
    else:
        picture = step.looks_at[0] if step.looks_at else None
        role = tried.seen.lies_on(picture)
        frame = frame_for(step.frame, tried.job, tried.seen, tried.traces, role)
        strokes = [masking.Stroke(s.points_px, s.radius_px, s.erase) for s in wanted.strokes]
        hidden = masking.painted(step.beside.mask, shape, frame, strokes, at.loaded.pictures[role].size)
        others = {str(getattr(other.table, "mask", None)): None for other in tried.job.recipe.steps}
        name = getattr(step.table, "mask", None) or drafts.mask_name(wanted.recipe, wanted.step, others)
        texts.put(table, ("mask",), name)
        files[f"recipes/{name}"] = masking.mask_png(hidden)
    drafts.with_next_revision(room.station, wanted.recipe, document)
    says = f"{'Lay open' if wanted.clear else 'Paint over'} {wanted.step}"
    return _kept(room, wanted, {**files, wanted.recipe: drafts.bytes_of(document)}, says, wanted.step, who)


def teach_by_drawing(room: Room, wanted: Outline, who: str) -> TaughtTold:
    """Teach a find, or a new one, the outline of a drawing: one edit, that is undone as one."""
    name = portable(PurePosixPath(wanted.file).name)
    if not name.lower().endswith(".dxf"):
        raise Refused(422, f"{name} is no DXF by its name", "save the outline of the part as DXF, in mm or inches")
    with tempfile.TemporaryDirectory() as folder:
        drawing = Path(folder) / name
        drawing.write_bytes(wanted.drawing)
        try:
            return _taught(room, wanted, drawing, who)
        except UnusableInput as error:
            if folder not in str(error):
                raise
            raise UnusableInput(without_folder(str(error), Path(folder))) from error


def _taught(room: Room, wanted: Outline, drawing: Path, who: str) -> TaughtTold:
    draft = drafts.recipe_draft(room.station, wanted.recipe)
    if draft.sha != wanted.sha or draft.data is None:
        raise _changed(wanted.recipe)
    bench = room.bench(wanted.recipe)
    done = drafts.taught_by_drawing(
        wanted.recipe,
        draft.data,
        wanted.step,
        lambda content: bench.job(content, wanted.variant),
        drawing,
        wanted.layer,
    )
    says = f"Teach {wanted.step or 'a find'} from {drawing.name}"
    drafting.edit(room.station, says, done.changes, who=who, seen={wanted.recipe: wanted.sha})
    return TaughtTold(lines=list(done.lines), sha=drafting.sha_of(room.station, wanted.recipe) or "")


# --- pieces --------------------------------------------------------------------------------------------------------


def _at(room: Room, wanted: Working, text: str | None) -> _At:
    draft = drafts.recipe_draft(room.station, wanted.recipe)
    assert draft.data is not None
    assert draft.sha is not None
    data = draft.data if text is None else text.encode()
    # Plain data, by the fast reader; the document with its comments is parsed where it is written.
    content = texts.plain(data, wanted.recipe)
    key, loaded = room.shot(wanted.shot, lights_of(room.station, content))
    return _At(draft.sha, data, content, key, loaded)


def lights_of(station: Station, content: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the lamps that a shot of a recipe has a picture of each of."""
    named = content.get("lights")
    if not isinstance(named, str):
        return ()
    path = station.folder / "recipes" / named
    with suppress(TiepointError):
        if kind_of(path) == "lights":
            return load_lights(path).each
    return ()


def _tried_or_none(room: Room, wanted: Working, at: _At) -> Tried | None:
    try:
        return room.bench(wanted.recipe).judge(at.content, at.key, at.loaded, wanted.variant)
    except TiepointError:
        return None


def _frames(tried: Tried) -> edits.Frames:
    def named(name: str, picture: str | None) -> Frame:
        return frame_for(name, tried.job, tried.seen, tried.traces, tried.seen.lies_on(picture))

    return named


def _no_frames(name: str, picture: str | None) -> Frame:
    del picture
    raise UnusableInput(f'the draft cannot be judged, so nothing is known of the frame "{name}"; mend it first')


def _demand_seen(path: str, sha: str, at: _At) -> None:
    if at.sha != sha:
        raise _changed(path)


def _changed(path: str) -> Refused:
    says = f"{path} was changed since you last saw it"
    return Refused(409, says, "look at it as it is now, and do it again", where="recipe", code="changed")


def _why(error: TiepointError, room: Room) -> Refused:
    """Return why a draft cannot be judged, in words of the page where a command's would be told."""
    refused = refused_by(error, room.station.folder)
    if "--variant" in refused.do:
        refused.do = "choose the variant, above the picture"
    return refused


def _at_field(error: TiepointError, wanted: Change, room: Room) -> Refused:
    """Return a refusal that names the field of the form that it is about."""
    edit = wanted.edit
    where: str = edit.act
    if isinstance(edit, edits.Put):
        where = ".".join(str(k) for k in (*(("grip", edit.grip) if edit.grip else ()), *edit.path))
    return refused_by(error, room.station.folder, where=where)


def _kept(
    room: Room, wanted: Change | Paint, files: Mapping[str, bytes | None], says: str, step: str | None, who: str
) -> Edited:
    changes = [drafting.Change(path, data) for path, data in files.items()]
    try:
        done = drafting.edit(room.station, says, changes, who=who, seen={wanted.recipe: wanted.sha})
    except drafting.Conflict as error:
        raise Refused(409, *str(error).split("; ", 1), where="recipe", code="changed") from error
    sha = drafting.sha_of(room.station, wanted.recipe)
    return Edited(sha=sha or "", step=step, number=done.number, says=says)


def _copied(content: Plain) -> Plain:
    """Return plain data of which steps can be changed: all else is shared."""
    import copy

    return {**content, "step": copy.deepcopy(content.get("step", []))}


def _answer(
    room: Room,
    wanted: Try,
    at: _At,
    content: Mapping[str, Any],
    *,
    told: Plain | None = None,
    tried: Tried | None = None,
    fault: Refused | None = None,
) -> Plain:
    answer: Plain = {
        "recipe": wanted.recipe, "sha": at.sha, "head": {}, "draft": [], "shot": None, "fault": None, "verdict": None,
        "says": "", "notes": [], "steps": [], "grips": [], "grip_tables": [], "is_partial": wanted.live, "ms": 0.0,
        "grid": None,
    }  # fmt: skip
    answer |= told or {}
    if fault is not None:
        answer["fault"] = fault.body("recipe")["error"]
    if wanted.live:
        return answer
    answer["head"] = {k: v for k, v in content.items() if k not in ("step", "grip")}
    answer["draft"] = [_draft_step(raw) for raw in content.get("step", []) if isinstance(raw, Mapping)]
    answer["grip_tables"] = [dict(raw) for raw in content.get("grip", []) if isinstance(raw, Mapping)]
    answer["shot"] = _shot(room, wanted.shot, at.loaded)
    answer["grid"] = None if tried is None else _grid(tried, wanted.unit)
    return answer


def _draft_step(raw: Mapping[str, Any]) -> Plain:
    kind = installed_kinds().get(str(raw.get("kind")))
    return {
        "name": str(raw.get("name", "")), "kind": str(raw.get("kind", "")), "frame": str(raw.get("in") or "plane"),
        "gives": None if kind is None else kind.gives, "table": dict(raw),
    }  # fmt: skip


def _shot(room: Room, ref: str, loaded: LoadedShot) -> Plain:
    pictures = [
        {"role": p.role, "light": p.light, "width": p.size[0], "height": p.size[1], "url": room.url(ref, p.role)}
        for p in loaded.shot.pictures
    ]
    return {"ref": ref, "id": loaded.shot.id, "part_id": loaded.shot.part_id, "pictures": pictures}


def _grid(tried: Tried, unit: str | None) -> Plain | None:
    try:
        frame = frame_for("plane", tried.job, tried.seen, {})
    except UnusableInput:
        return None
    width, height = tried.seen.shot.pictures[0].size
    cols, rows = GRID
    x, y = np.linspace(0, width - 1, cols), np.linspace(0, height - 1, rows)
    px = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    places = frame.ground.way.map(px, with_sources=False).xy_mm / MM_PER[unit or frame.written_in]
    if not np.isfinite(places).all():
        return None
    return {
        "x0": 0.0, "y0": 0.0, "step_x": float(x[1]), "step_y": float(y[1]), "cols": cols, "rows": rows,
        "X": np.round(places[:, 0], 4).tolist(), "Y": np.round(places[:, 1], 4).tolist(),
    }  # fmt: skip


__all__ = ["change", "judge", "lights_of", "paint", "recipes", "teach_by_drawing"]
