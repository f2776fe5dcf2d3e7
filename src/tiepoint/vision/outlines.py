"""Edge points along an expected circle, arc or straight edge, in the picture.

Twice: a first look with few broad strips over the whole margin finds where the shape is; the second lays narrow strips
side by side, square to it, long enough for both plateaus. So each pixel along the edge is used once, an expectation
that is some pixels off costs nothing, and neighbouring points share no noise.

A curved edge is seen too far inwards: by w²/(2R) for the whole blur w (pixel included), by b²/(24R) for a strip that is
b wide (second-order terms of the blurred disc and of the mean sagitta). Both are taken off here.

Points come with what a fit needs, `vision.fits` in pixels or, carried through a tie, in millimetres.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.reasons import Reason
from tiepoint.vision.fits import CircleFit, LineFit, fit_circle, fit_line
from tiepoint.vision.strips import FLAGS, Polarity, StripEdges, Which, edges_in_strips, with_shared_noise

Array = NDArray[np.float64]
Place = tuple[float, float] | Array

NARROW_PX, MOST_STRIPS, FEWEST_STRIPS = 3.0, 400, 12
"""Width of the strips round a circle, unless that makes more of them, or fewer, than this."""
BROAD_PX = 8.0
"""Width of the strips along a straight edge, where wider ones lose nothing."""
FIRST_LOOK, FIRST_WIDTH_PX = 24, 9.0
ROUGH_U_PX = 0.25
PLATEAU = 32.0
"""Length of a strip in whole blurs: with 12, free levels cost a fifth in precision, with 22 a tenth, with 32 a
fifteenth (inverse Fisher matrix)."""
LEAST_LENGTH_PX = 10.0
SHARE_NEEDED, POINTS_NEEDED = 0.3, 5
FLAG_SHARE = 0.1
SMALLEST_RADIUS_PX = 3.0


@dataclass(frozen=True)
class OutlineEdges:
    """Edge points (n, 2) px along a shape, from `sought` strips.

    `normals` (n, 2): outwards from a circle's centre, or along the crossing direction of a line. `u` (n,): standard
    uncertainty along them. `light` (n,): +1 where the side along the normal is brighter. `blur_whole` is the median
    blur, pixel included. `pulled` is how far points were moved outwards against the pull of curvature. `strips` are
    all strips of the second look. With a `reason` there are too few points to use.
    """

    points: Array
    normals: Array
    u: Array
    light: Array
    blur_whole: float
    pulled: float
    sought: int
    strips: StripEdges
    flags: tuple[str, ...]
    reason: Reason | None = None

    def __len__(self) -> int:
        return len(self.points)


def curvature_pull(blur_whole: float, width: float, radius: float) -> float:
    """Return how far inwards a circular edge of `radius` is seen, all in px."""
    return (blur_whole**2 / 2.0 + width**2 / 24.0) / radius


def measure_circle(
    picture: NDArray[np.generic],
    centre_px: Place,
    radius_px: float,
    search_px: float,
    *,
    polarity: Polarity = "any",
    which: Which = "strongest",
    robust: bool = True,
) -> OutlineEdges:
    """Return edge points round a circle expected within `search_px` of its place and size.

    `polarity` is that of a walk outwards: `rising` for a dark disc on bright ground.
    """
    return measure_arc(
        picture, centre_px, radius_px, search_px, 0.0, math.tau, polarity=polarity, which=which, robust=robust
    )


def measure_arc(
    picture: NDArray[np.generic],
    centre_px: Place,
    radius_px: float,
    search_px: float,
    from_rad: float,
    to_rad: float,
    *,
    polarity: Polarity = "any",
    which: Which = "strongest",
    robust: bool = True,
) -> OutlineEdges:
    """Return edge points along an arc from an angle to a larger one (from +x towards +y), as `measure_circle` does."""
    centre = np.asarray(centre_px, dtype=np.float64)
    if not radius_px >= SMALLEST_RADIUS_PX or not search_px > 0:
        raise UnusableInput(
            f"a circle of radius {radius_px:g} px sought within {search_px:g} px cannot be measured; "
            f"give a radius of at least {SMALLEST_RADIUS_PX:g} px and a margin above 0"
        )
    if not 0 < to_rad - from_rad <= math.tau + 1e-9:
        raise UnusableInput("an arc must run from an angle to a larger one, at most a full turn")
    span = (from_rad, to_rad)
    reach = min(search_px, 0.9 * radius_px)
    count = max(FEWEST_STRIPS, min(FIRST_LOOK, round(radius_px * (to_rad - from_rad) / FIRST_WIDTH_PX)))
    width = min(FIRST_WIDTH_PX, radius_px * (to_rad - from_rad) / count)
    first = _round_strips(picture, centre, radius_px, span, count, 2 * reach, width, polarity, which, robust)
    rough = _rough_circle(first, centre, radius_px, search_px)
    if rough is None:
        return _without(first, count)
    at, radius, blur = rough
    ends = tuple(_seen_from(at, centre + radius_px * np.array([math.cos(a), math.sin(a)]), a) for a in span)
    span = span if to_rad - from_rad > math.tau - 1e-9 else (ends[0], ends[1])
    arc = radius * (span[1] - span[0])
    count = int(min(max(arc / NARROW_PX, FEWEST_STRIPS), MOST_STRIPS))
    length = max(min(PLATEAU * blur, 2 * search_px, 1.8 * radius), LEAST_LENGTH_PX)
    width = max(arc / count, 1.0)
    edges = _round_strips(picture, at, radius, span, count, length, width, polarity, "strongest", robust)
    return _told(edges, np.asarray(edges.point - at), radius, width)


def _round_strips(
    picture: NDArray[np.generic], centre: Array, radius: float, span: tuple[float, float], count: int, length: float,
    width: float, polarity: Polarity, which: Which, robust: bool,
) -> StripEdges:  # fmt: skip
    angles = span[0] + (np.arange(count) + 0.5) / count * (span[1] - span[0])
    out = np.column_stack([np.cos(angles), np.sin(angles)])
    return edges_in_strips(
        picture, centre + radius * out, out, max(length, LEAST_LENGTH_PX), max(width, 1.0), polarity=polarity,
        which=which, robust=robust, free_tilt=False,
    )  # fmt: skip


def _rough_circle(edges: StripEdges, centre: Array, radius: float, search: float) -> tuple[Array, float, float] | None:
    """Return centre, radius and blur of a first look, or None where it saw no such circle."""
    ok = edges.ok
    if ok.sum() < POINTS_NEEDED:
        return None
    try:
        # Off the centre the edge is crossed at a slant: there a place is worth less than its stated u.
        fit: CircleFit = fit_circle(edges.point[ok], np.hypot(edges.u[ok], ROUGH_U_PX))
    except PoorGeometry:
        return None
    away = float(np.hypot(*(fit.centre - centre))) + abs(fit.radius - radius)
    if away > 2 * search or fit.radius < SMALLEST_RADIUS_PX:
        return None
    return fit.centre, fit.radius, float(np.median(edges.blur_whole[ok]))


def _seen_from(at: Array, place: Array, near_rad: float) -> float:
    """Return the angle at which a place is seen, on the turn nearest to a given angle."""
    angle = math.atan2(place[1] - at[1], place[0] - at[0])
    return angle + math.tau * round((near_rad - angle) / math.tau)


def _told(edges: StripEdges, outwards: Array, radius: float, width: float) -> OutlineEdges:
    """Return the second look's points, moved outwards against the pull of curvature (radius 0: straight)."""
    edges = with_shared_noise(edges)
    ok = edges.ok
    needed = max(POINTS_NEEDED, math.ceil(SHARE_NEEDED * len(edges)))
    if ok.sum() < needed:
        return _without(edges, len(edges), needed)
    normals = outwards[ok] / np.hypot(outwards[ok, 0], outwards[ok, 1])[:, None]
    blur = float(np.median(edges.blur_whole[ok]))
    pulled = curvature_pull(blur, width, radius) if radius > 0 else 0.0
    along = np.sign(np.einsum("ni,ni->n", normals, edges.normal[ok]))
    return OutlineEdges(
        points=edges.point[ok] + pulled * normals,
        normals=normals,
        u=edges.u_normal[ok],
        light=edges.polarity[ok] * along,
        blur_whole=blur,
        pulled=pulled,
        sought=len(edges),
        strips=edges,
        flags=_common_flags(edges),
    )


