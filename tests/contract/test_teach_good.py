"""Teaching good parts from the command line, and judging others in the frame of a find, in mm."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from tiepoint.documents.canonical import pixels_sha256
from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import save_png
from tiepoint.recipe.good import tiff_bytes
from tiepoint.ties.document import to_document

RECIPE = """format = "tiepoint/recipe/1"
name = "plate"
tie = "tie.json"
height = 0.0
u_height = 0.0

[[step]]
name = "lower"
kind = "line"
region.rectangle = { centre = [14, 5], size = [3, 12], angle_deg = 90 }

[[step]]
name = "left"
kind = "line"
region.rectangle = { centre = [4, 12], size = [3, 8] }

[[step]]
name = "plate"
kind = "find"
of = ["lower", "left"]

[[step]]
name = "print"
kind = "compare"
in = "plate"
region.rectangle = { centre = [10, 7], size = [14, 9] }
limits.count = { upper = 0 }
readings = ["length", "x", "y"]
"""
MM = 0.05


def plate(seed: int, spot_mm: tuple[float, float, float] | None = None) -> np.ndarray:
    """Return a plate with a printed pattern, its corner near (4, 5) mm in a plane with y up, moved by `seed`."""
    rng = np.random.default_rng(seed)
    dx, dy, turn = rng.uniform(-0.4, 0.4), rng.uniform(-0.4, 0.4), rng.normal(0, 0.004)
    col, row = np.meshgrid(np.arange(640), np.arange(480))
    # From pixels to the plane of the fixture plain_tie (0.05 mm/px, origin at the lower left), then into the plate.
    x, y = col * MM - 4.0 - dx, 24.0 - row * MM - 5.0 - dy
    u, v = np.cos(turn) * x + np.sin(turn) * y, np.cos(turn) * y - np.sin(turn) * x
    light = 60 + 110 * (np.clip(u / MM + 0.5, 0, 1) * np.clip(v / MM + 0.5, 0, 1))
    light -= 40 * ((np.sin(u * 2.1) > 0.3) & (np.sin(v * 2.7) > 0.2) & (u > 2) & (v > 2) & (u < 18) & (v < 12))
    if spot_mm is not None:
        light -= 60 * np.clip((spot_mm[2] - np.hypot(u - spot_mm[0], v - spot_mm[1])) / MM + 0.5, 0, 1)
    soft = cv2.GaussianBlur(light, (0, 0), 0.8)
    return np.clip(np.rint(soft + rng.normal(0, 1.5, soft.shape)), 0, 255).astype(np.uint8)


@pytest.fixture
def folder(tmp_path, plain_tie, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plate.toml").write_text(RECIPE)
    write_document(tmp_path / "tie.json", "tie", to_document(plain_tie))
    for k in range(10):
        save_png(tmp_path / "good" / f"{k:02d}.png", plate(k))
    save_png(tmp_path / "other.png", plate(50))
    save_png(tmp_path / "spot.png", plate(51, (9.0, 6.5, 0.4)))
    return tmp_path


def readings(cli, shot: str) -> tuple[int, dict[str, dict]]:
    said = cli("run", "plate.toml", shot, "--out", f"out-{shot}", "--json")
    (line,) = (Path(f"out-{shot}") / "records.jsonl").read_text("utf-8").splitlines()
    return said.code, {r["id"]: r for r in json.loads(line)["readings"]}


def test_good_parts_are_taught_and_a_spot_is_found_in_the_parts_frame(cli, folder):
    said = cli("teach", "plate.toml", "print", "good")
    assert said.code == 0, said.err
    assert "10 good pictures" in said.out
    assert (folder / "plate.print.good.tif").exists()
    assert 'good = "plate.print.good.json"' in (folder / "plate.toml").read_text()
    _, told = readings(cli, "other.png")
    assert told["print.count"]["verdict"] == "conforms"
    _, told = readings(cli, "spot.png")
    assert told["print.count"]["value"] == 1
    assert told["print.count"]["verdict"] == "rejected"
    # Closed form: a disc of 0.4 mm about (9, 6.5) in the part's frame.
    for name, true in (("area", np.pi * 0.16), ("length", 0.8), ("x", 9.0), ("y", 6.5)):
        reading = told[f"print.{name}"]
        assert abs(reading["value"] - true) < 1.5 * reading["U95"], name
    assert told["print.area"]["unit"] == "mm2"
    assert any(s["label"] == "print scale" for s in told["print.area"]["sources"])


def test_teaching_says_in_a_sentence_why_not(cli, folder):
    save_png(folder / "empty.png", np.full((480, 640), 90, np.uint8))
    for words, sentence in (
        (("print", "empty.png"), "cannot be learnt from. The step it rests on, plate, gave no value"),
        (("print",), "name one shot to learn from (several for a compare, text or code), or a drawing with --outline"),
        (("lower", "good"), 'no find, compare, text or code of the recipe is named "lower"'),
        (("print", "--outline", "x.dxf"), "a compare learns from shots of good parts, not from a drawing"),
    ):
        said = cli("teach", "plate.toml", *words)
        assert said.code == 2
        assert sentence in said.err.replace("\n", " ")
        assert not (folder / "plate.print.good.json").exists()


def changed(document: dict, **more) -> dict:
    return {**document, **more}


def levels_of(folder: Path) -> np.ndarray:
    return np.asarray(Image.open(folder / "plate.print.good.tif"), np.float32)


def with_levels(folder: Path, document: dict, levels: np.ndarray) -> dict:
    """Write other levels, with the hash that is theirs: as one would who makes a file by hand."""
    (folder / "plate.print.good.tif").write_bytes(tiff_bytes(levels))
    return changed(document, levels={**document["levels"], "pixels_sha256": pixels_sha256(levels)})


@pytest.mark.parametrize(
    ("damage", "sentence"),
    [
        (lambda _, d: changed(d, levels={**d["levels"], "file": ".."}), "levels is not known; it names the file"),
        (
            lambda _, d: changed(d, levels={**d["levels"], "file": "..\\a.tif"}),
            "levels is not known; it names the file",
        ),
        (lambda _, d: changed(d, levels={**d["levels"], "pixels_sha256": "0" * 64}), "is not the file that was taught"),
        (lambda _, d: changed(d, format="tiepoint/good/2"), "newer than this program reads"),
        (lambda _, d: changed(d, maxima=[1e308] * 10), "it holds a number from 0 to 1e+06 for each picture, or none"),
        (lambda _, d: changed(d, maxima=[-1.0] * 10), "it holds a number from 0 to 1e+06 for each picture, or none"),
        (lambda _, d: changed(d, levelled="no"), 'levelled is "no"; it is true or false'),
        (
            lambda f, d: with_levels(f, d, levels_of(f) * np.float32(1e34)),
            "does not hold a mean and a spread above zero",
        ),
        (lambda f, d: with_levels(f, d, -levels_of(f)), "does not hold a mean and a spread above zero"),
        (
            lambda f, d: with_levels(
                f, d, np.concatenate([(a := levels_of(f))[: len(a) // 2], a[len(a) // 2 :] * 1e30])
            ),
            "holds a spread above 1e+07; teach again",
        ),
    ],
)
def test_what_was_taught_is_refused_where_it_does_not_hold_together(cli, folder, damage, sentence):
    # A spread or a maximum without bound grants every difference, and any part would conform.
    assert cli("teach", "plate.toml", "print", "good").code == 0
    taught = folder / "plate.print.good.json"
    taught.write_text(json.dumps(damage(folder, json.loads(taught.read_text("utf-8")))), "utf-8")
    said = cli("run", "plate.toml", "spot.png")
    assert (said.code, said.is_one_sentence()) == (2, True)
    assert sentence in said.err
