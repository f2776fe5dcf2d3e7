"""Where a lamp stands, by its highlight on a mirror ball.

The ball's normal at the highlight halves the angle between the way to the camera and the way to the lamp: with the
camera far above, l = 2·n_z·n − z. A pixel of error in the highlight turns l by 2/(R·n_z) rad.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.vision.relief_lights import Vector

HALF = 0.5
"""The highlight is what is brighter than this share of the way from the ball's own grey to its brightest pixel."""
LEAST_CONTRAST = 1.5
LARGEST_SHARE = 0.2
"""A highlight that covers more of the ball than this is no lamp's image: the ball is not a mirror, or overexposed."""
OUTERMOST = 0.97
"""Share of the radius up to which a highlight is used: farther out the lamp would stand below the plane's horizon."""


@dataclass(frozen=True, slots=True)
class Ball:
    """The outline of a mirror ball in a picture: its centre (x, y) and radius in px."""

    centre_px: tuple[float, float]
    radius_px: float


@dataclass(frozen=True, slots=True)
class BallLamp:
    """A lamp's direction, its highlight's place (x, y) in px, and the standard uncertainty of the direction."""

    direction: Vector
    highlight_px: tuple[float, float]
    u_deg: float


def lamp_from_ball(picture: NDArray[Any], ball: Ball, u_outline_px: float = 0.5) -> BallLamp:
    """Return the direction towards the lamp that a mirror ball shows in a grey picture (rows, cols).

    Axes are the picture's: x right, y up. `u_outline_px`: how well the ball's outline is known. Raises `PoorGeometry`
    where the ball leaves the picture or shows no highlight.
    """
    at = highlight(picture, ball)
    x, y = (at[0] - ball.centre_px[0]) / ball.radius_px, -(at[1] - ball.centre_px[1]) / ball.radius_px
    if math.hypot(x, y) > OUTERMOST * math.sin(math.pi / 4):
        # A normal that leans by more than 45° mirrors what lies below the plane.
        raise PoorGeometry("the highlight lies where a lamp below the part would show; look at the ball's outline")
    z = math.sqrt(1 - x * x - y * y)
    direction = (2 * z * x, 2 * z * y, 2 * z * z - 1)
    return BallLamp(direction, at, math.degrees(2 * u_outline_px / (ball.radius_px * z)))


def turned_to_plane(direction: Vector, plane_from_image: NDArray[Any] | None) -> Vector:
    """Return a direction that is told by the picture's axes (x right, y up) by those of the plane that lies in it."""
    if plane_from_image is None:
        return direction
    upright = np.asarray(plane_from_image, float)[:, :2] @ np.diag([1.0, -1.0])
    left, _, right = np.linalg.svd(upright)
    x, y = left @ right @ np.array(direction[:2])
    return float(x), float(y), direction[2]


def highlight(picture: NDArray[Any], ball: Ball) -> tuple[float, float]:
    """Return the centre (x, y) in px of the brightest spot on the ball, weighted by what stands above half of it."""
    rows, cols = picture.shape
    (cx, cy), radius = ball.centre_px, ball.radius_px
    left, top = math.floor(cx - radius), math.floor(cy - radius)
    right, bottom = math.ceil(cx + radius), math.ceil(cy + radius)
    if left < 0 or top < 0 or right >= cols or bottom >= rows:
        raise PoorGeometry("the ball leaves the picture; look at centre_px and radius_px")
    y, x = np.mgrid[top : bottom + 1, left : right + 1]
    inside = np.hypot(x - cx, y - cy) < radius
    values = np.where(inside, picture[top : bottom + 1, left : right + 1].astype(float), -np.inf)
    dull, most = float(np.median(values[inside])), float(values.max())
    if most <= LEAST_CONTRAST * dull:
        raise PoorGeometry("the ball shows no highlight; it must be a mirror, and the lamp must be on")
    bright = values > dull + HALF * (most - dull)
    if bright.sum() > LARGEST_SHARE * inside.sum():
        raise PoorGeometry("the highlight covers much of the ball; shorten the exposure")
    spot = _largest(bright)
    weights = np.where(spot, values - (dull + HALF * (most - dull)), 0.0)
    return float((weights * x).sum() / weights.sum()), float((weights * y).sum() / weights.sum())


def _largest(bright: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the largest connected region: the lamp's image, and not that of a window or of another ball."""
    import cv2

    _, labels, stats, _ = cv2.connectedComponentsWithStats(bright.astype(np.uint8))
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))
