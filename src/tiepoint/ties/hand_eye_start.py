"""Where a hand-eye begins: the closed form of A·X·B = Y over all pairs of poses, and the best of random triples.

Two poses give A_j⁻¹·A_i·X = X·B_j·B_i⁻¹. Its rotations are linear in the nine numbers of R_X, R_A·R − R·R_B = 0, so
R_X is the null vector over all pairs, taken to the nearest rotation; the translations of X and Y then follow linearly
from all poses at once (Andreff, Horaud & Espiau, IJRR 20, 2001, from memory; there one system holds both, which lets a
poor translation bend the rotation). A wrong row spoils every pair that it stands in: of random triples, the one
with the least median error over all rows is taken first (Rousseeuw, JASA 79, 1984), then the better half of the rows.
"""

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TRIPLES = 400
_POLISH_ROUNDS = 4
_BELONGS = 3.0
"""Rows are used at first where they miss by at most this many times the median: six normal errors together exceed it in
less than one case of ten thousand."""


@dataclass(frozen=True)
class Start:
    """X and Y (4, 4), each row's error in mm (n,) as `errors` counts it, and which rows belong at first sight."""

    x: Array
    y: Array
    errors: Array
    belongs: NDArray[np.bool_]

    @property
    def score(self) -> float:
        """The median error in mm: small as long as most rows are right."""
        return float(np.median(self.errors))


def start(a: Array, b: Array, middle_mm: Array, lever_mm: float, seed: int = 0) -> Start:
    """Return X and Y of A·X·B = Y for A, B (n, 4, 4), n ≥ 3, by the best triple and the rows that agree with it.

    `middle_mm` (3,): a point of B's right frame at which errors are counted, `lever_mm`: the length over which a turn
    counts. X is what cannot be told where the turns share an axis: the result is then one of many.
    """
    triples = _triples(len(a), seed)
    x, y = closed_form(a[triples], b[triples], middle_mm)
    misses = errors(a[None], b[None], x[:, None], y[:, None], middle_mm, lever_mm)
    best = int(np.argmin(np.median(misses, axis=1)))
    now = _told(x[best], y[best], misses[best])
    half = max(len(a) // 2 + 1, 3)
    for k in range(_POLISH_ROUNDS):
        rows = np.argsort(now.errors)[:half] if k == 0 else np.flatnonzero(now.belongs)
        (x_new,), (y_new,) = closed_form(a[None, rows], b[None, rows], middle_mm)
        after = _told(x_new, y_new, errors(a, b, x_new, y_new, middle_mm, lever_mm))
        if after.score > now.score:
            break
        now = after
    return now


def closed_form(a: Array, b: Array, middle_mm: Array) -> tuple[Array, Array]:
    """Return X and Y (s, 4, 4) of sets A, B (s, k, 4, 4), k ≥ 3, by the null vector and linear translations."""
    i, j = (np.array(v) for v in zip(*combinations(range(a.shape[1]), 2), strict=True))
    turn_a = np.swapaxes(a[:, j, :3, :3], -1, -2) @ a[:, i, :3, :3]
    turn_b = b[:, j, :3, :3] @ np.swapaxes(b[:, i, :3, :3], -1, -2)
    # Rows first: vec(R_A·R) = (R_A ⊗ I)·vec R and vec(R·R_B) = (I ⊗ R_Bᵀ)·vec R. Both are orthogonal, so that
    # KᵀK = 2·I − M − Mᵀ with M = R_A ⊗ R_B.
    m = np.einsum("spij,spkl->sikjl", turn_a, turn_b).reshape(len(a), 9, 9)
    normal = 2 * len(i) * np.eye(9) - m - np.swapaxes(m, -1, -2)
    r_x = nearest_rotation(np.linalg.eigh(normal)[1][:, :, 0].reshape(-1, 3, 3))
    return _with_translations(a, b, r_x, middle_mm)


def nearest_rotation(matrices: Array) -> Array:
    """Return the proper rotations nearest to matrices (…, 3, 3) of either sign."""
    signed = matrices * np.where(np.linalg.det(matrices) < 0, -1.0, 1.0)[..., None, None]
    u, _, v = np.linalg.svd(signed)
    flip = np.ones((*matrices.shape[:-2], 3))
    flip[..., 2] = np.sign(np.linalg.det(u @ v))
    return np.asarray((u * flip[..., None, :]) @ v)


def best_target(a: Array, b: Array, x: Array, middle_mm: Array) -> Array:
    """Return the Y (4, 4) that rows agree on for one X: the mean of A·X·B at the middle."""
    mean = (a @ x @ b).mean(axis=0)
    y = np.eye(4)
    y[:3, :3] = nearest_rotation(mean[:3, :3])
    y[:3, 3] = mean[:3, :3] @ middle_mm + mean[:3, 3] - y[:3, :3] @ middle_mm
    return y


def _with_translations(a: Array, b: Array, r_x: Array, middle_mm: Array) -> tuple[Array, Array]:
    """Return X and Y for rotations R_X (s, 3, 3): R_A·t_X − Y(m) = −t_A − R_A·R_X·B(m), for all poses at once."""
    sets, k = a.shape[:2]
    r_a, t_a = a[..., :3, :3], a[..., :3, 3]
    seen = np.einsum("skij,j->ski", b[..., :3, :3], middle_mm) + b[..., :3, 3]
    left = np.concatenate([r_a, np.broadcast_to(-np.eye(3), r_a.shape)], axis=-1).reshape(sets, 3 * k, 6)
    right = (-t_a - np.einsum("skij,sjl,skl->ski", r_a, r_x, seen)).reshape(sets, 3 * k, 1)
    # Poses without a turn leave this singular: the shortest solution then serves as well as any.
    solved = (np.linalg.pinv(left) @ right)[..., 0]
    x, y = np.tile(np.eye(4), (sets, 1, 1)), np.tile(np.eye(4), (sets, 1, 1))
    x[:, :3, :3], x[:, :3, 3] = r_x, solved[:, :3]
    y[:, :3, :3] = nearest_rotation((r_a @ r_x[:, None] @ b[..., :3, :3]).mean(axis=1))
    y[:, :3, 3] = solved[:, 3:] - y[:, :3, :3] @ middle_mm
    return x, y


def errors(a: Array, b: Array, x: Array, y: Array, middle_mm: Array, lever_mm: float) -> Array:
    """Return by how many mm A·X·B misses Y: at the middle, and its turn over the lever. Leading axes broadcast."""
    difference = a @ x @ b - y
    shift = difference[..., :3, :3] @ middle_mm + difference[..., :3, 3]
    # ‖R₁ − R₂‖ = 2√2·sin(angle/2), nearly √2·angle.
    turn = np.linalg.norm(difference[..., :3, :3], axis=(-2, -1)) / math.sqrt(2)
    return np.asarray(np.hypot(np.linalg.norm(shift, axis=-1), lever_mm * turn))


def _told(x: Array, y: Array, misses: Array) -> Start:
    most = max(_BELONGS * float(np.median(misses)), float(np.sort(misses)[min(3, len(misses) - 1)]))
    return Start(x, y, misses, misses <= most)


def _triples(n: int, seed: int) -> NDArray[np.int64]:
    """Return all triples of n rows, or as many random ones as are tried."""
    if math.comb(n, 3) <= TRIPLES:
        return np.array(list(combinations(range(n), 3)))
    rng = np.random.default_rng(seed)
    return np.argsort(rng.random((TRIPLES, n)), axis=1)[:, :3]
