"""The how-to pages on lamps, marks, patches, beads, colour and comparison: their recipes and commands run."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tests.helpers.how_to_parts import MM, SHAPE, SIDES, beads, cap, label, lit, pores, printed
from tests.helpers.mark_scenes import drawn, on_ground
from tests.helpers.square_tie import square_tie

from tiepoint.cli.main import main
from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import save_png
from tiepoint.ties.document import to_document

HOW_TO = Path(__file__).resolve().parents[2] / "docs" / "how-to"


def keep(folder, pictures):
    for side, picture in zip(SIDES, pictures, strict=True):
        save_png(folder / f"{side}.png", picture)


@pytest.fixture
def place(tmp_path):
    """Return the folder in which pages are followed, with a tie of 0.05 mm/px and the flat card's pictures."""
    # The tie knows where its camera stands, as one made with --distance does.
    foot = (MM * (SHAPE[1] - 1) / 2, MM * (SHAPE[0] - 1) / 2)
    tie = replace(square_tie(MM, SHAPE[1], SHAPE[0], u_scale=1e-4), distance_mm=400.0, u_distance_mm=2.0, foot_mm=foot)
    write_document(tmp_path / "tie.json", "tie", to_document(tie))
    keep(tmp_path / "shots" / "flat", lit(seed=8))
    return tmp_path


def readings(capsys, *words):
    """Return the readings of a run, by step and quantity."""
    capsys.readouterr()
    main(["run", *words, "--json"])
    (record,) = json.loads(capsys.readouterr().out)["records"]
    return {(one["step"], one["quantity"]): one for one in record["readings"]}


def lamps_of(page):
    """Return the lights.toml of the page that tells how lamps are stated."""
    return page.read_text(encoding="utf-8").split("`lights.toml`:\n\n```toml\n")[1].split("```")[0]


def test_light_a_part(place, follow):
    keep(place / "shots" / "part-01", lit("ABC-12", seed=1))
    keep(place / "shots" / "plate", lit(gains=(1, 1, 0.97, 1), seed=2))
    follow(HOW_TO / "light-a-part.md")
    # 0.4 mm are 8 px here. A dent of 1 px lies deeper than the ground, and is as deep in mm.
    relief = np.asarray(Image.open(place / "relief" / "relief.tiff"))
    assert np.ptp(relief[160:340, 210:390]) == pytest.approx(1.0 * MM, rel=0.25)


def test_read_a_mark(place, follow, capsys):
    save_png(place / "printed.png", on_ground(drawn("ABC-12")))
    save_png(place / "label.png", label("LOT 240117"))
    (place / "lights.toml").write_text(lamps_of(HOW_TO / "light-a-part.md"), encoding="utf-8")
    keep(place / "shots" / "part-01", lit("ABC-12", seed=1))
    follow(HOW_TO / "read-a-mark.md")
    assert 'preparation = "curvature: dots_dark"' in (place / "peened.toml").read_text(encoding="utf-8")
    told = readings(capsys, "peened.toml", "shots/part-01")["serial number", "content"]
    assert (told["text"], told["verdict"]) == ("ABC-12", "conforms")


def test_count_and_size_patches(place, follow, capsys):
    save_png(place / "face.png", pores())
    follow(HOW_TO / "count-and-size-patches.md")
    told = readings(capsys, "pores.toml", "face.png")
    assert told["pores", "count"]["value"] == 2
    area = told["pores", "area"]
    assert area["value"] == pytest.approx(np.pi * 0.25**2, abs=2 * area["U95"])


def test_measure_a_bead(place, follow, capsys):
    save_png(place / "seal.png", beads([]))
    save_png(place / "broken.png", beads([(20.0, 21.0)]))
    (place / "lights.toml").write_text(lamps_of(HOW_TO / "light-a-part.md"), encoding="utf-8")
    keep(place / "shots" / "part-01", lit(bead_mm=[(2.0, 44.0)], seed=1))
    keep(place / "shots" / "part-02", lit(bead_mm=[(2.0, 20.0), (21.2, 44.0)], seed=2))
    follow(HOW_TO / "measure-a-bead.md")
    for recipe, shot, gap in (("seal.toml", "broken.png", 1.0), ("grey.toml", "shots/part-02", 1.2)):
        told = readings(capsys, recipe, shot)["seal", "longest_gap"]
        assert told["verdict"] == "rejected"
        assert told["value"] == pytest.approx(gap, abs=0.15)


def test_compare_with_good_parts(place, follow, capsys):
    for seed in range(8):
        save_png(place / "good" / f"{seed:02}.png", printed(seed))
    save_png(place / "scratched.png", printed(20, scratch=True))
    save_png(place / "sound.png", printed(21))
    follow(HOW_TO / "compare-with-good-parts.md")
    told = readings(capsys, "print.toml", "scratched.png")
    assert told["print", "length"]["value"] == pytest.approx(5.2, abs=0.4)
    assert readings(capsys, "print.toml", "sound.png")["print", "count"]["verdict"] == "conforms"


def test_tell_a_colour(place, follow):
    save_png(place / "cap.png", cap())
    follow(HOW_TO / "tell-a-colour.md")
