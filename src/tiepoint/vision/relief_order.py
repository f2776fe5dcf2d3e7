"""Pictures that come in another order than the lamps: their slopes are turned or mirrored, and belong to no surface.

Of a surface ∂q/∂x = ∂p/∂y: its slopes p, q have no curl. A ring of lamps that is counted from another one, or the other
way round, gives T·(p, q) instead, with T a turn or a mirror. The lamps agree as well as ever, but the curl is then that
of another field: under a quarter turn the surface's own curvature, mirrored its twist. A half turn leaves none: pits
then look like bumps, and nothing in the pictures tells. Nor does a flat part, or a ridge along an axis of the mirror.

After the integrability of shape from shading (Frankot and Chellappa, IEEE TPAMI 10, 1988, from memory), used here not
to mend slopes but to doubt them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Picture = NDArray[np.float32]

WINDOW, MOST_WINDOWS, SPARSE = 96, 10, 16
"""Looked at are the windows with the most detail: so many tell enough, and a large picture costs no more."""
BLUR_PX, BORDER_PX = 1.5, 6
OUT_OF_NOISE = 25.0
"""By how much the change of slopes stands out of what noise alone makes of it, in variances, where it is looked at."""
FEWEST_PX = 400
SAME_RING, EVEN = 0.05, 0.15
"""Lamps in another order are the ring turned or mirrored where their pulls then differ by less than this share, and
lengths and right angles are kept to that one."""
AS_WELL = 0.02
"""An order is named beside the best one where it leaves about as little: in such a share, twice as much is nothing."""
LEAST_CURL, CLEARER = 0.1, 5.0
"""The curl's share of all change of slopes from which there is doubt, and how many times less another order leaves."""


@dataclass(frozen=True, slots=True)
class OrderDoubt:
    """Orders that explain the slopes where the stated one does not: `orders`, each the ids by picture.

    `curl` of the stated one and `left` by these: shares of the whole change of slopes, in squares.
    """

    orders: tuple[tuple[str, ...], ...]
    curl: float
    left: float

    @property
    def sentence(self) -> str:
        """What a person reads."""
        named = " or ".join(", ".join(order) for order in self.orders)
        return f"The pictures look as if they were taken in the order {named}."


def order_doubt(
    slopes: tuple[Picture, Picture],
    used: NDArray[np.uint16],
    matrix: Array,
    pulls: Array,
    noise: float,
    ids: Sequence[str],
) -> OrderDoubt | None:
    """Return in which order the pictures seem to have been taken; None where the stated one holds, or nothing tells.

    `slopes` x and y (rows, cols) along the plane's axes, `used` as `solve` gave them; `matrix` (2, 2) from pixels to
    the plane; `pulls` (n, 3) of the lamps `ids`; `noise`: of grey values, as a share of the surface's light.
    """
    turns = _turns(pulls)
    if len(turns) < 2:
        return None
    change, kept = _changes(slopes, used, (1 << len(pulls)) - 1, np.asarray(np.linalg.inv(matrix), np.float64))
    # Slopes of noise, blurred, and their derivatives: white noise of 1 gives 1/(8πσ⁴).
    spread = np.linalg.inv(pulls.T @ pulls)[[0, 1], [0, 1]].sum() * noise**2
    least = OUT_OF_NOISE * 2 * spread / (8 * np.pi * BLUR_PX**4) / abs(float(np.linalg.det(matrix)))
    kept &= np.einsum("kn,kn->n", change, change) > least
    if np.count_nonzero(kept) < FEWEST_PX:
        return None
    told = change[:, kept].astype(float)
    moments = told @ told.T
    curls = {order: _curl(turn, moments) / float(np.trace(moments)) for order, turn in turns}
    stated, best = curls[tuple(range(len(ids)))], min(curls.values())
    if stated < LEAST_CURL or best * CLEARER > stated:
        return None
    near = [order for order, curl in curls.items() if curl < 2 * best + AS_WELL]
    return OrderDoubt(tuple(tuple(ids[k] for k in order) for order in near), stated, best)


