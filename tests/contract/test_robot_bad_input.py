"""Bad input to what is told to a robot: one sentence, or a grip refused with its reason; never a place made up."""

import json
import runpy
from pathlib import Path
from types import SimpleNamespace

import pytest

helper = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "picking_station.py")))
HELD = ("--held", "400,-115,38", "--deg", "180,0,180", "--u", "0.1mm")


@pytest.fixture
def station(tmp_path, monkeypatch) -> Path:
    """Return the folder of a station that picks, as the working directory."""
    monkeypatch.chdir(tmp_path)
    return helper.picking_station(tmp_path)


def changed(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def shot_says(station: Path, **said) -> None:
    path = station / "shot" / "shot.json"
    path.write_text(json.dumps({**json.loads(path.read_text(encoding="utf-8")), **said}), encoding="utf-8")


@pytest.fixture
def refusal(cli):
    """Return a function that runs a command which must refuse, and returns its sentence."""

    def run(*words: str) -> str:
        told = cli(*words)
        assert told.code == 2, told.out + told.err
        assert told.is_one_sentence()
        return told.err

    return run


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            'in = "part"',
            'in = "part"\noffset = [nan, 0]',
            "not a finite number, in grip 1, offset 1",
        ),
        ('in = "part"', 'in = "part"\nturn_deg = inf', "in grip 1, turn_deg"),
        ('in = "part"', 'in = "part"\nu_robot = nan', "in grip 1, u_robot"),
        ('in = "part"', 'in = "part"\ntied_at = { mm = [1, 2, nan], deg = [0, 0, 0] }', "in grip 1, tied_at, mm 3"),
        (
            'in = "part"',
            'in = "part"\ntied_at = { mm = [1, 2, 3], deg = [0, 0, 0] }',
            "the camera of its hand-eye stands",
        ),
        ("z = [-90, 90]", "z = [90, -90]", "give the smaller first"),
        ("z = [-90, 90]", "z = [-90, nan]", "in grip 1, envelope, z 2"),
        ("x = [-900, 900], ", "", "give x and y, or an outline"),
        ('in = "part"\nrobot', 'in = "gone"\nrobot', 'in is "gone"'),
        ('robot = "robot.json"', 'robot = "none.json"', "none.json"),
        ('robot = "robot.json"', 'robot = "tie.json"', "from the plane to the robot"),
    ],
)
def test_a_grip_s_table_that_cannot_be_is_one_sentence(station, refusal, old, new, said):
    changed(station / "pick.toml", old, new)
    sentence = refusal("grip", "show", "pick.toml", "shot")
    assert said in sentence


@pytest.mark.parametrize(
    ("says", "said"),
    [
        ({"encoder_count": "500"}, "encoder_count"),
        ({"encoder_count": 1e400}, "shot.json"),
        ({"robot_from_flange": {"position_mm": [1, 2, float("nan")], "quaternion": [1, 0, 0, 0]}}, "shot.json"),
        ({"robot_from_flange": {"position_mm": [1, 2], "quaternion": [1, 0, 0, 0]}}, "robot_from_flange"),
        ({"robot_from_flange": {"position_mm": [1, 2, 3], "quaternion": [0, 0, 0, 0]}}, "robot_from_flange"),
        ({"robot_from_flange": {"position_mm": [1, 2, 3], "quaternion": [2, 0, 0, 0]}}, "robot_from_flange"),
    ],
)
def test_a_shot_s_pose_or_count_that_cannot_be_is_one_sentence(station, refusal, says, said):
    shot_says(station, **says)
    assert said in refusal("grip", "show", "pick.toml", "shot")


def test_a_shot_without_its_count_gives_no_grip_and_the_reason(station, cli):
    shot_says(station, encoder_count=None)
    told = cli("grip", "show", "pick.toml", "shot", "--json")
    (grip,) = told.json["grips"]
    assert (told.code, grip["robot_from_grip"], grip["inside_envelope"]) == (1, None, False)
    assert grip["reason"]["code"] == "no_count"


