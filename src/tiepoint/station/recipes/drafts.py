"""Recipes as drafts of a station: which there are, how one begins, and the changes by which one is edited or taught."""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit

from tiepoint.documents.files import document_bytes, kind_of
from tiepoint.documents.names import portable
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.recipe.beside import shape_document
from tiepoint.recipe.good import tiff_bytes
from tiepoint.recipe.naming import naming, stating
from tiepoint.recipe.recipe import Step
from tiepoint.recipe.runner import Job, Seen
from tiepoint.recipe.tables import shown
from tiepoint.recipe.teach import step_to_teach, teach_drawing, teach_shot
from tiepoint.recipe.teach_good import advice, teach_good
from tiepoint.recipe.teach_marks import teach_mark
from tiepoint.station.accepted import accepted_bundle, pointers_of
from tiepoint.station.drafting import Change, Draft, read_draft
from tiepoint.station.folder import RECIPES, Station
from tiepoint.station.recipes import text as texts
from tiepoint.station.recipes.trying import PLACEHOLDER

MOST_BYTES = 2_000_000


@dataclass(frozen=True, slots=True)
class Taught:
    """What teaching a step comes to: the files that change, and what is said of it."""

    changes: tuple[Change, ...]
    lines: tuple[str, ...]


def recipe_draft(station: Station, path: str) -> Draft:
    """Return a recipe's draft by its path in the station's folder; `UnusableInput` where it is no recipe."""
    folder, _, name = path.partition("/")
    if folder != RECIPES or "/" in name or not name.endswith(".toml"):
        raise UnusableInput(f"{path[:80]!r} is no recipe of the station; choose one of the list")
    draft = read_draft(station, path, MOST_BYTES)
    if draft.data is None:
        raise UnusableInput(f"{path} is not there any more; choose another recipe")
    return draft


def content_of(data: bytes, path: str) -> tomlkit.TOMLDocument:
    """Return what a recipe's bytes hold; `UnusableInput` where they are no TOML."""
    try:
        return texts.parsed(data.decode("utf-8-sig"), path)
    except UnicodeDecodeError as error:
        raise UnusableInput(f"{path} is not text in UTF-8; save it as such") from error


def bytes_of(content: tomlkit.TOMLDocument) -> bytes:
    """Return a document as it is written."""
    return tomlkit.dumps(content).encode()


def new_recipe(
    station: Station, name: str, tie: str | None, unit: str, height: tuple[float, float] | None = None
) -> Change:
    """Return the change that begins a recipe; `height`: of the measured surface above the plane, and its standard u.

    Raises `UnusableInput` where one of that name is there already."""
    stem = portable(re.sub(r"[\s/\\]+", "-", name.strip()))[:60].strip(".-") or "recipe"
    path = f"{RECIPES}/{stem}.toml"
    if (station.folder / path).exists():
        raise UnusableInput(f"there is a recipe {path} already; choose another name, or open that one")
    ties = ties_of(station)
    if tie is not None and tie not in ties:
        raise UnusableInput(f"{tie[:80]!r} is no tie of the station from image to plane; choose one of the list")
    document = tomlkit.document()
    document["format"] = "tiepoint/recipe/1"
    document["name"] = name.strip()
    document["unit"] = unit
    if tie is not None:
        document["tie"] = f"../{tie}"
    if height is not None:
        document["height"], document["u_height"] = height
    return Change(path, bytes_of(document))


def ties_of(station: Station) -> list[str]:
    """Return the ties from image to plane, by their path in the station's folder."""
    found = []
    for path in sorted((station.folder / "ties").glob("*.json")):
        try:
            if kind_of(path) == "tie" and _is_to_plane(path):
                found.append(f"ties/{path.name}")
        except TiepointError:
            continue
    return found


def _is_to_plane(path: Path) -> bool:
    from tiepoint.documents.files import read_document

    told = read_document(path, "tie")
    return (told.get("from_frame"), told.get("to_frame")) in (("image", "plane"), (None, None))


def with_next_revision(station: Station, path: str, content: texts.Content) -> None:
    """Have a draft that begins to differ from what was accepted count on: it is the next revision from then on."""
    for sha in pointers_of(station).shas:
        bundle = accepted_bundle(station, sha)
        if bundle.recipe != path:
            continue
        accepted = texts.parsed(bundle.files[path].decode("utf-8-sig"), path)
        last = accepted.get("revision", 1)
        if isinstance(last, int) and content.get("revision", 1) == last:
            texts.put(content, ("revision",), last + 1)


