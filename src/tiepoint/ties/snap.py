"""What lies under a point that a person placed: a crossing, a corner, an edge, the middle of a stroke, or nothing.

A crossing (saddle) is fitted to its pixels by maximum likelihood (`vision.corners`); a corner is where the two
edges that meet there would cross, each fitted in a strip beside it; an edge is looked for along the length
that is being measured; a stroke has an edge on either side of the point. Which of them it is shows on a small
circle about the place: four changes of brightness for a crossing, two for a corner or an edge.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray

from tiepoint.foundation.errors import NothingFound, UnusableInput
from tiepoint.foundation.reasons import flag
from tiepoint.vision.corners import crossings, fit_corners
from tiepoint.vision.normal_equations import FITTED
from tiepoint.vision.strips import EdgeSearch, StripEdges, as_grey, edges_in_strips

Array = NDArray[np.float64]
Grey = NDArray[np.generic]
Kind = Literal["crossing", "corner", "edge", "stroke", "hand"]

RADIUS_PX = 8.0
"""How far from the placed point a feature may lie: what a person misses by on a picture that fills a screen."""
HAND_HALF_WIDTH_PX = 1.2
"""A point placed by hand with a magnifier lies within so much of where it was meant (common practice)."""
FLOOR_PX = 0.02
"""Least u of a snapped point: what an edge's own shape leaves, whatever the noise."""

_CIRCLES_PX = (10.0, 7.0)
_SAMPLES = 144
_STRAIGHT_RAD = math.radians(25)
"""Two changes of brightness this close to opposite are an edge, not a corner."""
_RECENTRED = 2
_SHARP_RAD = math.radians(20)
_CORNER_SHARE = 0.1
"""Least ratio of the structure tensor's eigenvalues at a corner; noise and gentle curves stay below."""
_DETECTION = 6.0
_STROKE_SHARE = 0.34
_CLOSE_EDGE_PX, _FAR_CORNER_PX = 1.5, 4.0
_WIDTH_PX = 11.0
_ASKEW = math.cos(math.radians(55))


@dataclass(frozen=True)
class Snapped:
    """Where a placed point was snapped to.

    `xy_px` (2,), `cov_px2` (2, 2); of an edge or stroke only its place across is known, so `normal` (2,) is its
    unit normal on the side of the length's direction and the covariance is that of the place along that direction.
    `u_tilt_rad` of the normal; `polarity` +1 where it gets brighter along the length, −1 where darker, 0 otherwise.
    """

    kind: Kind
    placed_px: tuple[float, float]
    xy_px: Array
    cov_px2: Array
    normal: Array | None = None
    u_tilt_rad: float = 0.0
    polarity: int = 0
    flags: tuple[str, ...] = ()

    @property
    def moved_px(self) -> float:
        """How far it lies from where it was placed."""
        return float(np.hypot(*(self.xy_px - np.array(self.placed_px))))

    def u_along(self, direction: Array) -> float:
        """Return the standard uncertainty along a unit direction (2,)."""
        return math.sqrt(float(direction @ self.cov_px2 @ direction))

    def sentence(self, name: str) -> str:
        """Return what was found under the point."""
        x, y = self.xy_px
        if self.kind == "hand":
            return f"The point {name} stands where it was placed by hand, at {x:.1f}, {y:.1f}."
        what = {
            "crossing": "the crossing of two edges",
            "corner": "the corner where two edges meet",
            "edge": "the edge",
            "stroke": "the middle of the stroke",
        }[self.kind]
        u = max(self.u_along(np.array(d)) for d in ((1.0, 0.0), (0.0, 1.0)))
        if self.normal is not None:
            u = self.u_along(self.normal)
        return f"The point {name} was snapped by {self.moved_px:.2f} px to {what} at {x:.3f}, {y:.3f} (u {u:.3f} px)."


def placed_by_hand(at_px: tuple[float, float]) -> Snapped:
    """Return the point as it was placed, with the u of a hand."""
    u = HAND_HALF_WIDTH_PX / math.sqrt(3)
    return Snapped("hand", at_px, np.array(at_px, float), np.eye(2) * u**2)


def snap(picture: Grey, at_px: tuple[float, float], along: Array, radius_px: float = RADIUS_PX) -> Snapped:
    """Return the feature of a grey picture that lies under a placed point.

    `along` (2,): direction of the length that is measured; an edge is looked for along it. Raises
    `UnusableInput` for a point outside the picture, `NothingFound` where nothing is within `radius_px`.
    """
    grey = as_grey(picture)
    place = np.array(at_px, float)
    _demand_inside(grey, place)
    direction = along / np.hypot(*along)
    edge = _edge(grey, place, direction, radius_px)
    corner = _corner(grey, place, radius_px)
    if corner is not None and not _edge_is_meant(corner, edge):
        return corner
    if edge is not None:
        return edge
    raise NothingFound(
        f"neither an edge nor a corner lies within {radius_px:g} px of {place[0]:.1f}, {place[1]:.1f} "
        f"({_seen(grey, place, radius_px)}); place the point on one"
    )


