"""What is refused about a hand-eye, in which words; the robot that it makes; and its document."""

import json
import runpy
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tiepoint.foundation.errors import PoorGeometry, UnusableDocument, UnusableInput
from tiepoint.foundation.frames import Pose3
from tiepoint.ties.grip import SpaceRobot
from tiepoint.ties.hand_eye import hand_eye
from tiepoint.ties.hand_eye_document import hand_eye_from_document, hand_eye_to_document
from tiepoint.ties.hand_eye_slips import PoseTable
from tiepoint.ties.hand_eye_views import TargetPoses
from tiepoint.ties.uncertain_pose import exact

sets = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "hand_eye_sets.py")))
MIDDLE, ZYX, seen, table, taken = sets.MIDDLE, sets.ZYX, sets.seen, sets.table, sets.taken
SET = taken("in-hand", 2, repeatability_mm=0.03, repeatability_deg=0.01)
TYPED, SEEN = table(SET), seen(SET)


def inverse(of: PoseTable) -> PoseTable:
    poses = [Pose3.from_matrix(m).inverse() for m in of.matrices]
    angles = np.array([p.angles_deg(of.convention) for p in poses])
    return PoseTable(np.array([p.translation_mm for p in poses]), angles, of.convention)


def ordered(of: PoseTable, order: np.ndarray) -> PoseTable:
    return PoseTable(of.xyz_mm[order], of.angles_deg[order], of.convention)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (inverse(TYPED), "if each were inverted"),
        (replace(TYPED, convention="xyz-extrinsic-deg"), "the angles are zyx-intrinsic-deg"),
        (replace(TYPED, convention="zyz-intrinsic-deg"), "the angles are zyx-intrinsic-deg"),
        (replace(table(SET, "rotvec-deg"), convention=ZYX), "the angles are rotvec-deg"),
        (replace(TYPED, xyz_mm=TYPED.xyz_mm / 25.4), "x, y and z are in inches"),
        (replace(TYPED, xyz_mm=TYPED.xyz_mm / 1000), "x, y and z are in metres"),
        (replace(TYPED, xyz_mm=TYPED.xyz_mm[:, [1, 0, 2]]), "the columns x and y are exchanged"),
        (replace(TYPED, xyz_mm=TYPED.xyz_mm[:, [0, 2, 1]]), "the columns y and z are exchanged"),
        (replace(TYPED, xyz_mm=TYPED.xyz_mm[:, [2, 1, 0]]), "the columns x and z are exchanged"),
        (replace(TYPED, angles_deg=np.radians(TYPED.angles_deg)), "the angles are in radians"),
        (ordered(TYPED, np.arange(12)[::-1]), "the photos stand in the reverse order"),
        (ordered(TYPED, np.roll(np.arange(12), 1)), "one row below it"),
        (ordered(TYPED, np.random.default_rng(1).permutation(12)), "poses and photos do not belong together"),
    ],
)
def test_a_table_that_is_typed_otherwise_is_named(typed: PoseTable, said: str) -> None:
    with pytest.raises(UnusableInput, match=said):
        hand_eye(typed, SEEN, "in-hand")


def test_the_wrong_eye_is_named_with_the_inversion_that_looks_the_same() -> None:
    with pytest.raises(UnusableInput, match=r"flange_from_robot .* the eye is in-hand and not to-hand"):
        hand_eye(TYPED, SEEN, "to-hand")


def test_a_wrong_row_is_named_and_left_out() -> None:
    xyz = TYPED.xyz_mm.copy()
    xyz[3, 1] += 2.0
    found = hand_eye(replace(TYPED, xyz_mm=xyz), SEEN, "in-hand")
    assert [row.row for row in found.rows if not row.used] == [4]
    assert found.flags == ("poses_left_out",)
    assert found.notes[0].startswith("Row 4 does not fit the others")
    assert found.rows[3].unseen_mm == pytest.approx(2.0, abs=0.4)


@pytest.mark.parametrize(("eye", "count"), [("in-hand", 9), ("in-hand", 12), ("to-hand", 9), ("to-hand", 15)])
def test_a_column_that_was_left_out_is_named(eye: str, count: int) -> None:
    taken_ = taken(eye, 3, count)
    typed = table(taken_)
    without_z = replace(typed, xyz_mm=typed.xyz_mm * [1, 1, 0])
    with pytest.raises(UnusableInput, match=r"z is 0 mm in every row.*type what the robot's display shows"):
        hand_eye(without_z, seen(taken_, np.random.default_rng(3)), eye)


