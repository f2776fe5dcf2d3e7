"""`compare`: what is on a part that good ones do not have."""

import math
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from tiepoint.foundation.reasons import Reason, flag
from tiepoint.foundation.sources import Source, Value, constant
from tiepoint.recipe.blemishes import Beyond, Blemish, blemishes, joins_alike, total_of
from tiepoint.recipe.context import Context, Outlined, StepResult, Told
from tiepoint.recipe.features import PointFeature
from tiepoint.recipe.good import Good
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.masks import Mask, box_size, points_of
from tiepoint.recipe.regions import Arc, AreaRegion, Polygon, Ring, Shape, shape_of
from tiepoint.recipe.schema import LookingTable
from tiepoint.recipe.tables import NotNegative, Positive, Varying
from tiepoint.ties.sight import scale_there
from tiepoint.vision.compare import TILE, Aligned, Grid, Pattern, align, beyond
from tiepoint.vision.compare_learn import ENOUGH, LEAST_GAIN, threshold

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Floats = NDArray[np.float32]

MOST_SHIFT_PX = 3.0
"""How far a part may lie from where its frame says, where nothing is stated."""
SIDES = {"either": (True, True), "darker": (True, False), "brighter": (False, True)}


class CompareTable(LookingTable):
    """`good`: the file beside the recipe that `tiepoint teach` makes of shots of good parts.

    `false_alarm`: the probability with which a good part shows a blemish somewhere; tolerances are made so. `shade`:
    whether blemishes are `darker`, `brighter` or `either`. `least_apart`: those with less than this between them are
    one, as the pieces of a scratch are. `least_area`, in the recipe's unit squared: smaller ones do not count.
    `most_shift`: how far the part may lie from where its frame says, by default 3 px: it is sought there.
    `levelled`: one gain and one offset of the grey levels are taken out first, so that a brighter lamp is no blemish.
    `floor`, in grey levels: the least spread that good parts are granted, when they are taught.
    """

    region: AreaRegion
    good: str | None = None
    false_alarm: Annotated[float, Field(ge=0.001, le=0.2)] = 0.01
    shade: Literal["either", "darker", "brighter"] = "either"
    least_apart: NotNegative = 0.0
    least_area: Annotated[Varying, Field(ge=0)] = 0.0
    most_shift: Positive | None = None
    levelled: bool = False
    floor: Positive | None = None


def run(context: Context) -> StepResult:
    """Compare the picture with what good ones teach."""
    table = context.table
    assert isinstance(table, CompareTable)
    good, picture = context.beside.good, context.picture
    if good is None:
        return StepResult.without(Reason("good_not_taught"))
    if picture is None:
        return StepResult({})
    known = known_of(context, table, good)
    if isinstance(known, Reason):
        return StepResult.without(known)
    grid = grid_of(context, known.pattern.mean.shape)
    if isinstance(grid, Reason):
        return StepResult.without(grid)
    picture = as_seen(picture)
    placed = put_on(table, picture, grid, known.pattern)
    if isinstance(placed, Reason):
        return StepResult.without(placed)
    return _compared(context, table, known, picture, grid, placed)


# --- what is known of good ones --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Known:
    """What a step needs of good pictures: their `pattern`, their `tolerance` (rows, cols), which is so many `spreads`,
    and one over it (`granted`, 0 where nothing is looked at).
    """

    good: Good
    pattern: Pattern
    tolerance: Floats
    granted: Floats
    spreads: float

    def widened(self, u_px: float) -> "Known":
        """Return the same with edges that may lie off by more than was learnt."""
        if u_px <= self.good.learnt.edge_px:
            return self
        return _known(self.good, self.pattern, self.spreads, u_px)


