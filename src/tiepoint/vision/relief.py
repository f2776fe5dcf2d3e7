"""Relief: what a part's surface is like, from pictures under several lamps.

Photometric stereo after Woodham (Optical Engineering 19, 1980): slopes and albedo per pixel, the relief by
integration. What it gives is relative: it is called relief, and no height, unless it was scaled on a known step.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry, UnusablePicture
from tiepoint.foundation.once import cached_property
from tiepoint.foundation.reasons import Reason, flag
from tiepoint.vision.full_scale import full_scale
from tiepoint.vision.relief_detail import composites, curvature
from tiepoint.vision.relief_integrate import integrate
from tiepoint.vision.relief_kernels import confidence_of, solve_any, solve_four
from tiepoint.vision.relief_lamps import from_shot
from tiepoint.vision.relief_lights import CHANNELS, Ground, LightField, Lights, field_of, ground_of, to_angles
from tiepoint.vision.relief_motion import find_motion, looks_still, registered
from tiepoint.vision.relief_noise import no_surface, picture_noise, unexplained_noise, usual_misfit
from tiepoint.vision.relief_order import order_doubt
from tiepoint.vision.relief_step import Scale, Step, scale_of

Name = Literal["albedo", "slope_x", "slope_y", "curvature", "relief", "confidence", "raised", "sunken"]
NAMES: tuple[Name, ...] = get_args(Name)
Picture = NDArray[np.float32]

SMALLEST_SIDE_PX = 8
NOISE_ALLOWED = 5.0
"""Deviations of noise that the lamps may disagree by before one is left out."""
MODEL_SHARE = 0.04
"""Share of ρ that they may disagree by beside that: no surface is quite matte, no lamp quite where it is said to be."""
UNUSUAL = 3.0
"""Where lamps disagree by more all over the picture, a highlight is what disagrees so many times more than most."""
CONFIDENT_SLOPE = 0.1
"""The standard uncertainty of a slope at which confidence is one half."""
MOST_SATURATED, MOST_BLACK = 0.5, 0.5
"""Shares of pixels without three good lamps at which a shot is refused."""
SAMPLE = 30_000
"""Pixels by which a shot is looked over: a share of 2 % is told to a tenth of it."""
GLOSSY_SHARE = 0.02
"""Share of pixels with a lamp left out for its highlight, above which the surface is called glossy."""
LAMP_DIFFERS = 0.03
"""Share of its light from which a lamp is said to differ by a part's own shot: no surface is quite matte."""
UNTOLD_MOTION = (
    "It cannot be told whether the part moved between the pictures: the lamps disagree by what no shift explains, "
    "as where a surface shines."
)


