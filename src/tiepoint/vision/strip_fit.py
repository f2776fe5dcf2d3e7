"""The fit in one strip: level + half·E((s − s0 − t·ac)/w) to the pixels near the edge, by Gauss-Newton.

E(z) = erf(z/√2) plus a small fourth-order term for the pixel's own shape: a square pixel adds the variance 1/12
at every angle, but its fourth cumulant −(cos⁴φ + sin⁴φ)/120 makes the profile a little steeper than a Gaussian's
(Edgeworth series, e.g. Kendall & Stuart, vol. 1, from memory). Pixels beyond the window, where E = ±1, enter only
by their number and sum: leaving them out would cost a fifth of the precision.

Normal equations are kept in the columns 1, E, g, ac·g, z·g with g = dE/dz, so that the same sums serve every
contrast and blur; `apply_step` translates. Order of parameters: level, half, s0, t, w.
"""

import math
from typing import NamedTuple

from numba import njit

from tiepoint.vision.strip_find import HALF_HEIGHT, MEAN, PLACE, SPREAD
from tiepoint.vision.strip_pixels import FAST, Floats

LEVEL, HALF, POSITION, TILT, BLUR = range(5)
# What stands in a row of results behind the five parameters.
U_POSITION, U_TILT, DOF, NOISE, SETTLED, LOST, BRIGHT = range(5, 12)
RESULT_COLUMNS = 12

ROUNDS = 14
SMALL_STEP_PX = 0.01
"""Steps shrink at least twentyfold a round near the solution: what is left after one this small is < 0.0005 px."""
LEAST_BLUR, GREATEST_SHAPE = 0.2, 0.05


class Near(NamedTuple):
    """Work space, each (pixels,): grey value, s, ac, weight, and what the model says there (E, g, z·g, residual)."""

    value: Floats
    along: Floats
    across: Floats
    weight: Floats
    model: Floats
    slope: Floats
    spread: Floats
    residual: Floats


class Far(NamedTuple):
    """The plateaus before and after the window: number of pixels and their sum."""

    n_before: float
    sum_before: float
    n_after: float
    sum_after: float


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def evaluate(near: Near, n: int, p: Floats, pixel_shape: float) -> None:
    """Fill E, g, z·g and the residual of the first n pixels.

    exp(−z²/2) by a Taylor polynomial of z²/128 raised to the 64th power, erf by Abramowitz & Stegun 7.1.26
    (absolute error 1.5e-7): both run in vector registers, and their error is far below one grey level.
    """
    value, along, across = near.value, near.along, near.across
    model, slope, spread, residual = near.model, near.slope, near.spread, near.residual
    level, half, s0, t, inverse = p[0], p[1], p[2], p[3], 1.0 / p[4]
    shape = min(pixel_shape * inverse**4, GREATEST_SHAPE)
    for i in range(n):
        z = (along[i] - s0 - t * across[i]) * inverse
        size = abs(z)
        size = 6.0 if size > 6.0 else size
        y = size * size * (1.0 / 128.0)
        bell = 1.0 - y * (1.0 - y * (1.0 / 2.0 - y * (1.0 / 6.0 - y * (1.0 / 24.0 - y / 120.0))))
        bell *= bell
        bell *= bell
        bell *= bell
        bell *= bell
        bell *= bell
        bell *= bell
        k = 1.0 / (1.0 + 0.2316418878 * size)
        tail = ((((1.061405429 * k - 1.453152027) * k + 1.421413741) * k - 0.284496736) * k + 0.254829592) * k
        erf = 1.0 - tail * bell
        erf = erf if z >= 0.0 else -erf
        g = 0.7978845608028654 * bell
        e = erf + shape * (z * z - 3.0) * z * g
        model[i] = e
        slope[i] = g
        spread[i] = z * g
        residual[i] = value[i] - level - half * e


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def accumulate(near: Near, n: int, matrix: Floats, right: Floats) -> float:
    """Fill the weighted normal matrix (5, 5) and right side (5,); return the weighted sum of squares."""
    weight, model, slope, spread = near.weight, near.model, near.slope, near.spread
    across, residual = near.across, near.residual
    s1 = se = sg = sh = see = seg = seh = sgg = sgh = shh = 0.0
    for i in range(n):
        w, e, g, h = weight[i], model[i], slope[i], spread[i]
        we, wg, wh = w * e, w * g, w * h
        s1 += w
        se += we
        sg += wg
        sh += wh
        see += we * e
        seg += we * g
        seh += we * h
        sgg += wg * g
        sgh += wg * h
        shh += wh * h
    sk = ske = skg = skk = skh = skr = sr = ser = sgr = shr = srr = 0.0
    for i in range(n):
        w, e, g, h, r = weight[i], model[i], slope[i], spread[i], residual[i]
        k = across[i] * g
        wk, wr = w * k, w * r
        sk += wk
        ske += wk * e
        skg += wk * g
        skk += wk * k
        skh += wk * h
        skr += wk * r
        sr += wr
        ser += wr * e
        sgr += wr * g
        shr += wr * h
        srr += wr * r
    matrix[0, 0], matrix[1, 0], matrix[2, 0], matrix[3, 0], matrix[4, 0] = s1, se, sg, sk, sh
    matrix[1, 1], matrix[2, 1], matrix[3, 1], matrix[4, 1] = see, seg, ske, seh
    matrix[2, 2], matrix[3, 2], matrix[4, 2] = sgg, skg, sgh
    matrix[3, 3], matrix[4, 3], matrix[4, 4] = skk, skh, shh
    right[0], right[1], right[2], right[3], right[4] = sr, ser, sgr, skr, shr
    return srr


