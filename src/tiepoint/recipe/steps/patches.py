"""`patches`: connected areas that are darker or brighter than their surroundings: how many, how large, where."""

import math
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import BeforeValidator, Field, model_validator

from tiepoint.foundation.reasons import Reason, flag
from tiepoint.foundation.sources import Value, Values, constant, stack
from tiepoint.recipe.context import Context, Outlined, StepResult, Told
from tiepoint.recipe.features import ABOUT_DEG, Feature, PlaceFeature, PointFeature, wrapped
from tiepoint.recipe.inside import Inside, inside
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.patch_values import SizedPatch, box_of_patch, size_of
from tiepoint.recipe.regions import AreaRegion, shape_of
from tiepoint.recipe.schema import EdgedTable
from tiepoint.recipe.tables import NotNegative, Number, Positive, Varying, said, shown
from tiepoint.ties.sight import scale_there
from tiepoint.vision.patches import FEWEST_PX, Found, count_holds, found_in, measure_patch
from tiepoint.vision.patches import Field as Heights
from tiepoint.vision.patches_levels import automatic_level, local_mean, noise_in
from tiepoint.vision.patches_shape import ANGLE, ELONGATION, X, Y
from tiepoint.vision.strips import as_grey

Array = NDArray[np.float64]

MOST = 1000
"""More patches than this in one region are the texture of its surface."""
STANDS_OUT = 6.0
"""An automatic level parts two classes whose means differ by this many deviations of noise, which has 1.6 itself."""
SURE_RAD = 0.1
"""With a larger u of its angle a patch has no direction."""
SATURATED = 0.01
BLANK = 0.5
"""Where nothing is found in a region of which more than this is black or saturated, nothing was seen."""


def _level(raw: Any) -> Any:
    if isinstance(raw, str) and raw not in ("automatic", "local"):
        raise said("", f'is {shown(raw)}; use "automatic", "local" or a grey level')
    return raw


class PatchesTable(EdgedTable):
    """`shade`: whether patches are `darker` or `brighter` than their surroundings. `level`: the grey level that parts
    them, or `automatic` (Otsu's, of the region), or `local`: `by` grey levels from the mean of a square of side
    `around`.

    `outline`: where the edge of a patch is drawn, at the `middle` between its own level and that of its surroundings,
    or at the `level` that found it. `least_apart`: pieces with less than this between them are one patch, as those of a
    scratch are; 0 keeps all apart that do not touch. `least_area` and `most_area`, in the recipe's unit squared: others
    do not count. `cut`: whether patches that the region or its mask cuts are `counted`, and flagged, or `left out`.
    `nth`: which one is measured, by size, the largest first. `box`: the one of `least-area`, or along the `main-axis`.
    `directed`: other steps rest on its centroid together with its main axis, which then must be sure; without, on the
    centroid alone.
    """

    region: AreaRegion
    shade: Literal["darker", "brighter"]
    level: Annotated[Number | Literal["automatic", "local"], BeforeValidator(_level)] = "automatic"
    around: Positive | None = None
    by: Positive | None = None
    outline: Literal["middle", "level"] = "middle"
    least_apart: NotNegative = 0.0
    least_area: Annotated[Varying, Field(ge=0)] = 0.0
    most_area: Varying | None = None
    cut: Literal["counted", "left out"] = "counted"
    nth: Annotated[int, Field(ge=1, le=MOST)] = 1
    box: Literal["least-area", "main-axis"] = "least-area"
    directed: bool = False

    @property
    def draws_by_level(self) -> bool:
        """Whether its outlines are drawn at the level that found them."""
        return self.outline == "level"

    @model_validator(mode="after")
    def _whole(self) -> Self:
        for key in ("around", "by"):
            if (getattr(self, key) is None) == (self.level == "local"):
                words = "is missing; a local level needs it" if self.level == "local" else 'goes with level = "local"'
                raise said(key, words)
        if self.most_area is not None and self.most_area <= self.least_area:
            raise said("most_area", f"is {self.most_area:g}; choose above least_area ({self.least_area:g})")
        return self


