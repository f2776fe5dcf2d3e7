"""One size from many edge points: the operators of ISO 14405-1, and what noise does to each.

Least squares and the mean of local sizes are linear in the points. The extremal ones (greatest inscribed, least
circumscribed, least and greatest local size) are carried by few points, and which ones depends on the noise: they
grow (or shrink) with it, and the linear law alone states neither that bias nor the right scatter. So both are
simulated: what stands out of the residuals' noise along the outline is its own form, and noise is drawn upon it.
What the bias would be if all residuals were form bounds it from the other side; the difference, as the half-width of
a rectangular distribution, is its uncertainty. The bias is told, and not
taken off silently: `corrected` is the size less its bias.

Shared causes (a tie, an edge definition) go through `sensitivity`, the size by each point's displacement outwards.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.vision.fits import CircleFit, LineFit, fit_line
from tiepoint.vision.minimax import least_bound, least_bounds

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Simulated = Callable[[Array], Array]
"""Takes displacements outwards (draws, n) and returns the size's changes (draws,)."""

Operator = Literal["least-squares", "two-point", "max-inscribed", "min-circumscribed"]

DRAWS = 200
LONGEST_GAP = 4.0
"""Local sizes are not interpolated across gaps of more than this many typical spacings."""


@dataclass(frozen=True, slots=True)
class Size:
    """A size by one operator, in the points' unit.

    `sensitivity` (n,) by each point's displacement along `normals` (n, 2), which point out of the feature (away from
    the centre, or from the middle between two lines). `carriers` are the indices of the points that carry it. Noise
    alone adds `bias` on average (0 for linear operators), known to `u_bias`, and scatters it by `u_noise`.
    """

    operator: str
    value: float
    sensitivity: Array
    normals: Array
    carriers: Ints
    bias: float
    u_bias: float
    u_noise: float

    @property
    def corrected(self) -> float:
        """The size less what noise adds on average."""
        return self.value - self.bias


@dataclass(frozen=True, slots=True)
class LocalSizes:
    """Two-point sizes: `sizes` (m,) at `places` (m,), an angle or a length along, and what is told of them all."""

    places: Array
    sizes: Array
    mean: Size
    least: Size
    greatest: Size


@dataclass(frozen=True, slots=True)
class _Noise:
    """Residuals `form` (n,) without their noise, all of them `whole` (n,), the noise `u` (n,), units (draws, n)."""

    form: Array
    whole: Array
    u: Array
    units: Array

    def simulate(self, changes: Simulated) -> tuple[float, float, float]:
        """Return bias, its uncertainty, and scatter of a size under the noise."""
        drawn = self.units * self.u
        at_form = changes(self.form + drawn) - changes(self.form[None])[0]
        at_whole = changes(self.whole + drawn) - changes(self.whole[None])[0]
        bias, other = float(at_form.mean()), float(at_whole.mean())
        u_bias = math.hypot(abs(bias - other) / math.sqrt(3), float(at_form.std()) / math.sqrt(len(drawn)))
        return bias, u_bias, float(at_form.std(ddof=1))


def _smooth_part(e: Array, order: NDArray[np.intp], variance: float | None) -> tuple[Array, float]:
    """Return the form that stands out of residuals e (n,) along the outline, and the variance of the rest.

    `order` (n,) sorts the points along it. Of white noise of variance σ² the power of a frequency exceeds n·σ²·ln n
    once in n: what does is form (thresholding after Donoho & Johnstone 1994, in the Fourier basis). Without a stated
    variance the median power tells it.
    """
    n = e.size
    spectrum = np.fft.rfft(e[order])
    power = np.abs(spectrum) ** 2
    if variance is None:
        variance = float(np.median(power[1:])) / (n * math.log(2)) if n > 2 else 0.0
    form = np.empty(n)
    form[order] = np.fft.irfft(np.where(power > n * variance * math.log(n), spectrum, 0.0), n)
    return form, variance


