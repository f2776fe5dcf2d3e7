"""The how-to on limits and trials: its tables and commands run, on shots and measurements that are made here."""

import csv
from pathlib import Path

import numpy as np
from scipy.special import ndtr

from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import save_png
from tiepoint.foundation.sources import Source
from tiepoint.ties.document import to_document
from tiepoint.ties.sensor import Sensor
from tiepoint.ties.tie import PARAMETERS, Tie

PATH = Path(__file__).resolve().parents[2] / "docs" / "how-to" / "set-limits-and-try-them.md"
RECIPE = """
format = "tiepoint/recipe/1"
name = "plate"
unit = "mm"
tie = "tie.json"
height = 0.0
u_height = 0.0

[[step]]
name = "bore"
kind = "circle"
region = { ring = { centre = [15, 12], inner = 2, outer = 4 } }
limits.diameter = { lower = 4.4, upper = 4.6 }
"""


def test_the_commands_of_the_page_say_what_it_shows(tmp_path, follow):
    _recipe(tmp_path)
    for k in range(6):
        _bore(tmp_path / "proof" / "good" / f"{k}.png", 4.5, k)
        _bore(tmp_path / "proof" / ("large" if k % 2 else "small") / f"{k}.png", 4.75 if k % 2 else 4.25, 10 + k)
    _bore(tmp_path / "tuning" / "good" / "0.png", 4.5, 50)
    _decisions(tmp_path / "decisions.csv")
    _lengths(tmp_path / "lengths.csv")
    follow(PATH)
    assert (tmp_path / "trial" / "trial.html").is_file()
    assert (tmp_path / "studies" / "runs.pdf").read_bytes().startswith(b"%PDF-")
    for picture in ("risks.svg", "causes.svg", "lengths.svg"):
        assert (tmp_path / picture).read_text(encoding="utf-8").startswith("<svg")


def _recipe(folder: Path) -> None:
    """Write a recipe of one bore and a tie of 0.05 mm/px, known to 1e-4."""
    (folder / "plate.toml").write_text(RECIPE, encoding="utf-8")
    matrix = np.array([[0.05, 0.0, 0.0], [0.0, -0.05, 24.0], [0.0, 0.0, 1.0]])
    factor = np.zeros((len(PARAMETERS), 1))
    factor[:9, 0] = np.array([[0.05, 0.0, 0.0], [0.0, -0.05, 24.0], [0.0, 0.0, 0.0]]).ravel()
    tie = Tie(
        id="plain", made="length", from_frame="image", to_frame="plane", model="similarity", matrix=matrix,
        valid_region=np.array([[0.0, 0.0], [600.0, 0.0], [600.0, 479.0], [0.0, 479.0]]),
        sources=(Source("rule", "print scale", "B", 1e-4, "tie"),), factor=factor, sensor=Sensor(640, 480),
    )  # fmt: skip
    write_document(folder / "tie.json", "tie", to_document(tie))


def _bore(path: Path, diameter_mm: float, seed: int) -> None:
    y, x = np.mgrid[0:480, 0:640]
    away = np.hypot(x - 300, y - 240) - diameter_mm / 2 / 0.05
    grey = 60 + 140 * ndtr(away) + np.random.default_rng(seed).normal(0, 1, away.shape)
    path.parent.mkdir(parents=True, exist_ok=True)
    save_png(path, np.clip(np.round(grey), 0, 255).astype(np.uint8))


def _decisions(path: Path) -> None:
    """Write the decisions of which κ is .914 and the miss rate 3.70 %."""
    kinds = ((92, "good", "good"), (4, "bad", "good"), (2, "good", "bad"), (52, "bad", "bad"))
    rows = [(said, true) for count, said, true in kinds for _ in range(count)]
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([("part", "value", "reference"), *((f"p{k}", *row) for k, row in enumerate(rows))])


def _lengths(path: Path) -> None:
    rng = np.random.default_rng(1)
    rows = [
        (known, f"{known + rng.normal(0, 0.003):.4f}", position, turn, height)
        for position in ("left top", "right top", "middle", "left bottom", "right bottom")
        for turn in (0, 90)
        for height in (0, 12)
        for known in (10, 25, 40, 60, 80)
        for _ in range(3)
    ]
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([("known", "value", "position", "orientation", "height"), *rows])
