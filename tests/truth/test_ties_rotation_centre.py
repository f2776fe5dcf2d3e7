"""The tool's rotation centre against worked plane geometry, closed forms and simulated turns."""

import math

import numpy as np
import pytest

from tiepoint.bench.robot import OVER, Robot
from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.frames import Pose3
from tiepoint.foundation.sources import Source, Values
from tiepoint.ties.rotation_centre import rotation_centre

# By hand: (418,−37.5) and (406,−32.5) lie opposite each other, so the centre is their middle (412,−35) and the radius
# √(6² + 2.5²) = 6.5; (414.5,−29) is √(2.5² + 6²) from there too.
VIEWS = np.array([(418.0, -37.5), (414.5, -29.0), (406.0, -32.5)])
TURNS = np.deg2rad([0.0, 90.0, 180.0])


def turned(turns, centre, arm):
    c, s = np.cos(turns), np.sin(turns)
    return np.column_stack([centre[0] + c * arm[0] - s * arm[1], centre[1] + s * arm[0] + c * arm[1]])


def test_three_views_give_the_centre():
    found = rotation_centre(VIEWS, "t", u_mm=0.05)
    assert found.centre.value == pytest.approx([412.0, -35.0], abs=1e-9)
    assert found.arm.value == pytest.approx(6.5, abs=1e-9)
    assert found.offset is None
    assert "about (412.000 ±" in found.sentence


def test_with_turns_the_arm_is_a_vector_in_the_flange():
    up = rotation_centre(VIEWS, "t", turns_rad=TURNS, u_mm=0.05, pointing="up")
    down = rotation_centre(VIEWS, "t", turns_rad=TURNS, u_mm=0.05)
    assert up.centre.value == pytest.approx([412.0, -35.0], abs=1e-9)
    # At turn 0 the mark stands 6 to the right and 2.5 below; with the flange's z down its y points the other way.
    assert up.offset.value == pytest.approx([6.0, -2.5], abs=1e-9)
    assert down.offset.value == pytest.approx([6.0, 2.5], abs=1e-9)
    assert up.arm.value == pytest.approx(6.5)


def test_even_turns_have_the_closed_form_of_their_u():
    # n even turns: sd of centre and of arm u/√n each with the turns; u·√(2/n) and u/√n by the circle alone (Chernov).
    turns = np.arange(8) * math.pi / 4
    places = turned(turns, (10.0, 20.0), (30.0, 0.0))
    known = rotation_centre(places, "t", turns_rad=turns, u_mm=0.1)
    circle = rotation_centre(places, "t", u_mm=0.1)
    assert [known.centre[0].u, known.offset[1].u] == pytest.approx([0.1 / math.sqrt(8)] * 2)
    assert [circle.centre[0].u, circle.arm.u] == pytest.approx([0.1 * math.sqrt(2 / 8), 0.1 / math.sqrt(8)])


def test_what_all_views_share_moves_the_centre_whole():
    shift = Source("shift", "shift of all", "B", 0.2, "tie")
    scale = Source("scale", "scale", "B", 1e-3, "tie")
    c = np.zeros((6, 2))
    c[0::2, 0] = 1.0
    c[:, 1] = VIEWS.ravel()
    found = rotation_centre(Values(VIEWS.ravel(), c, (shift, scale)), "t", u_mm=0.0)
    assert found.centre[0].terms[shift] == pytest.approx(1.0)
    assert found.centre[1].terms.get(shift, 0.0) == pytest.approx(0.0, abs=1e-12)
    assert found.arm.terms[scale] == pytest.approx(6.5)


@pytest.mark.parametrize("with_turns", [False, True])
def test_stated_intervals_hold(with_turns):
    rng = np.random.default_rng(11)
    turns = np.deg2rad([0.0, 70.0, 150.0, 200.0, 290.0])
    exact = turned(turns, (410.0, -30.0), (25.0, -8.0))
    hits = 0
    for _ in range(1000):
        places = exact + rng.normal(0, 0.05, exact.shape)
        found = rotation_centre(places, "t", turns_rad=turns if with_turns else None)
        hits += abs(found.centre.value[0] - 410.0) <= found.centre[0].U95
    # 95 % of 1,000 is within ±2.2 % in 998 of 1,000 such tests (binomial, 3.1 sd).
    assert 0.928 <= hits / 1000 <= 0.972


def test_a_wrong_tool_point_is_found_on_the_bench():
    # The robot turns about the tool point that it was told; the true tip circles around it, 0.8 and −0.5 mm off in the
    # flange's axes.
    robot = Robot(Pose3(400.0, 100.0, 0.0), tool_error_mm=(0.8, -0.5, 0.0))
    rng = np.random.default_rng(1)
    turns = np.array([0.0, 100.0, 220.0])
    tips = [robot.go(robot.tool_over(50.0, 40.0, 10.0, t), rng).tool.translation_mm[:2] for t in turns]
    found = rotation_centre(np.array(tips), "t", turns_rad=np.deg2rad(turns), u_mm=0.01)
    assert found.centre.value == pytest.approx([450.0, 140.0], abs=1e-9)
    assert found.offset.value == pytest.approx([0.8, -0.5], abs=1e-9)
    assert OVER.rotation[2, 2] == pytest.approx(-1.0)


def test_a_mark_on_the_axis_needs_the_turns():
    still = np.tile([10.0, 5.0], (3, 1))
    with pytest.raises(PoorGeometry, match="state the turns"):
        rotation_centre(still, "t", u_mm=0.1)
    found = rotation_centre(still, "t", turns_rad=TURNS, u_mm=0.1)
    assert found.centre.value == pytest.approx([10.0, 5.0])
    assert found.arm.value == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("with_turns", [False, True])
def test_turns_too_near_are_refused_with_the_one_to_add(with_turns):
    turns = np.deg2rad([0.0, 3.0, 6.0])
    places = turned(turns, (0.0, 0.0), (50.0, 0.0))
    with pytest.raises(PoorGeometry, match=r"within 6° of turn.*add a view turned by about (-?1[5-9]\d|180)°"):
        rotation_centre(places, "t", turns_rad=turns if with_turns else None, u_mm=0.01)


def test_bad_input_is_refused():
    with pytest.raises(PoorGeometry, match="2 views are too few"):
        rotation_centre(VIEWS[:2], "t", u_mm=0.1)
    with pytest.raises(PoorGeometry, match="tell no scatter"):
        rotation_centre(VIEWS, "t")
    with pytest.raises(UnusableInput, match="finite"):
        rotation_centre([[1, 2], [3, math.nan], [5, 6]], "t", u_mm=0.1)
    with pytest.raises(UnusableInput, match="3 finite numbers"):
        rotation_centre(VIEWS, "t", turns_rad=[0.0, 1.0], u_mm=0.1)
    with pytest.raises(UnusableInput, match="the other way"):
        rotation_centre(VIEWS, "t", turns_rad=-TURNS * 0.98, u_mm=0.1)
    with pytest.raises(PoorGeometry, match="within 0° of turn"):
        rotation_centre(VIEWS, "t", turns_rad=[1.0, 1.0, 1.0], u_mm=0.1)
