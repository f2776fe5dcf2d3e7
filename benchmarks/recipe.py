"""A recipe of 25 steps in the frame of a found part, in 5 MP: what a shot costs besides the find, and where it goes.

    python benchmarks/recipe.py [--json] [--quick]

The part (five holes, two slots, an outline) lies anywhere and is found by its two datum edges; the tie has a lens and
24 sources. Steps: 5 circles of 13 to 25 px radius, 5 lines, 4 widths, 5 edges, 4 distances, 2 crossings. Drawn by
tests/helpers/shape_scenes.py; contrast 120 of 255, noise 2 grey. Times are processor times: the median of shots that
are each at another pose. `kernels_ms` is what the edges alone cost: the same strips looked at once more, alone. What is
not a step's own is the runner's: the ground, flags, the test of bevels over all edges, the record. A step's own time
includes its readings with u, U95 and verdict, but not the list of their sources: that is ranked when it is asked for,
which is when a record is written. `write_ms` counts it, with the record's hash and its line of JSON; it comes on top of
`besides_find_ms`. To let go of what a shot made, `freeing_ms`, belongs to the shot, and to no step nor the runner. The
ratios hold on a busy machine, the milliseconds on an idle core; P99 over the median needs the idle one:
`machine_p99_over_median` is that of a plain loop of about the same length, run in turn with the shots, which is what
the machine itself leaves open. Memory is what Python holds after the first and the second half of further shots, in
blocks; numpy keeps some freed buffers of each small size, so it settles only after some hundred shots at changing
poses.
"""

import argparse
import gc
import json
import math
import runpy
import statistics
import sys
import time
import tomllib
from collections import defaultdict
from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from tiepoint.foundation.sources import Source, ensemble
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe import runner
from tiepoint.recipe.recipe import Recipe, read_recipe
from tiepoint.recipe.records import records_jsonl
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.ties.lens import Lens
from tiepoint.ties.tie import PARAMETERS, Sensor, Tie

scenes = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "tests" / "helpers" / "shape_scenes.py")))

COLS, ROWS, MM = 2448, 2048, 0.05
DARK, LIGHT, NOISE, BLUR = 60.0, 180.0, 2.0, 0.8
SIZE = (30.0, 20.0)
HOLES = {"A": (5, 5, 1.0), "B": (25, 5, 1.0), "C": (25, 15, 1.25), "D": (5, 15, 0.65), "E": (15, 16, 0.8)}
SLOTS = {"long": (15, 10, 10, 2.0), "short": (15, 5, 6, 1.5)}
GOALS = {"besides_find_ms": 6.0, "runner_share": 0.05, "p99_over_median": 1.5, "grown_blocks_a_shot": 0.0}


def part() -> list[Any]:
    """Return the outlines of the part in its own frame, mm: its edge and what is cut out of it."""
    w, h = SIZE
    holes = [scenes.circle(x, y, r, 180) for x, y, r in HOLES.values()]
    slots = [_box(x, y, a, b) for x, y, a, b in SLOTS.values()]
    return [_box(w / 2, h / 2, w, h), *holes, *slots]


def _box(x: float, y: float, w: float, h: float) -> Any:
    """Return a rectangle (k, 2) with many points a side, so that a lens may bend it."""
    corners = np.array([(-w, -h), (w, -h), (w, h), (-w, h)]) / 2 + (x, y)
    along = np.linspace(0, 1, 12, endpoint=False)[:, None]
    return np.vstack([a + along * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])


def tie() -> Tie:
    """Return a tie of 0.05 mm a pixel with a lens: 12 sources of a fit, ten normal ones, two rectangular."""
    H = np.array([[MM, 0, 0], [0, -MM, MM * (ROWS - 1)], [1e-6, 5e-7, 1.0]])
    rng = np.random.default_rng(5)
    u = np.abs(np.array([*(H.ravel() * 2e-6), 2e-5, 0, 0.05, 0.05, 0, 0, 0])) + 1e-12
    u[8] = 1e-12
    spread = rng.normal(size=(len(PARAMETERS), 12)) * u[:, None]
    members = ensemble("fit", "fit of the target", np.eye(12), "tie", 400.0)[0]
    scales = [
        Source(f"scale{k}", f"scale {k}", "B", 1e-5, "tie", "normal" if k > 1 else "rectangular") for k in range(12)
    ]
    by_scale = np.zeros((len(PARAMETERS), 12))
    by_scale[:6] = rng.normal(size=(1, 12)) * H.ravel()[:6, None]
    corners = np.array([[0, 0], [COLS - 1, 0], [COLS - 1, ROWS - 1], [0, ROWS - 1]], float)
    return Tie(
        "bench", "target", "image", "plane", "projective", H, corners, lens=Lens(-0.02, 0.0, 1220.0, 1030.0, 1600.0),
        sources=(*members, *scales), factor=np.hstack([spread, by_scale]), sensor=Sensor(COLS, ROWS),
    )  # fmt: skip


