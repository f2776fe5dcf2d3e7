"""How much noise a shot's pictures show, and how much of them no matte surface explains."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEAST_NOISE = math.sqrt(1 / 12)
"""In grey levels: rounding to whole ones alone."""


def picture_noise(pictures: Sequence[NDArray[Any]], most_rows: int = 16) -> float:
    """Return the noise sd in grey levels that pictures show: of the second differences along rows, by their median.

    √6 times the noise where the picture is smooth over three pixels; texture can only add. Quantised to whole levels
    a median may be 0, so rounding's own share is the least.
    """
    seen = []
    for picture in pictures:
        rows = picture[:: max(1, picture.shape[0] // most_rows)].astype(np.float32)
        seen.append(float(_robust_sd(rows[:, :-2] - 2 * rows[:, 1:-1] + rows[:, 2:]) / math.sqrt(6)))
    whole = all(np.issubdtype(p.dtype, np.integer) for p in pictures)
    return max(float(np.median(seen)), LEAST_NOISE if whole else 1e-6)


def unexplained_noise(
    pictures: Sequence[NDArray[Any]], pulls: Array, black: float, most_rows: int = 48
) -> float | None:
    """Return the sd of what no matte surface could show, per degree of freedom; None where lamps leave none.

    `pulls` (n, 3) hold everywhere, or in the picture's middle; then it is an upper bound elsewhere.
    """
    basis = no_surface(pulls)
    if basis.shape[1] == 0:
        return None
    step = max(1, pictures[0].shape[0] // most_rows)
    rows = np.stack([p[::step].astype(np.float32) - np.float32(black) for p in pictures])
    return float(_robust_sd(np.tensordot(basis.T.astype(np.float32), rows, 1)))


def usual_misfit(
    planes: Sequence[NDArray[Any]], pulls: NDArray[Any], inverse: NDArray[Any], black: float, step_px: int
) -> float:
    """Return what the lamps leave unexplained at most pixels, as a share of ρ: the median over nodes; 0 of three lamps.

    `pulls` (ny, nx, n, 3) and `inverse` (ny, nx, 3, n) at nodes every `step_px`, as a light field has them; or (n, 3)
    and (3, n), those of every node.
    """
    if len(planes) < 4:
        return 0.0
    rows, cols = (range(0, size, step_px) for size in planes[0].shape)
    values = np.stack([p[::step_px, ::step_px] for p in planes], axis=-1).astype(np.float32) - np.float32(black)
    pulls, inverse = pulls.astype(np.float32), inverse.astype(np.float32)
    if pulls.ndim == 2:
        g = values @ inverse.T
        rest = values - g @ pulls.T
    else:
        there = np.s_[: len(rows), : len(cols)]
        g = np.einsum("...ij,...j->...i", inverse[there], values)
        rest = values - np.einsum("...ij,...j->...i", pulls[there], g)
    # In squares: their median's root is the median of the roots, at a third of the time.
    rho, left = np.einsum("...i,...i", g, g), np.einsum("...i,...i", rest, rest)
    return math.sqrt(float(np.median(left[rho > 0] / rho[rho > 0]))) if rho.any() else 0.0


def no_surface(pulls: Array) -> Array:
    """Return an orthonormal basis (n, n − 3) of what no matte surface makes lamps of pulls (n, 3) show."""
    left, _, _ = np.linalg.svd(pulls, full_matrices=True)
    return np.asarray(left[:, 3:])


def _robust_sd(values: NDArray[Any]) -> float:
    flat = np.abs(values.ravel())
    return 1.4826 * float(np.median(flat))
