"""`colour`: the mean colour of a region in CIELAB, how it scatters, and how far it is from a nominal one."""

import math
from dataclasses import dataclass
from typing import Annotated, Any, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from tiepoint.foundation.reasons import Reason, flag
from tiepoint.foundation.sources import Source, Value, Values, ensemble, measured
from tiepoint.recipe.context import Context, EdgeLook, StepResult, Told
from tiepoint.recipe.features import Derived
from tiepoint.recipe.ground import Ground, ImageGround
from tiepoint.recipe.inside import inside_on, outlines
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.masks import Mask
from tiepoint.recipe.regions import AreaRegion, shape_of
from tiepoint.recipe.schema import LookingTable
from tiepoint.recipe.tables import NotNegative, Table, Varying, said
from tiepoint.vision.colour import Encoding, Patch, Scale, delta_e00, lab_of, patch_of, spread_of

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOST_CUT_OFF = 0.01
"""More pixels than this at either end of a channel, and the colour is no longer that of the region."""
LEAST_PIXELS = 64
CHANNELS = "rgb"
NEGLIGIBLE = 1e-9
HUE_NEEDS = 3.0
"""A colour this many u from grey has a hue."""
NUDGE = 1e-6
"""Step of the derivatives from light to CIELAB, in shares of the white."""


class WhiteTable(Table):
    """A white or grey patch in the same picture, by which all light is counted: so a lamp that ages changes no colour.

    `in`: `image` where the patch stands still in the picture, else the frame of the step. `reflectance` of the patch,
    as a share, with its standard uncertainty `u`; without it colours are told as seen against the patch itself.
    """

    region: AreaRegion
    in_: str | None = Field(default=None, alias="in")
    reflectance: Annotated[float, Field(gt=0, le=1.5)] = 1.0
    u: NotNegative = 0.0

    @model_validator(mode="after")
    def _known_frame(self) -> Self:
        if self.in_ not in (None, "image"):
            raise said("in", 'is not known here; use "image", or leave it out for the frame of the step')
        return self


class ColourTable(LookingTable):
    """`encoding`: how grey levels follow the light, `sRGB` by its curve, or `linear` where the camera is set so.

    `white`: a patch by which light is counted; without it white is the upper end of all three channels. `nominal`: L*,
    a* and b* that `delta_e` is told from.
    """

    region: AreaRegion
    encoding: Encoding = "sRGB"
    white: WhiteTable | None = None
    nominal: Annotated[tuple[Varying, Varying, Varying], Field(strict=False)] | None = None

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.nominal is None and ("delta_e" in self.limits or "delta_e" in self.readings):
            raise said("nominal", "is missing, and delta_e is told from it; give L*, a* and b*, as in [52, 40, 20]")
        if self.plane != "grey":
            raise said("plane", "stands in a colour step, which looks at all three channels; leave it out")
        return self


@dataclass(frozen=True)
class _Seen:
    """The pixels of a region (rows, cols, 3), which of them were `looked` at (rows, cols), and their light."""

    pixels: NDArray[Any]
    looked: Bools
    patch: Patch


@dataclass(frozen=True)
class _Notes:
    """What is to be known of a colour: it has no edges that could be drawn."""

    flags: tuple[str, ...]
    outlines: tuple[Array, ...] = ()
    looks: tuple[EdgeLook, ...] = ()


def run(context: Context) -> StepResult:
    """Measure the colour of the region."""
    table = context.table
    assert isinstance(table, ColourTable)
    seen = _look(context, context.ground, table.region, context.unit, context.beside.mask)
    if isinstance(seen, Reason):
        return StepResult.without(seen)
    light = _light_of(seen.patch, context.prefix, f'Scatter of "{table.name}"')
    gain = np.ones(3)
    if table.white is not None:
        white = _white(context, table.white)
        if isinstance(white, Reason):
            return StepResult.without(white)
        light, gain = _against(light, white), 1 / white.value
    lab = _lab(light)
    told = _told(table, lab)
    if context.asks("spread"):
        told["spread"] = _spread(context, table, seen, gain, lab.value)
    at = np.mean(_outline(table.region, context.ground, context.unit), axis=0)
    held = {"glints_left_out": seen.patch.cut_off > 0, "white_not_stated": table.white is None}
    flags = (flag("camera_colour"), *(flag(code) for code, holds in held.items() if holds))
    return StepResult(told, found=(_Notes(flags),), at=at)


# --- from pixels to light -------------------------------------------------------------------------------------------


def _look(context: Context, ground: Ground, region: AreaRegion, unit: float, mask: Mask | None) -> _Seen | Reason:
    """Return the light of a region; a reason where it cannot be told."""
    picture, table = context.colour, context.table
    if picture is None:
        return Reason("no_colour")
    shape = shape_of(region)
    assert shape is not None
    place = inside_on(ground, shape, unit, picture.shape, mask)
    if isinstance(place, Reason):
        return place
    assert isinstance(table, ColourTable)
    count = int(place.looked.sum())
    if count < LEAST_PIXELS:
        return Reason("few_pixels", {"found": count, "needed": LEAST_PIXELS})
    pixels = place.cut(picture)
    patch = patch_of(pixels, place.looked, _scale(context, table))
    if patch.cut_off > MOST_CUT_OFF:
        return Reason("saturated", {"share_percent": f"{100 * patch.cut_off:.3g}"})
    if patch.dark > MOST_CUT_OFF:
        return Reason("no_light", {"share_percent": f"{100 * patch.dark:.3g}"})
    if patch.dof < 1:
        return Reason("few_pixels", {"found": patch.count, "needed": LEAST_PIXELS})
    return _Seen(pixels, place.looked, patch)


