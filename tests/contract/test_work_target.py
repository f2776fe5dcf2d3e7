"""Targets from a page: drawn and measured as by the commands; what cannot be is said at its field."""

import json

import pytest
from tests.contract.test_work_tie import Page, run
from tests.helpers.served import Served
from tests.helpers.tie_station import tie_station

from tiepoint.documents.files import read_document

FIELD = {"width": "104", "height": "76", "width_px": 1920, "height_px": 1440}
DRAWN = {"name": "target", "pattern": "charuco", "pitch": "7,5", "columns": 18, "rows": 12, "paper": "A4"}
BARS = {"path": "targets/target.json", "x": "129.4", "y": "89.7", "u": "0.1", "measured_with": "rule no 12"}


@pytest.fixture
def page(tmp_path):
    station = tie_station(tmp_path / "station")
    with Served(station.folder) as served:
        yield Page(served, station)


def test_advice_fills_the_field_with_squares_that_are_seen_large(page):
    status, told = page("POST", "/api/targets/advice", FIELD)
    assert status == 200, told
    assert told["pitch_mm"] * told["columns"] >= 104
    assert told["pitch_mm"] * told["rows"] >= 76
    assert told["pitch_mm"] * 1920 / 104 >= 20  # docs/how-to/print-a-target.md: a square is at least 20 px wide
    assert told["paper"] == "A5"  # 148 × 210 mm (ISO 216) take 120 × 84 mm and the bars, A6 with 105 × 148 does not
    assert page("POST", "/api/targets", {**DRAWN, **{k: told[k] for k in ("columns", "rows", "paper")},
                                         "pitch": str(told["pitch_mm"])})[0] == 201  # fmt: skip


@pytest.mark.parametrize("pattern", ["checker", "dots"])
def test_what_must_be_seen_whole_lies_within_the_field(page, pattern):
    _, told = page("POST", "/api/targets/advice", {**FIELD, "pattern": pattern})
    assert told["pitch_mm"] * told["columns"] <= 104
    assert told["pitch_mm"] * told["rows"] <= 76


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"width": "0"}, "width"),
        ({"width": ""}, "width"),
        ({"height": "wide"}, "height"),
        ({"width": "1e20"}, "width"),
        ({"pattern": "checker", "width_px": 40, "height_px": 30}, "width"),
    ],
)
def test_a_field_that_cannot_be_is_said_where_it_was_typed(page, change, where):
    status, told = page("POST", "/api/targets/advice", {**FIELD, **change})
    assert (status, told["where"]) == (422, where)


def test_a_length_may_have_a_decimal_comma_with_its_unit_too(page):
    assert page("POST", "/api/targets/advice", {**FIELD, "width": "104,0 mm"}) == page(
        "POST", "/api/targets/advice", FIELD
    )


def test_a_target_is_drawn_and_measured_as_by_the_commands(page, tmp_path):
    status, told = page("POST", "/api/targets", DRAWN)
    assert status == 201, told
    command = ("--pattern", "charuco", "--pitch", "7.5mm", "--columns", 18, "--rows", 12, "--paper", "A4")
    run("target", "draw", *command, "--out", tmp_path / "by-command", "--json")
    place = page.station.folder / "targets"
    for name in ("target.json", "target.svg", "target.pdf"):
        assert (place / name).read_bytes() == (tmp_path / "by-command" / name).read_bytes()
    status, measured = page("POST", "/api/targets/bars", {**BARS, "seen": told["seen"]})
    assert status == 200, measured
    document = tmp_path / "by-command" / "target.json"
    bars = ("--bar-x", "129.4mm", "--bar-y", "89.7mm", "--u", "0.1mm", "--with", "rule no 12")
    run("target", "measure", document, *bars, "--json")
    ours, theirs = read_document(place / "target.json", "target"), read_document(document, "target")
    for one in (ours, theirs):
        one["measured"].pop("when_utc")
    assert ours == theirs
    assert measured["is_measured"]
    assert measured["scale"][0].startswith("Along x the print is ")
    (listed,) = page("GET", "/api/targets")[1]["targets"]
    assert listed == measured


def test_its_page_is_given_to_be_printed(page):
    page("POST", "/api/targets", DRAWN)
    headers = {"Authorization": "Bearer look"}
    status, told, data = page.served.ask("GET", "/api/targets/target/page.pdf", headers=headers)
    assert (status, told["content-type"]) == (200, "application/pdf")
    assert data == (page.station.folder / "targets/target.pdf").read_bytes()
    status, told, data = page.served.ask("GET", "/api/targets/target/page.svg", headers=headers)
    assert (status, told["content-type"].split(";")[0], data[:4]) == (200, "image/svg+xml", b"<svg")
    assert page("GET", "/api/targets/absent/page.pdf")[0] == 404


@pytest.mark.parametrize(
    ("change", "where", "says"),
    [
        ({"x": "12"}, "x", "the bars should measure"),
        ({"x": "5.094", "y": "3.53"}, "x", "were they typed in inches"),
        ({"y": "-1"}, "y", "the bar along the left edge"),
        ({"u": ""}, "u", "is empty"),
        ({"measured_with": "  "}, "measured_with", "is not said"),
    ],
)
def test_bars_that_cannot_be_are_said_at_their_field_and_change_nothing(page, change, where, says):
    _, told = page("POST", "/api/targets", DRAWN)
    before = (page.station.folder / "targets/target.json").read_bytes()
    status, refused = page("POST", "/api/targets/bars", {**BARS, "seen": told["seen"], **change})
    assert (status, refused["where"]) == (422, where), refused
    assert says in f"{refused['says']}; {refused['do']}"
    assert (page.station.folder / "targets/target.json").read_bytes() == before


def test_a_measured_print_is_never_drawn_over(page):
    _, told = page("POST", "/api/targets", DRAWN)
    _, measured = page("POST", "/api/targets/bars", {**BARS, "seen": told["seen"]})
    status, refused = page("POST", "/api/targets", {**DRAWN, "seen": measured["seen"]})
    assert (status, refused["where"]) == (409, "name")
    assert "holds the measurement of a print" in refused["says"]
    status, stale = page("POST", "/api/targets/bars", {**BARS, "x": "129.5", "seen": told["seen"]})
    assert status == 409, stale


@pytest.mark.parametrize("name", ["../evil", "a/b/c/../d", "nul", "<b>", "x" * 61])
def test_a_hostile_name_is_refused_at_its_field(page, name):
    status, told = page("POST", "/api/targets", {**DRAWN, "name": name})
    assert status == 422
    assert told["where"] == "name"
    assert not list(page.station.folder.parent.glob("evil*"))


def test_a_document_that_is_damaged_is_listed_with_its_fault(page):
    place = page.station.folder / "targets"
    place.mkdir()
    (place / "broken.json").write_text(json.dumps({"format": "tiepoint/target/1", "pattern": "stars"}))
    (told,) = page("GET", "/api/targets")[1]["targets"]
    assert told["fault"]
    assert str(page.station.folder) not in told["fault"]
