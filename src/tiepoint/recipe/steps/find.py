"""`find`: where a part lies and how it is turned, and with that the frame of the part."""

import math
from dataclasses import dataclass, replace
from typing import Annotated, Any, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from tiepoint.foundation.reasons import Reason, flag
from tiepoint.foundation.sources import (
    Source,
    Value,
    Values,
    constant,
    coverage_factor,
    ensemble,
    merge_columns,
    stack,
)
from tiepoint.recipe.beside import TaughtShape
from tiepoint.recipe.context import Context, Outlined, StepResult, Told, corners
from tiepoint.recipe.features import Feature, LineFeature, PartFeature, PlaceFeature, PointFeature
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.regions import Polygon, Rectangle, Region
from tiepoint.recipe.relations import crossing, direction_of
from tiepoint.recipe.schema import EdgedTable
from tiepoint.recipe.tables import Name, NotNegative, Number, Point, Positive, Table, said
from tiepoint.ties.grip_envelope import inside_polygon
from tiepoint.vision.seek import LEAST_SHARE, seek
from tiepoint.vision.seek_model import FoundShape, Projection, identity

Array = NDArray[np.float64]

CERTAIN = 0.95
"""A runner-up as good as this share of the best may as well be the part."""
SIZE_P = 0.9999
"""How sure it must be that a part is larger than what is sought, or smaller, before it is told to be."""
U_SCALE = 0.002
"""Parts made to ±0.3 mm over 60 to 120 mm (ISO 2768-1, medium; from memory): a rectangle's u over 90 mm."""


class FindRegion(Region):
    """A rectangle or a polygon."""

    rectangle: Rectangle | None = None
    polygon: Polygon | None = None

    @model_validator(mode="after")
    def _states_one(self) -> Self:
        if self.rectangle is None and self.polygon is None:
            raise said("", "states no shape; give a rectangle or a polygon")
        return self

    @property
    def shape(self) -> Rectangle | Polygon:
        """The shape that is stated."""
        shape = self.rectangle or self.polygon
        assert shape is not None
        return shape


class Teaching(Table):
    """What `tiepoint teach` takes the shape from: the `region` around the part in the shot that it is taught from, and
    the part's frame there, its `origin` and the direction of its +x, `angle_deg`. `least_contrast`, in grey levels,
    leaves weaker edges out.
    """

    region: FindRegion
    origin: Point
    angle_deg: Number = 0.0
    least_contrast: Annotated[float, Field(ge=0)] = 0.0


class FindTable(EdgedTable):
    """By its `shape`: the file beside the recipe that `tiepoint teach` makes of what `taught` says. Or from steps: `of`
    two lines (the origin where they cross, +x along the first), two places (the origin at the first, +x towards the
    second), a place and a line (+x along the line, in its sense), one place (+x as in the frame it lives in), or one
    that has a direction of its own, as a code has.

    `region`: where the middle of the shape may lie; anywhere by default. `angles_deg` and `scales`: the turns of the
    part's frame and the sizes that are sought. `most`: how many parts; steps in its frame measure the one seen best,
    grips are told for each. `least_share`: how much of the outline must be seen.

    `edge`: what stands between the edges that light shows and those of the shape. A shape that a shot taught has them
    shifted alike: there only what differs from part to part counts. `u_scale`: standard uncertainty of how far parts of
    this kind differ in size from the taught one, as a share of it. A part that is seen smaller or larger than `scales`
    allow, by more than this and the ± of the seen size explain, has the flag `size_differs`.
    """

    shape: str | None = None
    taught: Teaching | None = None
    of: Annotated[tuple[Name, ...], Field(strict=False, max_length=2)] = ()
    region: FindRegion | None = None
    angles_deg: Annotated[tuple[Number, Number], Field(strict=False)] = (-180.0, 180.0)
    scales: Annotated[tuple[Positive, Positive], Field(strict=False)] = (1.0, 1.0)
    most: Annotated[int, Field(ge=1, le=100)] = 1
    least_share: Annotated[float, Field(ge=0.2, le=1.0)] = LEAST_SHARE
    u_scale: Annotated[NotNegative, Field(le=0.1)] = U_SCALE

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        by_shape = self.shape is not None or self.taught is not None
        if by_shape and self.of:
            raise said("of", "stands beside shape; find the part by its shape, or by other steps")
        if self.of and self.edge is not None:
            raise said("edge", "stands beside of; name it in the steps that make the frame")
        if not by_shape and not self.of:
            raise said("shape", "is missing; teach one (tiepoint teach), or name the steps that make the frame with of")
        if not 0 < self.angles_deg[1] - self.angles_deg[0] <= 360 and self.angles_deg[0] != self.angles_deg[1]:
            raise said(
                "angles_deg", f"runs from {self.angles_deg[0]:g} to {self.angles_deg[1]:g}; give the smaller first"
            )
        if not 0.8 <= self.scales[0] <= self.scales[1] <= 1.25:
            raise said("scales", f"runs from {self.scales[0]:g} to {self.scales[1]:g}; choose between 0.8 and 1.25")
        return self

    @property
    def rests_on(self) -> tuple[str, ...]:
        """The steps that make the frame."""
        return self.of

    @property
    def draws_by_level(self) -> bool:
        """Whether edges stand for nothing else: a computed picture shows a taught outline as it did when it taught."""
        return True