def run(context: Context) -> StepResult:
    """Find patches and measure them."""
    table = context.table
    assert isinstance(table, PatchesTable)
    if context.picture is None:
        return StepResult({})
    field = _field(context, table, context.picture)
    if isinstance(field, Reason):
        return StepResult.without(field)
    found = found_in(field, _apart_px(context, table, field))
    sized = _sized(context, table, field, found)
    if isinstance(sized, Reason):
        return StepResult.without(sized)
    if not len(found.pixels) and (blank := _blank(context, context.picture, field)) is not None:
        return StepResult.without(blank)
    return _told(context, table, sized)


# --- what is looked at -----------------------------------------------------------------------------------------------


def _field(context: Context, table: PatchesTable, picture: NDArray[Any]) -> Heights | Reason:
    """Return how far the region's pixels are above the level, with a border of one that nothing is in."""
    shape = shape_of(table.region)
    assert shape is not None
    area = inside(context, shape, picture.shape, context.beside.mask)
    if isinstance(area, Reason):
        return area
    grey: NDArray[Any] = as_grey(area.cut(picture))
    looked = area.looked & np.isfinite(grey)
    count = int(np.count_nonzero(looked))
    if count < 4 * FEWEST_PX:
        return Reason("few_pixels", {"found": count, "needed": 4 * FEWEST_PX})
    sign = 1.0 if table.shade == "brighter" else -1.0
    level = _level_of(context, table, area, grey, looked)
    if isinstance(level, Reason):
        return level
    signed = np.where(looked, sign * np.asarray(grey, float), 0.0)
    height = np.where(looked, signed - sign * level, 0.0)
    return Heights(
        np.pad(height, 1),
        np.pad(looked, 1),
        bool(np.issubdtype(grey.dtype, np.integer)),
        np.pad(np.greater_equal(grey, context.full_scale), 1),
        area.left - 1,
        area.top - 1,
        np.pad(signed, 1),
    )


def _level_of(
    context: Context, table: PatchesTable, area: Inside, grey: NDArray[Any], looked: NDArray[np.bool_]
) -> float | Array | Reason:
    """Return the level, one for all or one for each pixel (rows, columns)."""
    if isinstance(table.level, float | int):
        beyond = _is_beyond(context, grey)
        return Reason("level_beyond", {"level": f"{table.level:g}"}) if beyond else float(table.level)
    if table.level == "automatic":
        levels = automatic_level(grey[looked])
        noise, _ = noise_in(grey.astype(float), looked, bool(np.issubdtype(grey.dtype, np.integer)))
        if levels is None or levels.bright - levels.dark < STANDS_OUT * math.sqrt(noise):
            return Reason("no_two_levels")
        return levels.level
    assert table.around is not None
    assert table.by is not None
    # A square that holds the whole region about each of its pixels cannot tell more by being larger.
    side = min(round(table.around * context.unit / _ground_per_px(context, area)) | 1, 2 * max(grey.shape) + 1)
    mean = np.asarray(local_mean(grey.astype(np.float32), looked, max(side, 3)), float)
    return mean + (table.by if table.shade == "brighter" else -table.by)


def _is_beyond(context: Context, grey: NDArray[Any]) -> bool:
    """Whether nothing that a picture of whole numbers can show stands out from the stated level."""
    if not np.issubdtype(grey.dtype, np.integer):
        return False
    table = context.table
    assert isinstance(table, PatchesTable)
    assert isinstance(table.level, float | int)
    return table.level >= context.full_scale if table.shade == "brighter" else table.level <= 0


def _ground_per_px(context: Context, area: Inside) -> float:
    rows, cols = area.looked.shape
    middle = context.ground.way.map([(area.left + cols / 2, area.top + rows / 2)], with_sources=False).xy_mm[0]
    return float(scale_there(context.ground.sight.numbers, float(middle[0]), float(middle[1])))


