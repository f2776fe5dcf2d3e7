"""Is ever a plate gripped that lies face down, or is of another variant, though the outline alone would take it?

Cells as the demo has them: the camera's tie by a photographed target, the robot's by touched points, the shape and the
grip taught from one plate. In each photograph plates that are not wanted lie among clutter, some of the wanted kind
beside or beneath them, in light and blur that vary. The demo's recipe finds what shows 0.7 of the outline, and grips
what shows both bores too; the same recipe without that need shows what it is for.

    python proofs/faces.py [--cells 40] [--seed 0] [--minutes 40]
"""

import argparse
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from common import on_all_cores, write_result
from scipy import special

from tiepoint.bench.cell import PartTruth
from tiepoint.bench.demo_picks import CROWD, PLAIN, SAME_MM, set_up, taught
from tiepoint.documents.pictures import save_png
from tiepoint.foundation.frames import Pose3
from tiepoint.model.record import Grip
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.recipe.shots import load_shot
from tiepoint.recipe.station import seen_of

ROOMS = ("bench", "foundation", "targets", "ties", "recipe", "vision")
CLAIM = (
    "Of at least 2,000 plates that lie face down or are of another variant none is gripped, by a recipe that takes 0.7 "
    "of the outline and whose grip needs both bores."
)
UNWANTED = replace(CROWD, wanted=(1, 2), turned=(2, 3), others=(2, 3))
SHOTS = 12


@dataclass
class Counts:
    """Of one cell: plates that are not wanted (`down`, `others`), wanted ones that are `plain` to see, and the grips
    told, with the need and without: over wanted plates (`right`), over plain ones, and over anything else (`wrong`).
    """

    down: int = 0
    others: int = 0
    plain: int = 0
    right: int = 0
    right_plain: int = 0
    wrong: int = 0
    free_right: int = 0
    free_right_plain: int = 0
    free_wrong: int = 0


def cell(seed: int) -> Counts:
    """Return what became of the plates of one cell."""
    with tempfile.TemporaryDirectory() as folder:
        return _cell(seed, Path(folder))


def _cell(seed: int, folder: Path) -> Counts:
    def place(name: str) -> Path:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    setup = set_up(place, lambda _: None, seed=seed)
    needing = taught(setup).job(None)
    bare = tuple(replace(arm, table=arm.table.model_copy(update={"needs": ()})) for arm in needing.arms)
    free = replace(needing, arms=bare)
    told, crowded = Counts(), replace(setup.cell, crowd=UNWANTED)
    for number in range(SHOTS):
        shot = crowded.shot(number)
        path = place(f"shots/{number}.png")
        save_png(path, shot.picture)
        seen = seen_of(load_shot(path))
        told.down += sum(p.laid.turned_over for p in shot.parts)
        told.others += sum(not p.laid.turned_over and p.plate.variant != "standard" for p in shot.parts)
        told.plain += sum(p.laid.wanted and p.seen > PLAIN for p in shot.parts)
        right, plain, wrong = _gripped(needing, seen, shot.parts)
        told.right, told.right_plain, told.wrong = told.right + right, told.right_plain + plain, told.wrong + wrong
        right, plain, wrong = _gripped(free, seen, shot.parts)
        told.free_right, told.free_right_plain = told.free_right + right, told.free_right_plain + plain
        told.free_wrong += wrong
    return told


def _gripped(job: Job, seen: Seen, parts: tuple[PartTruth, ...]) -> tuple[int, int, int]:
    """Return how many grips were told over wanted plates, over plain ones of these, and over anything else."""
    left = [part for part in parts if part.robot_from_grip is not None]
    right = plain = wrong = 0
    for grip in run(job, seen).record.grips:
        if grip.robot_from_grip is None:
            continue
        mine = [part for part in left if _away_mm(part.robot_from_grip, grip) < SAME_MM]
        if not mine:
            wrong += 1
            continue
        part = min(mine, key=lambda p: _away_mm(p.robot_from_grip, grip))
        left.remove(part)
        right += 1
        plain += part.seen > PLAIN
    return right, plain, wrong


def _away_mm(true: Pose3 | None, grip: Grip) -> float:
    assert true is not None
    assert grip.robot_from_grip is not None
    return float(np.hypot(*(true.translation_mm - grip.robot_from_grip.position_mm)[:2]))


def row(what: str, hits: int, n: int) -> dict[str, object]:
    """Return a row with its 95 % Clopper-Pearson interval."""
    low = float(special.betaincinv(hits, n - hits + 1, 0.025)) if hits else 0.0
    high = float(special.betaincinv(hits + 1, n - hits, 0.975)) if hits < n else 1.0
    return {"what": what, "n": n, "percent": 100 * hits / n, "low": 100 * low, "high": 100 * high}


def main() -> None:
    """Run the proof and keep its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cells", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0, help="the first")
    parser.add_argument("--minutes", type=float, default=40.0)
    parser.add_argument("--dry", action="store_true", help="print, write nothing")
    asked = parser.parse_args()
    done = on_all_cores(cell, range(asked.seed, asked.seed + asked.cells), "cells", asked.minutes)
    total = {name: sum(getattr(c, name) for c in done) for name in vars(done[0])}
    unwanted = total["down"] + total["others"]
    table = [
        row("plates face down or of another variant: gripped", total["wrong"], unwanted),
        row("the same where the grip needs nothing", total["free_wrong"], unwanted),
        row("wanted plates that are plain to see: gripped", total["right_plain"], total["plain"]),
        row("the same where the grip needs nothing", total["free_right_plain"], total["plain"]),
    ]
    notes = [
        f"{len(done)} cells of the seeds from {asked.seed} on, {SHOTS} photographs each: {total['down']} plates face "
        f"down, {total['others']} of other variants.",
        f"Plain to see: more than {100 * PLAIN:.0f} % of the edges. Grips over wanted plates, plain or not: "
        f"{total['right']}, and {total['free_right']} where the grip needs nothing.",
        "Gripped over anything that is not a wanted plate, clutter too, counts as wrong.",
        "From and to: Clopper-Pearson 95 %.",
    ]
    lines = [f"{r['what']:50} {r['n']:5} {r['percent']:7.2f} {r['low']:7.2f} {r['high']:7.2f}" for r in table]
    print("\n".join([*lines, *notes]))
    if not asked.dry:
        # One cell here too: what this process has loaded is what the result's hash stands for.
        cell(asked.seed)
        print(write_result("faces", ROOMS, Path(__file__).resolve(), {"claim": CLAIM, "table": table, "notes": notes}))


if __name__ == "__main__":
    main()
