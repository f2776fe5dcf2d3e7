"""The family of models for a plane seen by a camera: homography, and a lens of as many terms as pays off.

Forward, page → ideal picture → picture, fitted by Levenberg-Marquardt with every corner whitened by its own
covariance. The members differ only in which lens parameters move; the centre, where it is free, is held by a
weak prior so that it stays defined when there is hardly any distortion to see it by. The choice is by
Schwarz's criterion (BIC, Annals of Statistics 6, 1978), n·ln(χ²/n) + (k + 1)·ln n, see `Fit.level`; AICc and the
error of left-out corners are kept beside it. Leave-out needs no refits: with the rows J_i of one corner and the
covariance C of the fit, its error without it is (I − J_i·C·J_iᵀ)⁻¹·e_i (the deletion formula of linear
regression, here at the solution; Cook & Weisberg 1982).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.ties.lens import radial
from tiepoint.ties.tie import PARAMETERS, Lens, Member

Array = NDArray[np.float64]

CENTRE_PRIOR_PX = 100.0
"""Standard deviation of the lens centre about the picture's middle before any corner is seen."""

LENS_PRIOR = {8: 0.05, 9: 0.03, 12: 0.002, 13: 0.002, 14: 0.03}
"""Standard deviations of κ, κ2, p1, p2, κ3 about zero before any corner is seen (common practice: five per cent
at the corner of the picture). Where corners abound they do nothing; where there are few, they keep the terms defined
and in the budget."""

COVARIANCE_DOF = 50.0
"""What the corners' own covariances are worth: they are taken as known to 10 % (JCGM 100, G.4.2)."""

MEMBERS: dict[str, tuple[int, ...]] = {
    "homography": (),
    "homography + κ": (0,),
    "homography + κ, κ2": (0, 1),
    "homography + κ, centre": (0, 2, 3),
    "homography + κ, κ2, centre": (0, 1, 2, 3),
    "homography + κ, κ2, κ3, centre": (0, 1, 2, 3, 6),
    "homography + κ, κ2, centre, decentring": (0, 1, 2, 3, 4, 5),
    "homography + κ, κ2, κ3, centre, decentring": (0, 1, 2, 3, 4, 5, 6),
}
"""Which lens parameters (order of `LENS_NAMES`) each member frees beside the eight of the homography."""

AFFINE_MEMBERS: dict[str, tuple[int, ...]] = {
    "affine": (),
    "affine + κ": (0,),
    "affine + κ, centre": (0, 2, 3),
}
"""The members without perspective, for a telecentric lens: six parameters and the lens."""

_ROUNDS = 60
_STOP = 1e-4
"""A step below this many standard deviations, all parameters together, ends the fit."""
_LEAST_POINTS = 4
_FLATTEST = 3e-3
"""Smallest ratio of the scatter of the points across and along their main direction that still spans a plane."""


@dataclass(frozen=True)
class Corners:
    """What was seen: `plane_mm` (n, 2), `px` (n, 2), `covariance` (n, 2, 2) in px², of one picture size."""

    plane_mm: Array
    px: Array
    covariance: Array
    size_px: tuple[int, int]

    def __len__(self) -> int:
        return len(self.px)

    def subset(self, keep: NDArray[np.bool_]) -> "Corners":
        """Return the corners where `keep` (n,) is True."""
        return Corners(self.plane_mm[keep], self.px[keep], self.covariance[keep], self.size_px)


@dataclass(frozen=True)
class Frame:
    """The normalised coordinates of a fit: picture (x − middle)/rho, page (p − origin)/extent."""

    middle_px: Array
    rho_px: float
    origin_mm: Array
    extent_mm: float

    @property
    def to_page(self) -> Array:
        """Normalised page → mm, (3, 3)."""
        return np.array([[self.extent_mm, 0, self.origin_mm[0]], [0, self.extent_mm, self.origin_mm[1]], [0, 0, 1.0]])

    @property
    def from_picture(self) -> Array:
        """Pixels → normalised picture, (3, 3)."""
        s = 1.0 / self.rho_px
        return np.array([[s, 0, -self.middle_px[0] * s], [0, s, -self.middle_px[1] * s], [0, 0, 1.0]])


class _Counted(Protocol):
    """χ² of `n` coordinates, to which `k_used` parameters were fitted."""

    @property
    def chi2(self) -> float: ...

    @property
    def n(self) -> int: ...

    @property
    def k_used(self) -> float: ...


