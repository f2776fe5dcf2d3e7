"""Kernels of the fits: one Gauss-Newton round, the looks of line and circle, and medians of short arrays."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEAST_RATIO = 1e-12
"""A share of a column of the scaled normal equations below this, beside those before it, leaves a parameter open."""


@njit(cache=True, nogil=True, error_model="numpy")
def inverse_of(normal: Array, inverse: Array) -> bool:
    """Fill the inverse (p, p) of a positive definite matrix of unit diagonal, by L·Lᵀ; False where it has none.

    `normal` (p, p) holds it in the lower triangle, and L afterwards.
    """
    p = normal.shape[0]
    for a in range(p):
        for b in range(a + 1):
            total = normal[a, b]
            for k in range(b):
                total -= normal[a, k] * normal[b, k]
            if a > b:
                normal[a, b] = total / normal[b, b]
            elif total > LEAST_RATIO:
                normal[a, a] = math.sqrt(total)
            else:
                return False
    for column in range(p):
        for a in range(p):
            total = 1.0 if a == column else 0.0
            for k in range(a):
                total -= normal[a, k] * inverse[k, column]
            inverse[a, column] = total / normal[a, a]
        for a in range(p - 1, -1, -1):
            total = inverse[a, column]
            for k in range(a + 1, p):
                total -= normal[k, a] * inverse[k, column]
            inverse[a, column] = total / normal[a, a]
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def round_of(J: Array, e: Array, weights: Array, inverse: Array, sensitivity: Array, step: Array, shift: Array) -> int:
    """Fill (JᵀWJ)⁻¹ (p, p), M = (JᵀWJ)⁻¹JᵀW (p, n), the step M·e (p,) and J·step (n,).

    Returns 0; 1 where a column of J is empty or not finite, 2 where columns are too alike.
    """
    n, p = J.shape
    normal = np.zeros((p, p))
    for i in range(n):
        for a in range(p):
            for b in range(a + 1):
                normal[a, b] += J[i, a] * weights[i] * J[i, b]
    scale = np.empty(p)
    for a in range(p):
        scale[a] = math.sqrt(normal[a, a])
        if not (scale[a] > 0.0 and scale[a] < np.inf):
            return 1
    # Scaled to a unit diagonal, so that angles and lengths compare; then what stays of a column beside those before it
    # (a pivot of Cholesky's factor) tells whether geometry determines it.
    for a in range(p):
        for b in range(a + 1):
            normal[a, b] /= scale[a] * scale[b]
    if not inverse_of(normal, inverse):
        return 2
    for a in range(p):
        for b in range(p):
            inverse[a, b] /= scale[a] * scale[b]
    step[:] = 0.0
    for i in range(n):
        for a in range(p):
            total = 0.0
            for b in range(p):
                total += inverse[a, b] * J[i, b]
            sensitivity[a, i] = total * weights[i]
            step[a] += sensitivity[a, i] * e[i]
    for i in range(n):
        shift[i] = 0.0
        for a in range(p):
            shift[i] += J[i, a] * step[a]
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def beside_line(points: Array, x: float, y: float, angle: float, e: Array, normals: Array, J: Array) -> None:
    """Fill distance outside (n,), normals (n, 2) and Jacobian (n, 2) by offset and angle of points beside a line."""
    c, s = math.cos(angle), math.sin(angle)
    for i in range(points.shape[0]):
        dx, dy = points[i, 0] - x, points[i, 1] - y
        e[i] = c * dy - s * dx
        normals[i, 0], normals[i, 1] = -s, c
        J[i, 0], J[i, 1] = 1.0, c * dx + s * dy


@njit(cache=True, nogil=True, error_model="numpy")
def beside_circle(points: Array, x: float, y: float, r: float, e: Array, normals: Array, J: Array) -> None:
    """Fill distance outside (n,), normals (n, 2) and Jacobian (n, 3) by x, y, radius of points beside a circle."""
    for i in range(points.shape[0]):
        dx, dy = points[i, 0] - x, points[i, 1] - y
        away = math.hypot(dx, dy)
        e[i] = away - r
        size = max(away, 1e-300)
        normals[i, 0], normals[i, 1] = dx / size, dy / size
        J[i, 0], J[i, 1], J[i, 2] = normals[i, 0], normals[i, 1], 1.0


MAD = 1.4826
OUTSIDE = 3.5
"""Robust standard deviations from which a point does not belong: one good point in 2,000."""
DOUBT_SCALE, LEAST_SCALE = 3.0, 0.3
"""Residuals over stated noise from which a least-squares start is not trusted, and the least that are believed, so that
points which agree by chance reject nobody."""
NEVER_RARE = 2.32
"""χ² whose cube root lies fewer standard deviations above its mean is not rare enough for a form (one in a hundred).