@njit(cache=True, nogil=True, error_model="numpy")
def add_far(far: Far, p: Floats, matrix: Floats, right: Floats) -> None:
    """Add the plateau pixels, for which E is −1 before and +1 after."""
    missing_before = far.sum_before - far.n_before * (p[0] - p[1])
    missing_after = far.sum_after - far.n_after * (p[0] + p[1])
    n = far.n_before + far.n_after
    matrix[0, 0] += n
    matrix[1, 0] += far.n_after - far.n_before
    matrix[1, 1] += n
    right[0] += missing_after + missing_before
    right[1] += missing_after - missing_before


@njit(cache=True, nogil=True, error_model="numpy")
def factorise(matrix: Floats, free_tilt: bool, lower: Floats) -> bool:
    """Fill `lower` with the Cholesky factor of the lower triangle of `matrix`; False where it is singular.

    On its diagonal stand the inverses: dividing takes several times as long as multiplying. A fixed tilt is taken out
    by a unit row and column: its step is then zero.
    """
    for i in range(5):
        for j in range(i + 1):
            fixed = not free_tilt and (i == TILT or j == TILT)
            total = (1.0 if i == j else 0.0) if fixed else matrix[i, j]
            scale = total
            for k in range(j):
                total -= lower[i, k] * lower[j, k]
            if i == j:
                if not total > 1e-10 * scale:
                    return False
                lower[i, i] = 1.0 / math.sqrt(total)
            else:
                lower[i, j] = total * lower[j, j]
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def solve(lower: Floats, right: Floats, step: Floats) -> None:
    """Solve (lower·lowerᵀ)·step = right for five unknowns, by what `factorise` filled."""
    for i in range(5):
        total = right[i]
        for k in range(i):
            total -= lower[i, k] * step[k]
        step[i] = total * lower[i, i]
    for i in range(4, -1, -1):
        total = step[i]
        for k in range(i + 1, 5):
            total -= lower[k, i] * step[k]
        step[i] = total * lower[i, i]


@njit(cache=True, nogil=True, error_model="numpy")
def apply_step(p: Floats, step: Floats, half_width: float) -> float:
    """Move the parameters by one bounded step; return by how much the edge moved within the strip, in px.

    Columns g, ac·g, z·g are the derivatives by s0, t and w times −half/w. Bounds keep a poor start inside the
    region where the model still feels the edge.
    """
    to_px = -p[BLUR] / p[HALF]
    blur = p[BLUR]
    ds = min(max(to_px * step[POSITION], -blur), blur)
    most = blur / max(half_width, 1.0)
    dt = min(max(to_px * step[TILT], -most), most)
    dw = min(max(to_px * step[BLUR], -0.4 * blur), 0.6 * blur)
    p[LEVEL] += step[LEVEL]
    p[HALF] += step[HALF]
    p[POSITION] += ds
    p[TILT] += dt
    p[BLUR] = max(blur + dw, LEAST_BLUR)
    return float(abs(ds) + half_width * abs(dt) + 0.3 * abs(p[BLUR] - blur))


@njit(cache=True, nogil=True, error_model="numpy")
def inverse_of(lower: Floats, inverse: Floats) -> None:
    """Fill the inverse (5, 5) of lower·lowerᵀ; it is symmetric, so its rows are its columns."""
    for j in range(5):
        row = inverse[j]
        for i in range(5):
            row[i] = 1.0 if i == j else 0.0
        solve(lower, row, row)


