"""`tiepoint teach`: give a find the shape that it seeks."""

import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Answer, Json, hint_at, present
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.recipe.teach import Lesson


def teach(
    recipe: Annotated[Path, typer.Argument(metavar="RECIPE.toml", help="The recipe; it then names the shape's file.")],
    step: Annotated[str, typer.Argument(metavar="STEP", help="The name of the find.")],
    shot: Annotated[
        Path | None,
        typer.Argument(
            metavar="SHOT", help="A shot that shows the part where the find's `taught` says.", show_default=False
        ),
    ] = None,
    outline: Annotated[
        Path | None,
        typer.Option("--outline", metavar="PART.dxf", help="Learn from a drawing, in the part's own coordinates."),
    ] = None,
    layer: Annotated[
        str | None, typer.Option("--layer", metavar="NAME", help="Only this layer of the drawing.")
    ] = None,
    tie: Annotated[
        Path | None, typer.Option("--tie", metavar="TIE.json", help="This tie instead of the recipe's.")
    ] = None,
    variants: Annotated[
        Path | None, typer.Option("--variants", metavar="VARIANTS.csv", help="Heights and nominals by variant.")
    ] = None,
    variant: Annotated[str | None, typer.Option("--variant", metavar="NAME", help="The variant that is shown.")] = None,
    as_json: Json = False,
) -> None:
    """Teach a find the shape of its part, from one shot or from a drawing.

    The find states in the recipe where to learn: taught = { region = { rectangle = { centre = [60, 45], size = [70, 50]
    } }, origin = [30, 25], angle_deg = 0 }. The region encloses the part; origin and angle_deg are where the part's
    own frame lies in that shot. The shape is written beside the recipe, which names it from then on; comments stay.

    \b
      tiepoint teach recipes/plate.toml plate shot-0001.png
      tiepoint teach recipes/plate.toml plate --outline plate.dxf
    """
    from tiepoint.recipe import station
    from tiepoint.recipe import teach as lessons
    from tiepoint.recipe.shots import load_shot

    if (shot is None) == (outline is None):
        raise UnusableInput("name one shot to learn from, or a drawing with --outline")
    prepared = station.prepare(recipe, tie_path=tie, variants_path=variants, variant=variant)
    loaded = None if shot is None else load_shot(shot)
    job = prepared.job(None if loaded is None else loaded.shot.variant)
    found = lessons.step_to_teach(job.recipe, step)
    if loaded is not None:
        for hint in loaded.hints:
            hint_at(hint)
        shape = lessons.teach_shot(job, found, station.seen_of(loaded))
        taught_from = {"shot": loaded.shot.id}
    else:
        assert outline is not None
        shape = lessons.teach_drawing(job, found, outline, layer)
        taught_from = {"outline": outline.name}
    lesson = lessons.keep_lesson(recipe, found, shape, taught_from)
    document = {
        "shape": str(lesson.file),
        "revision": lesson.revision,
        "points": len(lesson.taught.points),
        "equal_turns_deg": [math.degrees(t) for t in lesson.taught.equal_turns],
        "is_round": lesson.taught.turns == 0,
    }
    present(Answer(document, tuple(_lines(step, lesson))), as_json)


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
