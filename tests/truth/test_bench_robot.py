"""The simulated robot against ISO 9283's figures, the algebra of hand-eye, and OpenCV."""

import math
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
import pytest

from tiepoint.bench.eye import eye_set, spread_views
from tiepoint.bench.place import Place
from tiepoint.bench.robot import Robot, smooth_map, typed
from tiepoint.bench.station import BenchStation
from tiepoint.foundation.frames import Pose3
from tiepoint.targets.draw import new_target

BASE = Pose3.from_angles((412.0, -186.0, 37.0), (137.0, 0.4, -0.3), "zyx-intrinsic-deg")
MOUNT = Pose3.from_angles((42.0, -18.0, 65.0), (88.0, 2.0, -3.0), "zyx-intrinsic-deg")
TARGET = new_target("checker", 6.0, 9, 7)


def away(a, b):
    return float(np.abs(a.matrix - b.matrix).max())


def test_repeatability_is_the_figure_of_iso_9283():
    # ISO 9283: RP = l̄ + 3·S_l of the distances from the barycentre; isotropic Gaussian σ gives 3.616 σ (Maxwell:
    # mean √(8/π) σ, sd √(3 − 8/π) σ).
    robot = Robot(BASE, repeatability_mm=0.02)
    rng = np.random.default_rng(1)
    pose = robot.tool_over(60.0, 45.0, 3.0, 20.0)
    arrived = np.array([robot.go(pose, rng).tool.translation_mm for _ in range(4000)])
    distance = np.linalg.norm(arrived - arrived.mean(axis=0), axis=1)
    figure = distance.mean() + 3 * distance.std(ddof=1)
    assert math.sqrt(8 / math.pi) + 3 * math.sqrt(3 - 8 / math.pi) == pytest.approx(3.616, abs=5e-4)
    # The sd of RP over 4000 draws is about 0.9 %.
    assert figure == pytest.approx(3.616 * 0.02, rel=0.035)
    assert np.linalg.norm(arrived.mean(axis=0) - pose.translation_mm) < 4 * 0.02 * math.sqrt(3 / 4000)


def test_turns_scatter_about_each_axis():
    robot = Robot(BASE, repeatability_deg=0.01)
    rng = np.random.default_rng(2)
    pose = Pose3(300.0, 200.0, 100.0)
    turns = np.array([
        (robot.reached(pose, rng) @ pose.inverse()).angles_deg("rotvec-deg") for _ in range(3000)
    ])  # fmt: skip
    assert turns.std(axis=0) == pytest.approx([0.01] * 3, rel=0.06)


def test_the_accuracy_map_has_its_length_and_is_smooth():
    field = smooth_map(0.3, 5, wavelength=700.0)
    rng = np.random.default_rng(3)
    places = rng.uniform(-1e5, 1e5, (200000, 3))
    assert np.sqrt((field.at(places) ** 2).sum(axis=1).mean()) == pytest.approx(0.3, rel=0.02)
    near = field.at(places[:1000] + np.array([1.0, 0.0, 0.0])) - field.at(places[:1000])
    # No wave is shorter than 490 mm: its slope is at most 2π/490 of the sum of amplitudes.
    slope = 2 * math.pi / 490 * np.linalg.norm(field.amplitudes, axis=1).sum()
    assert np.linalg.norm(near, axis=1).max() < slope


def test_accuracy_is_the_same_each_time():
    robot = Robot(BASE, accuracy=smooth_map(0.3, 5))
    pose = robot.tool_over(60.0, 45.0, 3.0)
    a, b = (robot.go(pose, np.random.default_rng(k)).tool for k in (1, 2))
    assert a == b
    flange = robot.flange_for(pose)
    expected = robot.accuracy.at([flange.translation_mm])[0]
    assert a.translation_mm - pose.translation_mm == pytest.approx(expected)


def test_what_is_shown_leads_back():
    robot = Robot(
        BASE, repeatability_mm=0.05, repeatability_deg=0.02, accuracy=smooth_map(0.5, 1), turning=smooth_map(0.1, 2)
    )
    true = Pose3.from_angles((400.0, -100.0, 250.0), (30.0, 170.0, 5.0), "zyx-intrinsic-deg")
    shown = robot.shown(true, np.random.default_rng(9))
    assert away(shown, true) > 1e-3
    assert away(robot.reached(shown, np.random.default_rng(9)), true) < 1e-10


def test_touches_of_an_exact_robot_are_the_plane_in_its_frame():
    points = np.array([[0.0, 0.0, 0.0], [120.0, 0.0, 0.0], [0.0, 90.0, 3.0]])
    touches = Robot(BASE).touch(points, np.random.default_rng(1), angles_deg=[0, 40, 80], tilts_deg=[0, 10, -10])
    assert touches.true_mm == pytest.approx(BASE.apply(points))
    assert touches.shown_mm == pytest.approx(touches.true_mm, abs=1e-9)