@njit(cache=True, nogil=True, error_model="numpy")
def copy_matrix(source: Floats, target: Floats) -> None:
    """Copy a 5 × 5 matrix. Written out, here and elsewhere: numba takes seconds to compile a slice assignment."""
    for i in range(5):
        for j in range(5):
            target[i, j] = source[i, j]


@njit(cache=True, nogil=True, error_model="numpy")
def advance(
    near: Near, n: int, far: Far, p: Floats, free_tilt: bool, half_width: float, work: Floats
) -> tuple[float, float]:
    """Do one Gauss-Newton step from where the model was evaluated, with the weights as they stand.

    Returns the move in px (negative: singular) and the sum of squares before it. `work` (4, 5, 5): normal matrix of
    the near pixels, of all pixels, Cholesky factor, vectors.
    """
    matrix, lower, right, step = work[1], work[2], work[3, 0], work[3, 1]
    squares = accumulate(near, n, matrix, right)
    copy_matrix(matrix, work[0])
    add_far(far, p, matrix, right)
    if not free_tilt:
        right[TILT] = 0.0
    if p[HALF] == 0.0 or not factorise(matrix, free_tilt, lower):
        return -1.0, squares
    solve(lower, right, step)
    return apply_step(p, step, half_width), squares


@njit(cache=True, nogil=True, error_model="numpy")
def iterate(
    near: Near,
    n: int,
    far: Far,
    p: Floats,
    pixel_shape: float,
    free_tilt: bool,
    half_width: float,
    rounds: int,
    work: Floats,
) -> tuple[bool, float]:
    """Run Gauss-Newton rounds with the weights as they stand; return whether it settled, and the squares."""
    squares = 0.0
    for _ in range(rounds):
        evaluate(near, n, p, pixel_shape)
        moved, squares = advance(near, n, far, p, free_tilt, half_width, work)
        if moved < 0.0 or not math.isfinite(moved):
            return False, squares
        if moved < SMALL_STEP_PX:
            return True, squares
    return False, squares


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def leave_residuals(near: Near, n: int, step: Floats) -> None:
    """Bring the residuals to after the `step` (5,) with which a fit settled.

    Along the columns that it was made of: a step of less than a hundredth of a px bends the model by less than 1e-4 of
    its height.
    """
    across, model, slope, spread, residual = near.across, near.model, near.slope, near.spread, near.residual
    level, half, ds, dt, dw = step[LEVEL], step[HALF], step[POSITION], step[TILT], step[BLUR]
    for i in range(n):
        residual[i] -= level + half * model[i] + (ds + dt * across[i]) * slope[i] + dw * spread[i]


@njit(cache=True, nogil=True, error_model="numpy")
def near_parameters(near_matrix: Floats, inverse: Floats, free_tilt: bool) -> float:
    """Return how many parameters the near pixels themselves determine: the trace of their hat matrix.

    The levels come mostly from the plateaus, so that the near residuals lose fewer degrees than five.
    """
    trace = 0.0
    for i in range(5):
        for j in range(5):
            if free_tilt or (i != TILT and j != TILT):
                trace += inverse[i, j] * (near_matrix[i, j] if i >= j else near_matrix[j, i])
    return trace


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def near_of(pixels: Floats, first: int, n: int, work: Floats) -> Near:
    """Return views on one strip's pixels in `pixels` (3, ·) and on the work space (5, ·)."""
    room = slice(first, first + n)
    return Near(pixels[0, room], pixels[1, room], pixels[2, room], work[0], work[1], work[2], work[3], work[4])


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def start_from(rough: Floats, half_length: float, p: Floats) -> None:
    """Fill the parameters from a row of rough finds."""
    p[LEVEL], p[HALF], p[POSITION] = rough[MEAN], rough[HALF_HEIGHT], rough[PLACE] - half_length
    p[TILT], p[BLUR] = 0.0, rough[SPREAD]


@njit(cache=True, nogil=True, error_model="numpy")
def write_report(p: Floats, variance: float, inverse: Floats, dof: float, out: Floats) -> None:
    """Fill a row of results behind its parameters `p`: u of position and tilt, dof and noise."""
    to_px = abs(p[BLUR] / p[HALF])
    out[U_POSITION] = to_px * math.sqrt(variance * inverse[POSITION, POSITION])
    out[U_TILT] = to_px * math.sqrt(variance * inverse[TILT, TILT])
    out[DOF], out[NOISE] = dof, math.sqrt(variance)
    out[SETTLED] = 1.0 if math.isfinite(out[U_POSITION]) else 0.0