class LeftOver:
    """What a fit leaves over to judge the noise by."""

    @property
    def dof(self: _Counted) -> float:
        """Coordinates seen less parameters that the corners had to pay for."""
        return self.n - self.k_used

    @property
    def chi2_per_dof(self: _Counted) -> float:
        """χ² over degrees of freedom; 1 where nothing is left over to judge by."""
        left = self.n - self.k_used
        return self.chi2 / left if left > 0 else 1.0


@dataclass(frozen=True)
class Fit(LeftOver):
    """One member, fitted. `theta` (15,): G row by row without its last entry (1), then the seven lens parameters.

    `free` lists what moved; `covariance` (k, k) is that of the free parameters for corner covariances taken as
    true; `rows` (n, 2, k) the whitened Jacobian, `white` (n, 2, 2) the whitening, in normalised units.
    `residual_px`, `unseen_px` (n, 2): seen minus fitted, and seen minus what a fit without that corner says.
    `k_used`: parameters that the corners determine; less than k where the prior on the centre did the work.
    """

    model: str
    corners: Corners
    frame: Frame
    theta: Array
    free: tuple[int, ...]
    covariance: Array
    rows: Array
    white: Array
    residual_px: Array
    unseen_px: Array
    chi2: float
    k_used: float

    @property
    def k(self) -> int:
        """Number of free parameters."""
        return len(self.free)

    @property
    def n(self) -> int:
        """Number of coordinates seen."""
        return 2 * len(self.corners)

    def seen_share(self, parameter: int) -> float:
        """Return how much of what was not known of a lens parameter (index in θ) the corners took away, 0 to 1."""
        column = self.free.index(parameter)
        return 1.0 - float(self.covariance[column, column]) * prior_weight(parameter, self.frame.rho_px)

    @cached_property
    def lens(self) -> Lens | None:
        """The lens in pixels, fitted or given by a camera document; None where there is none."""
        if all(f < 8 for f in self.free) and not self.theta[8:].any():
            return None
        kappa, kappa2, cx, cy, p1, p2, kappa3 = (float(v) for v in self.theta[8:])
        rho, middle = self.frame.rho_px, self.frame.middle_px
        return Lens(kappa, kappa2, float(middle[0] + rho * cx), float(middle[1] + rho * cy), rho, p1, p2, kappa3)

    @property
    def centre_px(self) -> tuple[float, float]:
        """The lens centre, or the picture's middle where no lens shows one."""
        lens = self.lens
        middle = self.frame.middle_px
        return (float(middle[0]), float(middle[1])) if lens is None else (lens.cx, lens.cy)

    @cached_property
    def matrix(self) -> Array:
        """Ideal picture (px) → mm, (3, 3); scaled so that the picture's middle has weight 1."""
        return self._gauge * np.asarray(
            self.frame.to_page @ np.linalg.inv(page_matrix(self.theta)) @ self.frame.from_picture
        )

    @cached_property
    def _gauge(self) -> float:
        # The frame's own middle is the origin of normalised picture coordinates.
        return 1.0 / float(np.linalg.inv(page_matrix(self.theta))[2, 2])

    def parameter_factor(self) -> Array:
        """Return ∂θ_tie/∂(free parameters), (16, k): from the fit's own parameters to those of a tie."""
        inverse = np.linalg.inv(page_matrix(self.theta))
        to_page, from_picture = self.frame.to_page, self.frame.from_picture
        columns = np.zeros((len(PARAMETERS), self.k))
        for column, f in enumerate(self.free):
            if f < 8:
                bump = np.zeros(9)
                bump[f] = -self._gauge
                columns[:9, column] = (to_page @ inverse @ bump.reshape(3, 3) @ inverse @ from_picture).ravel()
            else:
                columns[9 + f - 8, column] = self.frame.rho_px if f in (10, 11) else 1.0
        return columns

    def response(self, displacement_px: Array) -> Array:
        """Return how the free parameters (k,) follow a displacement (n, 2), in px, of all seen corners."""
        whitened = np.einsum("nij,nj->ni", self.white, displacement_px / self.frame.rho_px)
        return np.asarray(self.covariance @ np.einsum("nik,ni->k", self.rows, whitened))

    def level(self, chi2: float) -> float:
        """Return −2 ln(likelihood) for χ², the noise known beforehand to 10 % only.

        The corners' covariances count as 50 degrees of freedom (`COVARIANCE_DOF`), so that n·ln(χ²/n), which few
        corners would drive to −∞, becomes (n + 50)·ln((χ² + 50)/(n + 50)): the same for many corners.
        """
        n = self.n + COVARIANCE_DOF
        return n * math.log((chi2 + COVARIANCE_DOF) / n)

    @cached_property
    def bic(self) -> float:
        """Schwarz's criterion."""
        return self.level(self.chi2) + (self.k_used + 1) * math.log(self.n)

    def member(self, chosen: bool = False) -> Member:
        """Return the criteria by which members are compared."""
        n, k = self.n, self.k_used
        level = self.level(self.chi2)
        spare = n - k - 2
        aicc = level + 2.0 * (k + 1) * (1.0 + (k + 2) / spare) if spare > 0 else math.inf
        unseen = math.sqrt(float(np.mean(np.sum(self.unseen_px**2, axis=1))))
        return Member(self.model, self.k, self.chi2, self.dof, self.bic, aicc, unseen, chosen)