Wilson & Hilferty 1931: the cube root of χ²/ν is nearly normal. Where χ² is that rare, it lies 2.322 to 2.336 above.
"""
LINE, CIRCLE = 0, 1
"""The shapes that are settled here."""
CLOSE = 1e-4
"""Convergence is quadratic: after a round that shifts by less than this share of the extent comes its square."""


@njit(cache=True, nogil=True, error_model="numpy")
def settle(
    kind: int, points: Array, weights: Array, rounds: int, parameters: Array, e: Array, normals: Array, J: Array,
    inverse: Array, sensitivity: Array, step: Array, shift: Array,
) -> int:  # fmt: skip
    """Move the parameters (3,) of a line or a circle to weighted least squares, and fill the last round.

    That round looked from just beside them. Returns what `round_of` does, or 3 where the fit runs away.
    """
    last = False
    for _ in range(rounds + 1):
        if kind == LINE:
            beside_line(points, parameters[0], parameters[1], parameters[2], e, normals, J)
        else:
            beside_circle(points, parameters[0], parameters[1], parameters[2], e, normals, J)
        failed = round_of(J, e, weights, inverse, sensitivity, step, shift)
        if failed != 0:
            return failed
        if kind == LINE:
            x, y = -math.sin(parameters[2]) * step[0], math.cos(parameters[2]) * step[0]
            parameters[0], parameters[1], parameters[2] = parameters[0] + x, parameters[1] + y, parameters[2] + step[1]
        else:
            for k in range(3):
                parameters[k] += step[k]
        if not np.isfinite(parameters).all():
            return 3
        if last:
            break
        last = bool(np.abs(shift).max() < CLOSE * extent_of(points))
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def fit_plainly(
    kind: int, points: Array, u: Array, rounds: int, parameters: Array, weights: Array, residuals: Array,
    normals: Array, covariance: Array, sensitivity: Array,
) -> tuple[bool, float, float]:  # fmt: skip
    """Fit a line or a circle to points (n, 2) whose stated `u` (n,) explain what is left of them.

    Fills the parameters (5,): of a line its anchor in the middle of the points, its direction from the first point
    towards the last, and how far they reach along it from the anchor; of a circle its centre, its radius and the angle
    that the points cover. Fills 1/u² as their weights (n,) and what else a fit tells. Returns whether it is so, with
    the standard deviation of the residuals and what the stated u explain of it; False where it takes a closer look to
    tell who belongs, whether there is a form, or what is wrong.
    """
    n, unknowns = points.shape[0], covariance.shape[0]
    spare = n - unknowns
    if spare < 1:
        return False, 0.0, 0.0
    for i in range(n):
        if not (u[i] > 0.0 and np.isfinite(points[i, 0]) and np.isfinite(points[i, 1])):
            return False, 0.0, 0.0
        weights[i] = 1.0 / (u[i] * u[i])
    failed = 0
    if kind == LINE:
        parameters[0], parameters[1], parameters[2], is_one = direction_through(points)
        failed = 0 if is_one else 1
    else:
        parameters[0], parameters[1], parameters[2], failed = taubin_of(points)
    if failed != 0:
        return False, 0.0, 0.0
    J, step, shift = np.empty((n, unknowns)), np.empty(unknowns), np.empty(n)
    if (
        settle(
            kind, points, weights, rounds, parameters[:3], residuals, normals, J, covariance, sensitivity, step, shift
        )
        != 0
    ):
        return False, 0.0, 0.0
    for i in range(n):
        residuals[i] -= shift[i]
    if spare > 1:  # among fewer none can be told to lie outside
        middle, most = spread_of(residuals, weights)
        scale = max(MAD * (1.0 + 5.0 / spare) * middle, LEAST_SCALE)
        if not (scale < DOUBT_SCALE and most <= OUTSIDE * scale):
            return False, 0.0, 0.0
    chi2, noise = 0.0, 0.0
    for i in range(n):
        chi2 += residuals[i] * residuals[i] * weights[i]
        noise += 1.0 / weights[i]
    low = 2.0 / (9.0 * spare)
    if (chi2 / spare) ** (1.0 / 3.0) > 1.0 - low + NEVER_RARE * math.sqrt(low):
        return False, 0.0, 0.0
    covariance *= chi2 / spare
    if kind == LINE:
        turn_line(points, parameters, weights, covariance, sensitivity, normals, residuals)
    else:
        parameters[3] = span_over(normals, weights)
    return True, math.sqrt(chi2 / spare * noise / n), math.sqrt(noise / n)


@njit(cache=True, nogil=True, error_model="numpy")
def span_of(angles: Array) -> float:
    """Return the angle that directions (n,) rad cover: a full turn less the widest gap between neighbours."""
    if angles.size < 2:
        return 0.0
    ordered = np.sort(np.mod(angles, 2.0 * math.pi))
    widest = ordered[0] + 2.0 * math.pi - ordered[-1]
    for i in range(1, ordered.size):
        widest = max(widest, ordered[i] - ordered[i - 1])
    return float(2.0 * math.pi - widest)


@njit(cache=True, nogil=True, error_model="numpy")
def span_over(normals: Array, weights: Array) -> float:
    """Return the angle that the normals (n, 2) of points with weight (n,) cover, in rad."""
    angles, count = np.empty(weights.size), 0
    for i in range(weights.size):
        if weights[i] > 0.0:
            angles[count] = math.atan2(normals[i, 1], normals[i, 0])
            count += 1
    return span_of(angles[:count])


@njit(cache=True, nogil=True, error_model="numpy")
def extent_of(points: Array) -> float:
    """Return the longer side of the upright box about points (n, 2)."""
    return float(max(points[:, 0].max() - points[:, 0].min(), points[:, 1].max() - points[:, 1].min()))


@njit(cache=True, nogil=True, error_model="numpy")
def spread_of(e: Array, base: Array) -> tuple[float, float]:
    """Return the median and the largest of |e|·√base (n,)."""
    size = np.abs(e) * np.sqrt(base)
    return float(np.median(size)), float(size.max())


@njit(cache=True, nogil=True, error_model="numpy")
def median(values: Array) -> float:
    """Return the median of finite values (n,)."""
    return float(np.median(values))


@njit(cache=True, nogil=True, error_model="numpy")
def least_of(table: Array) -> Array:
    """Return the unit eigenvector (3,) of the least eigenvalue of a symmetric matrix (3, 3), which is overwritten.

    By Jacobi's rotations (Golub & Van Loan, Matrix Computations, 8.5, from memory): a tenth of the time of a library
    for matrices of any size.
    """
    vectors = np.eye(3)
    for _ in range(30):
        off = abs(table[0, 1]) + abs(table[0, 2]) + abs(table[1, 2])
        if not off > 1e-17 * (abs(table[0, 0]) + abs(table[1, 1]) + abs(table[2, 2])):
            break
        for p in range(2):
            for q in range(p + 1, 3):
                if table[p, q] == 0.0:
                    continue
                theta = (table[q, q] - table[p, p]) / (2.0 * table[p, q])
                t = math.copysign(1.0, theta) / (abs(theta) + math.sqrt(theta * theta + 1.0))
                c = 1.0 / math.sqrt(t * t + 1.0)
                s = t * c
                for k in range(3):
                    a, b = table[k, p], table[k, q]
                    table[k, p], table[k, q] = c * a - s * b, s * a + c * b
                for k in range(3):
                    a, b = table[p, k], table[q, k]
                    table[p, k], table[q, k] = c * a - s * b, s * a + c * b
                for k in range(3):
                    a, b = vectors[k, p], vectors[k, q]
                    vectors[k, p], vectors[k, q] = c * a - s * b, s * a + c * b
    least = 0
    for k in range(1, 3):
        least = k if table[k, k] < table[least, least] else least
    return vectors[:, least].copy()


@njit(cache=True, nogil=True, error_model="numpy")
def taubin_of(points: Array) -> tuple[float, float, float, int]:
    """Return x, y and radius of Taubin's fit to points (n, 2), and 0; 1 where all are at one place, 2 on a line."""
    n = points.shape[0]
    x, y = points[:, 0].mean(), points[:, 1].mean()
    mean = 0.0
    for i in range(n):
        mean += (points[i, 0] - x) ** 2 + (points[i, 1] - y) ** 2
    mean /= n
    if not mean > 0.0:
        return 0.0, 0.0, 0.0, 1
    root = math.sqrt(mean)
    table = np.zeros((3, 3))
    row = np.empty(3)
    for i in range(n):
        row[1], row[2] = points[i, 0] - x, points[i, 1] - y
        row[0] = (row[1] * row[1] + row[2] * row[2] - mean) / (2.0 * root)
        for a in range(3):
            for b in range(3):
                table[a, b] += row[a] * row[b]
    vector = least_of(table)
    a0 = vector[0] / (2.0 * root)
    # A sagitta below a millionth of the points' extent is a line for every purpose.
    if not abs(a0) * root >= 1e-7:
        return 0.0, 0.0, 0.0, 2
    u, v = -vector[1] / (2.0 * a0), -vector[2] / (2.0 * a0)
    return x + u, y + v, math.sqrt(u * u + v * v + mean), 0


