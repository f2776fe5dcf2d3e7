"""A part compared with good ones in 5 MP, beside a plain difference with a threshold, in one run.

    python benchmarks/compare.py [--json] [--quick]

The part is a wall of bricks (scikit-image's photo, enlarged) that lies up to a pixel off and turned by up to half a
milliradian, with noise of 2 grey; ten good pictures taught it. Measured: `align_ms` (where it fits the good ones best),
`beyond_ms` (resampling it there, and comparing each place with its own tolerance), `step_ms` (the whole step as a
recipe runs it, on a good part), `blemished_ms` (with three blemishes, each measured by its outline).

Beside it what one would otherwise write: `plain_ms` is OpenCV's absdiff, threshold and connectedComponentsWithStats on
whole numbers, which knows of no shift; `plain_with_warp_ms` brings the picture into line with warpAffine first, by a
shift that it is given. Times are processor times of one thread, the least of several: ratios hold on a busy machine,
the milliseconds on an idle core. Goal: the step within 40 ms, and not slower than the plain way with its warp.
"""

import argparse
import json
import sys
import time
import tomllib
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from skimage import data

from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.beside import Beside
from tiepoint.recipe.recipe import Recipe, read_recipe
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.recipe.teach_good import teach_good
from tiepoint.ties.tie import Sensor
from tiepoint.vision.compare import Grid, Pattern, align, beyond

ROWS, COLS, MARGIN = 2048, 2448, 24
GOALS = {"step_ms": 40.0, "step_over_plain_with_warp": 1.0}
RECIPE = """format = "tiepoint/recipe/1"
name = "wall"
[[step]]
name = "wall"
kind = "compare"
in = "image"
region.rectangle = {{ centre = [{x}, {y}], size = [{wide}, {tall}] }}
limits.count.upper = 0
"""


def wall() -> np.ndarray:
    bricks = cv2.resize(data.brick().astype(np.float32), None, fx=4.0, fy=4.0, interpolation=cv2.INTER_CUBIC)
    return np.hstack([bricks, bricks[:, ::-1]])[:ROWS, :COLS].copy()


def shown(base: np.ndarray, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a picture of it, and the way (2, 3) that it lies off by."""
    rng = np.random.default_rng(seed)
    way = cv2.getRotationMatrix2D((COLS / 2, ROWS / 2), np.degrees(rng.uniform(-5e-4, 5e-4)), 1.0)
    way[:, 2] += rng.uniform(-1, 1, 2)
    moved = cv2.warpAffine(base, way, (COLS, ROWS), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    moved += rng.standard_normal(moved.shape, dtype=np.float32) * 2
    return np.clip(np.rint(moved), 0, 255).astype(np.uint8), way


def seen(picture: np.ndarray) -> Seen:
    shot = Shot("shot", (Picture("picture", "", (COLS, ROWS), 8, "Mono8"),))
    return Seen(shot, {"picture": picture}, {"picture": Sensor(COLS, ROWS)})


def taught(base: np.ndarray, count: int) -> Recipe:
    text = RECIPE.format(x=COLS / 2, y=ROWS / 2, wide=COLS - 2 * MARGIN, tall=ROWS - 2 * MARGIN)
    plain = read_recipe(tomllib.loads(text))
    good, _ = teach_good([(Job(plain, None), seen(shown(base, k)[0])) for k in range(count)], "wall")
    step = replace(plain.order[0], beside=Beside(good=good))
    return replace(plain, steps=(step,), order=(step,))


def least_ms(call: Callable[[], object], rounds: int) -> float:
    call()
    times = []
    for _ in range(rounds):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return 1e3 * min(times)


def measure(quick: bool) -> dict[str, float]:
    cv2.setNumThreads(1)
    rounds, base = (3 if quick else 9), wall()
    recipe = taught(base, 6 if quick else 10)
    picture, way = shown(base, 100)
    dirty = base.copy()
    for x, y, r in ((500, 600, 9), (1300, 1000, 14), (2000, 1700, 6)):
        cv2.circle(dirty, (x, y), r, 20.0, -1)
    blemished, _ = shown(dirty, 101)
    good = recipe.order[0].beside.good
    assert good is not None
    learnt, pattern = good.learnt, Pattern(good.learnt.mean, good.looked)
    rows, cols = learnt.mean.shape
    scale = np.array([(COLS - 2 * MARGIN) / cols, (ROWS - 2 * MARGIN) / rows])
    grid = Grid(rows, cols, lambda places: (places + 0.5) * scale - 0.5 + MARGIN)
    granted = (1 / (8 * learnt.granted(pattern, learnt.edge_px))).astype(np.float32)
    moved = grid.moved(*align(picture, grid, pattern, 3.0).move)
    job = Job(recipe, None)
    outcome = run(job, seen(picture)).record, run(job, seen(blemished)).record
    counts = [record.readings[0].value for record in outcome]
    assert counts == [0.0, 3.0], counts

    still = np.clip(np.rint(base), 0, 255).astype(np.uint8)

    def plain(one: np.ndarray) -> None:
        _, marks = cv2.threshold(cv2.absdiff(one, still), 30, 255, cv2.THRESH_BINARY)
        cv2.connectedComponentsWithStats(marks)

    def plain_with_warp() -> None:
        back = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR
        plain(cv2.warpAffine(picture, way, (COLS, ROWS), flags=back, borderMode=cv2.BORDER_REPLICATE))

    told = {
        "align_ms": least_ms(lambda: align(picture, grid, pattern, 3.0), rounds),
        "beyond_ms": least_ms(lambda: beyond(picture, moved, learnt.mean, granted, (1.0, 0.0)), rounds),
        "step_ms": least_ms(lambda: run(job, seen(picture)), rounds),
        "blemished_ms": least_ms(lambda: run(job, seen(blemished)), rounds),
        "plain_ms": least_ms(lambda: plain(picture), rounds),
        "plain_with_warp_ms": least_ms(plain_with_warp, rounds),
    }
    told["step_over_plain_with_warp"] = told["step_ms"] / told["plain_with_warp_ms"]
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--quick", action="store_true", help="fewer rounds")
    options = parser.parse_args()
    told = measure(options.quick)
    if options.json:
        print(json.dumps({"measured": told, "goals": GOALS}, indent=2))
        return
    for name, value in told.items():
        goal = f"   (goal: {GOALS[name]:g})" if name in GOALS else ""
        print(f"{name:28} {value:8.2f}{goal}")
    sys.exit(any(told[name] > goal for name, goal in GOALS.items()))


if __name__ == "__main__":
    main()