@dataclass(frozen=True)
class Prepared:
    """Corners in normalised coordinates: `page`, `seen` (n, 2), and `white` (n, 2, 2) that whitens a difference."""

    frame: Frame
    page: Array
    seen: Array
    white: Array

    @classmethod
    def of(cls, corners: Corners, frame: Frame) -> "Prepared":
        """Return corners in the normalised coordinates of a frame."""
        page = (corners.plane_mm - frame.origin_mm) / frame.extent_mm
        seen = (corners.px - frame.middle_px) / frame.rho_px
        return cls(frame, page, seen, _whitening(corners.covariance) * frame.rho_px)

    def in_px(self, r: Array) -> Array:
        """Return whitened residuals (n, 2) in px."""
        x = r[:, 0] / self.white[:, 0, 0]
        y = (r[:, 1] - self.white[:, 1, 0] * x) / self.white[:, 1, 1]
        return np.asarray(np.stack([x, y], axis=1) * self.frame.rho_px)


def linearised(view: Prepared, theta: Array, free: tuple[int, ...]) -> tuple[Array, Array]:
    """Return whitened rows (n, 2, k) = W·∂x/∂θ_free and residuals (n, 2) = W·(seen − x) of one view at θ (15,)."""
    rows, r = np.empty((len(view.page), 2, len(free))), np.empty((len(view.page), 2))
    _linearise(view.page, view.seen, view.white, theta, np.array(free), rows, r)
    return rows, r


def page_matrix(theta: Array) -> Array:
    """Return G (3, 3): normalised page → normalised ideal picture."""
    return np.append(theta[:8], 1.0).reshape(3, 3)


def frame_of(corners: Corners) -> Frame:
    """Return the normalised coordinates for a set of corners."""
    width, height = corners.size_px
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    origin = corners.plane_mm.mean(axis=0)
    extent = float(np.sqrt(np.mean(np.sum((corners.plane_mm - origin) ** 2, axis=1))))
    return Frame(middle, math.hypot(width, height) / 2, origin, extent)


def check_spread(corners: Corners) -> None:
    """Raise `PoorGeometry` where the corners cannot determine a plane: too few, or all but on one line."""
    if len(corners) < _LEAST_POINTS:
        raise PoorGeometry(
            f"{len(corners)} corners were seen and a plane needs at least {_LEAST_POINTS}; show more of the target"
        )
    for points in (corners.plane_mm, corners.px):
        scatter = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
        if scatter[1] < _FLATTEST * scatter[0]:
            raise PoorGeometry(
                f"the {len(corners)} corners seen lie on one line and cannot determine a plane; "
                "show a part of the target that reaches in both directions"
            )


def fit_family(corners: Corners, affine: bool = False, only: Sequence[str] | None = None) -> tuple[Fit, ...]:
    """Return all members (or `only` some), fitted, simplest first."""
    check_spread(corners)
    frame = frame_of(corners)
    start = _direct_start(corners, frame, affine)
    base = (0, 1, 2, 3, 4, 5) if affine else tuple(range(8))
    fits: list[Fit] = []
    for model, lens in (AFFINE_MEMBERS if affine else MEMBERS).items():
        if only is not None and model not in only:
            continue
        free = base + tuple(8 + f for f in lens)
        fits.append(fit_member(corners, frame, model, free, _warm_start(start, fits, free)))
    return tuple(fits)