def run(context: Context) -> StepResult:
    """Find the part."""
    table = context.table
    assert isinstance(table, FindTable)
    if table.of:
        return _by_features(context)
    shape = context.beside.shape
    if shape is None:
        return StepResult.without(Reason("not_taught"))
    if context.is_foreseen:
        return _foreseen(context, shape)
    assert context.picture is not None
    return _by_shape(context, table, shape, context.picture)


# --- by its shape --------------------------------------------------------------------------------------------------


def _by_shape(context: Context, table: FindTable, shape: TaughtShape, picture: NDArray[Any]) -> StepResult:
    turned = context.ground.frame == "image"  # a shape of the image is sought as it is stored, y down
    low, high = (math.radians(a) for a in table.angles_deg)
    around = _corners(context, table)
    sought = seek(
        picture if picture.dtype in (np.uint8, np.uint16, np.float32) else picture.astype(np.float32),
        shape.taught,
        _projection(context),
        _bounds(around),
        angles=(-high, -low) if turned else (low, high),
        scales=table.scales,
        most=table.most,
        least_share=table.least_share,
        shift=context.shift.bias if shape.is_drawn else 0.0,
    )
    kept = [found for found in sought.found if _allowed(around, shape, found)]
    if not kept:
        best = Reason(
            "shape_not_found", {"percent": round(100 * sought.best_share), "least": round(100 * table.least_share)}
        )
        return StepResult.without(best)
    causes = [_causes(context, shape, found) for found in kept]
    prefixes = [f"{context.prefix}/{k}" if k else context.prefix for k in range(len(kept))]
    # A part that the tie cannot place is left out; where it was the only one, its reason is told.
    rows = zip(kept, prefixes, causes, strict=True)
    placed = [(found, prefix, cause) for found, prefix, cause in rows if not isinstance(cause, Reason)]
    if not placed:
        return StepResult.without(next(reason for reason in causes if isinstance(reason, Reason)))
    kept, solid = [found for found, _, _ in placed], [_part(context, *row) for row in placed]
    first = PartFeature(solid[0].pose, kept[0].share, tuple(solid[1:]))
    flags = set(kept[0].flags)
    if kept[0].runner_up > CERTAIN:
        flags.add(flag("find_not_sure"))
    scale = _scale(context, kept[0], placed[0][2])
    if isinstance(scale, Value) and is_other_size(scale, table.scales, table.u_scale):
        flags.add(flag("size_differs"))
    lines = tuple(line for found in kept for line in _lines(found, turned))
    told: dict[str, Told] = {
        **context.coordinates(PointFeature(_rows(first.pose, 2))),
        "angle": first.pose[2],
        "scale": scale,
        "share": constant(kept[0].share),
        "runner_up": constant(kept[0].runner_up),
        "count": constant(float(len(kept))),
    }
    return StepResult(told, first, found=(Outlined(lines, tuple(sorted(flags))),), at=first.origin)


def _projection(context: Context) -> Projection:
    return identity if context.ground.frame == "image" else context.ground.sight.project


def _corners(context: Context, table: FindTable) -> Array | None:
    """Return the corners (n, 2) of the region as the search counts them: in the image y down."""
    if table.region is None:
        return None
    on_ground = corners(table.region.shape, context.ground.frame, context.unit)
    return context.ground.sight.to_px(on_ground) if context.ground.frame == "image" else on_ground


def _bounds(around: Array | None) -> tuple[float, float, float, float] | None:
    if around is None:
        return None
    (x0, y0), (x1, y1) = around.min(axis=0).tolist(), around.max(axis=0).tolist()
    return x0, y0, x1, y1


def _allowed(around: Array | None, shape: TaughtShape, found: FoundShape) -> bool:
    """Whether the middle of a found shape lies in the region, which need not be a box along the axes."""
    if around is None:
        return True
    x, y = found.pose.place(shape.taught.centre[None])[0].tolist()
    return inside_polygon(around, (x, y))