def taught(recipe_path: Path, name: str, shown_shots: Sequence[tuple[Job, Seen]], folder: Path) -> Taught:
    """Return what shots teach a step: a find its shape, a compare its good parts, a text or code what it reads.

    Raises a `TiepointError` where nothing can be learnt. Nothing is written.
    """
    step = step_to_teach(shown_shots[0][0].recipe, name)
    if step.kind.kind == "compare":
        return _good(recipe_path, step, shown_shots, folder)
    if step.kind.kind in ("text", "code"):
        lesson = teach_mark(shown_shots, step.name)
        data, revision = stating(recipe_path, step, lesson.key, lesson.value)
        return Taught(
            (Change(_inside(recipe_path, folder), data),),
            (f"{lesson.key} {shown(lesson.value)}, from {len(shown_shots)} shots.", f"Revision {revision}."),
        )
    if len(shown_shots) != 1:
        raise UnusableInput(f"a find learns from one shot, and {len(shown_shots)} are given; name one")
    job, seen = shown_shots[0]
    shape = teach_shot(job, step, seen)
    named = naming(recipe_path, step, "shape", getattr(step.table, "shape", None))
    document = document_bytes("shape", shape_document(shape, {"shot": seen.shot.id}))
    x0, y0, x1, y1 = shape.taught.extent
    unit = "mm" if shape.ground == "plane" else "px"
    lines = [f"{len(shape.taught.points)} places on its outline, {x1 - x0:.4g} × {y1 - y0:.4g} {unit}."]
    if shape.taught.turns == 0:
        lines.append("It is round: no turn can be told from another, and its angle will not be known.")
    elif shape.taught.turns > 1:
        turns = ", ".join(f"{math.degrees(t):.0f}°" for t in shape.taught.equal_turns)
        lines.append(f"It looks the same when turned by {turns}: these angles cannot be told apart.")
    changes = (Change(_inside(named.file, folder), document), Change(_inside(recipe_path, folder), named.recipe))
    return Taught(changes, tuple(lines))


def taught_by_drawing(
    path: str,
    data: bytes,
    name: str | None,
    job_of: Callable[[Mapping[str, Any]], Job],
    drawing: Path,
    layer: str | None,
) -> Taught:
    """Return what a drawing teaches a find of a recipe, or a new one where none is named (`name` None).

    `data`: the recipe as it is; `job_of`: prepares a content. Raises a `TiepointError` where nothing can be learnt.
    """
    document = content_of(data, path)
    if name is None:
        name = texts.unused_name(document, "find")
        texts.add_step(document, {"name": name, "kind": "find", "shape": shape_name(path, name, document)})
        # As if it were to be taught in the plane: only its place among the steps is asked for.
        plain = texts.bare(document)
        plain["step"][-1] = {"name": name, "kind": "find", "taught": PLACEHOLDER["taught"]}
        job = job_of(plain)
    else:
        job = job_of(texts.bare(document))
    step = step_to_teach(job.recipe, name)
    if step.kind.kind != "find":
        raise UnusableInput(f'"{name}" is a {step.kind.kind}, and a drawing teaches a find; choose a find')
    shape = teach_drawing(job, step, drawing, layer)
    table = texts.step_in(document, name)
    file = str(table.get("shape") or shape_name(path, name, document))
    texts.put(table, ("shape",), file)
    texts.put(document, ("revision",), int(document.get("revision", 1)) + 1)
    changes = (
        Change(f"{RECIPES}/{file}", document_bytes("shape", shape_document(shape, {"outline": drawing.name}))),
        Change(path, bytes_of(document)),
    )
    x0, y0, x1, y1 = shape.taught.extent
    told = f"{len(shape.taught.points)} places on the outline of {drawing.name}, {x1 - x0:.4g} × {y1 - y0:.4g} mm."
    return Taught(changes, (told,))


def shape_name(recipe: str, step: str, content: Mapping[str, Any]) -> str:
    """Return the name of a new shape beside a recipe: `plate.find.shape.json`."""
    taken = {str(s.get("shape")) for s in content.get("step", [])}
    stem = f"{Path(recipe).stem}.{_words(step)}"
    names = (f"{stem}{number}.shape.json" for number in ("", *(f"-{k}" for k in range(2, 1000))))
    return next(name for name in names if name not in taken)


def _words(step: str) -> str:
    return re.sub(r"[^A-Za-z0-9_-]+", "-", step).strip("-") or "step"


def _good(recipe_path: Path, step: Step, shown_shots: Sequence[tuple[Job, Seen]], folder: Path) -> Taught:
    good, shifts = teach_good(shown_shots, step.name)
    named = naming(recipe_path, step, "good", getattr(step.table, "good", None))
    levels = named.file.with_name(named.file.name.removesuffix(".json") + ".tif")
    document = document_bytes("good", good.to_plain(levels.name, [seen.shot.id for _, seen in shown_shots]))
    changes = (
        Change(_inside(named.file, folder), document),
        Change(_inside(levels, folder), tiff_bytes(good.levels)),
        Change(_inside(recipe_path, folder), named.recipe),
    )
    said = advice(good.learnt.count)
    lines = [f"{good.learnt.count} good pictures; they lay up to {max(shifts):.2g} px off one another."]
    return Taught(changes, (*lines, *((said,) if said else ())))


def _inside(path: Path, folder: Path) -> str:
    return path.relative_to(folder).as_posix()


def mask_name(recipe: str, step: str, taken: Mapping[str, Any]) -> str:
    """Return the name of a new mask beside a recipe: `masks/plate.blemish.png`."""
    stem = f"{Path(recipe).stem}.{_words(step)}"
    names = (f"masks/{stem}{number}.png" for number in ("", *(f"-{k}" for k in range(2, 1000))))
    return next(name for name in names if name not in taken)