def _demand_inside(grey: Grey, place: Array) -> None:
    rows, cols = grey.shape
    if not (np.isfinite(place).all() and 0 <= place[0] <= cols - 1 and 0 <= place[1] <= rows - 1):
        raise UnusableInput(
            f"the point {place[0]:g}, {place[1]:g} lies outside the picture of {cols} × {rows} px; "
            f"give 0 to {cols - 1} and 0 to {rows - 1}"
        )


def _edge_is_meant(corner: Snapped, edge: Snapped | None) -> bool:
    """Whether the point stands on an edge, and a corner only happens to be near."""
    return edge is not None and edge.moved_px <= _CLOSE_EDGE_PX and corner.moved_px > _FAR_CORNER_PX


def _seen(grey: Grey, place: Array, radius: float) -> str:
    patch, _ = _patch(grey, place, radius)
    return f"grey levels there run from {patch.min():.0f} to {patch.max():.0f}"


# --- edges ---------------------------------------------------------------------------------------------------------


def _edge(grey: Grey, place: Array, direction: Array, radius: float) -> Snapped | None:
    """Return the nearest edge along the direction, or the middle of the stroke on which the point stands."""
    peaks = _peaks(grey, place, direction, radius)
    sides = []
    for sign in (1, -1):
        near = sorted((s for s, way in peaks if way == sign), key=abs)
        if near and (found := _one_edge(grey, place, direction, radius, near[0], sign, _room(near[0], peaks))):
            sides.append(found)
    if not sides:
        return None
    sides.sort(key=lambda e: e.moved_px)
    if len(sides) == 2 and _on_a_stroke(sides, place, direction, radius):
        return _stroke(sides, place)
    if len(peaks) == 1:
        return sides[0]
    return replace(sides[0], flags=tuple(sorted({*sides[0].flags, flag("more_than_one_edge")})))


def _peaks(grey: Grey, place: Array, direction: Array, radius: float) -> list[tuple[float, int]]:
    """Return where brightness changes along the direction, and the sign of the change."""
    reach = radius + 6
    patch, origin = _patch(grey, place, reach * 1.5)
    s, across = np.arange(-reach, reach + 0.25, 0.5), np.arange(-3.0, 3.5)
    points = (
        place - origin + s[:, None, None] * direction + across[None, :, None] * np.array([-direction[1], direction[0]])
    )
    profile = scipy.ndimage.map_coordinates(patch, [points[..., 1], points[..., 0]], order=1, mode="nearest").mean(
        axis=1
    )
    slope = scipy.ndimage.gaussian_filter1d(profile, 2.0, order=1)
    # Steps of half a pixel: a derivative of sd 1 px over a mean of seven rows; its noise is about half a row's.
    least = max(_DETECTION * _noise(patch) / math.sqrt(7) / 4, float(np.abs(slope).max()) / 4)
    size = np.abs(slope)
    inner = (size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] > least) & (np.abs(s[1:-1]) <= radius + 2)
    return [(float(s[k + 1]), int(np.sign(slope[k + 1]))) for k in np.flatnonzero(inner)]


def _room(at: float, peaks: list[tuple[float, int]]) -> float:
    """Return the length of a strip about an edge that keeps off its neighbours."""
    gap = min((abs(s - at) for s, _ in peaks if s != at), default=math.inf)
    return float(np.clip(2 * gap - 2, 8.0, 20.0))


def _one_edge(
    grey: Grey, place: Array, direction: Array, radius: float, at: float, sign: int, room: float
) -> Snapped | None:
    first = _strip(grey, place + at * direction, direction, room, sign)
    if first is None:
        return None
    # Again across the edge itself, so that its normal is known as well as its place.
    again = _strip(grey, first.point[0], first.normal[0], room, sign)
    if again is None or float(again.normal[0] @ direction) < _ASKEW:
        return None
    normal = again.normal[0]
    reach = float((again.point[0] - place) @ normal) / float(normal @ direction)
    if abs(reach) > radius:
        return None
    u = math.hypot(float(again.u_normal[0]), FLOOR_PX) / float(normal @ direction)
    return Snapped(
        "edge",
        (float(place[0]), float(place[1])),
        place + reach * direction,
        np.outer(direction, direction) * u**2,
        np.asarray(normal, float),
        float(again.u_tilt_rad[0]),
        sign,
        tuple(f for f in again.flags(0) if f != "more_than_one_edge"),
    )


