"""Touch tests: whether the points are new and spread, and whether a known fault of the bench's robot is found."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tiepoint.bench.robot import Robot
from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.frames import Pose2, Pose3
from tiepoint.ties.grip import PlanarRobot
from tiepoint.ties.pairs import PairsRefused, tie_by_pairs
from tiepoint.ties.touch import check_touches, refusal, touch_points

GRID = np.array([[x, y] for x in (10.0, 60.0, 110.0) for y in (10.0, 45.0, 80.0)])
BASE = Pose3.from_angles((412.0, -186.0, 37.0), (137.0, 0.0, 0.0), "zyx-intrinsic-deg")
TOUCH_MM = 0.03


def touched(robot, places, seed):
    """Return what the controller shows where its tip touches places of the plane."""
    found = robot.touch(np.column_stack([places, np.zeros(len(places))]), np.random.default_rng(seed))
    return found.shown_mm[:, :2]


def tied(robot=None, seed=1, **options):
    robot = robot or Robot(BASE, touch_mm=TOUCH_MM)
    options = {"model": "rigid", "u_to_mm": TOUCH_MM, **options}
    return tie_by_pairs(GRID, touched(robot, GRID, seed), from_frame="plane", to_frame="robot", **options).tie


def test_points_are_new_spread_and_where_the_robot_is_exact():
    tie = tied(Robot(BASE))
    points = touch_points(tie, 6)
    places = np.array([p.plane_mm for p in points])
    assert np.linalg.norm(places[:, None] - GRID[None], axis=2).min() > 10
    assert np.ptp(places, axis=0) == pytest.approx([100, 70], rel=0.25)
    exact = BASE.apply(np.column_stack([places, np.zeros(6)]))[:, :2]
    assert np.array([p.robot_mm for p in points]) == pytest.approx(exact, abs=1e-6)
    assert [p.number for p in points] == [1, 2, 3, 4, 5, 6]


def test_points_may_be_corners_of_the_target():
    points = touch_points(tied(), 5, pitch_mm=7.5)
    assert all(math.remainder(v, 7.5) == pytest.approx(0.0, abs=1e-9) for p in points for v in p.plane_mm)
    with pytest.raises(PoorGeometry, match=r"room for \d points"):
        touch_points(tied(), 6, pitch_mm=80.0)
    with pytest.raises(UnusableInput, match="3 to 12 points"):
        touch_points(tied(), 2)


def test_a_good_tie_passes_and_says_with_what_confidence():
    robot, tie = Robot(BASE, touch_mm=TOUCH_MM), tied()
    places = np.array([p.plane_mm for p in touch_points(tie, 6)])
    check = check_touches(tie, places, touched(robot, places, 5), 0.3, TOUCH_MM)
    assert check.good
    assert check.holds
    # No failure in six: at least 0.05^(1/6) = 60.7 % at 95 % confidence (Clopper & Pearson, one-sided).
    assert "at least 61 %" in check.sentences[0]
    assert not any("offset" in s for s in check.sentences)


def test_a_tool_point_that_went_wrong_since_is_found():
    tie = tied()
    bent = Robot(BASE, touch_mm=0.01, tool_error_mm=(0.5, 0.3, 0.0))
    places = np.array([p.plane_mm for p in touch_points(tie, 6)])
    check = check_touches(tie, places, touched(bent, places, 6), 0.3, 0.02)
    # The tip is off by (0.5, 0.3) in the flange, which looks down (its y reversed) and stands at 137°.
    off = Pose2(0, 0, math.radians(137)).apply([[0.5, -0.3]])[0]
    found = np.array([v.value for v in check.offset_mm])
    U = np.array([v.U95 for v in check.offset_mm])
    assert np.all(np.abs(found + off) <= 1.5 * U)
    assert not check.good
    assert not check.holds
    assert any(f"off by ({-found[0]:+.3f}, {-found[1]:+.3f}) mm" in s for s in check.sentences)
    assert abs(check.turn_rad.value) <= check.turn_rad.U95


def test_a_turned_plane_and_a_longer_print_are_told_apart():
    tie = tied(Robot(BASE), u_to_mm=0.005)
    places = np.array([p.plane_mm for p in touch_points(tie, 6)])
    expected = tie.map(places).xy_mm
    middle = expected.mean(axis=0)
    turned = Pose2(0, 0, math.radians(0.3)).apply(expected - middle) + middle
    check = check_touches(tie, places, turned, 1.0, 0.01)
    assert math.degrees(check.turn_rad.value) == pytest.approx(0.3, rel=1e-3)
    assert any("turned by 0.300" in s for s in check.sentences)
    longer = check_touches(tie, places, middle + 1.004 * (expected - middle), 1.0, 0.01)
    assert longer.scale.value == pytest.approx(1.004, rel=1e-6)
    assert any("+0.400" in s and "longer for the robot" in s for s in longer.sentences)


@pytest.mark.parametrize("model", ["rigid", "auto"])
def test_what_tie_and_touching_explain_is_called_so(model):
    """Of 120 sound ties at most one in twenty is said not to hold, and as many offsets are outside their ±."""
    robot = Robot(BASE, touch_mm=TOUCH_MM)
    broken, offset = 0, 0
    places = np.array([[35.0, 25.0], [85.0, 65.0], [35.0, 62.0], [88.0, 24.0]])
    for seed in range(120):
        tie = tied(robot, seed, model=model)
        check = check_touches(tie, places, touched(robot, places, 10_000 + seed), 1.0, TOUCH_MM)
        broken += not check.holds
        offset += abs(check.offset_mm[0].value) > check.offset_mm[0].U95
    # 5 % of 120 is 6, and 3 sd more 13.
    assert broken <= 13
    assert offset <= 13


@pytest.mark.parametrize(
    ("change", "hint"),
    [
        (lambda t: t[:, ::-1], "mirrored"),
        (lambda t: t / 25.4, "inch"),
        (lambda t: t * [1, -1], "mirrored"),
        (lambda t: -t, "both signs are wrong"),
        (lambda t: t + np.array([30.0, 0.0]), "another frame or with another tool number"),
    ],
)
def test_usual_mistakes_are_hinted_at(change, hint):
    tie = tied()
    places = np.array([p.plane_mm for p in touch_points(tie, 6)])
    check = check_touches(tie, places, change(touched(Robot(BASE), places, 1)), 0.3)
    assert not check.good
    assert check.offset_mm is None
    assert any(hint in s for s in check.hints), check.hints


def test_points_of_the_tie_and_beyond_it_do_not_count():
    tie = tied()
    places = np.vstack([GRID[:4], [[500.0, 500.0]], [[30.0, 30.0], [80.0, 30.0]]])
    check = check_touches(tie, places, touched(Robot(BASE), places, 1), 0.3)
    assert [p.verdict is not None for p in check.points] == [False] * 5 + [True] * 2
    assert not check.good
    assert check.sentences[0].startswith("Not shown: 2 points count")
    assert "Row 5 does not count: outside the tie's region." in check.sentences


def test_nearly_at_the_tolerance_is_not_shown_and_one_line_is_not_enough():
    tie = tied(Robot(BASE), u_to_mm=0.001)
    places = np.array([[30.0, 30.0], [80.0, 30.0], [80.0, 60.0]])
    at = tie.map(places).xy_mm
    near = check_touches(tie, places, at + np.array([0.29, 0.0]), 0.3, 0.02)
    assert [p.verdict for p in near.points] == ["undecided"] * 3
    assert "too near to it" in near.sentences[0]
    line = np.array([[30.0, 30.0], [50.0, 30.0], [80.0, 30.0]])
    flat = check_touches(tie, line, tie.map(line).xy_mm, 0.3, 0.02)
    assert not flat.good
    assert "on one line" in flat.sentences[0]


def test_a_tie_that_is_not_good_has_no_touch_test_and_moves_no_robot():
    tie = tied()
    assert refusal(tie) is None
    assert refusal(tie, 1.0) is None
    assert "Not good for ±0.001 mm" in refusal(tie, 0.001)
    suspect = replace(tie, flags=("pairs_suspect",))
    assert "typing error" in refusal(suspect)
    with pytest.raises(UnusableInput, match="not one to move by"):
        PlanarRobot(suspect)
    PlanarRobot(replace(tie, flags=("no_redundancy",)))
    with pytest.raises(UnusableInput, match="leads from image to plane"):
        refusal(replace(tie, from_frame="image", to_frame="plane"))
    with pytest.raises(UnusableInput, match="mirrored"):
        refusal(replace(tie, matrix=tie.matrix @ np.diag([1.0, -1.0, 1.0])))


def test_a_tie_to_a_robot_knows_its_sources_and_refuses_what_is_mistyped():
    tie = tied()
    mapped = tie.map([[60.0, 45.0]])
    u = np.sqrt(np.sum((mapped.d_sources[0] * [s.u for s in mapped.sources]) ** 2, axis=1))
    # In the middle of nine points a rigid tie is known to u/√9.
    assert u == pytest.approx([TOUCH_MM / 3] * 2, rel=0.15)
    shown = touched(Robot(BASE), GRID, 1)
    for wrong, said in ((shown[:, ::-1], "mirrored"), (shown / 25.4, "inch")):
        with pytest.raises(PairsRefused, match=said):
            tie_by_pairs(GRID, wrong, from_frame="plane", to_frame="robot")
    mixed = shown.copy()
    mixed[4] /= 25.4
    with pytest.raises(PairsRefused, match="row 5: the to values look like inch"):
        tie_by_pairs(GRID, mixed, from_frame="plane", to_frame="robot")


def test_bad_input_is_refused():
    tie = tied()
    with pytest.raises(UnusableInput, match="no number"):
        check_touches(tie, [[1.0, math.nan]], [[0.0, 0.0]], 0.3)
    with pytest.raises(UnusableInput, match="rows 1 and 2 are the same point"):
        check_touches(tie, [[30.0, 30.0]] * 2, [[0.0, 0.0]] * 2, 0.3)
    with pytest.raises(UnusableInput, match="state the u of a touch"):
        check_touches(replace(tie, quality=None), [[30.0, 30.0]], [[0.0, 0.0]], 0.3)
