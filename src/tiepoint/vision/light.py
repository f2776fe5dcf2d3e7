"""How the light changes over the picture, from the grey levels that many features report.

A window that reaches far along an edge mistakes a slope of the light for a shift of the edge (a change of one
thousandth of the step per pixel shifts a corner with a reach of 40 px by some hundredths of a pixel). A slope
that is fitted in every window costs a fifth of its precision; the smooth field through all windows' levels
costs nothing.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_PER_TERM = 4
"""Features per term of the polynomial: enough that the field follows the light and not the noise."""


def level_slopes(xy_px: Array, levels: Array) -> Array:
    """Return the slopes (n, k, 2) per px, at each feature, of smooth fields through k levels.

    `xy_px` (n, 2), `levels` (n, k). A polynomial of degree 4, or of 3, 2, 1 or none where the features are too
    few; features whose level lies off (a shadow, a stain) are left out of the second of two fits.
    """
    degree = max((d for d in range(5) if _PER_TERM * _terms(d) <= len(xy_px)), default=0)
    slopes = np.zeros((len(xy_px), levels.shape[1], 2))
    if degree == 0:
        return slopes
    middle, scale = xy_px.mean(axis=0), np.ptp(xy_px, axis=0).max() / 2 or 1.0
    design, along_x, along_y = _polynomials((xy_px - middle) / scale, degree)
    rough = _solved(design, levels)
    off = np.abs(levels - design @ rough)
    kept = off <= 4 * 1.4826 * np.median(off, axis=0) + 1e-12
    for k in range(levels.shape[1]):
        use = kept[:, k]
        coefficients = rough[:, k] if use.all() else _solved(design[use], levels[use, k])
        slopes[:, k, 0] = along_x @ coefficients / scale
        slopes[:, k, 1] = along_y @ coefficients / scale
    return slopes


def _terms(degree: int) -> int:
    return (degree + 1) * (degree + 2) // 2


def _polynomials(xy: Array, degree: int) -> tuple[Array, Array, Array]:
    powers = xy[:, :, None] ** np.arange(degree + 1)
    terms = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    x, y = powers[:, 0], powers[:, 1]
    design = np.stack([x[:, i] * y[:, j] for i, j in terms], axis=1)
    along_x = np.stack([i * x[:, max(i - 1, 0)] * y[:, j] for i, j in terms], axis=1)
    along_y = np.stack([j * x[:, i] * y[:, max(j - 1, 0)] for i, j in terms], axis=1)
    return design, along_x, along_y


def _solved(design: Array, values: Array) -> Array:
    # The coordinates run from −1 to 1: the normal equations keep ten digits. A trace of ridge serves features
    # that all lie on one line.
    normal = design.T @ design
    normal.flat[:: len(normal) + 1] += 1e-9 * len(design)
    return np.asarray(np.linalg.solve(normal, design.T @ values))
