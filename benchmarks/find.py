"""Find a part of about 300 px in 5 MP, beside sweeps of OpenCV's matchTemplate, and how well its pose is told.

    python benchmarks/find.py [--json] [--quick]

Scenes are drawn by tests/helpers/shape_scenes.py: optics before pixels, areas exact. Contrast 120 of 255, noise 2 grey,
8 bits, 60 pieces of clutter for the times. Each pose is drawn anew, and each shape is taught from a picture with noise
of its own, so the bound is that of one picture times √2: s1/√(Σ n·nᵀ·length), s1 = (σ/A)·√(2·w_e·√π). A sweep turns
the template by the same step as the search and keeps the best score; its full size is extrapolated from a few turns.
Times are processor times, medians of runs in turn; the ratios hold on a busy machine, the milliseconds on an idle core.
"""

import argparse
import json
import math
import runpy
import statistics
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np

from tiepoint.vision.seek import TURN_CELLS, seek
from tiepoint.vision.seek_model import Pose, Taught
from tiepoint.vision.seek_teach import teach

scenes = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "tests" / "helpers" / "shape_scenes.py")))

ROWS, COLS, SIDE = 2048, 2448, 420
DARK, LIGHT, NOISE, BLUR = 60.0, 180.0, 2.0, 0.8
GOALS = {
    "any_angle_ms": 25.0,
    "window_ms": 5.0,
    "times_faster_than_eighth": 5.0,
    "times_faster_than_full": 300.0,
    "pose_px": 0.006,
    "pose_deg": 0.002,
    "hidden_px": 0.012,
    "hidden_deg": 0.005,
    "dim_or_blurred_px": 0.03,
}


def scene(rng: Any, pose: tuple[float, float, float], blur: float = BLUR, gain: float = 1.0, hide: bool = False) -> Any:
    """Return a small picture with the part; `hide` lays a band of middle grey over about 30 % of its outline."""
    picture = np.full((SIDE, SIDE), DARK)
    scenes.put(picture, scenes.placed(scenes.bracket(), *pose), LIGHT, blur)
    if hide:
        band = [np.array([(-200.0, -200.0), (-72.0, -200.0), (-72.0, 200.0), (-200.0, 200.0)])]
        scenes.put(picture, scenes.placed(band, *pose[:2], float(rng.uniform(-math.pi, math.pi))), 120.0, blur)
    return scenes.taken(picture, NOISE, rng, gain=gain)


def taught_from(rng: Any) -> Taught:
    """Return the part taught from a picture with its own noise and phase."""
    x, y, angle = 209.5 + rng.uniform(-1, 1), 209.5 + rng.uniform(-1, 1), rng.uniform(-math.pi, math.pi)
    everything = np.ones((SIDE, SIDE), bool)
    return teach(scene(rng, (x, y, angle)), everything, Pose(x, y, angle))


def errors(cases: int, seed: int, **kind: Any) -> dict[str, float]:
    """Return the errors of a kind of scene: px (two axes together), degrees, and over their stated u."""
    rng, told, pulls, found = np.random.default_rng(seed), [], [], 0
    for k in range(cases):
        if k % 10 == 0:
            taught = taught_from(rng)
        pose = (209.5 + rng.uniform(-15, 15), 209.5 + rng.uniform(-15, 15), rng.uniform(-math.pi, math.pi))
        got = seek(scene(rng, pose, **kind), taught).found
        if got:
            found += 1
            at = got[0].pose
            turn = (at.angle - pose[2] + math.pi) % math.tau - math.pi
            told.append([at.x - pose[0], at.y - pose[1], turn])
            pulls.append(np.array(told[-1]) / np.sqrt(np.diag(got[0].cov)[:3]))
    e, p = np.array(told), np.array(pulls)
    return {
        "found_of_cases": found / cases,
        "pose_px": float(np.sqrt((e[:, :2] ** 2).sum(axis=1).mean())),
        "pose_deg": math.degrees(float(np.sqrt((e[:, 2] ** 2).mean()))),
        "worst_px": float(np.hypot(e[:, 0], e[:, 1]).max()),
        "error_over_u": float(np.sqrt((p**2).mean())),
    }


def bound_px(taught: Taught) -> tuple[float, float]:
    """Return the least error in px (two axes) and degrees of a find with a shape taught from one like picture."""
    s1 = math.hypot(NOISE, math.sqrt(1 / 12)) / (LIGHT - DARK) * math.sqrt(2 * math.hypot(BLUR, math.sqrt(1 / 12)))
    s1 *= math.pi**0.25
    arm = taught.points - taught.points.mean(axis=0)
    rows = np.column_stack([taught.normals, taught.normals[:, 1] * arm[:, 0] - taught.normals[:, 0] * arm[:, 1]])
    length = sum(float(np.hypot(*(p - np.roll(p, 1, axis=0)).T).sum()) for p in scenes.bracket())
    cov = np.linalg.inv(rows.T @ rows * length / len(rows)) * s1**2 * 2
    return math.sqrt(cov[0, 0] + cov[1, 1]), math.degrees(math.sqrt(cov[2, 2]))


