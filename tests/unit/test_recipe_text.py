"""The step `text`: what may stand there, what is told apart by its place, and what is not believed."""

import cv2
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont
from tests.helpers.mark_scenes import read, recipe, record

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.recipe.foresee import foresee
from tiepoint.vision.mark_text import Letter, LineSeen, alike, resolved, see_line

STEP = (
    '[[step]]\nname = "lot"\nkind = "text"\nin = "image"\n'
    "region.rectangle = { centre = [200, 100], size = [320, 56] }\n"
)
SIZE = (200, 400)


def picture(text, light=190, dark=50, blur=0.8, noise=3.0, size_px=40, turn_deg=0.0, seed=0):
    """Return a picture (rows, columns) of one line about (200, 100), in Pillow's own plain face."""
    page = Image.new("L", SIZE[::-1], light)
    draw = ImageDraw.Draw(page)
    draw.text((200, 100), text, fill=dark, font=ImageFont.load_default(size=size_px), anchor="mm")
    grey = np.asarray(page.rotate(turn_deg, Image.Resampling.BICUBIC, fillcolor=light), float)
    grey = cv2.GaussianBlur(grey, (0, 0), blur)
    return np.clip(grey + np.random.default_rng(seed).normal(0, noise, SIZE), 0, 255).astype(np.uint8)


def content(page, keys="", **more):
    return read(page, keys, step=STEP, **more)["content"]


def verdict(page, keys, **more):
    made = record(page, keys, step=STEP, **more)
    told = made.readings[0]
    assert made.verdict == told.verdict
    return told.verdict, told.reason.code if told.reason else None


@pytest.mark.parametrize("text", ["LOT 240817", "EXP 12/2027", "A7-3349", "SN4711"])
def test_lines_are_read(text):
    assert content(picture(text)).text == text.replace(" ", "")


def test_bright_letters_and_turned_ones_are_read():
    assert content(picture("LOT 240817", 60, 200)).text == "LOT240817"
    turned = STEP.replace("56] }", "56], angle_deg = 12 }")
    assert read(picture("LOT 240817", turn_deg=12), step=turned)["content"].text == "LOT240817"


def test_what_is_expected_decides_and_spaces_do_not_count():
    page = picture("LOT 240817")
    assert verdict(page, 'expected = { text = "LOT 240817" }') == ("conforms", None)
    assert verdict(page, 'expected = { text = "LOT240817" }') == ("conforms", None)
    assert verdict(page, 'expected = { one_of = ["LOT 1", "LOT 240817"] }') == ("conforms", None)
    assert verdict(page, 'expected = { form = "LOT {digits:6}" }') == ("conforms", None)
    assert verdict(page, "expected = { part_id = true }", part_id="LOT 240817") == ("conforms", None)
    assert verdict(page, 'expected = { text = "LOT 240819" }') == ("rejected", "content_differs")


def test_a_line_that_is_not_built_so_is_unread():
    assert verdict(picture("LOT 24081"), 'expected = { form = "LOT {digits:6}" }') == ("unread", "text_not_built_so")
    assert verdict(picture("LOT 24081X"), 'expected = { form = "LOT {digits:6}" }') == ("unread", "text_not_built_so")


def test_characters_that_cannot_occur_make_it_unread():
    told = content(picture("LOT 240817"), 'characters = "LOT0123456"')
    assert (told.text, told.reason.code) == (None, "text_strange")
    assert told.reason.params["characters"] == "78"


def test_what_looks_alike_is_told_apart_by_its_place_alone_and_said():
    page = picture("LOT 240817")
    for keys in ('expected = { form = "LOT {digits:6}" }', 'expected = { form = "L{capitals:2}{digits:6}" }'):
        assert content(page, keys).text == "LOT240817"
    # A line of letters where digits must stand: O becomes 0, I becomes 1, and the reading says so.
    told = content(picture("LOT OI4"), 'expected = { form = "LOT {digits:3}" }')
    assert told.text == "LOT014"
    assert "read_as_alike" in told.flags
    # Without anything that tells them apart, a difference of look-alikes alone neither passes nor condemns.
    assert verdict(picture("LOT OI4"), 'expected = { text = "LOT 014" }') == ("unread", "text_alike")


def test_of_several_look_alikes_that_may_stand_there_none_is_taken():
    line = LineSeen((Letter("0", 0.99),))
    assert resolved(line, [lambda c: c in "OD"]) == line
    assert resolved(line, [lambda c: c in "OX"]) == LineSeen((Letter("O", 0.99),), 1)
    assert alike("0") == frozenset("0ODQ")
    assert alike("A") == frozenset("A")


def test_no_text_is_unread():
    noise = np.random.default_rng(3)
    assert content(np.full(SIZE, 120, np.uint8)).reason.code == "mark_faint"
    assert content(noise.normal(120, 1, SIZE).astype(np.uint8)).reason.code == "mark_faint"
    brushed = cv2.GaussianBlur(noise.normal(size=SIZE), (0, 0), sigmaX=9, sigmaY=0.8)
    ground = np.clip(128 + 30 * brushed / brushed.std(), 0, 255).astype(np.uint8)
    assert content(ground, 'expected = { form = "LOT {digits:6}" }').text is None
    assert content(np.full(SIZE, 0, np.uint8)).text is None
    assert see_line(np.zeros((2, 50), np.uint8)) == LineSeen(())


def test_a_region_beyond_the_picture_is_unread():
    far = STEP.replace("[200, 100]", "[300, 100]")
    assert read(picture("LOT 1"), step=far)["content"].reason.code == "outside_picture"


def test_a_region_that_no_line_fills_is_unread_in_a_sentence():
    ground = np.random.default_rng(0).normal(128, 20, (40, 19400)).clip(0, 255).astype(np.uint8)
    thin = STEP.replace("[200, 100], size = [320, 56]", "[9700, 20], size = [19000, 6]")
    reason = read(ground, step=thin)["content"].reason
    assert reason.code == "text_long"
    assert reason.sentence.startswith("The region is 3167 times as long as it is high, and at most 100 can be read")
    assert see_line(np.zeros((4, 6000), np.uint8)) == LineSeen(())


def test_a_picture_of_the_shot_that_shows_more_is_read():
    flat = np.full(SIZE, 120, np.uint8)
    page = picture("LOT 240817").astype(np.uint16) * 200
    told = read(flat, 'also = ["lamp 2"]\nreadings = ["preparation"]', step=STEP, others={"lamp 2": page})
    assert told["content"].text == "LOT240817"
    assert told["preparation"].text.startswith("lamp 2: ")
    pinned = f'also = ["lamp 2"]\npreparation = "{told["preparation"].text}"'
    assert read(flat, pinned, step=STEP, others={"lamp 2": page})["content"].text == "LOT240817"


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ('expected = { form = "{digit:3}" }', "is none of digits"),
        ('expected = { text = "a", field = "01" }', "a line of text is no message with fields"),
        ('preparation = "dots_bright"', 'use words as in "smooth1.5"'),
        ("least_score = 0.1", "choose at least 0.3"),
        ('characters = ""', "give at least one letter"),
    ],
)
def test_a_recipe_that_cannot_work_is_refused(keys, says):
    with pytest.raises(UnusableDocument) as refused:
        recipe(keys, STEP)
    assert says in str(refused.value)


def test_text_is_not_foreseen():
    assert foresee(recipe("limits.least_score = { lower = 0.9 }", STEP), None) == []
