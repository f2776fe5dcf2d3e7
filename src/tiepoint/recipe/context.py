"""What a step is given (`Context`) and what it gives back (`StepResult`), built-in kinds and guests alike.

Beside them stand the pieces that both are made of, and how places of a recipe reach the ground. `kinds` is the door.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import chain
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, Value
from tiepoint.model.decide import Verdict
from tiepoint.recipe.beside import NOTHING, Beside
from tiepoint.recipe.features import Derived, Feature, LineFeature, PartFeature, PointFeature
from tiepoint.recipe.ground import Ground
from tiepoint.recipe.regions import Polygon, Rectangle
from tiepoint.recipe.schema import Polarity, StepTable
from tiepoint.vision.strips import StripEdges

Array = NDArray[np.float64]

OfSeveral = Literal["clearest", "nearest", "farthest"]


@dataclass(frozen=True)
class Said:
    """A text that was read. Where something was `expected`, the `verdict` on it, and the `reason` of a rejection."""

    text: str
    verdict: Verdict | None = None
    reason: Reason | None = None
    expected: str | None = None


Told = Value | Derived | Said | Reason
"""What a step can say of a quantity: a value, a formula over values, a text, or why there is none."""


@dataclass(frozen=True)
class Strips:
    """Where edges are sought, in pixels: `boxes` (n, 4), each about x, y and crossed along dx, dy, of any length.

    `length_px` along the crossing and `width_px` across it are the same for all.
    """

    boxes: Array
    length_px: float
    width_px: float
    polarity: Polarity = "either"
    of_several: OfSeveral = "clearest"

    @property
    def centres(self) -> Array:
        """The middles of the boxes (n, 2)."""
        return self.boxes[:, :2]

    @property
    def directions(self) -> Array:
        """The directions in which they are crossed (n, 2)."""
        return self.boxes[:, 2:]


@dataclass(frozen=True)
class EdgeShift:
    """The edge that is meant against the edge that is found: `source` is a shift in ground units towards the light."""

    bias: float
    source: Source | None


NO_SHIFT = EdgeShift(0.0, None)


def _alone(name: str) -> NDArray[Any] | Reason:
    """Return why there is no other picture."""
    return Reason("no_picture", {"picture": name})


@dataclass(frozen=True)
class Context:
    """What a step may use.

    `table`: its own table. `picture`: the grey picture (rows, columns), None for a step that looks at none; `colour`:
    the same (rows, columns, 3), red, green and blue, None where it has none. `others` gives any other picture of the
    shot, by its role, its light or its name in the relief, or why there is none. `part_id`: of the shot. From
    `full_scale` on pixels are saturated; `scale_end`: the upper end of the picture's scale, as far as that is known.
    `unit`: ground units (mm or px) in one unit of the recipe. `features`: of the steps that it rests on, in that order.
    `search`: finds one edge in each strip of the picture. `prefix`: starts the ids of sources that belong to this
    step and shot alone. `is_foreseen`: the edges are assumed and not seen, so their scatter says nothing. `beside`:
    what the step keeps in files beside the recipe.
    """

    table: StepTable
    picture: NDArray[Any] | None
    ground: Ground
    unit: float
    features: tuple[Feature, ...]
    search: Callable[[Strips], StripEdges] | None
    prefix: str
    shift: EdgeShift = NO_SHIFT
    is_foreseen: bool = False
    beside: Beside = NOTHING
    colour: NDArray[Any] | None = None
    others: Callable[[str], NDArray[Any] | Reason] = _alone
    part_id: str | None = None
    full_scale: float = math.inf
    scale_end: float = 1.0

    def place(self, point: tuple[float, float]) -> Array:
        """Return a point of the recipe (2,) on the ground."""
        return placed(point, self.ground.frame, self.unit)

    def coordinates(self, point: PointFeature) -> dict[str, Told]:
        """Return `x` and `y` of a point as the frame counts them: in the image y runs down."""
        y = point.xy[1]
        return {"x": point.xy[0], "y": y.times(-1.0) if self.ground.frame == "image" else y}

    def within(self, part: str) -> "Context":
        """Return the context for one of several fits of a step, whose noise is its own."""
        return Context(
            self.table, self.picture, self.ground, self.unit, self.features, self.search, f"{self.prefix}/{part}",
            self.shift, self.is_foreseen, self.beside, self.colour, self.others, self.part_id, self.full_scale,
            self.scale_end,
        )  # fmt: skip

    def asks(self, *quantities: str) -> bool:
        """Whether any of these quantities is to be read: it has limits, or is named in `readings`."""
        return not {*self.table.limits, *self.table.readings}.isdisjoint(quantities)

    def points(self) -> tuple[PointFeature, ...]:
        """Return those of the features that are points."""
        return tuple(f for f in self.features if isinstance(f, PointFeature))

    def lines(self) -> tuple[LineFeature, ...]:
        """Return those of the features that are lines."""
        return tuple(f for f in self.features if isinstance(f, LineFeature))


def placed(point: tuple[float, float], frame: str, unit: float) -> Array:
    """Return a point of the recipe (2,) on the ground of a frame; `unit`: ground units in one of the recipe."""
    x, y = point
    return np.array([x, -y]) if frame == "image" else np.array([x, y]) * unit


def corners(shape: Rectangle | Polygon, frame: str, unit: float) -> Array:
    """Return the corners (n, 2) of a region of the recipe on the ground of a frame, in their order along it."""
    if isinstance(shape, Polygon):
        return np.array([placed(point, frame, unit) for point in shape.points])
    angle = math.radians(shape.angle_deg)
    c, s = math.cos(angle), math.sin(angle)
    box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(shape.size) / 2
    return np.asarray(placed(shape.centre, frame, unit) + unit * box @ np.array([[c, s], [-s, c]]))


def towards(angles: Array) -> Array:
    """Return unit vectors (n, 2) at angles (n,) in rad, counter-clockwise from +x."""
    return np.column_stack([np.cos(angles), np.sin(angles)])


@dataclass(frozen=True)
class EdgeLook:
    """How the points of one edge look, in their order along it, n of them.

    `blur_px` (n,). `towards_light` (n, 2): unit vectors on the ground, from the dark side to the bright one.
    """

    blur_px: Array
    towards_light: Array
    is_straight: bool

    def __len__(self) -> int:
        return len(self.blur_px)


class Found(Protocol):
    """Edges, patches, a mark: what was found in the picture, with all that a person must be told of it."""

    @property
    def outlines(self) -> tuple[Array, ...]:
        """Lines (k, 2) on the ground, for drawing."""

    @property
    def flags(self) -> tuple[str, ...]:
        """What readings that rest on it are flagged with."""

    @property
    def looks(self) -> tuple[EdgeLook, ...]:
        """How its edges look, by which those of one picture are compared; none where it has none."""


@dataclass(frozen=True)
class Outlined:
    """What was found and is drawn by its `outlines`, with what is to be known of all readings that rest on it."""

    outlines: tuple[Array, ...]
    flags: tuple[str, ...]
    looks: tuple[EdgeLook, ...] = ()


@dataclass(frozen=True)
class StepResult:
    """What a step found: a value or a reason by quantity, and the feature that others may rest on.

    `found`: what it rests on, from which its drawing, its flags and the look of its edges are taken. For
    drawing, on the ground: `dimension`, the two ends (2, 2) of a measured length; `at` (2,), the place that the result
    belongs to.
    """

    told: Mapping[str, Told]
    feature: Feature | PartFeature | None = None
    operator: str | None = None
    found: tuple[Found, ...] = ()
    dimension: Array | None = None
    at: Array | None = None
    failed: Reason | None = None

    @property
    def outlines(self) -> tuple[Array, ...]:
        """Lines (k, 2) on the ground where edges were found."""
        return tuple(chain.from_iterable([found.outlines for found in self.found]))

    @property
    def flags(self) -> tuple[str, ...]:
        """The flags of all edges that were found."""
        told = [code for found in self.found for code in found.flags]
        return tuple(sorted(set(told))) if told else ()

    @classmethod
    def without(cls, reason: Reason) -> "StepResult":
        """Return the result of a step that found nothing: its reason stands for every quantity."""
        return cls({}, failed=reason)