def known_of(context: Context, table: CompareTable, good: Good) -> Known | Reason:
    """Return what good pictures say of the region; worked out once, and kept with them."""
    made: dict[Any, Known | Reason] = good.known
    shape, mask = shape_of(table.region), context.beside.mask
    assert shape is not None
    key = (repr(shape), id(mask), table.false_alarm, table.levelled, context.unit)
    if key not in made:
        made[key] = _known_anew(context, table, good, shape, mask)
    return made[key]


def _known_anew(context: Context, table: CompareTable, good: Good, shape: Shape, mask: Mask | None) -> Known | Reason:
    size = np.array(box_size(shape)) * context.unit
    if not np.allclose(size, good.size, rtol=1e-6) or table.levelled != good.is_levelled:
        return Reason("taught_otherwise")
    looked = looked_of(shape, mask, good.learnt.mean.shape, context.ground.frame == "image")
    if (looked & ~good.looked).any() or not looked.any():
        return Reason("taught_otherwise")
    pattern = Pattern(good.learnt.mean, looked)
    spreads = threshold(good.learnt, int(good.looked.sum()), table.false_alarm)
    return _known(good, pattern, spreads, good.learnt.edge_px)


def _known(good: Good, pattern: Pattern, spreads: float, edge_px: float) -> Known:
    tolerance = np.asarray(np.float32(spreads) * good.learnt.granted(pattern, edge_px), np.float32)
    granted = np.where(pattern.looked, 1 / np.where(pattern.looked, tolerance, 1), 0).astype(np.float32)
    return Known(good, pattern, tolerance, granted, spreads)


def looked_of(shape: Shape, mask: Mask | None, size: tuple[int, ...], is_down: bool) -> Bools:
    """Return which places of a grid (rows, cols) over a region's box lie in the region, and are not painted over."""
    rows, cols = size
    own = _own_of(rows, cols)
    looked = np.ones(len(own), bool) if mask is None else ~mask.hides(own)
    if isinstance(shape, (Ring, Arc, Polygon)):
        looked &= _lies_in(shape, points_of(shape, own, is_down), is_down)
    return looked.reshape(rows, cols)


def _own_of(rows: int, cols: int) -> Array:
    x, y = np.meshgrid((np.arange(cols) + 0.5) / cols * 2 - 1, 1 - (np.arange(rows) + 0.5) / rows * 2)
    return np.column_stack([x.ravel(), y.ravel()])


def _lies_in(shape: Ring | Arc | Polygon, points: Array, is_down: bool) -> Bools:
    up = np.array([1.0, -1.0 if is_down else 1.0])
    if isinstance(shape, Polygon):
        return _even_odd(up * np.array(shape.points), points)
    x, y = (points - up * shape.centre).T
    away = np.hypot(x, y)
    if isinstance(shape, Ring):
        return np.asarray((away >= shape.inner) & (away <= shape.outer))
    turned = (np.degrees(np.arctan2(y, x)) - shape.from_deg) % 360
    within = np.abs(away - shape.radius) <= shape.width / 2
    return np.asarray(within & (turned <= shape.to_deg - shape.from_deg))


