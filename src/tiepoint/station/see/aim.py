"""How the camera stands to a printed target: which way and how far it leans, and how much of the field is filled.

With H the map from plane (mm) to ideal pixels, its last row over its value at a place is the slope of the depth there
over the depth: so a lean follows from the depth alone, and neither from the focal length nor from the principal point.

    sin(lean) = Z·|(h31, h32)| / (h31·x + h32·y + h33)

Z is the camera's distance, as station.toml states it, or as a perspective that is strong enough shows it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import NothingFound, PoorGeometry
from tiepoint.targets.draw import Target
from tiepoint.targets.find import Sighting, find_target
from tiepoint.ties.family import Corners, Fit, fit_family
from tiepoint.ties.lens import picture_from_ideal
from tiepoint.ties.page import ASSUMED, standpoints

Array = NDArray[np.float64]

MODEL = "homography + κ, centre"
COVERAGE = 1.96
U_STATED = 0.05
"""Relative u of a stated distance: to what it was measured is not stated."""
U_SEEN, U_ASSUMED = 0.15, 0.5
FLATNESS_MM = 0.05
"""Half of what a sheet held flat may differ in height from one side to the other."""

NO_TARGET = "no printed target is seen whole enough"


@dataclass(frozen=True, slots=True)
class Aim:
    """A target in the picture: its outline (4, 2) px, the share of the field that it fills, and the camera's lean.

    `corners_seen`: how many of its four corners lie in the picture. `lean_deg` with U (95 %); `farther` (x, y), y down,
    of unit length: the side of the picture where the target is farther from the camera. `distance_mm` is what that
    rests on, and `how` in words.
    """

    target: str
    outline: tuple[tuple[float, float], ...]
    fills: float
    corners_seen: int
    mm_per_px: float
    lean_deg: float
    u95_deg: float
    farther: tuple[float, float]
    distance_mm: float
    how: str


def seen_target(grey: NDArray[Any], targets: Sequence[Target]) -> Sighting | None:
    """Return the first of some targets that is seen in a picture; None where none is."""
    for target in targets:
        try:
            return find_target(grey, target)
        except NothingFound:
            continue
    return None


def aim_of(sighting: Sighting, size_px: tuple[int, int], distance_mm: float | None = None) -> Aim | None:
    """Return how the camera stands to a target that it sees; None where too little of it is seen to tell.

    `distance_mm`: of the camera from it, where that is known.
    """
    try:
        fit = fit_family(Corners(sighting.plane_mm, sighting.px, sighting.cov_px, size_px), only=[MODEL])[0]
    except PoorGeometry:
        return None
    forward = np.asarray(np.linalg.inv(fit.matrix), float)
    middle = fit.matrix @ np.array([(size_px[0] - 1) / 2, (size_px[1] - 1) / 2, 1.0])
    middle /= middle[2]
    stand = standpoints(fit.matrix, fit.centre_px, size_px, distance_mm)[0]
    slope = _slope(forward, middle)
    sine = min(stand.distance_mm * float(np.hypot(*slope)), 1.0)
    lean = math.asin(sine)
    jacobian = _jacobian(forward, middle)
    farther = jacobian @ slope
    farther = farther / max(float(np.hypot(*farther)), 1e-12)
    outline = _outline(sighting.target, fit, forward)
    return Aim(
        target=sighting.target.id,
        outline=tuple((round(float(x), 1), round(float(y), 1)) for x, y in outline),
        fills=_filled(outline, size_px),
        corners_seen=int(sum(-0.5 <= x <= size_px[0] - 0.5 and -0.5 <= y <= size_px[1] - 0.5 for x, y in outline)),
        mm_per_px=1 / math.sqrt(abs(float(np.linalg.det(jacobian)))),
        lean_deg=math.degrees(lean),
        u95_deg=math.degrees(_u95(fit, middle, stand.distance_mm, stand.how, sine, sighting)),
        farther=(float(farther[0]), float(farther[1])),
        distance_mm=stand.distance_mm,
        how=stand.how,
    )


def _slope(forward: Array, middle: Array) -> Array:
    """Return the slope of the depth over the depth, (2,) 1/mm along the plane's axes."""
    return np.asarray(forward[2, :2] / float(forward[2] @ middle))


def _jacobian(forward: Array, middle: Array) -> Array:
    """Return ∂px/∂mm (2, 2) at a place (3,)."""
    x, y, w = forward @ middle
    return np.asarray((forward[:2, :2] - np.outer([x / w, y / w], forward[2, :2])) / w)


def _u95(fit: Fit, middle: Array, distance_mm: float, how: str, sine: float, sighting: Sighting) -> float:
    """Return U (95 %) of the lean in rad: the fit's own, what the sheet's flatness pretends, and the distance's share.

    The fit's is found by differences: the inverse of its map with respect to the map's nine entries. A direction that
    is not known counts in full, so that no lean at all is told with a ± too.
    """
    spread = fit.parameter_factor()[:9]
    base = _slope(np.asarray(np.linalg.inv(fit.matrix), float), middle)
    columns = []
    for k in range(spread.shape[1]):
        step = 1e-3 * math.sqrt(max(float(fit.covariance[k, k]), 1e-300))
        moved = fit.matrix + (spread[:, k] * step).reshape(3, 3)
        columns.append((_slope(np.asarray(np.linalg.inv(moved), float), middle) - base) / step)
    jacobian = np.column_stack(columns)
    noise = max(1.0, fit.chi2_per_dof)
    by_fit = distance_mm**2 * noise * float(np.linalg.eigvalsh(jacobian @ fit.covariance @ jacobian.T)[-1])
    length = float(np.ptp(sighting.plane_mm, axis=0).max())
    by_sheet = (FLATNESS_MM / max(length, 1e-9)) ** 2 / 3
    share = {ASSUMED: U_ASSUMED, "what was stated": U_STATED}.get(how, U_SEEN)
    return COVERAGE * math.sqrt(by_fit + by_sheet + (share * sine) ** 2)


def _outline(target: Target, fit: Fit, forward: Array) -> Array:
    """Return the corners (4, 2) px of the pattern, where the lens shows them."""
    width, height = target.size_mm
    corners = np.array([[0, 0, 1], [width, 0, 1], [width, height, 1], [0, height, 1]], float) @ forward.T
    ideal = corners[:, :2] / corners[:, 2:]
    found = picture_from_ideal(fit.lens, ideal)
    return np.where(np.isfinite(found), found, ideal)


def _filled(outline: Array, size_px: tuple[int, int]) -> float:
    """Return the share of the picture within an outline."""
    width, height = size_px
    field = np.array([[-0.5, -0.5], [width - 0.5, -0.5], [width - 0.5, height - 0.5], [-0.5, height - 0.5]])
    area, _ = cv2.intersectConvexConvex(outline.astype(np.float32), field.astype(np.float32))
    return float(area) / (width * height)
