"""A path of a recipe on the ground: stations along it, a pixel apart, and the band about it in the picture."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Context, placed
from tiepoint.recipe.regions import Path
from tiepoint.recipe.seek import hidden
from tiepoint.ties.sight import scale_there

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOST_SAMPLES = 20_000_000
LEAST_ALONG, LEAST_ACROSS = 16, 9
"""A band's ground and height are told by so many stations at least; and samples across it."""
ROUNDING = 1e-9
ACROSS = np.array([-0.5, -0.25, 0.0, 0.25, 0.5])
"""Where across the band a mask is asked, in shares of its width."""


@dataclass(frozen=True)
class Stations:
    """n places along a path on the ground, `spacing` apart: `xy`, unit vectors `along` and to its left `across` (n, 2).

    `half`: half the band's width; `samples` across it, from its right to its left. `px` (3, n, 2): where the picture
    shows its right side, its middle and its left side. `looked` (n,): which of them no mask covers.
    """

    xy: Array
    along: Array
    across: Array
    spacing: float
    half: float
    samples: int
    px: Array
    looked: Bools

    @property
    def length(self) -> float:
        """Of the whole path."""
        return self.spacing * (len(self.xy) - 1)

    @property
    def sample(self) -> float:
        """Ground units from one sample across to the next."""
        return 2.0 * self.half / (self.samples - 1)

    def at(self, station: Array, sample: Array) -> Array:
        """Return the pixels (k, 2) of places of the band, by station and sample across (k,) each."""
        k = np.clip(np.asarray(station, float), 0.0, len(self.xy) - 1.0)
        t = 2.0 * np.asarray(sample, float) / (self.samples - 1) - 1.0
        first = np.minimum(k.astype(np.int64), len(self.xy) - 2)
        part = (k - first)[:, None]
        right, middle, left = (1.0 - part) * self.px[:, first] + part * self.px[:, first + 1]
        return np.asarray(middle + t[:, None] * ((left - right) / 2.0 + t[:, None] * ((left + right) / 2.0 - middle)))


def stations_of(context: Context, path: Path, size: tuple[int, ...]) -> Stations | Reason:
    """Return the stations along a path; a reason where a picture of a size (rows, columns) does not show all of it."""
    corners = np.array([placed(point, context.ground.frame, context.unit) for point in path.points])
    steps = np.hypot(*np.diff(corners, axis=0).T)
    at = np.concatenate([[0.0], np.cumsum(steps)])
    pixel = min(scale_there(context.ground.sight.numbers, float(x), float(y)) for x, y in corners)
    half = path.width * context.unit / 2.0
    if not math.isfinite(pixel):
        return Reason("outside_picture")
    n, m = math.ceil(at[-1] / pixel) + 1, max(math.floor(2.0 * half / pixel + ROUNDING) + 1, LEAST_ACROSS)
    if n * m > MOST_SAMPLES:
        return Reason("outside_picture")
    if n < LEAST_ALONG:
        return Reason("path_short", {"found": n, "needed": LEAST_ALONG})
    # A pixel apart all lie alike between pixels, so that interpolation blurs all of a profile alike.
    half = min(half, (m - 1) * pixel / 2.0)
    s = np.linspace(0.0, at[-1], n)
    xy = np.column_stack([np.interp(s, at, corners[:, 0]), np.interp(s, at, corners[:, 1])])
    # The way across turns evenly round a corner, over as much of the path as the band is wide.
    # At its ends it reaches as far back as ahead: a chord to one side alone stands aslant to a curve.
    reach = np.maximum(np.minimum(half, np.minimum(s, at[-1] - s)), at[-1] / (n - 1))
    ends = [np.clip(s + sign * reach, 0.0, at[-1]) for sign in (-1.0, 1.0)]
    back, ahead = (np.column_stack([np.interp(e, at, corners[:, 0]), np.interp(e, at, corners[:, 1])]) for e in ends)
    along = ahead - back
    length = np.hypot(along[:, 0], along[:, 1])
    if not (length > 0).all():
        return Reason("path_turns_back")
    along /= length[:, None]
    across = np.column_stack([-along[:, 1], along[:, 0]])
    px = np.array([context.ground.sight.to_px(xy + side * half * across) for side in (-1.0, 0.0, 1.0)])
    rows, cols = size[:2]
    if not ((px >= 0) & (px <= [cols - 1, rows - 1])).all():
        return Reason("outside_picture")
    looked = _looked(context, xy, across, half)
    if 0 < (count := int(np.count_nonzero(looked))) < LEAST_ALONG:
        return Reason("path_short", {"found": count, "needed": LEAST_ALONG})
    return Stations(xy, along, across, s[1] - s[0], half, m, px, looked)


def _looked(context: Context, xy: Array, across: Array, half: float) -> Bools:
    if context.beside.mask is None:
        return np.ones(len(xy), bool)
    covered = [hidden(context, xy + 2.0 * half * share * 0.999 * across) for share in ACROSS]
    return np.asarray(~np.any(covered, axis=0))
