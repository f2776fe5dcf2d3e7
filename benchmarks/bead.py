"""A bead of 200 mm along a path, as a recipe's step measures it, beside SciPy and scikit-image on the same band.

    python benchmarks/bead.py [--json] [--quick]

200 mm of bead, 1 mm wide, at 0.05 mm/px, in three rows of a picture of 5 megapixels, with gaps of 0.5 mm and more with
round ends; 8 bits, noise 2 of 255, blur 0.8 px. Otherwise: the same band sampled by SciPy's `map_coordinates`, and what
one would call for the widths: scikit-image's `profile_line` for each strip, with its steepest places. Times are
processor times, the least of some runs in turn. Gap lengths against the truth of the drawing over all gaps.
"""

import argparse
import json
import math
import runpy
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from scipy import ndimage
from skimage import measure
from timing import least_ms

from tiepoint.recipe.bead_path import Stations, stations_of
from tiepoint.recipe.context import Context, StepResult
from tiepoint.recipe.ground import ImageGround
from tiepoint.recipe.steps.bead import STEP, BeadTable

HELPERS = Path(__file__).parents[1] / "tests" / "helpers"
scenes = SimpleNamespace(**runpy.run_path(str(HELPERS / "shape_scenes.py")))

ROWS, COLS, MM_PER_PX, WIDTH_PX, BAND_PX = 2048, 2448, 0.05, 20.0, 50.0
GAP_PX = 0.5 / MM_PER_PX
LEVELS = (60.0, 190.0)
PATH = [[160.0, 400.0], [1840.0, 400.0], [1840.0, 1000.0], [220.0, 1000.0], [220.0, 1100.0]]
GOALS = {"ms": 20.0, "gap_error_mm": 0.05}


def capsule(a: Any, b: Any) -> Any:
    """Return a piece of bead with round ends from tip to tip, px."""
    a, b, r = np.array(a, float), np.array(b, float), WIDTH_PX / 2
    d = (b - a) / np.hypot(*(b - a))
    side, t = np.array([-d[1], d[0]]), np.linspace(-math.pi / 2, math.pi / 2, 60)[:, None]
    cap = np.cos(t) * d + np.sin(t) * side
    return np.vstack([b - r * d + r * cap, a + r * d - r * cap])


def scene(seed: int, gaps: int = 6) -> tuple[Any, Any]:
    """Return a picture, and the lengths (gaps,) of what is missing along the first row of the path, px."""
    rng = np.random.default_rng(seed)
    clean = np.full((ROWS, COLS), LEVELS[0])
    lengths = GAP_PX * rng.uniform(1.0, 1.8, gaps)
    starts = 330 + np.arange(gaps) * 240 + rng.uniform(0, 40, gaps)
    ends = [130.0, *(v for s, g in zip(starts, lengths, strict=True) for v in (s, s + g)), 1850.0]
    pieces = [capsule((a, 400), (b, 400)) for a, b in zip(ends[::2], ends[1::2], strict=True)]
    corners = pairwise(PATH[1:])
    pieces += [capsule(np.array(a) - 10 * _way(a, b), np.array(b) + 10 * _way(a, b)) for a, b in corners]
    for piece in pieces:
        scenes.put(clean, [piece], LEVELS[1], 0.8)
    return scenes.taken(clean, 2.0, rng), lengths


def _way(a: Any, b: Any) -> Any:
    d = np.array(b, float) - a
    return d / np.hypot(*d)


def ours(picture: Any) -> StepResult:
    """Measure the bead as a recipe's step does: everything that it can read, with all its sources of uncertainty."""
    readings = [q.name for q in STEP.quantities if q.name != "blobs"]
    region = {"path": {"points": PATH, "width": BAND_PX}}
    raw = {"name": "seal", "kind": "bead", "in": "image", "looks": "bright", "region": region, "readings": readings}
    return STEP.run(Context(BeadTable.read(raw, ""), picture, ImageGround(), 1.0, (), None, "seal"))


def stations(picture: Any) -> Stations:
    """Return the stations along the path."""
    table = BeadTable.read(
        {"name": "s", "kind": "bead", "looks": "bright", "region": {"path": {"points": PATH, "width": BAND_PX}}}, ""
    )
    made = stations_of(Context(table, picture, ImageGround(), 1.0, (), None, "s"), table.region.path, picture.shape)
    assert isinstance(made, Stations)
    return made


def band_by_scipy(picture: Any, along: Stations) -> Any:
    """Sample the same band with SciPy: what lies across is known, so that this is its interpolation alone."""
    right, _, left = along.px
    t = np.linspace(0, 1, along.samples)[:, None, None]
    at = right + t * (left - right)
    return ndimage.map_coordinates(picture, [at[..., 1], at[..., 0]], order=1, output=np.float32)


def widths_by_skimage(picture: Any, along: Stations, every: int = 6) -> Any:
    """Return a width for each strip as one would without us: a profile, and its steepest rise and fall."""
    right, _, left = along.px
    widths = []
    for k in range(0, len(right), every):
        profile = measure.profile_line(picture, right[k, ::-1], left[k, ::-1], linewidth=every, order=1, mode="nearest")
        slope = np.gradient(ndimage.gaussian_filter1d(profile, 1.0))
        widths.append(abs(int(np.argmax(slope)) - int(np.argmin(slope))))
    return np.array(widths)


def accuracy(pictures: int) -> dict[str, float]:
    """Return how well the gaps are sized, over all of some pictures, in mm."""
    errors, u, found = [], [], 0
    for seed in range(pictures):
        picture, lengths = scene(seed)
        told = ours(picture).told
        total: Any = told["gap_length"]
        longest: Any = told["longest_gap"]
        gaps: Any = told["gaps"]
        found += int(gaps.value)
        errors += [
            MM_PER_PX * (longest.value - lengths.max()),
            MM_PER_PX * (total.value - lengths.sum()) / len(lengths),
        ]
        u.append(MM_PER_PX * longest.u)
    return {
        "gaps_there": 6.0 * pictures,
        "gaps_found": float(found),
        "greatest_gap_error_mm": float(np.abs(errors).max()),
        "rms_of_longest_mm": float(np.sqrt(np.mean(np.square(errors[::2])))),
        "stated_u_mm": float(np.mean(u)),
    }


def times(rounds: int) -> dict[str, float]:
    """Return times in ms, and ratios."""
    picture, _ = scene(1)
    along = stations(picture)
    taken = least_ms(
        {
            "whole": (lambda: ours(picture), 2 * rounds),
            "scipy": (lambda: band_by_scipy(picture, along), rounds),
            "skimage": (lambda: widths_by_skimage(picture, along), 2),
        }
    )
    return {
        "bead_mm": MM_PER_PX * along.length,
        "ms": taken["whole"],
        "scipy_sampling_alone_ms": taken["scipy"],
        "whole_over_scipy_sampling": taken["whole"] / taken["scipy"],
        "skimage_widths_alone_ms": taken["skimage"],
        "times_faster": taken["skimage"] / taken["whole"],
    }


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--json", action="store_true", help="print one JSON object")
    asked.add_argument("--quick", action="store_true", help="fewer repeats")
    options = asked.parse_args()
    told = {"times": times(5 if options.quick else 20), "gaps": accuracy(2 if options.quick else 10), "goals": GOALS}
    if options.json:
        print(json.dumps(told, indent=1))
        return
    for name, rows in told.items():
        print(name, *(f"  {key:>28} {value:.4g}" for key, value in rows.items()), sep="\n")


if __name__ == "__main__":
    main()
