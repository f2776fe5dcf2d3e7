"""All views of one target fitted together: one camera, one pose a view.

Every view is linearised as a single one is (`family.linearised`); its homography is then K·[r1 r2 t], so the eight
numbers of the homography and the lens follow from focal length, centre and pose in closed form. Rotations are
changed from the left by a small rotation vector, so that no angle convention has a pole. Levenberg-Marquardt on
the whole set; the weak priors on the lens are those of a single view.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.ties.family import (
    COVARIANCE_DOF,
    Corners,
    Frame,
    LeftOver,
    Prepared,
    inverse_of,
    linearised,
    prior_weight,
)

Array = NDArray[np.float64]

FOCAL, CX, CY = 0, 3, 4
SHARED = 8
POSE = 6
_THETA_OF_SHARED = (8, 9, 10, 11, 12, 13, 14)
"""Where the shared parameters after the focal length stand in a single fit's θ."""

_TURNS = np.array(
    [[[0, 0, 0], [0, 0, -1], [0, 1, 0]], [[0, 0, 1], [0, 0, 0], [-1, 0, 0]], [[0, -1, 0], [1, 0, 0], [0, 0, 0]]], float
)
"""∂(rotation)/∂(rotation vector) at no rotation: the cross products with the three axes."""

_ALL = tuple(range(15))
_ROUNDS = 60
_STOP = 1e-4


@dataclass(frozen=True)
class Views:
    """Corners of several views, each prepared in one normalised picture frame."""

    prepared: tuple[Prepared, ...]

    def __len__(self) -> int:
        return len(self.prepared)

    def only(self, keep: Sequence[int]) -> "Views":
        """Return the views of these numbers."""
        return Views(tuple(self.prepared[k] for k in keep))

    def stretched(self, factors: Array) -> "Views":
        """Return the views of a page whose x and y are longer by `factors` (2,)."""
        pages = []
        for p in self.prepared:
            # In normalised page coordinates the origin moves as well: (P·f − o)/e.
            place = p.page * p.frame.extent_mm + p.frame.origin_mm
            pages.append(replace(p, page=(place * factors - p.frame.origin_mm) / p.frame.extent_mm))
        return Views(tuple(pages))

    @property
    def n(self) -> int:
        """Number of coordinates seen."""
        return sum(p.seen.size for p in self.prepared)

    @property
    def rho_px(self) -> float:
        """Unit of normalised picture coordinates."""
        return self.prepared[0].frame.rho_px


@dataclass(frozen=True)
class State:
    """A camera and its poses. `shared` (8,): focal length, κ, κ2, cx, cy, p1, p2, κ3, lengths in units of ρ.

    `rotations` (v, 3, 3) camera from plane, `origins` (v, 3): where each page's own middle is, in camera axes, mm.
    """

    shared: Array
    rotations: Array
    origins: Array

    def only(self, keep: Sequence[int]) -> "State":
        """Return the state with the poses of these views."""
        rows = list(keep)
        return State(self.shared, self.rotations[rows], self.origins[rows])


@dataclass(frozen=True)
class Solved(LeftOver):
    """A fitted set. `covariance` (k, k) of the `free` shared parameters, poses eliminated; residuals (n, 2) in px."""

    model: str
    state: State
    free: tuple[int, ...]
    covariance: Array
    residuals_px: tuple[Array, ...]
    chi2: float
    n: int
    k_used: float

    @property
    def bic(self) -> float:
        """Schwarz's criterion, the noise known beforehand to 10 % (as for a single view)."""
        n = self.n + COVARIANCE_DOF
        return n * math.log((self.chi2 + COVARIANCE_DOF) / n) + (self.k_used + 1) * math.log(self.n)


