"""The probe in a loop: where thousands of pixels lie, and the joint covariance of each, in closed form.

The readable twin is `Tie.map`; the tests hold both together.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from tiepoint.ties.lens import radial
from tiepoint.ties.tie import Tie

Array = NDArray[np.float64]

_BLOCK = 128
_ROWS_X = (0, 1, 2, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15)
_ROWS_Y = (3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15)
"""Which of the 16 parameters move x, and which move y."""


@dataclass(frozen=True)
class Located:
    """Places `xy_mm` (n, 2), their `covariance` (n, 2, 2) in mm² and `inside` (n,): within the valid region."""

    xy_mm: Array
    covariance: Array
    inside: NDArray[np.bool_]


@dataclass(frozen=True)
class Prepared:
    """What the kernel needs of a tie, made once: see `prepare`."""

    matrix: Array
    lens: Array
    placing: Array
    edges: Array
    S_xx: Array
    S_yy: Array
    S_xy: Array
    frame: Array
    powers: NDArray[np.int64]
    smooth: Array


def prepare(tie: Tie) -> Prepared:
    """Return the tie's covariances of parameters and of field coefficients, laid out for the kernel."""
    u = np.array([s.u for s in tie.sources])
    spread = tie.factor * u
    S = spread @ spread.T
    x, y = list(_ROWS_X), list(_ROWS_Y)
    frame, powers, smooth = _fields(tie)
    lens = np.zeros(8)
    lens[4] = 1.0
    if tie.lens is not None:
        k = tie.lens
        lens[:] = (k.kappa, k.kappa2, k.cx, k.cy, k.rho_px, k.p1, k.p2, k.kappa3)
    return Prepared(
        np.ascontiguousarray(tie.matrix),
        lens,
        np.array([*tie.placing.scale, *tie.placing.shift_px]),
        _edges(tie.valid_region),
        np.ascontiguousarray(S[np.ix_(x, x)]),
        np.ascontiguousarray(S[np.ix_(y, y)]),
        np.ascontiguousarray(S[np.ix_(x, y)]),
        frame,
        powers,
        smooth,
    )


def locate(tie: Tie | Prepared, points: ArrayLike, u_px: float = 0.0) -> Located:
    """Return where points (n, 2) lie, with joint 2 × 2 covariances; `u_px` is the standard u per axis of a point.

    Ten thousand points take a millisecond or so: the form for maps, contours and edges in bulk. What shares
    sources from point to point is in `Tie.map`.
    """
    p = prepare(tie) if isinstance(tie, Tie) else tie
    px = np.ascontiguousarray(np.atleast_2d(np.asarray(points, float)))
    xy, cov, inside = np.empty((len(px), 2)), np.empty((len(px), 2, 2)), np.empty(len(px), np.bool_)
    _locate(
        px, u_px, p.matrix, p.lens, p.placing, p.edges, p.S_xx, p.S_yy, p.S_xy,
        p.frame, p.powers, p.smooth, xy, cov, inside,
    )  # fmt: skip
    return Located(xy, cov, inside)


def _fields(tie: Tie) -> tuple[Array, NDArray[np.int64], Array]:
    """Return (middle x, y, reach), powers (terms, 2) and the fields' coefficients times u, (fields, 2, terms)."""
    if not tie.fields:
        return np.array([0.0, 0.0, 1.0]), np.zeros((0, 2), np.int64), np.zeros((0, 2, 0))
    degree = max(f.degree for f in tie.fields)
    powers = np.array([(t - j, j) for t in range(degree + 1) for j in range(t + 1)], np.int64)
    first = tie.fields[0]
    smooth = np.zeros((len(tie.fields), 2, len(powers)))
    for k, one in enumerate(tie.fields):
        if (one.middle, one.reach) != (first.middle, first.reach):
            raise ValueError("the fields of one tie share their middle and reach")
        smooth[k, :, : len(one.coefficients)] = one.coefficients.T * one.source.u
    return np.array([*first.middle, first.reach]), powers, smooth