def fit_member(
    corners: Corners,
    frame: Frame,
    model: str,
    free: tuple[int, ...],
    theta: Array,
    fixed_lens: bool = False,
) -> Fit:
    """Return one member fitted from `theta` (15,).

    `fixed_lens`: keep the lens parameters of `theta` that are not free; otherwise they are set to zero.
    Raises `PoorGeometry` where the corners do not determine the parameters.
    """
    theta = theta.copy()
    if not fixed_lens:
        theta[[k for k in range(8, 15) if k not in free]] = 0.0
    view = Prepared.of(corners, frame)
    page, seen, white = view.page, view.seen, view.white
    prior = np.array([prior_weight(f, frame.rho_px) for f in free])
    rows, r = np.empty((len(page), 2, len(free))), np.empty((len(page), 2))
    normal = _levenberg(page, seen, white, theta, np.array(free), prior, rows, r)
    cov = inverse_of(
        normal,
        "the corners seen do not determine the lens or the plane; show more of the target, over more of the picture",
    )
    residual, unseen = np.empty_like(r), np.empty_like(r)
    chi2 = _leave_out(rows, r, white, cov, residual, unseen)
    k_used = len(free) - float(np.diag(cov) @ prior)
    return Fit(
        model,
        corners,
        frame,
        theta,
        free,
        cov,
        rows,
        white,
        residual * frame.rho_px,
        unseen * frame.rho_px,
        chi2,
        k_used,
    )


def prior_weight(f: int, rho_px: float) -> float:
    """Return the inverse variance of a parameter of θ before any corner is seen."""
    if f in (10, 11):
        return (rho_px / CENTRE_PRIOR_PX) ** 2
    return LENS_PRIOR[f] ** -2 if f in LENS_PRIOR else 0.0


def _whitening(covariance: Array) -> Array:
    """Return W (n, 2, 2) with WᵀW = covariance⁻¹ (lower triangular)."""
    a, b, c = covariance[:, 0, 0], covariance[:, 0, 1], covariance[:, 1, 1]
    first = 1.0 / np.sqrt(a)
    second = 1.0 / np.sqrt(c - b * b / a)
    W = np.zeros((len(a), 2, 2))
    W[:, 0, 0], W[:, 1, 1], W[:, 1, 0] = first, second, -second * b / a
    return W


def _direct_start(corners: Corners, frame: Frame, affine: bool) -> Array:
    """Return θ (15,) of the direct linear solution without a lens (Hartley's normalisation is the frame's)."""
    page = (corners.plane_mm - frame.origin_mm) / frame.extent_mm
    seen = (corners.px - frame.middle_px) / frame.rho_px
    theta = np.zeros(15)
    one = np.ones(len(page))
    if affine:
        solution = np.linalg.lstsq(np.column_stack([page, one]), seen, rcond=None)[0]
        theta[:6] = solution.T.ravel()
        return theta
    zero = np.zeros((len(page), 3))
    rows = np.column_stack([page, one])
    # A row of zeros, so that four corners too have nine singular vectors.
    A = np.vstack(
        [np.hstack([rows, zero, -seen[:, :1] * rows]), np.hstack([zero, rows, -seen[:, 1:] * rows]), np.zeros((1, 9))]
    )
    _, singular, vectors = np.linalg.svd(A, full_matrices=False)
    if singular[7] < 1e-7 * singular[0] or abs(vectors[8, 8]) < 1e-9:
        raise PoorGeometry(
            "the corners seen do not determine a plane (three of four on a line, or the plane seen edge-on); "
            "show more of the target, or turn the camera towards it"
        )
    theta[:8] = vectors[8, :8] / vectors[8, 8]
    return theta


def _warm_start(start: Array, fits: list[Fit], free: tuple[int, ...]) -> Array:
    """Return the best smaller member's parameters: one whose free ones are among these."""
    smaller = [fit for fit in fits if set(fit.free) <= set(free)]
    return min(smaller, key=lambda fit: fit.chi2).theta if smaller else start


