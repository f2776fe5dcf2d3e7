"""Sub-pixel edges in 200 strips of 100 × 15 px, beside SciPy's curve_fit on the means over each strip's rows.

    python benchmarks/edges.py [--json] [--quick]

Contrast 180 of 255, noise 1 % of 255, 8 bits, pictures exact to the pixel integral (tests/helpers/exact_edges.py).
Precision is the rms error over the bound of the same strips with the same unknowns (inverse Fisher matrix); bias is
the largest error without noise over phases and angles. A scratch is 2 px wide, 100 grey levels darker: beside the
edge on 40 % of the rows, or across it on 3 of 15 rows. Times are processor times, the least of some runs in turn; the
ratios hold on a busy machine, the milliseconds on an idle core.
"""

import argparse
import json
import math
import runpy
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from scipy import ndimage

from tiepoint.vision.strips import EdgeSearch, StripEdges, edges_in_strips

exact = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "tests" / "helpers" / "exact_edges.py")))

SIGMA, CONTRAST, STRIPS, LENGTH, WIDTH = 2.55, 180.0, 200, 100, 15
GREY_SIGMA = math.hypot(SIGMA, math.sqrt(1 / 12))
ROWS, COLS = 31, 121
GOALS = {
    "plain_ms": 2.0,
    "robust_ms": 4.5,
    "plain_sd_over_bound": 1.06,
    "robust_sd_over_bound": 1.08,
    "bias_px": 0.002,
    "scratch_beside_rms_over_clean": 2.0,
    "times_faster_than_curve_fit": 20.0,
}


def tiles(rng: np.random.Generator, w: float, beside_px: float | None = None, across: float | None = None) -> Any:
    """Return a picture of upright strips below each other, their centres (n, 2) and the edges' true places (n,)."""
    m, rng_rows = 4, (np.arange(ROWS * 4) + 0.5) / 4 - 0.5
    columns = (np.arange(COLS * m) + 0.5) / m - 0.5
    true, parts = rng.uniform(-0.5, 0.5, STRIPS), []
    for place in true:
        tile = exact.straight_edge(ROWS, COLS, 60 + place, 15, 0.0, w)
        count = 6 if beside_px is not None else 3
        first = 8 + rng.integers(0, 16 - count)
        rows = ((rng_rows >= first - 0.5) & (rng_rows < first + count - 0.5)).astype(float)
        if beside_px is not None:
            share = _blurred(rows, (np.abs(columns - 60 - place - beside_px) < 1).astype(float), w, m)
            tile = tile - 100 * share
        elif across is not None:
            share = _blurred(rows, np.ones(COLS * m), w, m)
            tile = tile * (1 - share) + across * share
        parts.append(tile)
    centres = np.column_stack([np.full(STRIPS, 60.0), np.arange(STRIPS) * ROWS + 15.0])
    return exact.seen_by_camera(np.vstack(parts), SIGMA, rng), centres, true


def _blurred(rows: Any, columns: Any, w: float, m: int) -> Any:
    fine = np.outer(ndimage.gaussian_filter1d(rows, w * m), ndimage.gaussian_filter1d(columns, w * m))
    return fine.reshape(ROWS, m, COLS, m).mean((1, 3))


def find(picture: Any, centres: Any, robust: bool) -> StripEdges:
    """Return the edges of upright strips."""
    return edges_in_strips(picture, centres, np.zeros(len(centres)), LENGTH, WIDTH, EdgeSearch(robust=robust))


def curve_fits(picture: Any, centres: Any) -> Any:
    """Return the places that curve_fit finds on the row means."""
    x, half = 60 - LENGTH // 2, WIDTH // 2
    return np.array(
        [
            exact.fit_of_row_means(picture[int(y) - half : int(y) + half + 1, x : x + LENGTH + 1].mean(axis=0))
            for y in centres[:, 1]
        ]
    )


def rms(values: Any) -> float:
    """Return the root mean square of finite values."""
    return float(np.sqrt(np.nanmean(np.square(values))))


def least_ms(runs: dict[str, Callable[[], Any]], rounds: int) -> dict[str, float]:
    """Return the least processor time of each in ms, run in turn."""
    best = dict.fromkeys(runs, math.inf)
    for k in range(rounds):
        for name, run in runs.items():
            if name == "curve_fit" and k > 1:
                continue
            began = time.process_time()
            run()
            best[name] = min(best[name], 1e3 * (time.process_time() - began))
    return best


def bound(w: float) -> float:
    """Return the root mean square bound of upright strips over all phases."""
    s, ac, _ = exact.box_pixels(ROWS, COLS, (60, 15), 0.0, LENGTH, WIDTH)
    places = np.linspace(-0.5, 0.5, 11)
    return rms([exact.strip_bound(s, ac, 0.0, w, CONTRAST, GREY_SIGMA, at) for at in places])


