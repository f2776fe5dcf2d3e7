"""Where near lamps stand, by how their light falls off over a flat matte plate.

A lamp at (x, y, h) lights a plate by h/d³ (Lambert's cosine over the squared distance, d), which peaks below it and
falls off the faster the nearer it is. Where it stands follows by least squares; of a far lamp it does not.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.vision.relief_lights import Array, Ground, Lights

GRID = 24
"""Blocks of the picture each way whose mean grey levels are fitted."""
POOREST = 0.1
"""The place must be known to this share of its distance: within 0.1 the direction is within some 6°."""

PLATE = 2e-3
"""A plate's evenness, and a camera's from block to block, that no fit does better than."""


@dataclass(frozen=True, slots=True)
class FoundPlace:
    """A lamp's place in mm, its covariance (3, 3), and how far the plate's light departs from the fit, of its mean."""

    position_mm: tuple[float, float, float]
    covariance: Array
    rest: float


def lamps_from_flat(lights: Lights, flat: Sequence[NDArray[Any]], ground: Ground) -> Lights:
    """Return the lights with a place for each lamp that states none, by a flat plate's pictures, one each.

    Raises `PoorGeometry` where the light of such a lamp does not tell.
    """
    found = list(lights.lights)
    for k, (light, picture) in enumerate(zip(lights.lights, flat, strict=True)):
        if light.direction is None and light.position_mm is None:
            place = place_of(picture, ground, lights.black_level, light.id)
            found[k] = replace(light, position_mm=place.position_mm)
    return replace(lights, lights=tuple(found))


def place_of(picture: NDArray[Any], ground: Ground, black_level: float = 0.0, whose: str = "the lamp") -> FoundPlace:
    """Return where a lamp stands that shines alike in all directions, by its picture (rows, cols) of a flat plate.

    Unknown are place and strength; the logarithm is fitted, by Levenberg-Marquardt from several starts. Raises
    `PoorGeometry` where the fall-off is too slight to tell.
    """
    from scipy import optimize

    xy, values = _blocks(picture, ground)
    values = values - black_level
    if values.min() <= 0:
        raise PoorGeometry(f"the flat picture of {whose} is dark in places; expose it longer")
    told, middle, size = np.log(values), xy.mean(axis=0), float(np.ptp(xy, axis=0).max())
    slope = np.linalg.lstsq(np.column_stack([xy - middle, np.ones(len(xy))]), told, rcond=None)[0][:2]
    heading = slope / max(float(np.linalg.norm(slope)), 1e-12)

    def off(at: Array) -> Array:
        away = np.column_stack([at[0] - xy[:, 0], at[1] - xy[:, 1]])
        fit = at[2] - 1.5 * np.log((away**2).sum(axis=1) + math.exp(2 * at[2]))
        rest = told - fit
        return np.asarray(rest - rest.mean())

    starts = [
        (*(middle + reach * size * heading), math.log(high * size)) for reach in (0.3, 1.0, 3.0) for high in (0.5, 2.0)
    ]
    fits = [optimize.least_squares(off, start, method="lm", x_scale=(size, size, 1.0)) for start in starts]
    best = min(fits, key=lambda fit: fit.cost)
    x, y, log_h = (float(v) for v in best.x)
    height = math.exp(log_h)
    rest = max(math.sqrt(2 * best.cost / max(len(xy) - 4, 1)), PLATE)
    by_log = np.diag([1.0, 1.0, height])
    covariance = by_log @ np.linalg.pinv(best.jac.T @ best.jac) @ by_log * rest**2
    distance = math.hypot(x - middle[0], y - middle[1], height)
    if not math.sqrt(float(np.trace(covariance))) < POOREST * distance:
        raise PoorGeometry(
            f"the light of {whose} falls off too little over the plate to tell where it stands; state its direction"
        )
    return FoundPlace((x, y, height), covariance, rest)


def _blocks(picture: NDArray[Any], ground: Ground) -> tuple[Array, Array]:
    """Return the places (n, 2) of blocks of a picture on the plane and their mean grey levels (n,)."""
    rows, cols = picture.shape
    high, wide = max(rows // GRID, 1), max(cols // GRID, 1)
    count = rows // high, cols // wide
    kept = picture[: count[0] * high, : count[1] * wide].astype(float)
    means = kept.reshape(count[0], high, count[1], wide).mean(axis=(1, 3))
    y, x = (np.arange(count[0]) + 0.5) * high - 0.5, (np.arange(count[1]) + 0.5) * wide - 0.5
    px = np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)
    return ground.at(px), means.ravel()