def recipe(pose: tuple[float, float, float]) -> Recipe:
    """Return the recipe for a pose: what finds the part lies on the ground, the 25 steps in its frame."""
    angle = pose[2]
    steps: list[dict[str, Any]] = [
        {
            "name": "datum",
            "kind": "line",
            "region": _region(pose, 15, 0, 1.5, 18, 90),
            "about_deg": math.degrees(angle),
        },
        {
            "name": "side",
            "kind": "line",
            "region": _region(pose, 0, 10, 1.5, 12, 0),
            "about_deg": math.degrees(angle) + 90,
        },
        {"name": "corner", "kind": "find", "of": ["datum", "side"]},
    ]
    steps += [step | {"in": "corner"} for step in measures()]
    head = {"format": "tiepoint/recipe/1", "name": "bench", "unit": "mm", "step": steps}
    return read_recipe(tomllib.loads("") | head)


def measures() -> list[dict[str, Any]]:
    """Return the 25 steps, in the part's own frame, as a recipe has them but for `in`."""
    steps: list[dict[str, Any]] = []
    for name, (cx, cy, r) in HOLES.items():
        ring = {"centre": [cx, cy], "inner": 0.6 * r, "outer": 1.5 * r}
        steps.append({"name": f"hole {name}", "kind": "circle", "region": {"ring": ring}, **_limits("diameter", 2 * r)})
    for k, (lx, ly, across, along, turn) in enumerate(
        [(15, 20, 1.5, 24, 90), (30, 10, 1.5, 14, 0), (15, 0, 1.5, 24, 90), (0, 10, 1.5, 14, 0), (15, 11, 0.8, 8, 90)]
    ):
        steps.append(
            {"name": f"line {k}", "kind": "line", "about_deg": turn - 90, "region": _at(lx, ly, across, along, turn)}
        )
    for k, (sx, sy, across, along, turn, width) in enumerate(
        [(15, 10, 3.5, 8, 90, 2.0), (15, 5, 3, 4, 90, 1.5), (15, 10, 12, 1, 0, 10.0), (15, 5, 8, 1, 0, 6.0)]
    ):
        region = _at(sx, sy, across, along, turn)
        steps.append({"name": f"width {k}", "kind": "width", "region": region, **_limits("width", width)})
    for k, (ex, ey, turn) in enumerate([(8, 0, 90), (22, 0, 90), (30, 6, 0), (30, 12, 0), (9, 20, 90)]):
        steps.append({"name": f"edge {k}", "kind": "edge", "region": _at(ex, ey, 1.5, 1, turn)})
    for k, (a, b, d) in enumerate(
        [
            ("hole A", "hole B", 20),
            ("hole A", "hole C", math.hypot(20, 10)),
            ("line 2", "hole A", 5),
            ("line 0", "line 2", 20),
        ]
    ):
        steps.append({"name": f"distance {k}", "kind": "distance", "between": [a, b], **_limits("distance", d)})
    steps += [{"name": f"corner {k}", "kind": "point", "between": [f"line {k}", f"line {k + 1}"]} for k in (0, 1)]
    return steps


def _limits(quantity: str, nominal: float) -> dict[str, Any]:
    return {"limits": {quantity: {"nominal": nominal, "plus": 0.1, "minus": 0.1}}}


def _at(x: float, y: float, across: float, along: float, turn: float) -> dict[str, Any]:
    return {"rectangle": {"centre": [x, y], "size": [across, along], "angle_deg": turn}}


def _region(pose: Any, x: float, y: float, across: float, along: float, turn: float) -> dict[str, Any]:
    at = scenes.placed([np.array([[x, y]])], *pose)[0][0]
    return _at(float(at[0]), float(at[1]), across, along, turn + math.degrees(pose[2]))


def shot(used: Tie, pose: tuple[float, float, float], rng: Any, number: int) -> Seen:
    """Return the part's picture at a pose on the ground."""
    picture = np.full((ROWS, COLS), DARK)
    scenes.put(picture, [used.to_image(loop) for loop in scenes.placed(part(), *pose)], LIGHT, BLUR)
    pixels = scenes.taken(picture, NOISE, rng)
    described = Shot(f"shot-{number}", (Picture("picture", "", (COLS, ROWS), 8, "Mono8"),))
    return Seen(described, {"picture": pixels}, {"picture": Sensor(COLS, ROWS)})