@dataclass(frozen=True)
class Relief:
    """Pictures computed from a shot under several lamps, each (rows, cols), in the shot's own pixels.

    Slopes are rise per run along the plane's axes. `used` holds a bit for each lamp that was used. `noise` is the grey
    values' sd that `confidence` rests on. `scale`: what a known step made of the relief, None where it is relative.
    `notes` are sentences for a person.
    """

    albedo: Picture
    slope_x: Picture
    slope_y: Picture
    used: NDArray[np.uint16]
    ground: Ground
    noise: float
    feature_px: float
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    scale: Scale | None = None
    _solved: "_Solved | None" = field(default=None, repr=False, compare=False)

    def picture(self, name: str) -> NDArray[Any]:
        """Return one of the eight pictures by name; `KeyError` for any other name."""
        if name not in NAMES:
            raise KeyError(f"there is no relief picture {name!r}; there are {', '.join(NAMES)}")
        return np.asarray(getattr(self, name))

    @property
    def unit(self) -> str:
        """The unit of lengths on the plane, mm or px; of curvature it is one over that."""
        return self.ground.unit

    @property
    def relief_unit(self) -> str:
        """The unit of `relief`: mm where a known step scaled it, else that of the plane, by slopes alone."""
        return self.unit if self.scale is None else "mm"

    @cached_property
    def relief(self) -> Picture:
        """The integrated surface (f32), of mean 0, in `relief_unit`; relative unless there is a `scale`."""
        factor = 1.0 if self.scale is None else self.scale.factor
        return integrate(self.slope_x, self.slope_y, self.ground.matrix, factor)

    def scale_from(self, step: Step) -> Scale | str:
        """Return the scale that this relief of a part with a known step gives others, or why none, in a clause."""
        own = self if self.scale is None else replace(self, scale=None)
        return scale_of(own.relief, self.used, self.ground, step, self.feature_px)

    def scaled(self, scale: Scale) -> "Relief":
        """Return the same with its relief in mm, which a note tells."""
        share = f"{200 * scale.u / scale.factor:.2g} %"
        note = f"The relief is in mm after a known step: times {scale.factor:.4g} (± {share}, k = 2)."
        return replace(self, scale=scale, notes=(*self.notes, note))

    @cached_property
    def curvature(self) -> Picture:
        """The sum of the principal curvatures (f32), positive on a ridge, per `unit`."""
        return curvature(self.slope_x, self.slope_y, self.ground.matrix)

    @cached_property
    def confidence(self) -> Picture:
        """1/(1 + (u/0.1)²) (f32), u being the standard uncertainty of the slopes there; 0 where there are none."""
        assert self._solved is not None
        return self._solved.confidence(self)

    @cached_property
    def _composites(self) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
        return composites(self.relief, self.feature_px)

    @property
    def raised(self) -> NDArray[np.uint16]:
        """Raised detail of about `feature_px` width, bright on even ground."""
        return self._composites[0]

    @property
    def sunken(self) -> NDArray[np.uint16]:
        """Sunken detail of about `feature_px` width, bright on even ground."""
        return self._composites[1]

    def angles_of_lamps(self) -> list[tuple[float, float]]:
        """Return azimuth and elevation in degrees of each lamp, as seen from the middle of the picture."""
        assert self._solved is not None
        return [to_angles(pull) for pull in self._solved.field.middle]

    def u_slope(self) -> Picture:
        """Return the standard uncertainty of the slopes (rows, cols), the same for either; infinite where none is."""
        c = self.confidence
        with np.errstate(divide="ignore"):
            return np.asarray(CONFIDENT_SLOPE * np.sqrt(1 / c - 1), np.float32)


@dataclass(frozen=True)
class _Solved:
    """What the confidence map needs of the shot."""

    pictures: tuple[NDArray[Any], ...]
    black: float
    field: LightField

    def confidence(self, relief: Relief) -> Picture:
        out, there = np.empty_like(relief.albedo), self.field
        pictures = tuple(_read_only(one) for one in self.pictures)
        confidence_of(
            pictures, np.float32(self.black), there.pulls, there.step_px, relief.noise, MODEL_SHARE,
            relief.albedo, relief.slope_x, relief.slope_y, relief.used, CONFIDENT_SLOPE, out,
        )  # fmt: skip
        return out


def _read_only(picture: NDArray[Any]) -> NDArray[Any]:
    """Return a view that cannot be written to: kernels take a tuple only of arrays that are alike."""
    view = picture.view()
    view.flags.writeable = False
    return view


