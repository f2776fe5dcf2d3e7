"""Damaged documents, byte by byte and leaf by leaf: an answer or one sentence, never a traceback."""

import contextlib
import copy
import io
import json
import re
import runpy
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tiepoint.cli.answer import harmless
from tiepoint.cli.main import main
from tiepoint.documents.pictures import encode_png, save_png
from tiepoint.targets.document import to_document
from tiepoint.targets.draw import new_target

station = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "picking_station.py")))
COMMON = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
ODD = [
    None,
    True,
    "",
    "x",
    "1e999",
    [],
    {},
    [[]],
    [1, 2],
    -1,
    0,
    0.5,
    1e-320,
    1e308,
    -1e308,
    2**70,
    "\u0000",
    "€" * 300,
]


def answered(*words: str | Path) -> int:
    """Run the command line; hold that it answers as it promises, and return its exit code."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([*map(str, words), "--json"])
    said = err.getvalue()
    assert code in (0, 1, 2), said
    assert "Traceback" not in said
    answer = json.loads(out.getvalue(), parse_constant=pytest.fail)
    assert isinstance(answer, dict)
    if code == 2:
        # What would steer a terminal stands in the object alone.
        assert harmless(answer["error"]["sentence"]) in said
        assert len(said.strip().splitlines()) == 1
        assert len(said) < 2000
    return code


@st.composite
def damaged_bytes(draw, whole: bytes) -> bytes:
    """Return the bytes with some changed, and perhaps the end cut off or text put in."""
    data = bytearray(whole)
    for _ in range(draw(st.integers(0, 4))):
        data[draw(st.integers(0, len(data) - 1))] = draw(st.integers(0, 255))
    cut = draw(st.one_of(st.just(len(data)), st.integers(0, len(data))))
    extra = draw(st.one_of(st.just(b""), st.binary(max_size=8)))
    at = draw(st.integers(0, cut))
    return bytes(data[:at] + extra + data[at:cut])


def leaves(thing: Any, path: tuple = ()) -> list[tuple]:
    """Return the paths of all places in plain data."""
    inner = thing.items() if isinstance(thing, dict) else enumerate(thing) if isinstance(thing, list) else ()
    return [path, *(leaf for key, value in inner for leaf in leaves(value, (*path, key)))]


@st.composite
def damaged_json(draw, whole: dict[str, Any]) -> bytes:
    """Return a document in which one or two places hold something odd, or are gone."""
    content = copy.deepcopy(whole)
    for _ in range(draw(st.integers(1, 2))):
        *way, last = draw(st.sampled_from([p for p in leaves(content) if p]))
        place = content
        for key in way:
            place = place[key]
        if draw(st.integers(0, 4)) == 0:
            del place[last]
        else:
            place[last] = copy.deepcopy(draw(st.sampled_from(ODD)))  # a second change may go into it
    return json.dumps(content).encode()


@COMMON
@given(st.data())
def test_a_damaged_tie(tmp_path, tie_file, data):
    whole = tie_file.read_bytes()
    strategy = st.one_of(damaged_bytes(whole), damaged_json(json.loads(whole)), damaged_json(json.loads(whole)))
    broken = tmp_path / "broken.json"
    broken.write_bytes(data.draw(strategy))
    answered("tie", "probe", broken, "--at", "10,20", "620,470", "--extrapolate")
    answered("tie", "probe", broken, "--length", "10,20", "300,400")


@COMMON
@given(st.data())
def test_a_damaged_table_of_points(tmp_path, tie_file, data):
    table = tmp_path / "points.csv"
    table.write_bytes(data.draw(damaged_bytes(b"x,y\n10,20\n30.5,40\n1e2,3\n")))
    answered("tie", "probe", tie_file, "--points", table)


RECIPE = """format = "tiepoint/recipe/1"
name = "plate"
unit = "mm"

[decide]
rule = "iso14253-1"
p = 0.95

[[step]]
name = "bore"
kind = "circle"
in = "image"
region = { ring = { centre = [32, 24], inner = 6, outer = 16 } }
operator = "least-squares"
limits.diameter = { lower = 19.5, upper = 20.5 }

[[step]]
name = "edge"
kind = "line"
in = "image"
region = { rectangle = { centre = [32, 24], size = [20, 10], angle_deg = 0 } }