def large_scene(rng: Any) -> tuple[Any, tuple[float, float, float]]:
    """Return 5 MP with clutter and the part, and where it is."""
    picture = np.full((ROWS, COLS), DARK)
    for _ in range(60):
        points = rng.normal(0, 1, (6, 2))
        points = points[np.argsort(np.arctan2(points[:, 1], points[:, 0]))] * rng.uniform(15, 70)
        scenes.put(picture, [points + rng.uniform((0, 0), (COLS, ROWS))], float(rng.uniform(20, 230)), BLUR)
    pose = (rng.uniform(300, COLS - 300), rng.uniform(300, ROWS - 300), rng.uniform(-math.pi, math.pi))
    scenes.put(picture, scenes.placed(scenes.bracket(), *pose), LIGHT, BLUR)
    return scenes.taken(picture, NOISE, rng), pose


def sweep(picture: Any, template: Any, angles: Any) -> float:
    """Return the best score of matchTemplate over turns of a square template."""
    h, w = template.shape
    best = -1.0
    for angle in angles:
        turn = cv2.getRotationMatrix2D(((w - 1) / 2, (h - 1) / 2), math.degrees(-angle), 1.0)
        turned = cv2.warpAffine(template, turn, (w, h), borderMode=cv2.BORDER_REPLICATE)
        best = max(best, float(cv2.matchTemplate(picture, turned, cv2.TM_CCOEFF_NORMED).max()))
    return best


def times(rounds: int) -> dict[str, float]:
    """Return medians in ms and ratios, over scenes with clutter."""
    rng = np.random.default_rng(7)
    taught = taught_from(rng)
    step = TURN_CELLS * taught.cell / taught.radius
    turns = np.arange(math.ceil(math.tau / step)) * step
    template = scene(rng, (209.5, 209.5, 0.0))[60:360, 60:360]
    small = cv2.resize(template, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
    taken: dict[str, list[float]] = {"any": [], "window": [], "eighth": [], "full": []}
    right = 0
    cv2.setNumThreads(1)
    for k in range(rounds + 1):
        picture, pose = large_scene(rng)
        box = (pose[0] - 200, pose[1] - 200, pose[0] + 200, pose[1] + 200)
        near = (pose[2] - math.radians(10), pose[2] + math.radians(10))
        eighth = cv2.resize(picture, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
        runs: dict[str, Any] = {
            "any": lambda p=picture: seek(p, taught),
            "window": lambda p=picture, b=box, a=near: seek(p, taught, bounds=b, angles=a),
            "eighth": lambda p=eighth: sweep(p, small, turns),
        }
        if k in (1, 2):
            runs["full"] = lambda p=picture: sweep(p, template, turns[:2])
        for name, run in runs.items():
            began = time.process_time()
            got = run()
            spent = 1e3 * (time.process_time() - began)
            if k:  # the first round compiles
                taken[name].append(spent * len(turns) / 2 if name == "full" else spent)
            if name == "any" and k:
                right += (
                    bool(got.found) and math.hypot(got.found[0].pose.x - pose[0], got.found[0].pose.y - pose[1]) < 1
                )
    ms = {name: statistics.median(values) for name, values in taken.items()}
    return {
        "any_angle_ms": ms["any"],
        "window_ms": ms["window"],
        "sweep_of_eighth_ms": ms["eighth"],
        "sweep_of_full_ms_extrapolated": ms["full"],
        "times_faster_than_eighth": ms["eighth"] / ms["any"],
        "times_faster_than_full": ms["full"] / ms["any"],
        "turns": float(len(turns)),
        "found_of_scenes": right / rounds,
    }


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--json", action="store_true", help="print one JSON object")
    asked.add_argument("--quick", action="store_true", help="fewer repeats")
    options = asked.parse_args()
    cases = 40 if options.quick else 300
    least_px, least_deg = bound_px(taught_from(np.random.default_rng(1)))
    told = {
        "times": times(7 if options.quick else 25),
        "bound": {"pose_px": least_px, "pose_deg": least_deg},
        "plain": errors(cases, 2),
        "hidden": errors(cases, 3, hide=True),
        "dim": errors(cases, 4, gain=0.3),
        "blurred": errors(cases, 5, blur=2.0),
        "hidden and dim": errors(cases, 6, gain=0.3, hide=True),
        "goals": GOALS,
    }
    if options.json:
        print(json.dumps(told, indent=1))
        return
    for name, row in told.items():
        print(f"{name}: " + ", ".join(f"{key} {value:.4g}" for key, value in row.items()))


if __name__ == "__main__":
    main()