def relief_of(
    pictures: Sequence[NDArray[Any]],
    lights: Lights,
    *,
    mm_per_px: float | None = None,
    plane_from_image: NDArray[Any] | None = None,
    flat: Sequence[NDArray[Any]] | None = None,
    feature_px: float = 8.0,
    noise: float | None = None,
    leave_out: bool = True,
    register: bool = True,
    light_field: LightField | None = None,
) -> Relief | Reason:
    """Return the relief of a shot, or the reason why there is none.

    `pictures` in the order of the lamps, (rows, cols) uint8, uint16 or float32, or (rows, cols, 3) for lamps that are
    told apart by colour; `flat` likewise, of a flat plate. The plane by `plane_from_image` (2, 3) or `mm_per_px`;
    without either it is in px, and near lamps are refused. `noise`: the grey values' sd where it is known.
    `leave_out`: whether lamps are left out where they are in shadow, in a highlight or saturated.
    `register`: whether pictures that disagree are looked at for a part that moved, and laid upon one another.
    `light_field`: what `field_of` gave for the same lights, shape, ground and flat before.
    """
    planes = _planes(pictures, lights, "the shot")
    flat_planes = None if flat is None else _planes(flat, lights, "the flat reference")
    for given in (planes, flat_planes):
        if isinstance(given, Reason):
            return given
    assert not isinstance(planes, Reason)
    assert not isinstance(flat_planes, Reason)
    shape = planes[0].shape
    if flat_planes is not None and flat_planes[0].shape != shape:
        return _refused(f"the flat reference has {_size(flat_planes[0].shape)} where the shot has {_size(shape)}")
    if lights.near and mm_per_px is None and plane_from_image is None:
        return _refused("lamps are given by position_mm, which means nothing in a picture without a tie")
    ground = ground_of(shape, mm_per_px, plane_from_image)
    try:
        there = field_of(lights, shape, ground, flat_planes) if light_field is None else light_field
    except PoorGeometry as error:
        return _refused(str(error))
    return _solve(planes, lights, there, ground, feature_px, noise, leave_out, register)


def _solve(
    planes: tuple[NDArray[Any], ...],
    lights: Lights,
    there: LightField,
    ground: Ground,
    feature_px: float,
    noise: float | None,
    leave_out: bool,
    register: bool,
) -> Relief | Reason:
    black = lights.black_level
    seen = _noise(planes, there, black) if noise is None else noise
    top = full_scale(planes)
    laid = _laid(planes, there, black, seen, top) if register else _Laid(planes)
    if isinstance(laid, Reason):
        return laid
    planes = laid.planes
    dark = 3.0 * seen
    usual = _usual(planes, there, black)
    share = max(MODEL_SHARE, UNUSUAL * usual)
    limits = (top - black, dark, NOISE_ALLOWED * seen, share) if leave_out else (np.inf, -np.inf, np.inf, 0.0)
    solved = solve(planes, there, black, limits)
    laid.cut(*solved[1:])
    refused, flags, notes = _looked_over(planes, solved[3], top, dark + black)
    if refused is not None:
        return refused
    if leave_out and usual > MODEL_SHARE:
        flags = tuple(dict.fromkeys((*flags, flag("glossy"))))
        by = f"The lamps disagree by {_percent(usual)} % on most pixels"
        notes = (*notes, f"{by}: the surface shines, exposures differ, or lights.toml does not fit.")
    blamed = _blamed(planes, lights, there, seen) if leave_out and "glossy" not in flags else None
    if blamed is not None:
        flags, notes = (*flags, flag("lamp_differs")), (*notes, blamed)
    order = _order(solved, ground, lights, there, seen)
    if order is not None:
        flags, notes = (*flags, flag("order_doubtful")), (*notes, order)
    return Relief(
        *solved, ground, seen, feature_px, laid.flags + flags, laid.notes + notes, None,
        _Solved(planes, black, there),
    )  # fmt: skip


def _usual(planes: tuple[NDArray[Any], ...], there: LightField, black: float) -> float:
    """Return the share of ρ by which lamps disagree on most pixels: of nodes, or of as many places in an even light."""
    if not there.even:
        return usual_misfit(planes, there.pulls, there.inverse, black, there.step_px)
    step = max(1, int(np.sqrt(planes[0].size / SAMPLE)))
    return usual_misfit(planes, there.pulls[0, 0], there.inverse[0, 0], black, step)


def _blamed(planes: tuple[NDArray[Any], ...], lights: Lights, there: LightField, noise: float) -> str | None:
    """Return what is said of a lamp that a shot of a matte part shows to differ; far lamps only tell."""
    if not there.even or len(planes) < 4:
        return None
    found = from_shot(planes, there.middle, lights.ids, noise, lights.black_level)
    return None if found is None or abs(found.change or 0.0) < LAMP_DIFFERS else found.sentence


