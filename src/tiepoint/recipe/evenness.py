"""Do edges look alike whichever way they face? A bevel or a burr is bright towards the lamp and dark away from it.

The bright or dark band beside such an edge widens its blur by little and shifts it by more, and no residual of a fit
shows that: one circle only moves, one bar only widens. But the blur then follows the way that the edge faces, and over
all edges of one picture that stands out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tiepoint.recipe.context import EdgeLook
from tiepoint.recipe.fits import correlation_length
from tiepoint.vision.shape_kernels import median

Array = NDArray[np.float64]

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
    member = _means(looks)
    clipped, weight = _steadied(looks, member)
    belongs = np.repeat(member, [len(look) for look in looks])
    facing = np.concatenate([look.towards_light for look in looks]) * weight[:, None]
    y = _beside_means((clipped * weight)[:, None], belongs, weight)[:, 0]
    u, size, axes = np.linalg.svd(_beside_means(facing, belongs, weight), full_matrices=False)
    seen = size > SEEN_SHARE * float(np.linalg.norm(facing))
    q = int(seen.sum())
    variance, dof = _pure_error(clipped * weight, looks)
    if q == 0 or dof < LEAST_DOF:
        return None
    along = u[:, seen].T @ y
    a = axes[seen].T @ (along / size[seen])
    F = float(along @ along) / q / max(variance, _TINY)
    return Unevenness(float(np.hypot(*a)), float(special.fdtrc(q, dof, F)))


def _means(looks: Sequence[EdgeLook]) -> NDArray[np.int64]:
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


def _steadied(looks: Sequence[EdgeLook], member: NDArray[np.int64]) -> tuple[Array, Array]:
    """Return the blur with what lies far out drawn in (n,), and one over its noise (n,), common to each mean."""
    middle = np.repeat([median(look.blur_px) for look in looks], [len(look) for look in looks])
    belongs = np.repeat(member, [len(look) for look in looks])
    off = np.concatenate([look.blur_px for look in looks]) - middle
    weight = np.empty(len(off))
    for mean in range(int(member.max()) + 1):
        at = belongs == mean
        group = off[at]
        sd = max(1.4826 * median(np.abs(group)), FINEST_PX)
        off[at] = group = np.minimum(np.maximum(group, -CLIP * sd), CLIP * sd)
        # Of the points that are left, the rms tells the noise in fewer of them than their median deviation does.
        weight[at] = 1.0 / max(math.sqrt(float(group @ group) / len(group)), FINEST_PX)
    return middle + off, weight


def _beside_means(values: Array, belongs: NDArray[np.int64], weight: Array) -> Array:
    """Return weighted values (n, k) less their share along the weighted mean of each member."""
    power = np.sqrt(np.bincount(belongs, weight**2))
    unit = weight / power[belongs]
    shares = np.column_stack([np.bincount(belongs, unit * column) for column in values.T])
    return np.asarray(values - unit[:, None] * shares[belongs])


def _pure_error(values: Array, looks: Sequence[EdgeLook]) -> tuple[float, float]:
    """Return the variance of weighted blur (n,) that follows no look's own slow waves, and its degrees of freedom.

    A bevel does more to blur than one wave round a circle: waves up to `WAVES` are not noise. The variance is that of a
    sum over neighbours, which are as alike as the correlation length tells.
    """
    square, unknowns, alike, at = 0.0, 0, 0.0, 0
    for look in looks:
        part = values[at : at + len(look)]
        left, waves = _without_waves(part, look)
        # What rounding leaves of a look without noise is no texture.
        left = np.round(left, 12)
        square += float(left @ left)
        unknowns += waves
        alike += len(look) * correlation_length(left, closed=False)
        at += len(look)
    tau = max(alike / at, 1.0)
    dof = (at - unknowns) / tau
    return (square / dof if dof > 0 else math.inf), dof


def _without_waves(values: Array, look: EdgeLook) -> tuple[Array, int]:
    """Return values (n,) without what varies slowly along a look, and how many unknowns that has.

    It is their mean, and waves where the look is round.
    """
    if look.is_straight:
        return values - values.mean(), 1
    angle = np.arctan2(look.towards_light[:, 1], look.towards_light[:, 0])
    columns = [f(k * angle) for k in range(1, WAVES + 1) for f in (np.cos, np.sin)]
    u, size, _ = np.linalg.svd(np.column_stack([np.ones(len(look)), *columns]), full_matrices=False)
    basis = u[:, size > 1e-3 * size[0]]
    return np.asarray(values - basis @ (basis.T @ values)), basis.shape[1]
