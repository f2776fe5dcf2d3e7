"""A tie by pairs: the same points given on both sides, typed or touched."""

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.reasons import flag
from tiepoint.foundation.sources import Source, Value, constant, ensemble
from tiepoint.foundation.units import MM_PER
from tiepoint.ties import unmodelled
from tiepoint.ties.diagnose import Diagnosis, Finding, diagnose
from tiepoint.ties.evidence import Shape
from tiepoint.ties.pair_choice import Choice, choose
from tiepoint.ties.pair_fit import FEWEST, UNKNOWNS, Noise, PairFit, PairModel, thinness, unseen_errors
from tiepoint.ties.region import area, hull, within_picture
from tiepoint.ties.standing import with_height
from tiepoint.ties.tie import PARAMETERS, Diagnostics, Lens, Quality, Residuals, Sensor, Tie

Array = NDArray[np.float64]
FromFrame = Literal["image", "plane"]
ToFrame = Literal["plane", "robot"]
AskedModel = Literal["auto", "rigid", "similarity", "affine", "projective"]

FEWEST_PAIRS: Final = 3
"""Two pairs cannot tell a mirrored set from a right one."""
THIN: Final = 0.02
"""Spread across over spread along the points' main direction below which they count as on one line."""
WIDE_TILT_DEG: Final = 30.0
"""Bound on a tilt that the choice of model did not find: it was looked for, so this is wide."""
ROBOT_SHARE: Final = 0.02
"""Bound on a scale or on unequal axes between two metric frames that the choice of model did not find."""
_MARGIN = 0.1
"""The valid region reaches beyond the hull of the points by this share of their radius."""
_UNEXPECTED = 0.01


class PairsRefused(UnusableInput):
    """The pairs hold typing errors; `findings` name them with row and repair."""

    def __init__(self, message: str, findings: tuple[Finding, ...]) -> None:
        super().__init__(message)
        self.findings = findings


@dataclass(frozen=True)
class PairTie:
    """The tie, and what was noticed about the pairs (hints; with `keep_suspects` also what would be refused)."""

    tie: Tie
    diagnosis: Diagnosis


@dataclass(frozen=True)
class _Pairs:
    """Checked pairs in mm: `raw` from points as given, `f` right-handed, `t` to points, all (n, 2)."""

    raw: Array
    f: Array
    t: Array
    from_image: bool
    to_frame: ToFrame
    noise: Noise
    noise_known: bool
    sensor: Sensor | None

    @property
    def middle(self) -> tuple[float, float]:
        if self.sensor is not None:
            return (self.sensor.width_px - 1) / 2, (self.sensor.height_px - 1) / 2
        x, y = (self.raw.min(axis=0) + self.raw.max(axis=0)) / 2
        return float(x), float(y)

    @property
    def reach(self) -> float:
        """Distance of the picture's corner from its middle; of the farthest point where no size is stated."""
        if self.sensor is not None:
            return math.hypot(self.sensor.width_px, self.sensor.height_px) / 2
        return float(np.hypot(*(self.raw - self.middle).T).max())