def _apart_px(context: Context, table: PatchesTable, field: Heights) -> float:
    """Return how many px of the picture must be between two patches."""
    if table.least_apart == 0:
        return 0.0
    return table.least_apart * context.unit / _ground_per_px(context, Inside(field.x, field.y, field.usable))


def _blank(context: Context, picture: NDArray[Any], field: Heights) -> Reason | None:
    """Return that most of a region of whole numbers is black or saturated, so that nothing shows what was there."""
    if not np.issubdtype(picture.dtype, np.integer):
        return None
    rows, cols = field.usable.shape
    seen = picture[field.y + 1 : field.y + rows - 1, field.x + 1 : field.x + cols - 1][field.usable[1:-1, 1:-1]]
    for code, share in (("no_light", np.mean(seen == 0)), ("saturated", np.mean(seen >= context.full_scale))):
        if share > BLANK:
            return Reason(code, {"share_percent": f"{100 * share:.3g}"})
    return None


# --- what counts -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Counted:
    """The patches that count, the largest first, with their numbers among what was `found`; whether that is `sure`."""

    patches: tuple[SizedPatch, ...]
    numbers: NDArray[np.int64]
    is_sure: bool


def _sized(context: Context, table: PatchesTable, field: Heights, found: Found) -> _Counted | Reason:
    """Return the patches whose size is within the limits."""
    scale = _ground_per_px(context, Inside(field.x, field.y, field.usable))
    unit = context.unit**2
    lower, upper = table.least_area * unit, math.inf if table.most_area is None else table.most_area * unit
    # Far below and far above, the number of pixels says enough.
    likely = (found.pixels >= FEWEST_PX) & (4.0 * (found.pixels + 20.0) * scale**2 >= lower)
    likely &= found.pixels * scale**2 <= 4.0 * upper
    numbers = np.flatnonzero(likely)
    if len(numbers) > MOST:
        return Reason("many_patches", {"found": len(numbers), "most": MOST})
    kept: list[tuple[SizedPatch, int]] = []
    is_sure = True
    for number in numbers.tolist():
        patch = measure_patch(field, found, number, table.outline == "level")
        if patch.is_cut and table.cut == "left out":
            continue
        sized = size_of(context, patch, number, table.shade == "brighter", table.outline == "level")
        if isinstance(sized, Reason):
            return sized
        area, doubt = sized.area.value, sized.area.U95
        is_sure &= abs(area - lower) > doubt if lower > 0 else True
        is_sure &= abs(area - upper) > doubt
        if lower <= area <= upper:
            kept.append((sized, number))
    kept.sort(key=lambda pair: -pair[0].area.value)
    counted = np.array([number for _, number in kept], np.int64)
    least_px = max(lower / scale**2, FEWEST_PX)
    is_sure = is_sure and count_holds(field, found, counted, least_px)
    return _Counted(tuple(sized for sized, _ in kept), counted, is_sure)


# --- what is told ----------------------------------------------------------------------------------------------------

OF_ONE = ("area", "x", "y", "length", "width", "elongation", "angle")


def _told(context: Context, table: PatchesTable, counted: _Counted) -> StepResult:
    patches, nth = counted.patches, table.nth - 1
    told: dict[str, Told] = {"count": constant(float(len(patches))), "total": _total(patches)}
    flags = _flags(counted)
    lines = tuple(line for sized in patches for line in sized.loops())
    if len(patches) <= nth:
        reason = Reason("few_patches", {"found": len(patches), "asked": table.nth})
        told.update(dict.fromkeys(OF_ONE, reason))
        return StepResult(told, None, table.box, (Outlined(lines, flags),))
    is_clear = _stands_alone(patches, nth)
    if not is_clear and context.asks(*OF_ONE):
        flags = (*flags, flag("patch_order"))
    one = patches[nth]
    point = PointFeature(_xy(one.values))
    told.update(_of_one(context, table, one, int(counted.numbers[nth]), point))
    feature = _feature(one, told["angle"], point, table.directed) if is_clear else None
    return StepResult(told, feature, table.box, (Outlined(lines, flags),), at=np.asarray(one.values.value[[X, Y]]))