def _even_odd(corners: Array, points: Array) -> Bools:
    inside = np.zeros(len(points), bool)
    x, y = points.T
    for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if y0 != y1:
            inside ^= ((y0 > y) != (y1 > y)) & (x < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    return inside


# --- where it lies ---------------------------------------------------------------------------------------------------


def size_of_grid(context: Context, shape: Shape) -> tuple[int, int]:
    """Return rows and columns of a grid over a region's box, a place for each pixel of the picture about its middle."""
    wide, tall = (side * context.unit for side in box_size(shape))
    middle = points_of(shape, np.zeros((1, 2)), context.ground.frame == "image")[0] * context.unit
    scale = float(scale_there(context.ground.sight.numbers, float(middle[0]), float(middle[1])))
    return max(TILE, round(tall / scale)), max(1, round(wide / scale / TILE)) * TILE


def grid_of(context: Context, size: tuple[int, ...]) -> Grid | Reason:
    """Return the grid (rows, cols) over the step's region; a reason where the picture or the tie does not hold it."""
    table = context.table
    shape = shape_of(getattr(table, "region", None))
    assert shape is not None
    rows, cols = size
    is_down = context.ground.frame == "image"

    def to_px(places: Array) -> Array:
        own = ((places + 0.5) / [cols, rows] * 2 - 1) * [1, -1]
        return context.ground.sight.to_px(points_of(shape, own, is_down) * context.unit)

    grid = Grid(rows, cols, to_px)
    picture = context.picture
    assert picture is not None
    if not grid.is_within(picture.shape):
        return Reason("outside_picture")
    corners = grid.px(np.array([[0, 0], [cols - 1, 0], [cols - 1, rows - 1], [0, rows - 1]], float))
    if not context.ground.way.map(corners, with_sources=False).inside.all():
        return Reason("outside_tie")
    return grid


def as_seen(picture: NDArray[Any]) -> NDArray[Any]:
    """Return a picture in a type that can be resampled."""
    return picture if picture.dtype in (np.uint8, np.uint16, np.float32) else picture.astype(np.float32)


def reach_px(table: CompareTable, grid: Grid) -> float:
    """Return how far the part may lie from where its frame says, in px of the grid."""
    if table.most_shift is None:
        return MOST_SHIFT_PX
    shape = shape_of(table.region)
    assert shape is not None
    return table.most_shift * grid.cols / box_size(shape)[0]


def put_on(table: CompareTable, picture: NDArray[Any], grid: Grid, pattern: Pattern) -> Aligned | Reason:
    """Return where the picture fits the good ones best; a reason where that is too far off."""
    reach = reach_px(table, grid)
    placed = align(picture, grid, pattern, reach)
    if not placed.is_sure:
        return Reason("not_aligned")
    if placed.reach_px(grid) > reach:
        return Reason("moved", {"shift_px": f"{placed.reach_px(grid):.3g}", "most_px": f"{reach:.3g}"})
    if table.levelled and not LEAST_GAIN <= placed.gain <= 1 / LEAST_GAIN:
        return Reason("light_differs", {"gain": f"{placed.gain:.3g}"})
    if not grid.moved(*placed.move).is_within(picture.shape):
        return Reason("outside_picture")
    return placed


# --- what is told ----------------------------------------------------------------------------------------------------


def _compared(
    context: Context, table: CompareTable, known: Known, picture: NDArray[Any], grid: Grid, placed: Aligned
) -> StepResult:
    known, moved = known.widened(placed.u_px(grid)), grid.moved(*placed.move)
    gain, offset = (placed.gain, placed.offset) if table.levelled else (1.0, 0.0)
    pattern = known.pattern
    marks, most, _ = beyond(picture, moved, pattern.mean, known.granted, (gain, offset), SIDES[table.shade])
    found: tuple[Blemish, ...] | Reason = ()
    alike = True
    if not most <= 1:
        shape = shape_of(table.region)
        assert shape is not None
        spread = known.good.learnt.spread
        apart_px = table.least_apart * grid.cols / box_size(shape)[0]
        seen = Beyond(picture, moved, pattern, marks, known.tolerance, spread, gain, offset, apart_px)
        found, alike = blemishes(context, shape, seen), joins_alike(seen)
    if isinstance(found, Reason):
        return StepResult.without(found)
    counted, is_sure = _that_count(found, table.least_area * context.unit**2)
    told = _told(context, counted)
    told |= {"gain": constant(gain), "offset": constant(offset), "shift": _shift(context, grid, placed)}
    told["contrast"] = _contrast(context, most, 1 / known.spreads)
    flags = _flags(table, known, counted, is_sure and alike)
    lines = tuple(line for blemish in counted for line in blemish.outlines)
    at = counted[0].xy.value if counted else grid_middle(context)
    return StepResult(told, found=(Outlined(lines, flags),), at=at)


def _that_count(found: tuple[Blemish, ...], least: float) -> tuple[tuple[Blemish, ...], bool]:
    """Return the blemishes that are large enough, the largest first, and whether none is about as large as that."""
    kept = sorted((b for b in found if b.area.value >= least), key=lambda b: -b.area.value)
    return tuple(kept), least == 0 or all(abs(b.area.value - least) > b.area.U95 for b in found)


def _told(context: Context, counted: tuple[Blemish, ...]) -> dict[str, Told]:
    told: dict[str, Told] = {"count": constant(float(len(counted))), "total": total_of(counted)}
    if not counted:
        told |= dict.fromkeys(("area", "length", "width"), constant(0.0))
        return told | dict.fromkeys(("x", "y"), Reason("no_blemish"))
    largest = counted[0]
    told["area"] = largest.area
    told["length"] = max((b.length for b in counted), key=lambda v: v.value)
    told["width"] = max((b.width for b in counted), key=lambda v: v.value)
    return told | context.coordinates(PointFeature(largest.xy))


def _contrast(context: Context, most: float, spread: float) -> Value | Reason:
    """Return the greatest deviation in tolerances; another picture of the same part would tell it within a `spread`."""
    if not math.isfinite(most):
        return Reason("not_a_number")
    label = f'How good parts of "{context.table.name}" differ at a place'
    return Value(most, {Source(f"contrast:{context.prefix}", label, "A", spread, "pixel"): 1.0})


def _shift(context: Context, grid: Grid, placed: Aligned) -> Value:
    """Return how far the part was moved for the comparison, at the farthest corner, in ground units."""
    corners = grid.px(np.array([[0.0, 0.0], [grid.cols - 1.0, 0.0]]))
    a, b = context.ground.way.map(corners, with_sources=False).xy_mm
    scale = float(np.hypot(*(b - a))) / (grid.cols - 1)
    u = max(placed.u_px(grid), 1e-6) * scale
    source = Source(f"aligned:{context.prefix}", f'Aligning of "{context.table.name}"', "A", u, "shot")
    return Value(placed.reach_px(grid) * scale, {source: 1.0})


def _flags(table: CompareTable, known: Known, counted: tuple[Blemish, ...], is_sure: bool) -> tuple[str, ...]:
    said = {
        "few_good": known.good.learnt.count < ENOUGH,
        "levelled": table.levelled,
        "count_not_sure": not is_sure,
        "patch_vague": any(not b.is_clear for b in counted),
        "patch_cut": any(b.is_cut for b in counted),
    }
    return tuple(flag(code) for code, is_so in said.items() if is_so)


def grid_middle(context: Context) -> Array:
    """Return the middle of the region's box on the ground (2,)."""
    shape = shape_of(getattr(context.table, "region", None))
    assert shape is not None
    return np.asarray(points_of(shape, np.zeros((1, 2)), context.ground.frame == "image")[0] * context.unit)


STEP = StepKind(
    kind="compare",
    says="Blemishes: what a part shows that good ones, from which it was taught, do not.",
    table=CompareTable,
    quantities=(
        Quantity("count", "number", "of blemishes", always=True),
        Quantity("area", "area", "of the largest blemish; 0 without any", always=True),
        Quantity("length", "length", "the greatest length of a blemish"),
        Quantity("width", "length", "the greatest width of a blemish"),
        Quantity("total", "area", "of all blemishes together"),
        Quantity("contrast", "number", "the greatest deviation from good ones; 1 is the tolerance", always=True),
        Quantity("x", "length", "of the largest blemish's centroid"),
        Quantity("y", "length", "of the largest blemish's centroid"),
        Quantity("shift", "length", "how far the picture was moved to fit, at the region's farthest corner"),
        Quantity("gain", "number", "of the picture's levels against the good ones', taken out where levelled"),
        Quantity("offset", "number", "likewise, in grey levels"),
    ),
    run=run,
)
