"""Do edges look alike whichever way they face? A bevel or a burr is bright towards the lamp and dark away from it.

The bright or dark band beside such an edge widens its blur by little and shifts it by more, and no residual of a fit
shows that: one circle only moves, one bar only widens. But the blur then follows the way that the edge faces, and over
all edges of one picture that stands out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import special

from tiepoint.recipe.context import EdgeLook
from tiepoint.vision.shape_kernels import correlated

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FALSE_ALARMS = 1e-4
"""How often noise alone may pass for a difference, in one picture."""
LEAST_PX = 0.015
"""What the pixel grid does to the blur of straight edges, and a slant of the focus to that of circles, stays below."""
ALIKE_DEG = 10.0
"""Straight edges whose directions differ by less run the same way."""
CLIP = 3.0
"""Blur further from its look's median than this many robust standard deviations is drawn in to there."""
FINEST_PX = 1e-3
"""No blur is known better."""
SEEN_SHARE = 0.2
"""A direction counts as seen from both sides where this share of the edges' facing remains beside the means."""
WAVES = 3
"""Waves round a circle, up to this many, belong to the look of its edge and not to its noise."""
SAME = 1e-6
"""A wave of which no larger share than this is left beside the others, on a short arc, is none of its own."""
LEAST_DOF = 10.0
_TINY = 1e-12


@dataclass(frozen=True)
class Unevenness:
    """How the blur of edges follows the way they face: `px` more on one side than on the mean of both, and `p`.

    `p` is the probability of so much or more by noise alone.
    """

    px: float
    p: float

    @property
    def is_certain(self) -> bool:
        """Whether neither noise nor the pixel grid explains it."""
        return self.p < FALSE_ALARMS and self.px >= LEAST_PX


def unevenness(looks: Sequence[EdgeLook]) -> Unevenness | None:
    """Return how the blur of all edges of one picture follows the way they face; None where they cannot tell.

    Each point is modelled as blur = mean + a·ν + noise, ν the unit vector from dark to bright. A circle or an arc has a
    mean of its own; straight edges that run the same way share one, so that only opposite sides are compared: motion
    and astigmatism blur those alike. a is tested by F over the directions that the means leave, against the pure error
    within each look (Draper and Smith, Applied Regression Analysis, 3rd ed., chapters 2 and 6, from memory). We depart
    from it twice: far points are drawn in, and each mean is weighted by the noise that is left; and where neighbours
    are alike, F and its degrees of freedom are divided by their correlation length.
    """
    looks = [look for look in looks if len(look)]
    if not looks:
        return None
    blur = np.concatenate([look.blur_px for look in looks])
    towards = np.concatenate([look.towards_light for look in looks])
    starts = np.array([0, *accumulate([len(look.blur_px) for look in looks])])
    px, F, q, dof = _tested(blur, towards, starts, np.array([look.is_straight for look in looks]))
    return Unevenness(px, float(special.fdtrc(q, dof, F))) if q and dof >= LEAST_DOF else None


@njit(cache=True, nogil=True, error_model="numpy")
def _tested(blur: Array, towards: Array, starts: Ints, straight: Bools) -> tuple[float, float, int, float]:
    """Return how large a is, its F over q directions, q, and the degrees of freedom of the noise.

    Look k holds the points from `starts[k]` on.
    """
    member = _means(towards, starts, straight)
    weight = np.empty(blur.size)
    steady = _steadied(blur, starts, member, weight)
    left, whole = np.empty((blur.size, 3)), 0.0
    for i in range(blur.size):
        steady[i] *= weight[i]
        left[i, 0] = steady[i]
        for k in range(2):
            left[i, 1 + k] = towards[i, k] * weight[i]
            whole += left[i, 1 + k] ** 2
    _leave_means(left, starts, member, weight)
    variance, dof = _pure_error(steady, towards, starts, straight)
    return *_effect(left, SEEN_SHARE**2 * whole, max(variance, _TINY)), dof


@njit(cache=True, nogil=True, error_model="numpy")
def _effect(left: Array, least: float, variance: float) -> tuple[float, float, int]:
    """Return |a| of y = a·ν + noise by least squares, its F, and over how many directions, from `left` (n, 3).

    That holds y, then ν. Directions of ν whose sum of squares is no more than `least` were not seen from both sides.
    The two directions are the axes of the 2 × 2 matrix Σν·νᵀ.
    """
    xx, xy, yy, x_blur, y_blur = 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(len(left)):
        b, x, y = left[i]
        xx, xy, yy = xx + x * x, xy + x * y, yy + y * y
        x_blur, y_blur = x_blur + x * b, y_blur + y * b
    angle = math.atan2(2.0 * xy, xx - yy) / 2.0
    q, square, explained = 0, 0.0, 0.0
    for dx, dy in ((math.cos(angle), math.sin(angle)), (-math.sin(angle), math.cos(angle))):
        power = dx * dx * xx + 2.0 * dx * dy * xy + dy * dy * yy
        if power > least:
            along = (dx * x_blur + dy * y_blur) / power
            q, square, explained = q + 1, square + along * along, explained + along * along * power
    return math.sqrt(square), explained / max(q, 1) / variance, q


