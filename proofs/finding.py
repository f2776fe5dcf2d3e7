"""Is a taught part found under any light, blurred, hidden in part and among clutter, and nothing else in its place?

The least share of the outline that counts as found (`seek.LEAST_SHARE`) is judged on two families of scenes: `tuned`
(the benchmark's bracket among polygons), on which it was sought, and `judged` (three other parts, among rings, bars,
and parts of other kinds, on a background with a gradient and waves). Scenes of the second family too had been looked
at before it was frozen, so what is new here are the seeds: `--seed` is the first, and a run that shall prove something
takes seeds that no run before it took. The result tells them.

Light × 0.3 to 3 with saturation, blur to 2 px, up to 30 % of the outline hidden, noise of 2 grey in 255. Hidden is
what a patch covers, and what lies before something less than 25 grey darker than the part (of a step of 70): there is
no edge to see. Found: within 1 px and 0.5° of the truth. Without the part: nothing at all may be found.

    python proofs/finding.py [--scenes 2000] [--seed 100000] [--minutes 30]
"""

import argparse
import functools
import math
import runpy
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from common import on_all_cores, write_result
from scipy import special

from tiepoint.vision.seek import LEAST_SHARE, seek
from tiepoint.vision.seek_model import Pose, Taught
from tiepoint.vision.seek_teach import teach

scenes = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "tests" / "helpers" / "shape_scenes.py")))

ROWS, COLS = 900, 1100
NOISE = 2.0
KINDS = ("tuned", "judged")


def lever() -> list[Any]:
    """A lever with a slot and a hole."""
    points = [(-150, -30), (-60, -45), (30, -95), (130, -80), (150, -20), (90, 10), (60, 80), (-20, 95), (-70, 35)]
    return [
        scenes.rounded(points, 10),
        scenes.circle(80, -50, 20),
        scenes.rounded([(-110, -15), (-40, -20), (-40, 5), (-110, 5)], 4),
    ]


def plate() -> list[Any]:
    """A rectangular plate with holes that tell its ends."""
    outline = scenes.rounded([(-130, -70), (130, -70), (130, 70), (-130, 70)], 14)
    holes = [
        scenes.circle(-95, -38, 13),
        scenes.circle(95, 38, 13),
        scenes.circle(-95, 38, 13),
        scenes.circle(50, -20, 30),
    ]
    return [outline, *holes]


def cam() -> list[Any]:
    """A cam with three unequal lobes."""
    t = np.linspace(0, math.tau, 240, endpoint=False)
    r = 100 + 22 * np.cos(2 * t) + 16 * np.cos(3 * t + 0.7)
    return [np.column_stack([r * np.cos(t), r * np.sin(t)]), scenes.circle(10, -8, 26)]


PARTS = {"bracket": scenes.bracket, "lever": lever, "plate": plate, "cam": cam}


@functools.cache
def taught_part(name: str) -> Taught:
    """Return a part taught under plain light."""
    picture = np.full((420, 420), 40.0)
    scenes.put(picture, scenes.placed(PARTS[name](), 209.7, 210.2, 0.1), 110.0, 0.8)
    seen = scenes.taken(picture, NOISE, np.random.default_rng(1))
    return teach(seen, np.ones(seen.shape, bool), Pose(209.7, 210.2, 0.1))


def along(loops: list[Any]) -> Any:
    """Return places (n, 2) along an outline, about a pixel apart."""
    return np.vstack([_dense(loop) for loop in loops])


def covered(points: Any, patch: Any) -> Any:
    """Return which places (n, 2) of an outline lie in a convex patch."""
    inside = np.ones(len(points), bool)
    for a, b in zip(patch, np.roll(patch, -1, axis=0), strict=True):
        inside &= (b[0] - a[0]) * (points[:, 1] - a[1]) - (b[1] - a[1]) * (points[:, 0] - a[0]) >= 0
    return inside


def _dense(loop: Any) -> Any:
    way = np.roll(loop, -1, axis=0) - loop
    counts = np.maximum(1, np.hypot(*way.T).astype(int))
    first = np.cumsum(counts) - counts
    share = (np.arange(counts.sum()) - np.repeat(first, counts)) / np.repeat(counts, counts)
    return np.repeat(loop, counts, axis=0) + share[:, None] * np.repeat(way, counts, axis=0)


