"""The hand-eye against exact sets, OpenCV's five methods, and its own stated covariance over simulated sets."""

import math
import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tiepoint.bench.eye import EyeSet
from tiepoint.foundation.frames import Pose3
from tiepoint.ties.hand_eye import HandEye, hand_eye
from tiepoint.ties.hand_eye_fit import Rows, fit, rotation_vectors
from tiepoint.ties.hand_eye_slips import PoseTable
from tiepoint.ties.hand_eye_views import TargetPoses
from tiepoint.ties.hand_eye_witness import WAYS, solved_by

sets = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "hand_eye_sets.py")))
MIDDLE, ZYX, seen, table, taken = sets.MIDDLE, sets.ZYX, sets.seen, sets.table, sets.taken
EYES = ("in-hand", "to-hand")


def truth(of: EyeSet) -> tuple[Pose3, Pose3]:
    return (of.mount, of.base) if of.eye == "in-hand" else (of.base, of.mount)


def off(found: Pose3, true: Pose3) -> np.ndarray:
    turn = rotation_vectors((found.rotation @ true.rotation.T)[None])[0]
    return np.concatenate([turn, found.translation_mm - true.translation_mm])


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("count", [4, 12])
def test_exact_poses_are_solved_to_a_millionth(eye: str, count: int) -> None:
    of = taken(eye, 1, count)
    found = hand_eye(table(of), seen(of), eye)
    for pose, true in zip((found.x.pose, found.y.pose), truth(of), strict=True):
        assert np.abs(pose.matrix - true.matrix).max() < 1e-6
    assert [row.used for row in found.rows] == [True] * count
    # OpenCV reaches the same transform by five other ways.
    assert len(found.solutions) == 6
    if count > 4:
        for solution in found.solutions:
            assert solution.x is not None
            assert np.abs(solution.x.matrix - found.x.pose.matrix).max() < 1e-6


def as_rows(of: EyeSet, photos: TargetPoses) -> Rows:
    a = np.array([shot.robot_from_flange.matrix for shot in of.shots])
    a = a if of.eye == "in-hand" else np.linalg.inv(a)
    u = np.array([s.u for s in photos.sources])
    return Rows(a, photos.matrices, photos.covariance, photos.shared * u, MIDDLE, of.eye)


@pytest.mark.parametrize("eye", EYES)
def test_the_stated_covariance_holds_and_no_method_of_opencv_is_nearer(eye: str) -> None:
    # 100 sets an eye. Error over u: its square, 12 numbers a set, correlated; over 100 sets the mean of χ²₁₂/12 has
    # an sd of √(2/1200) = 0.041, and Student's t with some 40 degrees of freedom adds 5 %.
    squares, ours, theirs = [], [], []
    for seed in range(100):
        of = taken(eye, seed, 10, repeatability_mm=0.03, repeatability_deg=0.01)
        rows = as_rows(of, seen(of, np.random.default_rng([seed, 9]), 0.001))
        x_true, y_true = truth(of)
        found = fit(rows, x_true.matrix, y_true.matrix)
        assert found is not None
        x = Pose3.from_matrix(found.x)
        error = np.concatenate([off(x, x_true), off(Pose3.from_matrix(found.y), y_true)])
        covariance = found.own_covariance + found.by_shared @ found.by_shared.T
        squares.append(error @ np.linalg.solve(covariance, error) / 12)
        ours.append(off(x, x_true))
        theirs.append([off(Pose3.from_matrix(solved_by(rows, name)), x_true) for name in WAYS])
    assert 0.88 < np.mean(squares) < 1.2
    for part in (slice(0, 3), slice(3, 6)):
        rms = math.sqrt(np.mean(np.sum(np.array(ours)[:, part] ** 2, axis=1)))
        others = np.sqrt(np.mean(np.sum(np.array(theirs)[:, :, part] ** 2, axis=2), axis=0))
        # On the same sets; the differences between good ways are a few per cent.
        assert rms <= 1.02 * others.min()


@pytest.mark.parametrize("eye", EYES)
def test_the_robots_own_scatter_is_found(eye: str) -> None:
    found = []
    for seed in range(12):
        of = taken(eye, seed, 20, repeatability_mm=0.05, repeatability_deg=0.02)
        rows = as_rows(of, seen(of, np.random.default_rng(seed)))
        x, y = truth(of)
        done = fit(rows, x.matrix, y.matrix)
        assert done is not None
        found.append((done.robot_mm, math.degrees(done.robot_rad)))
    # 12 sets of 20 poses: the rms of σ̂ is known to some 5 %.
    assert np.sqrt(np.mean(np.square(found), axis=0)) == pytest.approx((0.05, 0.02), rel=0.15)


def test_errors_at_left_out_poses_are_those_of_poses_not_used() -> None:
    of = taken("in-hand", 3, repeatability_mm=0.03, repeatability_deg=0.01)
    photos = seen(of, np.random.default_rng(3))
    whole = hand_eye(table(of), photos, "in-hand")
    others = [k for k in range(12) if k != 5]
    typed_ones = table(of)
    without = PoseTable(typed_ones.xyz_mm[others], typed_ones.angles_deg[others], ZYX)
    again: HandEye = hand_eye(without, photos.only(others), "in-hand")
    predicted = of.shots[5].robot_from_flange @ again.x.pose @ photos.poses[5]
    missed = np.linalg.norm(predicted.apply([MIDDLE]) - again.y.pose.apply([MIDDLE]))
    # The robot's σ is held for the left-out refits and fitted anew here: a difference of weights alone.
    assert whole.rows[5].unseen_mm == pytest.approx(missed, rel=0.1)


@pytest.mark.parametrize("eye", EYES)
def test_what_all_photos_share_moves_the_hand_eye_the_way_that_it_truly_does(eye: str) -> None:
    """All targets are seen too far by one share of their distance, and nothing else is wrong: the camera then seems to
    sit that much too far back, and a photo through the found X puts its target where it is, to the difference of the
    distances.
    """
    u = 3e-4
    still = SimpleNamespace(normal=lambda size=None: 1.0 if size is None else np.zeros(size))
    taken = sets.taken(eye, 3, repeatability_mm=0.002, repeatability_deg=0.0005)
    photos = sets.seen(taken, still, u)
    found = hand_eye(sets.table(taken), photos, eye)
    x_true = taken.mount if eye == "in-hand" else taken.base
    # Seen is the truth and u of the source more, so that the truth is the seen and −u of it more.
    column = found.x.sources.index(photos.sources[0])
    off = x_true.translation_mm - found.x.pose.translation_mm
    assert off == pytest.approx(-u * found.x.c[3:, column], abs=0.03)
    assert np.linalg.norm(off) > 0.08
    through = found.x @ photos.uncertain(0)
    in_it = through.c[3:, through.sources.index(photos.sources[0])] * u
    assert np.linalg.norm(in_it) < 0.05
