"""A small station of bores: its folder, its drafts and pictures, as far as accepted and judged."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from tiepoint.documents.files import write_document
from tiepoint.ties.document import to_document
from tiepoint.ties.tie import Tie

RECIPE = """
format = "tiepoint/recipe/1"
name = "vent bore"
unit = "mm"
tie = "../ties/plane.json"

[[step]]
name = "bore"   # the left one
kind = "circle"
region = { ring = { centre = [15, 12], inner = 1.5, outer = 3 } }
mask = "bore.png"
limits.diameter = { nominal = "bore_mm", plus = 0.1, minus = 0.1 }
"""
VARIANTS = """variant,height_mm,u_height_mm,recipe,bore_mm
thin,0,0,bore,4.4
wide,0,0,bore,4.7
"""


REQUIREMENTS = """
format = "tiepoint/requirements/1"
title = "Vents"
customer = "Line 4"

[[characteristic]]
name = "bore"
reading = "bore.diameter"
drawing = "HV-60"
lower = 4.3
upper = 4.5
"""


def picture(path: Path, diameter_mm: float, seed: int) -> Path:
    """Draw a dark bore in a bright plate: its edge a ramp of one pixel, that is exact to a hundredth of one."""
    y, x = np.mgrid[:480, :640]
    away = np.hypot(x - 300, y - 240) - diameter_mm / 2 / 0.05
    grey = 50 + 150 * np.clip(away + 0.5, 0, 1) + np.random.default_rng(seed).normal(0, 1, away.shape)
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(np.clip(np.rint(grey), 0, 255).astype(np.uint8)).save(path)
    return path


@dataclass
class Vent:
    """A station's folder, and the shots beside it."""

    folder: Path
    shots: Path

    @property
    def recipe(self) -> Path:
        return self.folder / "recipes" / "bore.toml"

    def change(self, old: str, new: str) -> None:
        text = self.recipe.read_text()
        assert old in text
        self.recipe.write_text(text.replace(old, new))

    def kept(self) -> list[Path]:
        return sorted((self.folder / "archive").glob("*/*"))


def new_station(folder: Path, tie: Tie) -> Vent:
    """Write the drafts of a station, and three shots beside it."""
    (folder / "recipes").mkdir(parents=True)
    (folder / "station.toml").write_text('format = "tiepoint/station/1"\nname = "vent bores"\n')
    (folder / "recipes" / "bore.toml").write_text(RECIPE)
    Image.fromarray(np.zeros((60, 60), np.uint8)).save(folder / "recipes" / "bore.png")
    (folder / "variants.csv").write_text(VARIANTS)
    write_document(folder / "ties" / "plane.json", "tie", to_document(tie))
    for k, diameter in enumerate((4.4, 4.42, 4.7)):
        picture(folder.parent / "shots" / f"vent-{k}.png", diameter, k)
    return Vent(folder, folder.parent / "shots")
