"""Teach a find its shape, from a shot or from a drawing; the recipe then names the file that holds it (`naming`).

Which step of a recipe it is that is taught, whatever its kind, is told here for all of them; `teach_good` and
`teach_marks` teach the others.
"""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.documents.drawings import read_outline
from tiepoint.documents.files import document_bytes, write_together
from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.beside import TaughtShape, shape_document
from tiepoint.recipe.context import corners
from tiepoint.recipe.ground import Ground, ImageGround, PlaneGround
from tiepoint.recipe.masks import own_places
from tiepoint.recipe.naming import naming
from tiepoint.recipe.recipe import Recipe, Step
from tiepoint.recipe.runner import Job, Seen
from tiepoint.recipe.steps.code import CodeTable
from tiepoint.recipe.steps.compare import CompareTable
from tiepoint.recipe.steps.find import FindTable, Teaching
from tiepoint.recipe.steps.text import TextTable
from tiepoint.recipe.strain import strain_of
from tiepoint.recipe.tables import said_names
from tiepoint.vision.seek_model import Pose, Taught, identity
from tiepoint.vision.seek_teach import inside_polygon, teach, teach_outline

Array = NDArray[np.float64]

SIDE = np.linspace(0, 1, 16, endpoint=False)[:, None]
"""Places along a side of a region, which the lens bends."""


@dataclass(frozen=True)
class Lesson:
    """What teaching gave: the shape, and where it was written."""

    taught: Taught
    ground: str
    file: Path
    revision: int


def step_to_teach(recipe: Recipe, name: str) -> Step:
    """Return the find, compare, text or code of that name; `UnusableInput` where there is none that can be taught."""
    taught = [s for s in recipe.steps if isinstance(s.table, (FindTable, CompareTable, TextTable, CodeTable))]
    for step in taught:
        if step.name == name:
            if isinstance(step.table, FindTable) and step.table.lives_in is not None:
                raise UnusableInput(f'the find "{name}" lives in another part; teach it in the plane or the image')
            return step
    others = said_names([s.name for s in taught])
    raise UnusableInput(f'no find, compare, text or code of the recipe is named "{name}"; there are {others}')


def teach_shot(job: Job, step: Step, seen: Seen) -> TaughtShape:
    """Return the shape that a shot shows in the region of the find's `taught`.

    Raises `UnusableInput` or `NothingFound` where nothing can be taught from it.
    """
    table = step.table
    assert isinstance(table, FindTable)
    if table.taught is None:
        raise UnusableInput(
            f'the find "{step.name}" does not say where to learn: state taught = {{ region = {{ rectangle = … }}, '
            "origin = [x, y] }, or give a drawing with --outline"
        )
    picture = seen.under(job).picture(table.picture, table.plane)
    if isinstance(picture, Reason):
        raise UnusableInput(f'the find "{step.name}" cannot be taught. {picture.sentence}')
    ground = _ground(job, step, seen, seen.lies_on(table.picture))
    region = _region_px(table.taught, step, ground, job.recipe.head.mm_per_unit, picture.shape)
    origin = _origin(table.taught, step, job.recipe.head.mm_per_unit)
    to_px = identity if step.base == "image" else ground.sight.project
    taught = teach(picture, region, origin, to_px, least_contrast=table.taught.least_contrast)
    return TaughtShape(taught, step.base, strain_of(ground, taught))


def teach_drawing(job: Job, step: Step, outline: Path, layer: str | None = None) -> TaughtShape:
    """Return the shape of a drawing, whose coordinates are those of the part's frame; it needs a tie."""
    if step.base == "image" or job.tie is None:
        raise UnusableInput(
            f'the find "{step.name}" lives in the image, and a drawing is in mm; give the recipe a tie and leave in out'
        )
    lines = read_outline(outline, layer)
    middle = job.tie.valid_region.mean(axis=0)
    d_px = job.tie.map(middle[None], with_sources=False).d_px[0]
    pixel = math.sqrt(abs(float(np.linalg.det(d_px))))
    x, y = job.tie.map(middle[None]).xy_mm[0]
    return TaughtShape(teach_outline(lines, pixel, home=Pose(float(x), float(y), 0.0)), "plane")


def keep_lesson(recipe_path: Path, step: Step, shape: TaughtShape, taught_from: dict[str, Any]) -> Lesson:
    """Write the shape beside the recipe and its name into the recipe, both or neither."""
    table = step.table
    assert isinstance(table, FindTable)
    named = naming(recipe_path, step, "shape", table.shape)
    document = document_bytes("shape", shape_document(shape, taught_from))
    write_together({named.file: document, recipe_path: named.recipe})
    return Lesson(shape.taught, shape.ground, named.file, named.revision)


def _ground(job: Job, step: Step, seen: Seen, role: str) -> Ground:
    if step.base == "image":
        return ImageGround()
    if job.tie is None:
        raise UnusableInput("the find lives in the plane, and there is no tie; give one with --tie")
    return PlaneGround(job.tie.for_sensor(seen.sensors[role]))


def _origin(taught: Teaching, step: Step, unit: float) -> Pose:
    x, y = taught.origin
    if step.base == "image":
        return Pose(x, y, -math.radians(taught.angle_deg))
    return Pose(x * unit, y * unit, math.radians(taught.angle_deg))


def _region_px(taught: Teaching, step: Step, ground: Ground, unit: float, size: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return the pixels of the picture that are taught from: inside the region, and not painted over."""
    shape, unit = taught.region.shape, 1.0 if step.base == "image" else unit
    around = corners(shape, step.base, unit)
    line = np.concatenate([a + SIDE * (b - a) for a, b in zip(around, np.roll(around, -1, axis=0), strict=True)])
    px = ground.sight.to_px(line)
    if not np.isfinite(px).all():
        raise UnusableInput("the region to teach from leaves the picture; draw it where the part is seen")
    inside = inside_polygon(px, size)
    mask = step.beside.mask
    if mask is None or not inside.any():
        return inside
    rows, cols = np.nonzero(inside)
    places = ground.way.map(np.column_stack([cols, rows]).astype(float), with_sources=False).xy_mm
    own = own_places(shape, places / unit, is_down=step.base == "image")
    inside[rows, cols] = ~mask.hides(own)
    if not inside.any():
        raise UnusableInput("the mask hides all of the region to teach from; leave the part's outline free")
    return inside
