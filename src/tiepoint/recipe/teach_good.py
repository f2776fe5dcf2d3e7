"""Teach a `compare` what good parts look like, from their shots; the recipe then names the file that holds it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tiepoint.documents.files import document_bytes, write_together
from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Context, StepResult
from tiepoint.recipe.good import Good, tiff_bytes
from tiepoint.recipe.masks import box_size
from tiepoint.recipe.naming import naming
from tiepoint.recipe.recipe import Step
from tiepoint.recipe.regions import shape_of
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.recipe.steps.compare import CompareTable, as_seen, grid_of, looked_of, reach_px, size_of_grid
from tiepoint.vision.compare_learn import ENOUGH, learn, odd_ones, threshold

MOST_SHOTS = 500
MOST_PLACES = 40_000_000


@dataclass(frozen=True)
class GoodLesson:
    """What teaching gave: what was learnt, how far each picture lay off (px), and where it was written.

    `spreads`: the tolerance, in spreads. `odd`: shots that differ from the others as none of a thousand would.
    """

    good: Good
    shifts_px: tuple[float, ...]
    spreads: float
    odd: tuple[str, ...]
    file: Path
    revision: int


def teach_good(shots: Sequence[tuple[Job, Seen]], name: str) -> tuple[Good, tuple[float, ...]]:
    """Return what shots of good parts teach the step of that name, and how far each lay from the first, in px.

    Each comes with the job of its variant. Raises `UnusableInput` where a shot does not show the region, or does not
    fit the others.
    """
    if len(shots) > MOST_SHOTS:
        raise UnusableInput(f"{len(shots)} shots are more than can be learnt from; give at most {MOST_SHOTS}")
    contexts = [_context_of(job, seen, name) for job, seen in shots]
    first = contexts[0]
    table, base = first.table, step_of(shots[0][0], name).base
    assert isinstance(table, CompareTable)
    shape = shape_of(table.region)
    assert shape is not None
    size = size_of_grid(first, shape)
    if size[0] * size[1] > MOST_PLACES:
        raise UnusableInput(
            f"the region is {size[0] * size[1] / 1e6:.0f} MP large; choose at most {MOST_PLACES / 1e6:.0f}"
        )
    looked = looked_of(shape, first.beside.mask, size, first.ground.frame == "image")
    if not looked.any():
        raise UnusableInput("the mask hides all of the region; leave some of it black")
    grids, pictures = [], []
    for context, (_, seen) in zip(contexts, shots, strict=True):
        grid = grid_of(context, size)
        if isinstance(grid, Reason):
            raise UnusableInput(f'shot "{seen.shot.id}" cannot be learnt from. {grid.sentence}')
        grids.append(grid)
        pictures.append(as_seen(np.asarray(context.picture)))
    learnt, placed = learn(pictures, grids, looked, reach_px(table, grids[0]), table.levelled, table.floor)
    learnt.spread[~looked] = np.nan
    wide, tall = (side * first.unit for side in box_size(shape))
    shifts = tuple(one.reach_px(grid) for one, grid in zip(placed, grids, strict=True))
    return Good(learnt, base, (wide, tall), table.levelled, table.floor), shifts


def keep_good(
    recipe_path: Path, step: Step, good: Good, shifts_px: tuple[float, ...], taught_from: list[str]
) -> GoodLesson:
    """Write what was learnt beside the recipe and its name into the recipe, all or nothing."""
    table = step.table
    assert isinstance(table, CompareTable)
    named = naming(recipe_path, step, "good", table.good)
    levels = named.file.with_name(named.file.name.removesuffix(".json") + ".tif")
    document = document_bytes("good", good.to_plain(levels.name, taught_from))
    write_together({named.file: document, levels: tiff_bytes(good.levels), recipe_path: named.recipe})
    spreads = threshold(good.learnt, int(good.looked.sum()), table.false_alarm)
    odd = tuple(taught_from[k] for k in odd_ones(good.learnt))
    return GoodLesson(good, shifts_px, spreads, odd, named.file, named.revision)


def advice(count: int) -> str | None:
    """Return what to say of so few good pictures; None where they are enough to know how good parts differ."""
    if count >= 20:
        return None
    if count < ENOUGH:
        return f"How good parts differ is not known from {count}: a floor stands in for it. Teach from twenty or more."
    return f"From {count} good pictures it is known roughly how good parts differ, so the tolerance is wide: give more."


def step_of(job: Job, name: str) -> Step:
    """Return the step of that name."""
    return next(step for step in job.recipe.steps if step.name == name)


def _context_of(job: Job, seen: Seen, name: str) -> Context:
    """Return what the step will be given when the recipe runs over a shot, by running all that comes before it."""
    step, given = step_of(job, name), []

    def keep(context: Context) -> StepResult:
        given.append(context)
        return StepResult({})

    curious = replace(step, kind=replace(step.kind, run=keep))
    before = needed(job, step)
    order = tuple(curious if s.name == name else s for s in job.recipe.order if s.name in before)
    recipe = replace(job.recipe, steps=order, order=order, grips=())
    outcome = run(replace(job, recipe=recipe, arms=()), seen)
    if not given or given[0].picture is None:
        failed = next(trace.result.failed for trace in outcome.traces if trace.step.name == name)
        why = failed.sentence if failed else "It shows no picture that the step looks at."
        raise UnusableInput(f'shot "{seen.shot.id}" cannot be learnt from. {why}')
    return given[0]


def needed(job: Job, step: Step) -> frozenset[str]:
    """Return the names of a step and of all that it waits for."""
    names, waiting = {step.name}, list(step.waits_for)
    while waiting:
        one = waiting.pop()
        if one not in names:
            names.add(one)
            waiting += step_of(job, one).waits_for
    return frozenset(names)