@pytest.mark.parametrize(
    ("old", "new", "axis"),
    [("x = [-900, 900]", "x = [-900, 401]", "x"), ("z = [-90, 90]", "z = [-90, 30]", "z"),
     ("z = [-90, 90]", "z = [-90, 90], tilt_deg = 1", "lean")],
)  # fmt: skip
def test_a_grip_outside_its_envelope_says_where_it_would_be(station, cli, old, new, axis):
    changed(station / "pick.toml", old, new)
    told = cli("grip", "show", "pick.toml", "shot", "--json")
    (grip,) = told.json["grips"]
    assert (told.code, grip["robot_from_grip"], grip["inside_envelope"]) == (1, None, False)
    assert grip["reason"]["code"] == "outside_envelope"
    assert axis in cli("grip", "show", "pick.toml", "shot").out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--held", "nan,0,0", *HELD[2:]), "--held is 'nan,0,0'; type three numbers"),
        (("--held", "400,-115", *HELD[2:]), "type three numbers"),
        ((*HELD[:2], "--deg", "0,inf,0", *HELD[4:]), "--deg is '0,inf,0'"),
        ((*HELD[:4], "--u", "0.1"), "has no unit"),
        ((*HELD, "--angles", "euler"), "use one of zyx-intrinsic-deg"),
        ((*HELD, "--u-turn", "nan"), "give 0 or more degrees"),
        ((*HELD[:2], "--deg", "180,30,180", *HELD[4:]), "leans by"),
    ],
)
def test_what_a_hand_cannot_have_held_is_refused_and_the_recipe_stays(station, refusal, words, said):
    before = (station / "pick.toml").read_bytes()
    assert said in refusal("grip", "teach", "pick.toml", "jaws", "shot", *words)
    assert (station / "pick.toml").read_bytes() == before


def test_a_grip_that_the_recipe_does_not_hold_is_named_with_those_it_does(station, refusal):
    assert 'no grip of the recipe is named "claw"; there' in refusal(
        "grip", "teach", "pick.toml", "claw", "shot", *HELD
    )


PAIRS = "from_x,from_y,to_x,to_y\n"
SQUARE = [(10, 10), (110, 10), (110, 80), (10, 80), (60, 45), (30, 60)]


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([(x, y, 400 + x, -y) for x, y in SQUARE], "mirror"),
        ([(x, y, (400 + x) / 25.4, (y - 100) / 25.4) for x, y in SQUARE], "inch"),
        ([(x, y, "nan" if x == 60 else 400 + x, y) for x, y in SQUARE], "to_x reads 'nan'"),
        ([(x, 10, 400 + x, 10) for x in range(10, 110, 20)], "line"),
    ],
)
def test_pairs_of_a_robot_that_cannot_be(tmp_path, monkeypatch, cli, rows, said):
    monkeypatch.chdir(tmp_path)
    lines = "\n".join(",".join(map(str, row)) for row in rows)
    Path("pairs.csv").write_text(PAIRS + lines + "\n", encoding="utf-8")
    told = cli("tie", "pairs", "pairs.csv", "--unit", "mm", "--from", "plane", "--to", "robot", "--model", "rigid",
               "--out", "new.json")  # fmt: skip
    assert told.code in (1, 2), told.out
    assert said in told.out + told.err
    assert "Traceback" not in told.err


@pytest.mark.parametrize(
    ("command", "header", "row", "said"),
    [
        ("grip centre", "x_mm,y_mm", "1,nan", "y_mm reads 'nan'"),
        ("belt", "count,x_mm,y_mm", "nan,1,2", "count reads 'nan'"),
        ("study pose", "x_mm,y_mm", "1,nan", "y_mm reads 'nan'"),
    ],
)
def test_a_table_s_nan_is_named_with_its_line(tmp_path, refusal, command, header, row, said):
    table = tmp_path / "t.csv"
    table.write_text(f"{header}\n{row}\n", encoding="utf-8")
    sentence = refusal(*command.split(), str(table))
    assert said in sentence
    assert "row 1 (line 2)" in sentence