def test_more_wrong_rows_than_a_third_are_refused_and_a_third_is_left_out() -> None:
    taken_ = taken("in-hand", 3, 12)
    typed, photos = table(taken_), seen(taken_, np.random.default_rng(3))
    off = np.random.default_rng(5).normal(size=(12, 3)) * 60.0
    wrong = np.arange(12) % 3 == 0
    found = hand_eye(replace(typed, xyz_mm=typed.xyz_mm + off * wrong[:, None]), photos, "in-hand")
    assert [not row.used for row in found.rows] == wrong.tolist()
    wrong[1] = True
    with pytest.raises(UnusableInput, match=r"5 of 12 poses do not fit the others \(rows 1, 2, 4, 7, 10\)"):
        hand_eye(replace(typed, xyz_mm=typed.xyz_mm + off * wrong[:, None]), photos, "in-hand")


def test_two_exchanged_rows_are_named() -> None:
    order = np.arange(12)
    order[[2, 8]] = 8, 2
    found = hand_eye(ordered(TYPED, order), SEEN, "in-hand")
    assert [row.row for row in found.rows if not row.used] == [3, 9]
    assert found.notes[0].startswith("Rows 3 and 9 are exchanged")


def about(axis: int, degrees: list[float]) -> tuple[PoseTable, TargetPoses]:
    """Exact poses of a flange that turns about one of its own axes alone."""
    vectors = [np.eye(3)[axis] * d for d in degrees]
    flange = Pose3.from_angles((300.0, 100.0, 400.0), (20.0, 5.0, 170.0), ZYX)
    poses = [flange @ Pose3.from_angles((k, 2.0 * k, -k), v, "rotvec-deg") for k, v in enumerate(vectors)]
    eyes = tuple((p @ SET.mount).inverse() @ SET.base for p in poses)
    typed = PoseTable(
        np.array([p.translation_mm for p in poses]), np.array([p.angles_deg(ZYX) for p in poses]), ZYX
    )  # fmt: skip
    n = len(poses)
    names = tuple(map(str, range(n)))
    return typed, TargetPoses(names, eyes, np.zeros((n, 6, 6)), np.zeros((n, 6, 0)), (), MIDDLE)


@pytest.mark.parametrize(
    ("axis", "degrees", "said"),
    [
        (2, [-30.0, -10.0, 10.0, 30.0, 45.0], r"one axis, \(0.00, 0.00, -?1.00\).* leaned .* its own [xy] axis"),
        (0, [-30.0, -10.0, 10.0, 30.0, 45.0], r"one axis, \(-?1.00, 0.00, 0.00\).* leaned .* its own [yz] axis"),
        (2, [0.0, 0.1, -0.1, 0.2], "hardly turn .* about its y axis, and turned about its z axis"),
        (2, [0.0, 20.0, 40.0], "at least 4 poses, not 3"),
    ],
)
def test_poses_that_leave_it_open_are_refused_with_the_pose_to_add(axis: int, degrees: list[float], said: str) -> None:
    with pytest.raises(PoorGeometry, match=said):
        hand_eye(*about(axis, degrees), "in-hand")


def test_rows_and_photos_must_be_as_many() -> None:
    with pytest.raises(UnusableInput, match="12 poses stand beside 11 photos"):
        hand_eye(TYPED, SEEN.only(range(11)), "in-hand")


def test_the_robot_for_grips_and_the_plane_for_an_eye_to_hand() -> None:
    in_hand = hand_eye(TYPED, SEEN, "in-hand")
    assert isinstance(in_hand.robot, SpaceRobot)
    assert in_hand.robot.robot_from_plane.pose == in_hand.y.pose
    of = taken("to-hand", 4)
    to_hand = hand_eye(table(of), seen(of), "to-hand")
    with pytest.raises(UnusableInput, match="make it again with --plane"):
        _ = to_hand.robot
    plane = Pose3(1.0, 2.0, 300.0, (0.0, 1.0, 0.0, 0.0))
    told = to_hand.with_plane(exact(plane), None)
    assert np.abs(told.robot.robot_from_plane.pose.matrix - (of.base @ plane).matrix).max() < 1e-6
    with pytest.raises(UnusableInput, match="leave --plane out"):
        in_hand.with_plane(exact(plane), None)


def test_the_document_gives_back_what_it_was_given() -> None:
    found = hand_eye(TYPED, seen(SET, np.random.default_rng(1), 0.001), "in-hand")
    plain = json.loads(json.dumps(hand_eye_to_document(found), allow_nan=False))
    again = hand_eye_from_document(plain)
    assert hand_eye_to_document(again) == plain
    assert again.x.covariance == pytest.approx(found.x.covariance)
    plain["x"]["quaternion"] = [1.0, 1.0, 0.0, 0.0]
    with pytest.raises(UnusableDocument, match="quaternion is not of length 1"):
        hand_eye_from_document(plain)
