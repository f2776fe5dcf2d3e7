"""Grips against worked plane geometry, closed forms, and simulated stations with known errors."""

import math

import numpy as np
import pytest

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.frames import Pose2, Pose3
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, Value, Values, constant, ensemble, measured, stack
from tiepoint.ties.grip import (
    PlanarRobot,
    SpaceRobot,
    drawn_offset,
    ellipse_of,
    held_offset,
    judged,
    part_in_robot,
    place_grip,
    placing_pose,
    stated_pose,
    taught_offset,
    typed_offset,
)
from tiepoint.ties.grip_envelope import Envelope, box, choose_turn, inside_polygon
from tiepoint.ties.pairs import tie_by_pairs
from tiepoint.ties.uncertain_pose import UncertainPose, exact, lifted, planar

FREE = Envelope(turn_rad=(-math.tau, math.tau))


def at(x: float, y: float, deg: float, z: float = 0.0) -> UncertainPose:
    return exact(lifted(Pose2(x, y, math.radians(deg)), z))


def told(pose: UncertainPose) -> tuple[float, float, float]:
    return pose.pose.x_mm, pose.pose.y_mm, math.degrees(pose.turn.value)


def part(x: float, y: float, deg: float, covariance: np.ndarray | None = None) -> Values:
    value = np.array([x, y, math.radians(deg)])
    if covariance is None:
        return Values(value, np.zeros((3, 0)), ())
    sources, factor = ensemble("find:1", "Found", covariance, "shot", math.inf)
    return Values(value, factor, sources)


def rigid_tie(turn_deg=30.0, shift=(500.0, 200.0), noise=0.0, seed=0):
    grid = np.array([[x, y] for x in (0.0, 60.0, 120.0) for y in (0.0, 45.0, 90.0)])
    true = Pose2(*shift, math.radians(turn_deg))
    to = true.apply(grid) + np.random.default_rng(seed).normal(0, 1, grid.shape) * noise
    return true, tie_by_pairs(grid, to, from_frame="plane", to_frame="robot", model="rigid").tie


# Worked in double precision from the formulae T = P·P₀⁻¹·T₀ and T′ = Goal·(T⁻¹·Part)⁻¹, planar poses (x, y, θ).


def test_a_taught_grip_follows_the_part():
    offset = taught_offset(at(400, 100, 0), at(412, 95, 30))
    assert told(at(430, 120, 25) @ offset) == pytest.approx((442.989, 120.540, 55.0), abs=5e-4)


def test_a_part_is_placed_with_the_offset_it_is_held_with():
    held = held_offset(at(500, 200, 90), at(501.2, 199.5, 91.5))
    assert told(held) == pytest.approx((-0.5, -1.2, 1.5), abs=1e-9)
    assert told(placing_pose(at(650, -80, 0), held)) == pytest.approx((650.531, -78.813, -1.5), abs=5e-4)


def test_typed_and_drawn_grips_are_one():
    typed, drawn = typed_offset(12, -5, math.radians(30)), drawn_offset((12, -5), (12 + math.sqrt(3), -4))
    assert told(drawn) == pytest.approx(told(typed))
    down = typed_offset(12, -5, math.radians(30), 4.0, "down")
    assert told(down) == pytest.approx(told(typed))
    assert down.pose.rotation[:, 2] == pytest.approx([0, 0, -1])
    with pytest.raises(UnusableInput, match="two different points"):
        drawn_offset((1, 1), (1, 1))


# Derivatives: differences of exact poses are the truth.


def random_pose(rng) -> Pose3:
    return Pose3(*rng.uniform(-300, 300, 3), tuple(rng.normal(size=4)))


def disturbed(pose: Pose3, by: np.ndarray) -> Pose3:
    angle = float(np.linalg.norm(by[:3]))
    axis = by[:3] / max(angle, 1e-300)
    turn = Pose3(0, 0, 0, (math.cos(angle / 2), *(math.sin(angle / 2) * axis)))
    turned = turn @ Pose3(0, 0, 0, pose.quaternion)
    return Pose3(*(pose.translation_mm + by[3:]), turned.quaternion)


def change(after: Pose3, before: Pose3) -> np.ndarray:
    turn = Pose3(0, 0, 0, after.quaternion) @ Pose3(0, 0, 0, before.quaternion).inverse()
    return np.concatenate([np.radians(turn.angles_deg("rotvec-deg")), after.translation_mm - before.translation_mm])