def _noise_of(e: Array, order: NDArray[np.intp], u: Array | None, draws: int, seed: int) -> _Noise:
    """Return form and noise on residuals e (n,); without stated u (n,) the noise is estimated from them."""
    form, variance = _smooth_part(e, order, None if u is None else float(np.mean(u**2)))
    noise = np.full(e.size, math.sqrt(variance)) if u is None else u
    return _Noise(form, e, noise, np.random.default_rng(seed).standard_normal((draws, e.size)))


def _linear_size(operator: str, value: float, row: Array, normals: Array, noise: _Noise) -> Size:
    carriers = np.flatnonzero(row)
    return Size(operator, value, row, normals, carriers, 0.0, 0.0, float(np.sqrt(np.sum((row * noise.u) ** 2))))


def _grown(size: Size, belongs: NDArray[np.bool_], normals: Array) -> Size:
    """Return the size over all points, those left out with no influence."""
    row = np.zeros(belongs.size)
    row[belongs] = size.sensitivity
    carriers = np.flatnonzero(belongs)[size.carriers]
    return Size(size.operator, size.value, row, normals, carriers, size.bias, size.u_bias, size.u_noise)


def _bound(e: Array, g: Array, what: str) -> tuple[float, Array, Array]:
    """Return h, δ (2,) and the weights λ (n,) of the least bound; raises `PoorGeometry` where there is none."""
    triple, weights, plane = np.empty(3, np.int64), np.empty(3), np.empty(3)
    if not least_bound(np.ascontiguousarray(e), np.ascontiguousarray(g), triple, weights, plane):
        raise PoorGeometry(f"the points do not hold {what}: they cover less than half a turn or one side")
    row = np.zeros(e.size)
    held = triple >= 0
    np.add.at(row, triple[held], weights[held])
    return float(plane[0]), plane[1:], row


def _bounds(e: Array, g: Array) -> Array:
    """Return the least bounds (draws,) for each row of e (draws, n)."""
    bounds = np.empty(len(e))
    least_bounds(np.ascontiguousarray(e), np.ascontiguousarray(g), bounds)
    return bounds


def enclosing_circle(points: Array, centre: Array) -> tuple[Array, float, Array]:
    """Return centre (2,), radius and weights λ (n,) of the smallest circle around the points, from a start inside.

    Exact: the programme is linear about a centre, and solved again about the centre that it finds.
    """
    return _touching(points, centre, 1.0, "a circumscribed circle")


def inscribed_circle(points: Array, centre: Array) -> tuple[Array, float, Array]:
    """Return centre (2,), radius and weights λ (n,) of the largest circle with no point inside, near a start.

    Of an outline that is nearly a circle there is one; of any other it is the one nearest to the start.
    """
    return _touching(points, centre, -1.0, "an inscribed circle")


def _touching(points: Array, centre: Array, sign: float, what: str) -> tuple[Array, float, Array]:
    at = np.array(centre, dtype=np.float64)
    for _ in range(100):
        d = points - at
        r = np.hypot(d[:, 0], d[:, 1])
        middle, size = float(r.mean()), float((sign * r).max())
        h, move, row = _bound(sign * (r - middle), sign * d / np.maximum(r, 1e-300)[:, None], what)
        # Where the carriers leave a direction open, the linear programme may go too far along it: halve.
        for _ in range(60):
            if float((sign * np.hypot(*(points - at - move).T)).max()) <= size or not np.any(move):
                break
            move = move / 2
        at = at + move
        if float(np.hypot(*move)) < 1e-12 * middle or size - (sign * middle + h) < 1e-13 * middle:
            break
    d = points - at
    return at, sign * float((sign * np.hypot(d[:, 0], d[:, 1])).max()), row


