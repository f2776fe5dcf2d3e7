"""Grips through a hand-eye and on a belt: exact closed forms, and what is refused.

The camera moves by M, a rigid motion: what it sees of the plane moves by M too. A belt carries by counts × mm a count.
"""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tiepoint.cli.main import main
from tiepoint.foundation.errors import TiepointError
from tiepoint.foundation.frames import Pose2, Pose3
from tiepoint.foundation.sources import Source, Value, Values
from tiepoint.model.shot import Picture, RobotPose, Shot
from tiepoint.recipe.context import StepResult
from tiepoint.recipe.features import PartFeature
from tiepoint.recipe.grips import GripTable, arm_of, grips_of, riding_of, robot_at
from tiepoint.recipe.held import HeldGrip, keep_grip
from tiepoint.recipe.station import prepare
from tiepoint.ties import belt as belts
from tiepoint.ties.belt import Belt, belt_of
from tiepoint.ties.document import to_document
from tiepoint.ties.grip import SpaceRobot
from tiepoint.ties.hand_eye import HandEye
from tiepoint.ties.hand_eye_document import hand_eye_to_document
from tiepoint.ties.tie import Tie
from tiepoint.ties.touch import flat_tie
from tiepoint.ties.uncertain_pose import UncertainPose, exact, lifted

U_PLANE = Source("plane", "plane in the robot", "B", 0.1, "tie")
ANGLES = "zyx-intrinsic-deg"
PLANE = Pose3.from_angles((400.0, -120.0, 35.0), (25.0, 1.5, -2.0), ANGLES)
FLANGE = Pose3.from_angles((380.0, -60.0, 520.0), (10.0, 3.0, 178.0), ANGLES)
ENVELOPE = {"x": [-2000, 2000], "y": [-2000, 2000], "z": [-500, 500]}


def hand_eye(eye: str, **changes) -> HandEye:
    c = np.zeros((6, 1))
    c[3, 0] = 1.0
    plane = UncertainPose(PLANE, (U_PLANE,), c)
    made = HandEye(
        "eye", eye, exact(Pose3(10, 20, 60)), plane, 0.02, 0.01, 20.0, 0.1, 0.05, (), (), plane, None, ANGLES
    )
    return replace(made, **changes)


def table(**changes) -> GripTable:
    raw = {"name": "jaws", "in": "part", "offset": [12.0, -3.0], "turn_deg": 30.0, "z": 4.0, "robot": "robot.json",
           "u_robot": 0.0, "u_robot_turn_deg": 0.0, "envelope": ENVELOPE, **changes}  # fmt: skip
    return GripTable.read({key: value for key, value in raw.items() if value is not None}, "grip: ", None)


def flange_table(pose: Pose3) -> dict[str, list[float]]:
    return {"mm": pose.translation_mm.tolist(), "deg": list(pose.angles_deg(ANGLES))}


def shot(pose: Pose3 | None = None, count: int | None = None) -> Shot:
    told = None if pose is None else RobotPose((pose.x_mm, pose.y_mm, pose.z_mm), pose.quaternion)
    return Shot("s", (Picture("p", "", (9, 9), 8, "Mono8"),), encoder_count=count, robot_from_flange=told)


def part(x: float, y: float, deg: float) -> dict[str, tuple[StepResult, tuple[str, ...]]]:
    pose = Values(np.array([x, y, math.radians(deg)]), np.zeros((3, 0)), ())
    return {"part": (StepResult({}, PartFeature(pose)), ())}


def by_hand(plane: Pose3, x: float, y: float, deg: float, height: float) -> Pose3:
    """The grip composed from rotation matrices: plane, part, offset, tool down."""
    offset = lifted(Pose2(12.0, -3.0, math.radians(30.0)), 4.0) @ Pose3(0.0, 0.0, 0.0, (0.0, 1.0, 0.0, 0.0))
    return plane @ lifted(Pose2(x, y, math.radians(deg)), height) @ offset