@pytest.mark.parametrize("seed", range(4))
def test_composed_and_inverted_poses_feel_each_source_as_differences_say(seed):
    rng = np.random.default_rng(seed)
    source = Source("s", "one", "B", 1.0, "tie")
    a, b = random_pose(rng), random_pose(rng)
    ca, cb = rng.normal(size=(2, 6)) * [1e-6, 1e-6, 1e-6, 1e-4, 1e-4, 1e-4]
    made = UncertainPose(a, (source,), ca[:, None]) @ UncertainPose(b, (source,), cb[:, None])
    assert made.c[:, 0] == pytest.approx(change(disturbed(a, ca) @ disturbed(b, cb), a @ b), rel=1e-4, abs=1e-8)
    back = UncertainPose(a, (source,), ca[:, None]).inverse()
    assert back.c[:, 0] == pytest.approx(change(disturbed(a, ca).inverse(), a.inverse()), rel=1e-4, abs=1e-8)
    shifted = UncertainPose(disturbed(a, ca)).turn.value - UncertainPose(a).turn.value
    ((_, felt),) = UncertainPose(a, (source,), ca[:, None]).turn.terms.items()
    assert felt == pytest.approx(shifted, rel=1e-3, abs=1e-10)


def test_a_pose_and_its_inverse_cancel_with_their_sources():
    u = stated_pose(random_pose(np.random.default_rng(3)), 0.1, 0.01, "robot", "Robot")
    assert np.abs((u @ u.inverse()).c).max() < 1e-12


# The planar robot.


def test_a_part_goes_through_the_tie_with_all_sources():
    true, tie = rigid_tie(noise=0.05, seed=4)
    found = part(50, 40, 20, np.diag([0.02**2, 0.02**2, math.radians(0.1) ** 2]))
    seen = part_in_robot(found, PlanarRobot(tie, constant(15.0)), constant(12.0))
    x, y = true.apply([[50, 40]])[0]
    assert told(seen) == pytest.approx((x, y, 50.0), abs=0.2)
    assert seen.pose.z_mm == pytest.approx(27.0)
    mapped = tie.map([[50, 40]])
    u = np.array([s.u for s in mapped.sources])
    by_tie = (mapped.d_sources[0] * u) @ (mapped.d_sources[0] * u).T
    # A rigid motion keeps the part's own round covariance.
    assert seen.covariance[3:5, 3:5] == pytest.approx(by_tie + 0.02**2 * np.eye(2), rel=1e-3)
    assert seen.turn.u >= math.radians(0.1)
    assert {s.ensemble.split(":")[0] for s in seen.sources} == {"find", "tie"}


def test_a_grip_taught_and_repeated_in_one_place_does_not_feel_the_tie():
    _, tie = rigid_tie(noise=0.2, seed=5)
    robot = PlanarRobot(tie)
    here = part(60, 45, 10)
    seen = part_in_robot(here, robot)
    taught = stated_pose(Pose3(540, 270, 20), 0.05, 1e-3, "grip:a", "Taught by hand", planar_only=True)
    offset = taught_offset(seen, taught)
    again = place_grip(here, offset, robot, FREE)
    assert again.U95[0] == pytest.approx(1.96 * 0.05, rel=1e-3)
    assert again.pose.turn.u == pytest.approx(1e-3)
    far = place_grip(part(115, 5, 190), offset, robot, FREE)
    assert far.U95[0] > 2 * again.U95[0]


def test_outside_the_tie_there_is_no_grip_and_no_number_passes_for_one():
    _, tie = rigid_tie()
    robot = PlanarRobot(tie)
    assert place_grip(part(300, 40, 0), typed_offset(0, 0, 0), robot, FREE).reason == Reason("outside_tie")
    # The part lies inside, and the grip reaches out of the region.
    reach = place_grip(part(60, 45, 0), typed_offset(90, 0, 0), robot, FREE)
    assert (reach.pose, reach.reason, reach.values, reach.U95, reach.ellipse) == (
        None, Reason("outside_tie"), None, None, None,
    )  # fmt: skip
    nan = place_grip(part(math.nan, 45, 0), typed_offset(0, 0, 0), robot, FREE)
    assert nan.reason == Reason("not_a_number")


def test_a_mirrored_or_other_tie_is_no_robot():
    grid = np.array([[0.0, 0.0], [100, 0], [100, 80], [0, 80], [50, 30]])
    mirrored = tie_by_pairs(
        grid, grid[:, ::-1] + [300, 0], from_frame="plane", to_frame="robot", model="affine", keep_suspects=True
    ).tie
    with pytest.raises(UnusableInput, match="mirrored"):
        PlanarRobot(mirrored)
    with pytest.raises(UnusableInput, match="from the plane to the robot"):
        PlanarRobot(tie_by_pairs(grid, grid * [0.1, -0.1], model="similarity").tie)


