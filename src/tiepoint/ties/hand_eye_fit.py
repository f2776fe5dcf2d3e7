"""A·X·B = Y refined: generalised least squares over X and Y at the target's middle, the robot's scatter from the rest.

X and Y are changed from the left by (ω, τ), as `uncertain_pose` has it. Row i leaves over the turn ρ = log(R_AXB·R_Yᵀ)
and, at the target's middle m, the shift d = AXB(m) − Y(m). Two things scatter them: what the camera does not know of
B, carried there from the corners, and the robot, whose shown place is off by σ_mm along each axis and whose turn by
σ_rad about each. Their sizes maximise the restricted likelihood (Patterson & Thompson, Biometrika 58, 1971): the plain
one takes twelve fitted numbers for data, and comes out small. Degrees of freedom after Giesbrecht & Burns (Biometrics
41, 1985), all from memory.

What all photos share (focal length, lens, the print's scale) is fitted with them, each held near 0 by its own u (mixed
model equations; Henderson, Biometrics 31, 1975): a robot that moves by millimetres knows how long a print is.
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy import special

from tiepoint.ties.uncertain_pose import cross

Array = NDArray[np.float64]
Eye = Literal["in-hand", "to-hand"]

SIZE = 12
"""(ω, τ) of X, then (ω, τ) of Y."""
_LEAST = np.log(np.array([1e-4, 1e-7]))
_MOST = np.log(np.array([1e3, 1.0]))
"""Between these lie a robot's σ in mm and rad: the last digit that a controller shows, and no robot at all."""
_ROUNDS = 20
_STOP = 1e-6
_REFITS = 5
_LIKELIHOODS = 3
_SINGULAR = 1e-11


@dataclass(frozen=True)
class Rows:
    """What is fitted: A, B (n, 4, 4); `b_cov` (n, 6, 6) of (ω in rad, τ in mm at the middle) in the camera's axes.

    `shared` (n, 6, m): by how much one u of each shared source moves B, in the same six numbers.
    `eye` tells about what a robot's turn moves the target: about the flange, which in hand is A's own origin and to
    hand that of the frame in which Y lies.
    """

    a: Array
    b: Array
    b_cov: Array
    shared: Array
    middle_mm: Array
    eye: Eye

    def __len__(self) -> int:
        return len(self.a)

    def only(self, keep: NDArray[np.bool_]) -> "Rows":
        """Return the rows where `keep` (n,) is True."""
        return Rows(self.a[keep], self.b[keep], self.b_cov[keep], self.shared[keep], self.middle_mm, self.eye)


@dataclass(frozen=True)
class Fitted:
    """X and Y (4, 4), `shared` (m,) in their u, `covariance` (12 + m, 12 + m) of all; the robot's σ; dof."""

    x: Array
    y: Array
    shared: Array
    covariance: Array
    robot_mm: float
    robot_rad: float
    dof: float
    chi2: float

    @property
    def by_shared(self) -> Array:
        """∂(X, Y)/∂(shared source in its u) (12, m): as far as the poses themselves do not tell it.

        What z moves B to is where the target truly is, as each pose of the target has its sources: so in a product of X
        with such a pose, as of a photo of the plane, what lies too far for both cancels.
        """
        return self.covariance[:SIZE, SIZE:]

    @property
    def own_covariance(self) -> Array:
        """Covariance (12, 12) of X and Y by what scatters each pose; with `by_shared` it makes the whole."""
        return np.asarray(self.covariance[:SIZE, :SIZE] - self.by_shared @ self.by_shared.T)

    def unseen(self, rows: Rows) -> "Unseen":
        """Return what this fit leaves over at rows (n) that were not in it, and how probable as much is."""
        left = _left_over(rows, self.x, self.y, self.shared)
        spread = _variances(rows, left, self.robot_mm, self.robot_rad)
        spread = spread + left.jacobian @ self.covariance @ np.swapaxes(left.jacobian, 1, 2)
        squares = np.einsum("ni,ni->n", left.residual, np.linalg.solve(spread, left.residual[..., None])[..., 0])
        chance = special.fdtrc(6.0, self.dof, squares / 6)
        turn, shift = (np.linalg.norm(v, axis=1) for v in (left.residual[:, :3], left.residual[:, 3:]))
        return Unseen(shift, turn, np.asarray(chance))