def placed(arm, seen: Shot, x=50.0, y=20.0, deg=40.0, **more):
    (grip,) = grips_of((arm,), part(x, y, deg), Value(6.0, {}), seen, **more)
    return grip


def test_a_camera_that_stands_still_needs_no_flange():
    eye = hand_eye("to-hand")
    grip = placed(arm_of(table(), eye.robot, 1.0, riding_of(table(), eye)), shot())
    assert grip.robot_from_grip.position_mm == pytest.approx(by_hand(PLANE, 50, 20, 40, 6).translation_mm, abs=1e-9)
    assert grip.U[0] == pytest.approx(1.96 * 0.1, rel=1e-3)  # the plane's own u along the robot's x


def test_a_grip_is_turned_towards_the_point_that_was_drawn():
    # 30° by hand: tan 30° = 1/√3. In inches, so that the point is taken in the recipe's unit too.
    typed = arm_of(table(), hand_eye("to-hand").robot, 25.4).offset
    raw = {"turn_deg": None, "towards": [12.0 + math.sqrt(3), -2.0]}
    drawn = arm_of(table(**raw), hand_eye("to-hand").robot, 25.4).offset
    assert drawn.pose.translation_mm == pytest.approx(typed.pose.translation_mm)
    assert drawn.pose.rotation == pytest.approx(typed.pose.rotation)


@pytest.mark.parametrize(
    ("changes", "said"),
    [({"towards": [20.0, 0.0]}, "towards stands beside turn_deg"),
     ({"turn_deg": None, "towards": [12.0, -3.0]}, "towards is the offset itself; give another point")],
)  # fmt: skip
def test_a_grip_is_turned_in_one_way(changes, said):
    with pytest.raises(TiepointError, match=said):
        table(**changes)


def test_a_grip_that_is_taught_is_drawn_no_longer(tmp_path):
    path = tmp_path / "pick.toml"
    path.write_text('[[grip]]\nname = "jaws"   # the wide ones\ntowards = [9, 0]\n', encoding="utf-8")
    keep_grip(path, "jaws", HeldGrip((1.0, 2.0), 3.0, 40.0, "down", 0.1, 0.2, 0.0), 1.0)
    told = path.read_text(encoding="utf-8")
    assert "towards" not in told
    assert "turn_deg = 40.0" in told
    assert "# the wide ones" in told


def riding_arm(robot: SpaceRobot | None = None, **changes):
    asked, eye = table(tied_at=flange_table(FLANGE), **changes), hand_eye("in-hand", robot_mm=0.0, robot_deg=0.0)
    return arm_of(asked, robot or eye.robot, 1.0, riding_of(asked, eye))


@pytest.mark.parametrize(("along", "turn_deg"), [((0.0, 0.0), 0.0), ((140.0, -60.0), 0.0), ((30.0, 10.0), 75.0)])
def test_what_rides_on_the_flange_moves_with_it(along, turn_deg):
    # The camera goes along the plane and turns about its normal, D in the plane's own frame: M = P·D·P⁻¹, F = M·F₀, and
    # what it sees at a place lies where D takes that place.
    beside = lifted(Pose2(*along, math.radians(turn_deg)))
    moved = PLANE @ beside @ PLANE.inverse() @ FLANGE
    grip = placed(riding_arm(), shot(moved))
    expected = by_hand(PLANE @ beside, 50, 20, 40, 6)
    assert grip.robot_from_grip.position_mm == pytest.approx(expected.translation_mm, abs=1e-7)
    assert abs(np.dot(grip.robot_from_grip.quaternion, expected.quaternion)) == pytest.approx(1.0, abs=1e-12)