def _common_flags(edges: StripEdges) -> tuple[str, ...]:
    """Return the flags that more than a tenth of the strips with an edge carry."""
    share = edges.flag_table[edges.ok].mean(axis=0)
    return tuple(f for f, part in zip(FLAGS, share, strict=True) if part > FLAG_SHARE)


def _without(edges: StripEdges, sought: int, needed: int = POINTS_NEEDED) -> OutlineEdges:
    """Return no points, and why."""
    found = int(edges.ok.sum())
    told = edges.most_common_reason()
    if found == 0 and told == "saturated":
        share = round(100 * float(np.mean(edges.saturated_share)))
        reason = Reason("saturated", {"share_percent": share})
    elif found == 0:
        reason = Reason(told or "no_edge")
    else:
        reason = Reason("few_edges", {"found": found, "sought": sought, "needed": needed})
    nothing = np.zeros((0, 2))
    none = np.zeros(0)
    return OutlineEdges(nothing, nothing, none, none, math.nan, 0.0, sought, edges, (), reason)


def measure_line(
    picture: NDArray[np.generic],
    from_px: Place,
    to_px: Place,
    search_px: float,
    *,
    polarity: Polarity = "any",
    which: Which = "strongest",
    robust: bool = True,
) -> OutlineEdges:
    """Return edge points along a straight edge expected within `search_px` of the segment between two places.

    Crossed along the segment's normal, a quarter turn from its direction in the sense +x → +y.
    """
    ends = np.array([from_px, to_px], dtype=np.float64)
    size = float(np.hypot(*(ends[1] - ends[0])))
    if not size >= 3.0 or not search_px > 0:
        raise UnusableInput(
            f"a straight edge of {size:g} px sought within {search_px:g} px cannot be measured; "
            "give ends at least 3 px apart and a margin above 0"
        )
    count = int(min(max(size / BROAD_PX, 3), FIRST_LOOK))
    first = _strips_along(picture, ends, count, 2 * search_px, polarity, which, robust)
    rough = _rough_line(first, ends)
    if rough is None:
        return _without(first, count, 3)
    found, blur = rough
    # The same stretch, along the line that was found.
    there = found.anchor + np.outer((ends - found.anchor) @ found.direction, found.direction)
    count = int(min(max(size / BROAD_PX, POINTS_NEEDED), MOST_STRIPS))
    length = max(min(PLATEAU * blur, 2 * search_px), LEAST_LENGTH_PX)
    edges = _strips_along(picture, there, count, length, polarity, "strongest", robust)
    normal = np.array([-found.direction[1], found.direction[0]])
    return _told(edges, np.broadcast_to(normal, edges.point.shape), 0.0, 0.0)


