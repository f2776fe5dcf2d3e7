"""What a station was ordered for: read, checked, and held against what is judged."""

from pathlib import Path

import pytest

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.model.decide import Limits
from tiepoint.station.requirements import deviations, load_requirements

HEAD = 'format = "tiepoint/requirements/1"\ntitle = "Hinge plates"\ncustomer = "Line 4"\n'
BORE = '[[characteristic]]\nname = "bore A"\nreading = "bore A.diameter"\ndrawing = "HV-60"\nlower = 4.4\nupper = 4.6\n'
RR = '[[requirement]]\nid = "R1"\nsays = "At most 30 %."\nby = "rr"\nof = "bore A.diameter"\nmost = 0.3\n'
LIGHT = '[[influence]]\nname = "light of the hall"\ntested = "300 to 900 lx"\n'


def read(tmp_path: Path, text: str):
    path = tmp_path / "requirements.toml"
    path.write_text(text, encoding="utf-8")
    return load_requirements(path)


def test_what_was_ordered_is_read_and_hashed_by_content(tmp_path):
    one = read(tmp_path, HEAD + BORE + RR + LIGHT)
    same = read(tmp_path, HEAD + BORE + RR + "# agreed on 12 May\n" + LIGHT)
    other = read(tmp_path, HEAD + BORE + RR.replace("0.3", "0.2") + LIGHT)
    assert one.table.requirement[0].most == 0.3
    assert one.sha == same.sha != other.sha


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (HEAD, "asks for nothing"),
        (HEAD + BORE + BORE, '"bore A" stands twice'),
        (HEAD + RR + RR, '"R1" stands twice'),
        (HEAD + BORE.replace("lower = 4.4", "lower = 4.7"), "give lower < upper"),
        (HEAD + RR + "least = 0.1\n", "most and least"),
        (HEAD + RR + 'figure = "Cgk"\n', 'names the figure "Cgk", which rr does not have; it is held by'),
        (HEAD.replace("title", 'undecided_are = "ours"\ntitle') + RR, 'undecided_are is "ours"'),
        (HEAD + RR.replace("most = 0.3\n", ""), "has no limit"),
        (HEAD + RR.replace('"rr"', '"magic"'), 'by is "magic"; use'),
        (HEAD + BORE + LIGHT.replace("tested", "probed"), "probed is not known here"),
        (HEAD + BORE + '[[influence]]\nname = "light"\n', "neither tested, assumed nor excluded"),
        (HEAD + BORE.replace("4.4", "nan"), "lower"),
    ],
)
def test_what_cannot_be_meant_is_told(tmp_path, text, says):
    with pytest.raises(UnusableDocument, match=says.replace("[", r"\[")):
        read(tmp_path, text)


@pytest.mark.parametrize(
    ("limits", "says"),
    [
        ({}, "no accepted recipe reads bore A.diameter"),
        ({"bore A.diameter": None}, "the recipe sets no limits"),
        ({"bore A.diameter": Limits(4.4, 4.7)}, "the drawing allows 4.4 to 4.6, the recipe judges by 4.4 to 4.7"),
        ({"bore A.diameter": Limits(None, 4.6)}, "the recipe judges by at most 4.6"),
    ],
)
def test_what_is_judged_otherwise_than_drawn_is_told(tmp_path, limits, says):
    (told,) = deviations(read(tmp_path, HEAD + BORE).table, limits)
    assert says in told


def test_what_is_judged_as_drawn_deviates_in_nothing(tmp_path):
    assert deviations(read(tmp_path, HEAD + BORE).table, {"bore A.diameter": Limits(4.4, 4.6)}) == ()
