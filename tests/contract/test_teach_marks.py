"""Teaching a text the characters that occur, and a code its preparation, from the command line."""

import cv2
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont
from tests.helpers.mark_scenes import drawn, on_ground

from tiepoint.documents.pictures import save_png

RECIPE = """format = "tiepoint/recipe/1"
name = "marks"

# The lot stands below.
[[step]]
name = "lot"
kind = "text"
in = "image"
region.rectangle = { centre = [200, 100], size = [320, 56] }
expected = { form = "LOT {digits:4}" }

[[step]]
name = "mark"
kind = "code"
in = "image"
expected = { form = "ABC-{digits:2}" }
"""


def line(text):
    page = Image.new("L", (400, 200), 190)
    draw = ImageDraw.Draw(page)
    draw.text((200, 100), text, fill=50, font=ImageFont.load_default(size=40), anchor="mm")
    grey = cv2.GaussianBlur(np.asarray(page, float), (0, 0), 0.8)
    return np.clip(grey + np.random.default_rng(0).normal(0, 3, grey.shape), 0, 255).astype(np.uint8)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "marks.toml").write_text(RECIPE)
    for text in ("LOT 2407", "LOT 2417", "LOT 2398"):
        save_png(tmp_path / f"{text[4:]}.png", line(text))
    save_png(tmp_path / "code.png", on_ground(drawn("ABC-12"), (200, 400), (80, 60)))
    return tmp_path


def test_a_text_learns_the_characters_and_takes_no_others_from_then_on(cli, folder):
    said = cli("teach", "marks.toml", "lot", "2407.png", "2417.png")
    assert said.code == 0, said.err
    written = (folder / "marks.toml").read_text()
    assert 'characters = "01247LOT"' in written
    assert "# The lot stands below." in written
    assert "allows 35689 too" in said.out.replace("\n", " ")
    # A digit that was not taught stays unread, though the form allows it.
    record = cli("run", "marks.toml", "2398.png", "--out", "out", "--json")
    assert "text_strange" in (folder / "out" / "records.jsonl").read_text("utf-8"), record.err


def test_a_code_learns_its_preparation(cli, folder):
    said = cli("teach", "marks.toml", "mark", "code.png")
    assert said.code == 0, said.err
    assert 'preparation = "plain"' in (folder / "marks.toml").read_text()


def test_nothing_is_learnt_from_what_is_not_as_expected(cli, folder):
    before = (folder / "marks.toml").read_text()
    for words, sentence in (
        (("lot", "code.png"), "cannot be learnt from."),
        (("mark", "2407.png"), "cannot be learnt from."),
        (("mark", "--outline", "x.dxf"), "a code learns from shots of good parts, not from a drawing"),
    ):
        said = cli("teach", "marks.toml", *words)
        assert said.code == 2
        assert sentence in said.err.replace("\n", " ")
    assert (folder / "marks.toml").read_text() == before
    (folder / "marks.toml").write_text(RECIPE.replace('expected = { form = "LOT {digits:4}" }\n', ""))
    said = cli("teach", "marks.toml", "lot", "2407.png")
    assert said.code == 2
    assert "state expected" in said.err.replace("\n", " ")
