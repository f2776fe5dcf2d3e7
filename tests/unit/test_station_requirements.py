"""What a station was ordered for: read, checked, and held against what is judged."""

from pathlib import Path

import pytest

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.model.decide import Limits
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.requirements import Judged, agree, agreed_since, deviations, load_requirements

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


def judged(limits, variant=None, unit="mm", reading="bore A.diameter"):
    return Judged(variant, reading, unit, limits)


@pytest.mark.parametrize(
    ("by", "says"),
    [
        ([], "no accepted recipe reads bore A.diameter"),
        ([judged(None)], "the recipe sets no limits"),
        ([judged(Limits(4.4, 4.7))], "the drawing allows 4.4 to 4.6 mm, the recipe judges by 4.4 to 4.7 mm"),
        ([judged(Limits(None, 4.6))], "the recipe judges by at most 4.6 mm"),
        ([judged(Limits(4.4, 4.6 + 1e-6))], "judges by 4.4 to 4.600001 mm"),
        ([judged(Limits(4.4, 4.6), unit="in")], "judges by 4.4 to 4.6 in"),
        ([judged(Limits(4.4, 4.6), unit="px")], "judges by 4.4 to 4.6 px"),
        ([judged(Limits(4.3, 4.5), "thin"), judged(Limits(4.4, 4.6), "wide")], "bore A (thin): the drawing"),
        ([judged(Limits(4.4, 4.6), "thin"), judged(Limits(4.3, 4.5), "wide")], "bore A (wide): the drawing"),
    ],
)
def test_what_is_judged_otherwise_than_drawn_is_told(tmp_path, by, says):
    (told,) = deviations(read(tmp_path, HEAD + BORE).table, by)
    assert says in told


@pytest.mark.parametrize(
    "by",
    [
        judged(Limits(4.4, 4.6)),
        judged(Limits(4.5 - 0.1, 4.7 - 0.1)),  # 4.6 in decimals, not in doubles
        judged(Limits(4.4 / 25.4, 4.6 / 25.4), unit="in"),  # the inch is 25.4 mm since 1959
    ],
)
def test_what_is_judged_as_drawn_deviates_in_nothing(tmp_path, by):
    assert deviations(read(tmp_path, HEAD + BORE).table, [by]) == ()


def test_a_characteristic_holds_for_the_variants_that_it_names(tmp_path):
    wide = BORE.replace("bore A", "wide bore", 1).replace("4.6", "4.8").replace("4.4", "4.6") + 'variants = ["wide"]\n'
    table = read(tmp_path, HEAD + BORE + 'variants = ["thin"]\n' + wide).table
    both = [judged(Limits(4.4, 4.6), "thin"), judged(Limits(4.7 - 0.1, 4.8), "wide")]
    assert deviations(table, both) == ()
    told = deviations(table, [both[0], judged(Limits(4.4, 4.6), "wide")])
    assert told == ("wide bore (wide): the drawing allows 4.6 to 4.8 mm, the recipe judges by 4.4 to 4.6 mm.",)
    assert deviations(table, both[:1]) == (
        'wide bore: no accepted recipe reads bore A.diameter for the variant "wide".',
    )


# --- since when -------------------------------------------------------------------------------------------------------

GUARD = '[[requirement]]\nid = "R2"\nsays = "At most 0.02 mm."\nby = "linearity"\nof = "bore A.diameter"\nmost = 0.02\n'


def agreed(tmp_path: Path, *texts: str) -> list[tuple[str, int]]:
    """Agree on one text after the other, and return since which of them each requirement counts."""
    tmp_path.mkdir(exist_ok=True)
    (tmp_path / "station.toml").write_text('format = "tiepoint/station/1"\nname = "vents"\n')
    station = open_station(tmp_path)
    for text in texts:
        (tmp_path / "requirements.toml").write_text(text, encoding="utf-8")
        assert agree(station, who="M. Weiss", why="order 7") is not None
    with Ledger(station.ledger_path) as ledger:
        return [(id_, act.seq) for id_, act in agreed_since(station, ledger).items()]


@pytest.mark.parametrize(
    ("then", "since"),
    [
        (HEAD.replace("plates", "sheets") + BORE + RR + GUARD, 1),
        (HEAD + BORE + RR.replace("At most 30 %", "No more than 30 %") + LIGHT, 1),
        (HEAD + BORE + RR.replace('"R1"', '"R7"'), 1),
        (HEAD + BORE + RR + 'figure = "GRR of the tolerance"\n', 1),  # which it was held by before
        (HEAD + BORE + RR.replace("0.3", "3.0"), 2),
        (HEAD + BORE + RR + 'figure = "GRR of the variation"\n', 2),
        (HEAD + BORE + RR + "confidence = 0.9\n", 2),
        (HEAD + BORE.replace("upper = 4.6", "upper = 5.6") + RR, 2),  # 30 % of another tolerance
    ],
)
def test_a_requirement_counts_since_it_stands_as_it_does(tmp_path, then, since):
    assert agreed(tmp_path, HEAD + BORE + RR, then)[0][1] == since


def test_a_limit_of_its_own_unit_does_not_hang_on_the_drawing_and_one_that_came_back_is_new(tmp_path):
    wide = BORE.replace("upper = 4.6", "upper = 5.6")
    assert agreed(tmp_path / "a", HEAD + BORE + GUARD, HEAD + wide + GUARD) == [("R2", 1)]
    relaxed = RR.replace("0.3", "3.0")
    told = agreed(tmp_path / "b", HEAD + RR + GUARD, HEAD + relaxed + GUARD, HEAD + RR + GUARD)
    assert told == [("R1", 3), ("R2", 1)]
