"""Where a mark lies on the ground: its middle and the direction in which it is read."""

import math

import numpy as np

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Sources, Values, ensemble, merge_columns
from tiepoint.recipe.context import Array, Context
from tiepoint.vision.mark_rungs import Rung
from tiepoint.vision.mark_seen import MarkSeen

U_CORNER_CELLS = 0.15
"""Standard uncertainty of each corner along x and along y of an outline that no lattice was fitted to, in cells: what
drawn symbols of 3 to 8 px a cell showed was 0.08, and print may be larger than its cells."""
U_ROUNDED_PX = 1 / math.sqrt(12)
"""Corners come in whole prepared pixels."""

U_LIGHT_CELLS = {"raised": (0.025, 0.005), "sunken": (0.025, 0.005), "curvature": (0.045, 0.009)}
U_ONE_LAMP_CELLS = (0.23, 0.01)
"""How far light moves what is seen of a dot from its middle, in cells: all dots alike, then one end of the mark against
the other. One lamp shows one flank of a dent, up to 0.4 cells off (as a standard uncertainty 0.4/√3); what several show
together is even, but for the depth of dents under a slanting view, gloss and grain. Found on 150 of the bench's peened
symbols (`tiepoint.bench.peened`, slants up to 25°); on 140 others 96 to 100 % of the intervals then held."""


def pose_of(context: Context, mark: MarkSeen, rung: Rung) -> Values | Reason:
    """Return the pose (x, y, angle) of a mark on the ground; a reason where the tie does not reach.

    `mark`: in px of the picture. `rung`: the preparation that showed it. The angle is that from the mark's own left to
    its right.
    """
    ends = _sides(mark.corners) if mark.place is None else mark.place.ends
    there = context.ground.way.map(ends)
    if not there.inside.all():
        return Reason("outside_tie")
    along = there.xy_mm[1] - there.xy_mm[0]
    size = float(np.hypot(*along))
    if not size > 0:
        return Reason("not_a_number")
    value = np.array([*there.xy_mm.mean(axis=0), math.atan2(along[1], along[0])])
    by_end = np.zeros((3, 2, 2))
    by_end[0, :, 0] = by_end[1, :, 1] = 0.5
    by_end[2] = np.outer([-1, 1], np.array([-along[1], along[0]]) / size**2)
    by_px = np.einsum("kni,nij->knj", by_end, there.d_px).reshape(3, 4)
    own = _seen(context, mark, rung)
    by_source = np.einsum("kni,nim->km", by_end, there.d_sources)
    sources = tuple(source for part, _ in own for source in part)
    spread = np.hstack([by_px @ factor for _, factor in own])
    merged, c = merge_columns((*sources, *there.sources), np.hstack([spread, by_source]))
    return Values(value, c, tuple(merged))


def _seen(context: Context, mark: MarkSeen, rung: Rung) -> list[tuple[Sources, Array]]:
    """Return the causes of the place itself, and how they move the two ends (4, k) in px."""
    name = context.table.name
    if mark.place is None:
        u_px = math.hypot(U_CORNER_CELLS * _cell_px(mark), U_ROUNDED_PX * max(rung.shrink, 1.0))
        covariance = np.asarray(u_px**2 / 2 * np.eye(4), float)
        return [ensemble(f"corners:{context.prefix}", f'Corners of "{name}"', covariance, "pixel", math.inf)]
    fitted = ensemble(
        f"lattice:{context.prefix}", f'Lattice of "{name}"', mark.place.covariance, "pixel", mark.place.dof
    )
    if not _is_lit(rung):
        return [fitted]
    alike, apart = U_LIGHT_CELLS.get(rung.picture, U_ONE_LAMP_CELLS)
    ends = alike**2 * np.ones((2, 2)) + apart**2 * np.eye(2)
    both = np.asarray(_cell_px(mark) ** 2 * np.kron(ends, np.eye(2)), float)
    return [fitted, ensemble(f"light:{context.prefix}", f'Light on "{name}"', both, "part", math.inf, "B")]


def _is_lit(rung: Rung) -> bool:
    """Whether what was read is shown by light and shade, as dents are, and not by ink."""
    return bool(rung.dots or rung.join_dark or rung.join_bright or rung.picture in U_LIGHT_CELLS)


def _sides(corners: Array) -> Array:
    """Return the middles (2, 2) of the left and of the right side of an outline."""
    return np.array([corners[[0, 3]].mean(axis=0), corners[[1, 2]].mean(axis=0)])


def _cell_px(mark: MarkSeen) -> float:
    """Return the side of a cell; of a kind without any, a tenth of the shorter side of its outline."""
    if mark.cell_px is not None:
        return mark.cell_px
    return _shorter_side(mark.corners) / 10


def _shorter_side(corners: Array) -> float:
    return float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).min())
