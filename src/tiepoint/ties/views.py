"""A full camera from many views of one target: focal length, lens, and which view does not belong.

Start by Zhang's closed form (PAMI 22, 2000) with the principal point in the picture's middle; then all views
together (`bundle`), square pixels, the principal point at the lens centre. The lens terms are chosen by BIC.

A view is set aside where a camera from the others misses it by more than three times what such cameras miss the
median view by: the worst first, until none is left. So no view is judged by a fit that it has bent itself.

The uncertainty is the larger of two: from the corners' covariances, and from leaving one view out at a time
(jackknife; Efron & Tibshirani 1993, eq. 11.5, from memory), which also sees what all corners of a view have in common.
"""

import hashlib
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import NothingFound, PoorGeometry, UnusableInput
from tiepoint.foundation.reasons import flag
from tiepoint.foundation.sources import Values, ensemble
from tiepoint.targets.draw import Target
from tiepoint.targets.find import find_target, refine
from tiepoint.targets.paper import print_scale
from tiepoint.ties.bundle import (
    CX,
    CY,
    FOCAL,
    SHARED,
    Solved,
    State,
    Views,
    pose_error_px,
    prepare_views,
    rms_px,
    solve_views,
)
from tiepoint.ties.camera import CameraModel, View
from tiepoint.ties.family import Corners, Frame, fit_family, frame_of
from tiepoint.ties.page import Pose, centred, focal_seen, pose
from tiepoint.ties.remainder import extra_variance
from tiepoint.ties.repeat import Sighted
from tiepoint.ties.solve import first_map
from tiepoint.ties.tie import Lens

Array = NDArray[np.float64]
Picture = NDArray[Any]

BAD_VIEW = 3.0
"""A view is bad where the others' camera misses it by this many times what is usual in the set."""

LENSES: dict[str, tuple[int, ...]] = {
    "pinhole": (0, 3, 4),
    "κ": (0, 1, 3, 4),
    "κ, κ2": (0, 1, 2, 3, 4),
    "κ, κ2, κ3": (0, 1, 2, 3, 4, 7),
    "κ, κ2, decentring": (0, 1, 2, 3, 4, 5, 6),
    "κ, κ2, κ3, decentring": (0, 1, 2, 3, 4, 5, 6, 7),
}
"""Which shared parameters (order of `CAMERA_PARAMETERS`) are free; focal length and centre always are."""

_JUDGE = "κ, κ2, κ3, decentring"
_FEWEST_VIEWS = 3
_FEWEST_CORNERS = 8
_LEAST_TURN_DEG = 5.0
_WORST_FOCAL = 0.02
_PRINT_STEP = 1e-4


def camera_by_photos(
    pictures: Sequence[Picture], target: Target, photos: Sequence[str] = (), quick: bool = False
) -> CameraModel:
    """Return the camera of photographs (h, w) of one target in many poses; `photos` names them.

    Raises `NothingFound` naming the photo without a target, and what `camera_by_views` raises.
    """
    names = tuple(photos) or tuple(f"photo {k + 1}" for k in range(len(pictures)))
    if len(names) != len(pictures):
        raise UnusableInput(f"{len(pictures)} photos have {len(names)} names; name each photo once")
    sighted = [look(picture, target, name, quick) for name, picture in zip(names, pictures, strict=True)]
    return camera_by_views(sighted, names, target.id, print_scale(target))


def look(picture: Picture, target: Target, name: str, quick: bool = False) -> Sighted:
    """Return the corners of a target in one photo (h, w) called `name`; `quick` leaves the second look out.

    Raises `NothingFound` naming the photo without a target.
    """
    size = (picture.shape[1], picture.shape[0])
    try:
        sighting = find_target(picture, target)
        if not quick:
            first = first_map(Corners(sighting.plane_mm, sighting.px, sighting.cov_px, size), affine=False)
            sighting = refine(picture, sighting, first)
    except NothingFound as error:
        raise NothingFound(f"{name}: {error}") from error
    return Sighted(sighting.ids, Corners(sighting.plane_mm, sighting.px, sighting.cov_px, size))