def clutter(rng: Any, picture: Any, kind: str, name: str, blur: float) -> None:
    """Strew other things: polygons where the threshold was tuned; rings, bars, strokes and other parts elsewhere."""
    for _ in range(int(rng.integers(10, 40))):
        at = rng.uniform((0, 0), (COLS, ROWS))
        level = float(rng.uniform(15, 130))
        if kind == "tuned":
            points = rng.normal(0, 1, (6, 2))
            points = points[np.argsort(np.arctan2(points[:, 1], points[:, 0]))] * rng.uniform(15, 70)
            scenes.put(picture, [points + at], level, blur)
        elif rng.random() < 0.35:
            r = rng.uniform(12, 90)
            scenes.put(picture, [scenes.circle(*at, r), scenes.circle(*at, r * rng.uniform(0.4, 0.9))], level, blur)
        else:
            half = np.array([rng.uniform(20, 160), rng.uniform(2, 30)])
            bar = [np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * half]
            scenes.put(picture, scenes.placed(bar, *at, float(rng.uniform(0, math.pi))), level, blur)
    if kind == "judged":
        others = [other for other in PARTS if other != name]
        for other in rng.choice(others, 2):
            where = (*rng.uniform((0, 0), (COLS, ROWS)), float(rng.uniform(0, math.tau)))
            scenes.put(picture, scenes.placed(PARTS[other](), *where), 110.0, blur)


def scene(seed: int, kind: str, with_part: bool) -> tuple[Any, str, tuple[float, float, float]]:
    """Return a picture, the name of the part sought in it, and the part's pose."""
    rng = np.random.default_rng([seed, KINDS.index(kind), int(with_part)])
    name = "bracket" if kind == "tuned" else ("lever", "plate", "cam")[seed % 3]
    blur = float(rng.uniform(0.5, 2.0))
    picture = np.full((ROWS, COLS), 40.0)
    if kind == "judged":
        y, x = np.mgrid[0:ROWS, 0:COLS]
        picture += 12 * (x / COLS - 0.5) + 8 * np.sin(x / 37 + y / 53)
    clutter(rng, picture, kind, name, blur)
    pose = _drawn_pose(rng, picture, name)
    if with_part:
        loops = scenes.placed(PARTS[name](), *pose)
        outline = along(loops)
        lost = _before_bright(picture, outline)
        scenes.put(picture, loops, 110.0, blur)
        _hide(rng, picture, outline, lost, pose, blur)
    gain = float(np.exp(rng.uniform(math.log(0.3), math.log(3.0))))
    return scenes.taken(picture, NOISE, rng, gain=gain), name, pose


def _drawn_pose(rng: Any, picture: Any, name: str) -> tuple[float, float, float]:
    """Draw a pose at which the background leaves at least 70 % of the outline to be seen."""
    while True:
        x, y = rng.uniform(170, COLS - 170), rng.uniform(170, ROWS - 170)
        pose = (float(x), float(y), float(rng.uniform(-math.pi, math.pi)))
        if _before_bright(picture, along(scenes.placed(PARTS[name](), *pose))).mean() < 0.3:
            return pose


def _before_bright(picture: Any, points: Any) -> Any:
    """Return which places (n, 2) of an outline lie before something too bright to show an edge."""
    x, y = np.rint(points).astype(int).T
    return picture[np.clip(y, 0, ROWS - 1), np.clip(x, 0, COLS - 1)] > 85.0


def _hide(rng: Any, picture: Any, outline: Any, lost: Any, pose: tuple[float, float, float], blur: float) -> None:
    """Lay a patch so that, with what is lost already, up to 30 % of the outline is hidden, as much as was drawn."""
    wanted, turn = rng.uniform(lost.mean(), 0.3), float(rng.uniform(0, math.tau))
    square = np.array([(0, -170), (170, -170), (170, 170), (0, 170)], float)
    for distance in np.arange(200.0, -30.0, -4.0):
        patch = scenes.placed([square + np.array([distance, 0.0])], *pose[:2], turn)
        if (lost | covered(outline, patch[0])).mean() > wanted:
            # The patch before hid no more than was wanted.
            before = scenes.placed([square + np.array([distance + 4.0, 0.0])], *pose[:2], turn)
            scenes.put(picture, before, float(rng.uniform(15, 130)), blur)
            return


def tried(job: tuple[int, str, bool]) -> tuple[bool, float]:
    """Return whether the scene was judged rightly, and the best share seen."""
    seed, kind, with_part = job
    picture, name, pose = scene(seed, kind, with_part)
    got = seek(picture, taught_part(name))
    if not with_part:
        return not got.found, got.best_share
    if not got.found:
        return False, got.best_share
    at = got.found[0].pose
    turn = (at.angle - pose[2] + math.pi) % math.tau - math.pi
    return math.hypot(at.x - pose[0], at.y - pose[1]) < 1 and abs(turn) < math.radians(0.5), got.found[0].share