@njit(cache=True, nogil=True, error_model="numpy")
def direction_through(points: Array) -> tuple[float, float, float, bool]:
    """Return the centre and the angle of the line through points (n, 2) by total least squares, and whether one is."""
    n = points.shape[0]
    x, y = 0.0, 0.0
    for i in range(n):
        x += points[i, 0]
        y += points[i, 1]
    x, y = x / n, y / n
    xx, xy, yy = 0.0, 0.0, 0.0
    for i in range(n):
        dx, dy = points[i, 0] - x, points[i, 1] - y
        xx += dx * dx
        xy += dx * dy
        yy += dy * dy
    angle = 0.5 * math.atan2(2.0 * xy, xx - yy)
    # From the first point towards the last, so that the caller's order gives the direction.
    way = math.cos(angle) * (points[n - 1, 0] - points[0, 0]) + math.sin(angle) * (points[n - 1, 1] - points[0, 1])
    return x, y, angle if way >= 0.0 else angle + math.pi, xx + yy > 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def turn_line(
    points: Array, parameters: Array, weights: Array, covariance: Array, sensitivity: Array, normals: Array,
    residuals: Array,
) -> None:  # fmt: skip
    """Let a line through (x, y) run from its first point towards the last, its anchor at their weighted middle.

    There offset and angle are uncorrelated; the line stays the same. `parameters` (5,) begin with x, y and the angle;
    they and what the fit said of its points (n, 2) are changed in place. Where the direction turns, the offset, the
    displacements along the normal and the residuals turn their sign, and the angle does not.
    """
    n = points.shape[0]
    x, y, angle = parameters[0], parameters[1], parameters[2]
    c, s = math.cos(angle), math.sin(angle)
    sense = 1.0
    if c * (points[n - 1, 0] - points[0, 0]) + s * (points[n - 1, 1] - points[0, 1]) < 0.0:
        sense, angle = -1.0, angle + math.pi
    angle -= 2.0 * math.pi * round(angle / (2.0 * math.pi))
    c, s = math.cos(angle), math.sin(angle)
    total, moment, least, most = 0.0, 0.0, np.inf, -np.inf
    for i in range(n):
        if weights[i] > 0.0:
            at = c * (points[i, 0] - x) + s * (points[i, 1] - y)
            total += weights[i]
            moment += weights[i] * at
            least, most = min(least, at), max(most, at)
    shift = moment / total
    parameters[0], parameters[1], parameters[2] = x + shift * c, y + shift * s, angle
    parameters[3], parameters[4] = least - shift, most - shift
    for i in range(n):
        sensitivity[0, i] = sensitivity[0, i] + sense * shift * sensitivity[1, i]
        sensitivity[1, i] *= sense
        residuals[i] *= sense
        normals[i, 0] *= sense
        normals[i, 1] *= sense
    a, b, d = covariance[0, 0], covariance[0, 1], covariance[1, 1]
    covariance[0, 0] = a + 2.0 * sense * shift * b + shift * shift * d
    covariance[0, 1] = covariance[1, 0] = sense * b + shift * d