def camera_by_views(
    sighted: Sequence[Sighted], photos: Sequence[str], target_id: str | None = None, scale: Values | None = None
) -> CameraModel:
    """Return the camera of views of one target in many poses; bad views are named and left out.

    `scale`: the print's true length over nominal along x and y; what is not known of their ratio is a source, as an
    uneven print looks like a tilt. Raises `UnusableInput` for views of different sizes, `PoorGeometry` for too few
    views, or views too alike.
    """
    _check(sighted, photos)
    nominal = [s.corners for s in sighted]
    corners = nominal if scale is None else [replace(c, plane_mm=c.plane_mm * scale.value) for c in nominal]
    frames = [frame_of(c) for c in corners]
    start = _start(corners, frames)
    views, extra_px = _with_unstated_noise(corners, frames, start)
    keep = _without_bad(views, start)
    kept = views.only(keep)
    solved = min(_family(kept, start.only(keep)), key=lambda s: s.bic)
    covariance, left_out, dof = _by_leaving_out(kept, solved)
    _check_focal(solved, covariance)
    # What the camera misses each view by, with only its pose fitted; a view in use was not in its camera.
    posed = solve_views(views, replace(start, shared=solved.state.shared), (), "")
    errors = np.array([rms_px(r) for r in posed.residuals_px])
    told = tuple(
        _view(
            photos[k],
            posed,
            k,
            views.prepared[k].frame,
            float(dict(zip(keep, left_out, strict=True)).get(k, errors[k])),
        )
        for k in range(len(views))
    )
    told = tuple(replace(view, bad=k not in keep) for k, view in enumerate(told))
    by_print = _by_print(kept, solved, scale)
    frame, size_px = views.prepared[0].frame, corners[0].size_px
    model = _model(solved, covariance, dof, told, frame, extra_px, size_px, target_id)
    if scale is None:
        return model
    in_px = _in_px(frame)
    return replace(
        model,
        sources=(*model.sources, *scale.sources),
        factor=np.hstack([model.factor, by_print * in_px[:, None]]),
    )


def _by_print(views: Views, solved: Solved, scale: Values | None) -> Array:
    """Return ∂(shared parameters)/∂source (8, m) for the sources of the print's scale, by fitting again."""
    if scale is None:
        return np.zeros((SHARED, 0))
    columns = np.zeros((SHARED, len(scale.sources)))
    for k in range(len(scale.sources)):
        stretch = 1 + _PRINT_STEP * scale.c[:, k] / scale.value
        other = solve_views(views.stretched(stretch), solved.state, solved.free, solved.model)
        columns[:, k] = (other.state.shared - solved.state.shared) / _PRINT_STEP
    return columns


def _in_px(frame: Frame) -> Array:
    """Return what turns shared parameters (8,) into pixels."""
    factors = np.ones(SHARED)
    factors[[FOCAL, CX, CY]] = frame.rho_px
    return factors


def _check(sighted: Sequence[Sighted], photos: Sequence[str]) -> None:
    if len(sighted) != len(photos):
        raise UnusableInput(f"{len(sighted)} views have {len(photos)} names; name each view once")
    if len(sighted) < _FEWEST_VIEWS:
        raise PoorGeometry(
            f"a camera by views needs at least {_FEWEST_VIEWS} views, not {len(sighted)}; "
            "photograph the target in about ten poses, tilted by 20 to 45° about different axes"
        )
    first = sighted[0].corners.size_px
    for name, one in zip(photos, sighted, strict=True):
        size = one.corners.size_px
        if size != first:
            raise UnusableInput(
                f"{name} is {size[0]} × {size[1]} px and {photos[0]} is {first[0]} × {first[1]}; "
                "all views are taken with one setting of the camera"
            )
        if len(one.corners) < _FEWEST_CORNERS:
            raise PoorGeometry(
                f"{name} shows {len(one.corners)} corners and {_FEWEST_CORNERS} are needed; show more of the target"
            )