def solve_views(views: Views, start: State, free: tuple[int, ...], model: str) -> Solved:
    """Return the camera and poses at the minimum, from a start.

    `free`: which of the shared parameters move; none: poses only. Raises `PoorGeometry` where the views do not
    determine what is free.
    """
    prior = _priors(views, free)
    state, damping = start, 1e-4
    now = _normal(views, state, free, prior)
    for _ in range(_ROUNDS):
        while True:
            step = now.step(damping)
            trial = _moved(state, *step, free)
            after = _normal(views, trial, free, prior)
            if after.cost <= now.cost * (1 + 1e-12) or damping > 1e8:
                break
            damping = max(damping, 1e-6) * 10
        small = now.length(*step) < _STOP**2
        state, now, damping = trial, after, damping / 30
        if small or damping > 1e6:
            break
    return _told(views, state, free, now, prior, model)


@dataclass(frozen=True)
class _Normal:
    """Normal equations in blocks: shared (k, k), each pose (v, 6, 6), between them (v, k, 6); right sides; cost."""

    shared: Array
    poses: Array
    between: Array
    b_shared: Array
    b_poses: Array
    cost: float

    def step(self, damping: float) -> tuple[Array, Array]:
        """Return the step of the shared parameters (k,) and of the poses (v, 6), damped on the diagonal."""
        poses = self.poses * (1 + damping * np.eye(POSE))
        shared = self.shared * (1 + damping * np.eye(len(self.shared)))
        # The poses are eliminated one by one: views do not know of each other but through the camera.
        carried = np.linalg.solve(poses, self.between.transpose(0, 2, 1))
        own = np.linalg.solve(poses, self.b_poses[:, :, None])[:, :, 0]
        reduced = shared - np.einsum("vkp,vpl->kl", self.between, carried)
        right = self.b_shared - np.einsum("vkp,vp->k", self.between, own)
        scale = 1 / np.sqrt(np.maximum(np.diag(reduced), 1e-300))
        moved = scale * np.linalg.solve(reduced * np.outer(scale, scale), scale * right) if len(right) else right
        return np.asarray(moved), np.asarray(own - np.einsum("vpk,k->vp", carried, moved))

    def length(self, shared: Array, poses: Array) -> float:
        """Return the square of a step, in standard deviations of all parameters together."""
        both = 2 * np.einsum("k,vkp,vp->", shared, self.between, poses)
        return float(shared @ self.shared @ shared + both + np.einsum("vp,vpq,vq->", poses, self.poses, poses))

    def covariance(self) -> Array:
        """Return the covariance (k, k) of the shared parameters; `PoorGeometry` where they are not determined."""
        if not len(self.shared):
            return np.zeros((0, 0))
        carried = np.linalg.solve(self.poses, self.between.transpose(0, 2, 1))
        reduced = self.shared - np.einsum("vkp,vpl->kl", self.between, carried)
        return inverse_of(
            reduced, "the views do not determine the camera; tilt the target by 20 to 45° about different axes"
        )


def pose_error_px(views: Views, state: State) -> tuple[float, ...]:
    """Return the rms error in px of each view with the camera held and its pose fitted."""
    posed = solve_views(views, state, (), "")
    return tuple(rms_px(r) for r in posed.residuals_px)


def pose_spread(views: Views, state: State) -> tuple[Array, Array]:
    """Return the covariance (v, 6, 6) of each pose with the camera held, and ∂pose/∂shared (v, 6, 8).

    A pose is changed by a small rotation vector and a shift of its page's own middle, both in the camera's axes.
    """
    normal = _normal(views, state, tuple(range(SHARED)), np.zeros(SHARED))
    carried = np.linalg.solve(normal.poses, normal.between.transpose(0, 2, 1))
    return np.asarray(np.linalg.inv(normal.poses)), np.asarray(-carried)


def rms_px(residual: Array) -> float:
    """Return the rms length of residuals (n, 2)."""
    return math.sqrt(float(np.mean(np.sum(residual**2, axis=1))))


