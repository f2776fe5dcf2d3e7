"""Where a step's frame lies in a picture: its places to pixels and back, as the last judgement of the shot found it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.context import placed
from tiepoint.recipe.features import PartFeature
from tiepoint.recipe.ground import Ground, ImageGround, PlaneGround
from tiepoint.recipe.masks import Mask, points_of
from tiepoint.recipe.part import PartGround
from tiepoint.recipe.recipe import Step
from tiepoint.recipe.regions import Shape, shape_of
from tiepoint.recipe.runner import Job, Seen, Trace
from tiepoint.recipe.steps.find import FindTable
from tiepoint.ties.sensor import OtherSensor

Array = NDArray[np.float64]
DECIMALS = {"mm": 3, "in": 5, "px": 2}
"""Of a place, as a recipe writes it: what no hand and no drawing tells better."""


@dataclass(frozen=True)
class Frame:
    """A frame over a picture: `name` is `plane`, `image` or a find's; `unit`: ground units in one of the recipe."""

    name: str
    ground: Ground
    unit: float
    written_in: str

    @property
    def is_down(self) -> bool:
        """Whether its numbers count y down."""
        return self.name == "image"

    @property
    def decimals(self) -> int:
        """Decimals of its places, as a recipe writes them."""
        return DECIMALS[self.written_in]

    def to_frame(self, px: Array) -> Array:
        """Return where pixels (n, 2) lie: in the recipe's unit, y up. `UnusableInput` where one lies nowhere."""
        xy = np.asarray(self.ground.way.map(px, with_sources=False).xy_mm / self.unit)
        if not np.isfinite(xy).all():
            raise UnusableInput("the place lies where the tie knows no plane; stay inside the picture of the plane")
        return xy

    def to_px(self, places: Array) -> Array:
        """Return the pixels (n, 2) of places (n, 2) in the recipe's unit, y up; NaN where the picture shows none."""
        return self.ground.sight.to_px(np.atleast_2d(places) * self.unit)

    def up(self, point: tuple[float, float]) -> Array:
        """Return a point of the recipe with y up, in the recipe's unit."""
        return placed(point, self.name, self.unit) / self.unit


def frame_for(name: str, job: Job, seen: Seen, traces: Mapping[str, Trace], role: str | None = None) -> Frame:
    """Return the frame of that name over a picture of the shot; `UnusableInput` where it is not known there."""
    role = seen.shot.pictures[0].role if role is None else role
    written = "px" if name == "image" else job.recipe.head.unit
    if name == "image":
        return Frame(name, ImageGround(), 1.0, written)
    if name == "plane":
        if job.tie is None:
            raise UnusableInput("the recipe names no tie, so there is no plane; state tie in it, or draw in the image")
        try:
            return Frame(name, PlaneGround(job.tie.for_sensor(seen.sensors[role])), job.mm_per_unit, written)
        except OtherSensor as error:
            raise UnusableInput(f"the tie does not fit this picture: {error}") from error
    trace = traces.get(name)
    if trace is None or trace.ground is None or not isinstance(trace.result.feature, PartFeature):
        why = trace.result.failed.sentence if trace is not None and trace.result.failed else ""
        raise UnusableInput(f'"{name}" was not found in this shot, so nothing can be drawn in its frame. {why}'.strip())
    image = trace.step.base == "image"
    unit = 1.0 if image else job.mm_per_unit
    return Frame(
        name, PartGround(trace.ground, trace.result.feature, name), unit, "px" if image else job.recipe.head.unit
    )


def region_path(step: Step) -> tuple[str, ...] | None:
    """Return under which keys the region stands that a hand moves; None where a step has none.

    Of a find that is taught it is where it learns, in the frame of the shot that taught it.
    """
    table = step.table
    if isinstance(table, FindTable) and table.taught is not None:
        return ("taught", "region")
    return ("region",) if getattr(table, "region", None) is not None else None


def shape_in(step: Step) -> Shape | None:
    """Return the shape of the region that a hand moves."""
    table = step.table
    if isinstance(table, FindTable) and table.taught is not None:
        return table.taught.region.shape
    return shape_of(getattr(table, "region", None))


def mask_px(mask: Mask, shape: Shape, frame: Frame) -> list[Array]:
    """Return the outlines (n, 2) in the picture, closed, of what a mask hides of a region."""
    import cv2

    rows, cols = mask.painted.shape
    found, _ = cv2.findContours(mask.painted.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    lines = []
    for contour in found:
        corners = contour.reshape(-1, 2).astype(float) + 0.5
        own = np.column_stack([2 * corners[:, 0] / cols - 1, 1 - 2 * corners[:, 1] / rows])
        px = frame.to_px(points_of(shape, own, frame.is_down))
        if len(px) > 2 and np.isfinite(px).all():
            lines.append(np.vstack([px, px[:1]]))
    return lines


def axes_px(trace: Trace) -> tuple[Array, Array, Array] | None:
    """Return origin, and a place on +x and one on +y (2,) each, of a found part's frame, in pixels."""
    feature = trace.result.feature
    if trace.ground is None or not isinstance(feature, PartFeature):
        return None
    turn = feature.angle_rad
    # An arm of a twelfth of the picture, whatever the scale: in ground units by what a pixel measures there.
    px, d = trace.ground.sight.project(feature.origin[None])
    arm = 110.0 / math.sqrt(abs(float(np.linalg.det(d[0]))) or 1.0)
    x = np.array([math.cos(turn), math.sin(turn)])
    ends = trace.ground.sight.to_px(feature.origin + arm * np.array([x, [-x[1], x[0]]]))
    return px[0], ends[0], ends[1]