def _strips_along(
    picture: NDArray[np.generic], ends: Array, count: int, length: float, polarity: Polarity, which: Which,
    robust: bool,
) -> StripEdges:  # fmt: skip
    d = ends[1] - ends[0]
    size = float(np.hypot(*d))
    at = ends[0] + ((np.arange(count) + 0.5) / count)[:, None] * d
    across = np.broadcast_to(np.array([-d[1], d[0]]) / size, (count, 2))
    return edges_in_strips(
        picture, at, across, max(length, LEAST_LENGTH_PX), max(size / count, 1.0), polarity=polarity, which=which,
        robust=robust,
    )  # fmt: skip


def _rough_line(edges: StripEdges, ends: Array) -> tuple[LineFit, float] | None:
    """Return the line of a first look and its blur, or None where it saw none that runs along the segment."""
    ok = edges.ok
    if ok.sum() < 2:
        return None
    try:
        fit = fit_line(edges.point[ok], np.hypot(edges.u[ok], ROUGH_U_PX))
    except PoorGeometry:
        return None
    d = ends[1] - ends[0]
    if abs(float(fit.direction @ d)) < 0.7 * float(np.hypot(*d)):
        return None
    if fit.direction @ d < 0:
        fit = fit_line(edges.point[ok][::-1], np.hypot(edges.u[ok], ROUGH_U_PX)[::-1])
    return fit, float(np.median(edges.blur_whole[ok]))