def tie_by_pairs(
    from_xy: ArrayLike,
    to_xy: ArrayLike,
    *,
    from_frame: FromFrame = "image",
    to_frame: ToFrame = "plane",
    model: AskedModel = "auto",
    height: Value | None = None,
    distance: Value | None = None,
    u_from: float | None = None,
    u_to_mm: float | None = None,
    u_shared_mm: float = 0.0,
    expected_scale: float | None = None,
    unit: str = "mm",
    sensor: Sensor | None = None,
    texts: Sequence[Sequence[str]] | None = None,
    keep_suspects: bool = False,
) -> PairTie:
    """Return the tie that maps from points (n, 2) to to points (n, 2).

    From points of an `image` are raw pixels; all lengths are in `unit`. `u_from` (px, or mm for a plane) and
    `u_to_mm` are standard uncertainties of one coordinate; with neither, the scatter of the residuals is taken for
    noise (of the from points of an image, else of the to points). `u_shared_mm`: standard uncertainty of a shift that
    all to points share, such as that of a touching tip; no residual shows it. `distance`: of the camera from the plane.
    `expected_scale`: mm per px where the optics tell it; a set typed in inch is then known. `texts`: cells as typed.

    Raises `PairsRefused` where the set holds what is surely a typing error (odds above 200 to 1), unless
    `keep_suspects`; `PoorGeometry` for too few, doubled or collinear points; `UnusableInput` for what is no number.
    """
    _check_words(from_frame, to_frame, model, unit)
    typed = _checked(from_xy, to_xy)
    from_image = from_frame == "image"
    if from_image and to_frame == "robot":
        to_words = "tie the picture to the plane and the plane to the robot, or call the robot's plane 'plane'"
        raise UnusableInput(f"pairs lead from the image to a plane, or from a plane to the robot: {to_words}")
    _demand_spread(typed)
    pairs = _in_mm(typed, from_image, to_frame, unit, sensor, u_from, u_to_mm)
    diagnosis = _diagnose(typed, pairs, model, unit, texts, expected_scale)
    if diagnosis.refused and not keep_suspects:
        raise PairsRefused(_refusal(diagnosis), diagnosis.findings)
    choice = _choice(pairs, model)
    tie = _tie(pairs, choice, model, u_shared_mm, unit)
    tie = _with_words(tie, pairs, choice, diagnosis)
    if from_image:
        tie = with_height(tie, height or constant(0.0), pairs.middle, distance)
    elif height is not None:
        tie = replace(tie, height_mm=height.value, u_height_mm=height.u)
    return PairTie(tie, diagnosis)


# --- what was given ------------------------------------------------------------------------------------------------


def _check_words(from_frame: str, to_frame: str, model: str, unit: str) -> None:
    for word, what, known in (
        (from_frame, "frame to start from", get_args(FromFrame)),
        (to_frame, "frame to lead to", get_args(ToFrame)),
        (model, "model", get_args(AskedModel)),
        (unit, "unit", tuple(MM_PER)),
    ):
        if word not in known:
            raise UnusableInput(f"the {what} {word!r} is not known; use one of {', '.join(known)}")


def _checked(from_xy: ArrayLike, to_xy: ArrayLike) -> Array:
    """Return the pairs (n, 4) as typed, all finite."""
    sides = [_numbers(from_xy, "from"), _numbers(to_xy, "to")]
    if len(sides[0]) != len(sides[1]):
        raise UnusableInput(
            f"there are {len(sides[0])} from points and {len(sides[1])} to points; give as many of each"
        )
    typed = np.hstack(sides)
    if len(typed) < FEWEST_PAIRS:
        raise PoorGeometry(
            f"{len(typed)} pairs are too few: give at least {FEWEST_PAIRS}, better 6, spread over the field"
        )
    for row, column in np.argwhere(~np.isfinite(typed)):
        name = ("from_x", "from_y", "to_x", "to_y")[column]
        raise UnusableInput(f"row {row + 1}: {name} is {typed[row, column]}; give a number")
    if np.abs(typed).max() > 1e9:
        raise UnusableInput("the pairs hold a number beyond 1e9; give pixels, and lengths in the stated unit")
    _demand_distinct(typed)
    return typed