def _start(corners: Sequence[Corners], frames: Sequence[Frame]) -> State:
    """Return a camera without a lens: the median focal length that tilted views show, and each view's pose."""
    middle = (float(frames[0].middle_px[0]), float(frames[0].middle_px[1]))
    forwards = [centred(fit_family(c, only=("homography + κ, centre",))[0].matrix, middle) for c in corners]
    focals = [f for forward in forwards if (f := focal_seen(forward)) is not None]
    if not focals:
        raise PoorGeometry(
            f"none of the {len(corners)} views is tilted enough to show the focal length; "
            "tilt the target by 20 to 45° about different axes"
        )
    focal = float(np.median(focals))
    poses = [pose(forward, focal) for forward in forwards]
    _check_turned(poses)
    shared = np.zeros(SHARED)
    shared[FOCAL] = focal / frames[0].rho_px
    origins = [p.rotation @ np.append(f.origin_mm, 0.0) + p.translation_mm for p, f in zip(poses, frames, strict=True)]
    return State(shared, np.array([p.rotation for p in poses]), np.array(origins))


def _check_turned(poses: Sequence[Pose]) -> None:
    normals = np.array([p.rotation[:, 2] for p in poses])
    widest = math.degrees(math.acos(float(np.clip((normals @ normals.T).min(), -1.0, 1.0))))
    if widest < _LEAST_TURN_DEG:
        raise PoorGeometry(
            f"all {len(poses)} views show the target under nearly the same angle (they differ by {widest:.1f}° at "
            "most); tilt it by 20 to 45° about different axes"
        )


def _with_unstated_noise(corners: Sequence[Corners], frames: Sequence[Frame], start: State) -> tuple[Views, float]:
    """Return the views with what their corners usually scatter beyond their own covariances, and that in px.

    The median over the views, so that a bad one does not make all others look good.
    """
    views = prepare_views(corners, frames)
    solved = solve_views(views, start, LENSES[_JUDGE], _JUDGE)
    share = solved.dof / solved.n
    extras = [
        extra_variance(r, c.covariance, share * r.size) for r, c in zip(solved.residuals_px, corners, strict=True)
    ]
    extra = float(np.median(extras))
    wider = [replace(c, covariance=c.covariance + extra * np.eye(2)) for c in corners]
    return prepare_views(wider, frames), math.sqrt(extra)


def _without_bad(views: Views, start: State) -> list[int]:
    """Return the numbers of the views that belong, by the rule of the module."""
    keep = list(range(len(views)))
    while len(keep) > _FEWEST_VIEWS:
        solved = solve_views(views.only(keep), start.only(keep), LENSES[_JUDGE], _JUDGE)
        errors = _left_out(views.only(keep), solved)[0]
        worst = int(np.argmax(errors))
        if errors[worst] <= BAD_VIEW * float(np.median(errors)):
            break
        del keep[worst]
    return keep


def _left_out(views: Views, solved: Solved) -> tuple[Array, Array]:
    """Return each view's rms error in px with the camera of the others, and those cameras' shared parameters (v, 8)."""
    errors, cameras = np.empty(len(views)), np.empty((len(views), SHARED))
    for v in range(len(views)):
        others = [k for k in range(len(views)) if k != v]
        without = solve_views(views.only(others), solved.state.only(others), solved.free, solved.model)
        held = State(without.state.shared, solved.state.rotations[[v]], solved.state.origins[[v]])
        errors[v] = pose_error_px(views.only([v]), held)[0]
        cameras[v] = without.state.shared
    return errors, cameras


def _family(views: Views, start: State) -> list[Solved]:
    """Return the set fitted with every lens, each from the one before."""
    solved: list[Solved] = []
    for model, free in LENSES.items():
        solved.append(solve_views(views, solved[-1].state if solved else start, free, model))
    return solved


