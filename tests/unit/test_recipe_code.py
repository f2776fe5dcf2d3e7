"""The step `code`: what is compared with what is expected, what stops a reading, and input that means harm."""

import csv
import io
import re
import tomllib
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from tests.helpers.mark_scenes import STEP, drawn, on_ground, outcome_of, read, recipe, record, record_of

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.recipe.foresee import foresee
from tiepoint.recipe.marks_content import on_page, shown
from tiepoint.recipe.overlay import overlay_svg
from tiepoint.recipe.recipe import read_recipe
from tiepoint.recipe.records import records_csv
from tiepoint.recipe.wording import one_line
from tiepoint.vision import mark_read
from tiepoint.vision.mark_read import MarkRequest, read_marks
from tiepoint.vision.mark_rungs import Rung

PICTURE = on_ground(drawn("ABC-12"))
GS1 = on_ground(drawn("(01)09501101530003(10)AB", gs1=True))


def test_without_anything_expected_there_is_a_text_and_no_verdict():
    told = record(PICTURE)
    assert (told.readings[0].text, told.readings[0].verdict, told.verdict) == ("ABC-12", None, "unread")


@pytest.mark.parametrize(
    ("expected", "verdict"),
    [
        ('text = "ABC-12"', "conforms"),
        ('text = "ABC-13"', "rejected"),
        ('text = "abc-12"', "rejected"),
        ('one_of = ["X", "ABC-12"]', "conforms"),
        ('one_of = ["X"]', "rejected"),
        ('form = "{capitals:3}-{digits:2}"', "conforms"),
        ('form = "{capitals:3}-{digits:3}"', "rejected"),
        ("part_id = true", "conforms"),
        ('column = "code"', "conforms"),
    ],
)
def test_what_is_expected_decides(expected, verdict):
    told = record(PICTURE, f"expected = {{ {expected} }}", part_id="ABC-12", row={"code": "ABC-12"})
    assert told.verdict == told.readings[0].verdict == verdict
    assert told.readings[0].expected
    if verdict == "rejected":
        assert told.readings[0].reason.code == "content_differs"


def test_a_part_without_a_number_is_unread():
    told = record(PICTURE, "expected = { part_id = true }")
    assert (told.verdict, told.readings[0].reason.code) == ("unread", "no_part_id")


def test_one_field_of_a_message_can_be_compared():
    assert record(GS1, 'expected = { field = "10", text = "AB" }').verdict == "conforms"
    assert record(GS1, 'expected = { field = "10", text = "AC" }').verdict == "rejected"
    told = record(GS1, 'expected = { field = "21", text = "AB" }')
    assert (told.verdict, told.readings[0].reason.code) == ("rejected", "content_lacks")
    assert read(GS1, 'readings = ["fields"]')["fields"].text == "(01)09501101530003 (10)AB"


def test_a_wrong_check_digit_never_conforms():
    wrong = on_ground(drawn("[)>\x1e06\x1d1PABC-12"))
    told = record(wrong, 'expected = { form = "{any:1-99}" }')
    assert (told.verdict, told.readings[0].reason.code) == ("rejected", "content_faulty")
    assert "content_faulty" in told.readings[0].flags


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ('symbology = "matrix"', 'symbology is "matrix"; use "aztec"'),
        ("expected = { }", "expected states nothing; give one of"),
        ('expected = { text = "a", form = "b" }', "expected states text and form; give one of"),
        ('expected = { form = "{digits:" }', "expected.form has a { that no } closes"),
        ('expected = { column = "lot" }', 'takes its text from the column "lot"'),
        ('preparation = "blur 3"', 'preparation is "blur 3"; use words as in'),
        ("both_readers = true", 'goes with symbology = "data_matrix"'),
        ("budget = 0", "budget is 0; choose above 0"),
        ('mask = "mask.png"', "mask covers the box of a region, and none is stated"),
        ('expected = "ABC"', 'expected is "ABC"; give a table'),
    ],
)
def test_a_recipe_that_cannot_work_is_refused_when_it_is_loaded(keys, says):
    with pytest.raises(UnusableDocument) as refused:
        recipe(keys)
    assert says in str(refused.value)


def reason(picture, keys="", **more):
    told = read(picture, keys, **more)["content"]
    assert told.text is None
    assert told.verdict in (None, "unread")
    return told.reason.code


REGION = "region.rectangle = { centre = [110, 90], size = [80, 80] }\n"