@dataclass(frozen=True)
class Unseen:
    """Errors at poses that a fit did not use: mm at the target's middle, rad, and how often chance alone gives as much.

    NaN where the other rows do not determine the hand-eye.
    """

    mm: Array
    rad: Array
    chance: Array


@dataclass(frozen=True)
class _LeftOver:
    """At a state: residual (n, 6), its Jacobian (n, 6, 12 + m), the turn (n, 3, 3) from the camera's axes to Y's left
    frame, and there the target's middle as seen from the flange (n, 3)."""

    residual: Array
    jacobian: Array
    turned: Array
    lever: Array


def fit(rows: Rows, x: Array, y: Array) -> Fitted | None:
    """Return the fit from a start; None where the rows do not determine X and Y."""
    z = np.zeros(rows.shared.shape[2])
    log_sigma = _first_sigma(rows, x, y, z)
    for _ in range(_LIKELIHOODS):
        solved = _least_squares(rows, x, y, z, *np.exp(log_sigma))
        if solved is None:
            return None
        x, y, z = solved.x, solved.y, solved.shared
        log_sigma = _by_likelihood(rows, solved, log_sigma)
    solved = _least_squares(rows, x, y, z, *np.exp(log_sigma))
    if solved is None:
        return None
    return _with_dof(rows, solved, log_sigma)


def without_each(rows: Rows, fitted: Fitted) -> Unseen:
    """Return the error at every row, with X and Y fitted again to the others; the robot's σ is held."""
    told = []
    for k in range(len(rows)):
        others = np.arange(len(rows)) != k
        again = _least_squares(
            rows.only(others), fitted.x, fitted.y, fitted.shared, fitted.robot_mm, fitted.robot_rad, _REFITS
        )
        if again is None:
            told.append(Unseen(*np.full((3, 1), np.nan)))
            continue
        told.append(replace(again, dof=fitted.dof).unseen(rows.only(~others)))
    return Unseen(*(np.concatenate([getattr(t, name) for t in told]) for name in ("mm", "rad", "chance")))


def _in_y(turned: Array, of_b: Array) -> Array:
    """Return changes (n, 6, m) of B as changes of the residual: both parts are turned into Y's left frame."""
    return np.concatenate([turned @ of_b[:, :3], turned @ of_b[:, 3:]], axis=1)


def _left_over(rows: Rows, x: Array, y: Array, z: Array) -> _LeftOver:
    """Return what X, Y and the shared sources z (m,) leave over."""
    r_a, t_a = rows.a[:, :3, :3], rows.a[:, :3, 3]
    turned = r_a @ x[:3, :3]
    seen = rows.b[:, :3, :3] @ rows.middle_mm + rows.b[:, :3, 3]
    from_x = seen @ x[:3, :3].T
    place = np.einsum("nij,nj->ni", r_a, from_x + x[:3, 3]) + t_a
    goal = y[:3, :3] @ rows.middle_mm
    residual = np.hstack([
        rotation_vectors(turned @ rows.b[:, :3, :3] @ y[:3, :3].T),
        place - goal - y[:3, 3],
    ])  # fmt: skip
    by_z = _in_y(turned, rows.shared)
    residual += by_z @ z
    jacobian = np.zeros((len(rows), 6, SIZE + len(z)))
    jacobian[:, :, SIZE:] = by_z
    jacobian[:, :3, :3], jacobian[:, :3, 6:9] = r_a, -np.eye(3)
    jacobian[:, 3:, :3], jacobian[:, 3:, 3:6] = -r_a @ cross(from_x), r_a
    jacobian[:, 3:, 6:9], jacobian[:, 3:, 9:SIZE] = cross(goal), -np.eye(3)
    return _LeftOver(residual, jacobian, turned, place - t_a if rows.eye == "in-hand" else place)


def _variances(rows: Rows, left: _LeftOver, robot_mm: float, robot_rad: float) -> Array:
    """Return the covariance (n, 6, 6) of each row's residual."""
    n = len(rows)
    swing = np.concatenate([np.broadcast_to(np.eye(3), (n, 3, 3)), -cross(left.lever)], axis=1)
    half = _in_y(left.turned, rows.b_cov)
    own = np.swapaxes(_in_y(left.turned, np.swapaxes(half, 1, 2)), 1, 2)
    out = robot_rad**2 * swing @ np.swapaxes(swing, 1, 2) + own
    out[:, 3:, 3:] += robot_mm**2 * np.eye(3)
    return np.asarray(out)