@njit(cache=True, nogil=True, error_model="numpy")
def _means(towards: Array, starts: Ints, straight: Bools) -> Ints:
    """Return which mean each look belongs to (k,): round ones each to its own, straight ones to that of their way."""
    alike, count = math.cos(math.radians(ALIKE_DEG)), 0
    member, first = np.full(straight.size, -1), np.empty(straight.size, np.int64)
    for k in range(straight.size):
        x, y = towards[starts[k]]
        for mean in range(count):
            a, b = towards[starts[first[mean]]]
            if straight[k] and straight[first[mean]] and abs(a * x + b * y) > alike:
                member[k] = mean
                break
        if member[k] < 0:
            member[k], first[count] = count, k
            count += 1
    return member


@njit(cache=True, nogil=True, error_model="numpy")
def _steadied(blur: Array, starts: Ints, member: Ints, weight: Array) -> Array:
    """Return the blur with what lies far out drawn in (n,); fill one over its noise (n,), common to each mean.

    `member` (k,): the number of the mean that each look belongs to.
    """
    steady, group = np.empty(blur.size), np.empty(blur.size)
    for mean in range(member.max() + 1):
        count = 0
        for k in np.flatnonzero(member == mean):
            middle = np.median(blur[starts[k] : starts[k + 1]])
            for i in range(starts[k], starts[k + 1]):
                steady[i] = blur[i] - middle
                group[count] = abs(steady[i])
                count += 1
        far = CLIP * max(1.4826 * float(np.median(group[:count])), FINEST_PX)
        # Of the points that are left, the rms tells the noise in fewer of them than their median deviation does.
        square = 0.0
        for i in range(count):
            square += min(group[i], far) ** 2
        scale = 1.0 / max(math.sqrt(square / count), FINEST_PX)
        for k in np.flatnonzero(member == mean):
            for i in range(starts[k], starts[k + 1]):
                steady[i], weight[i] = blur[i] - steady[i] + min(max(steady[i], -far), far), scale
    return steady


@njit(cache=True, nogil=True, error_model="numpy")
def _leave_means(values: Array, starts: Ints, member: Ints, weight: Array) -> None:
    """Take from weighted values (n, c) their share along the weighted mean of each group of looks."""
    groups = member.max() + 1
    power, share = np.zeros(groups), np.zeros((groups, values.shape[1]))
    for k in range(member.size):
        for i in range(starts[k], starts[k + 1]):
            power[member[k]] += weight[i] * weight[i]
            for column in range(values.shape[1]):
                share[member[k], column] += weight[i] * values[i, column]
    for k in range(member.size):
        for i in range(starts[k], starts[k + 1]):
            for column in range(values.shape[1]):
                values[i, column] -= weight[i] * share[member[k], column] / power[member[k]]


@njit(cache=True, nogil=True, error_model="numpy")
def _pure_error(values: Array, towards: Array, starts: Ints, straight: Bools) -> tuple[float, float]:
    """Return the variance of weighted blur (n,) that follows no look's own slow waves, and its degrees of freedom.

    A bevel does more to blur than one wave round a circle: waves up to `WAVES` are not noise. The variance is that of a
    sum over neighbours, which are as alike as the correlation length tells.
    """
    square, unknowns, alike = 0.0, 0, 0.0
    for k in range(straight.size):
        own = slice(starts[k], starts[k + 1])
        left = values[own].copy()
        unknowns += _leave_waves(left, towards[own], 0 if straight[k] else WAVES)
        for i in range(left.size):
            # What rounding leaves of a look without noise is no texture.
            left[i] = round(left[i] * 1e12) * 1e-12
            square += left[i] * left[i]
        alike += left.size * correlated(left, False)
    dof = (values.size - unknowns) / max(alike / values.size, 1.0)
    return (square / dof if dof > 0 else math.inf), dof


@njit(cache=True, nogil=True, error_model="numpy")
def _leave_waves(values: Array, towards: Array, waves: int) -> int:
    """Take from values (n,) their mean and what varies as slow waves round a look; return how many unknowns that has.

    The columns are made square to each other one by one (modified Gram-Schmidt), each twice over.
    """
    n, kept = values.size, 0
    basis = np.empty((1 + 2 * waves, n))
    turn, turns = towards[:, 0] + 1j * towards[:, 1], np.ones(n, np.complex128)
    for wave in range(waves + 1):
        for part in range(2 if wave else 1):
            column = basis[kept]
            for i in range(n):
                column[i] = turns[i].imag if part else turns[i].real
            whole = _length(column)
            for _ in range(2):
                for b in range(kept):
                    _take_off(column, basis[b])
            size = _length(column)
            if size * size > SAME * whole * whole and size > 0.0:
                column /= size
                kept += 1
        turns *= turn
    for b in range(kept):
        _take_off(values, basis[b])
    return kept


@njit(cache=True, nogil=True, error_model="numpy")
def _length(vector: Array) -> float:
    total = 0.0
    for i in range(vector.size):
        total += vector[i] * vector[i]
    return math.sqrt(total)


@njit(cache=True, nogil=True, error_model="numpy")
def _take_off(vector: Array, unit: Array) -> None:
    """Take from a vector (n,) its share along a unit vector (n,)."""
    share = 0.0
    for i in range(vector.size):
        share += vector[i] * unit[i]
    for i in range(vector.size):
        vector[i] -= share * unit[i]
