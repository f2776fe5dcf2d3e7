"""The page is not flat: how a bow of the paper moves the tie, and what the corners themselves say about it.

A point that stands z above the plane is seen where the plane's point F + (P − F)·Z/(Z − z) would be, F the foot
of the perpendicular from the camera and Z its distance. A bow therefore displaces the corners smoothly; part
of that the fit swallows as scale, tilt and lens, and this part is an error of the tie; the rest stays in the
residuals, and tells how large the bow can be. Both are linear in the bow, so one small Bayesian update does it
(Gaussian prior of the stated flatness; Sivia & Skilling, Data Analysis, ch. 3, from memory).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.ties.family import Fit
from tiepoint.ties.tie import ideal_from_picture, project

Array = NDArray[np.float64]

MODES = 4
"""Modes of the bow: see `displaced`."""

ASSUMED_DISTANCE = 2.0
"""Distance over the longer side of the field, where nothing better is known: short, so that u is not too small."""
ASSUMED = "an assumption"
STATE_IT = "State it (--distance, --u-distance), or give a camera document."
"""The end of the note on a distance that is not known: a tie that was moved has outlived it."""
_OTHER_DISTANCES = (1.0, 0.5, 0.7, 1.4, 2.0, 2.8, 4.0)
_CYLINDER = 0.2
"""How far a sheet departs from a cylinder, as a share of its bow: paper bends, and hardly stretches."""
_LIFTED = 0.5
"""How far a bowed sheet may stand off the plane as a whole, as a share of its bow."""
_DIRECTIONS = 60
_TELLING_CHI2 = 12.0
"""How much better one direction of a cylinder must fit than another to be told from it (some 3.5 deviations)."""

_CENTRE_U_PX = 30.0
_ASPECT_U = 1e-3
_USABLE = 0.25
"""What is not known of the principal point and of the print's aspect decides whether perspective shows the focal
length: usable where the relative u of its square is below `_USABLE`."""


@dataclass(frozen=True, slots=True)
class Standpoint:
    """Where the camera stands above the plane: distance and foot in mm, and what that rests on (`how`)."""

    distance_mm: float
    foot_mm: tuple[float, float]
    how: str


@dataclass(frozen=True)
class Bow:
    """What the corners say about the bow: modes (4,) in mm, and how the fit's parameters follow.

    `found_mm` (4,): most probable heights of the modes; `covariance` (4, 4) of what is not known about them;
    `response` (k, 4): ∂(free parameters)/∂mode; `chi2_drop`: how much better the corners fit with it;
    `height_mm`: that of the cylinder which fits best, 0 where no bow shows.
    """

    found_mm: Array
    covariance: Array
    response: Array
    chi2_drop: float
    k_used: float
    height_mm: float


def standpoints(
    matrix: Array,
    centre_px: tuple[float, float],
    size_px: tuple[int, int],
    distance_mm: float | None = None,
    focal_px: float | None = None,
) -> tuple[Standpoint, ...]:
    """Return where the camera may stand: by its focal length, a stated distance, the perspective, or assumed.

    `matrix` maps ideal pixels to mm; `centre_px` is the principal point. A tilted plane shows the focal length
    (square pixels, principal point at the lens centre: Zhang, PAMI 22, 2000, eqs. 3 and 4); a plane seen
    straight does not: then several are returned, the likeliest first.
    """
    forward = centred(matrix, centre_px)
    if focal_px is not None:
        seen = pose(forward, focal_px)
        return (Standpoint(seen.distance_mm, seen.foot_mm, "the camera document"),)
    focal_px = focal_seen(forward)
    if distance_mm is not None:
        foot = pose(forward, focal_px or _focal_at(forward, distance_mm)).foot_mm
        return (Standpoint(distance_mm, foot, "what was stated"),)
    if focal_px is not None:
        seen = pose(forward, focal_px)
        return (Standpoint(seen.distance_mm, seen.foot_mm, "the perspective of the photo"),)
    first = ASSUMED_DISTANCE * max(size_px) * math.sqrt(abs(1 / float(np.linalg.det(forward[:2, :2]))))
    return tuple(assumed_stand(matrix, centre_px, first * factor) for factor in _OTHER_DISTANCES)


def assumed_stand(matrix: Array, centre_px: tuple[float, float], distance_mm: float) -> Standpoint:
    """Return where the camera stands if it stands at a distance: its tilt follows from the perspective."""
    forward = centred(matrix, centre_px)
    return Standpoint(distance_mm, pose(forward, _focal_at(forward, distance_mm)).foot_mm, ASSUMED)


def centred(matrix: Array, centre_px: tuple[float, float]) -> Array:
    """Return mm → ideal pixels about the principal point, (3, 3), from ideal pixels → mm."""
    shift = np.array([[1.0, 0.0, -centre_px[0]], [0.0, 1.0, -centre_px[1]], [0.0, 0.0, 1.0]])
    forward = shift @ np.linalg.inv(matrix)
    # Scaled so that the plane's origin has weight 1, as far as it has one.
    return np.asarray(forward / (forward[2, 2] if abs(forward[2, 2]) > 1e-12 else 1.0))


@dataclass(frozen=True, slots=True)
class Pose:
    """A camera above the plane: `rotation` and `translation_mm` (camera from plane), and what follows from them."""

    rotation: Array
    translation_mm: Array

    @property
    def centre_mm(self) -> Array:
        """Projection centre (3,) in plane coordinates."""
        return np.asarray(-self.rotation.T @ self.translation_mm)

    @property
    def distance_mm(self) -> float:
        """Height of the projection centre above the plane."""
        return abs(float(self.centre_mm[2]))

    @property
    def foot_mm(self) -> tuple[float, float]:
        """Where the perpendicular from the projection centre meets the plane."""
        return float(self.centre_mm[0]), float(self.centre_mm[1])

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the plane's normal."""
        return math.degrees(math.acos(min(1.0, abs(float(self.rotation[2, 2])))))


