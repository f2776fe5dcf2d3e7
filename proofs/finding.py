"""Is a taught part found under any light, blurred, hidden in part and among clutter, and nothing else in its place?

The least share of the outline that counts as found (`seek.LEAST_SHARE`) was sought on a family of scenes (`tuned`: the
benchmark's bracket among polygons). Scenes of a second (`seen`: three parts among rings, bars and each other, on a
background with a gradient and waves) had been looked at before it was frozen. A third (`mended`: three other parts,
dark on a bright and mottled ground, among blobs, nets of strokes, and each other) was judged once; what it lost, 11 of
2,000, showed that the coarse search lets nets of strokes hide a part, which was mended then. The family on which it is
judged now was written after that, and nothing has been changed for it since (`judged`: three more parts on a brushed
ground under a lamp that falls off, among cables, hexagons with slots, rows of strokes like print, and each other).
`--seed` is the first; a run that shall prove something takes seeds that no run before it took. The result tells them.

Light × 0.3 to 3 with saturation (to 1.6 and 1.4 for the bright ground and the bright part, where × 3 would leave
nothing to see), blur to 2 px, up to 30 % of the outline hidden, noise of 2 grey in 255. Hidden is what a patch covers,
and what lies before something less than 25 grey apart from the part (of a step of 70 to 80): there is no edge to see.
Found: within 1 px and 0.5° of the truth. Without the part: nothing at all may be found.

    python proofs/finding.py [--scenes 2000] [--seed 100000] [--minutes 30]
"""

import argparse
import functools
import math
import runpy
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
from common import on_all_cores, write_result
from scipy import special

from tiepoint.foundation.sources import coverage_factor
from tiepoint.vision.seek import LEAST_SHARE, seek
from tiepoint.vision.seek_model import FoundShape, Pose, Taught
from tiepoint.vision.seek_teach import teach

scenes = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "tests" / "helpers" / "shape_scenes.py")))

ROWS, COLS = 900, 1100
NOISE = 2.0
KINDS = ("tuned", "seen", "mended", "judged")
GROUND = {"tuned": 40.0, "seen": 40.0, "mended": 135.0, "judged": 85.0}
PART = {"tuned": 110.0, "seen": 110.0, "mended": 65.0, "judged": 165.0}
MOST_LIGHT = {"tuned": 3.0, "seen": 3.0, "mended": 1.6, "judged": 1.4}


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


def pawl() -> list[Any]:
    """A pawl: a round boss that runs out into a hook, with a bore and a slanted slot."""
    t = np.linspace(0.45 * math.pi, 1.75 * math.pi, 60)
    boss = np.column_stack([-60 + 72 * np.cos(t), 10 + 72 * np.sin(t)])
    hook = [(30, -70), (110, -52), (150, -6), (138, 38), (112, 30), (104, 2), (60, -8), (10, 40), (-10, 78)]
    slot = scenes.placed([scenes.rounded([(-26, -7), (26, -7), (26, 7), (-26, 7)], 6)], 52, -38, 0.35)
    return [np.vstack([boss, hook]), scenes.circle(-60, 10, 30), *slot]


def key() -> list[Any]:
    """A key: a bow with a hole, a shank, two bits."""
    points = [(-150, -48), (-70, -48), (-55, -16), (90, -16), (90, -60), (118, -60), (118, -16), (128, -16), (128, -42),
              (150, -42), (150, 16), (-55, 16), (-70, 48), (-150, 48)]  # fmt: skip
    return [scenes.rounded(points, 5), scenes.rounded([(-132, -26), (-92, -26), (-92, 26), (-132, 26)], 12)]


def clip() -> list[Any]:
    """An open clip with one long arm."""
    points = [(-110, -90), (120, -90), (120, -50), (-66, -50), (-66, 50), (60, 50), (84, 92), (-84, 92), (-110, 60)]
    return [scenes.rounded(points, 9), scenes.circle(-88, 0, 11), scenes.circle(88, -70, 9)]


def yoke() -> list[Any]:
    """A yoke: a fork on a stem, with a cross bore."""
    points = [(-150, -22), (-40, -22), (-10, -80), (110, -80), (138, -60), (110, -44), (30, -44), (14, 0), (30, 52),
              (92, 52), (92, 90), (-10, 90), (-40, 22), (-150, 22)]  # fmt: skip
    return [scenes.rounded(points, 7), scenes.circle(-118, 0, 12), scenes.circle(-22, 4, 17)]


