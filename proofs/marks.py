"""How many peened Data Matrix symbols are read from four lamps, against zxing-cpp alone on each single picture.

The ladder (`vision/mark_ladder.py`) and its thresholds were frozen on another, simpler generator
(`tests/helpers/dotted_marks.py`); these symbols are of the bench's own (`tiepoint.bench.peened`: contrast, blur, slant,
damage, texture, lamps near and far, parts that move), on which nothing was tuned. zxing-cpp is given every help of its
own (turned, inverted, shrunk) and each of the four pictures; where it reads any of them rightly, it counts as read. We
are given the same four pictures and the lamps as they are stated, and climb the ladder over the first picture and the
relief. Read rightly: the text itself. Misread: any other text.

    python proofs/marks.py [--symbols 500] [--seed 20261126] [--minutes 60]
"""

import argparse
import functools
import math
from pathlib import Path
from typing import Any

import numpy as np
import zxingcpp
from common import on_all_cores, write_result
from scipy import special

from tiepoint.bench.peened import PeenedScene, symbol_scene
from tiepoint.foundation.reasons import Reason
from tiepoint.vision.mark_ladder import ladder
from tiepoint.vision.mark_read import MarkRequest, read_marks
from tiepoint.vision.relief import Relief, relief_of
from tiepoint.vision.relief_lights import Light, Lights

OTHERS = ("curvature", "sunken", "raised")
HALF_ANGLE_DEG = 60.0
"""Of a LED that gives less by the cosine of the angle from its axis."""


def lights(scene: PeenedScene) -> Lights:
    """Return the lamps as a lights.toml states them: far ones by their direction, near ones by their place."""
    told = []
    for lamp in scene.lamps:
        place = np.mean(lamp.leds_mm, axis=0)
        if scene.traits.away_mm:
            near: Any = tuple(place.tolist())
            told.append(
                Light(
                    lamp.id, position_mm=near, aim_mm=lamp.aim_mm, half_angle_deg=HALF_ANGLE_DEG if lamp.flat else None
                )
            )
        else:
            azimuth, elevation = math.radians(lamp.azimuth_deg), math.radians(lamp.elevation_deg)
            flat = math.cos(elevation)
            told.append(Light(lamp.id, (flat * math.cos(azimuth), flat * math.sin(azimuth), math.sin(elevation))))
    return Lights(tuple(told))


def by_zxing(scene: PeenedScene) -> str:
    """Return what zxing-cpp alone comes to on the best picture: right, wrong or none."""
    asked = zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.DataMatrix)
    texts = [
        seen.text
        for picture in scene.pictures
        for seen in zxingcpp.read_barcodes(picture, asked, text_mode=zxingcpp.TextMode.Plain)
    ]
    return "right" if scene.content in texts else "wrong" if texts else "none"


def by_ladder(scene: PeenedScene, others: tuple[str, ...]) -> tuple[str, str]:
    """Return what the ladder comes to, and the rung that read."""
    relief: Relief | Reason | None = None

    def picture(name: str) -> Any:
        nonlocal relief
        if not name:
            return scene.pictures[0]
        if relief is None:
            relief = relief_of(list(scene.pictures), lights(scene), mm_per_px=scene.mm_per_px)
        return relief.picture(name) if isinstance(relief, Relief) else None

    read = read_marks(picture, MarkRequest(("data_matrix",)), ladder(others))
    if not read.marks:
        return "none", "two readings differ" if read.differing else "none"
    return "right" if [m.text for m in read.marks] == [scene.content] else "wrong", str(read.rung)


def tried(seed: int, number: int) -> tuple[str, str, str, str, dict[str, float]]:
    """Return what each reader came to on one symbol, the rung, and what was drawn."""
    scene = symbol_scene(number, seed)
    ours, rung = by_ladder(scene, OTHERS)
    return by_zxing(scene), ours, by_ladder(scene, ())[0], rung, scene.factors


def share(what: str, hits: int, n: int) -> dict[str, Any]:
    """Return a row with its 95 % Clopper-Pearson interval."""
    low = float(special.betaincinv(hits, n - hits + 1, 0.025)) if hits else 0.0
    high = float(special.betaincinv(hits + 1, n - hits, 0.975)) if hits < n else 1.0
    return {"what": what, "n": n, "percent": 100 * hits / n, "low": 100 * low, "high": 100 * high}


def rows(results: list[Any]) -> list[dict[str, Any]]:
    """Return the table."""
    n = len(results)
    names = (
        "zxing-cpp alone, any of four pictures",
        "the ladder, first picture and relief",
        "the ladder, first picture",
    )
    table = []
    for k, name in enumerate(names):
        table.append(share(f"{name}: read", sum(r[k] == "right" for r in results), n))
        table.append(share(f"{name}: misread", sum(r[k] == "wrong" for r in results), n))
    for factor in ("pitch_px", "depth", "blur_px", "tilt_deg", "gloss"):
        values = np.array([r[4][factor] for r in results])
        middle = float(np.median(values))
        for said, part in (("up to", values <= middle), ("above", values > middle)):
            chosen = [r for r, is_in in zip(results, part, strict=True) if is_in]
            if chosen:
                hits = sum(r[1] == "right" for r in chosen)
                table.append(share(f"the ladder with relief, {factor} {said} {middle:.3g}: read", hits, len(chosen)))
    return table


def main() -> None:
    """Read all symbols and keep the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--symbols", type=int, default=500)
    parser.add_argument("--seed", type=int, default=20261126)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--dry", action="store_true", help="print, write nothing")
    asked = parser.parse_args()
    work = functools.partial(tried, asked.seed)
    results = on_all_cores(work, range(asked.symbols), "symbols", asked.minutes)
    used: dict[str, int] = {}
    for result in results:
        if result[1] == "right":
            used[result[3]] = used.get(result[3], 0) + 1
    often = ", ".join(f"{rung} {n}" for rung, n in sorted(used.items(), key=lambda item: -item[1])[:12])
    wrong = [number for number, result in enumerate(results) if result[1] == "wrong"]
    notes = [
        f"{len(results)} symbols of seed {asked.seed}, numbered from 0; nothing was tuned on this generator.",
        f"Rungs that read: {often}.",
        f"Numbers of misread symbols: {wrong}.",
        "From and to: Clopper-Pearson 95 %.",
    ]
    claim = (
        "Of peened Data Matrix symbols over contrast, blur, slant, damage and texture under four lamps, the ladder "
        "reads at least twice as many as zxing-cpp alone on the best single-light picture, and misreads none."
    )
    result = {"claim": claim, "seed": asked.seed, "table": rows(results), "notes": notes}
    if asked.dry:
        print("\n".join([*map(str, result["table"]), *notes]))
        return
    rooms = ("vision", "bench", "render")
    print(write_result("marks", rooms, Path(__file__).resolve(), result).read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