def _strip(grey: Grey, centre: Array, direction: Array, length: float, sign: int) -> StripEdges | None:
    found = edges_in_strips(
        grey,
        centre[None, :],
        direction[None, :],
        length,
        _WIDTH_PX,
        EdgeSearch("rising" if sign > 0 else "falling"),
    )
    return found if bool(found.ok[0]) else None


def _on_a_stroke(sides: list[Snapped], place: Array, direction: Array, radius: float) -> bool:
    """Whether the point lies between two edges that are near each other, or about in their middle."""
    a, b = (float((side.xy_px - place) @ direction) for side in sides)
    narrow = abs(a - b) <= radius
    return a * b < 0 and (narrow or min(abs(a), abs(b)) > _STROKE_SHARE * max(abs(a), abs(b)))


def _stroke(sides: list[Snapped], place: Array) -> Snapped:
    a, b = sides
    assert a.normal is not None
    assert b.normal is not None
    normal = a.normal + b.normal
    return Snapped(
        "stroke",
        (float(place[0]), float(place[1])),
        (a.xy_px + b.xy_px) / 2,
        (a.cov_px2 + b.cov_px2) / 4,
        normal / np.hypot(*normal),
        math.hypot(a.u_tilt_rad, b.u_tilt_rad) / 2,
        0,
        tuple(sorted({*a.flags, *b.flags} - {"more_than_one_edge"})),
    )


# --- corners -------------------------------------------------------------------------------------------------------


def _corner(grey: Grey, place: Array, radius: float) -> Snapped | None:
    start = _most_cornered(grey, place, radius)
    if start is None:
        return None
    for size in _CIRCLES_PX:
        found = _corner_at(grey, start, size)
        if found is not None and np.hypot(*(found[1] - place)) <= radius:
            kind, xy, cov = found
            return Snapped(kind, (float(place[0]), float(place[1])), xy, cov + np.eye(2) * FLOOR_PX**2)
    return None


def _patch(grey: Grey, place: Array, reach: float) -> tuple[Array, Array]:
    """Return the pixels within `reach` of a place, and the picture coordinates (2,) of the first."""
    rows, cols = grey.shape
    x0, y0 = (max(math.floor(v - reach), 0) for v in place)
    x1, y1 = (min(math.ceil(v + reach) + 1, most) for v, most in zip(place, (cols, rows), strict=True))
    return grey[y0:y1, x0:x1].astype(np.float64), np.array([x0, y0], float)


def _most_cornered(grey: Grey, place: Array, radius: float) -> Array | None:
    """Return the place of the largest smaller eigenvalue of the structure tensor (Förstner & Gülch 1987)."""
    patch, origin = _patch(grey, place, radius + 10)
    if min(patch.shape) < 12:
        return None
    gx = scipy.ndimage.gaussian_filter(patch, 1.2, order=(0, 1))
    gy = scipy.ndimage.gaussian_filter(patch, 1.2, order=(1, 0))
    xx, xy, yy = (scipy.ndimage.gaussian_filter(p, 2.5) for p in (gx * gx, gx * gy, gy * gy))
    half, turn = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    small, large = half - turn, half + turn
    rows, cols = np.indices(patch.shape)
    near = np.hypot(cols + origin[0] - place[0], rows + origin[1] - place[1]) <= radius
    best = np.unravel_index(int(np.argmax(np.where(near, small, -np.inf))), patch.shape)
    # Noise of a derivative of Gaussian: σ²/(8π·1.2⁴) per pixel.
    floor = (_DETECTION * _noise(patch)) ** 2 / (8 * math.pi * 1.2**4)
    if small[best] < floor or small[best] < _CORNER_SHARE * large[best]:
        return None
    return np.asarray(origin + np.array([best[1], best[0]], float))


def _noise(patch: Array) -> float:
    """Return the noise sd by the median of a mask that edges hardly touch (Immerkær, CVIU 64, 1996)."""
    mask = np.array([[1.0, -2.0, 1.0], [-2.0, 4.0, -2.0], [1.0, -2.0, 1.0]])
    seen = scipy.ndimage.convolve(patch, mask, mode="nearest")
    return max(float(np.median(np.abs(seen))) / (6 * 0.6745), 0.3)