def test_touches_scatter_as_a_hand_does():
    robot = Robot(BASE, touch_mm=0.05)
    touches = robot.touch(np.tile([30.0, 20.0, 0.0], (3000, 1)), np.random.default_rng(4))
    assert (touches.shown_mm - touches.true_mm).std(axis=0) == pytest.approx([0.05] * 3, rel=0.06)


def test_a_wrong_tool_point_follows_from_four_touches_of_one_place():
    # The usual pivot: R_i·t + p_i is the same place for every i, so (R_i − R_j)·t = p_j − p_i, linear in t.
    wrong = (0.7, -0.4, 0.9)
    robot = Robot(BASE, tool_error_mm=wrong)
    flanges = robot.touch(
        np.tile([30.0, 20.0, 0.0], (4, 1)), np.random.default_rng(1), [0, 90, 180, 45], [0, 15, -10, 20]
    ).shown_flanges
    A = np.vstack([f.rotation - flanges[0].rotation for f in flanges[1:]])
    b = np.concatenate([flanges[0].translation_mm - f.translation_mm for f in flanges[1:]])
    tool = np.linalg.lstsq(A, b, rcond=None)[0]
    assert tool - robot.flange_from_tool.translation_mm == pytest.approx(wrong, abs=1e-9)


@pytest.mark.parametrize("eye", ["in-hand", "to-hand"])
def test_an_exact_set_obeys_ax_xb(eye):
    taken = eye_set(
        eye, BenchStation(), Robot(BASE), TARGET, spread_views((27.0, 21.0), 8), 1,
        mount=MOUNT, place=Place(30.0, 20.0, 15.0, 2.0), pictures=False,
    )  # fmt: skip
    for shot in taken.shots:
        assert away(shot.robot_from_flange, shot.true_robot_from_flange) < 1e-9
        # In hand: base_from_target by way of hand and eye; to hand: flange_from_target by way of camera and base.
        if eye == "in-hand":
            closed = shot.robot_from_flange @ taken.mount @ shot.camera_from_target
            assert away(closed, taken.base) < 1e-9
        else:
            closed = taken.base @ shot.camera_from_target
            assert away(closed, shot.robot_from_flange @ taken.mount) < 1e-9


@pytest.mark.parametrize("method", [cv2.CALIB_HAND_EYE_PARK, cv2.CALIB_HAND_EYE_TSAI])
def test_opencv_finds_the_mount_of_an_exact_set(method):
    taken = eye_set(
        "in-hand", BenchStation(), Robot(BASE), TARGET, spread_views((27.0, 21.0), 12), 1, mount=MOUNT, pictures=False
    )
    hands = [shot.robot_from_flange for shot in taken.shots]
    eyes = [shot.camera_from_target for shot in taken.shots]
    rotation, shift = cv2.calibrateHandEye(
        [h.rotation for h in hands], [h.translation_mm for h in hands],
        [e.rotation for e in eyes], [e.translation_mm for e in eyes], method=method,
    )  # fmt: skip
    assert np.abs(rotation - MOUNT.rotation).max() < 1e-6
    assert shift.ravel() == pytest.approx(MOUNT.translation_mm, abs=1e-5)


def test_views_turn_about_more_than_one_axis():
    # Tsai and Lenz 1989: rotations between poses about at least two axes that are not parallel.
    views = spread_views((27.0, 21.0), 10)
    rotations = [BenchStation().seen_from(v).camera.rotation for v in views]
    axes = []
    for a, b in pairwise(rotations):
        vector, _ = cv2.Rodrigues(a @ b.T)
        axes.append(vector.ravel() / np.linalg.norm(vector))
    assert np.linalg.svd(np.array(axes))[1][1] > 0.3


def test_a_shown_pose_is_typed_under_its_convention():
    pose = Pose3.from_angles((1.0, 2.0, 3.0), (10.0, 20.0, 30.0), "zyx-intrinsic-deg")
    assert typed(pose, "zyx-intrinsic-deg") == pytest.approx((1, 2, 3, 10, 20, 30))
    assert (
        away(Pose3.from_angles(typed(pose, "rotvec-deg")[:3], typed(pose, "rotvec-deg")[3:], "rotvec-deg"), pose)
        < 1e-12
    )


def test_a_robot_with_errors_shows_poses_that_do_not_close():
    exact = Robot(BASE)
    shaky = replace(exact, repeatability_mm=0.05, accuracy=smooth_map(0.3, 1))
    views = spread_views((27.0, 21.0), 6)
    taken = eye_set("in-hand", BenchStation(), shaky, TARGET, views, 1, mount=MOUNT, pictures=False)
    gaps = [away(s.robot_from_flange, s.true_robot_from_flange) for s in taken.shots]
    assert 0.05 < np.median(gaps) < 1.0
