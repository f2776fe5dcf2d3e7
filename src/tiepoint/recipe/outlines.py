"""The outline of a step's region in the picture, for drawing."""

import numpy as np
from numpy.typing import NDArray

from tiepoint.recipe.context import placed, towards
from tiepoint.recipe.inside import outlines
from tiepoint.recipe.regions import Path, Rectangle, Ring, Shape, shape_of
from tiepoint.recipe.runner import Trace

Array = NDArray[np.float64]

_ROUND = 96
"""Points around a full circle: their chords leave it by half a thousandth of its radius."""


def region_px(trace: Trace) -> list[Array]:
    """Return the closed outlines (n, 2) of a step's region, in pixels; none without a region or a tie."""
    if trace.ground is None:
        return []
    return [trace.ground.sight.to_px(line) for line in _outlines(trace)]


def brackets(trace: Trace) -> list[Array]:
    """Return the marks of where a step sought: two arcs with gaps about a ring, corners of anything else."""
    shape = _shape(trace)
    if trace.ground is None or shape is None:
        return []
    if isinstance(shape, Ring):
        centre = placed(shape.centre, trace.step.frame, trace.unit)
        # Open at the upper right and at the lower left: the name stands in the upper gap.
        spans = (np.radians(np.linspace(70, 200, _ROUND // 2)), np.radians(np.linspace(250, 380, _ROUND // 2)))
        return [trace.ground.sight.to_px(centre + trace.unit * shape.outer * towards(a)) for a in spans]
    if isinstance(shape, Rectangle):
        return [trace.ground.sight.to_px(c) for c in _corners(_outlines(trace)[0])]
    return region_px(trace)


def _shape(trace: Trace) -> Shape | None:
    return shape_of(getattr(trace.step.table, "region", None))


def _outlines(trace: Trace) -> list[Array]:
    shape, frame, unit = _shape(trace), trace.step.frame, trace.unit
    if shape is None:
        return []
    if isinstance(shape, Path):
        return [np.array([placed(point, frame, unit) for point in shape.points])]
    return [np.vstack([line, line[:1]]) for line in outlines(shape, frame, unit)]


def _corners(box: Array) -> list[Array]:
    """Return the four corners of a closed box (5, 2), each as a short angle."""
    reach = 0.22 * min(float(np.hypot(*(box[k + 1] - box[k]))) for k in range(4))
    marks = []
    for k in range(4):
        at, before, after = box[k], box[k - 1 if k else 3], box[k + 1]
        arms = [at + reach * (p - at) / np.hypot(*(p - at)) for p in (before, after)]
        marks.append(np.array([arms[0], at, arms[1]]))
    return marks
