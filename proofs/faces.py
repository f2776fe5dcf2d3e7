"""Is ever a plate gripped that lies face down, or is of another variant, though the outline alone would take it?

Cells as the demo has them: the camera's tie by a photographed target, the robot's by touched points, the shape and the
grip taught from one plate. In each photograph plates that are not wanted lie among clutter, some of the wanted kind
beside or beneath them, in light and blur that vary. The demo's recipe finds what shows 0.7 of the outline, and grips
what shows both bores too; the same recipe without that need shows what it is for.

One plate in some 500 is a twin: of the handed variant, and face down. It is a wanted plate mirrored twice, so that its
outline and its bores are those of a wanted one, and only a step that looks at the face (the bend) would tell. Twins are
counted by themselves.

    python proofs/faces.py [--cells 40] [--seed 0] [--minutes 40]
"""

import argparse
import math
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from common import on_all_cores, write_result
from numpy.typing import NDArray
from scipy import special

from tiepoint.bench.cell import Cell, PartTruth
from tiepoint.bench.demo_picks import CROWD, PLAIN, SAME_MM, set_up, taught
from tiepoint.documents.pictures import save_png
from tiepoint.foundation.frames import Pose3
from tiepoint.model.record import Grip
from tiepoint.recipe.features import PartFeature
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.recipe.shots import load_shot
from tiepoint.recipe.station import seen_of

ROOMS = ("bench", "foundation", "targets", "ties", "recipe", "vision")
CLAIM = (
    "Of at least 2,000 plates that lie face down or are of another variant, twins apart, none is gripped, by a recipe "
    "that takes 0.7 of the outline and whose grip needs both bores."
)
UNWANTED = replace(CROWD, wanted=(1, 2), turned=(2, 3), others=(2, 3))
SHOTS = 12


@dataclass
class Told:
    """The grips of one recipe: over wanted plates (`right`), over plain ones, and over `twins`.

    `wrong_at` and `lost_at` say cell, shot and place of each wrong grip, twins too, and of each plate that is plain to
    see and was not gripped, with why.
    """

    right: int = 0
    right_plain: int = 0
    twins: int = 0
    wrong_at: list[str] = field(default_factory=list)
    lost_at: list[str] = field(default_factory=list)


@dataclass
class Counts:
    """Of one cell: plates that are not wanted (`down`, `others`, and `twins` apart from both), wanted ones that are
    `plain` to see, and what was gripped with the need and without (`free`).
    """

    down: int = 0
    others: int = 0
    twins: int = 0
    plain: int = 0
    needing: Told = field(default_factory=Told)
    free: Told = field(default_factory=Told)


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
        told.twins += sum(_is_twin(p) for p in shot.parts)
        told.down += sum(p.laid.turned_over and not _is_twin(p) for p in shot.parts)
        told.others += sum(not p.laid.turned_over and p.plate.variant != "standard" for p in shot.parts)
        told.plain += sum(p.laid.wanted and p.seen > PLAIN for p in shot.parts)
        for job, of in ((needing, told.needing), (free, told.free)):
            _gripped(job, seen, setup.cell, shot.parts, f"cell {seed}, shot {number}", of)
    return told


def _gripped(job: Job, seen: Seen, cell: Cell, parts: tuple[PartTruth, ...], where: str, told: Told) -> None:
    """Count the grips of one shot over wanted plates, over plain ones of these, and over anything else."""
    outcome = run(job, seen)
    found = _found(outcome.traces[0].result.feature)
    left = [part for part in parts if part.robot_from_grip is not None]
    for grip in outcome.record.grips:
        if grip.robot_from_grip is None:
            continue
        mine = [part for part in left if _away_mm(part.robot_from_grip, grip) < SAME_MM]
        if not mine:
            below = _below(cell, parts, grip)
            told.twins += _is_twin(below)
            told.wrong_at.append(f"{where}: over {_told_of(below)}")
            continue
        part = min(mine, key=lambda p: _away_mm(p.robot_from_grip, grip))
        left.remove(part)
        told.right += 1
        told.right_plain += part.seen > PLAIN
    for part in (part for part in left if part.seen > PLAIN):
        told.lost_at.append(f"{where}: {_why_lost(part, found, outcome.record.grips)}")


def _found(feature: object) -> tuple[PartFeature, ...]:
    return (feature, *feature.others) if isinstance(feature, PartFeature) else ()


