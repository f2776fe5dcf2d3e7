"""A circle of 400 strips, as a recipe's step measures it, beside SciPy's curve_fit with scikit-image's circle.

    python benchmarks/circle.py [--json] [--quick]

Radius 191 px, contrast 180 of 255, noise 1 % of 255, 8 bits; exact discs (tests/helpers/exact_edges.py). The bound is
that of the picture's whole edge with levels and blur known: s1/√(2πR) for the radius, √2 times that for a coordinate of
the centre, s1 = (σ/A)·√(2·w_e·√π). The start is 1 px off in place and size. Times are processor times, the least of
some runs in turn.
"""

import argparse
import json
import math
import runpy
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from scipy import ndimage
from skimage import measure
from timing import least_ms

from tiepoint.recipe.shapes import FoundCircle
from tiepoint.vision.fits import fit_circle

HELPERS = Path(__file__).parents[1] / "tests" / "helpers"
exact = SimpleNamespace(**runpy.run_path(str(HELPERS / "exact_edges.py")))
measured = SimpleNamespace(**runpy.run_path(str(HELPERS / "in_the_image.py")))

SIGMA, CONTRAST, RADIUS, CENTRE, SIZE, STRIPS = 2.55, 180.0, 191.0, (224.3, 225.1), 450, 400
GOALS = {"ms": 4.0, "sd_over_bound, blur to 1": 1.15, "sd_over_bound, blur 2": 1.25, "radius_bias_px": 0.003}


def ours(picture: Any) -> FoundCircle:
    """Measure the circle as a step of a recipe does: in two looks, with all its sources of uncertainty."""
    found: FoundCircle = measured.circle_in(picture, (225.3, 226.1), RADIUS + 1, 20)
    return found


def otherwise(picture: Any) -> Any:
    """Return (x, y, r) as one would without us: 400 radial profiles, curve_fit, an algebraic circle."""
    angles = np.arange(STRIPS) / STRIPS * math.tau
    out = np.column_stack([np.cos(angles), np.sin(angles)])
    across = np.column_stack([-out[:, 1], out[:, 0]])
    x, y = np.meshgrid(np.arange(-20, 21.0), np.arange(-1, 2.0))
    at = (225, 226) + (RADIUS + x[None, :, :, None]) * out[:, None, None] + y[None, :, :, None] * across[:, None, None]
    samples = ndimage.map_coordinates(picture.astype(float), [at[..., 1], at[..., 0]], order=1).mean(axis=1)
    places = np.array([exact.fit_of_row_means(profile) for profile in samples])
    points = (225, 226) + (RADIUS + places)[:, None] * out
    circle = measure.CircleModel.from_estimate(points)
    return np.array([*circle.center, circle.radius])


def precision(repeats: int) -> list[dict[str, float]]:
    """Return error over bound and bias, one row a blur."""
    rows = []
    for w in (0.5, 0.8, 1.0, 2.0):
        clean = exact.disc(SIZE, SIZE, *CENTRE, RADIUS, w)
        rng = np.random.default_rng([1, int(10 * w)])
        errors, pulls, others = [], [], []
        for k in range(repeats):
            seen = exact.seen_by_camera(clean, SIGMA, rng)
            values = ours(seen).values
            errors.append(values.value - [CENTRE[0], -CENTRE[1], RADIUS])
            pulls.append(errors[-1] / np.sqrt(np.diag(values.covariance)))
            if k < repeats // 10:
                others.append(otherwise(seen) - [*CENTRE, RADIUS])
        s1 = SIGMA / CONTRAST * math.sqrt(2 * math.hypot(w, math.sqrt(1 / 12)) * math.sqrt(math.pi))
        bound = s1 / math.sqrt(math.tau * RADIUS) * np.array([math.sqrt(2), math.sqrt(2), 1])
        ratios, other = (np.sqrt(np.mean(np.square(e), axis=0)) / bound for e in (errors, others))
        rows.append(
            {
                "blur_px": w,
                "sd_over_bound": float(np.sqrt(np.mean(ratios**2))),
                "centre_over_bound": float(np.sqrt(np.mean(ratios[:2] ** 2))),
                "radius_over_bound": float(ratios[2]),
                "radius_bias_px": float(np.mean(errors, axis=0)[2]),
                "error_over_u": float(np.sqrt(np.mean(np.square(pulls)))),
                "otherwise_over_bound": float(np.sqrt(np.mean(other**2))),
            }
        )
    return rows


def biases() -> list[dict[str, float]]:
    """Return the largest bias of the radius without noise, one row a blur and radius."""
    rows, rng = [], np.random.default_rng(2)
    for w in (0.5, 1.0, 2.0):
        for radius in (20.0, 50.0, 150.0):
            errors = []
            for _ in range(4):
                half = int(radius) + 25
                centre = half + rng.uniform(-0.5, 0.5, 2)
                picture = exact.disc(2 * half + 1, 2 * half + 1, *centre, radius, w).astype(np.float32)
                errors.append(measured.circle_in(picture, (half, half), radius + 0.5, 15).fit.radius - radius)
            rows.append({"blur_px": w, "radius_px": radius, "radius_bias_px": float(np.mean(errors))})
    return rows


def times() -> dict[str, float]:
    """Return times in ms, and how many times faster than what one would otherwise call."""
    seen = exact.seen_by_camera(exact.disc(SIZE, SIZE, *CENTRE, RADIUS, 1.0), SIGMA, np.random.default_rng(3))
    edges = ours(seen).points
    taken = least_ms(
        {
            "whole": (lambda: ours(seen), 40),
            "fit": (lambda: fit_circle(edges.xy, edges.u), 40),
            "otherwise": (lambda: otherwise(seen), 2),
        }
    )
    return {
        "strips": float(len(edges)),
        "ms": taken["whole"],
        "of_that_fit_ms": taken["fit"],
        "otherwise_ms": taken["otherwise"],
        "times_faster": taken["otherwise"] / taken["whole"],
    }


def table(rows: list[dict[str, float]]) -> str:
    """Return rows as lines of text."""
    lines = ["  ".join(f"{name:>20}" for name in rows[0])]
    return "\n".join([*lines, *("  ".join(f"{v:>20.4f}" for v in row.values()) for row in rows)])


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--json", action="store_true", help="print one JSON object")
    asked.add_argument("--quick", action="store_true", help="fewer repeats")
    options = asked.parse_args()
    told = {
        "times": times(),
        "precision": precision(30 if options.quick else 300),
        "bias": biases(),
        "goals": GOALS,
    }
    if options.json:
        print(json.dumps(told, indent=1))
        return
    print(table([told["times"]]), table(told["precision"]), table(told["bias"]), sep="\n\n")
    print("\ngoals:", ", ".join(f"{name}: {value:g}" for name, value in GOALS.items()))


if __name__ == "__main__":
    main()