def _corner_at(grey: Grey, start: Array, size: float) -> tuple[Kind, Array, Array] | None:
    arms = _arms(grey, start, size)
    if len(arms) == 4:
        return _crossing(grey, start, arms, size)
    if len(arms) != 2:
        return None
    between = abs(math.remainder(arms[0] - arms[1], math.tau))
    if not _SHARP_RAD < between < math.pi - _STRAIGHT_RAD:
        return None
    first = _meeting(grey, start, arms, size)
    if first is None:
        return None
    # Once more from the place found: the first strips may have stood too near the corner.
    arms = _arms(grey, first[0], size)
    second = _meeting(grey, first[0], arms, size) if len(arms) == 2 else None
    return ("corner", *second) if second is not None else None


def _arms(grey: Grey, centre: Array, size: float) -> list[float]:
    """Return the directions (rad) in which brightness changes on a circle about a place."""
    angles = np.arange(_SAMPLES) * (math.tau / _SAMPLES)
    x, y = centre[0] + size * np.cos(angles), centre[1] + size * np.sin(angles)
    rows, cols = grey.shape
    if x.min() < 1 or y.min() < 1 or x.max() > cols - 2 or y.max() > rows - 2:
        return []
    patch, origin = _patch(grey, centre, size + 6)
    smooth = scipy.ndimage.gaussian_filter(patch, 1.0)
    ring = scipy.ndimage.map_coordinates(smooth, [y - origin[1], x - origin[0]], order=1)
    low, high = np.quantile(ring, [0.1, 0.9])
    if high - low < _DETECTION * _noise(patch):
        return []
    above = ring - (low + high) / 2
    changes = np.flatnonzero(np.sign(above) != np.sign(np.roll(above, -1)))
    if len(changes) not in (2, 4):
        return []
    step = above[changes] / (above[changes] - above[(changes + 1) % _SAMPLES])
    return [float(a) for a in (changes + step) * (math.tau / _SAMPLES)]


def _crossing(grey: Grey, start: Array, arms: list[float], size: float) -> tuple[Kind, Array, Array] | None:
    """Return the crossing of the two lines that cut a circle about a place near it in four points."""
    centre = start
    for _ in range(_RECENTRED):
        moved = _where_chords_cross(centre, arms, size)
        if moved is None or np.hypot(*(moved - start)) > size / 2:
            return None
        centre, arms = moved, _arms(grey, moved, size)
        if len(arms) != 4:
            return None
    if any(abs(math.remainder(arms[k] + math.pi - arms[k + 2], math.tau)) > _STRAIGHT_RAD for k in (0, 1)):
        return None
    lines = [arms[k] + math.remainder(arms[k + 2] - math.pi - arms[k], math.tau) / 2 for k in (0, 1)]
    tangents = np.array([[[math.cos(a), math.sin(a)] for a in lines]])
    begin = crossings(centre[None, :], tangents, np.array([size]), np.array([3.5]))
    fit = fit_corners(grey, begin, 1.0, rounds=20)
    if fit.status[0] != FITTED or np.hypot(*(fit.xy_px[0] - centre)) > 2:
        return None
    return "crossing", fit.xy_px[0].copy(), fit.cov_px2[0].copy()


def _where_chords_cross(centre: Array, arms: list[float], size: float) -> Array | None:
    """Return where the lines through opposite points of a circle cross; None where they are nearly parallel."""
    p = centre + size * np.array([[math.cos(a), math.sin(a)] for a in arms])
    ways = np.column_stack([p[2] - p[0], p[1] - p[3]])
    if abs(float(np.linalg.det(ways))) < math.sin(_SHARP_RAD) * size**2:
        return None
    return np.asarray(p[0] + np.linalg.solve(ways, p[1] - p[0])[0] * ways[:, 0])


def _meeting(grey: Grey, corner: Array, arms: list[float], size: float) -> tuple[Array, Array] | None:
    """Return where the edges along two arms would cross, and its covariance (2, 2)."""
    along = np.array([[math.cos(a), math.sin(a)] for a in arms])
    centres = corner + size * along
    across = np.column_stack([-along[:, 1], along[:, 0]])
    found = edges_in_strips(grey, centres, across, 1.4 * size, 1.2 * size)
    if not found.ok.all():
        return None
    N = found.normal
    if abs(float(np.linalg.det(N))) < math.sin(_SHARP_RAD):
        return None
    offsets = np.einsum("ij,ij->i", N, found.point)
    xy = np.linalg.solve(N, offsets)
    # An arm's line is known at its strip; at the corner its tilt comes in.
    reach = np.hypot(*(found.point - xy).T)
    variance = found.u_normal**2 + (reach * found.u_tilt_rad) ** 2
    inverse = np.linalg.inv(N)
    return np.asarray(xy), np.asarray(inverse @ np.diag(variance) @ inverse.T)