def _why_lost(part: PartTruth, found: tuple[PartFeature, ...], grips: tuple[Grip, ...]) -> str:
    """Say where a plate lies that was not gripped, and why: grips stand in the order of the parts that were found."""
    at = _told_of(part)
    poses = [(feature.pose.value, grip) for feature, grip in zip(found, grips, strict=False)]
    near = [(pose, grip) for pose, grip in poses if math.dist(pose[:2], (part.pose.x_mm, part.pose.y_mm)) < SAME_MM]
    if not near:
        return f"{at}: not found, or its outline leaves the tie's region"
    return f"{at}: {near[0][1].reason.sentence if near[0][1].reason else 'gripped elsewhere'}"


def _below(cell: Cell, parts: tuple[PartTruth, ...], grip: Grip) -> PartTruth:
    """Return the plate whose middle lies nearest below a grip."""
    assert grip.robot_from_grip is not None
    tool = Pose3(*grip.robot_from_grip.position_mm, grip.robot_from_grip.quaternion)
    at = (cell.robot.robot_from_plane.inverse() @ tool).translation_mm[:2]
    return min(parts, key=lambda p: float(np.hypot(*(p.laid.middle_mm - at))))


def _is_twin(part: PartTruth) -> bool:
    """Whether a plate that is not wanted has the outline and the bores of a wanted one."""
    return part.laid.turned_over and part.plate.variant == "handed"


def _told_of(part: PartTruth) -> str:
    side = "turned over" if part.laid.turned_over else "face up"
    lies = f"{part.plate.variant}, {side}, {100 * part.seen:.1f} % of it seen"
    return f"the plate at {_said(part.laid.middle_mm)} mm ({lies})"


def _said(at: NDArray[np.float64]) -> str:
    return f"({at[0]:.1f}, {at[1]:.1f})"


def _away_mm(true: Pose3 | None, grip: Grip) -> float:
    assert true is not None
    assert grip.robot_from_grip is not None
    return float(np.hypot(*(true.translation_mm - grip.robot_from_grip.position_mm)[:2]))


def row(what: str, hits: int, n: int) -> dict[str, object]:
    """Return a row with its 95 % Clopper-Pearson interval."""
    low = float(special.betaincinv(hits, n - hits + 1, 0.025)) if hits else 0.0
    high = float(special.betaincinv(hits + 1, n - hits, 0.975)) if hits < n else 1.0
    return {"what": what, "n": n, "percent": 100 * hits / max(n, 1), "low": 100 * low, "high": 100 * high}


def _together(told: list[Told]) -> Told:
    """Return the grips of all cells."""
    return Told(
        sum(t.right for t in told),
        sum(t.right_plain for t in told),
        sum(t.twins for t in told),
        [where for t in told for where in t.wrong_at],
        [where for t in told for where in t.lost_at],
    )


def main() -> None:
    """Run the proof and keep its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cells", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0, help="the first")
    parser.add_argument("--minutes", type=float, default=40.0)
    parser.add_argument("--dry", action="store_true", help="print, write nothing")
    asked = parser.parse_args()
    done = on_all_cores(cell, range(asked.seed, asked.seed + asked.cells), "cells", asked.minutes)
    names = ("down", "others", "twins", "plain")
    down, others, twins, plain = (sum(getattr(c, name) for c in done) for name in names)
    needing, free = (_together([getattr(c, name) for c in done]) for name in ("needing", "free"))
    table = [
        row("plates face down or of another variant: gripped", len(needing.wrong_at) - needing.twins, down + others),
        row("the same where the grip needs nothing", len(free.wrong_at) - free.twins, down + others),
        row("twins of wanted plates: gripped", needing.twins, twins),
        row("wanted plates that are plain to see: gripped", needing.right_plain, plain),
        row("the same where the grip needs nothing", free.right_plain, plain),
    ]
    notes = [
        f"{len(done)} cells of the seeds from {asked.seed} on, {SHOTS} photographs each: {down} plates face "
        f"down, {others} of other variants.",
        f"Plain to see: more than {100 * PLAIN:.0f} % of the edges. Grips over wanted plates, plain or not: "
        f"{needing.right}, and {free.right} where the grip needs nothing.",
        "Gripped over anything that is not a wanted plate, clutter too, counts as wrong.",
        "From and to: Clopper-Pearson 95 %.",
        *(f"Wrong: {where}." for where in needing.wrong_at),
    ]
    lines = [f"{r['what']:50} {r['n']:5} {r['percent']:7.2f} {r['low']:7.2f} {r['high']:7.2f}" for r in table]
    print("\n".join([*lines, *notes]))
    print("\n".join(f"Not gripped: {where}" for where in needing.lost_at))
    if not asked.dry:
        # One cell here too: what this process has loaded is what the result's hash stands for.
        cell(asked.seed)
        result = {"claim": CLAIM, "table": table, "notes": notes, "not_gripped": needing.lost_at}
        print(write_result("faces", ROOMS, Path(__file__).resolve(), result))


if __name__ == "__main__":
    main()