def inverse_of(A: Array, refusal: str) -> Array:
    """Return A⁻¹ of a normal matrix, scaled first; `PoorGeometry` with that sentence where it is singular."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(A), 1e-300))
    values, vectors = np.linalg.eigh(A * np.outer(scale, scale))
    if not np.isfinite(values).all() or values[0] < 1e-13 * values[-1]:
        raise PoorGeometry(refusal)
    half = (scale[:, None] * vectors) / np.sqrt(values)
    return np.asarray(half @ half.T)


@njit(cache=True, nogil=True, error_model="numpy")
def _leave_out(rows, r, white, cov, residual, unseen):  # type: ignore[no-untyped-def]  # numba infers
    """Fill W⁻¹·r and W⁻¹·(I − J·C·Jᵀ)⁻¹·r, both (n, 2); return χ².

    A corner that alone holds a parameter has no error.
    """
    chi2 = 0.0
    k = cov.shape[0]
    for n in range(r.shape[0]):
        a, b, c = 1.0, 0.0, 1.0
        for i in range(k):
            left, right = 0.0, 0.0
            for j in range(k):
                left += cov[i, j] * rows[n, 0, j]
                right += cov[i, j] * rows[n, 1, j]
            a -= rows[n, 0, i] * left
            b -= rows[n, 1, i] * left
            c -= rows[n, 1, i] * right
        det = a * c - b * b
        x, y = 0.0, 0.0
        if det > 1e-9:
            x, y = (c * r[n, 0] - b * r[n, 1]) / det, (a * r[n, 1] - b * r[n, 0]) / det
        residual[n, 0], unseen[n, 0] = r[n, 0] / white[n, 0, 0], x / white[n, 0, 0]
        residual[n, 1] = (r[n, 1] - white[n, 1, 0] * residual[n, 0]) / white[n, 1, 1]
        unseen[n, 1] = (y - white[n, 1, 0] * unseen[n, 0]) / white[n, 1, 1]
        chi2 += r[n, 0] ** 2 + r[n, 1] ** 2
    return chi2


@njit(cache=True, nogil=True, error_model="numpy")
def _levenberg(page, seen, white, theta, free, prior, rows, r):  # type: ignore[no-untyped-def]  # numba infers
    """Move θ in place to the minimum; fill whitened rows (n, 2, k) and residuals (n, 2); return the normal matrix.

    `prior` (k,) holds weights about zero. Damping scales with the diagonal (Marquardt 1963).
    """
    k = free.size
    n = page.shape[0]
    trial = theta.copy()
    now = _linearise(page, seen, white, theta, free, rows, r)
    for i in range(k):
        now += prior[i] * theta[free[i]] ** 2
    damping = 1e-6
    A, b = np.empty((k, k)), np.empty(k)
    for _ in range(_ROUNDS):
        for i in range(k):
            b[i] = -prior[i] * theta[free[i]]
            for j in range(i + 1):
                A[i, j] = 0.0
        for m in range(n):
            for axis in range(2):
                for i in range(k):
                    left = rows[m, axis, i]
                    b[i] += left * r[m, axis]
                    for j in range(i + 1):
                        A[i, j] += left * rows[m, axis, j]
        for i in range(k):
            A[i, i] += prior[i]
            for j in range(i):
                A[j, i] = A[i, j]
        while True:
            step = _damped_step(A, b, damping)
            length = 0.0
            for i in range(k):
                for j in range(k):
                    length += step[i] * A[i, j] * step[j]
            for i in range(k):
                trial[free[i]] = theta[free[i]] + step[i]
            after = _linearise(page, seen, white, trial, free, rows, r)
            for i in range(k):
                after += prior[i] * trial[free[i]] ** 2
            if after <= now * (1.0 + 1e-12) or damping > 1e8:
                break
            damping = max(damping, 1e-6) * 10.0
        theta[:] = trial
        now = after
        damping /= 30.0
        if not length > _STOP**2:
            break
    return A


@njit(cache=True, nogil=True, error_model="numpy")
def _damped_step(A, b, damping):  # type: ignore[no-untyped-def]  # numba infers
    """Return (A + damping·diag A)⁻¹·b by Cholesky."""
    k = b.size
    L, step = np.zeros((k, k)), np.empty(k)
    for i in range(k):
        total = b[i]
        for j in range(i + 1):
            value = A[i, j]
            if i == j:
                value *= 1.0 + damping
            for m in range(j):
                value -= L[i, m] * L[j, m]
            if i == j:
                L[i, i] = np.sqrt(max(value, 1e-14 * A[i, i] + 1e-300))
            else:
                L[i, j] = value / L[j, j]
                total -= L[i, j] * step[j]
        step[i] = total / L[i, i]
    for i in range(k - 1, -1, -1):
        for j in range(i + 1, k):
            step[i] -= L[j, i] * step[j]
        step[i] /= L[i, i]
    return step


@njit(cache=True, nogil=True, error_model="numpy")
def _linearise(page, seen, white, theta, free, rows, r):  # type: ignore[no-untyped-def]  # numba infers
    """Fill whitened rows (n, 2, k) = W·∂x/∂θ_free and residuals r (n, 2) = W·(seen − x), in normalised units.

    Returns χ².

    The picture point x of an ideal point u solves ideal(x) = u; Newton from the seen point needs two or three rounds.
    """
    kappa, kappa2, cx, cy, p1, p2 = theta[8], theta[9], theta[10], theta[11], theta[12], theta[13]
    kappa3 = theta[14]
    row = np.zeros((2, 15))
    chi2 = 0.0
    for n in range(page.shape[0]):
        X, Y = page[n, 0], page[n, 1]
        w = 1.0 / (theta[6] * X + theta[7] * Y + 1.0)
        ux = (theta[0] * X + theta[1] * Y + theta[2]) * w
        uy = (theta[3] * X + theta[4] * Y + theta[5]) * w
        x, y = seen[n, 0], seen[n, 1]
        for _ in range(30):
            dx, dy = x - cx, y - cy
            q0, r0, A00, A01, A11 = radial(kappa, kappa2, kappa3, dx, dy)
            ex, ey = dx * q0, dy * q0
            exx, eyy, exy = ex * ex, ey * ey, ex * ey
            by1x, by1y, by2x = 2.0 * exy, exx + 3.0 * eyy, 3.0 * exx + eyy
            hx, hy = dx + p1 * by1x + p2 * by2x, dy + p1 * by1y + p2 * by1x
            q1, r2, B00, B01, B11 = radial(kappa, kappa2, kappa3, hx, hy)
            T00, T01 = 2.0 * p1 * ey + 6.0 * p2 * ex, 2.0 * (p1 * ex + p2 * ey)
            T11 = 6.0 * p1 * ey + 2.0 * p2 * ex
            M00, M01 = 1.0 + T00 * A00 + T01 * A01, T00 * A01 + T01 * A11
            M10, M11 = T01 * A00 + T11 * A01, 1.0 + T01 * A01 + T11 * A11
            a, b = B00 * M00 + B01 * M10, B00 * M01 + B01 * M11
            c, d = B01 * M00 + B11 * M10, B01 * M01 + B11 * M11
            gx, gy = ux - cx - hx * q1, uy - cy - hy * q1
            inv = 1.0 / (a * d - b * c)
            sx, sy = (d * gx - b * gy) * inv, (a * gy - c * gx) * inv
            x += sx
            y += sy
            if abs(sx) + abs(sy) < 1e-13:
                break
        D00, D01, D10, D11 = d * inv, -b * inv, -c * inv, a * inv
        # −∂u/∂κ in two parts, as both passes through the radial part have their own r².
        tx, ty = (T00 * dx + T01 * dy) * q0 * q0 * r0, (T01 * dx + T11 * dy) * q0 * q0 * r0
        tx, ty = B00 * tx + B01 * ty, B01 * tx + B11 * ty
        vx, vy = hx * q1 * q1 * r2, hy * q1 * q1 * r2
        c1x, c1y = B00 * by1x + B01 * by1y, B01 * by1x + B11 * by1y
        c2x, c2y = B00 * by2x + B01 * by1x, B01 * by2x + B11 * by1x
        fx, fy = X * w, Y * w
        for k in range(2):
            left, right = (D00, D01) if k == 0 else (D10, D11)
            row[k, 0], row[k, 1], row[k, 2] = left * fx, left * fy, left * w
            row[k, 3], row[k, 4], row[k, 5] = right * fx, right * fy, right * w
            both = left * ux + right * uy
            row[k, 6], row[k, 7] = -both * fx, -both * fy
            second, first = left * vx + right * vy, left * tx + right * ty
            row[k, 8], row[k, 9] = second + first, second * r2 + first * r0
            row[k, 14] = second * r2 * r2 + first * r0 * r0
            row[k, 10], row[k, 11] = (1.0 if k == 0 else 0.0) - left, (1.0 if k == 1 else 0.0) - right
            row[k, 12], row[k, 13] = -(left * c1x + right * c1y), -(left * c2x + right * c2y)
        gx, gy = seen[n, 0] - x, seen[n, 1] - y
        w00, w10, w11 = white[n, 0, 0], white[n, 1, 0], white[n, 1, 1]
        for k in range(free.size):
            f = free[k]
            rows[n, 0, k] = w00 * row[0, f]
            rows[n, 1, k] = w10 * row[0, f] + w11 * row[1, f]
        r[n, 0] = w00 * gx
        r[n, 1] = w10 * gx + w11 * gy
        chi2 += r[n, 0] ** 2 + r[n, 1] ** 2
    return chi2