def test_what_stops_a_reading_is_told():
    flat = np.random.default_rng(0).normal(120, 1, (300, 400)).astype(np.uint8)
    assert reason(flat) == "mark_faint"
    assert reason(PICTURE, 'symbology = "qr"') == "mark_other_kind"
    damaged = drawn("ABC-12 and some more text")
    damaged[15:70, 15:70] = 255
    assert reason(on_ground(damaged), 'symbology = "data_matrix"') == "mark_damaged"
    two = np.hstack([PICTURE, PICTURE])
    assert reason(two) == "marks_several"
    ramp = np.tile(np.linspace(0, 255, 400).astype(np.uint8), (300, 1))
    assert reason(ramp) == "mark_not_seen"


def test_a_small_mark_in_a_large_region_is_not_said_to_be_faint():
    ground = np.random.default_rng(0).normal(190, 2, (1500, 1500)).clip(0, 255).astype(np.uint8)
    assert reason(ground) == "mark_faint"
    # Random cells, no mark at all, but as black as any: half a hundredth of the pixels.
    cells = np.kron(np.random.default_rng(2).integers(0, 2, (20, 20)), np.ones((5, 5))) * 150 + 40
    ground[700:800, 700:800] = cells
    assert reason(ground) == "mark_not_seen"


def test_a_mark_that_the_region_cuts_is_told():
    beside = "region.rectangle = { centre = [60, 90], size = [70, 100] }\n"
    assert reason(PICTURE, beside + 'symbology = "data_matrix"') == "mark_cut"


def test_what_the_region_cuts_is_not_said_to_be_cut_by_the_picture():
    # A patch of random cells, no mark at all, that reaches across the region's left side or the picture's.
    cells = np.kron(np.random.default_rng(2).integers(0, 2, (20, 20)), np.ones((5, 5))) * 150 + 50
    picture = np.full((300, 400), 200, np.uint8)
    picture[100:200, 20:120] = cells
    region = "region.rectangle = { centre = [170, 150], size = [220, 220] }\n"
    for seen, border in ((picture, "region"), (np.ascontiguousarray(picture[:, 40:]), "picture")):
        keys = region if border == "region" else region.replace("170", "109.5")
        told = read(seen, keys + 'symbology = "data_matrix"')["content"].reason
        assert (told.code, told.params["border"]) == ("mark_cut", border)


def test_a_mark_that_the_picture_cuts_is_told():
    cut = on_ground(drawn("ABC-12 and some more text"), at=(80, 60))[:, 120:]
    assert reason(np.ascontiguousarray(cut), 'symbology = "data_matrix"') in ("mark_cut", "mark_damaged")


def test_a_second_code_outside_the_region_does_not_count():
    two = np.hstack([PICTURE, on_ground(drawn("OTHER"))])
    assert read(two, REGION)["content"].text == "ABC-12"


def test_a_mask_hides_nothing_that_a_code_needs_and_a_region_beyond_the_picture_is_unread():
    assert reason(PICTURE, "region.rectangle = { centre = [10, 90], size = [80, 80] }\n") == "outside_picture"


