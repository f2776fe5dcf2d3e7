"""The last fit of a candidate, to the picture's own pixels across its outline, and all that a result tells of it."""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from tiepoint.vision.full_scale import full_scale
from tiepoint.vision.seek_edges import SLOPE_LIMIT, fit_places, look
from tiepoint.vision.seek_model import (
    Array,
    Bools,
    Cells,
    Picture,
    Pose,
    Projection,
    SeenEdges,
    SeenSize,
    Taught,
    identity,
)
from tiepoint.vision.seek_pose import TUKEY, carry, pose_rows, robust_move
from tiepoint.vision.seek_teach import REACH_PX

SEEN_PX = 1.5
MOST_LEFT = 0.45
"""A place counts as seen where what the step leaves over stays below so many half steps, besides noise."""
FLOOR_PX = 0.01
"""What a place's fit may be wrong by, noise or not."""
LEAST_SPREAD = 0.3
LOOK_PX = 3
NEAR_BLUR_PX, STAYS_PX = 0.35, 0.25
"""A candidate whose blur is so near 1 px, from which its places were fitted, and whose pose stays, needs one round."""

SIZE_ROUNDS = 3
"""A size of another part, some percent off, is reached in so many fits: each sees no farther than `LOOK_PX`."""


@dataclass(frozen=True, slots=True)
class Scene:
    """What is searched: the picture, its reductions, its noise, what nobody may look at, and where it was cut out.

    `shift`: how far it shows edges from where they are meant, towards the bright side, in ground units.
    """

    picture: Picture
    levels: dict[int, Cells]
    to_px: Projection
    noise: float
    mask: Bools | None
    corner: tuple[float, float]
    shift: float


@dataclass(frozen=True, slots=True)
class Candidate:
    """A pose on its way; `sign` −1 exchanges bright and dark, `share` is how well it agrees at its stage.

    `blur` in px, where the candidate was fitted to the picture's pixels already; 0 where not.
    """

    pose: Pose
    sign: float
    share: float
    blur: float = 0.0


@dataclass(frozen=True, slots=True)
class Told:
    """A pose after the last fit, with everything that its result is made of."""

    pose: Pose
    sign: float
    share: float
    cov: Array
    rms: float
    blur: float
    edges: SeenEdges
    alike: tuple[tuple[float, float], ...] = ()


@njit(cache=True, nogil=True, error_model="numpy")
def _lay(features, x, y, angle, scale, sign, shift, ground, normals):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `ground` and `normals` (n, 2) of features (n, 4) at a pose, each `shift` along its normal."""
    c, s = math.cos(angle), math.sin(angle)
    for k in range(len(features)):
        a, b = scale * features[k, 0], scale * features[k, 1]
        p, q = sign * features[k, 2], sign * features[k, 3]
        nx, ny = c * p - s * q, s * p + c * q
        normals[k, 0], normals[k, 1] = nx, ny
        ground[k, 0], ground[k, 1] = x + c * a - s * b + shift * nx, y + s * a + c * b + shift * ny


def laid(scene: Scene, features: Array, pose: Pose, sign: float) -> tuple[Array, Array, Array, Array]:
    """Return ground, normals, px and Jacobians of features (n, 4) at a pose, where the picture shows them."""
    n = len(features)
    ground, normals = np.empty((n, 2)), np.empty((n, 2))
    _lay(features, pose.x, pose.y, pose.angle, pose.scale, sign, scene.shift, ground, normals)
    if scene.to_px is identity:
        jac = np.zeros((n, 2, 2))
        jac[:, 0, 0] = jac[:, 1, 1] = 1.0
        return ground, normals, ground, jac
    px, jac = scene.to_px(ground)
    return ground, normals, px, np.ascontiguousarray(jac)


def vector(pose: Pose) -> Array:
    """Return x, y, angle and ln scale."""
    return np.array([pose.x, pose.y, pose.angle, math.log(pose.scale)])


def pose_of(v: Array) -> Pose:
    """Return the pose of x, y, angle and ln scale."""
    x, y, angle, grown = v.tolist()
    return Pose(x, y, angle, math.exp(grown))


@njit(cache=True, nogil=True, error_model="numpy")
def mark_seen(result, noise, seen):  # type: ignore[no-untyped-def]  # numba infers
    """Mark in `seen` (n,) the places that show one clean step of the outline's direction."""
    n, m = len(result), 0
    halves = np.empty(n)
    for k in range(n):
        seen[k] = result[k, 5] > 0.0 and result[k, 2] > 0.0
        if seen[k]:
            halves[m] = result[k, 2]
            m += 1
    if m == 0:
        return
    least = max(0.25 * np.median(halves[:m]), 1.25 * noise)
    for k in range(n):
        half = result[k, 2]
        if seen[k]:
            limit = math.hypot(MOST_LEFT, 1.5 * noise / half)
            seen[k] = half > least and abs(result[k, 3]) < SLOPE_LIMIT and result[k, 4] < limit


