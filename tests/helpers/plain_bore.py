"""A plain tie, and beside it a recipe of one bore: what most commands need to have something to do."""

from pathlib import Path

import numpy as np

from tiepoint.documents.files import write_document
from tiepoint.foundation.sources import Source
from tiepoint.ties.document import to_document
from tiepoint.ties.sensor import Sensor
from tiepoint.ties.tie import PARAMETERS, Tie

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


def plain_tie() -> Tie:
    """Return a tie of 0.05 mm/px over 640 × 480 px, origin at the lower left, its scale known to 1e-4."""
    matrix = np.array([[0.05, 0.0, 0.0], [0.0, -0.05, 24.0], [0.0, 0.0, 1.0]])
    factor = np.zeros((len(PARAMETERS), 1))
    factor[:6, 0] = matrix[:2].ravel()
    return Tie(
        id="plain",
        made="length",
        from_frame="image",
        to_frame="plane",
        model="similarity",
        matrix=matrix,
        valid_region=np.array([[0.0, 0.0], [600.0, 0.0], [600.0, 479.0], [0.0, 479.0]]),
        sources=(Source("rule", "print scale", "B", 1e-4, "tie"),),
        factor=factor,
        sensor=Sensor(640, 480),
    )


def write_tie(folder: Path) -> Path:
    """Write the plain tie and return its file."""
    path = folder / "tie.json"
    write_document(path, "tie", to_document(plain_tie()))
    return path


def write_recipe(folder: Path) -> Path:
    """Write the recipe of one bore and return its file; it names the tie beside it."""
    path = folder / "plate.toml"
    path.write_text(RECIPE, encoding="utf-8")
    return path