def flange() -> list[Any]:
    """A flange: an egg-shaped plate with a large opening and three bolt holes."""
    t = np.linspace(0, math.tau, 200, endpoint=False)
    r = 108 + 26 * np.cos(t) + 9 * np.cos(4 * t + 0.4)
    egg = np.column_stack([r * np.cos(t), 0.82 * r * np.sin(t)])
    return [egg, scenes.circle(-14, 6, 44), *(scenes.circle(x, y, 10) for x, y in ((92, 0), (20, -68), (-50, -44)))]


def tee() -> list[Any]:
    """A tee of sheet metal with a bevelled end, a keyhole and a window."""
    points = [(-140, -30), (-20, -30), (-20, -96), (24, -96), (24, -30), (120, -30), (146, 4), (146, 30), (-140, 30)]
    window = scenes.rounded([(62, -12), (112, -12), (112, 14), (62, 14)], 5)
    return [scenes.rounded(points, 4), scenes.circle(-96, 2, 16), window]


PARTS = {
    "bracket": scenes.bracket, "lever": lever, "plate": plate, "cam": cam, "pawl": pawl, "key": key, "clip": clip,
    "yoke": yoke, "flange": flange, "tee": tee,
}  # fmt: skip
NAMES = {
    "tuned": ("bracket",), "seen": ("lever", "plate", "cam"), "mended": ("pawl", "key", "clip"),
    "judged": ("yoke", "flange", "tee"),
}  # fmt: skip
KIND_OF = {name: kind for kind, names in NAMES.items() for name in names}


@functools.cache
def taught_part(name: str) -> Taught:
    """Return a part taught under plain light."""
    picture = np.full((420, 420), GROUND[KIND_OF[name]])
    scenes.put(picture, scenes.placed(PARTS[name](), 209.7, 210.2, 0.1), PART[KIND_OF[name]], 0.8)
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
    """Strew other things, each family its own, and other parts of the family."""
    strew = {"tuned": polygon, "seen": ring_or_bar, "mended": blob_or_net, "judged": cable_or_print}[kind]
    brightest = 210 if kind == "judged" else 130
    for _ in range(int(rng.integers(10, 40))):
        at, level = rng.uniform((0, 0), (COLS, ROWS)), float(rng.uniform(15, brightest))
        for loops in strew(rng, at):
            scenes.put(picture, loops, level, blur)
    others = [other for other in NAMES[kind] if other != name]
    for other in rng.choice(others, 2) if others else ():
        where = (*rng.uniform((0, 0), (COLS, ROWS)), float(rng.uniform(0, math.tau)))
        scenes.put(picture, scenes.placed(PARTS[other](), *where), PART[kind], blur)


def polygon(rng: Any, at: Any) -> list[Any]:
    """Return a polygon of six corners."""
    points = rng.normal(0, 1, (6, 2))
    return [[points[np.argsort(np.arctan2(points[:, 1], points[:, 0]))] * rng.uniform(15, 70) + at]]


def ring_or_bar(rng: Any, at: Any) -> list[Any]:
    """Return a ring or a bar."""
    if rng.random() < 0.35:
        r = rng.uniform(12, 90)
        return [[scenes.circle(*at, r), scenes.circle(*at, r * rng.uniform(0.4, 0.9))]]
    half = np.array([rng.uniform(20, 160), rng.uniform(2, 30)])
    bar = [np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * half]
    return [scenes.placed(bar, *at, float(rng.uniform(0, math.pi)))]


def blob_or_net(rng: Any, at: Any) -> list[Any]:
    """Return a smooth blob, or a net of thin strokes that cross."""
    if rng.random() < 0.6:
        t = np.linspace(0, math.tau, 120, endpoint=False)
        waves = rng.normal(0, 0.16, (4, 2))
        r = 1 + sum(a * np.cos(k * t) + b * np.sin(k * t) for k, (a, b) in enumerate(waves, 2))
        r = np.maximum(r, 0.15) * rng.uniform(15, 80)
        return [[np.column_stack([r * np.cos(t), r * np.sin(t)]) + at]]
    turn, pitch = float(rng.uniform(0, math.pi)), rng.uniform(12, 40)
    bar = [np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * (rng.uniform(40, 120), rng.uniform(1.5, 4))]
    lines = [(scenes.placed(bar, 0, offset * pitch, 0.0), way) for offset in range(-2, 3) for way in (0, math.pi / 2)]
    return [scenes.placed(line, *at, turn + way) for line, way in lines]