def test_a_small_budget_ends_the_ladder_in_words():
    assert reason(np.tile(PICTURE[:, ::-1] // 8 + 100, (1, 1)) * 0 + 90, "budget = 0.1") in (
        "mark_faint",
        "mark_budget",
    )
    busy = np.random.default_rng(1).integers(0, 255, (300, 400)).astype(np.uint8)
    assert reason(busy, "budget = 0.2") == "mark_budget"


def test_a_pinned_preparation_is_the_only_one():
    assert read(PICTURE, 'preparation = "shrink1.5"\nreadings = ["preparation"]')["preparation"].text == "shrink1.5"
    assert reason(PICTURE, 'preparation = "sunken: plain"') == "mark_not_seen"


def test_another_picture_of_the_shot_is_read_where_the_first_shows_nothing():
    flat = np.full_like(PICTURE, 120)
    keys = 'also = ["lamp 2"]\nreadings = ["preparation"]'
    told = read(flat, keys, others={"lamp 2": PICTURE})
    assert told["content"].text == "ABC-12"
    assert told["preparation"].text.startswith("lamp 2: ")


def test_two_readings_that_differ_are_both_dropped(monkeypatch):
    monkeypatch.setattr(mark_read, "read_again", lambda picture, mark: b"ABC-13")
    assert reason(PICTURE, 'symbology = "data_matrix"') == "marks_differ"


def test_one_unguarded_reading_is_not_believed():
    # Codabar has no check characters: two preparations must say the same, and a pinned one is alone.
    bars = on_ground(drawn("A12345B", "Codabar", 3))
    assert reason(bars, 'preparation = "plain"') == "mark_unsure"
    assert read(bars)["content"].text == "A12345B"
    # What is expected bears it out too.
    assert read(bars, 'preparation = "plain"\nexpected = { text = "A12345B" }')["content"].verdict == "conforms"


def test_hostile_content_is_text_and_nothing_else():
    for hostile in ('=HYPERLINK("x")', "<script>alert(1)</script>", "a\x1b[2J\x07", "A" * 1500):
        told = read(on_ground(drawn(hostile, cell_px=3), (600, 600), (20, 20)), 'expected = { form = "{digits:4}" }')
        text = told["content"].text
        assert told["content"].verdict == "rejected"
        assert text.isprintable()
        assert len(text) == len(hostile)


def test_separators_are_drawn_by_name_and_hostile_content_does_nothing_anywhere():
    # Names of ISO/IEC 646; no common typeface has the pictures of control characters.
    assert on_page(shown("[)>\x1e06\x1dS1\x1e\x04\x7f")) == "[)><RS>06<GS>S1<RS><EOT><DEL>"
    for hostile in (
        "=1+1",
        "+1",
        "-1",
        "@SUM(A1)",
        "<script>alert(1)</script>",
        "a\r\nb\x1b[31m\u202ecod",
        "&\"'" + "A" * 3000,
    ):
        step = STEP.replace('kind = "code"', 'kind = "code"\npreparation = "plain"')
        kind = "QRCode" if len(hostile) > 100 or not hostile.isascii() else "DataMatrix"
        symbol = drawn(hostile, kind, cell_px=4)
        picture = on_ground(symbol, (symbol.shape[0] + 60, symbol.shape[1] + 60), (30, 30))
        outcome = outcome_of(recipe(step=step), picture)
        text = outcome.record.readings[0].text
        assert text is not None, hostile
        assert text.isprintable()
        drawing = overlay_svg(outcome, picture)
        root = ElementTree.fromstring(drawing)
        assert not [node for node in root.iter() if node.tag.endswith("script")]
        assert not re.search("[\x00-\x09\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069\u2400-\u2421]", drawing)
        (row,) = [r for r in csv.DictReader(io.StringIO(records_csv([outcome.record]))) if r["quantity"] == "content"]
        assert row["text"][:1] not in ("=", "+", "-", "@", "\t", "\r", "\n")
        assert row["text"].removeprefix("'") == text
        assert one_line(text).isprintable()


def test_codes_can_be_foreseen():
    assert foresee(recipe("limits.x = { upper = 100 }"), None) == []


def test_a_code_gives_a_place_that_a_find_can_take():
    keys = '[[step]]\nname = "part"\nkind = "find"\nin = "image"\nof = ["mark"]\n'
    told = {r.id: r for r in record(PICTURE, keys).readings}
    # 14 cells with the quiet zone, of 5 px, from (80, 60): the middle lies at 80 + 35 - 0.5.
    assert told["part.x"].value == pytest.approx(114.5, abs=3 * told["part.x"].u)
    assert told["part.y"].value == pytest.approx(94.5, abs=3 * told["part.y"].u)
    assert told["part.angle"].value == pytest.approx(0.0, abs=3 * told["part.angle"].u)


def test_what_a_dark_region_says_stands_beside_the_rest():
    # The ladder itself, in the room of arrays: no picture of that name costs nothing and tries nothing.
    done = read_marks(lambda name: None, MarkRequest(), (Rung(), Rung(shrink=2)))
    assert (done.tried, done.marks) == (0, ())
    assert STEP


def test_the_how_to_reads_what_it_says():
    page = (Path(__file__).resolve().parents[2] / "docs" / "how-to" / "read-a-mark.md").read_text(encoding="utf-8")
    text = re.findall(r"```toml\n(format.*?)```", page, re.DOTALL)[0]
    told = {r.quantity: r for r in record_of(read_recipe(tomllib.loads(text)), PICTURE).readings}
    assert told["content"].verdict == "conforms"
    assert told["cell"].value == pytest.approx(5.0, abs=0.3)
    assert told["unused_correction"].value == 1.0