@dataclass(frozen=True, slots=True)
class _Round:
    """One round of the last fit: what it saw, and how it moved the pose."""

    pose: Pose
    blur: float
    rows: Array
    left: Array
    seen: Bools
    weights: Array
    variance: Array
    spread: float
    moved_px: float


def _round(
    scene: Scene, taught: Taught, chosen: slice, pose: Pose, sign: float, blur: float, free: Bools, off: Array | None
) -> _Round | None:
    """Fit some of the places and move the pose; without `off` (n,), first offsets along the normals, look for edges."""
    features = taught.features[chosen]
    n, p = len(features), int(free.sum())
    ground, normals, px, jac = laid(scene, features, pose, sign)
    v = vector(pose)
    places, across, rows = np.empty((n, 2)), np.empty((n, 2)), np.empty((n, p))
    carry(px, jac, ground, normals, v, v, places, across)
    if off is None:
        off = np.empty(n)
        look(scene.picture, places, across, LOOK_PX, 2.5 * scene.noise, np.empty(64), off)
    result, seen = np.empty((n, 6)), np.empty(n, np.bool_)
    blur = fit_places(scene.picture, places, across, off, blur, max(REACH_PX, 4.0 * blur), scene.noise, result)
    mark_seen(result, scene.noise, seen)
    if scene.mask is not None:
        seen &= ~_at(scene.mask, places)
    off = np.where(seen, result[:, 0] - taught.drifted_px(blur, pose.scale)[chosen] * sign, np.nan)
    variance = np.empty(n)
    _variance(result, seen, taught.u[chosen] / taught.pixel, variance)
    pose_rows(jac, ground, across, v, v, free, rows)
    move, weights = np.empty(p), np.empty(n)
    spread = robust_move(rows, off, 1.0 / variance, LEAST_SPREAD, move, weights)
    if spread == 0.0:
        return None
    v[free] += move
    moved = rows @ move
    if not np.isfinite(v).all() or abs(v[3]) > 1:
        return None
    return _Round(
        pose_of(v), blur, rows, off - moved, seen, weights, variance, float(spread), float(np.abs(moved).max())
    )