def circle_size(
    points: Array, fit: CircleFit, operator: Operator, *, u: Array | None = None, draws: int = DRAWS, seed: int = 0
) -> Size:
    """Return the diameter of a fitted circle's points (n, 2) by an operator; `two-point` gives the mean local size.

    Only points that belong to the fit are used. `u` (n,) is their noise outwards; without it all of the residuals
    count as noise. Raises `PoorGeometry` where the points do not hold such a circle.
    """
    belongs, noise = fit.weights > 0, _ring_noise(fit, u, draws, seed)
    normals = fit.normals[belongs]
    if operator == "two-point":
        pairs, _, radii = _ring(points, fit)
        return _grown(_mean_size(pairs, radii, normals, noise), belongs, fit.normals)
    if operator == "least-squares":
        row = 2.0 * fit.sensitivity[2, belongs]
        return _grown(_linear_size(operator, 2.0 * fit.radius, row, normals, noise), belongs, fit.normals)
    inner = operator == "max-inscribed"
    sign = -1.0 if inner else 1.0
    found = (inscribed_circle if inner else enclosing_circle)(points[belongs], fit.centre)
    bias, u_bias, scatter = noise.simulate(lambda m: 2.0 * sign * _bounds(sign * m, sign * normals))
    row = 2.0 * found[2]
    size = Size(operator, 2.0 * found[1], row, normals, np.flatnonzero(row), bias, u_bias, scatter)
    return _grown(size, belongs, fit.normals)


@dataclass(frozen=True, slots=True)
class _Opposites:
    """Local sizes over n points: point `here` (m,) and, opposite, `low` and `high` with the share of `high` (m,)."""

    here: Ints
    low: Ints
    high: Ints
    share: Array

    def across(self, out: Array) -> Array:
        """Return local sizes (…, m) for the points' distances outwards (…, n)."""
        opposite = (1.0 - self.share) * out[..., self.low] + self.share * out[..., self.high]
        return np.asarray(out[..., self.here] + opposite)

    def row(self, k: int, n: int) -> Array:
        """Return the sensitivity (n,) of local size k."""
        row = np.zeros(n)
        np.add.at(row, [self.here[k], self.low[k], self.high[k]], [1.0, 1.0 - self.share[k], self.share[k]])
        return row

    def mean_row(self, n: int) -> Array:
        """Return the sensitivity (n,) of the mean."""
        indices = np.concatenate([self.here, self.low, self.high])
        weights = np.concatenate([np.ones(self.here.size), 1.0 - self.share, self.share])
        return np.bincount(indices, weights, n) / self.here.size


def _opposites(here: Ints, at: Array, there: Ints, places: Array, period: float) -> _Opposites:
    """Pair points `here`, whose opposites lie at `at`, with the points `there` at `places` beside these.

    `period` > 0: the places lie on a ring of that length; 0: on a line, beyond whose ends there is nothing. Across a
    gap of more than `LONGEST_GAP` typical spacings there is no opposite.
    """
    order = np.argsort(places)
    ordered, n = places[order], places.size
    k = np.searchsorted(ordered, at, side="right")
    low, high = (k - 1) % n, k % n
    gap, past = ordered[high] - ordered[low], at - ordered[low]
    if period > 0:
        gap, past = np.mod(gap, period), np.mod(past, period)
    typical = float(np.median(np.diff(ordered))) if n > 1 else 0.0
    good = (gap > 0) & (gap <= LONGEST_GAP * max(typical, 1e-300))
    if period == 0:
        good &= (k > 0) & (k < n)
    if not good.any():
        raise PoorGeometry("no two edge points lie opposite each other: there is no two-point size")
    return _Opposites(here[good], there[order[low]][good], there[order[high]][good], past[good] / gap[good])


def _joined(a: _Opposites, b: _Opposites) -> _Opposites:
    parts = ((a.here, b.here), (a.low, b.low), (a.high, b.high))
    here, low, high = (np.concatenate(pair) for pair in parts)
    return _Opposites(here, low, high, np.concatenate([a.share, b.share]))


def _mean_size(pairs: _Opposites, out: Array, normals: Array, noise: _Noise) -> Size:
    value = float(pairs.across(out).mean())
    return _linear_size("two-point", value, pairs.mean_row(out.size), normals, noise)


def _extreme_size(pairs: _Opposites, out: Array, normals: Array, noise: _Noise, least: bool) -> Size:
    """Return the least or greatest local size. Noise acts upon all sizes as the outline's form has them."""
    sizes = pairs.across(out)
    k = int(np.argmin(sizes) if least else np.argmax(sizes))
    pick = np.min if least else np.max
    row = pairs.row(k, out.size)
    told = noise.simulate(lambda m: pick(pairs.across(m), axis=-1))
    return Size("two-point", float(sizes[k]), row, normals, np.flatnonzero(row), *told)