# Height and tilt.


def test_a_tilted_plane_tilts_the_grip_and_lifts_it():
    lean = Pose3.from_angles((600, 0, 10), (0, 10, 0), "zyx-intrinsic-deg")
    robot = SpaceRobot(exact(lean))
    placed = place_grip(part(50, 20, 30), typed_offset(0, 0, 0, pointing="down"), robot, FREE, height=constant(12.0))
    # Ry(10°) takes (50, 20, 12) to (50·cos + 12·sin, 20, −50·sin + 12·cos).
    c, s = math.cos(math.radians(10)), math.sin(math.radians(10))
    assert placed.pose.pose.translation_mm == pytest.approx([600 + 50 * c + 12 * s, 20, 10 - 50 * s + 12 * c])
    narrow = Envelope(most_tilt_rad=math.radians(9.9), turn_rad=(-math.tau, math.tau))
    refused = place_grip(part(50, 20, 30), typed_offset(0, 0, 0, pointing="down"), robot, narrow)
    assert refused.reason.code == "outside_envelope"
    assert "lean by 10.0°" in refused.reason.sentence
    assert refused.would_be is not None


def test_an_error_of_height_moves_x_and_z_together():
    height = measured(12.0, Source("height", "Part height", "B", 0.3, "part"))
    # The tie image → plane, moved to this height, shifts a part at its edge by −0.25 mm per mm.
    x = Value(50.0, {next(iter(height.terms)): -0.25})
    found = stack([x, constant(20.0), constant(0.0)])
    placed = place_grip(found, typed_offset(0, 0, 0), SpaceRobot(exact(Pose3(0, 0, 0))), FREE, height=height)
    covariance = placed.pose.covariance[3:, 3:]
    assert covariance[0, 2] == pytest.approx(-0.25 * 0.3**2)
    assert covariance[2, 2] == pytest.approx(0.3**2)


# The envelope and the turn.


@pytest.mark.parametrize(
    ("turn", "home", "allowed", "fold", "chosen"),
    [
        (170, 0, (-180, 180), 1, 170),
        (170, 0, (-180, 180), 2, -10),
        (170, 90, (-180, 180), 2, 170),
        (10, 350, (-360, 360), 1, 10),
        (10, 350, (-400, 400), 1, 370),
        (-170, 170, (-360, 360), 1, 190),
        (80, 0, (-45, 45), 4, -10),
        (90, 0, (-45, 45), 1, None),
        (180, 0, (-180, 180), 1, 180),
        (100, 0, (-20, 20), 2, None),
        (100, 0, (-80, 80), 2, -80),
    ],
)
def test_the_gripper_never_turns_the_long_way_round(turn, home, allowed, fold, chosen):
    found = choose_turn(math.radians(turn), math.radians(home), tuple(map(math.radians, allowed)), fold)
    assert found == (None if chosen is None else pytest.approx(math.radians(chosen)))


def test_no_other_equivalent_turn_is_nearer_to_home():
    rng = np.random.default_rng(8)
    for turn, home in rng.uniform(-7, 7, (200, 2)):
        fold = int(rng.integers(1, 5))
        found = choose_turn(turn, home, (-6.0, 6.0), fold)
        alike = turn + np.arange(-40, 41) * math.tau / fold
        best = alike[np.abs(alike) <= 6.0]
        assert abs(found - home) == pytest.approx(np.abs(best - home).min())


def test_an_exchanged_gripper_is_turned_in_its_pose_as_well():
    placed = judged(at(10, 20, 170, 5), Envelope(), fold=2)
    assert math.degrees(placed.commanded_turn_rad) == pytest.approx(-10)
    assert math.degrees(placed.pose.turn.value) == pytest.approx(-10)
    down = at(10, 20, 0, 5) @ typed_offset(0, 0, math.radians(170), pointing="down")
    placed = judged(down, Envelope(), fold=2)
    assert math.degrees(placed.pose.turn.value) == pytest.approx(-10)
    assert placed.pose.pose.rotation[2, 2] == pytest.approx(-1)