def told(scene: Scene, taught: Taught, c: Candidate, free: Bools) -> Told | None:
    """Fit the picture's own pixels across the outline until pose and blur stay; tell pose, covariance and share."""
    n, p = len(taught.points), int(free.sum())
    pose, blur = c.pose, c.blur
    if abs(blur - 1.0) > NEAR_BLUR_PX:
        # Half of the places tell pose and blur well enough to begin with.
        half = slice(None, None, 2) if n >= 64 else slice(None)
        first = _round(scene, taught, half, pose, c.sign, 1.0, free, None)
        if first is None:
            return None
        pose, blur = first.pose, first.blur
    last = _round(scene, taught, slice(None), pose, c.sign, blur, free, np.zeros(n))
    if last is not None and last.moved_px > STAYS_PX:
        last = _round(scene, taught, slice(None), last.pose, c.sign, last.blur, free, np.zeros(n))
    if last is None:
        return None
    counts = last.seen & (np.abs(last.left) <= SEEN_PX)
    if counts.sum() < 2 * p + 2:
        return None
    try:
        cov, gain = covariance(last.rows, last.left, counts, last.weights, last.variance, last.spread)
    except np.linalg.LinAlgError:  # all that counts lies along one straight line, which holds no pose
        return None
    pose = last.pose
    ground, normals, px, jac = laid(scene, taught.features, pose, c.sign)
    sensitivity = np.zeros((4, n))
    sensitivity[free] = gain * np.sqrt(np.abs(jac[:, 0, 0] * jac[:, 1, 1] - jac[:, 0, 1] * jac[:, 1, 0]))
    sensitivity[3] *= pose.scale
    whole = np.zeros((4, 4))
    whole[np.ix_(free, free)] = cov
    # The last parameter is ln scale.
    whole[3] *= pose.scale
    whole[:, 3] *= pose.scale
    if not free[2]:
        whole[2, 2] = math.pi**2 / 3
    edges = SeenEdges(ground, normals, px, last.left, counts, sensitivity)
    rms = math.sqrt(float(np.mean(last.left[counts] ** 2)))
    return Told(pose, c.sign, float(counts.sum()) / n, whole, rms, last.blur, edges)


def size_of(scene: Scene, taught: Taught, one: Told, free: Bools) -> SeenSize | None:
    """Return the size that the edges show; where no other one was sought, the fit goes on with the scale free."""
    if not free[3]:
        free, start = free | np.array([False, False, False, True]), one
        for _ in range(SIZE_ROUNDS):
            grown = told(scene, taught, Candidate(start.pose, start.sign, start.share, start.blur), free)
            if grown is None:
                return None
            moved_px = abs(grown.pose.scale - start.pose.scale) * taught.radius / taught.pixel
            start = grown
            if moved_px <= STAYS_PX:
                break
        one = start
    return SeenSize(one.pose.scale, math.sqrt(float(one.cov[3, 3])), one.edges.sensitivity[3])


def _at(mask: Bools, places: Array) -> Bools:
    finite = np.isfinite(places).all(axis=1)
    i, j = (np.clip(np.rint(np.where(finite, places[:, k], 0)).astype(int), 0, mask.shape[1 - k] - 1) for k in (1, 0))
    return np.asarray(mask[i, j])


@njit(cache=True, nogil=True, error_model="numpy")
def _variance(result, seen, u, variance):  # type: ignore[no-untyped-def]  # numba infers
    """Fill `variance` (n,) of the offsets in px²: of what each place's fit leaves over, of `u` (n,), and the floor."""
    n, m = len(result), 0
    rest = np.empty(n)
    for k in range(n):
        if seen[k]:
            rest[m] = (result[k, 4] * result[k, 2]) ** 2
            m += 1
    typical = np.median(rest[:m]) if m else 1.0
    for k in range(n):
        own = max((result[k, 4] * result[k, 2]) ** 2, 0.5 * typical)
        variance[k] = (result[k, 1] * own if seen[k] else 1.0) + u[k] * u[k] + FLOOR_PX * FLOOR_PX


def covariance(
    rows: Array, left: Array, counts: Bools, weights: Array, variance: Array, spread: float
) -> tuple[Array, Array]:
    """Return the covariance (p, p) of what is free, and the gain (p, n) from offsets in px to it.

    Huber's of an M-estimate (Robust Statistics, 1981, section 7.6; from memory): K²·[Σψ²/(m − p)]/mean(ψ')²·(JᵀPJ)⁻¹
    over the m places within Tukey's limit, times τ for the correlation of their residuals along the outline. `left`
    (n,) are residuals in px, `variance` (n,) their prior ones, `weights` (n,) what the fit gave them, all told.
    """
    p = rows.shape[1]
    normal, weighted, z, used = np.zeros((p, p)), np.zeros((p, p)), np.empty(len(rows)), np.empty(len(rows), np.bool_)
    limit = TUKEY * spread
    scale = _huber(rows, left, counts, weights, variance, limit, normal, weighted, z, used)
    cov = np.linalg.inv(normal) * scale * _correlation(z, used)
    return cov, np.linalg.inv(weighted) @ (rows * np.where(counts, weights, 0.0)[:, None]).T


