"""What the cells of a grid show in the picture: the evidence that `seat` lays on the target."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.targets.blobs import Blobs
from tiepoint.targets.draw import DOT_SHARE, LARGE_DOT_SHARE, Target
from tiepoint.targets.lattice import Lattice
from tiepoint.targets.levels import Level, Levels
from tiepoint.targets.measure import local_shape
from tiepoint.targets.saddles import Saddles, bilinear
from tiepoint.targets.seat import Evidence, samples

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

_CELL_PX = 3.0
"""Width of a marker's cell from which on its middle is read clear of its neighbours."""


def on_grid(lattice: Lattice, values: Array) -> Array:
    """Return values (n, …) of the members laid out as (h, w, …), NaN where the grid has a gap."""
    low, high = lattice.places.min(axis=0), lattice.places.max(axis=0)
    out = np.full((high[1] - low[1] + 1, high[0] - low[0] + 1, *values.shape[1:]), np.nan)
    columns, rows = (lattice.places - low).T
    out[rows, columns] = values[lattice.members]
    return out


def square_evidence(levels: Levels, level: Level, saddles: Saddles, lattice: Lattice, target: Target) -> Evidence:
    """Return what the squares between and around the corners of a grid show.

    The squares round the outermost corners are extrapolated. A sample is dark where it lies below the middle
    grey of the corners next to it: uneven light does not matter.
    """
    nodes = level.to_picture(on_grid(lattice, saddles.xy))
    middle = on_grid(lattice, saddles.level)
    corners = _extrapolated(nodes)
    side = samples(target)
    share = target.layout.share if target.pattern == "charuco" else 0.3
    at = share * ((np.arange(side) + 0.5) / side - 0.5) + 0.5
    x, y = at[None, :, None], at[:, None, None]
    low_left, low_right = corners[:-1, :-1, None, None], corners[:-1, 1:, None, None]
    top_left, top_right = corners[1:, :-1, None, None], corners[1:, 1:, None, None]
    places = (1 - y) * ((1 - x) * low_left + x * low_right) + y * ((1 - x) * top_left + x * top_right)
    pitch = float(np.nanmedian(np.hypot(*np.moveaxis(np.diff(nodes, axis=1), -1, 0))))
    fine = levels.at_most(share * pitch / side / _CELL_PX)
    grey = _sampled(fine.grey, np.ascontiguousarray(fine.from_picture(places).reshape(-1, 2)))
    grey = grey.reshape(places.shape[:-1])
    threshold = _around(middle)
    seen = np.isfinite(grey).all(axis=(2, 3)) & np.isfinite(threshold)
    with np.errstate(invalid="ignore"):
        dark = grey < threshold[:, :, None, None]
    return Evidence(nodes, dark, seen)


def dot_evidence(level: Level, blobs: Blobs, lattice: Lattice, target: Target) -> Evidence:
    """Return which dots of a grid are large, by their radius over the local spacing."""
    nodes = level.to_picture(on_grid(lattice, blobs.xy))
    shape = local_shape(nodes)
    share = np.full(nodes.shape[:2], np.nan)
    radius = on_grid(lattice, blobs.radius * level.factor).ravel()[shape.ids]
    share.ravel()[shape.ids] = radius / np.sqrt(np.abs(np.linalg.det(shape.jacobian)))
    seen = np.isfinite(share)
    usual = target.layout.share if target.layout.marked else DOT_SHARE
    # Relative to the others: ink spreads, and a threshold has its own idea of the rim.
    limit = np.nanmedian(share) * (1 + LARGE_DOT_SHARE / usual) / 2 if seen.any() else np.inf
    with np.errstate(invalid="ignore"):
        large = share > limit
    return Evidence(nodes, large[:, :, None, None], seen)


def _extrapolated(nodes: Array) -> Array:
    """Return the grid with one more row and column all round, by straight lines."""
    h, w = nodes.shape[:2]
    out = np.full((h + 2, w + 2, 2), np.nan)
    out[1:-1, 1:-1] = nodes
    for _ in range(2):  # the second round fills the four corners
        out[0], out[-1] = 2 * out[1] - out[2], 2 * out[-2] - out[-3]
        out[:, 0], out[:, -1] = 2 * out[:, 1] - out[:, 2], 2 * out[:, -2] - out[:, -3]
    return out


def _around(middle: Array) -> Array:
    """Return the mean over the up to four corners of each square, (h + 1, w + 1); NaN where it has none."""
    h, w = middle.shape
    total, count = np.zeros((h + 1, w + 1)), np.zeros((h + 1, w + 1))
    known = np.where(np.isfinite(middle), middle, 0.0)
    for j in range(2):
        for i in range(2):
            total[j : j + h, i : i + w] += known
            count[j : j + h, i : i + w] += np.isfinite(middle)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


@njit(cache=True, nogil=True, error_model="numpy")
def _sampled(grey: Grey, xy: Array) -> Array:
    """Return grey levels (n,) between pixels; NaN outside the picture."""
    height, width = grey.shape
    out = np.full(xy.shape[0], np.nan)
    for k in range(xy.shape[0]):
        x, y = xy[k, 0], xy[k, 1]
        if x >= 0 and y >= 0 and x < width - 1 and y < height - 1:
            out[k] = bilinear(grey, x, y)
    return out
