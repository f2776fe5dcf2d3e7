"""Do stated 95 % intervals hold the truth? Thousands of simulated stations, each tied and measured anew.

Every station draws what its sources state: print scale, swelling and bow of the paper, how a bar's u divides between
the rule and its reading, principal point, height of the part, edge definition, noise; its camera, tilt, lens and
target differ too. The truth is the geometry that was rendered. One reading of each stratum a station: the intervals
of one station share its tie, so runs are counted by station and each row's band is Clopper-Pearson over stations.

    python proofs/intervals.py [--stations 4000] [--per-world 300]
"""

import argparse
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from common import on_all_cores, write_result
from numpy.typing import NDArray
from scipy import special

from tiepoint.bench.printing import Rule, print_target
from tiepoint.bench.station import BenchStation, View
from tiepoint.bench.surface import Look
from tiepoint.bench.worlds import WORLDS, World
from tiepoint.foundation.errors import TiepointError
from tiepoint.foundation.reasons import forbidding
from tiepoint.foundation.sources import Source, Value, measured
from tiepoint.model.reading import Reading
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.recipe import Recipe, read_recipe
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.render.camera import project
from tiepoint.render.outline import band, disc, polygon
from tiepoint.render.photo import Exposure
from tiepoint.render.scene import Cylinder, Lay, Piece, Scene, Sheet
from tiepoint.render.sensor import Light, PlainSensor
from tiepoint.targets.draw import Target, new_target
from tiepoint.targets.paper import SWELLING_HALF, print_scale
from tiepoint.ties.by_target import FLATNESS_MM, Setting, tie_by_target
from tiepoint.ties.move import PRINCIPAL_HALF_WIDTH_PX, move
from tiepoint.ties.tie import Sensor, Tie

Array = NDArray[np.float64]

ROOMS = ("foundation", "vision", "targets", "ties", "recipe", "model")
WIDTH, HEIGHT = 1224, 1024
DARK, LIGHT = 0.06, 0.8
U_BAR_MM = 0.05
U_EDGE_MM = 0.004
U_HEIGHT_MM = 0.05
CLAIM = (
    "Of the stated 95 % intervals of each row, 93 to 97 % hold the truth: met where the whole band lies within, not "
    "met where all of it lies outside, else not shown."
)
CLAIM_ELSEWHERE = (
    "In worlds that the code does not model, of the stated 95 % intervals without a flag that forbids conforming, at "
    "least 93 % hold the truth: met where the whole band lies above, not met where all of it lies below, else not "
    "shown."
)
WHY_WIDE = (
    "Places, and the scale along one axis, hold more often than 95 %: how a bar's u divides between rule and reading "
    "is not known, and what serves the difference of both axes is somewhat more than one axis needs."
)
BAND = "From and to: Clopper-Pearson 95 % on stations, since the intervals of one station share its tie."
WORLD_NAMES = tuple(name for name in WORLDS if name != "plain")

SPOTS = {"centre": (62.0, 46.0), "edge": (62.0, 13.0), "corner": (107.0, 78.0)}
NEAR = (74.0, 46.0)
SHORT, LONG = ((30.0, 66.0), 4.0, 14.0), ((28.0, 34.0), 34.0, 12.0)
"""Two bars: middle, width to measure, length along the measured sides, in mm."""


@dataclass(frozen=True)
class Row:
    """One interval against its truth: `strata` it belongs to, error, stated U95, and whether it flagged itself.

    Only flags that forbid conforming count: with them a result says that its interval may not hold. What a flag merely
    tells of a value excuses nothing.
    """

    strata: tuple[str, ...]
    error: float
    u95: float
    flagged: bool

    @property
    def holds(self) -> bool:
        """Whether the truth lies in the interval."""
        return abs(self.error) <= self.u95


@dataclass(frozen=True)
class Scatter:
    """What one station drew: tilt class, pattern, and the errors that its sources only state."""

    tilt_deg: float
    pattern: str
    is_tie_dominated: bool
    edge_mm: float
    height_error_mm: float
    rule_share: float