def test_the_robot_s_own_scatter_stands_in_the_grip():
    asked, eye = table(tied_at=flange_table(FLANGE)), hand_eye("in-hand", robot_mm=0.05, robot_deg=0.0)
    grip = placed(arm_of(asked, eye.robot, 1.0, riding_of(asked, eye)), shot(FLANGE))
    # Once at the photo of the tie, once at the shot.
    assert grip.U[1] == pytest.approx(1.96 * math.hypot(0.05, 0.05), rel=1e-3)


def swung(pose: Pose3, rng: np.random.Generator, count: int, mm: float, deg: float) -> np.ndarray:
    """Return matrices (n, 4, 4) of a flange that scatters: its own point moves, and it turns about that point."""
    out = np.tile(pose.matrix, (count, 1, 1))
    turns = Rotation.from_rotvec(math.radians(deg) * rng.standard_normal((count, 3))).as_matrix()
    out[:, :3, :3] = turns @ out[:, :3, :3]
    out[:, :3, 3] += mm * rng.standard_normal((count, 3))
    return out


@pytest.mark.parametrize(("along", "turn_deg"), [((0.0, 0.0), 0.0), ((160.0, -70.0), 0.0), ((40.0, 20.0), 140.0)])
def test_a_flange_that_scatters_about_its_own_point_moves_the_grip_as_drawn_flanges_do(along, turn_deg):
    """Monte Carlo with scipy's rotations, 1.2 m from the robot's base. ISO 9283 tells a pose's scatter by a point and
    by angles about it (from memory): an angle levers from the flange, some 0.5 m above the part, and not from the base.
    """
    mm, deg, count = 0.03, 0.02, 20_000
    plane = Pose3.from_angles((1180.0, -240.0, 35.0), (25.0, 1.5, -2.0), ANGLES)
    flange = Pose3.from_angles((1210.0, -180.0, 520.0), (10.0, 3.0, 178.0), ANGLES)
    asked = table(tied_at=flange_table(flange))
    eye = hand_eye("in-hand", robot_mm=mm, robot_deg=deg, robot_from_plane=exact(plane))
    at_shot = plane @ lifted(Pose2(*along, math.radians(turn_deg))) @ plane.inverse() @ flange
    arm = arm_of(asked, eye.robot, 1.0, riding_of(asked, eye))
    held = lifted(Pose2(50.0, 20.0, math.radians(40.0)), 6.0) @ lifted(Pose2(12.0, -3.0, math.radians(30.0)), 4.0)
    stated = robot_at(arm, shot(at_shot)).robot_from_plane @ exact(held)

    rng = np.random.default_rng(5)
    tied, seen = swung(flange, rng, count, mm, deg), swung(at_shot, rng, count, mm, deg)
    true = seen @ np.linalg.inv(tied) @ plane.matrix @ held.matrix
    turns = Rotation.from_matrix(true[:, :3, :3] @ stated.pose.rotation.T).as_rotvec()
    off = np.hstack([turns, true[:, :3, 3] - stated.pose.translation_mm])
    whitened = np.linalg.inv(np.linalg.cholesky(stated.covariance))
    # Of so many draws the eigenvalues lie within (1 ± √(6/n))² of 1 (Marchenko & Pastur 1967, from memory).
    assert np.linalg.eigvalsh(whitened @ np.cov(off.T) @ whitened.T) == pytest.approx(np.ones(6), abs=0.05)


def test_by_default_a_grip_goes_as_its_hand_eye_found_the_robot_to_go():
    eye = hand_eye("to-hand", robot_mm=0.07, robot_deg=0.2)
    told = placed(arm_of(table(u_robot=None, u_robot_turn_deg=None), eye.robot, 1.0), shot())
    assert told.U[1] == pytest.approx(1.96 * 0.07, rel=1e-3)
    assert told.U[3] == pytest.approx(1.96 * 0.2, rel=1e-3)


