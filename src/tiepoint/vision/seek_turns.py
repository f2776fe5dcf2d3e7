"""At which turns a shape lies on itself: by its own outline, before any picture is searched."""

import math

import numpy as np
import scipy

from tiepoint.vision.seek_model import ROUND, Array, Bools

STEP_RAD = math.radians(3.0)
ALIKE = 0.5
SAME = 0.94
"""The share of its outline that must lie on itself; and no gap longer than `LONGEST_GAP` places in a row."""
LONGEST_GAP = 2


def self_likeness(points: Array, normals: Array, signed: bool, pixel: float) -> tuple[int, Array]:
    """Return the turns of `Taught.turns`, and the moves (m, 4) (ax, ay, turn, share) of `Taught.alike`.

    `points`, `normals` (n, 2) in order along the outline; `pixel` is a picture's pixel in their unit.
    """
    n = max(2, round(math.tau / STEP_RAD))
    tree, spacing = scipy.spatial.cKDTree(points), _spacing(points)
    moves = [_laid(points, normals, tree, math.tau * k / n, signed, spacing, pixel) for k in range(n)]
    shares = np.array([m[3] for m in moves])
    same = np.array([m[3] >= SAME and m[4] <= LONGEST_GAP for m in moves])
    if same[1:].mean() > 0.97:
        return ROUND, np.zeros((0, 4))
    peaks = [
        k for k in range(4, n - 3) if shares[k] >= ALIKE and shares[k] == shares[k - 3 : k + 4].max()
        and shares[k] > shares[k - 1]
    ]  # fmt: skip
    # Near the start the fit slides back to no turn at all, and two starts may end at one turn.
    peaks = [k for k in peaks if 0.15 < moves[k][2] % math.tau < math.tau - 0.15]
    peaks = [k for q, k in enumerate(peaks) if q == 0 or moves[k][2] - moves[peaks[q - 1]][2] > STEP_RAD]
    equal = [k for k in peaks if same[k]]
    turns = _fold([moves[k][2] for k in equal])
    other = [moves[k][:4] for k in peaks if not _is_multiple(moves[k][2], turns)]
    return turns, np.array(other).reshape(-1, 4)


def _spacing(points: Array) -> float:
    steps = np.hypot(*np.diff(points, axis=0).T)
    return float(np.median(steps)) if len(steps) else 1.0


def _fold(turns: list[float]) -> int:
    """Return the largest n whose every turn of 2π/n is among those at which the shape is the same."""
    best = 1
    for n in range(2, 61):
        wanted = [math.tau * k / n for k in range(1, n)]
        if all(any(abs(w - t) < 0.6 * STEP_RAD for t in turns) for w in wanted):
            best = n
    return best


def _is_multiple(turn: float, turns: int) -> bool:
    off = (turn * turns / math.tau) % 1.0
    return turns > 1 and min(off, 1 - off) * math.tau / turns < STEP_RAD


def _laid(
    points: Array, normals: Array, tree: scipy.spatial.cKDTree, turn: float, signed: bool, spacing: float, pixel: float
) -> tuple[float, float, float, float, int]:
    """Return the move near a turn that lays the outline on itself best, the share that lies so, the longest gap."""
    middle = points.mean(axis=0)
    size = float(np.hypot(*(points - middle).T).max())
    angle, shift = turn, np.zeros(2)
    # A turn of half a step moves the rim: so far are partners sought at first.
    reach = max(0.75 * STEP_RAD * size, 2 * spacing)
    near = np.zeros(len(points), bool)
    for tolerance in (reach, reach, 0.5 * reach, 2 * spacing, 2 * spacing):
        c, s = math.cos(angle), math.sin(angle)
        R = np.array([[c, -s], [s, c]])
        moved, turned = (points - middle) @ R.T + middle + shift, normals @ R.T
        _, partner = tree.query(moved)
        apart = moved - points[partner]
        across = np.sum(apart * normals[partner], axis=1)
        along = np.abs(apart @ np.array([1, 1j]) * np.conj(normals[partner] @ np.array([1, 1j]))).real
        cosine = np.sum(turned * normals[partner], axis=1)
        agrees = cosine > 0.9 if signed else np.abs(cosine) > 0.9
        fits = agrees & (along < max(tolerance, 1.5 * spacing))
        near = fits & (np.abs(across) < 1.5 * pixel)
        use = fits & (np.abs(across) < tolerance)
        if use.sum() < 6 or turn == 0.0:
            break
        lever = moved[use] - middle - shift
        n = normals[partner][use]
        rows = np.column_stack([n, n[:, 1] * lever[:, 0] - n[:, 0] * lever[:, 1]])
        # A touch of ridge holds what the outline leaves open.
        normal = rows.T @ rows + 1e-6 * len(rows) * np.diag([1, 1, size * size])
        step = np.linalg.solve(normal, -rows.T @ across[use])
        shift, angle = shift + step[:2], angle + float(np.clip(step[2], -STEP_RAD, STEP_RAD))
    c, s = math.cos(angle), math.sin(angle)
    ax, ay = middle + shift - np.array([[c, -s], [s, c]]) @ middle
    return float(ax), float(ay), angle, float(near.mean()), _longest_gap(near)


def _longest_gap(near: Bools) -> int:
    ends = np.flatnonzero(np.concatenate([[True], near, [True]]))
    return int(np.diff(ends).max()) - 1