def _by_leaving_out(views: Views, solved: Solved) -> tuple[Array, Array, float]:
    """Return covariance (k, k) of the free shared parameters, the views' left-out errors in px, and the dof."""
    errors, cameras = _left_out(views, solved)
    stated = solved.covariance * max(1.0, solved.chi2_per_dof)
    n = len(views)
    spread = cameras[:, list(solved.free)] - cameras[:, list(solved.free)].mean(axis=0)
    jackknife = (n - 1) / n * np.sum(spread**2, axis=0)
    # One factor for all: a dozen views tell the size of the excess, not its shape.
    excess = float(np.mean(jackknife / np.diag(stated)))
    return (stated * excess, errors, float(n - 1)) if excess > 1 else (stated, errors, solved.dof)


def _check_focal(solved: Solved, covariance: Array) -> None:
    relative = math.sqrt(float(covariance[0, 0])) / float(solved.state.shared[FOCAL])
    if not relative < _WORST_FOCAL:
        raise PoorGeometry(
            f"the views leave the focal length uncertain by {100 * relative:.0f} %; "
            "tilt the target by 20 to 45° about different axes, and fill the picture with it"
        )


def _view(photo: str, posed: Solved, k: int, frame: Frame, left_out_px: float) -> View:
    rotation, residual = posed.state.rotations[k], posed.residuals_px[k]
    seen = Pose(rotation, posed.state.origins[k] - rotation @ np.append(frame.origin_mm, 0.0))
    return View(photo, len(residual), rms_px(residual), left_out_px, seen.tilt_deg, seen.distance_mm)


def _model(
    solved: Solved,
    covariance: Array,
    dof: float,
    views: tuple[View, ...],
    frame: Frame,
    extra_px: float,
    size_px: tuple[int, int],
    target_id: str | None,
) -> CameraModel:
    """Return the camera in pixels, with its sources."""
    told = "|".join([*(v.photo for v in views), *map(str, size_px), target_id or ""])
    camera_id = f"camera-{hashlib.sha256(told.encode()).hexdigest()[:12]}"
    in_px = _in_px(frame)
    sources, spread = ensemble(f"camera:{camera_id}", "Lens of the camera document", covariance, "station", dof)
    factor = np.zeros((SHARED, spread.shape[1]))
    factor[list(solved.free)] = spread
    f, kappa, kappa2, cx, cy, p1, p2, kappa3 = (float(v) for v in solved.state.shared * in_px)
    middle = frame.middle_px
    used = np.concatenate(solved.residuals_px)
    return CameraModel(
        id=camera_id,
        size_px=size_px,
        focal_px=f,
        lens=Lens(kappa, kappa2, cx + float(middle[0]), cy + float(middle[1]), frame.rho_px, p1, p2, kappa3),
        sources=sources,
        factor=factor * in_px[:, None],
        model=f"pinhole, {solved.model}" if solved.model != "pinhole" else solved.model,
        rms_px=rms_px(used),
        chi2_per_dof=solved.chi2_per_dof,
        dof=dof,
        views=views,
        target_id=target_id,
        flags=(flag("bad_views"),) if any(v.bad for v in views) else (),
        notes=_notes(views, extra_px, dof),
    )


def _notes(views: tuple[View, ...], extra_px: float, dof: float) -> tuple[str, ...]:
    notes = [
        f"{v.photo} does not belong: the camera of the other views misses it by {v.left_out_rms_px:.2g} px (rms), "
        f"more than {BAD_VIEW:g} times what is usual here. It was left out; look at it, or take it again."
        for v in views
        if v.bad
    ]
    if extra_px > 0:
        notes.append(
            f"The corners usually scatter by {extra_px:.3f} px per axis more than their pixels explain (print, board); "
            "this was added to each corner's u."
        )
    if dof == sum(not v.bad for v in views) - 1:
        notes.append(
            "The uncertainty is that seen by leaving one view out at a time: views differ by more than their corners' "
            "scatter explains."
        )
    return tuple(notes)