def pose(forward: Array, focal_px: float) -> Pose:
    """Return the pose of a camera from mm → ideal pixels about the principal point, (3, 3)."""
    columns = np.diag([1 / focal_px, 1 / focal_px, 1.0]) @ forward
    columns = columns / math.sqrt(float(np.linalg.norm(columns[:, 0]) * np.linalg.norm(columns[:, 1])))
    if columns[2, 2] < 0:
        columns = -columns
    # The nearest pair of orthonormal axes, then the third one.
    left, _, right = np.linalg.svd(columns[:, :2], full_matrices=False)
    axes = left @ right
    (ax, bx), (ay, by), (az, bz) = axes.tolist()
    # The third axis is their cross product; written out, since this is asked thousands of times.
    rotation = np.column_stack([axes, (ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx)])
    return Pose(rotation, np.asarray(columns[:, 2]))


def bow_of(fit: Fit, stand: Standpoint, u_mm: float, noise: float, taken_mm: Array | None = None) -> Bow:
    """Return what the corners say about the bow.

    Each mode is known before as 0 ± `u_mm`. Where the corners show more of a bow than chance would, it is taken
    for a cylinder (a sheet bends and hardly stretches), whose direction they show too; this tells the dome,
    which the lens terms swallow, from the part that stays visible. `noise` is the variance of a whitened residual
    (χ²/ν, at least 1); `taken_mm` (4,): modes that were taken off the corners of `fit` already.
    """
    modes = np.einsum("nij,njm->nim", fit.white, displaced(fit, stand) / fit.frame.rho_px).reshape(-1, MODES)
    rows = fit.rows.reshape(-1, fit.k)
    response = fit.covariance @ (rows.T @ modes)
    unabsorbed = modes - rows @ response
    residual = np.einsum("nij,nj->ni", fit.white, fit.residual_px / fit.frame.rho_px).ravel()
    information = unabsorbed.T @ unabsorbed / noise
    pull = unabsorbed.T @ residual / noise
    if taken_mm is not None:
        pull = pull + information @ taken_mm
    found, covariance = _update(information, pull, np.zeros(MODES), np.eye(MODES) * u_mm**2)
    drop, prior_u = float(found @ pull), u_mm
    cylinder = _cylinder(information, pull) if drop > 3 * math.log(fit.n) else None
    if cylinder is not None:
        # A page that is bowed more than was stated was stated wrongly: the dome too may be as high as that.
        prior_u = max(u_mm, cylinder.highest_mm)
        middle, spread = np.zeros(MODES), np.full(MODES, prior_u)
        if cylinder.modes_mm is not None:
            middle[:3] = cylinder.modes_mm
            spread[:3] = max(_CYLINDER * float(np.abs(cylinder.modes_mm).max()), 1e-9)
            spread[3] = max(u_mm, _LIFTED * cylinder.highest_mm)
        found, covariance = _update(information, pull, middle, np.diag(spread**2))
        drop = float(2 * found @ pull - found @ information @ found)
    used = 3.0 - float(np.trace(covariance[:3, :3])) / prior_u**2
    height = cylinder.lowest_mm if cylinder is not None else 0.0
    return Bow(found, covariance, response, drop, float(np.clip(used, 0.0, 3.0)), height)