def _order(
    solved: tuple[Picture, Picture, Picture, NDArray[np.uint16]],
    ground: Ground,
    lights: Lights,
    there: LightField,
    noise: float,
) -> str | None:
    """Return what is said of pictures that seem to come in another order than the lamps."""
    albedo, *slopes, used = solved
    light = float(np.median(albedo[::16, ::16]))
    if not light > 0:
        return None
    pulls = np.asarray(there.middle, float)
    found = order_doubt((slopes[0], slopes[1]), used, ground.matrix, pulls, noise / light, lights.ids)
    return None if found is None else found.sentence


@dataclass(frozen=True, slots=True)
class _Laid:
    """Pictures that lie upon one another, the border in px that not all show, and what is said of it."""

    planes: tuple[NDArray[Any], ...]
    border_px: int = 0
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def cut(self, slope_x: Picture, slope_y: Picture, used: NDArray[np.uint16]) -> None:
        """Make the border that not all pictures show one of which nothing is known."""
        if self.border_px:
            for picture in (slope_x, slope_y, used):
                for edge in (picture, picture.T):
                    edge[: self.border_px] = 0
                    edge[-self.border_px :] = 0


def _laid(
    planes: tuple[NDArray[Any], ...], there: LightField, black: float, noise: float, top: float
) -> _Laid | Reason:
    """Return pictures laid upon one another where the part moved, or why that cannot be done."""
    if looks_still(planes, there, black, noise):
        return _Laid(planes)
    motion = find_motion(planes, there, noise, top, black)
    if motion is None or not motion.moved:
        return _Laid(planes, notes=(UNTOLD_MOTION,) if motion is not None and motion.shines else ())
    if not motion.told:
        return Reason("part_moved", {"shift_px": float(f"{motion.most_px:.2g}")})
    said = f"The part moved by up to {motion.most_px:.2g} px between the pictures; they were laid upon one another."
    shown, border = registered(planes, motion)
    return _Laid(shown, border, (flag("pictures_shifted"),), (said,))


def solve(
    planes: tuple[NDArray[Any], ...], there: LightField, black: float, limits: Sequence[float]
) -> tuple[Picture, Picture, Picture, NDArray[np.uint16]]:
    """Return albedo, slopes and the lamps used, by the kernels; `limits` as they take them."""
    shape, n = planes[0].shape, len(planes)
    albedo, slope_x, slope_y = (np.empty(shape, np.float32) for _ in range(3))
    used = np.empty(shape, np.uint16)
    bounds = tuple(np.float32(v) for v in limits)
    if n == 4 and there.even:
        pulls = there.pulls[0, 0]
        check = tuple(np.float32(v) for v in no_surface(pulls.astype(float))[:, 0])
        inverse = tuple(tuple(row) for row in there.inverse[0, 0])
        solve_four(
            planes[0],
            planes[1],
            planes[2],
            planes[3],
            np.float32(black),
            inverse,
            check,
            pulls,
            bounds,
            albedo,
            slope_x,
            slope_y,
            used,
        )
    else:
        stack, grids = np.stack(planes), (there.inverse, there.pulls)
        solve_any(stack, np.float32(black), *grids, there.step_px, bounds, albedo, slope_x, slope_y, used)
    return albedo, slope_x, slope_y, used


def _looked_over(
    planes: tuple[NDArray[Any], ...], used: NDArray[np.uint16], top: float, dark: float
) -> tuple[Reason | None, tuple[str, ...], tuple[str, ...]]:
    """Return why the shot is refused, if it is, and the flags and notes of one that is not, by a sample of pixels."""
    step = max(1, int(np.sqrt(used.size / SAMPLE)))
    some = np.stack([p[::step, ::step] for p in planes])
    mask = used[::step, ::step]
    lost = mask == 0
    saturated = some >= top
    if lost.mean() > MOST_BLACK:
        if (lost & saturated.any(axis=0)).sum() * 2 > lost.sum():
            return Reason("saturated", {"share_percent": _percent(saturated.any(axis=0).mean())}), (), ()
        return Reason("too_dark", {"share_percent": _percent(lost.mean())}), (), ()
    flags, notes = [], []
    if saturated.any(axis=0).mean() > GLOSSY_SHARE:
        share = _percent(saturated.any(axis=0).mean())
        notes.append(f"{share} % of the pixels are saturated under some lamp; shorten the exposure.")
    whole = (1 << len(planes)) - 1
    left_out = (mask != whole) & ~lost
    if len(planes) > 3:
        dropped = np.stack([(mask >> k) & 1 == 0 for k in range(len(planes))]) & left_out
        bright = (dropped & (some > dark) & (some >= np.median(some, axis=0))).any(axis=0).mean()
        if bright > GLOSSY_SHARE:
            flags.append(flag("glossy"))
            notes.append(f"On {_percent(bright)} % of the pixels a lamp was left out for its highlight.")
        if (left_out.mean() - bright) > GLOSSY_SHARE:
            notes.append(f"On {_percent(left_out.mean() - bright)} % of the pixels a lamp was left out for its shadow.")
    if lost.mean() > GLOSSY_SHARE:
        notes.append(f"On {_percent(lost.mean())} % of the pixels fewer than three lamps could be used.")
    return None, tuple(flags), tuple(notes)