def _of_one(
    context: Context, table: PatchesTable, one: SizedPatch, number: int, point: PointFeature
) -> dict[str, Told]:
    told: dict[str, Told] = {"area": one.area, **context.coordinates(point), "elongation": _elongation(one)}
    told["angle"] = _angle(one.values)
    if context.asks("length", "width"):
        told["length"], told["width"] = box_of_patch(context, one, number, table.box == "least-area")
    return told


def _elongation(one: SizedPatch) -> Value | Reason:
    """Return it; a reason where the patch is so thin that it could be any: a ± of its area holds, one over it not."""
    return Reason("patch_thin") if one.patch.is_thin else one.values[ELONGATION]


def _xy(values: Values) -> Values:
    return Values(values.value[[X, Y]], values.c[[X, Y]], values.sources)


def _angle(values: Values) -> Value | Reason:
    """Return the main axis, within 90° of `ABOUT_DEG`; a reason where the patch is too round to have one."""
    angle = values[ANGLE]
    if not angle.u < SURE_RAD:
        return Reason("no_direction", {"elongation": round(float(values.value[ELONGATION]), 2)})
    return angle.at(wrapped(angle.value, math.radians(ABOUT_DEG)))


def _feature(one: SizedPatch, angle: Told, point: PointFeature, directed: bool) -> Feature | None:
    if not directed:
        return point
    if not isinstance(angle, Value):
        return None
    pose = np.array([*one.values.value[[X, Y]], angle.value])
    return PlaceFeature(Values(pose, one.values.c[[X, Y, ANGLE]], one.values.sources))


def _total(patches: tuple[SizedPatch, ...]) -> Value:
    """Return the area of all patches: what they share adds up, what is each one's own averages out."""
    if not patches:
        return constant(0.0)
    areas = stack([sized.area for sized in patches])
    return areas.known_by(float(areas.value.sum()), areas.c.sum(axis=0))


def _stands_alone(patches: tuple[SizedPatch, ...], nth: int) -> bool:
    """Whether a patch's place by size is certain."""
    for other in (nth - 1, nth + 1):
        if 0 <= other < len(patches):
            apart = patches[nth].area.plus(patches[other].area, -1.0)
            if abs(apart.value) <= apart.U95:
                return False
    return True


def _flags(counted: _Counted) -> tuple[str, ...]:
    patches = [sized.patch for sized in counted.patches]
    held = {
        "count_not_sure": not counted.is_sure,
        "patch_cut": any(p.is_cut for p in patches),
        "patch_vague": not all(p.is_clear for p in patches),
        "saturated": any(p.saturated > SATURATED for p in patches),
    }
    return tuple(flag(code) for code, holds in held.items() if holds)


STEP = StepKind(
    kind="patches",
    says="Connected areas in a region that are darker or brighter than their surroundings: how many there are, and the "
    "size and place of one of them. A count has no ±; where noise could change it, the flag `count_not_sure` says so.",
    table=PatchesTable,
    quantities=(
        Quantity("count", "number", "how many patches count", always=True),
        Quantity("total", "area", "of all patches that count"),
        Quantity("area", "area", "of the nth by size"),
        Quantity("x", "length", "of its centroid"),
        Quantity("y", "length", "of its centroid"),
        Quantity("length", "length", "of the box about it, the longer side"),
        Quantity("width", "length", "of the box about it, the shorter side"),
        Quantity("elongation", "number", "the ratio of its principal axes, by second moments"),
        Quantity("angle", "angle", "of its main axis"),
    ),
    run=run,
    gives="place",
    operators=("least-area", "main-axis"),
)