def precision(repeats: int) -> list[dict[str, Any]]:
    """Return rms over bound for plain and robust fits and for curve_fit, one row a blur."""
    rows = []
    for w in (0.5, 1.0, 2.0):
        rng = np.random.default_rng([1, int(10 * w)])
        errors: dict[str, list[Any]] = {"plain": [], "robust": [], "curve_fit": []}
        pulls = []
        for k in range(repeats):
            picture, centres, true = tiles(rng, w)
            for name in ("plain", "robust"):
                edges = find(picture, centres, name == "robust")
                errors[name].append(edges.position - true)
                pulls.append((edges.position - true) / edges.u)
            if k == 0:
                errors["curve_fit"].append(curve_fits(picture, centres) - true)
        least = bound(w)
        told = {f"{name}_sd_over_bound": rms(np.concatenate(e)) / least for name, e in errors.items()}
        rows.append({"blur_px": w, "bound_px": least, **told, "error_over_u": rms(np.concatenate(pulls))})
    return rows


def biases() -> list[dict[str, float]]:
    """Return the largest error without noise, one row a blur."""
    rows = []
    for w in (0.5, 0.7, 1.0, 2.0):
        worst = 0.0
        for angle in (*np.linspace(0, math.pi, 25), 0.01, 0.05, 1.55):
            phases = np.linspace(0, 1, 11)
            picture = exact.straight_edge(161, 161, 80, 80, angle, w).astype(np.float32)
            d = np.array([math.cos(angle), math.sin(angle)])
            centres = 80 + np.linspace(-20, 20, 11)[:, None] * np.array([-d[1], d[0]]) - phases[:, None] * d
            edges = edges_in_strips(picture, centres, np.full(11, angle), LENGTH, WIDTH)
            worst = max(worst, float(np.max(np.abs(edges.position - phases))))
        rows.append({"blur_px": w, "bias_px": worst})
    return rows


def scratches() -> list[dict[str, Any]]:
    """Return the rms error under scratches, plain and robust, over that of the clean strips."""
    rng, rows = np.random.default_rng(2), []
    clean = bound(1.0)
    cases: list[tuple[str, dict[str, float]]] = [
        (f"beside, {x:+g} px", {"beside_px": x}) for x in (-6, -4, -3, 3, 4, 6)
    ]
    cases += [(f"across, grey {g:g}", {"across": g}) for g in (20, 130, 255)]
    for name, case in cases:
        picture, centres, true = tiles(rng, 1.0, **case)
        told = {}
        for kind in ("plain", "robust"):
            edges = find(picture, centres, kind == "robust")
            told[f"{kind}_rms_over_clean"] = rms(edges.position - true) / clean
        told["robust_error_over_u"] = rms((edges.position - true) / edges.u)
        rows.append({"scratch": name, **told})
    return rows


def times(rounds: int) -> dict[str, float]:
    """Return times in ms for 200 strips, and how many times faster than curve_fit."""
    picture, centres, _ = tiles(np.random.default_rng(3), 1.0)
    scratched, places, _ = tiles(np.random.default_rng(4), 1.0, beside_px=4.0)
    taken = least_ms(
        {
            "plain": lambda: find(picture, centres, False),
            "robust": lambda: find(picture, centres, True),
            "robust, every strip scratched": lambda: find(scratched, places, True),
            "curve_fit": lambda: curve_fits(picture, centres),
        },
        rounds,
    )
    return {
        "plain_ms": taken["plain"],
        "robust_ms": taken["robust"],
        "robust_all_scratched_ms": taken["robust, every strip scratched"],
        "curve_fit_ms": taken["curve_fit"],
        "times_faster_than_curve_fit": taken["curve_fit"] / taken["plain"],
        "robust_times_faster_than_curve_fit": taken["curve_fit"] / taken["robust"],
    }


def table(rows: list[dict[str, Any]]) -> str:
    """Return rows as lines of text."""
    names = list(rows[0])
    lines = ["  ".join(f"{name:>24}" for name in names)]
    for row in rows:
        lines.append("  ".join(f"{v:>24.4f}" if isinstance(v, float) else f"{v!s:>24}" for v in row.values()))
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--json", action="store_true", help="print one JSON object")
    asked.add_argument("--quick", action="store_true", help="fewer repeats")
    options = asked.parse_args()
    told = {
        "times": times(10 if options.quick else 40),
        "precision": precision(2 if options.quick else 15),
        "bias": biases(),
        "scratches": scratches(),
        "goals": GOALS,
    }
    if options.json:
        print(json.dumps(told, indent=1))
        return
    print(table([told["times"]]), table(told["precision"]), table(told["bias"]), table(told["scratches"]), sep="\n\n")
    print("\ngoals:", ", ".join(f"{name} {value:g}" for name, value in GOALS.items()))


if __name__ == "__main__":
    main()