def _local_sizes(
    pairs: _Opposites, places: Array, out: Array, fit_normals: Array, belongs: NDArray[np.bool_], noise: _Noise
) -> LocalSizes:
    normals = fit_normals[belongs]
    three = (
        _mean_size(pairs, out, normals, noise),
        _extreme_size(pairs, out, normals, noise, True),
        _extreme_size(pairs, out, normals, noise, False),
    )
    return LocalSizes(places[pairs.here], pairs.across(out), *(_grown(size, belongs, fit_normals) for size in three))


def _ring(points: Array, fit: CircleFit) -> tuple[_Opposites, Array, Array]:
    """Return the opposite pairs of a circle's points, their angles and radii about the least-squares centre."""
    d = points[fit.weights > 0] - fit.centre
    angles, radii = np.mod(np.arctan2(d[:, 1], d[:, 0]), math.tau), np.hypot(d[:, 0], d[:, 1])
    indices = np.arange(angles.size)
    return _opposites(indices, np.mod(angles + math.pi, math.tau), indices, angles, math.tau), angles, radii


def local_diameters(
    points: Array, fit: CircleFit, *, u: Array | None = None, draws: int = DRAWS, seed: int = 0
) -> LocalSizes:
    """Return the two-point diameters through the least-squares centre, one at each point that has an opposite.

    Opposite means interpolated between the two points beside it; across gaps there is none. `places` are angles in
    rad. Raises `PoorGeometry` where no point has an opposite.
    """
    pairs, angles, radii = _ring(points, fit)
    return _local_sizes(pairs, angles, radii, fit.normals, fit.weights > 0, _ring_noise(fit, u, draws, seed))