def _scale(context: Context, table: ColourTable) -> Scale:
    return Scale(table.encoding, context.scale_end, context.full_scale)


def _outline(region: AreaRegion, ground: Ground, unit: float) -> Array:
    shape = shape_of(region)
    assert shape is not None
    return outlines(shape, ground.frame, unit)[0]


def _light_of(patch: Patch, prefix: str, label: str) -> Values:
    """Return the light by red, green and blue (3,): its scatter as one ensemble, and the rounding of each channel."""
    noise, spread = ensemble(f"colour:{prefix}", label, patch.covariance, "pixel", patch.dof)
    light = Values(patch.light, spread, noise)
    for k, u in enumerate(patch.u_rounding.tolist()):
        if u > NEGLIGIBLE:
            whole = Source(f"levels:{prefix}/{CHANNELS[k]}", "Whole grey levels", "B", u, "shot", "rectangular")
            light = light.with_source(whole, np.eye(3)[k])
    return light


def _white(context: Context, white: WhiteTable) -> Values | Reason:
    """Return what a perfect white would show (3,), by the patch that is taken for it."""
    still = white.in_ == "image"
    ground, unit = (ImageGround(), 1.0) if still else (context.ground, context.unit)
    seen = _look(context, ground, white.region, unit, None)
    if isinstance(seen, Reason):
        return Reason("white_unusable", {"detail": seen.sentence.rstrip(".")})
    light = _light_of(seen.patch, f"{context.prefix}/white", f'Scatter of the white of "{context.table.name}"')
    x, y = np.mean(_outline(white.region, ground, unit), axis=0).tolist()
    known = Source(f"white:{ground.frame}:{x:g},{y:g}", "Reflectance of the white", "B", white.u, "station")
    perfect = light.through(light.value / white.reflectance, np.eye(3) / white.reflectance)
    return perfect.with_source(known, -perfect.value / white.reflectance) if white.u > 0 else perfect


def _against(light: Values, white: Values) -> Values:
    """Return light in shares of a white (3,), channel by channel."""
    share = light.value / white.value
    jacobian = np.hstack([np.diag(1 / white.value), np.diag(-share / white.value)])
    return light.beside(white).through(share, jacobian)


# --- from light to colour -------------------------------------------------------------------------------------------


def _lab(light: Values) -> Values:
    """Return L*, a* and b* of light, which they follow smoothly."""
    nudged = light.value + NUDGE * np.vstack([np.eye(3), -np.eye(3)])
    ends = lab_of(nudged)
    return light.through(lab_of(light.value), (ends[:3] - ends[3:]).T / (2 * NUDGE))


def _told(table: ColourTable, lab: Values) -> dict[str, Told]:
    told: dict[str, Told] = {"L": lab[0], "a": lab[1], "b": lab[2]}
    ab = Values(lab.value[1:], lab.c[1:], lab.sources)
    told["chroma"] = Derived(lambda draws: np.hypot(*draws), ab, 0.0)
    told["hue"] = _hue(ab)
    if table.nominal is not None:
        nominal = np.array(table.nominal)
        told["delta_e"] = Derived(lambda draws: delta_e00(draws.T, nominal), lab, 0.0)
    return told


def _hue(ab: Values) -> Derived | Reason:
    """Return the angle of a* and b*, 0 to one turn; a reason where it could be any."""
    a, b = ab.value.tolist()
    reach = HUE_NEEDS * math.sqrt(float(np.linalg.eigvalsh(ab.covariance)[-1]))
    if math.hypot(a, b) <= max(reach, NEGLIGIBLE):
        return Reason("no_hue")
    about = math.atan2(b, a) % math.tau

    def formula(draws: Array) -> Array:
        turned = np.arctan2(draws[1], draws[0]) - about
        return np.asarray(about + (turned + math.pi) % math.tau - math.pi)

    return Derived(formula, ab)


def _spread(context: Context, table: ColourTable, seen: _Seen, gain: Array, lab: Array) -> Value:
    """Return how single pixels scatter about the colour."""
    spread, u = spread_of(seen.pixels, seen.looked, gain, lab, _scale(context, table))
    scatter = Source(f"spread:{context.prefix}", f'Scatter of "{table.name}"', "A", u, "pixel", dof=seen.patch.dof)
    return measured(spread, scatter)


STEP = StepKind(
    kind="colour",
    says="The mean colour of a region in CIELAB, as this camera shows it under this light.",
    table=ColourTable,
    quantities=(
        Quantity("L", "number", "CIE 1976 lightness L*, 0 to 100", always=True),
        Quantity("a", "number", "CIE 1976 a*, from green to red", always=True),
        Quantity("b", "number", "CIE 1976 b*, from blue to yellow", always=True),
        Quantity("chroma", "number", "distance of a* and b* from grey"),
        Quantity(
            "hue", "angle", "the angle of a* and b*: red near 0°, yellow near 90°, green near 180°, blue near 270°"
        ),
        Quantity("delta_e", "number", "CIEDE2000 difference from the nominal colour"),
        Quantity("spread", "number", "rms ΔE*ab of single pixels from the mean colour; noise counts too"),
    ),
    run=run,
)