[[step]]
name = "gap"
kind = "distance"
between = ["bore", "edge"]
"""
ODD_TOML = ["nan", "inf", "-1", "0", "1e308", '""', '"x"', "[]", "{}", "true", "[[1]]", "2020-01-01", "9" * 30, "-0.0"]


@st.composite
def damaged_toml(draw, whole: str) -> bytes:
    """Return a recipe in which one or two values are odd, or lines are gone, doubled or moved."""
    lines = whole.splitlines()
    for _ in range(draw(st.integers(1, 2))):
        k = draw(st.integers(0, len(lines) - 1))
        way = draw(st.sampled_from(["value", "number", "drop", "double", "move"]))
        odd = draw(st.sampled_from(ODD_TOML))
        if way == "value" and "=" in lines[k]:
            lines[k] = f"{lines[k].split('=')[0]}= {odd}"
        elif way == "number":
            numbers = list(re.finditer(r"\d+(\.\d+)?", lines[k]))
            if numbers:
                at = draw(st.sampled_from(numbers)).span()
                lines[k] = lines[k][: at[0]] + odd + lines[k][at[1] :]
        elif way == "drop":
            del lines[k]
        elif way == "double":
            lines.insert(k, lines[k])
        else:
            lines.insert(draw(st.integers(0, len(lines) - 1)), lines.pop(k))
        lines = lines or [""]
    return "\n".join(lines).encode()


def disc_picture() -> np.ndarray:
    """Return a picture of 64 × 48 px with a dark disc of diameter 20 px."""
    y, x = np.mgrid[:48, :64]
    return np.clip(120 + 40 * (np.hypot(x - 32, y - 24) - 10), 30, 210).astype(np.uint8)


@COMMON
@given(st.data())
def test_a_damaged_recipe(tmp_path, data):
    save_png(tmp_path / "it.png", disc_picture())
    recipe = tmp_path / "broken.toml"
    strategy = st.one_of(damaged_bytes(RECIPE.encode()), damaged_toml(RECIPE), damaged_toml(RECIPE))
    recipe.write_bytes(data.draw(strategy))
    code = answered("run", recipe, tmp_path / "it.png", "--out", tmp_path / "out", "--overlay", tmp_path / "out")
    written = (tmp_path / "out").exists()
    assert written == (code != 2)
    shutil.rmtree(tmp_path / "out", ignore_errors=True)


@COMMON
@given(st.data())
def test_a_damaged_picture(tmp_path, data):
    (tmp_path / "recipe.toml").write_text(RECIPE)
    (tmp_path / "it.png").write_bytes(data.draw(damaged_bytes(encode_png(disc_picture()))))
    answered("run", tmp_path / "recipe.toml", tmp_path / "it.png")


PAIRS = b"from_x,from_y,to_x,to_y\n100,100,5,-5\n500,120,25,-6\n480,400,24,-20\n110,390,5.5,-19.5\n300,260,15,-13\n"


@settings(COMMON, max_examples=40)
@given(st.data())
def test_a_damaged_table_of_pairs(tmp_path, data):
    table, out = tmp_path / "pairs.csv", tmp_path / "tie.json"
    table.write_bytes(data.draw(damaged_bytes(PAIRS)))
    code = answered("tie", "pairs", table, "--unit", "mm", "--out", out)
    assert out.exists() == (code != 2)
    assert [p.name for p in tmp_path.iterdir() if p.suffix == ".part"] == []
    out.unlink(missing_ok=True)


@COMMON
@given(st.data())
def test_a_damaged_target(tmp_path, data):
    whole = to_document(new_target("charuco", 10.0, 12, 9))
    target = tmp_path / "target.json"
    before = data.draw(st.one_of(damaged_bytes(json.dumps(whole).encode()), damaged_json(whole)))
    target.write_bytes(before)
    code = answered(
        "target", "measure", target, "--bar-x", "119.8mm", "--bar-y", "89.9mm", "--u", "0.1mm", "--with", "r"
    )
    assert (target.read_bytes() == before) == (code == 2)


@pytest.fixture
def picking(tmp_path) -> Path:
    """Return the folder of a station that picks."""
    return station.picking_station(tmp_path)


def test_what_is_not_damaged_tells_a_grip(picking):
    """Else the damage below would be looked at by nobody."""
    assert answered("grip", "show", picking / "pick.toml", picking / "shot", "--at-count", "900") == 0
    assert answered("touch", "check", picking / "robot.json", picking / "touched.csv", "--tolerance", "30mm") in (0, 1)


@settings(COMMON, max_examples=100)
@given(st.data())
def test_a_damaged_robot_by_hand_eye(picking, data):
    whole = station.hand_eye_whole()
    strategy = st.one_of(damaged_bytes(json.dumps(whole).encode()), damaged_json(whole), damaged_json(whole))
    robot = picking / "robot.json"
    robot.write_bytes(data.draw(strategy))
    answered("touch", "check", robot, picking / "touched.csv", "--tolerance", "0.3mm", "--u", "0.05mm")
    answered("grip", "show", picking / "pick.toml", picking / "shot")


@COMMON
@given(st.data())
def test_a_damaged_belt(picking, data):
    whole = station.belt_whole()
    (picking / "belt.json").write_bytes(
        data.draw(st.one_of(damaged_bytes(json.dumps(whole).encode()), damaged_json(whole), damaged_json(whole)))
    )
    answered("grip", "show", picking / "pick.toml", picking / "shot", "--at-count", "900")


@COMMON
@given(st.lists(st.text(max_size=12), max_size=5))
def test_any_words_at_all(words):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([word for word in words if word != "demo"])
    assert code in (0, 2), err.getvalue()
    assert "Traceback" not in err.getvalue()