@pytest.mark.parametrize(
    ("beside", "said"),
    [
        (Pose3(0, 0, 3.0), "+3.00 mm along the plane's normal"),
        (Pose3.from_angles((0, 0, 0), (0, 0.4, 0), ANGLES), "leant by 0.40° more"),
    ],
)
def test_a_camera_that_sees_another_plane_is_refused(beside, said):
    grip = placed(riding_arm(), shot(PLANE @ beside @ PLANE.inverse() @ FLANGE))
    assert grip.robot_from_grip is None
    assert grip.reason.code == "tie_refused"
    assert said in grip.reason.sentence


def test_a_flange_that_is_told_the_other_way_round_moves_nothing():
    """flange_from_robot where robot_from_flange is wanted, at the tie's photo or at the shot."""
    asked, eye = table(tied_at=flange_table(FLANGE.inverse())), hand_eye("in-hand")
    inverted_tie = arm_of(asked, eye.robot, 1.0, riding_of(asked, eye))
    for arm, seen in ((inverted_tie, shot(FLANGE)), (riding_arm(), shot(FLANGE.inverse()))):
        grip = placed(arm, seen)
        assert (grip.robot_from_grip, grip.reason.code) == (None, "tie_refused")


def test_without_the_flange_s_pose_nothing_is_gripped():
    grip = placed(riding_arm(), shot())
    assert (grip.robot_from_grip, grip.reason.code) == (None, "no_flange")


def test_where_the_tie_was_made_must_be_told_and_only_there():
    with pytest.raises(TiepointError, match="states no tied_at, and the camera of its hand-eye rides on the flange"):
        riding_of(table(), hand_eye("in-hand"))
    with pytest.raises(TiepointError, match="stands still; leave it out"):
        riding_of(table(tied_at=flange_table(FLANGE)), hand_eye("to-hand"))


# --- belts ---------------------------------------------------------------------------------------------------------


def carrier(frame: str = "plane", wrap: int | None = None) -> Belt:
    counts = np.array([0.0, 4000.0, 8000.0, 12000.0])
    return belt_of(counts, np.outer(counts, (0.02, 0.005)), "b", 0.05, wrap, frame)


@pytest.mark.parametrize("frame", ["plane", "robot"])
def test_a_belt_carries_the_grip_to_a_later_count(frame):
    eye = hand_eye("to-hand")
    arm = arm_of(table(belt="belt.json"), eye.robot, 1.0, belt=carrier(frame))
    now, later = (placed(arm, shot(count=1000), at_count=n) for n in (None, 9000))
    assert (now.count, later.count) == (1000, 9000)
    way = np.array([160.0, 40.0, 0.0])  # 8,000 counts of 0.02 and 0.005 mm
    expected = way if frame == "robot" else PLANE.rotation @ way
    went = np.subtract(later.robot_from_grip.position_mm, now.robot_from_grip.position_mm)
    assert went == pytest.approx(expected, abs=1e-9)
    # u of the velocity: 0.05/√Σ(n − n̄)² a count; of y, in the robot's frame, that alone is added.
    u_way = 8000 * 0.05 / math.sqrt(float(np.sum((np.array([-6000, -2000, 2000, 6000.0])) ** 2)))
    if frame == "robot":
        assert later.U[1] == pytest.approx(math.hypot(now.U[1], 1.96 * u_way), rel=0.02)
    assert later.U[0] > now.U[0]


def test_a_counter_that_began_anew_goes_on():
    arm = arm_of(table(belt="belt.json"), hand_eye("to-hand").robot, 1.0, belt=carrier("robot", 65536))
    then, now = (placed(arm, shot(count=65000), at_count=n) for n in (None, 464))
    went = np.subtract(now.robot_from_grip.position_mm, then.robot_from_grip.position_mm)
    assert went == pytest.approx([20.0, 5.0, 0.0], abs=1e-9)  # 1,000 counts


def test_without_a_count_nothing_on_a_belt_is_gripped():
    arm = arm_of(table(belt="belt.json"), hand_eye("to-hand").robot, 1.0, belt=carrier())
    grip = placed(arm, shot())
    assert (grip.robot_from_grip, grip.reason.code) == (None, "no_count")


