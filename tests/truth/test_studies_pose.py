"""Pose accuracy and repeatability against closed forms, a case by hand, and simulated robots."""

import math

import numpy as np
import pytest

from tiepoint.bench.robot import Robot, smooth_map
from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.frames import Pose3
from tiepoint.studies.pose import (
    GAUSSIAN,
    Cycles,
    accuracy,
    cycles_of,
    repeatability,
    repeatability_interval,
    study_pose,
)


def test_gaussian_scatter_has_the_known_repeatability():
    # Moments of the Maxwell and Rayleigh distributions: 3.616 σ in space, 3.219 σ in the plane.
    assert [GAUSSIAN[3], GAUSSIAN[2]] == pytest.approx([3.616, 3.219], abs=5e-4)
    rng = np.random.default_rng(4)
    for d in (2, 3):
        assert repeatability(rng.normal(0, 0.02, (200_000, d))) == pytest.approx(GAUSSIAN[d] * 0.02, rel=0.01)


def test_a_case_by_hand():
    # Five places in the plane: the corners of a square of half-side 0.3·√½ … distances 0.3 four times and 0 once.
    # l̄ = 0.24, S_l² = (4·0.06² + 0.24²)/4 = 0.018, RP = 0.24 + 3·√0.018 = 0.64249; the mean is 0.5 from (3, 4) off.
    places = [[3.3, 4.4], [3.9, 4.4], [3.6, 4.7], [3.6, 4.1], [3.6, 4.4]]
    study = study_pose([cycles_of("1", places, [3.3, 4.0])])
    (pose,) = study.poses
    assert pose.rp.value == pytest.approx(0.24 + 3 * math.sqrt(0.018))
    assert pose.ap.value == pytest.approx(0.5)
    assert pose.offset_mm == pytest.approx([0.3, 0.4])
    assert pose.rp.low < pose.rp.value < pose.rp.high
    assert study.good is None


def test_turns_have_their_own_figures():
    # S of (−0.1, −0.1, 0, 0.1, 0.1)·c is 0.1·c; the mean is off by what was added.
    wobble = np.array([-0.1, -0.1, 0.0, 0.1, 0.1])
    base = Pose3.from_angles((0, 0, 0), (30.0, 180.0, 0.0), "zyx-intrinsic-deg")
    attained = [Pose3.from_angles((0, 0, 0), (0.02, 0.0, w), "rotvec-deg") @ base for w in wobble]
    places = np.random.default_rng(1).normal(0, 0.01, (5, 3))
    (pose,) = study_pose([cycles_of("1", places, [0, 0, 0], attained, base)]).poses
    assert pose.turn_ap_deg == pytest.approx([0.02, 0.0, 0.0], abs=1e-9)
    assert [f.value for f in pose.turn_rp_deg] == pytest.approx([0.0, 0.0, 0.3], abs=1e-9)


@pytest.mark.parametrize("sd", [(1.0, 1.0, 1.0), (1.0, 0.3, 0.1), (1.0, 0.5)])
def test_the_interval_of_repeatability_holds(sd, monkeypatch):
    monkeypatch.setattr("tiepoint.studies.pose._DRAWS", 600)
    monkeypatch.setattr("tiepoint.studies.pose._TRUE", 5000)
    rng = np.random.default_rng(8)
    true = repeatability(rng.normal(0, 1, (400_000, len(sd))) * sd)
    hits = 0
    for _ in range(600):
        low, high = repeatability_interval(rng.normal(0, 1, (30, len(sd))) * sd, rng)
        hits += low <= true <= high
    # 95 % of 600: 3.1 sd are 2.8 %; a bootstrap of 30 may be a little narrow (Efron & Tibshirani 1993, 14.3).
    assert 0.91 <= hits / 600 <= 0.98


def test_accuracy_is_found_and_its_interval_holds():
    rng = np.random.default_rng(5)
    held = told = 0
    for _ in range(400):
        places = rng.normal([0.06, -0.02, 0.03], 0.05, (30, 3))
        ap, seen = accuracy(places.mean(axis=0), np.cov(places.T), len(places))
        held += ap.low <= 0.07 <= ap.high
        told += seen
    assert 0.92 <= held / 400 <= 0.98
    assert told == 400


def test_the_bench_robot_has_the_figures_it_was_built_with():
    robot = Robot(Pose3(400.0, 100.0, 0.0), repeatability_mm=0.02, accuracy=smooth_map(0.3, 7))
    rng = np.random.default_rng(2)
    pose = robot.tool_over(60.0, 45.0, 3.0, 20.0)
    places = np.array([robot.go(pose, rng).tool.translation_mm for _ in range(30)])
    study = study_pose([cycles_of("1", places, pose.translation_mm)], most_rp_mm=0.2, most_ap_mm=0.001)
    (found,) = study.poses
    assert found.rp.low <= GAUSSIAN[3] * 0.02 <= found.rp.high
    exact = robot.accuracy.at(robot.flange_for(pose).translation_mm[None])[0]
    assert found.ap.low <= np.linalg.norm(exact) <= found.ap.high
    assert study.good is False
    assert "AP is above 0.001 mm at one pose at least." in study.sentences


def test_a_drift_is_named_and_noise_is_not():
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 0.01, (30, 3))
    still = study_pose([cycles_of("1", noise)])
    creeping = study_pose([cycles_of("1", noise + np.linspace(0, 0.05, 30)[:, None] * [1, 0, 0])])
    assert still.poses[0].drift_mm is None
    assert creeping.poses[0].drift_mm == pytest.approx(0.05, abs=0.012)
    assert any("warm the robot up" in s for s in creeping.sentences)
    assert still.sentences[-1].startswith("Next: give what was commanded")


def test_what_cannot_be_studied_is_refused():
    with pytest.raises(PoorGeometry, match="pose 1 has 3 cycles; give at least 5, ISO 9283 asks for 30"):
        study_pose([cycles_of("1", np.eye(3))])
    with pytest.raises(PoorGeometry, match="the same to the last digit"):
        study_pose([Cycles("1", np.ones((30, 3)))])
    with pytest.raises(UnusableInput, match="finite"):
        study_pose([Cycles("1", np.full((6, 2), math.nan))])
    with pytest.raises(UnusableInput, match="no attained pose"):
        study_pose([])
    with pytest.raises(UnusableInput, match="no commanded place"):
        study_pose([cycles_of("7", np.random.default_rng(1).normal(size=(6, 2)))], most_ap_mm=1.0)
    over = Pose3.from_angles((0, 0, 0), (90.0, 0.0, 0.0), "zyx-intrinsic-deg")
    with pytest.raises(UnusableInput, match="turned by 90°"):
        cycles_of("1", np.eye(3), None, [Pose3(0, 0, 0), over], None)