def _least_squares(
    rows: Rows, x: Array, y: Array, z: Array, robot_mm: float, robot_rad: float, most_rounds: int = _ROUNDS
) -> Fitted | None:
    """Return the generalised least squares by Gauss-Newton with the variances held; None where it is singular."""
    for _ in range(most_rounds):
        left = _left_over(rows, x, y, z)
        normal = _Normal.of(left, _variances(rows, left, robot_mm, robot_rad), z)
        if normal.is_singular:
            return None
        step = normal.step
        x, y = moved(x, step[:6]), moved(y, step[6:SIZE])
        z = z + step[SIZE:]
        if float(step @ normal.matrix @ step) < _STOP**2:
            break
    left = _left_over(rows, x, y, z)
    normal = _Normal.of(left, _variances(rows, left, robot_mm, robot_rad), z)
    return Fitted(x, y, z, normal.covariance, robot_mm, robot_rad, math.inf, normal.chi2)


@dataclass(frozen=True)
class _Normal:
    """Normal equations of all rows, scaled to a unit diagonal by `scale` (12 + m,)."""

    matrix: Array
    right: Array
    chi2: float
    log_det: float

    @classmethod
    def of(cls, left: _LeftOver, variances: Array, z: Array) -> "_Normal":
        weighted = np.linalg.solve(variances, np.concatenate([left.jacobian, left.residual[..., None]], axis=2))
        both = np.einsum("nip,niq->pq", left.jacobian, weighted)
        prior = np.concatenate([np.zeros(SIZE), np.ones(len(z))])
        right = -both[:, -1] - prior * np.concatenate([np.zeros(SIZE), z])
        chi2 = float(np.einsum("ni,ni->", left.residual, weighted[..., -1])) + float(z @ z)
        return cls(both[:, :-1] + np.diag(prior), right, chi2, float(np.linalg.slogdet(variances)[1].sum()))

    @cached_property
    def scale(self) -> Array:
        return np.asarray(1 / np.sqrt(np.maximum(np.diag(self.matrix), 1e-300)))

    @cached_property
    def scaled(self) -> Array:
        return np.asarray(self.matrix * np.outer(self.scale, self.scale))

    @property
    def is_singular(self) -> bool:
        return not np.isfinite(self.scaled).all() or float(np.linalg.eigvalsh(self.scaled)[0]) < _SINGULAR

    @property
    def step(self) -> Array:
        return np.asarray(self.scale * np.linalg.solve(self.scaled, self.scale * self.right))

    @property
    def covariance(self) -> Array:
        return np.asarray(np.linalg.inv(self.scaled) * np.outer(self.scale, self.scale))

    @property
    def restricted(self) -> float:
        """−2·log of the restricted likelihood, at the least squares of these variances."""
        log_normal = float(np.linalg.slogdet(self.scaled)[1]) - 2 * float(np.log(self.scale).sum())
        return self.log_det + log_normal + self.chi2 - float(self.right @ self.step)


def _first_sigma(rows: Rows, x: Array, y: Array, z: Array) -> Array:
    """Return log σ_mm, log σ_rad by the residuals of a start: their medians, as if the robot did it all."""
    residual = _left_over(rows, x, y, z).residual
    turn, shift = (float(np.median(np.linalg.norm(v, axis=1))) for v in (residual[:, :3], residual[:, 3:]))
    # The median length of three unit normal numbers is 1.538.
    return np.asarray(np.clip(np.log(np.maximum([shift / 1.538, turn / 1.538], 1e-12)), _LEAST, _MOST))


def _criterion(rows: Rows, left: _LeftOver, z: Array, log_sigma: Array) -> float:
    sigma = np.exp(log_sigma)
    return _Normal.of(left, _variances(rows, left, float(sigma[0]), float(sigma[1])), z).restricted


def _by_likelihood(rows: Rows, at: Fitted, first: Array) -> Array:
    """Return log σ_mm, log σ_rad that maximise the restricted likelihood, linearised at a fit."""
    left = _left_over(rows, at.x, at.y, at.shared)
    # Where the camera scatters as much as the robot, a start that gives all to the robot lies far off.
    starts = [first, *np.clip(first - 3.0 * np.eye(2), _LEAST, _MOST)]
    begun = min(starts, key=lambda s: _criterion(rows, left, at.shared, s))
    found = scipy.optimize.minimize(
        lambda s: _criterion(rows, left, at.shared, s),
        begun,
        method="Nelder-Mead",
        bounds=list(zip(_LEAST, _MOST, strict=True)),
        options={"xatol": 1e-3, "fatol": 1e-4, "maxfev": 200},
    )
    return np.asarray(found.x)