def _update(information: Array, pull: Array, mean: Array, prior: Array) -> tuple[Array, Array]:
    """Return the most probable modes and their covariance, from a Gaussian prior and the corners."""
    weight = np.linalg.inv(prior)
    covariance = np.asarray(np.linalg.inv(information + weight))
    return np.asarray(covariance @ (pull + weight @ mean)), covariance


@dataclass(frozen=True)
class _Cylinder:
    """Cylinders that fit: heights of the lowest and highest, and the modes (3,) of one that fits better than all."""

    lowest_mm: float
    highest_mm: float
    modes_mm: Array | None


def _cylinder(information: Array, pull: Array) -> _Cylinder:
    """Return the cylinders b·(1 − (ξ·cos φ + η·sin φ)²) that fit best.

    Seen straight from above, a sheet raised along x and one sunk along y differ by a dome only, which the lens
    terms swallow: then two directions fit, with two heights.
    """
    phi = np.linspace(0.0, math.pi, _DIRECTIONS, endpoint=False)
    along = np.column_stack([np.cos(phi) ** 2, np.sin(phi) ** 2, -np.sin(2 * phi)])
    information, pull = information[:3, :3], pull[:3]
    weight = np.einsum("ki,ij,kj->k", along, information, along)
    height = along @ pull / np.maximum(weight, 1e-300)
    drop = height**2 * weight
    best = int(np.argmax(drop))
    apart = np.minimum((np.arange(_DIRECTIONS) - best) % _DIRECTIONS, (best - np.arange(_DIRECTIONS)) % _DIRECTIONS)
    other = int(np.argmax(np.where(apart > _DIRECTIONS // 6, drop, -np.inf)))
    if drop[other] > drop[best] - _TELLING_CHI2:
        heights = sorted((abs(float(height[best])), abs(float(height[other]))))
        return _Cylinder(heights[0], heights[1], None)
    modes = np.asarray(height[best] * along[best])
    return _Cylinder(abs(float(height[best])), abs(float(height[best])), modes)


def displaced(fit: Fit, stand: Standpoint) -> Array:
    """Return how corners move in the picture, (n, 2, 4) in px per mm of each mode of the bow.

    Modes: raised in the middle along x, along y (1 − ξ²), twisted (ξ·η), ξ and η from −1 to 1 over the page, and
    lifted as a whole: where a bowed sheet touches the plane is not known. No residual shows the last one.
    """
    page = fit.corners.plane_mm
    low, high = page.min(axis=0), page.max(axis=0)
    xi = (2 * page - low - high) / (high - low)
    height = np.column_stack([1 - xi[:, 0] ** 2, 1 - xi[:, 1] ** 2, xi[:, 0] * xi[:, 1], np.ones(len(page))])
    aside = (page - stand.foot_mm) / stand.distance_mm
    straight = ideal_from_picture(fit.lens, fit.corners.px)
    _, d_ideal, _ = project(fit.matrix, straight.ideal_px)
    px_per_mm = np.linalg.inv(d_ideal @ straight.d_px)
    return np.asarray(np.einsum("nij,nj->ni", px_per_mm, aside)[:, :, None] * height[:, None, :])


def focal_seen(forward: Array) -> float | None:
    """Return the focal length in px that makes the page's axes orthogonal and alike; None where it does not show."""
    a, b = forward[:, 0], forward[:, 1]
    c = np.array([a[:2] @ b[:2], (a[:2] @ a[:2] - b[:2] @ b[:2]) / 2])
    d = np.array([a[2] * b[2], (a[2] ** 2 - b[2] ** 2) / 2])
    vanish, stretch = float(a[2] ** 2 + b[2] ** 2), float(a[:2] @ a[:2] + b[:2] @ b[:2]) / 2
    if vanish <= 0:
        return None
    square = -float(c @ d) / float(d @ d)
    if square <= 0:
        return None
    focal = math.sqrt(square)
    sine = math.sqrt(vanish / stretch) * focal
    relative = math.hypot(2 * _CENTRE_U_PX / (focal * sine), 2 * _ASPECT_U / sine**2)
    return focal if relative < _USABLE else None


def _focal_at(forward: Array, distance_mm: float) -> float:
    """Return the focal length in px with which the camera would stand at a distance (by a few fixed-point rounds)."""
    focal = distance_mm * math.sqrt(float(np.linalg.norm(forward[:2, 0]) * np.linalg.norm(forward[:2, 1])))
    focal /= abs(float(forward[2, 2]))
    for _ in range(20):
        reached = pose(forward, focal).distance_mm
        if not reached > 0:
            break
        ratio = distance_mm / reached
        focal *= min(max(ratio, 0.5), 2.0)
        if abs(ratio - 1.0) < 1e-13:
            break
    return focal