def _told(views: Views, state: State, free: tuple[int, ...], at: _Normal, prior: Array, model: str) -> Solved:
    residuals, chi2 = [], 0.0
    for view, theta in zip(views.prepared, _thetas(views, state), strict=True):
        _, r = linearised(view, theta, (0,))
        residuals.append(view.in_px(r))
        chi2 += float(np.sum(r**2))
    covariance = at.covariance()
    k = len(free) - float(np.diag(covariance) @ prior) + POSE * len(views)
    return Solved(model, state, free, covariance, tuple(residuals), chi2, views.n, k)


def _priors(views: Views, free: tuple[int, ...]) -> Array:
    """Return inverse variances (k,) of the free parameters before any corner is seen; zero for the focal length."""
    return np.array([0.0 if f == FOCAL else prior_weight(_THETA_OF_SHARED[f - 1], views.rho_px) for f in free])


def _thetas(views: Views, state: State) -> list[Array]:
    """Return a single view's θ (15,) for every view."""
    poses = zip(views.prepared, state.rotations, state.origins, strict=True)
    return [np.concatenate([_homography(v.frame, state.shared, R, t)[0], state.shared[1:]]) for v, R, t in poses]


def _normal(views: Views, state: State, free: tuple[int, ...], prior: Array) -> _Normal:
    """Return the normal equations at a state."""
    k, v = len(free), len(views)
    here = state.shared[list(free)]
    A, b, cost = np.diag(prior), -prior * here, float(prior @ here**2)
    poses, between, b_poses = np.empty((v, POSE, POSE)), np.empty((v, k, POSE)), np.empty((v, POSE))
    for n, (view, R, t) in enumerate(zip(views.prepared, state.rotations, state.origins, strict=True)):
        h, d_h = _homography(view.frame, state.shared, R, t)
        rows, r = linearised(view, np.concatenate([h, state.shared[1:]]), _ALL)
        whole = rows.reshape(-1, len(_ALL))
        J = whole[:, :8] @ d_h
        J[:, 1:SHARED] += whole[:, 8:]
        shared, own = J[:, list(free)], J[:, SHARED:]
        A, b = A + shared.T @ shared, b + shared.T @ r.ravel()
        poses[n], between[n], b_poses[n] = own.T @ own, shared.T @ own, own.T @ r.ravel()
        cost += float(np.sum(r**2))
    return _Normal(A, poses, between, b, b_poses, cost)


def _homography(frame: Frame, shared: Array, R: Array, t: Array) -> tuple[Array, Array]:
    """Return h (8,) of one view and ∂h/∂(shared, pose) (8, 14); h maps the normalised page to the ideal picture."""
    f, cx, cy = shared[FOCAL], shared[CX], shared[CY]
    K = np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]])
    plane = np.column_stack([R[:, :2] * frame.extent_mm, t])
    M = K @ plane
    d_M = np.zeros((SHARED + POSE, 3, 3))
    d_M[FOCAL, :2] = plane[:2]
    d_M[CX, 0] = d_M[CY, 1] = plane[2]
    d_M[SHARED : SHARED + 3, :, :2] = K @ (_TURNS @ plane[:, :2])
    d_M[SHARED + 3 :, :, 2] = K.T
    G = M / M[2, 2]
    d_G = (d_M - d_M[:, 2:, 2:] * G) / M[2, 2]
    return G.ravel()[:8], d_G.reshape(SHARED + POSE, 9)[:, :8].T


def _moved(state: State, step: Array, poses: Array, free: tuple[int, ...]) -> State:
    shared = state.shared.copy()
    shared[list(free)] += step
    turns = np.array([cv2.Rodrigues(p[:3].reshape(3, 1))[0] for p in poses])
    return State(shared, turns @ state.rotations, state.origins + poses[:, 3:])


def prepare_views(views: Sequence[Corners], frames: Sequence[Frame]) -> Views:
    """Return views ready to be fitted."""
    return Views(tuple(Prepared.of(v, f) for v, f in zip(views, frames, strict=True)))