def cable_or_print(rng: Any, at: Any) -> list[Any]:
    """Return a cable that winds, a hexagon with a slot, or a row of strokes like print."""
    what, turn = rng.random(), float(rng.uniform(0, math.tau))
    if what < 0.4:
        s = np.linspace(0, 1, 60)
        heading = turn + np.cumsum(rng.normal(0, 0.09, 60)) + rng.uniform(-2, 2) * s
        way = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0) * rng.uniform(2.5, 6)
        across = np.column_stack([-np.sin(heading), np.cos(heading)]) * rng.uniform(2, 9)
        # Piece by piece, so that a cable may cross itself.
        return [[np.vstack([a, b]) + at] for a, b in _pieces(way + across, way - across)]
    if what < 0.7:
        r = rng.uniform(18, 60)
        six = np.array([(math.cos(k * math.tau / 6), math.sin(k * math.tau / 6)) for k in range(6)]) * r
        slot = np.array([(-0.6, -0.1), (0.6, -0.1), (0.6, 0.1), (-0.6, 0.1)]) * r
        return [scenes.placed([six, slot], *at, turn)]
    high, strokes = rng.uniform(10, 34), []
    for k in range(int(rng.integers(4, 11))):
        bar = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * (rng.uniform(1.5, 3.5), high * rng.uniform(0.3, 0.5))
        stroke = scenes.placed([bar], 0.7 * high * k, rng.uniform(-0.15, 0.15) * high, rng.choice((0.0, 0.4, 1.571)))
        strokes.append(scenes.placed(stroke, *at, turn))
    return strokes


def _pieces(left: Any, right: Any) -> list[tuple[Any, Any]]:
    return [(left[k : k + 13], right[k : k + 13][::-1]) for k in range(0, len(left) - 1, 12)]