def _percent(share: float) -> float:
    return float(f"{100 * share:.2g}")


def _noise(planes: tuple[NDArray[Any], ...], there: LightField, black: float) -> float:
    """Return the noise that the pictures show: texture adds to one of two signs of it, gloss and lamps to the other."""
    by_picture = picture_noise(planes)
    by_lamps = unexplained_noise(planes, there.middle, black) if there.even else None
    least = picture_noise(()) if not planes else 0.0
    return max(min(by_picture, by_lamps), least) if by_lamps else by_picture


def planes_of(pictures: Sequence[NDArray[Any]], lights: Lights) -> tuple[NDArray[Any], ...]:
    """Return one picture (rows, cols) for each lamp; `UnusablePicture` where they do not go together."""
    planes = _planes(pictures, lights, "the shot")
    if isinstance(planes, Reason):
        raise UnusablePicture(planes.sentence)
    return planes


def _planes(pictures: Sequence[NDArray[Any]], lights: Lights, whose: str) -> tuple[NDArray[Any], ...] | Reason:
    """Return one picture (rows, cols) for each lamp, or why they do not go together."""
    groups = lights.exposures
    if len(pictures) != len(groups):
        return _refused(f"{whose} has {_count(len(pictures), 'picture')} where the lights ask for {len(groups)}")
    first = pictures[0]
    for k, picture in enumerate(pictures[1:], 2):
        if picture.shape[:2] != first.shape[:2]:
            return _refused(
                f"picture {k} of {whose} has {_size(picture.shape)} where the first has {_size(first.shape)}"
            )
        if picture.dtype != first.dtype:
            return _refused(f"picture {k} of {whose} is {picture.dtype} where the first is {first.dtype}")
    if min(first.shape[:2]) < SMALLEST_SIDE_PX:
        return _refused(f"{whose} has {_size(first.shape)}; nothing can be told below {SMALLEST_SIDE_PX} px")
    planes: list[NDArray[Any]] = []
    for picture, group in zip(pictures, groups, strict=True):
        if (picture.ndim == 3) != lights.by_channel:
            return _refused(
                f"{whose} has {'a colour' if picture.ndim == 3 else 'a grey'} picture where the lights ask for "
                f"{'colour: they are told apart by channel' if lights.by_channel else 'grey ones'}"
            )
        planes += [_plane(picture, lights.lights[k].channel) for k in group]
    if first.dtype.kind == "f" and not all(np.isfinite(plane).all() for plane in planes):
        return _refused(f"{whose} holds values that are not numbers")
    return tuple(planes)


def _plane(picture: NDArray[Any], channel: str | None) -> NDArray[Any]:
    known = (np.uint8, np.uint16, np.float32)
    plane = picture if channel is None else picture[:, :, CHANNELS.index(channel)]
    return np.ascontiguousarray(plane if plane.dtype in known else plane.astype(np.float32))


def _refused(detail: str) -> Reason:
    return Reason("relief_refused", {"detail": detail})


def _size(shape: tuple[int, ...]) -> str:
    return f"{shape[1]} × {shape[0]} px"


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"