def _turns(pulls: Array) -> list[tuple[tuple[int, ...], Array]]:
    """Return each order of a ring, once round either way, and what it makes of slopes (2, 2); those that fit."""
    n, inverse = len(pulls), np.linalg.pinv(pulls)
    found = []
    for sign in (1, -1):
        for first in range(n):
            order = tuple((first + sign * k) % n for k in range(n))
            other = pulls[list(order)]
            made = inverse[:, order] @ pulls
            is_turn = float(np.abs(made.T @ made - np.eye(3)).max()) < EVEN
            if is_turn and np.linalg.norm(other @ made - pulls) < SAME_RING * np.linalg.norm(pulls):
                found.append((order, made[:2, :2] / made[2, 2]))
    return found


def _curl(turn: Array, moments: Array) -> float:
    """Return the sum of squares of the curl of slopes that are turned, from the `moments` (4, 4) of their change."""
    # ∂x of the turned q less ∂y of the turned p, in p_x, p_y, q_x, q_y.
    weights = np.array([turn[1, 0], -turn[0, 0], turn[1, 1], -turn[0, 1]])
    return float(weights @ moments @ weights)


def _changes(
    slopes: tuple[Picture, Picture], used: NDArray[np.uint16], every: int, px_from_plane: Array
) -> tuple[Picture, Bools]:
    """Return p_x, p_y, q_x and q_y (4, n) of the blurred slopes along the plane's axes, and which of them hold (n,).

    Those hold about which `used` tells that `every` lamp was.
    """
    kernel = np.ones((2 * BORDER_PX - 1, 2 * BORDER_PX - 1), np.uint8)
    (a, b), (c, d) = (px_from_plane / 2).astype(np.float32).tolist()
    changes, kept = [np.zeros((4, 0), np.float32)], [np.zeros(0, bool)]
    for window in _windows(slopes, used.shape):
        both = []
        for slope in slopes:
            smooth = cv2.GaussianBlur(slope[window], (0, 0), BLUR_PX)
            right = _inner(smooth[:, 2:] - smooth[:, :-2], 0, 1)
            down = _inner(smooth[2:] - smooth[:-2], 1, 0)
            both += [a * right + c * down, b * right + d * down]
        changes.append(np.stack(both))
        kept.append(_inner(cv2.erode((used[window] == every).astype(np.uint8), kernel), 0, 0) > 0)
    return np.concatenate(changes, axis=1), np.concatenate(kept)


def _inner(values: NDArray[Any], fewer_rows: int, fewer_cols: int) -> NDArray[Any]:
    """Return what lies within a window's border, flat, of an array that is shorter by a pixel on either side or not."""
    r, c = BORDER_PX - fewer_rows, BORDER_PX - fewer_cols
    return values[r:-r, c:-c].ravel()


def _windows(slopes: tuple[Picture, Picture], shape: tuple[int, ...]) -> list[tuple[slice, slice]]:
    """Return the windows with the most change of slopes at every sixteenth pixel, without what is left at two sides."""
    (rows, high), (cols, wide) = ((max(size // WINDOW, 1), min(size, WINDOW)) for size in shape)
    if min(high, wide) <= 2 * BORDER_PX + 2:
        return []
    detail = np.zeros((rows, cols))
    for slope in slopes:
        seen = slope[: rows * high : SPARSE, : cols * wide : SPARSE]
        detail += seen.reshape(rows, seen.shape[0] // rows, cols, seen.shape[1] // cols).var(axis=(1, 3))
    most = np.argsort(detail.ravel())[::-1][:MOST_WINDOWS]
    return [
        np.s_[high * i : high * (i + 1), wide * j : wide * (j + 1)] for i, j in (divmod(int(k), cols) for k in most)
    ]
