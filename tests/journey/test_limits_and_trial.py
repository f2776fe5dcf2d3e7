"""The how-to on limits and trials: its tables and commands run, on shots and measurements that are made here."""

import csv
from pathlib import Path

import numpy as np
from scipy.special import ndtr
from tests.helpers.plain_bore import write_recipe, write_tie

from tiepoint.documents.pictures import save_png

PATH = Path(__file__).resolve().parents[2] / "docs" / "how-to" / "set-limits-and-try-them.md"


def test_the_commands_of_the_page_say_what_it_shows(tmp_path, follow):
    write_tie(tmp_path)
    write_recipe(tmp_path)
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