def _with_dof(rows: Rows, solved: Fitted, log_sigma: Array) -> Fitted:
    """Return the fit with the degrees of freedom of the target's place: ν = 2·T²/var(T), T = trace of its variance."""
    left, z = _left_over(rows, solved.x, solved.y, solved.shared), solved.shared
    step = 0.05

    def place_variance(at: Array) -> float:
        sigma = np.exp(at)
        covariance = _Normal.of(left, _variances(rows, left, float(sigma[0]), float(sigma[1])), z).covariance
        by_z = covariance[3:6, SIZE:]
        return float(np.trace(covariance[3:6, 3:6] - by_z @ by_z.T))

    corners = step * np.eye(2)
    slope = np.array([
        (place_variance(log_sigma + d) - place_variance(log_sigma - d)) / (2 * step) for d in corners
    ])  # fmt: skip
    curvature = np.empty((2, 2))
    for i, p in enumerate(corners):
        for j, q in enumerate(corners):
            signs = ((1, 1), (1, -1), (-1, 1), (-1, -1))
            curvature[i, j] = sum(s * t * _criterion(rows, left, z, log_sigma + s * p + t * q) for s, t in signs)
    curvature /= 4 * step**2
    # A σ at its least is as good as known: it neither bends the likelihood nor moves the variance.
    inner = log_sigma > _LEAST + step
    values, vectors = np.linalg.eigh(curvature[np.ix_(inner, inner)])
    along = vectors.T @ slope[inner]
    told = values > 1e-3
    variance = float(np.sum(along[told] ** 2 * 2 / values[told]))
    most = 6.0 * len(rows) - SIZE
    total = place_variance(log_sigma)
    dof = min(max(2 * total**2 / variance if variance > 0 else most, 2.0), most)
    return replace(solved, dof=dof)


def moved(matrix: Array, step: Array) -> Array:
    """Return a pose (4, 4) changed from the left by (ω, τ)."""
    out = matrix.copy()
    out[:3, :3] = rotations(step[None, :3])[0] @ matrix[:3, :3]
    out[:3, 3] += step[3:]
    return out


def rotations(vectors: Array) -> Array:
    """Return the rotations (n, 3, 3) of rotation vectors (n, 3) in rad (Rodrigues)."""
    angle = np.linalg.norm(vectors, axis=1)[:, None, None]
    k = cross(vectors)
    half = np.sinc(angle / math.tau)
    return np.asarray(np.eye(3) + np.sinc(angle / math.pi) * k + 0.5 * half**2 * k @ k)


def rotation_vectors(matrices: Array) -> Array:
    """Return the rotation vectors (n, 3) of rotations (n, 3, 3), by their quaternions so that half a turn serves."""
    m = matrices
    w = np.array([1 + m[:, 0, 0] + m[:, 1, 1] + m[:, 2, 2], 1 + m[:, 0, 0] - m[:, 1, 1] - m[:, 2, 2],
                  1 - m[:, 0, 0] + m[:, 1, 1] - m[:, 2, 2], 1 - m[:, 0, 0] - m[:, 1, 1] + m[:, 2, 2]])  # fmt: skip
    d = np.stack([m[:, 2, 1] - m[:, 1, 2], m[:, 0, 2] - m[:, 2, 0], m[:, 1, 0] - m[:, 0, 1]])
    s = np.stack([m[:, 0, 1] + m[:, 1, 0], m[:, 0, 2] + m[:, 2, 0], m[:, 1, 2] + m[:, 2, 1]])
    rows = np.array([
        [w[0], d[0], d[1], d[2]],
        [d[0], w[1], s[0], s[1]],
        [d[1], s[0], w[2], s[2]],
        [d[2], s[1], s[2], w[3]],
    ])  # fmt: skip
    q = rows[np.argmax(w, axis=0), :, np.arange(len(m))]
    q = q / np.linalg.norm(q, axis=1, keepdims=True) * np.where(q[:, :1] < 0, -1.0, 1.0)
    sine = np.linalg.norm(q[:, 1:], axis=1)
    angle = 2 * np.arctan2(sine, q[:, 0])
    factor = np.where(sine < 1e-12, 2.0, angle / np.maximum(sine, 1e-300))
    return np.asarray(q[:, 1:] * factor[:, None])
