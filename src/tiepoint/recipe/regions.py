"""Where a step looks: the shapes of a region, in the recipe's unit (`in = "image"`: in px).

A rectangle is searched along its own x axis, which `angle_deg` turns counter-clockwise; a ring and an arc are
searched outwards from their centre. So the direction of search, which `polarity` refers to, is always in the
drawing of the region itself.
"""

from collections.abc import Mapping
from typing import Annotated, Any, Self

from pydantic import Field, model_validator

from tiepoint.recipe.tables import Number, Point, Positive, Table, said

SHAPES = ("rectangle", "ring", "arc", "polygon", "path")


class Rectangle(Table):
    """`size` along its own x and y axes about `centre`; `angle_deg` turns it counter-clockwise."""

    centre: Point
    size: Annotated[tuple[Positive, Positive], Field(strict=False)]
    angle_deg: Number = 0.0


class Ring(Table):
    """Between the radii `inner` and `outer` about `centre`."""

    centre: Point
    inner: Positive
    outer: Positive

    @model_validator(mode="after")
    def _inner_below_outer(self) -> Self:
        if self.inner >= self.outer:
            raise said("inner", f"is {self.inner:g}; choose above 0 and below outer ({self.outer:g})")
        return self


class Arc(Table):
    """`width` wide about `radius`, counter-clockwise from `from_deg` to `to_deg`."""

    centre: Point
    radius: Positive
    width: Positive
    from_deg: Number
    to_deg: Number

    @model_validator(mode="after")
    def _proper(self) -> Self:
        if self.width >= 2 * self.radius:
            raise said("width", f"is {self.width:g}; choose above 0 and below {2 * self.radius:g}, twice the radius")
        if not 0 < self.to_deg - self.from_deg <= 360:
            raise said("to_deg", f"is {self.to_deg:g}; choose above from_deg ({self.from_deg:g}) and at most 360 more")
        return self


class Polygon(Table):
    """The inside of a closed line through at least three points."""

    points: Annotated[tuple[Point, ...], Field(strict=False, min_length=3, max_length=1000)]


class Path(Table):
    """`width` wide along a line through at least two points."""

    points: Annotated[tuple[Point, ...], Field(strict=False, min_length=2, max_length=1000)]
    width: Positive

    @model_validator(mode="after")
    def _leads_somewhere(self) -> Self:
        if len({*self.points}) == 1:
            raise said("points", f"is {len(self.points)} times the same place; give at least two different ones")
        return self


class Region(Table):
    """A region of one of the shapes that a kind of step can use; each kind states its own."""

    @model_validator(mode="before")
    @classmethod
    def _one_known_shape(cls, raw: Any) -> Any:
        if not isinstance(raw, Mapping):
            return raw
        usable = tuple(cls.model_fields)
        other = [key for key in raw if key in SHAPES and key not in usable]
        if other:
            raise said("", f"is a {other[0]}; this kind of step looks in a {' or a '.join(usable)}")
        if len(raw) > 1 and all(key in usable for key in raw):
            raise said("", f"has {len(raw)} shapes; give one")
        return raw


Shape = Rectangle | Ring | Arc | Polygon | Path


def shape_of(region: Any) -> Shape | None:
    """Return the shape of a region, whichever it is; None without a region."""
    shapes = [getattr(region, name, None) for name in SHAPES]
    return next((shape for shape in shapes if shape is not None), None)


class RectangleRegion(Region):
    """A rectangle."""

    rectangle: Rectangle


class RingRegion(Region):
    """A ring."""

    ring: Ring


class ArcRegion(Region):
    """An arc."""

    arc: Arc


class AreaRegion(Region):
    """A rectangle, a ring, an arc or a polygon."""

    rectangle: Rectangle | None = None
    ring: Ring | None = None
    arc: Arc | None = None
    polygon: Polygon | None = None

    @model_validator(mode="after")
    def _states_one(self) -> Self:
        if shape_of(self) is None:
            raise said("", "states no shape; give a rectangle, a ring, an arc or a polygon")
        return self


class PathRegion(Region):
    """A path."""

    path: Path
