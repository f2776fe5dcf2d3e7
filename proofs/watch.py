"""Does the watch tell what it says, in the looks that it says, and nothing else? `python proofs/watch.py`

A station that looks at one drawn scene of known blur, shift and light (`tests/helpers/watched_station.py`): its accepted
state is held from 60 shots, 40 quiet parts go by, then one fault begins. Told: how often the alarm that names it came
within the looks that are stated, after how many, how far off its size and its beginning were, and what else came. And
quiet stations, at a rate of false alarms of one in 20,000 looks.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from common import on_all_cores, write_result
from tests.helpers.watched_station import Watched

FAULTS: dict[str, tuple[dict[str, Any], str, int, float | None]] = {
    "lamp 5 % dimmer": ({"light": 0.95}, "light", 10, -9.5),
    "blur from 0.8 to 1.1 px": ({"blur": 1.1}, "sharpness", 10, None),
    "camera moved by 0.3 px": ({"shift": (0.3, 0.0)}, "position", 10, 0.3),
    "scale + 0.15 %": ({"scale": 1.0015}, "scale", 10, 1.5e-3),
    "dirt of 30 px, 30 % darker": ({"spot": (420, 330, 30, 0.7)}, "dirt", 75, -0.3),
}
"""What is done, the kind of alarm that names it, the looks within which it is told, and by how much, where that is one
number."""
QUIET, LOOKS = 2e4, 1000


def faulty(seed: int) -> dict[str, Any]:
    """Return what one station told of one fault."""
    name = [*FAULTS][seed % len(FAULTS)]
    fault, kind, within, size = FAULTS[name]
    with tempfile.TemporaryDirectory() as folder:
        line = Watched(Path(folder), seed=seed)
        line.show(40)
        before, begins = len(line.alarms), line.n + 1
        looks = line.show(within, **fault)
        for _ in range(40):
            line.show(1, **fault)
        told = [e for e in line.duty.events if e.get("phase") == "begins"][before:]
    mine = [e for e in told if e["kind"] == kind]
    off = None if not mine or size is None else mine[0]["change"] / size - 1
    since = None if not mine else int(mine[0]["since_utc"].split(".")[1].rstrip("Z")) - begins
    other = sorted({e["kind"] for e in told} - {kind})
    in_time = bool(mine) and looks <= within and told[0]["kind"] == kind
    return {"fault": name, "in_time": in_time, "looks": looks, "off": off, "since": since, "other": other,
            "before": before, "flapped": any(e.get("phase") == "ends" for e in line.duty.events)}  # fmt: skip


def quiet(seed: int) -> dict[str, Any]:
    """Return how many false alarms one quiet station raised."""
    with tempfile.TemporaryDirectory() as folder:
        line = Watched(Path(folder), head=f"quiet = {QUIET}", seed=10_000 + seed)
        for _ in range(LOOKS):
            line.show(1)
        return {"alarms": line.alarms, "looks": LOOKS}


def row(name: str, runs: list[dict[str, Any]]) -> dict[str, Any]:
    """Return what the runs of one fault tell together."""
    off = [abs(r["off"]) for r in runs if r["off"] is not None]
    since = [abs(r["since"]) for r in runs if r["since"] is not None]
    return {
        "fault": name, "stations": len(runs), "stated_looks": FAULTS[name][2],
        "told_in_time": sum(r["in_time"] for r in runs), "median_looks": float(np.median([r["looks"] for r in runs])),
        "most_looks": max(r["looks"] for r in runs), "stations_with_another_alarm": sum(bool(r["other"]) for r in runs),
        "flapped": sum(r["flapped"] for r in runs),
        "size_off_p95_percent": round(100 * float(np.quantile(off, 0.95)), 1) if off else None,
        "since_off_p95_looks": float(np.quantile(since, 0.95)) if since else None,
    }  # fmt: skip


def main() -> None:
    """Run both and write the result."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=200)
    parser.add_argument("--quiet", type=int, default=60)
    parser.add_argument("--minutes", type=float, default=60.0)
    asked = parser.parse_args()
    runs = on_all_cores(faulty, range(asked.stations), "faults", asked.minutes)
    calm = on_all_cores(quiet, range(asked.quiet), "quiet", asked.minutes)
    looks, alarms = sum(r["looks"] for r in calm), sum(len(r["alarms"]) for r in calm)
    rows = [row(name, [r for r in runs if r["fault"] == name]) for name in FAULTS]
    result = {
        "claim": "Each fault of a drawn scene raises the alarm that names it within the stated looks, and no other; "
        "quiet stations raise no more false alarms than stated.",
        "rows": rows,
        "quiet": {"looks": looks, "false_alarms": alarms, "stated_at_most": looks / QUIET},
    }
    print(write_result("watch", ("station", "studies", "vision"), Path(__file__), result))
    for line in rows:
        print(line)
    print(result["quiet"])


if __name__ == "__main__":
    main()