def shots(count: int) -> list[tuple[Job, Seen]]:
    """Return jobs and shots at several poses."""
    rng, used = np.random.default_rng(3), tie()
    made = []
    for k in range(count):
        pose = (rng.uniform(45, 55), rng.uniform(35, 45), rng.uniform(-0.6, 0.6))
        made.append((Job(recipe(pose), used), shot(used, pose, rng, k)))
    return made


def measure(cases: list[tuple[Job, Seen]], count: int) -> dict[str, Any]:
    """Return what shots cost, by kind of step too."""
    find = {"datum", "side", "corner"}
    whole, besides, outside, freeing, writing, plain = [], [], [], [], [], []
    kinds: dict[str, list[float]] = defaultdict(list)
    for k in range(count + 3):
        job, seen = cases[k % len(cases)]
        began = time.process_time()
        outcome = run(job, seen, clock=time.process_time)
        ended = time.process_time()
        made = outcome.record
        del outcome
        freed = 1e3 * (time.process_time() - ended)
        spent = 1e3 * (ended - began) + freed
        if k < 3:  # the first rounds compile; what they load is not looked through for garbage, as in `tiepoint run`
            gc.freeze()
            assert all(r.reason is None for r in made.readings), [r for r in made.readings if r.reason]
            continue
        of_find = 1e3 * sum(t for name, t in made.timings.items() if name in find)
        whole.append(spent)
        besides.append(spent - of_find)
        outside.append(spent - freed - 1e3 * sum(made.timings.values()))
        freeing.append(freed)
        began = time.process_time()
        records_jsonl([made])
        writing.append(1e3 * (time.process_time() - began))
        began = time.process_time()
        _plain_loop()
        plain.append(time.process_time() - began)
        for step in job.recipe.steps:
            if step.name not in find:
                kinds[step.kind.kind].append(1e3 * made.timings[step.name])
    middle = statistics.median(besides)
    return {
        "besides_find_ms": middle,
        "find_ms": statistics.median(whole) - middle,
        "runner_ms": statistics.median(outside),
        "runner_share": statistics.median(outside) / middle,
        "freeing_ms": statistics.median(freeing),
        "write_ms": statistics.median(writing),
        "p99_over_median": float(np.quantile(besides, 0.99)) / middle,
        "machine_p99_over_median": float(np.quantile(plain, 0.99)) / statistics.median(plain),
        **{f"a_{kind}_ms": statistics.median(times) for kind, times in kinds.items()},
    }


def _plain_loop() -> dict[int, tuple[int, int]]:
    """Count and keep: work of the interpreter alone, about as long as a shot."""
    kept, total = {}, 0
    for k in range(60_000):
        total += k * k % 7
        if k % 16 == 0:
            kept[k] = (total, k)
    return kept


def kernels_ms(job: Job, seen: Seen, rounds: int) -> float:
    """Return the least time of the edges alone, besides those of the find."""
    asked: list[Callable[[], Any]] = []
    search = runner.find_in

    def noting(*given: Any, **named: Any) -> Any:
        asked.append(partial(search, *given, **named))
        return search(*given, **named)

    runner.find_in = noting
    try:
        made = run(job, seen).record
    finally:
        runner.find_in = search
    assert all(reading.verdict != "unread" for reading in made.readings)
    assert len(asked) > len(job.recipe.steps)
    least = math.inf
    for _ in range(rounds):
        began = time.process_time()
        for look in asked[2:]:  # the find's own two lines come first
            look()
        least = min(least, 1e3 * (time.process_time() - began))
    return least


def grown(cases: list[tuple[Job, Seen]], count: int) -> float:
    """Return by how many blocks of memory Python grows a shot, over the second half of the shots."""
    held: list[int] = []
    for k in range(2 * count + 1):
        if k in (count, 2 * count):
            gc.collect()
            held.append(sys.getallocatedblocks())
        run(*cases[k % len(cases)])
    return (held[1] - held[0]) / count


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--json", action="store_true", help="print one JSON object")
    asked.add_argument("--quick", action="store_true", help="fewer shots")
    options = asked.parse_args()
    cases = shots(4 if options.quick else 10)
    told = measure(cases, 40 if options.quick else 1000)
    told["kernels_ms"] = kernels_ms(*cases[0], 5)
    told["kernels_share"] = told["kernels_ms"] / told["besides_find_ms"]
    told["grown_blocks_a_shot"] = grown(cases, 10 if options.quick else 500)
    if options.json:
        print(json.dumps({**told, "goals": GOALS}, indent=1))
        return
    print("\n".join(f"{name:<24} {value:>10.4g}" for name, value in told.items()))
    print("goals:", ", ".join(f"{name} {value:g}" for name, value in GOALS.items()))


if __name__ == "__main__":
    main()