@njit(cache=True, nogil=True, error_model="numpy")
def sums_of(e: Array, weights: Array, variances: Array) -> tuple[int, float, float, float, float]:
    """Return of those with weight: how many, Σ w·e², Σ e²/variance, Σ e², and the mean variance."""
    count, weighted, chi2, squares, variance = 0, 0.0, 0.0, 0.0, 0.0
    for i in range(e.size):
        if weights[i] > 0.0:
            count += 1
            weighted += weights[i] * e[i] * e[i]
            chi2 += e[i] * e[i] / variances[i]
            squares += e[i] * e[i]
            variance += variances[i]
    return count, weighted, chi2, squares, variance / max(count, 1)


@njit(cache=True, nogil=True, error_model="numpy")
def correlated(residuals: Array, closed: bool) -> float:
    """Return τ = 1 + 2·Σρ_k over the first lags at which residuals (n,) are alike beyond chance, 2/√n; 1 if white."""
    n = residuals.size
    power = 0.0
    for i in range(n):
        power += residuals[i] * residuals[i]
    tau = 1.0
    for lag in range(1, n // 4):
        total = 0.0
        for i in range(n - lag):
            total += residuals[i] * residuals[i + lag]
        if closed:
            for i in range(lag):
                total += residuals[n - lag + i] * residuals[i]
        rho = total / power if power > 0.0 else 0.0
        if rho * math.sqrt(n) < 2.0:
            break
        tau += 2.0 * rho
    return tau


@njit(cache=True, nogil=True, error_model="numpy")
def scattered(residuals: Array, u: Array, weights: Array, closed: bool) -> tuple[int, float, float, float]:
    """Return of the points with weight (n,): how many, τ of their residuals, Σ residual², and the mean of u²."""
    own, count, squares, noise = np.empty(residuals.size), 0, 0.0, 0.0
    for i in range(residuals.size):
        if weights[i] > 0.0:
            own[count] = residuals[i]
            count += 1
            squares += residuals[i] * residuals[i]
            noise += u[i] * u[i]
    return count, correlated(own[:count], closed), squares, noise / count


@njit(cache=True, nogil=True, error_model="numpy")
def carry(M: Array, variance: Array, tau: float, normals: Array, moves: Array, c: Array) -> bool:
    """Fill how p parameters depend on noise and on m causes, `c` (p, p + m): F with F·Fᵀ = τ·M·diag(σ²)·Mᵀ, then M·K.

    `M` (p, n) is ∂parameter/∂displacement along the unit normals (n, 2), `variance` (n,) of those, K (n, m) what the
    causes, by `moves` (n, 2, m), displace. F is Cholesky's; False, and no F, where there is none.
    """
    p, n = M.shape
    c[:, p:] = 0.0
    for i in range(n):
        for a in range(p):
            x, y = M[a, i] * normals[i, 0], M[a, i] * normals[i, 1]
            for m in range(moves.shape[2]):
                c[a, p + m] += x * moves[i, 0, m] + y * moves[i, 1, m]
    for a in range(p):
        for b in range(a + 1):
            total = 0.0
            for i in range(n):
                total += M[a, i] * variance[i] * M[b, i]
            total *= tau
            for k in range(b):
                total -= c[a, k] * c[b, k]
            if a > b:
                c[a, b], c[b, a] = total / c[b, b], 0.0
            elif total > 0.0:
                c[a, a] = math.sqrt(total)
            else:
                return False
    return True