@dataclass(frozen=True)
class _Causes:
    """What moves x, y, angle and scale of a found shape besides its edges' scatter: `c` (4, m) by each of `sources`.

    `bias` (4,): how far they are known to be off.
    """

    sources: tuple[Source, ...]
    c: Array
    bias: Array


def _part(context: Context, found: FoundShape, prefix: str, causes: _Causes) -> PartFeature:
    """Return the part's pose as values: the scatter of its edges as one ensemble, and all its causes."""
    turned = context.ground.frame == "image"
    up = np.diag([1.0, -1.0, -1.0]) if turned else np.eye(3)
    label = f'Edge noise of "{context.table.name}"'
    dof = max(float(found.edges.seen.sum()) - 3.0, 1.0)
    noise, spread = ensemble(f"edges:{prefix}", label, up @ found.cov[:3, :3] @ up, "pixel", dof)
    x, y, angle = up @ (found.pose.x, found.pose.y, found.pose.angle) - causes.bias[:3]
    value = np.array([x, y, math.remainder(angle, math.tau)])
    return PartFeature(Values(value, np.hstack([spread, causes.c[:3]]), (*noise, *causes.sources)), found.share)


def _causes(context: Context, shape: TaughtShape, found: FoundShape) -> _Causes | Reason:
    by_edge = found.edges.sensitivity.copy()
    if found.size is not None:
        by_edge[3] = found.size.by_edge
    if context.ground.frame == "image":
        by_edge[1:3] *= -1.0
    by_edge = by_edge[:, found.edges.seen]
    by_tie = _by_tie(context, shape, found, by_edge)
    return by_tie if isinstance(by_tie, Reason) else _with_shift(context, shape, found, by_edge.sum(axis=1), by_tie)


def _by_tie(
    context: Context, shape: TaughtShape, found: FoundShape, by_edge: Array
) -> tuple[tuple[Source, ...], Array] | Reason:
    """Return the causes of the tie, and how x, y, angle and scale of a found shape follow them (4, m).

    An error of the tie moves each edge on the ground, and the pose as any edge that moves does (`by_edge`); it has
    moved the edges that were taught.
    """
    if context.ground.frame == "image":
        return (), np.zeros((4, 0))
    seen = found.edges.seen
    there = context.ground.way.map(found.edges.px[seen])
    if not there.inside.all():
        return Reason("outside_tie")
    normals = found.edges.normals[seen]
    c = by_edge @ np.einsum("ni,nim->nm", normals, there.d_sources)
    if shape.strain is None:
        return tuple(there.sources), c
    taught = shape.strain.moves(shape.taught.points[seen])
    by_strain = by_edge @ np.einsum("ni,ij,njm->nm", normals, found.pose.linear, taught)
    sources = (*there.sources, *shape.strain.sources_beside(there.sources))
    return merge_columns(sources, np.hstack([c, -by_strain]))


def _with_shift(
    context: Context,
    shape: TaughtShape,
    found: FoundShape,
    by_light: Array,
    by_tie: tuple[tuple[Source, ...], Array],
) -> _Causes:
    """Add the edge definition to the causes; `by_light` (4,): by a shift of all seen edges towards the light.

    Normals point there. A drawing has its edges where they are meant, and they were sought where the definition has
    them. The outline that a shot taught was shifted as the found one is: what is alike then and now cancels.
    """
    (sources, c), shift, table = by_tie, context.shift, context.table
    assert isinstance(table, FindTable)
    then = 0.0 if shape.is_drawn else found.pose.scale
    bias = np.zeros(4) if shape.is_drawn else (1.0 - then) * shift.bias * by_light
    if shift.source is None:
        return _Causes(sources, c, bias)
    if shift.source.scope != "part" or not then:
        column = ((1.0 - then) * by_light)[:, None]
        return _Causes(*merge_columns((*sources, shift.source), np.hstack([c, column])), bias)
    # Where the taught part's own edges were stays the same for all that are found by it.
    own = replace(shift.source, id=f"taught/edge:{table.edge}/{table.shape}", scope="station")
    columns = np.column_stack([by_light, -then * by_light])
    return _Causes(*merge_columns((*sources, shift.source, own), np.hstack([c, columns])), bias)


def _rows(values: Values, count: int) -> Values:
    return Values(values.value[:count], values.c[:count], values.sources)


