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
    starts = np.array([0, *accumulate(len(look) for look in looks)])
    towards = np.concatenate([look.towards_light for look in looks])
    blur, member = np.concatenate([look.blur_px for look in looks]), _means(looks)
    straight = np.array([look.is_straight for look in looks])
    weight, y, facing = np.empty(len(blur)), np.empty((len(blur), 1)), np.empty((len(blur), 2))
    variance, dof = _weighed(blur, towards, starts, member, straight, weight, y, facing)
    u, size, axes = np.linalg.svd(facing, full_matrices=False)
    seen = size > SEEN_SHARE * float(np.linalg.norm(towards * weight[:, None]))
    q = int(seen.sum())
    if q == 0 or dof < LEAST_DOF:
        return None
    along = u[:, seen].T @ y[:, 0]
    a = axes[seen].T @ (along / size[seen])
    F = float(along @ along) / q / max(variance, _TINY)
    return Unevenness(float(np.hypot(*a)), float(special.fdtrc(q, dof, F)))


def _means(looks: Sequence[EdgeLook]) -> Ints:
    """Return which mean each look belongs to (k,): round ones each to its own, straight ones to that of their way."""
    alike = math.cos(math.radians(ALIKE_DEG))
    ways: list[tuple[int, float, float]] = []
    member, count = np.empty(len(looks), np.int64), 0
    for k, look in enumerate(looks):
        x, y = look.towards_light[0].tolist()
        same = [m for m, a, b in ways if look.is_straight and abs(a * x + b * y) > alike]
        member[k] = same[0] if same else count
        if look.is_straight and not same:
            ways.append((count, x, y))
        count += not same
    return member


@njit(cache=True, nogil=True, error_model="numpy")
def _weighed(
    blur: Array, towards: Array, starts: Ints, member: Ints, straight: NDArray[np.bool_], weight: Array, y: Array,
    facing: Array,
) -> tuple[float, float]:  # fmt: skip
    """Fill the weight (n,) of each point, and what the means leave of its weighted blur `y` (n, 1) and `facing` (n, 2).

    Look k holds the points from `starts[k]` on. Returns the variance of weighted blur that follows no look's own slow
    waves, and its degrees of freedom.
    """
    of = np.empty(blur.size, np.int64)
    for k in range(member.size):
        of[starts[k] : starts[k + 1]] = member[k]
    steady = _steadied(blur, starts, of, weight)
    for i in range(blur.size):
        steady[i] *= weight[i]
        y[i, 0] = steady[i]
        facing[i, 0], facing[i, 1] = towards[i, 0] * weight[i], towards[i, 1] * weight[i]
    _leave_means(y, of, weight)
    _leave_means(facing, of, weight)
    return _pure_error(steady, towards, starts, straight)


@njit(cache=True, nogil=True, error_model="numpy")
def _steadied(blur: Array, starts: Ints, of: Ints, weight: Array) -> Array:
    """Return the blur with what lies far out drawn in (n,); fill one over its noise (n,), common to each mean.

    `of` (n,): the number of the mean that each point belongs to.
    """
    n = blur.size
    off, middle, group = np.empty(n), np.empty(n), np.empty(n)
    for k in range(starts.size - 1):
        own = slice(starts[k], starts[k + 1])
        middle[own] = np.median(blur[own])
    for mean in range(of.max() + 1):
        count = 0
        for i in range(n):
            if of[i] == mean:
                off[i] = blur[i] - middle[i]
                group[count] = abs(off[i])
                count += 1
        far = CLIP * max(1.4826 * float(np.median(group[:count])), FINEST_PX)
        # Of the points that are left, the rms tells the noise in fewer of them than their median deviation does.
        square = 0.0
        for k in range(count):
            square += min(group[k], far) ** 2
        scale = 1.0 / max(math.sqrt(square / count), FINEST_PX)
        for i in range(n):
            if of[i] == mean:
                off[i], weight[i] = min(max(off[i], -far), far), scale
    return middle + off


@njit(cache=True, nogil=True, error_model="numpy")
def _leave_means(values: Array, of: Ints, weight: Array) -> None:
    """Take from weighted values (n, k) their share along the weighted mean of each group, by number `of` (n,)."""
    groups = of.max() + 1
    power = np.zeros(groups)
    for i in range(of.size):
        power[of[i]] += weight[i] * weight[i]
    for column in range(values.shape[1]):
        share = np.zeros(groups)
        for i in range(of.size):
            share[of[i]] += weight[i] * values[i, column] / power[of[i]]
        for i in range(of.size):
            values[i, column] -= weight[i] * share[of[i]]


@njit(cache=True, nogil=True, error_model="numpy")
def _pure_error(values: Array, towards: Array, starts: Ints, straight: NDArray[np.bool_]) -> tuple[float, float]:
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
    basis, angles = np.empty((1 + 2 * waves, n)), np.arctan2(towards[:, 1], towards[:, 0])
    for wave in range(waves + 1):
        for part in range(2 if wave else 1):
            column = basis[kept]
            for i in range(n):
                column[i] = math.sin(wave * angles[i]) if part else math.cos(wave * angles[i])
            whole = _length(column)
            for _ in range(2):
                for b in range(kept):
                    _take_off(column, basis[b])
            size = _length(column)
            if size * size > SAME * whole * whole and size > 0.0:
                column /= size
                kept += 1
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
