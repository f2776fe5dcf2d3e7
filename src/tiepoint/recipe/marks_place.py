"""Where a mark lies on the ground: the middle of its outline and the direction in which it is read."""

import math

import numpy as np

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Values, ensemble, merge_columns
from tiepoint.recipe.context import Array, Context
from tiepoint.vision.mark_seen import MarkSeen

U_CORNER_CELLS = 0.15
"""Standard uncertainty of each corner of an outline along x and along y, in cells: what drawn symbols of 3 to 8 px a
cell showed was 0.08 (tests/truth/test_marks_place.py), and print may be larger than its cells."""
U_ROUNDED_PX = 1 / math.sqrt(12)
"""Corners come in whole prepared pixels."""


def pose_of(context: Context, mark: MarkSeen, shrink: float) -> Values | Reason:
    """Return the pose (x, y, angle) of a mark on the ground; a reason where the tie does not reach.

    `mark`: its corners in px of the picture. `shrink`: pixels of the picture in a prepared one. The angle is that from
    the mark's own left to its right, the mean of its upper and its lower side.
    """
    there = context.ground.way.map(mark.corners)
    if not there.inside.all():
        return Reason("outside_tie")
    upper, lower = there.xy_mm[1] - there.xy_mm[0], there.xy_mm[2] - there.xy_mm[3]
    along = upper + lower
    size = float(np.hypot(*along))
    if not size > 0:
        return Reason("not_a_number")
    value = np.array([*there.xy_mm.mean(axis=0), math.atan2(along[1], along[0])])
    by_corner = np.zeros((3, 4, 2))
    by_corner[0, :, 0] = by_corner[1, :, 1] = 0.25
    across = np.array([-along[1], along[0]]) / size**2
    by_corner[2] = np.outer([-1, 1, 1, -1], across)
    by_px = np.einsum("kni,nij->knj", by_corner, there.d_px).reshape(3, 8)
    u_px = math.hypot(U_CORNER_CELLS * _cell_px(mark), U_ROUNDED_PX * max(shrink, 1.0))
    noise, spread = ensemble(
        f"corners:{context.prefix}",
        f'Corners of "{context.table.name}"',
        u_px**2 * by_px @ by_px.T,
        "pixel",
        math.inf,
    )
    by_source = np.einsum("kni,nim->km", by_corner, there.d_sources)
    sources, c = merge_columns((*noise, *there.sources), np.hstack([spread, by_source]))
    return Values(value, c, tuple(sources))


def _cell_px(mark: MarkSeen) -> float:
    """Return the side of a cell; of a kind without any, a tenth of the shorter side of its outline."""
    if mark.cell_px is not None:
        return mark.cell_px
    return _shorter_side(mark.corners) / 10


def _shorter_side(corners: Array) -> float:
    return float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).min())
