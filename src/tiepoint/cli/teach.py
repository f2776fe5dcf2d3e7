"""`tiepoint teach`: give a find its shape, a compare its good parts, a text its characters, a code its preparation."""

import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Answer, Json, hint_at, present
from tiepoint.cli.options import LightsFile, RecipeTie, VariantsFile, VariantShown
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.recipe.recipe import Step
    from tiepoint.recipe.shots import LoadedShot
    from tiepoint.recipe.station import Prepared
    from tiepoint.recipe.teach import Lesson
    from tiepoint.recipe.teach_good import GoodLesson


def teach(
    recipe: Annotated[
        Path, typer.Argument(metavar="RECIPE.toml", help="The recipe; it then names the file of what was taught.")
    ],
    step: Annotated[str, typer.Argument(metavar="STEP", help="The name of the find, compare, text or code.")],
    shots: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="SHOT",
            help="A shot that shows the part where the find's `taught` says. For the others: shots of good parts, as "
            "pictures, folders or patterns.",
            show_default=False,
        ),
    ] = None,
    outline: Annotated[
        Path | None,
        typer.Option("--outline", metavar="PART.dxf", help="Learn from a drawing, in the part's own coordinates."),
    ] = None,
    layer: Annotated[
        str | None, typer.Option("--layer", metavar="NAME", help="Only this layer of the drawing.")
    ] = None,
    tie: RecipeTie = None,
    lights: LightsFile = None,
    variants: VariantsFile = None,
    variant: VariantShown = None,
    as_json: Json = False,
) -> None:
    """Teach a find the shape of its part, from one shot or from a drawing; or a compare what good parts look like.

    A find states in the recipe where to learn: taught = { region = { rectangle = { centre = [60, 45], size = [70, 50]
    } }, origin = [30, 25], angle_deg = 0 }. The region encloses the part; origin and angle_deg are where the part's
    own frame lies in that shot. A compare learns in its own region, from good parts that differ as good ones do: twenty
    or more. What was learnt is written beside the
    recipe, which names it from then on, or into the recipe; comments stay.

    \b
      tiepoint teach recipes/plate.toml plate shot-0001.png
      tiepoint teach recipes/plate.toml plate --outline plate.dxf
      tiepoint teach recipes/plate.toml print good/
      tiepoint teach recipes/plate.toml lot good/
    """
    from tiepoint.recipe import station
    from tiepoint.recipe import teach as lessons
    from tiepoint.recipe.shots import load_shot, shots_in

    if (not shots) == (outline is None):
        raise UnusableInput(
            "name one shot to learn from (several for a compare, text or code), or a drawing with --outline"
        )
    prepared = station.prepare(recipe, tie_path=tie, lights_path=lights, variants_path=variants, variant=variant)
    loaded = [load_shot(path, prepared.each) for path in shots_in(shots or [], max(len(prepared.each), 1))]
    job = prepared.job(loaded[0].shot.variant if loaded else None)
    found = lessons.step_to_teach(job.recipe, step)
    for hint in dict.fromkeys(hint for one in loaded for hint in one.hints):
        hint_at(hint)
    if found.kind.kind == "compare":
        answer = _good(recipe, found, prepared, loaded)
    elif found.kind.kind in ("text", "code"):
        answer = _mark(recipe, found, prepared, loaded)
    else:
        answer = _shape(recipe, found, prepared, loaded, (outline, layer))
    present(answer, as_json)


def _shape(
    recipe: Path,
    step: "Step",
    prepared: "Prepared",
    loaded: "list[LoadedShot]",
    drawing: tuple[Path | None, str | None],
) -> Answer:
    """Teach a find, from one shot or from a drawing and a layer of it."""
    from tiepoint.recipe import station
    from tiepoint.recipe import teach as lessons

    outline, layer = drawing
    if outline is not None:
        shape = lessons.teach_drawing(prepared.job(None), step, outline, layer)
        taught_from = {"outline": outline.name}
    else:
        if len(loaded) != 1:
            raise UnusableInput(f"a find learns from one shot, and {len(loaded)} are given; name one")
        shape = lessons.teach_shot(prepared.job(loaded[0].shot.variant), step, station.seen_of(loaded[0]))
        taught_from = {"shot": loaded[0].shot.id}
    lesson = lessons.keep_lesson(recipe, step, shape, taught_from)
    document = {
        "shape": str(lesson.file),
        "revision": lesson.revision,
        "points": len(lesson.taught.points),
        "equal_turns_deg": [math.degrees(t) for t in lesson.taught.equal_turns],
        "is_round": lesson.taught.turns == 0,
    }
    return Answer(document, tuple(_lines(step.name, lesson)))


