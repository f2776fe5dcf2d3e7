"""Damaged documents, byte by byte and leaf by leaf: an answer or one sentence, never a traceback."""

import contextlib
import copy
import io
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tiepoint.cli.main import main

COMMON = settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
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
        assert answer["error"]["sentence"] in said
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
            place[last] = draw(st.sampled_from(ODD))
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


@COMMON
@given(st.lists(st.text(max_size=12), max_size=5))
def test_any_words_at_all(words):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([word for word in words if word != "demo"])
    assert code in (0, 2), err.getvalue()
    assert "Traceback" not in err.getvalue()