@njit(cache=True, nogil=True, error_model="numpy")
def _huber(rows, left, counts, weights, variance, limit, normal, weighted, z, used):  # type: ignore[no-untyped-def]  # numba infers
    """Return K²·[Σψ²/(m − p)]/mean(ψ')²; fill JᵀPJ, JᵀWJ (p, p), the residuals `z` over their u, and which are used."""
    n, p = rows.shape
    m, psi2, slope1, slope2 = 0, 0.0, 0.0, 0.0
    for k in range(n):
        z[k] = left[k] / math.sqrt(variance[k]) if counts[k] else 0.0
        u2 = (z[k] / limit) ** 2
        used[k] = counts[k] and u2 < 1.0
        if not counts[k]:
            continue
        for a in range(p):
            for b in range(p):
                square = rows[k, a] * rows[k, b]
                weighted[a, b] += weights[k] * square
                normal[a, b] += square / variance[k] if used[k] else 0.0
        if used[k]:
            slope = (1.0 - u2) * (1.0 - 5.0 * u2)
            m, psi2 = m + 1, psi2 + (z[k] * (1.0 - u2) ** 2) ** 2
            slope1, slope2 = slope1 + slope, slope2 + slope * slope
    m = max(m, 1)
    mean = max(slope1 / m, 0.1)
    grown = 1.0 + p / m * max(slope2 / m - (slope1 / m) ** 2, 0.0) / mean**2
    return grown**2 * psi2 / max(m - p, 1) / mean**2


@njit(cache=True, nogil=True, error_model="numpy")
def _correlation(z, used):  # type: ignore[no-untyped-def]  # numba infers
    """Return 1 + 2·Σρ over lags along the outline, up to the first that does not stand out (2/√n)."""
    power, m = 0.0, 0
    for k in range(len(z)):
        if used[k]:
            power += z[k] * z[k]
            m += 1
    total = 1.0
    if m == 0 or power == 0.0:
        return total
    power /= m
    for lag in range(1, min(40, len(z))):
        both, pairs = 0.0, 0
        for k in range(len(z) - lag):
            if used[k] and used[k + lag]:
                both += z[k] * z[k + lag]
                pairs += 1
        if pairs < 20:
            break
        rho = both / pairs / power
        if rho < 2 / math.sqrt(pairs):
            break
        total += 2 * rho
    return total


@njit(cache=True, nogil=True)
def _saturated(picture, px, seen, top):  # type: ignore[no-untyped-def]  # numba infers
    """Return how many of the seen places (n, 2) have a pixel at the top among the nine nearest, and how many are."""
    rows, cols = picture.shape
    hit, n = 0, 0
    for k in range(len(px)):
        if not seen[k]:
            continue
        n += 1
        i, j = (min(max(round(px[k, 1]), 1), rows - 2), min(max(round(px[k, 0]), 1), cols - 2))
        full = False
        for a in range(i - 1, i + 2):
            for b in range(j - 1, j + 2):
                full |= picture[a, b] >= top
        hit += full
    return hit, n


def saturated_share(picture: Picture, edges: SeenEdges) -> float:
    """Return the share of the seen places that lie beside a pixel at the top of its range."""
    if picture.dtype == np.float32:
        return 0.0
    hit, n = _saturated(picture, edges.px, edges.seen, full_scale([picture]))
    return float(hit / n) if n else 0.0