def _edges(polygon: Array) -> Array:
    """Return half planes (k, 3): inside where a·x + b·y + c ≥ 0 for all."""
    step = np.roll(polygon, -1, axis=0) - polygon
    length = np.hypot(step[:, 0], step[:, 1])
    step, start = step[length > 0] / length[length > 0, None], polygon[length > 0]
    normal = np.column_stack([-step[:, 1], step[:, 0]])
    middle = polygon.mean(axis=0)
    turn = np.sign(np.sum(normal * (middle - start), axis=1).sum())
    return np.ascontiguousarray(turn * np.column_stack([normal, -np.sum(normal * start, axis=1)]))


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"}, forceinline=True)
def _quadratic(S, left, right, t, out, n, same):  # type: ignore[no-untyped-def]  # numba infers
    """Add Σ_ij S_ij·left_i·right_j to out, for n points side by side; `same` uses the symmetry of S."""
    for i in range(S.shape[0]):
        for p in range(n):
            t[p] = 0.0
        for j in range(i if same else 0, S.shape[1]):
            s = S[i, j] * (2.0 if same and j > i else 1.0)
            if s != 0.0:
                for p in range(n):
                    t[p] += s * right[j, p]
        for p in range(n):
            out[p] += left[i, p] * t[p]


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"}, forceinline=True)
def _locate(  # type: ignore[no-untyped-def]  # numba infers
    px, u_px, H, lens, placing, edges, S_xx, S_yy, S_xy, frame, powers, smooth, xy, cov, inside
):
    n = px.shape[0]
    terms = powers.shape[0]
    gx, gy = np.empty((13, _BLOCK)), np.empty((13, _BLOCK))
    basis, at = np.empty((terms, _BLOCK)), np.empty((2, _BLOCK))
    t, s, c_xx, c_yy, c_xy = np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK)
    kappa, kappa2, cx, cy, rho, p1, p2, kappa3 = lens
    for start in range(0, n, _BLOCK):
        m = min(_BLOCK, n - start)
        for p in range(m):
            x = px[start + p, 0] * placing[0] + placing[2]
            y = px[start + p, 1] * placing[1] + placing[3]
            dx, dy = (x - cx) / rho, (y - cy) / rho
            q0, r0, A00, A01, A11 = radial(kappa, kappa2, kappa3, dx, dy)
            ex, ey = dx * q0, dy * q0
            exx, eyy, exy = ex * ex, ey * ey, ex * ey
            by1x, by1y = 2.0 * exy, exx + 3.0 * eyy
            by2x, by2y = 3.0 * exx + eyy, 2.0 * exy
            fx, fy = dx + p1 * by1x + p2 * by2x, dy + p1 * by1y + p2 * by2y
            q1, r2, B00, B01, B11 = radial(kappa, kappa2, kappa3, fx, fy)
            ux, uy = cx + rho * fx * q1, cy + rho * fy * q1
            T00, T01 = 2.0 * p1 * ey + 6.0 * p2 * ex, 2.0 * (p1 * ex + p2 * ey)
            T11 = 6.0 * p1 * ey + 2.0 * p2 * ex
            M00, M01 = 1.0 + T00 * A00 + T01 * A01, T00 * A01 + T01 * A11
            M10, M11 = T01 * A00 + T11 * A01, 1.0 + T01 * A01 + T11 * A11
            J00, J01 = B00 * M00 + B01 * M10, B00 * M01 + B01 * M11
            J10, J11 = B01 * M00 + B11 * M10, B01 * M01 + B11 * M11
            w = 1.0 / (H[2, 0] * ux + H[2, 1] * uy + H[2, 2])
            X = (H[0, 0] * ux + H[0, 1] * uy + H[0, 2]) * w
            Y = (H[1, 0] * ux + H[1, 1] * uy + H[1, 2]) * w
            a00, a01 = (H[0, 0] - X * H[2, 0]) * w, (H[0, 1] - X * H[2, 1]) * w
            a10, a11 = (H[1, 0] - Y * H[2, 0]) * w, (H[1, 1] - Y * H[2, 1]) * w
            xy[start + p, 0], xy[start + p, 1] = X, Y
            uxw, uyw = ux * w, uy * w
            gx[0, p], gx[1, p], gx[2, p] = uxw, uyw, w
            gx[3, p], gx[4, p], gx[5, p] = -X * uxw, -X * uyw, -X * w
            gy[0, p], gy[1, p], gy[2, p] = uxw, uyw, w
            gy[3, p], gy[4, p], gy[5, p] = -Y * uxw, -Y * uyw, -Y * w
            # ∂u/∂κ by both passes through the radial part; each higher term brings its own r².
            tx, ty = T00 * dx + T01 * dy, T01 * dx + T11 * dy
            sx, sy = -rho * (B00 * tx + B01 * ty) * q0 * q0 * r0, -rho * (B01 * tx + B11 * ty) * q0 * q0 * r0
            vx, vy = -rho * fx * q1 * q1 * r2, -rho * fy * q1 * q1 * r2
            gx[6, p], gy[6, p] = a00 * (vx + sx) + a01 * (vy + sy), a10 * (vx + sx) + a11 * (vy + sy)
            vx, vy, sx, sy = vx * r2, vy * r2, sx * r0, sy * r0
            gx[7, p], gy[7, p] = a00 * (vx + sx) + a01 * (vy + sy), a10 * (vx + sx) + a11 * (vy + sy)
            vx, vy, sx, sy = vx * r2, vy * r2, sx * r0, sy * r0
            gx[12, p], gy[12, p] = a00 * (vx + sx) + a01 * (vy + sy), a10 * (vx + sx) + a11 * (vy + sy)
            b00, b01 = a00 * J00 + a01 * J10, a00 * J01 + a01 * J11
            b10, b11 = a10 * J00 + a11 * J10, a10 * J01 + a11 * J11
            gx[8, p], gx[9, p] = a00 - b00, a01 - b01
            gy[8, p], gy[9, p] = a10 - b10, a11 - b11
            c1x, c1y = rho * (B00 * by1x + B01 * by1y), rho * (B01 * by1x + B11 * by1y)
            c2x, c2y = rho * (B00 * by2x + B01 * by2y), rho * (B01 * by2x + B11 * by2y)
            gx[10, p], gx[11, p] = a00 * c1x + a01 * c1y, a00 * c2x + a01 * c2y
            gy[10, p], gy[11, p] = a10 * c1x + a11 * c1y, a10 * c2x + a11 * c2y
            v0, v1 = (u_px * placing[0]) ** 2, (u_px * placing[1]) ** 2
            c_xx[p] = b00 * b00 * v0 + b01 * b01 * v1
            c_yy[p] = b10 * b10 * v0 + b11 * b11 * v1
            c_xy[p] = b00 * b10 * v0 + b01 * b11 * v1
            at[0, p], at[1, p] = x, y
            _powers(basis, p, (x - frame[0]) / frame[2], (y - frame[1]) / frame[2], powers)
        _quadratic(S_xx, gx, gx, t, c_xx, m, True)
        _quadratic(S_yy, gy, gy, t, c_yy, m, True)
        _quadratic(S_xy, gx, gy, t, c_xy, m, False)
        for f in range(smooth.shape[0]):
            _displacement(smooth[f, 0], basis, t, m)
            _displacement(smooth[f, 1], basis, s, m)
            for p in range(m):
                c_xx[p] += t[p] * t[p]
                c_yy[p] += s[p] * s[p]
                c_xy[p] += t[p] * s[p]
        for p in range(m):
            t[p] = np.inf
        for e in range(edges.shape[0]):
            a, b, c = edges[e, 0], edges[e, 1], edges[e, 2]
            for p in range(m):
                t[p] = min(t[p], a * at[0, p] + b * at[1, p] + c)
        for p in range(m):
            inside[start + p] = t[p] >= -1e-6 and not np.isnan(xy[start + p, 0] + xy[start + p, 1])
            cov[start + p, 0, 0], cov[start + p, 1, 1] = c_xx[p], c_yy[p]
            cov[start + p, 0, 1] = cov[start + p, 1, 0] = c_xy[p]


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"}, forceinline=True)
def _displacement(coefficients, basis, out, n):  # type: ignore[no-untyped-def]  # numba infers
    """Fill out with Σ_k coefficients_k·basis_k, for n points side by side."""
    for p in range(n):
        out[p] = 0.0
    for k in range(coefficients.size):
        c = coefficients[k]
        for p in range(n):
            out[p] += c * basis[k, p]


@njit(cache=True, nogil=True, error_model="numpy")
def _powers(basis, p, x, y, powers):  # type: ignore[no-untyped-def]  # numba infers
    """Fill the monomials of one point: each from one of a degree below, so one product a term."""
    for k in range(powers.shape[0]):
        i, j = powers[k, 0], powers[k, 1]
        total = i + j
        if total == 0:
            basis[k, p] = 1.0
        elif i > 0:
            # The term (i − 1, j) stands total places earlier.
            basis[k, p] = basis[k - total, p] * x
        else:
            basis[k, p] = basis[k - total - 1, p] * y
