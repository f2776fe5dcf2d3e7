"""How a camera has moved, from what fixed edges have moved along their own normals.

    n_i·(t + s·r_i + θ·J·r_i) = δ_i

with r_i the edge's place from the middle of all, J the quarter turn from x to y. Only as much is asked as the edges
tell: shift, turn and scale of four edges that stand differently, shift alone of two, and of one (or of parallel ones)
the shift along their normal.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FELT = 0.05
"""Least difference between edges, of the share of a turn or growth at the farthest one that is across them."""
WELL_POSED = 1e-3
"""Least singular value, over the largest, with which a motion is told; places are taken in units of their reach."""


@dataclass(frozen=True, slots=True)
class Motion:
    """Shift `x_px` and `y_px` of the middle, `turn_rad` (x towards y), `scale` − 1; None where edges do not tell.

    `along_px`: shift along the common normal, where that alone can be told.
    """

    x_px: float | None = None
    y_px: float | None = None
    turn_rad: float | None = None
    scale: float | None = None
    along_px: float | None = None


def moved(places: Array, ways: Array, shifts: Array) -> Motion:
    """Return the motion that edges at `places` (k, 2) px tell by `shifts` (k,) px along unit normals `ways` (k, 2)."""
    if not len(places):
        return Motion()
    r = places - places.mean(axis=0)
    reach = max(float(np.hypot(*r.T).max()), 1.0)
    along, across = np.sum(ways * r, axis=1) / reach, (ways[:, 1] * r[:, 0] - ways[:, 0] * r[:, 1]) / reach
    # What no edge feels, as the turn of strips that all look at the middle, disturbs none and is not asked.
    turns, grows = bool(np.ptp(across) > FELT), bool(np.ptp(along) > FELT)
    extra = [column for column, is_felt in ((across, turns), (along, grows)) if is_felt]
    if (told := _solved(np.column_stack([ways, *extra]), shifts)) is not None:
        more = [value / reach for value in told[2:]]
        return Motion(told[0], told[1], more[0] if turns else None, more[-1] if grows else None)
    if (told := _solved(ways, shifts)) is not None:
        return Motion(told[0], told[1])
    signs = np.sign(ways @ ways[0])
    return Motion(along_px=float(np.mean(signs * shifts)))


def reach_of(places: Array) -> float:
    """Return how far the farthest place lies from the middle of all, in px, at least 1."""
    return max(float(np.hypot(*(places - places.mean(axis=0)).T).max()), 1.0)


def _solved(design: Array, shifts: Array) -> list[float] | None:
    values = np.linalg.svd(design, compute_uv=False)
    if len(design) < design.shape[1] or values[-1] < WELL_POSED * values[0]:
        return None
    solution: list[float] = np.linalg.lstsq(design, shifts, rcond=None)[0].tolist()
    return solution
