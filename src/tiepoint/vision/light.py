"""How the light changes over the picture, from the grey levels that many features report.

A window that reaches far along an edge mistakes a slope of the light for a shift of the edge (a change of one
thousandth of the step per pixel shifts a corner with a reach of 40 px by some hundredths of a pixel). A slope
that is fitted in every window costs a fifth of its precision; the smooth field through all windows' levels
costs nothing.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_MOST_DEGREE = 4
_MANY = 80
"""With so many features the highest degree is taken unasked; with fewer, that which foretells each level best
from the others."""


def step_slopes(xy_px: Array, level: Array, swing: Array, brightest: float = np.inf) -> Array:
    """Return the slopes (n, 2, 2) per px of the middle level and of the half step of n features.

    `level`, `swing` (n,): of each feature, swing being half of light minus dark; NaN where it tells nothing. Where
    the light side is saturated (at `brightest`) it tells nothing about the light; its slope there comes from the other
    features, for the pixels on the way up to saturation follow it all the same.
    """
    light, dark = level + swing, level - swing
    of_light = level_slopes(xy_px, light, light < brightest - 1.0)
    of_dark = level_slopes(xy_px, dark, np.isfinite(dark))
    return np.stack([(of_light + of_dark) / 2, (of_light - of_dark) / 2], axis=1)


def level_slopes(xy_px: Array, levels: Array, telling: NDArray[np.bool_] | None = None) -> Array:
    """Return the slope (n, 2) per px, at each feature, of a smooth field through the levels (n,) that are `telling`.

    A polynomial of up to degree 4; features whose level lies off (a shadow, a stain) are left out of the second of
    two fits.
    """
    use = np.ones(len(levels), bool) if telling is None else telling
    if use.sum() < 4:
        return np.zeros((len(xy_px), 2))
    middle, scale = xy_px.mean(axis=0), np.ptp(xy_px, axis=0).max() / 2 or 1.0
    design, along_x, along_y = _polynomials((xy_px - middle) / scale)
    n = _terms(_MOST_DEGREE) if use.sum() >= _MANY else _best_terms(design[use], levels[use])
    off = np.abs(levels - design[:, :n] @ _solved(design[use, :n], levels[use]))
    kept = use & (off <= 4 * 1.4826 * np.median(off[use]) + 1e-12)
    coefficients = _solved(design[kept, :n], levels[kept])
    return np.column_stack([along_x[:, :n] @ coefficients, along_y[:, :n] @ coefficients]) / scale


def _best_terms(design: Array, levels: Array) -> int:
    """Return how many terms (of a whole degree) give the smallest residuals of each level left out.

    r_i/(1 − h_i) is the residual of a level that the fit did not use (Allen's PRESS, 1974; from memory).
    """
    best, least = 1, np.inf
    for n in (_terms(d) for d in range(_MOST_DEGREE + 1)):
        if n >= len(levels):
            break
        part = design[:, :n]
        hat = part @ _solved(part, np.eye(len(levels)))
        left_out = (levels - hat @ levels) / np.maximum(1 - np.diag(hat), 1e-6)
        press = float(left_out @ left_out)
        if press < least:
            best, least = n, press
    return best


def _terms(degree: int) -> int:
    return (degree + 1) * (degree + 2) // 2


def _polynomials(xy: Array) -> tuple[Array, Array, Array]:
    """Return the terms (n, 15) by rising degree, and their derivatives along x and y."""
    powers = xy[:, :, None] ** np.arange(_MOST_DEGREE + 1)
    terms = [(d - j, j) for d in range(_MOST_DEGREE + 1) for j in range(d + 1)]
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