# --- from files ----------------------------------------------------------------------------------------------------

RECIPE = """
format = "tiepoint/recipe/1"
name = "plate"
tie = "tie.json"
height = 0.0
u_height = 0.0

[[step]]
name = "one"
kind = "line"
region.rectangle = { centre = [6, 7.9], size = [3, 3] }

[[step]]
name = "two"
kind = "line"
region.rectangle = { centre = [6, 7.9], size = [3, 3], angle_deg = 90 }

[[step]]
name = "part"
kind = "find"
of = ["one", "two"]

[[grip]]
name = "jaws"
in = "part"
robot = "robot.json"
belt = "belt.json"
envelope = { x = [-900, 900], y = [-900, 900], z = [-90, 90] }
"""


@pytest.fixture
def station(tmp_path):
    H = np.array([[0.1, 0, 0], [0, -0.1, 12.0], [0, 0, 1.0]])
    corners = np.array([[0, 0], [199, 0], [199, 119], [0, 119]], float)
    tie = Tie("t", "target", "image", "plane", "affine", H, corners, distance_mm=400.0, foot_mm=(10.0, 6.0))
    (tmp_path / "tie.json").write_text(json.dumps(to_document(tie)), encoding="utf-8")
    (tmp_path / "plate.toml").write_text(RECIPE, encoding="utf-8")
    write_robot(tmp_path, hand_eye("to-hand"))
    belt = {"format": "tiepoint/belt/1", **belts.to_document(carrier(), "b")}
    (tmp_path / "belt.json").write_text(json.dumps(belt), encoding="utf-8")
    return tmp_path


def write_robot(folder, eye: HandEye) -> None:
    (folder / "robot.json").write_text(json.dumps(hand_eye_to_document(eye)), encoding="utf-8")


def refused(station) -> str:
    with pytest.raises(TiepointError) as caught:
        prepare(station / "plate.toml")
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_recipe_names_its_robot_and_its_belt_by_file(station):
    (arm,) = prepare(station / "plate.toml").job(None).arms
    assert isinstance(arm.robot, SpaceRobot)
    assert arm.robot.robot_from_plane.pose.translation_mm == pytest.approx(PLANE.translation_mm)
    assert arm.belt.velocity.value == pytest.approx([0.02, 0.005])


def test_files_that_are_no_robot_and_no_belt_are_refused_in_a_sentence(station):
    write_robot(station, hand_eye("to-hand", robot_from_plane=None))
    assert "does not know where the station's plane lies" in refused(station)
    write_robot(station, hand_eye("in-hand"))
    assert "states no tied_at" in refused(station)
    write_robot(station, hand_eye("to-hand", flags=("photos_disagree",)))
    assert "is not a robot to move, since its ± may not hold" in refused(station)
    write_robot(station, hand_eye("to-hand"))
    text = (station / "plate.toml").read_text(encoding="utf-8")
    (station / "plate.toml").write_text(text.replace("envelope =", "plane_z = 3.0\nenvelope ="), encoding="utf-8")
    assert "which knows where the plane lies; leave plane_z and u_plane_z out" in refused(station)
    (station / "plate.toml").write_text(text, encoding="utf-8")
    (station / "belt.json").write_text((station / "robot.json").read_text(encoding="utf-8"), encoding="utf-8")
    assert "belt.json" in refused(station)
    (station / "belt.json").unlink()
    assert "belt.json" in refused(station)