def scene(seed: int, kind: str, with_part: bool) -> tuple[Any, str, tuple[float, float, float]]:
    """Return a picture, the name of the part sought in it, and the part's pose."""
    rng = np.random.default_rng([seed, KINDS.index(kind), int(with_part)])
    name = NAMES[kind][seed % len(NAMES[kind])]
    blur = float(rng.uniform(0.5, 2.0))
    picture = np.full((ROWS, COLS), GROUND[kind])
    if kind == "seen":
        y, x = np.mgrid[0:ROWS, 0:COLS]
        picture += 12 * (x / COLS - 0.5) + 8 * np.sin(x / 37 + y / 53)
    if kind == "judged":
        # Brushed along one direction, and the strokes of the brush are some pixels wide.
        strokes = cv2.resize(rng.normal(0, 4, (ROWS // 6, 12)).astype(np.float32), (2 * COLS, 2 * ROWS))
        turn = cv2.getRotationMatrix2D((COLS, ROWS), float(rng.uniform(0, 360)), 1.0)
        picture += cv2.warpAffine(strokes, turn, (2 * COLS, 2 * ROWS))[ROWS // 2 : -ROWS // 2, COLS // 2 : -COLS // 2]
    if kind == "mended":
        coarse = rng.normal(0, 6, (ROWS // 20, COLS // 20)).astype(np.float32)
        picture += cv2.resize(coarse, (COLS, ROWS), interpolation=cv2.INTER_CUBIC)
    clutter(rng, picture, kind, name, blur)
    pose = _drawn_pose(rng, picture, name)
    if with_part:
        loops = scenes.placed(PARTS[name](), *pose)
        outline = along(loops)
        lost = _without_edge(picture, outline, kind)
        scenes.put(picture, loops, PART[kind], blur)
        _hide(rng, picture, outline, lost, pose, blur)
    gain = float(np.exp(rng.uniform(math.log(0.3), math.log(MOST_LIGHT[kind]))))
    if kind == "judged":
        # The lamp falls off from a place of its own, to some three quarters in the farthest corner.
        y, x = np.mgrid[0:ROWS, 0:COLS]
        lamp = rng.uniform((0, 0), (COLS, ROWS))
        picture *= 1 / (1 + 0.3 * ((x - lamp[0]) ** 2 + (y - lamp[1]) ** 2) / (ROWS**2 + COLS**2))
    return scenes.taken(picture, NOISE, rng, gain=gain), name, pose


def _drawn_pose(rng: Any, picture: Any, name: str) -> tuple[float, float, float]:
    """Draw a pose at which the background leaves at least 70 % of the outline to be seen."""
    while True:
        x, y = rng.uniform(170, COLS - 170), rng.uniform(170, ROWS - 170)
        pose = (float(x), float(y), float(rng.uniform(-math.pi, math.pi)))
        if _without_edge(picture, along(scenes.placed(PARTS[name](), *pose)), KIND_OF[name]).mean() < 0.3:
            return pose


def _without_edge(picture: Any, points: Any, kind: str) -> Any:
    """Return which places (n, 2) of an outline lie before something too like the part to show the taught edge."""
    x, y = np.rint(points).astype(int).T
    behind = picture[np.clip(y, 0, ROWS - 1), np.clip(x, 0, COLS - 1)]
    return behind > PART[kind] - 25 if GROUND[kind] < PART[kind] else behind < PART[kind] + 25


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


def tried(kind: str, with_part: bool, seed: int) -> tuple[bool, float, float]:
    """Return whether the scene was judged rightly, the best share seen, and the spread of parts' sizes (as `u_scale` in
    a recipe) that it takes for the part not to be told to be of another size: all have the taught one."""
    picture, name, pose = scene(seed, kind, with_part)
    got = seek(picture, taught_part(name))
    if not with_part:
        return not got.found, got.best_share, 0.0
    if not got.found:
        return False, got.best_share, 0.0
    at = got.found[0].pose
    turn = (at.angle - pose[2] + math.pi) % math.tau - math.pi
    right = math.hypot(at.x - pose[0], at.y - pose[1]) < 1 and abs(turn) < math.radians(0.5)
    return right, got.found[0].share, _spread_needed(got.found[0])


def _spread_needed(found: FoundShape) -> float:
    """Return from which spread of sizes on a find by shape in a recipe does not flag the part (`is_other_size`)."""
    if found.size is None:
        return 0.0
    beyond = abs(found.size.scale - 1.0) / coverage_factor(0.9999, max(float(found.edges.seen.sum()) - 4.0, 1.0))
    return math.sqrt(max(beyond**2 - found.size.u**2, 0.0))


def share(what: str, hits: int, n: int) -> dict[str, Any]:
    """Return a row with its 95 % Clopper-Pearson interval."""
    low = float(special.betaincinv(hits, n - hits + 1, 0.025)) if hits else 0.0
    high = float(special.betaincinv(hits + 1, n - hits, 0.975)) if hits < n else 1.0
    return {"what": what, "n": n, "percent": 100 * hits / n, "low": 100 * low, "high": 100 * high}


def told(kind: str, first: int, there: list[Any], empty: list[Any]) -> list[str]:
    """Return what is said of a family of scenes: its seeds, the shares of both sorts of scenes, and what went wrong."""
    lowest = np.quantile([s for _, s, _ in there], [0.0, 0.005, 0.05, 0.5])
    highest = np.quantile([s for _, s, _ in empty], [0.5, 0.95, 0.995, 1.0])
    lost = [first + k for k, (right, *_) in enumerate(there) if not right]
    false = [first + k for k, (right, *_) in enumerate(empty) if not right]
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
    """Run all families and keep the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", type=int, default=2000, help="of each kind, with and without the part")
    parser.add_argument("--seed", type=int, default=100_000, help="the first; give one that no run before took")
    parser.add_argument("--minutes", type=float, default=30.0, help="for each family, with and without the part")
    parser.add_argument("--dry", action="store_true", help="print, write nothing")
    asked = parser.parse_args()
    table, notes = [], []
    for kind in KINDS:
        n = asked.scenes if kind == "judged" else max(asked.scenes // 12, 50)
        seeds = range(asked.seed, asked.seed + n)
        there, empty = (
            on_all_cores(functools.partial(tried, kind, is_there), seeds, f"{kind}, {said}", asked.minutes)
            for is_there, said in ((True, "with"), (False, "without"))
        )
        found, false = sum(right for right, *_ in there), sum(not right for right, *_ in empty)
        table.append(share(f"{kind} scenes with the part: found at its pose", found, len(there)))
        table.append(share(f"{kind} scenes without the part: something found", false, len(empty)))
        seen = [spread for right, _, spread in there if right]
        for u_scale in (0.002, 0.0):
            what = f"{kind} scenes with the part: told to be of another size where u_scale is {u_scale:g}"
            table.append(share(what, sum(spread > u_scale for spread in seen), len(seen)))
        notes += told(kind, asked.seed, there, empty)
    notes.append("From and to: Clopper-Pearson 95 %.")
    claim = (
        "A taught part is found within 1 px and 0.5° in at least 99.5 % of scenes with light × 0.3 to 3, blur to 2 px, "
        "up to 30 % hidden and clutter, and in no scene without it. The least share that counts was sought on the "
        "tuned family, and the coarse search was mended after the third family; the judged one was written after both, "
        "nothing was changed for it, and the seeds of this run were new."
    )
    result = {"claim": claim, "seed": asked.seed, "table": table, "notes": notes}
    if asked.dry:
        print("\n".join([*map(str, table), *notes]))
        return
    print(write_result("finding", ("vision",), Path(__file__).resolve(), result).read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
