"""An hour at the cell with the bench's robot: each usual slip is told by a command before a gripper moves by it.

The robot is touched and turned as a person would; only the slip differs from a set that passes.
"""

import re
import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tiepoint.bench.robot import Robot
from tiepoint.documents.files import write_document
from tiepoint.ties.hand_eye import hand_eye
from tiepoint.ties.hand_eye_document import hand_eye_to_document

sets = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "hand_eye_sets.py")))
PAIRS = np.array([[x, y] for x in (10.0, 60.0, 110.0) for y in (10.0, 45.0, 80.0)])
OTHERS = np.array([[97.5, 7.5], [22.5, 82.5], [22.5, 7.5], [97.5, 82.5], [60.0, 30.0], [22.5, 45.0]])
HEADER = "from_x,from_y,to_x,to_y"
TOOL_OFF = (2.0, 0.0, 0.0)


def arm(tool_error_mm=(0.0, 0.0, 0.0)) -> Robot:
    return Robot(sets.BASE, repeatability_mm=0.02, repeatability_deg=0.005, touch_mm=0.05, tool_error_mm=tool_error_mm)


def touched(robot: Robot, places: np.ndarray, seed: int, turn_deg: float = 0.0) -> np.ndarray:
    """Return x and y as the controller shows them over places of the plane, as typed to a hundredth."""
    on_plane = np.column_stack([places, np.zeros(len(places))])
    return np.round(robot.touch(on_plane, np.random.default_rng(seed), turn_deg).shown_mm[:, :2], 2)


@pytest.fixture
def told(cli, tmp_path):
    """Return what `tie pairs`, and then `touch check`, say of tables."""

    def table(name: str, rows: np.ndarray, header: str = HEADER) -> Path:
        path = tmp_path / name
        lines = [",".join(f"{v:g}" for v in row) for row in rows]
        path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
        return path

    robot = tmp_path / "robot.json"

    def pairs(rows: np.ndarray):
        words = ("--unit", "mm", "--from", "plane", "--to", "robot", "--tolerance", "0.3mm", "--out", robot)
        return cli("tie", "pairs", table("pairs.csv", rows), *words)

    def touch(rows: np.ndarray, *more: str):
        return cli("touch", "check", robot, table("touched.csv", rows), "--tolerance", "0.5mm", *more)

    def centre(rows: np.ndarray):
        return cli("grip", "centre", table("turns.csv", rows, "x_mm,y_mm,turn_deg"), "--u", "0.05mm", "--turns")

    return SimpleNamespace(pairs=pairs, touch=touch, centre=centre, robot=robot)


def right_pairs(robot: Robot) -> np.ndarray:
    return np.hstack([PAIRS, touched(robot, PAIRS, 1)])


def test_a_robot_with_nothing_wrong_passes(told):
    assert told.pairs(right_pairs(arm())).code == 0
    for turn in (0.0, 180.0):
        said = told.touch(np.hstack([OTHERS, touched(arm(), OTHERS, 2, turn)]))
        assert said.code == 0, said.out


@pytest.mark.parametrize(
    ("slip", "said"),
    [
        (lambda rows: rows[:, [0, 1, 3, 2]], "mirrored"),
        (lambda rows: rows[:, [1, 0, 2, 3]], "mirrored"),
        (lambda rows: rows * (1, 1, 1 / 25.4, 1 / 25.4), "inch for mm"),
        (lambda rows: rows * (1, 1, 1, 1 / 25.4), "the column to_y looks like inch for mm"),
        (lambda rows: rows * (1, 1, 1, -1), "mirrored"),
    ],
)
def test_swapped_axes_and_inches_make_no_tie(told, slip, said):
    answer = told.pairs(slip(right_pairs(arm())))
    assert answer.code == 2, answer.out + answer.err
    assert answer.is_one_sentence()
    assert said in answer.err
    assert not told.robot.exists()


def test_a_table_whose_sides_are_exchanged_is_told_by_the_first_touch(told):
    # A rigid fit of robot → plane is as good as that of plane → robot: nothing shows in its residuals.
    assert told.pairs(right_pairs(arm())[:, [2, 3, 0, 1]]).code == 0
    answer = told.touch(np.hstack([OTHERS, touched(arm(), OTHERS, 2)]))
    assert answer.code == 1
    assert "outside the tie's region" in answer.out
    assert "the sides of the tie's table are exchanged" in answer.out


def test_a_tool_point_that_was_wrong_from_the_start_shows_when_the_tool_is_turned(told):
    wrong = arm(TOOL_OFF)
    assert told.pairs(right_pairs(wrong)).code == 0
    # In the same turn it shifts tie and touches alike, and a grip in that turn; no figure can know.
    assert told.touch(np.hstack([OTHERS, touched(wrong, OTHERS, 2)])).code == 0
    answer = told.touch(np.hstack([OTHERS, touched(wrong, OTHERS, 2, 180.0)]))
    assert answer.code == 1
    # Half a turn about a point that is 2 mm off moves the tip by 4 mm, along the plane's x in the robot's axes.
    x, y = sets.BASE.rotation[:2, 0] * 4.0
    assert "the tool was turned about a wrong one" in answer.out
    away = [float(v) for v in re.search(r"The points lie \((\S+), (\S+)\) mm away", answer.out).groups()]
    assert np.abs(away) == pytest.approx(np.abs([x, y]), abs=0.2)


def test_the_tool_point_itself_is_told_by_three_turns(told):
    wrong, rng, turns = arm(TOOL_OFF), np.random.default_rng(4), (0.0, 120.0, 240.0)
    plane_from_robot = wrong.robot_from_plane.inverse()
    tips = [wrong.go(wrong.tool_over(60.0, 45.0, 0.0, turn), rng).tool.translation_mm for turn in turns]
    seen = plane_from_robot.apply(np.array(tips))[:, :2]
    answer = told.centre(np.column_stack([np.round(seen, 2), turns]))
    assert answer.code == 0
    assert "2.0" in answer.out, answer.out


@pytest.fixture(scope="module")
def eye():
    """A camera on the flange, as twelve poses tell it; a flange knows of no tool."""
    taken = sets.taken("in-hand", 5, repeatability_mm=0.02, repeatability_deg=0.005)
    rng = np.random.default_rng(5)
    return hand_eye(sets.table(taken), sets.seen(taken, rng, 1e-4), "in-hand")


def test_a_wrong_tool_point_shows_at_once_beside_a_hand_eye(told, eye):
    region = np.array([[0.0, 0.0], [120.0, 0.0], [120.0, 90.0], [0.0, 90.0]])
    document = hand_eye_to_document(eye)
    write_document(told.robot, "robot", {**document, "region": region.tolist()})
    good = told.touch(np.hstack([OTHERS, touched(arm(), OTHERS, 2)]), "--u", "0.05mm")
    assert good.code == 0, good.out
    answer = told.touch(np.hstack([OTHERS, touched(arm(TOOL_OFF), OTHERS, 2)]), "--u", "0.05mm")
    assert answer.code == 1
    assert "All points share an offset" in answer.out