def test_a_recipe_may_state_how_far_its_parts_lean(station):
    """A camera whose foot is 400 mm aside at 400 mm height looks along 45°: a lean of u moves 10 mm ahead by 10·u."""
    raw = json.loads((station / "tie.json").read_text(encoding="utf-8"))
    (station / "tie.json").write_text(json.dumps({**raw, "model": "homography", "foot_mm": [410.0, 6.0]}))
    changed = RECIPE.replace("u_height = 0.0", "u_height = 0.0\nu_lean_deg = 0.2").replace('belt = "belt.json"\n', "")
    (station / "plate.toml").write_text(changed, encoding="utf-8")
    job = prepare(station / "plate.toml").job(None)
    assert [s.id for s in job.lean.sources] == ["lean:plate:x", "lean:plate:y"]
    assert set(job.lean.sources) <= set(job.tie.all_sources)
    mapped = job.tie.map(np.array([[100.0, 59.0], [100.0, 159.0]]))
    x = mapped.sources.index(job.lean.sources[0])
    # p follows by −(p − F)·z/Z, z = y − y₀ for a turn about x: along x by 1 mm a mm of y, near the foot's own distance.
    apart = mapped.d_sources[0, :, x] - mapped.d_sources[1, :, x]
    assert apart == pytest.approx([10.0, 0.0], abs=0.5)
    level = {"part": (StepResult({}, PartFeature(Values(np.array([5.0, 5, 0]), np.zeros((3, 0)), ()))), ())}
    (leant,) = grips_of(job.arms, level, job.height, shot(), lean=job.lean)
    (flat,) = grips_of(job.arms, level, job.height, shot())
    assert leant.U[0] > flat.U[0]
    (station / "tie.json").write_text(json.dumps({**raw, "model": "homography", "distance_mm": None, "foot_mm": None}))
    assert "does not know where its camera stands" in refused(station)
    (station / "plate.toml").write_text(changed.replace("u_lean_deg = 0.2", "u_lean_deg = nan"), encoding="utf-8")
    assert "u_lean_deg" in refused(station)


# --- touched --------------------------------------------------------------------------------------------------------


def test_a_hand_eye_is_touched_as_a_tie_is(tmp_path, capsys):
    """Points of the plane, where the robot shows them from above: R·p + t, and ω × R·p + τ of what is not known."""
    c = np.random.default_rng(3).normal(0, 1e-3, (6, 4))
    sources = tuple(Source(f"s{k}", "s", "B", 1.0, "tie") for k in range(4))
    region = np.array([[0, 0], [120, 0], [120, 90], [0, 90]], float)
    eye = hand_eye("to-hand", robot_from_plane=UncertainPose(PLANE, sources, c), region=region)
    tie = flat_tie(eye)
    plane = np.array([[10.0, 20.0], [100.0, 80.0]])
    mapped = tie.map(plane)
    there = np.column_stack([plane, np.zeros(2)])
    assert mapped.xy_mm == pytest.approx(PLANE.apply(there)[:, :2], abs=1e-9)
    for k in range(2):
        arm = PLANE.rotation @ there[k]
        moves = c[3:] + np.cross(c[:3].T, arm).T
        assert mapped.d_sources[k] == pytest.approx(moves[:2], abs=1e-12)
    with pytest.raises(TiepointError, match="does not say in which part of the plane it holds"):
        flat_tie(replace(eye, region=None))
    write_robot(tmp_path, eye)
    robot = str(tmp_path / "robot.json")
    assert main(["touch", "sheet", robot, "--points", "5", "--out", str(tmp_path / "touch.pdf"), "--json"]) == 0
    points = json.loads(capsys.readouterr().out)["points"]
    at = np.array([p["plane_mm"] for p in points])
    rows = np.hstack([at, PLANE.apply(np.column_stack([at, np.zeros(len(at))]))[:, :2] + (0.05, 0.0)])
    text = "\n".join(",".join(f"{v:.3f}" for v in row) for row in rows)
    (tmp_path / "touched.csv").write_text(f"from_x,from_y,to_x,to_y\n{text}\n", encoding="utf-8")
    words = ["touch", "check", robot, str(tmp_path / "touched.csv"), "--u", "0.01mm", "--tolerance"]
    assert main([*words, "0.3mm"]) == 0
    assert main([*words, "0.02mm"]) == 1