def station(seed: int, world: str) -> list[Row]:
    """Return every interval of one simulated station against its truth; none where it refused to work."""
    rng = np.random.default_rng([seed, len(world)])
    drawn = draw(rng, seed)
    bench = bench_of(rng, world, drawn)
    height = float(rng.uniform(0.5, 6.0))
    try:
        tie = tie_of(rng, bench, drawn, seed)
        rows = _probed(bench, tie, drawn)
        at_part = move(tie, measured(height, Source("part/height", "Height of the part", "B", U_HEIGHT_MM, "part")))
        return rows + _measured(rng, bench, at_part, drawn, height, seed)
    except TiepointError as refused:
        return [Row(("refused", type(refused).__name__), math.inf, 0.0, True)]


def draw(rng: np.random.Generator, seed: int) -> Scatter:
    low, high = ((0.0, 5.0), (5.0, 15.0), (15.0, 25.0))[seed % 3]
    return Scatter(
        tilt_deg=float(rng.uniform(low, high)),
        pattern=("charuco", "checker", "dots")[seed // 3 % 3],
        is_tie_dominated=seed % 4 == 3,
        edge_mm=U_EDGE_MM * float(rng.standard_normal()),
        height_error_mm=U_HEIGHT_MM * float(rng.standard_normal()),
        rule_share=float(rng.uniform()),
    )


def bench_of(rng: np.random.Generator, world: str, drawn: Scatter) -> BenchStation:
    view = View(
        (60.0, 45.0),
        float(rng.uniform(430, 520)),
        drawn.tilt_deg,
        float(rng.uniform(0, 360)),
        float(rng.uniform(-12, 12)),
    )
    exposure = Exposure(
        blur_px=float(rng.uniform(0.6, 1.4)),
        light=Light(0.88, falloff=0.03),
        sensor=PlainSensor(float(rng.uniform(0.005, 0.015))),
    )
    return BenchStation(
        view,
        _world(rng, world),
        WIDTH,
        HEIGHT,
        6.9,
        distortion_percent=float(rng.uniform(-6, 3)),
        off_centre_px=_off_centre(rng),
        exposure=exposure,
    )


def _world(rng: np.random.Generator, name: str) -> World:
    """Return a world; where it bevels edges, by a width between what hides in a pixel and what anyone sees."""
    chosen = WORLDS[name]
    return replace(chosen, bevel_mm=float(rng.uniform(0.01, 0.12))) if chosen.bevel_mm else chosen


def _off_centre(rng: np.random.Generator) -> tuple[float, float]:
    """Return where the principal point lies off the picture's middle: as a moved tie states it."""
    x, y = rng.uniform(-PRINCIPAL_HALF_WIDTH_PX, PRINCIPAL_HALF_WIDTH_PX, 2)
    return float(x), float(y)


def _target(drawn: Scatter) -> Target:
    # The tie-dominated station has few points to stand on.
    pitch, columns, rows = (20.0, 6, 5) if drawn.is_tie_dominated else (10.0, 12, 9)
    return new_target(drawn.pattern, pitch, columns, rows)


def tie_of(rng: np.random.Generator, bench: BenchStation, drawn: Scatter, seed: int) -> Tie:
    """Return the tie that a person would make: print, measure the bars, photograph, solve."""
    target = _target(drawn)
    printed = print_target(target, seed, rule=_rule(target, drawn.rule_share))
    told = replace(target, measured=printed.measured("2026-01-01T00:00:00Z"))
    scale = print_scale(told)
    swollen = 1 + rng.uniform(-SWELLING_HALF, SWELLING_HALF, 2)
    sheet = bench.target_on(printed, margin_mm=12.0)
    bow = sheet.lay.bow or _bow(rng, target)
    lay = replace(sheet.lay, scale_x=sheet.lay.scale_x * swollen[0], scale_y=sheet.lay.scale_y * swollen[1], bow=bow)
    photo = bench.photograph(Scene(0.35, (sheet.laid(lay),)), seed)
    setting = Setting(scale=scale, target_id=target.id, photos=(f"photo-{seed}",), distance=_distance(rng, bench))
    return tie_by_target([photo.picture], told, setting)


def _rule(target: Target, share: float) -> Rule:
    """Return a rule whose own scale has that share of the variance of the longer bar's u."""
    longer = max(target.bar_x_mm, target.bar_y_mm)
    return Rule(u_scale=U_BAR_MM * math.sqrt(share) / longer, u_reading_mm=U_BAR_MM * math.sqrt(1 - share))


def _bow(rng: np.random.Generator, target: Target) -> Cylinder:
    """Return a page that leaves its plane by as much as the tie takes it to: uniform within the stated flatness."""
    width, height = target.size_mm
    sag = float(rng.uniform(-FLATNESS_MM, FLATNESS_MM))
    along, span = ((0.0, width), (90.0, height))[int(rng.integers(2))]
    return Cylinder(sag, span, along, (width / 2, height / 2))


def _distance(rng: np.random.Generator, bench: BenchStation) -> Value:
    """Return the camera's distance as a person would state it: measured to 5 mm."""
    u = 5.0
    true = float(bench.camera.centre_mm[2])
    return measured(true + u * float(rng.standard_normal()), Source("camera/distance", "Distance", "B", u, "station"))


def _probed(bench: BenchStation, tie: Tie, drawn: Scatter) -> list[Row]:
    """Return places and one length straight from the tie: the pixel is exact, so the tie alone must answer."""
    places = np.array([*SPOTS.values(), NEAR])
    px = project(bench.camera, np.column_stack([places, np.zeros(len(places))]))
    mapped = tie.map(px)
    rows = []
    for k, spot in enumerate(SPOTS):
        if mapped.inside[k]:
            for axis, name in enumerate("xy"):
                value = _of(mapped.xy_mm[k, axis], mapped.d_sources[k, axis], mapped.sources)
                rows.append(_row(value, places[k, axis], ("probe", f"probe {name}", f"probe {spot}"), drawn, tie.flags))
    if mapped.inside[[0, 2]].all():
        d = mapped.xy_mm[2] - mapped.xy_mm[0]
        way = d / np.hypot(*d)
        value = _of(float(np.hypot(*d)), way @ (mapped.d_sources[2] - mapped.d_sources[0]), mapped.sources)
        true = float(np.hypot(*(places[2] - places[0])))
        rows.append(_row(value, true, ("probe", "probe length"), drawn, tie.flags))
    return rows + _axes(bench, tie, drawn)


def _axes(bench: BenchStation, tie: Tie, drawn: Scatter) -> list[Row]:
    """Return how much larger the tie has the scale along x than along y: of places that lie on a cross, truth 0.

    It is what a rule that both bars share cannot spoil and readings of their own can.
    """
    ends = np.array([[22.0, 46.0], [102.0, 46.0], [62.0, 12.0], [62.0, 80.0]])
    mapped = tie.map(project(bench.camera, np.column_stack([ends, np.zeros(4)])))
    if not mapped.inside.all():
        return []
    value, c = 0.0, np.zeros(len(mapped.sources))
    for a, b, sign in ((0, 1, 1.0), (2, 3, -1.0)):
        way = mapped.xy_mm[b] - mapped.xy_mm[a]
        true = float(np.hypot(*(ends[b] - ends[a])))
        value += sign * float(np.hypot(*way)) / true
        c += sign / true * (way / np.hypot(*way)) @ (mapped.d_sources[b] - mapped.d_sources[a])
    share = "rule's share of u below a fifth" if drawn.rule_share < 0.2 else "rule's share of u above a fifth"
    strata = ("scale of x less that of y", f"scale of x less that of y, {share}")
    return [_row(_of(value, c, mapped.sources), 0.0, strata, drawn, tie.flags)]


def _measured(
    rng: np.random.Generator, bench: BenchStation, tie: Tie, drawn: Scatter, height: float, seed: int
) -> list[Row]:
    """Return the readings of a recipe on a part with discs and bars in known places."""
    radii = {name: float(rng.uniform(1.5, 3.5)) for name in (*SPOTS, "near")}
    places = {name: np.array(at) + rng.uniform(-0.3, 0.3, 2) for name, at in (*SPOTS.items(), ("near", NEAR))}
    turn = math.radians(float(rng.uniform(-4, 4)))
    scene = _part(radii, places, turn, drawn, Lay(z_mm=height + drawn.height_error_mm), bench.world.bevel_mm)
    photo = bench.photograph(scene, seed + 1_000_003)
    recipe = _recipe(radii, seed)
    picture = Picture("picture", "0" * 64, (WIDTH, HEIGHT), 8, "Mono8")
    seen = Seen(Shot(f"shot-{seed}", (picture,)), {"picture": photo.picture}, {"picture": Sensor(WIDTH, HEIGHT)})
    record = run(Job(recipe, tie), seen).record
    classes = classes_of(drawn)
    return rows_of(
        record.readings, {what: ((*strata, *classes), true) for what, (strata, true) in _truth(radii, places).items()}
    )


def rows_of(readings: Iterable[Reading], truth: Mapping[tuple[str, str], tuple[tuple[str, ...], float]]) -> list[Row]:
    """Return the rows of those readings, by step and quantity, whose strata and true value are known."""
    rows = []
    for reading in readings:
        if (reading.step, reading.quantity) not in truth:
            continue
        strata, true = truth[reading.step, reading.quantity]
        if reading.value is None or reading.U95 is None:
            rows.append(Row(("no value", reading.reason.code if reading.reason else ""), math.inf, 0.0, True))
            continue
        rows.append(Row(strata, reading.value - true, reading.U95, bool(forbidding(reading.flags))))
    return rows


def _part(
    radii: dict[str, float], places: dict[str, Array], turn: float, drawn: Scatter, lay: Lay, bevel_mm: float
) -> Scene:
    """Return dark discs and bars on a light ground; what light shows of each edge lies `edge_mm` off.

    A bevel stands outside the edge and catches the lamp on one side.
    """
    grow = -drawn.edge_mm
    outlines = [disc(*places[name], radii[name] + grow) for name in radii]
    outlines += [polygon(_bar(bar, turn, grow)) for bar in (SHORT, LONG)]
    pieces = [Piece(outline, DARK, LIGHT) for outline in outlines]
    if bevel_mm > 0:
        look = Look(face=LIGHT)
        pieces += [Piece(q, look.bevelled(n), LIGHT) for o in outlines for q, n in band(o, -bevel_mm)]
    return Scene(LIGHT, (Sheet(tuple(pieces), lay),))


def _bar(bar: tuple[tuple[float, float], float, float], turn: float, grow: float) -> Array:
    middle, width, length = bar
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (width / 2 + grow, length / 2 + grow)
    c, s = math.cos(turn), math.sin(turn)
    return np.asarray(half @ np.array([[c, s], [-s, c]]) + middle)


def _recipe(radii: dict[str, float], seed: int) -> Recipe:
    """Return what this station measures: discs or bars, by turns, so that a proof takes minutes and not hours."""
    steps = _discs(radii) if seed // 36 % 2 else _bars()
    edge = {"light": {"bias": 0.0, "u": U_EDGE_MM, "scope": "part"}}
    return read_recipe({"format": "tiepoint/recipe/1", "name": "intervals", "edge": edge, "step": steps})


def _discs(radii: dict[str, float]) -> list[dict[str, Any]]:
    steps: list[dict[str, Any]] = []
    for name, radius in radii.items():
        at = NEAR if name == "near" else SPOTS[name]
        ring = {"centre": list(at), "inner": max(radius - 1.0, 0.3), "outer": radius + 1.0}
        step = {
            "name": name,
            "kind": "circle",
            "edge": "light",
            "region": {"ring": ring},
            "readings": ["x", "y", "diameter"],
        }
        steps.append(step)
    steps.append({"name": "far apart", "kind": "distance", "between": ["centre", "corner"], "readings": ["distance"]})
    steps.append({"name": "close by", "kind": "distance", "between": ["centre", "near"], "readings": ["distance"]})
    return steps


def _bars() -> list[dict[str, Any]]:
    steps: list[dict[str, Any]] = []
    for name, (middle, width, length) in (("short", SHORT), ("long", LONG)):
        box = {"centre": list(middle), "size": [width + 3.0, length * 0.6]}
        steps.append(
            {"name": name, "kind": "width", "edge": "light", "region": {"rectangle": box}, "readings": ["width"]}
        )
    for name, offset, size, angle in (("side", (17.0, 0.0), (3.0, 7.0), 0.0), ("end", (0.0, 6.0), (3.0, 24.0), 90.0)):
        at = [LONG[0][0] + offset[0], LONG[0][1] + offset[1]]
        box = {"centre": at, "size": list(size), "angle_deg": angle}
        steps.append({"name": name, "kind": "line", "edge": "light", "region": {"rectangle": box}})
    steps.append(
        {"name": "square", "kind": "angle", "between": ["side", "end"], "about_deg": 90, "readings": ["angle"]}
    )
    return steps


def _truth(radii: dict[str, float], places: dict[str, Array]) -> dict[tuple[str, str], Any]:
    out: dict[tuple[str, str], Any] = {}
    for name, radius in radii.items():
        where = "centre" if name == "near" else name
        out[name, "diameter"] = (("diameter", f"diameter {where}"), 2 * radius)
        for axis, letter in enumerate("xy"):
            out[name, letter] = (("position", f"position {where}"), float(places[name][axis]))
    out["short", "width"] = (("width", "length 4 mm"), SHORT[1])
    out["long", "width"] = (("width", "length 34 mm"), LONG[1])
    for step, other, label in (("far apart", "corner", "length 55 mm"), ("close by", "near", "length 12 mm")):
        out[step, "distance"] = (("distance", label), float(np.hypot(*(places["centre"] - places[other]))))
    out["square", "angle"] = (("angle",), 90.0)
    return out


def _of(value: float, d_sources: Array, sources: tuple[Source, ...]) -> Value:
    return Value(float(value), {s: float(c) for s, c in zip(sources, d_sources, strict=True)})


def _row(value: Value, true: float, strata: tuple[str, ...], drawn: Scatter, flags: tuple[str, ...]) -> Row:
    return Row((*strata, *classes_of(drawn)), value.value - true, value.U95, bool(forbidding(flags)))


def classes_of(drawn: Scatter) -> tuple[str, ...]:
    low = 0 if drawn.tilt_deg < 5 else 5 if drawn.tilt_deg < 15 else 15
    tie = "few points in the tie" if drawn.is_tie_dominated else "many points in the tie"
    return f"tilt {low} to {(5, 15, 25)[(0, 5, 15).index(low)]}°", drawn.pattern, tie


def _plain(seed: int) -> list[Row]:
    return station(seed, "plain")


def _elsewhere(number: int) -> tuple[str, list[Row]]:
    name = WORLD_NAMES[number % len(WORLD_NAMES)]
    return name, station(10_000_000 + number // len(WORLD_NAMES), name)


def tally(what: str, rows: list[list[Row]]) -> dict[str, Any] | None:
    """Return coverage of one stratum: rows by station, the band as if each station were one run."""
    kept = [r for r in rows if r]
    n = len(kept)
    total, held = sum(len(r) for r in kept), sum(row.holds for r in kept for row in r)
    if n == 0:
        return None
    share = held / total
    # Clopper-Pearson on stations: the intervals of one station are not independent.
    good = share * n
    low = 0.0 if good == 0 else float(special.betaincinv(good, n - good + 1, 0.025))
    high = 1.0 if good == n else float(special.betaincinv(good + 1, n - good, 0.975))
    return {"what": what, "n": n, "intervals": total, "percent": 100 * share, "low": 100 * low, "high": 100 * high}


def table(stations: list[list[Row]]) -> list[dict[str, Any]]:
    """Return coverage of all and of every stratum."""
    names = sorted({s for rows in stations for row in rows for s in row.strata if math.isfinite(row.error)})
    out = [tally("all", [[r for r in rows if math.isfinite(r.error)] for rows in stations])]
    out += [
        tally(name, [[r for r in rows if name in r.strata and math.isfinite(r.error)] for rows in stations])
        for name in names
    ]
    return [row for row in out if row]


def world_row(name: str, stations: list[list[Row]]) -> dict[str, Any]:
    """Return coverage in a world that the code does not model, of those readings that did not flag themselves."""
    finite = [[r for r in rows if math.isfinite(r.error)] for rows in stations]
    silent = [[r for r in rows if not r.flagged] for rows in finite]
    total, quiet = sum(map(len, finite)), sum(map(len, silent))
    every = tally(name, finite)
    none = dict.fromkeys(("percent", "low", "high")) | {"what": name, "n": 0, "intervals": 0}
    row = tally(f"{name}, not flagged", silent) or none
    return {
        **row,
        "flagged_percent": 100 * (1 - quiet / total) if total else 0.0,
        "all_percent": every["percent"] if every else None,
    }


def refusals(stations: list[list[Row]]) -> dict[str, int]:
    """Return how often a station or a reading refused, by reason."""
    counts: dict[str, int] = {}
    for rows in stations:
        for row in rows:
            if not math.isfinite(row.error):
                counts[" ".join(row.strata)] = counts.get(" ".join(row.strata), 0) + 1
    return dict(sorted(counts.items()))


def shown(row: dict[str, Any]) -> str:
    """Return one line of the printed table."""
    line = f"{row['what']:34} {row['n']:6} {row['intervals']:7}"
    line += "".join(f" {row[k]:7.2f}" if row["n"] else f" {'–':>7}" for k in ("percent", "low", "high"))
    return line + (
        f"  flagged {row['flagged_percent']:5.1f} all {row['all_percent']:5.1f}" if row.get("all_percent") else ""
    )


def kept(name: str, claim: str, rows: list[dict[str, Any]], notes: list[str], is_dry: bool) -> None:
    """Print a table, and keep it unless told otherwise."""
    print("\n".join([*map(shown, rows), *notes]))
    if not is_dry:
        result = {"claim": claim, "table": rows, "notes": [BAND, *notes]}
        print(write_result(name, ROOMS, Path(__file__), result))


def main() -> None:
    """Run the proof and write its results: one of the modelled world, one of the others."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=4000)
    parser.add_argument("--per-world", type=int, default=300)
    parser.add_argument("--minutes", type=float, default=math.inf, help="stop either part after this")
    parser.add_argument("--dry", action="store_true", help="print, write nothing")
    asked = parser.parse_args()
    # One station here too: what this process has loaded is what the result's hash stands for.
    _plain(0)
    if asked.stations:
        plain = on_all_cores(_plain, range(asked.stations), "plain", asked.minutes)
        kept(
            "intervals-plain",
            CLAIM,
            table(plain),
            [WHY_WIDE, f"Refused, or without a value: {refusals(plain)}."],
            asked.dry,
        )
    if asked.per_world:
        others = on_all_cores(_elsewhere, range(asked.per_world * len(WORLD_NAMES)), "other worlds", asked.minutes)
        rows = [world_row(name, [r for n, r in others if n == name]) for name in WORLD_NAMES]
        flagged = (
            "{what}: {flagged_percent:.1f} % of the readings flagged themselves; all together {all_percent:.2f} % hold."
        )
        notes = [flagged.format(**row) for row in rows if row["all_percent"] is not None]
        notes.append(f"Refused, or without a value: {refusals([r for _, r in others])}.")
        kept("intervals-elsewhere", CLAIM_ELSEWHERE, rows, notes, asked.dry)


if __name__ == "__main__":
    main()
