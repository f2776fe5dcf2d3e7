"""Poses: worked examples are closed forms; SciPy's Rotation is the witness for conventions."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.frames import CONVENTIONS, AngleConvention, Pose2, Pose3, worked_pose, wrap

WITNESS: dict[AngleConvention, str] = {
    "zyx-intrinsic-deg": "ZYX",
    "xyz-extrinsic-deg": "xyz",
    "zyz-intrinsic-deg": "ZYZ",
}
angle = st.floats(-360, 360)
length = st.floats(-2000, 2000)


def planar(x: float, y: float, degrees: float) -> Pose2:
    return Pose2(x, y, math.radians(degrees))


def close(pose: Pose2, x: float, y: float, degrees: float) -> None:
    assert (pose.x_mm, pose.y_mm) == pytest.approx((x, y), abs=5e-4)
    assert math.degrees(pose.angle_rad) == pytest.approx(degrees, abs=1e-9)


def test_pick_from_a_taught_grip() -> None:
    # T = P·P0⁻¹·T0, worked by hand: the grip keeps its place on the part.
    p0, t0, p = planar(400, 100, 0), planar(412, 95, 30), planar(430, 120, 25)
    close(p @ p0.inverse() @ t0, 442.989, 120.540, 55)


def test_place_with_a_measured_offset() -> None:
    tool, part, goal = planar(500, 200, 90), planar(501.2, 199.5, 91.5), planar(650, -80, 0)
    offset = tool.inverse() @ part
    close(offset, -0.5, -1.2, 1.5)
    close(goal @ offset.inverse(), 650.531, -78.813, -1.5)


@given(length, length, angle, length, length)
def test_planar_inverse_undoes(x: float, y: float, degrees: float, u: float, v: float) -> None:
    pose = planar(x, y, degrees)
    back = pose.inverse().apply(pose.apply([[u, v]]))
    assert back[0] == pytest.approx((u, v), abs=1e-8)
    # The homogeneous matrix is an independent path to the same point.
    assert (pose.matrix @ [u, v, 1.0])[:2] == pytest.approx(pose.apply([[u, v]])[0], abs=1e-9)


@given(st.floats(-1e4, 1e4))
def test_wrap_keeps_the_direction(a: float) -> None:
    w = wrap(a)
    assert -math.pi < w <= math.pi
    assert math.cos(w) == pytest.approx(math.cos(a), abs=1e-9)
    assert math.sin(w) == pytest.approx(math.sin(a), abs=1e-9)


@pytest.mark.parametrize("convention", WITNESS)
@given(a=angle, b=angle, c=angle)
def test_angles_agree_with_scipy(convention: AngleConvention, a: float, b: float, c: float) -> None:
    pose = Pose3.from_angles((1, 2, 3), (a, b, c), convention)
    expected = Rotation.from_euler(WITNESS[convention], [a, b, c], degrees=True).as_matrix()
    assert pose.rotation == pytest.approx(expected, abs=1e-12)
    again = Pose3.from_angles((1, 2, 3), pose.angles_deg(convention), convention)
    assert again.rotation == pytest.approx(expected, abs=3e-9)


@given(st.floats(-180, 180), st.floats(-180, 180), st.floats(-180, 180))
def test_rotation_vector_agrees_with_scipy(a: float, b: float, c: float) -> None:
    pose = Pose3.from_angles((0, 0, 0), (a, b, c), "rotvec-deg")
    expected = Rotation.from_rotvec([a, b, c], degrees=True)
    assert pose.rotation == pytest.approx(expected.as_matrix(), abs=1e-12)
    again = Pose3.from_angles((0, 0, 0), pose.angles_deg("rotvec-deg"), "rotvec-deg")
    assert again.rotation == pytest.approx(expected.as_matrix(), abs=1e-9)


@pytest.mark.parametrize("convention", CONVENTIONS)
@pytest.mark.parametrize("middle", [90.0, -90.0, 0.0, 180.0])
def test_on_the_seam_the_turn_is_kept(convention: AngleConvention, middle: float) -> None:
    pose = Pose3.from_angles((0, 0, 0), (25.0, middle, -40.0), convention)
    angles = pose.angles_deg(convention)
    assert Pose3.from_angles((0, 0, 0), angles, convention).rotation == pytest.approx(pose.rotation, abs=1e-8)


def test_on_the_seam_the_last_angle_is_zero() -> None:
    assert Pose3.from_angles((0, 0, 0), (25, 90, -40), "zyx-intrinsic-deg").angles_deg("zyx-intrinsic-deg")[2] == 0
    assert Pose3.from_angles((0, 0, 0), (25, 90, -40), "xyz-extrinsic-deg").angles_deg("xyz-extrinsic-deg")[2] == 0
    assert Pose3.from_angles((0, 0, 0), (25, 0, -40), "zyz-intrinsic-deg").angles_deg("zyz-intrinsic-deg")[2] == 0


@given(st.lists(angle, min_size=6, max_size=6), st.lists(length, min_size=6, max_size=6))
def test_compose_and_inverse_agree_with_matrices(angles: list[float], lengths: list[float]) -> None:
    p = Pose3.from_angles(lengths[:3], angles[:3], "zyx-intrinsic-deg")
    q = Pose3.from_angles(lengths[3:], angles[3:], "zyz-intrinsic-deg")
    assert (p @ q).matrix == pytest.approx(p.matrix @ q.matrix, abs=1e-8)
    assert p.inverse().matrix == pytest.approx(np.linalg.inv(p.matrix), abs=1e-8)
    assert Pose3.from_matrix(p.matrix).matrix == pytest.approx(p.matrix, abs=1e-9)


@given(st.lists(st.floats(-1, 1), min_size=4, max_size=4).filter(lambda q: sum(v * v for v in q) > 1e-6))
def test_quaternions_agree_with_scipy(q: list[float]) -> None:
    w, x, y, z = q
    pose = Pose3(0, 0, 0, (w, x, y, z))
    assert pose.rotation == pytest.approx(Rotation.from_quat([x, y, z, w]).as_matrix(), abs=1e-12)
    assert Pose3(0, 0, 0, pose.quaternion) == pose
    assert pose.turn_rad == pytest.approx(Rotation.from_quat([x, y, z, w]).magnitude(), abs=1e-7)


def test_sentences_say_where_and_which_way() -> None:
    said = planar(300.021, 50.0214, -10.0304).sentence("robot", "plane")
    assert said == (
        "robot_from_plane: the plane's origin lies at (300.021, 50.021) mm in the robot's frame, "
        "its +x axis points -10.030° counter-clockwise from the robot's +x axis"
    )
    tipped = Pose3.from_angles((10, -0.0, 5), (0, 0, 180), "zyx-intrinsic-deg")
    assert tipped.sentence("robot", "flange") == (
        "robot_from_flange: the flange's origin lies at (10.000, 0.000, 5.000) mm in the robot's frame, "
        "its +x axis along (1.0000, 0.0000, 0.0000); its +z axis along (0.0000, 0.0000, -1.0000) "
        "(turned by 180.000° in all)"
    )


@pytest.mark.parametrize("convention", CONVENTIONS)
def test_every_convention_has_a_worked_pose(convention: AngleConvention) -> None:
    # In each of them the flange's +x points along the robot's +y, or (zyz) is tipped by 30° out of it:
    # Rz(90°)·Ry(30°)·e_x = (0, cos 30°, −sin 30°).
    x_axis = "(0.0000, 0.8660, -0.5000)" if convention == "zyz-intrinsic-deg" else "(0.0000, 1.0000, 0.0000)"
    assert worked_pose(convention).startswith(convention)
    assert f"its +x axis along {x_axis}" in worked_pose(convention)


def test_unusable_poses_are_refused() -> None:
    with pytest.raises(UnusableInput, match="not finite"):
        Pose2(math.nan, 0, 0)
    with pytest.raises(UnusableInput, match="no turn"):
        Pose3(0, 0, 0, (0, 0, 0, 0))
    with pytest.raises(UnusableInput, match="no rotation"):
        Pose3.from_matrix(np.diag([1.0, 1.0, -1.0, 1.0]))
    with pytest.raises(UnusableInput, match="zyx-intrinsic-deg"):
        Pose3.from_angles((0, 0, 0), (1, 2, 3), "roll-pitch-yaw")  # type: ignore[arg-type]
    with pytest.raises(UnusableInput, match="not known"):
        worked_pose("abc")  # type: ignore[arg-type]
    with pytest.raises(UnusableInput, match="three numbers"):
        Pose3.from_angles((0, 0), (1, 2, 3), "rotvec-deg")