def with_tuned(seed: int) -> tuple[bool, float]:
    """Judge a tuned scene with its part."""
    return tried((seed, "tuned", True))


def without_tuned(seed: int) -> tuple[bool, float]:
    """Judge a tuned scene without its part."""
    return tried((seed, "tuned", False))


def with_judged(seed: int) -> tuple[bool, float]:
    """Judge a scene of the other family with its part."""
    return tried((seed, "judged", True))


def without_judged(seed: int) -> tuple[bool, float]:
    """Judge a scene of the other family without its part."""
    return tried((seed, "judged", False))


def share(what: str, hits: int, n: int) -> dict[str, Any]:
    """Return a row with its 95 % Clopper-Pearson interval."""
    low = float(special.betaincinv(hits, n - hits + 1, 0.025)) if hits else 0.0
    high = float(special.betaincinv(hits + 1, n - hits, 0.975)) if hits < n else 1.0
    return {"what": what, "n": n, "percent": 100 * hits / n, "low": 100 * low, "high": 100 * high}


def told(kind: str, first: int, there: list[tuple[bool, float]], empty: list[tuple[bool, float]]) -> list[str]:
    """Return what is said of a family of scenes: its seeds, the shares of both sorts of scenes, and what went wrong."""
    lowest = np.quantile([s for _, s in there], [0.0, 0.005, 0.05, 0.5])
    highest = np.quantile([s for _, s in empty], [0.5, 0.95, 0.995, 1.0])
    lost = [first + k for k, (right, _) in enumerate(there) if not right]
    false = [first + k for k, (right, _) in enumerate(empty) if not right]
    margin = lowest[0] - highest[3]
    return [
        f"{kind}: {len(there)} scenes with the part and {len(empty)} without, of the seeds from {first} on.",
        f"{kind}: the least share where the part lies is {lowest[0]:.3f}, the most where it does not {highest[3]:.3f}: "
        f"a margin of {margin:.3f}, with {LEAST_SHARE:g} as the least that counts.",
        f"{kind}: share where the part lies, 0.5 % {lowest[1]:.3f}, 5 % {lowest[2]:.3f}, middle {lowest[3]:.3f}; where "
        f"it does not, middle {highest[0]:.3f}, 95 % {highest[1]:.3f}, 99.5 % {highest[2]:.3f}.",
        f"{kind}: seeds not found {lost[:20]}, seeds with a false find {false[:20]}.",
    ]


def main() -> None:
    """Run both families and keep the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", type=int, default=2000, help="of each kind, with and without the part")
    parser.add_argument("--seed", type=int, default=100_000, help="the first; give one that no run before took")
    parser.add_argument("--minutes", type=float, default=30.0, help="for each of the four parts")
    parser.add_argument("--dry", action="store_true", help="print, write nothing")
    asked = parser.parse_args()
    table, notes = [], []
    for kind, works in (("tuned", (with_tuned, without_tuned)), ("judged", (with_judged, without_judged))):
        n = asked.scenes if kind == "judged" else max(asked.scenes // 12, 50)
        seeds = range(asked.seed, asked.seed + n)
        there = on_all_cores(works[0], seeds, f"{kind}, with", asked.minutes)
        empty = on_all_cores(works[1], seeds, f"{kind}, without", asked.minutes)
        found, false = sum(right for right, _ in there), sum(not right for right, _ in empty)
        table.append(share(f"{kind} scenes with the part: found at its pose", found, len(there)))
        table.append(share(f"{kind} scenes without the part: something found", false, len(empty)))
        notes += told(kind, asked.seed, there, empty)
    notes.append("From and to: Clopper-Pearson 95 %.")
    claim = (
        "A taught part is found within 1 px and 0.5° in at least 99.5 % of scenes with light × 0.3 to 3, blur to 2 px, "
        "up to 30 % hidden and clutter, and in no scene without it. The least share that counts was sought on the "
        "tuned family, and frozen after scenes of the judged family, too, had been looked at; the seeds of this run "
        "were new."
    )
    result = {"claim": claim, "seed": asked.seed, "table": table, "notes": notes}
    if asked.dry:
        print("\n".join([*map(str, table), *notes]))
        return
    print(write_result("finding", ("vision",), Path(__file__).resolve(), result).read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