def _good(recipe: Path, step: "Step", prepared: "Prepared", loaded: "list[LoadedShot]") -> Answer:
    """Teach a compare, from shots of good parts."""
    from tiepoint.recipe import station
    from tiepoint.recipe.teach_good import advice, keep_good, teach_good

    if not loaded:
        raise UnusableInput("a compare learns from shots of good parts, not from a drawing; name some")
    shown = [(prepared.job(one.shot.variant), station.seen_of(one)) for one in loaded]
    good, shifts = teach_good(shown, step.name)
    lesson = keep_good(recipe, step, good, shifts, [one.shot.id for one in loaded])
    document = {
        "good": str(lesson.file),
        "revision": lesson.revision,
        "pictures": good.learnt.count,
        "shifts_px": list(lesson.shifts_px),
        "tolerance_in_spreads": lesson.spreads,
        "odd": list(lesson.odd),
    }
    said = advice(good.learnt.count)
    return Answer(document, (*_good_lines(step.name, lesson), *((said,) if said else ())))


def _mark(recipe: Path, step: "Step", prepared: "Prepared", loaded: "list[LoadedShot]") -> Answer:
    """Teach a text or a code, from shots of good parts."""
    from tiepoint.recipe import station
    from tiepoint.recipe.teach_marks import keep_mark, teach_mark
    from tiepoint.recipe.wording import one_line

    if not loaded:
        raise UnusableInput(f"a {step.kind.kind} learns from shots of good parts, not from a drawing; name some")
    shown = [(prepared.job(one.shot.variant), station.seen_of(one)) for one in loaded]
    lesson = teach_mark(shown, step.name)
    revision = keep_mark(recipe, step, lesson)
    document = {lesson.key: lesson.value, "texts": list(lesson.texts), "revision": revision}
    count = f"{len(loaded)} good pictures" if len(loaded) > 1 else "one good picture"
    lines = [f"{step.name}: {lesson.key} {one_line(lesson.value)}, from {count}."]
    if lesson.unseen:
        lines.append(
            f"Its form allows {one_line(lesson.unseen)} too, which none showed: a line with one of them will be "
            "unread. Teach from pictures that show all that may occur."
        )
    lines.append(f"It is in {recipe.name}, now revision {revision}.")
    return Answer(document, tuple(lines))


def _good_lines(step: str, lesson: "GoodLesson") -> Iterator[str]:
    count = lesson.good.learnt.count
    rows, cols = lesson.good.learnt.mean.shape
    many = f"{count} good pictures" if count > 1 else "one good picture"
    yield f"{step}: {many} of {cols} × {rows} places; they lay up to {max(lesson.shifts_px):.2g} px off one another."
    yield f"The tolerance is {lesson.spreads:.3g} times the spread at each place."
    for shot in lesson.odd:
        yield f"{shot} differs from the others more than they do from one another: look at it, is that part good?"
    yield f"It is in {lesson.file}; the recipe, now revision {lesson.revision}, names it."


def _lines(step: str, lesson: "Lesson") -> Iterator[str]:
    taught = lesson.taught
    unit = "mm" if lesson.ground == "plane" else "px"
    x0, y0, x1, y1 = taught.extent
    yield f"{step}: {len(taught.points)} places on its outline, {x1 - x0:.4g} × {y1 - y0:.4g} {unit}."
    if taught.turns == 0:
        yield "It is round: no turn can be told from another, and its angle will not be known."
    elif taught.turns > 1:
        turns = ", ".join(f"{math.degrees(t):.0f}°" for t in taught.equal_turns)
        yield f"It looks the same when turned by {turns}: these angles cannot be told apart."
    likest = max(taught.alike.tolist(), key=lambda row: row[3], default=None)
    if likest is not None and likest[3] > 0.6:
        moved = math.hypot(likest[0], likest[1])
        yield (
            f"Moved by {moved:.4g} {unit} and turned by {math.degrees(likest[2]):.0f}°, {likest[3]:.0%} of it lies on "
            "itself: what tells the two apart must be seen."
        )
    yield f"The shape is in {lesson.file}; the recipe, now revision {lesson.revision}, names it."