def _ring_noise(fit: CircleFit, u: Array | None, draws: int, seed: int) -> _Noise:
    belongs = fit.weights > 0
    normals = fit.normals[belongs]
    order = np.argsort(np.arctan2(normals[:, 1], normals[:, 0]))
    return _noise_of(fit.residuals[belongs], order, None if u is None else u[belongs], draws, seed)


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two opposite edges seen from the line midway: `along` and `out` (n,) of all points, first then second edge."""

    direction: Array
    normal: Array
    along: Array
    out: Array
    sides: Array
    lines: tuple[LineFit, LineFit]
    belongs: NDArray[np.bool_]
    half: float

    @property
    def normals(self) -> Array:
        """Outward unit normals of all points (n, 2)."""
        return np.asarray(self.sides[:, None] * self.normal)


def _pair(first: Array, second: Array, u: Array | None) -> _Pair:
    stated = (None, None) if u is None else (u[: len(first)], u[len(first) :])
    one, two = fit_line(first, stated[0]), fit_line(second, stated[1])
    d1, d2 = one.direction, two.direction
    direction = d1 + (d2 if d1 @ d2 > 0 else -d2)
    direction = direction / float(np.hypot(*direction))
    normal = np.array([-direction[1], direction[0]])
    if (two.anchor - one.anchor) @ normal < 0:
        direction, normal = -direction, -normal
    everything = np.vstack([first, second])
    middle = 0.5 * (one.anchor + two.anchor)
    sides = np.repeat([-1.0, 1.0], [len(first), len(second)])
    belongs = np.concatenate([one.weights > 0, two.weights > 0])
    along = (everything - middle) @ direction
    half = max(0.5 * float(np.ptp(along[belongs])), 1e-300)
    return _Pair(direction, normal, along, sides * ((everything - middle) @ normal), sides, (one, two), belongs, half)


def _side_rows(pair: _Pair) -> tuple[Array, float]:
    """Return how the least-squares distance at the middle of both edges depends on each point, and the distance."""
    at = float(np.mean([(line.ends.mean(axis=0)) @ pair.direction for line in pair.lines]))
    rows, places = [], []
    for line in pair.lines:
        slant = float(line.direction @ pair.direction)
        along = (at - float(line.anchor @ pair.direction)) / slant
        places.append(line.anchor + along * line.direction)
        # The width grows with the offset outwards as the offset grows with displacements outwards, whichever way the
        # line's own normal points.
        rows.append((line.sensitivity[0] + along * line.sensitivity[1]) / abs(slant))
    return np.concatenate(rows), float((places[1] - places[0]) @ pair.normal)


def width_size(
    first: Array, second: Array, operator: Operator, *, u: Array | None = None, draws: int = DRAWS, seed: int = 0
) -> Size:
    """Return the width between two opposite straight edges, points (n1, 2) and (n2, 2), by an operator.

    `least-squares`: between the two lines, at the middle of what was seen, along the mean normal. `max-inscribed` and
    `min-circumscribed`: of the widest pair of parallel lines between the edges, the narrowest around them.
    `two-point`: the mean local size. `u` (n1 + n2,) is the noise outwards; indices run over first, then second.
    """
    pair = _pair(first, second, u)
    noise, b = _pair_noise(pair, u, draws, seed), pair.belongs
    if operator == "two-point":
        pairs, _, out = _facing(pair)
        return _grown(_mean_size(pairs, out, pair.normals[b], noise), b, pair.normals)
    if operator == "least-squares":
        row, value = _side_rows(pair)
        return _grown(_linear_size(operator, value, row[b], pair.normals[b], noise), b, pair.normals)
    sign = -1.0 if operator == "max-inscribed" else 1.0
    g = pair.sides[b, None] * np.column_stack([np.ones(b.sum()), pair.along[b] / pair.half])
    value, row = _parallel_width(pair, sign)
    bias, u_bias, scatter = noise.simulate(lambda m: 2.0 * sign * _bounds(sign * m, sign * g))
    return _grown(
        Size(operator, value, row, pair.normals[b], np.flatnonzero(row), bias, u_bias, scatter), b, pair.normals
    )


def _parallel_width(pair: _Pair, sign: float) -> tuple[float, Array]:
    """Return the width of the tightest parallel pair outside (+1) or the widest inside (−1), and its sensitivities."""
    b = pair.belongs
    along, across, sides = pair.along[b], pair.out[b] * pair.sides[b], pair.sides[b]
    turn = 0.0
    what = "a pair of parallel lines"
    for _ in range(50):
        c, s = math.cos(turn), math.sin(turn)
        x, y = c * along + s * across, c * across - s * along
        g = sides[:, None] * np.column_stack([np.ones(x.size), x / pair.half])
        h, move, row = _bound(sign * sides * y, sign * g, what)
        step = math.atan(move[1] / pair.half)
        if abs(step) < 1e-13:
            break
        turn += step
    return 2.0 * sign * h, 2.0 * row


def _pair_noise(pair: _Pair, u: Array | None, draws: int, seed: int) -> _Noise:
    """Return form and noise of both edges; the order runs along the first and back along the second."""
    outwards = [
        side * float(np.sign(line.normal @ pair.normal)) * line.residuals
        for line, side in zip(pair.lines, (-1.0, 1.0), strict=True)
    ]
    b = pair.belongs
    order = np.lexsort((pair.along[b] * -pair.sides[b], pair.sides[b]))
    return _noise_of(np.concatenate(outwards)[b], order, None if u is None else u[b], draws, seed)


def _facing(pair: _Pair) -> tuple[_Opposites, Array, Array]:
    """Return the opposite pairs of two edges' points that belong, their places along and distances outwards."""
    b = pair.belongs
    along, sides = pair.along[b], pair.sides[b]
    one, two = np.flatnonzero(sides < 0), np.flatnonzero(sides > 0)
    forth = _opposites(one, along[one], two, along[two], 0.0)
    return _joined(forth, _opposites(two, along[two], one, along[one], 0.0)), along, pair.out[b]


def local_widths(
    first: Array, second: Array, *, u: Array | None = None, draws: int = DRAWS, seed: int = 0
) -> LocalSizes:
    """Return the two-point widths between two opposite edges, one at each point that has an opposite.

    Measured along the mean normal; `places` are lengths along the edges from their common middle. Arguments as for
    `width_size`. Raises `PoorGeometry` where no point has an opposite.
    """
    pair = _pair(first, second, u)
    pairs, along, out = _facing(pair)
    return _local_sizes(pairs, along, out, pair.normals, pair.belongs, _pair_noise(pair, u, draws, seed))