@pytest.mark.parametrize(
    ("envelope", "says"),
    [
        (Envelope(box((0, 100), (0, 50))), "x 120.0, y 20.0 mm lies outside its outline"),
        (Envelope(z_mm=(10, 50)), "z is 5.0 mm where 10 to 50 mm is allowed"),
        (Envelope(turn_rad=(-0.5, 0.5)), "no turn that grips like 90.0° lies within"),
        (Envelope(most_age_s=0.5), "0.8 s old; at most 0.5 s"),
    ],
)
def test_outside_the_envelope_it_is_refused_with_a_reason(envelope, says):
    refused = judged(at(120, 20, 90, 5), envelope, age_s=0.8)
    assert (refused.pose, refused.inside_envelope, refused.values) == (None, False, None)
    assert says in refused.reason.sentence
    assert judged(at(120, 20, 90, 5), Envelope(box((0, 130), (0, 50)), (0, 9)), age_s=0.8).inside_envelope


@pytest.mark.parametrize(
    ("point", "inside"),
    [((1, 1), True), ((5, 5), False), ((5, 2), True), ((0, 5), True), ((9, 9), True), ((10, 10), True),
     ((11, 5), False), ((5, -1), False), ((2, 10), True), ((5, 10), False)],
)  # fmt: skip
def test_an_envelope_may_be_hollow(point, inside):
    # A U: a notch from above between x = 3 and x = 7, down to y = 3.
    outline = [[0, 0], [10, 0], [10, 10], [7, 10], [7, 3], [3, 3], [3, 10], [0, 10]]
    assert inside_polygon(outline, point) is inside
    assert inside_polygon(outline[::-1], point) is inside


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Envelope(z_mm=(5, 5)), "z runs from 5 to 5"),
        (lambda: Envelope(z_mm=(math.nan, 5)), "z runs from nan"),
        (lambda: box((5, 1), (0, 1)), "x runs from 5 to 1"),
        (lambda: Envelope(np.zeros((2, 2))), "no polygon"),
        (lambda: Envelope(most_tilt_rad=0), "tilt is 0"),
        (lambda: choose_turn(0, 0, (-1, 1), 0), "0-fold"),
        (lambda: stated_pose(Pose3(0, 0, 0), -1, 0, "s", "s"), "u of a position is -1"),
    ],
)
def test_envelopes_that_cannot_be_are_refused(make, says):
    with pytest.raises(UnusableInput, match=says):
        make()


# Intervals.


def test_the_ellipse_of_a_known_covariance_is_that_of_the_tables():
    # χ²(0.95; 2) = 5.991 (any table); 2·F(0.95; 2, 10) = 2 · 4.103.
    made = planar(*(measured(0.0, Source(n, n, "B", u, "shot")) for n, u in (("x", 3.0), ("y", 1.0))), constant(0.0),
                  constant(0.0))  # fmt: skip
    ellipse = ellipse_of(made.position)
    assert (ellipse.major_mm, ellipse.minor_mm) == pytest.approx((3 * math.sqrt(5.991), math.sqrt(5.991)), rel=1e-3)
    assert math.remainder(ellipse.angle_rad, math.pi) == pytest.approx(0.0, abs=1e-12)
    x, y = (measured(0.0, Source(f"f#{k}", "fit", "A", 1.0, "tie", "t", 10.0)) for k in (0, 1))
    few = planar(x, y, constant(0.0), constant(0.0))
    assert ellipse_of(few.position).factor == pytest.approx(math.sqrt(2 * 4.103), rel=1e-3)


@pytest.mark.parametrize("part_u", [0.05, 0.001], ids=["part and tie", "tie-dominated"])
def test_the_stated_ellipse_holds_as_often_as_it_says(part_u):
    rng = np.random.default_rng(20)
    grid = np.array([[x, y] for x in (0.0, 60.0, 120.0) for y in (0.0, 45.0, 90.0)])
    held = 0
    for _ in range(250):
        true = Pose2(500.0, 200.0, float(rng.uniform(-3, 3)))
        to = true.apply(grid) + rng.normal(0, 0.08, grid.shape)
        tie = tie_by_pairs(grid, to, from_frame="plane", to_frame="robot", model="rigid").tie
        x, y, a = rng.uniform(20, 100), rng.uniform(15, 75), float(rng.uniform(-3, 3))
        u = np.array([part_u, part_u, part_u / 20])
        seen = np.array([x, y, a]) + rng.normal(size=3) * u
        sources, factor = ensemble("find", "Found", np.diag(u**2), "shot", math.inf)
        placed = place_grip(Values(seen, factor, sources), typed_offset(8, -5, 0.3), PlanarRobot(tie), FREE)
        truth = (true @ Pose2(x, y, a) @ Pose2(8, -5, 0.3)).apply([[0, 0]])
        held += bool(placed.ellipse.holds(truth - placed.pose.pose.translation_mm[None, :2])[0])
    # Binomial, 250 trials at 0.95: sd 1.4 %; ± 3 sd.
    assert 0.909 <= held / 250 <= 0.991