def _scale(context: Context, found: FoundShape, causes: _Causes) -> Value | Reason:
    """Return how large the part is seen, over the taught size."""
    if found.size is None:
        return Reason("not_a_number")
    dof = max(float(found.edges.seen.sum()) - 4.0, 1.0)
    label = f'Edge noise of "{context.table.name}"'
    own = Source(f"scale:{context.prefix}", label, "A", found.size.u, "pixel", dof=dof)
    terms = {own: 1.0} if own.u > 0 else {}
    by_cause = zip(causes.sources, causes.c[3].tolist(), strict=True)
    return Value(found.size.scale - float(causes.bias[3]), terms | {s: k for s, k in by_cause if k})


def is_other_size(scale: Value, sought: tuple[float, float], u_scale: float) -> bool:
    """Whether a seen size lies farther beyond the sought ones than its ± and the spread of parts explain.

    By Student's t for a probability of `SIZE_P`, with the root of the sum of both squares.
    """
    beyond = max(sought[0] - scale.value, scale.value - sought[1])
    return beyond > coverage_factor(SIZE_P, scale.dof) * math.hypot(scale.u, u_scale)


def _lines(found: FoundShape, turned: bool) -> list[Array]:
    """Return what was seen of the outline (n, 2) on the ground, y up, as lines between neighbours."""
    up = (1.0, -1.0) if turned else (1.0, 1.0)
    points = found.edges.ground * up
    if len(points) < 2:
        return []
    steps = np.hypot(*np.diff(points, axis=0).T)
    breaks = np.flatnonzero((steps > 3 * np.median(steps)) | ~found.edges.seen[1:] | ~found.edges.seen[:-1]) + 1
    return [line for line in np.split(points, breaks) if len(line) > 1]


def _foreseen(context: Context, shape: TaughtShape) -> StepResult:
    """Return the part where it was taught, known as well as a good picture tells."""
    x, y, angle = shape.taught.home
    if context.ground.frame == "image":
        y, angle = -y, -angle
    u = np.array(
        [0.01 * shape.taught.pixel, 0.01 * shape.taught.pixel, 0.01 * shape.taught.pixel / shape.taught.radius]
    )
    noise, spread = ensemble(
        f"edges:{context.prefix}", f'Edge noise of "{context.table.name}"', np.diag(u**2), "pixel", math.inf
    )
    pose = Values(np.array([x, y, angle]), spread, noise)
    part = PartFeature(pose)
    told: dict[str, Told] = {**context.coordinates(PointFeature(_rows(pose, 2))), "angle": pose[2]}
    return StepResult(told, part)


# --- by other steps ------------------------------------------------------------------------------------------------


def _by_features(context: Context) -> StepResult:
    pose = frame_of(context.features)
    if isinstance(pose, Reason):
        return StepResult.without(pose)
    part = PartFeature(pose)
    told: dict[str, Told] = {**context.coordinates(PointFeature(_rows(pose, 2))), "angle": pose[2]}
    told |= {"share": constant(1.0), "count": constant(1.0)}
    return StepResult(told, part, at=part.origin)


def frame_of(features: tuple[Feature, ...]) -> Values | Reason:
    """Return the pose (x, y, angle) of the frame that one or two features make."""
    first, *rest = features
    second = rest[0] if rest else None
    if isinstance(first, PlaceFeature) and second is None:
        return first.pose
    if isinstance(first, LineFeature):
        assert isinstance(second, LineFeature)
        origin = crossing(first, second)
        if isinstance(origin, Reason):
            return origin
        # The first edge leads from the corner to where it was seen.
        towards = first.ends.mean(axis=0) - origin.at
        angle = first.values[1]
        back = math.pi if float(towards @ first.direction) < 0 else 0.0
        turned = angle.at(math.remainder(angle.value + back, math.tau))
        return stack([origin.xy[0], origin.xy[1], turned])
    if second is None:
        return stack([first.xy[0], first.xy[1], constant(0.0)])
    angle = second.values[1] if isinstance(second, LineFeature) else direction_of(first, second)
    return stack([first.xy[0], first.xy[1], angle])


STEP = StepKind(
    kind="find",
    says="Where a part lies and how it is turned: by its taught shape, or by what other steps found (circles, edges, "
    "a code).",
    table=FindTable,
    quantities=(
        Quantity("x", "length", "of the part frame's origin", always=True),
        Quantity("y", "length", "of the part frame's origin", always=True),
        Quantity("angle", "angle", "of the part's +x, counter-clockwise", always=True),
        Quantity("share", "number", "of the outline that was seen, 0 to 1", always=True),
        Quantity("runner_up", "number", "the next best place's share over the best one's"),
        Quantity("scale", "number", "size over the taught size"),
        Quantity("count", "number", "how many parts were found"),
    ),
    run=run,
    gives="part",
    takes=((), ("line", "line"), ("point", "point"), ("point", "line"), ("point",), ("place",)),
)