def _numbers(points: ArrayLike, side: str) -> Array:
    try:
        array = np.asarray(points, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise UnusableInput(f"the {side} points hold something that is no number: {error}") from error
    if array.ndim != 2 or array.shape[1] != 2:
        raise UnusableInput(f"the {side} points have the shape {array.shape}; n rows of x, y are needed")
    return array


def _demand_distinct(typed: Array) -> None:
    for side, columns in (("from", typed[:, :2]), ("to", typed[:, 2:])):
        _, first, inverse = np.unique(columns, axis=0, return_index=True, return_inverse=True)
        for row, group in enumerate(inverse.ravel()):
            if (earlier := int(first[group])) != row:
                same = bool(np.all(typed[earlier] == typed[row]))
                what = "are the same pair" if same else f"have the same {side} point"
                text = f"rows {earlier + 1} and {row + 1} {what}: delete one, or type it again"
                raise PoorGeometry(text if same else f"{text}; of a point that was measured twice give the mean")


def _demand_spread(typed: Array) -> None:
    for side, points in (("from", typed[:, :2]), ("to", typed[:, 2:])):
        if thinness(points) < THIN:
            raise PoorGeometry(
                f"the {side} points lie nearly on one line: nothing is known across it, and a mirrored set "
                "cannot be told; add points away from the line"
            )


def _in_mm(
    typed: Array, from_image: bool, to_frame: ToFrame, unit: str, sensor: Sensor | None, u_from: float | None,
    u_to: float | None,
) -> _Pairs:  # fmt: skip
    per = MM_PER[unit]
    raw = typed[:, :2] * (1.0 if from_image else per)
    for u, what in ((u_from, "from"), (u_to, "to")):
        if u is not None and not (math.isfinite(u) and u >= 0):
            raise UnusableInput(f"the u of the {what} points is {u:g}; give 0 or more")
    known = (u_from or 0.0) > 0 or (u_to or 0.0) > 0
    unknown = Noise(1.0, 0.0) if from_image else Noise(0.0, 1.0)
    noise = Noise(u_from or 0.0, u_to or 0.0) if known else unknown
    f = raw * [1.0, -1.0] if from_image else raw
    return _Pairs(raw, f, typed[:, 2:] * per, from_image, to_frame, noise, known, sensor)


# --- what is wrong with it -----------------------------------------------------------------------------------------


def _diagnose(
    typed: Array, pairs: _Pairs, model: AskedModel, unit: str, texts: Sequence[Sequence[str]] | None,
    expected_scale: float | None,
) -> Diagnosis:  # fmt: skip
    shapes: tuple[Shape, ...]
    if model == "auto":
        shapes = ("similarity", "affine", "projective") if pairs.from_image else ("similarity", "affine")
    else:
        shapes = ("similarity",) if model == "rigid" else (model,)
    per = MM_PER[unit]
    known = pairs.noise if pairs.noise_known else Noise(0.0, 0.0)
    return diagnose(
        typed[:, :2],
        typed[:, 2:],
        from_image=pairs.from_image,
        shapes=shapes,
        same_unit=not pairs.from_image,
        expected_scale=None if expected_scale is None else expected_scale / per,
        texts=texts,
        u_from=known.u_from if pairs.from_image else known.u_from / per,
        u_to=known.u_to / per,
        unit=unit,
    )


def _refusal(diagnosis: Diagnosis) -> str:
    said = [f.sentence for f in diagnosis.findings if f.severity == "refuse"]
    return "the pairs hold what looks like a typing error: " + "; ".join(said)


# --- the tie -------------------------------------------------------------------------------------------------------


def _choice(pairs: _Pairs, model: AskedModel) -> Choice:
    n = len(pairs.f)
    if model != "auto":
        if n < FEWEST[model]:
            raise PoorGeometry(f"a {model} model needs at least {FEWEST[model]} pairs, and there are {n}")
        if 2 * n == UNKNOWNS[model] and not pairs.noise_known:
            raise PoorGeometry(
                f"{n} pairs fit a {model} model exactly, whatever is wrong with them: add pairs, or state the u of "
                "the points"
            )
    models: tuple[PairModel, ...]
    if model == "auto":
        models = ("similarity", "affine", "projective") if pairs.from_image else ("rigid", "similarity", "affine")
    else:
        models = (model,)
    return choose(models, pairs.f, pairs.t, pairs.noise)


def _tie(pairs: _Pairs, choice: Choice, asked: AskedModel, u_shared_mm: float, unit: str) -> Tie:
    fit = choice.fit
    tie_id = _identity(pairs, fit.model)
    prefix = f"tie:{tie_id}"
    variance, dof = _variance(fit, pairs)
    matrix, basis = _raw(fit, pairs.from_image)
    sources, factor = ensemble(f"{prefix}:pairs", "Pairs used by the fit", fit.cofactor * variance, "tie", dof)
    columns = np.zeros((len(PARAMETERS), len(sources)))
    columns[:9] = basis @ factor
    lens = Lens(0.0, 0.0, *pairs.middle, pairs.reach) if pairs.from_image else None
    fitted = unmodelled.Fitted(fit, pairs.raw, matrix, basis, lens, variance, sources[0])
    left = [unmodelled.left_out(e, fitted, prefix) for e in _effects(pairs, fit, matrix, asked)]
    shared, by_shared = _shared(matrix, prefix, u_shared_mm)
    region = _region(pairs)
    size = None if pairs.sensor is None else pairs.sensor.width_px * pairs.sensor.height_px
    return Tie(
        id=tie_id,
        made="pairs",
        from_frame="image" if pairs.from_image else "plane",
        to_frame=pairs.to_frame,
        model=fit.model,
        matrix=matrix,
        valid_region=region,
        lens=lens,
        sources=(*sources, *(e.source for e in left), *shared),
        factor=np.column_stack([columns, *(e.column for e in left), *by_shared.T]),
        covered_share=None if size is None else area(region) / size,
        sensor=pairs.sensor,
        flags=_flags(fit, left),
        notes=_notes(pairs, left, u_shared_mm),
        unit="in" if unit == "in" else "mm",
    )


def _identity(pairs: _Pairs, model: str) -> str:
    """Return an id that the same pairs always give: the same evidence has the same errors."""
    digest = hashlib.sha256(f"{pairs.to_frame}|{pairs.from_image}|{model}".encode())
    digest.update(np.ascontiguousarray(np.hstack([pairs.raw, pairs.t])).tobytes())
    return f"pairs-{digest.hexdigest()[:12]}"


def _variance(fit: PairFit, pairs: _Pairs) -> tuple[float, float]:
    """Return the variance of a whitened residual, and its degrees of freedom.

    Stated noise is believed as it is (or widened by the square root of χ²/ν, after Birge) unless the residuals
    contradict it at 1 %; then, or where nothing was stated, they alone tell, with their own dof.
    """
    if fit.dof == 0:
        return 1.0, math.inf
    ratio = fit.chi2 / fit.dof
    if not pairs.noise_known:
        return max(ratio, _rounding(fit, pairs)), float(fit.dof)
    if special.chdtrc(fit.dof, fit.chi2) < _UNEXPECTED:
        return ratio, float(fit.dof)
    return max(ratio, 1.0), math.inf


def _rounding(fit: PairFit, pairs: _Pairs) -> float:
    """Return a variance that no residual undercuts: 1e-14 of the points' own, what double precision leaves."""
    spread = pairs.t - pairs.t.mean(axis=0)
    return 1e-14 * float(np.einsum("ni,nij,nj->", spread, fit.weights, spread))


def _raw(fit: PairFit, from_image: bool) -> tuple[Array, Array]:
    """Return matrix and basis over raw from points: pixels enter as (x, −y)."""
    turn = np.diag([1.0, -1.0, 1.0]) if from_image else np.eye(3)
    basis = np.einsum("ijp,jk->ikp", fit.basis.reshape(3, 3, -1), turn).reshape(9, -1)
    return np.asarray(fit.matrix @ turn), np.asarray(basis)


def _effects(pairs: _Pairs, fit: PairFit, matrix: Array, asked: AskedModel) -> list[unmodelled.Effect]:
    """Return what the model leaves out. What the choice looked for and did not find has a wide bound only."""
    effects: list[unmodelled.Effect] = []
    looked = asked == "auto"
    if not pairs.from_image:
        if looked and fit.model == "rigid":
            effects.append(unmodelled.scale_effect(matrix, pairs.middle, ROBOT_SHARE / math.sqrt(3)))
        if looked and fit.model != "affine":
            effects += unmodelled.stretch_effects(matrix, pairs.middle, ROBOT_SHARE, "Unequal axes, not found")
        return effects
    tilt = WIDE_TILT_DEG if looked else unmodelled.TILT_DEG
    width = pairs.sensor.width_px if pairs.sensor is not None else 2 * pairs.reach
    if fit.model in ("rigid", "similarity"):
        label = f"Foreshortening by a tilt within ±{tilt:g}°"
        effects += unmodelled.stretch_effects(matrix, pairs.middle, unmodelled.foreshortening(tilt), label)
    if fit.model != "projective":
        effects += unmodelled.tilt_effects(matrix, pairs.middle, unmodelled.FOCAL_WIDTHS * width, tilt)
    return [*effects, unmodelled.lens_effect()]


def _shared(matrix: Array, prefix: str, u_mm: float) -> tuple[tuple[Source, ...], Array]:
    if not u_mm > 0:
        return (), np.zeros((len(PARAMETERS), 0))
    columns = np.zeros((len(PARAMETERS), 2))
    for k in (0, 1):
        shift = np.zeros((3, 3))
        shift[k] = matrix[2]
        columns[:9, k] = shift.ravel()
    label = "Shift that all to points share"
    return tuple(Source(f"{prefix}:shared-{n}", label, "B", u_mm, "tie") for n in "xy"), columns


def _region(pairs: _Pairs) -> Array:
    radius = float(np.sqrt(np.mean(np.sum((pairs.raw - pairs.raw.mean(axis=0)) ** 2, axis=1))))
    region = hull(pairs.raw, _MARGIN * radius)
    return region if pairs.sensor is None else within_picture(region, pairs.sensor.size_px)


# --- what is said about it -----------------------------------------------------------------------------------------


def _flags(fit: PairFit, left: list[unmodelled.Left]) -> tuple[str, ...]:
    flags = []
    if any(e.shows > unmodelled.SHOWN and e.source.u > 0 for e in left):
        flags.append(flag("tie_model_poor"))
    if any(e.source.type == "B" and e.source.id.endswith(":lens") for e in left):
        flags.append(flag("lens_assumed"))
    if any(e.source.type == "B" and ":tilt-" in e.source.id for e in left):
        flags.append(flag("tilt_assumed"))
    if fit.dof == 0:
        flags.append(flag("no_redundancy"))
    return tuple(flags)


def _notes(pairs: _Pairs, left: list[unmodelled.Left], u_shared_mm: float) -> tuple[str, ...]:
    notes = []
    if not pairs.noise_known:
        side = "from" if pairs.from_image else "to"
        notes.append(f"No u of the points was stated: all scatter was taken for noise of the {side} points.")
    for effect in left:
        if effect.source.type == "B":
            notes.append(f"Not shown by these pairs, so only bounded: {effect.label}.")
        elif effect.shows > unmodelled.SHOWN:
            notes.append(
                f"The residuals show what the model leaves out ({effect.label}); it is not corrected: "
                "choose a richer model, or tie by target."
            )
    if pairs.to_frame == "robot" and not u_shared_mm > 0:
        notes.append(
            "An error that all touched points share (a bent tip, a wrong tool point) shows in no residual: "
            "touch points with the tool turned by half a turn, or state it."
        )
    return tuple(notes)


def _with_words(tie: Tie, pairs: _Pairs, choice: Choice, diagnosis: Diagnosis) -> Tie:
    fit = choice.fit
    unseen = unseen_errors(fit, pairs.f, pairs.t, pairs.noise)
    tie = replace(
        tie,
        diagnostics=Diagnostics(fit.chi2 / fit.dof if fit.dof else None, choice.members, choice.reason),
        flags=tie.flags + _flags_of(diagnosis),
        notes=(*tie.notes, *(f.sentence for f in diagnosis.findings)),
    )
    if unseen is None:
        return tie
    used = np.ones(len(pairs.raw), bool)
    residuals = Residuals(pairs.raw, pairs.t, -fit.residuals, -unseen, used)
    return replace(tie, quality=_quality(unseen, pairs, fit), residuals=residuals)


def _flags_of(diagnosis: Diagnosis) -> tuple[str, ...]:
    if diagnosis.refused:
        return (flag("pairs_suspect"),)
    return (flag("pairs_scattered"),) if any(f.code in ("row-unnamed", "scattered") for f in diagnosis.findings) else ()


def _quality(unseen: Array, pairs: _Pairs, fit: PairFit) -> Quality:
    size = np.hypot(unseen[:, 0], unseen[:, 1])
    rms, worst = float(np.sqrt(np.mean(size**2))), int(np.argmax(size))
    at = pairs.t[worst]
    return Quality(
        n=len(size),
        rms_mm=rms,
        u_rms_mm=rms / math.sqrt(2 * max(fit.dof, 1)),
        p95_mm=float(np.quantile(size, 0.95)),
        max_mm=float(size[worst]),
        max_at_mm=(float(at[0]), float(at[1])),
        how="each pair predicted by a fit without it; its own noise is in the error",
        rms_px=None,
    )
