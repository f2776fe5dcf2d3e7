"""Does a station under strain lose what it told, or pass what it did not see? `python proofs/strain.py [KIND...]`

The same functions as `tests/contract/test_strain.py`, longer: a whole duty killed at random moments while parts come,
also while it begins; the power cut at random moments of a day's work (what no fsync reached is dropped, or some of
it is); damaged pictures; and a soak, with the memory of all its processes and the time from a
picture's name to the wire. Each kind is a proof of its own, at a station of its own; those that are named (all, if
none is) run at once. The soak takes 45 minutes of an idle machine, the others an hour.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from common import write_result
from tests.helpers.broker import Broker, Listener
from tests.helpers.power import TimedListener
from tests.helpers.strain import (
    BROKER,
    Line,
    Quick,
    Whole,
    cut_off,
    grown,
    in_step,
    killed,
    latencies_ms,
    results,
    soak,
    strained,
)
from tests.helpers.strain_held import held
from tests.helpers.strain_pictures import shows

DEADLINE_MS = 1000
ON_DUTY = ("duty.process", "duty.judges", "cameras.folder", "wires.mqtt")
"""What is in service here beyond what this process loads itself."""
NOT_RUN = tuple(f"tiepoint.station.see.{name}" for name in ("aim", "light", "sharpness", "sight", "told"))
"""What the look at a station loads for a picture that is held as accepted; none is held here (seen by a profile)."""


def row(what: str, good: int, n: int) -> dict[str, Any]:
    """Return a row of the table: a share with its exact band of 95 % (Clopper and Pearson 1934)."""
    low = float(stats.beta.ppf(0.025, good, n - good + 1)) if good else 0.0
    high = float(stats.beta.ppf(0.975, good + 1, n - good)) if good < n else 1.0
    return {"what": what, "n": n, "percent": 100 * good / n, "low": 100 * low, "high": 100 * high}


def kills(scratch: Path, broker: Broker, count: int, quick: bool) -> dict[str, Any]:
    """Kill a duty, whole processes unless it is to be quick."""
    folder = strained(scratch / "station", BROKER.format(port=broker.port))
    line, kind = Line(folder), Quick if quick else Whole
    with Listener(broker.port) as listener, kind(folder) as duty:
        on_duty = killed(duty, line, count, 0.8 if quick else 10.0, 0.05, 1)
        found = held(folder, line.sent, results(listener))
    return {"kills": count, "on_duty": sum(on_duty), **vars(found)}


def cuts(scratch: Path, broker: Broker, count: int, quick: bool) -> dict[str, Any]:
    """Cut the power."""
    folder = strained(scratch / "station", BROKER.format(port=broker.port))
    found = cut_off(folder, broker.port, scratch, 60 if quick else 500, count, 2)
    faults = Counter(fault for one in found for fault in one.faults)
    return {"cuts": count, "without_fault": sum(not one.faults for one in found), "faults": dict(faults)}


def damaged(scratch: Path, broker: Broker, count: int, quick: bool) -> dict[str, Any]:  # noqa: ARG001  # as all are
    """Feed a duty with damaged pictures."""
    folder = strained(scratch / "station", BROKER.format(port=broker.port), waiting=32, deadline_ms=20_000)
    line, chance, shown = Line(folder), random.Random(3), set[str]()

    def drop() -> None:
        name, data = line.drop_rotten(chance)
        if shows(data, 4.4, 0.1):
            shown.add(name)

    with Listener(broker.port) as listener, Whole(folder) as duty:
        duty.until_state("on duty")
        in_step(listener, count, drop)
        duty.until_state("on duty")
        assert duty.end() == 0
        found = held(folder, line.sent, results(listener), shown=shown)
    return {"pictures": count, "show_the_part": len(shown), **vars(found)}


def soaked(scratch: Path, broker: Broker, count: int, quick: bool) -> dict[str, Any]:  # noqa: ARG001  # as all are
    """Have a duty judge many parts."""
    more = BROKER.format(port=broker.port) + "\n[archive]\nkeep = { ring = 1000 }\n"
    folder = strained(scratch / "station", more, waiting=32, deadline_ms=DEADLINE_MS)
    line = Line(folder)
    with TimedListener(broker.port) as listener, Whole(folder) as duty:
        duty.until_state("on duty")
        memory = soak(duty, line, listener, count, most=1)
        assert duty.end() == 0
        ms = latencies_ms(line, listener)
        told = results(listener)
    return {
        "parts": count, "memory_grown_percent": 100 * grown(memory), "memory_mb": [round(mb, 1) for mb in memory],
        "verdicts": dict(Counter(one["verdict"] for one in told)), "deadline_ms": DEADLINE_MS,
        **{f"p{p}_ms": float(np.percentile(ms, p)) for p in (50, 99, 99.9)}, "slowest_ms": max(ms), "ms": ms,
    }  # fmt: skip


def done(work: Callable[..., dict[str, Any]], count: int, quick: bool) -> dict[str, Any]:
    """Return what came of one kind of strain, in a folder and with a broker of its own."""
    with tempfile.TemporaryDirectory() as made:
        broker = Broker(Path(made))
        broker.start()
        try:
            found = work(Path(made), broker, count, quick)
        finally:
            broker.kill()
    print(work.__name__, {key: value for key, value in found.items() if key not in ("memory_mb", "ms")}, flush=True)
    return found


def told_kills(found: dict[str, Any]) -> dict[str, Any]:
    """Return what kills showed, as a result."""
    good = found["acknowledged"] - len(found["faults"])
    return {
        "claim": "Whenever duty is killed, every part that a wire told of is in the ledger as it was told, the chain "
        "holds, no torn picture stands under its final name, and no number is given twice.",
        "table": [row("records that were told, and stand in the ledger after the kills", good, found["acknowledged"])],
        "notes": [f"{found['kills']} kills, {found['on_duty']} of them in service, the others while it began"],
    }  # fmt: skip


def told_cuts(found: dict[str, Any]) -> dict[str, Any]:
    """Return what power cuts showed, as a result."""
    return {
        "claim": "Whenever the power goes off, the same holds of what had reached the disk.",
        "table": [row("power cuts after which all holds", found["without_fault"], found["cuts"])],
        "notes": [],
    }


def told_damaged(found: dict[str, Any]) -> dict[str, Any]:
    """Return what damaged pictures showed, as a result."""
    good = found["pictures"] - len(found["faults"])
    return {
        "claim": "Damaged pictures are unread unless they show the part, and the station stays on duty.",
        "table": [row("damaged pictures that were judged rightly", good, found["pictures"])],
        "notes": [f"{found['show_the_part']} of them still show the part"],
    }


def told_soak(found: dict[str, Any]) -> dict[str, Any]:
    """Return what the soak showed, as a result."""
    late = sum(ms > DEADLINE_MS for ms in found.pop("ms"))
    return {
        "claim": "Memory does not grow, and parts are told within their deadline.",
        "table": [row("parts that were told within the deadline", found["parts"] - late, found["parts"])],
        "notes": [
            f"memory {found['memory_grown_percent']:+.1f} % from the second quarter of the parts to the last",
            f"P50 {found['p50_ms']:.0f} ms, P99.9 {found['p99.9_ms']:.0f} ms at a deadline of {DEADLINE_MS} ms",
        ],
    }


KINDS = {
    "kills": (kills, told_kills, 1000, 20),
    "cuts": (cuts, told_cuts, 2000, 40),
    "damaged": (damaged, told_damaged, 10_000, 100),
    "soak": (soaked, told_soak, 100_000, 500),
}
"""Of each kind: what does it, what it shows, how many, and how many of them as the tests have it."""


def main() -> None:
    """Do what is named and write the results."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="*", metavar="KIND", help=f"of {', '.join(KINDS)}; all, if none is named")
    parser.add_argument("--quick", action="store_true", help="as the tests do; writes no result")
    words = parser.parse_args()
    named = words.kinds or list(KINDS)
    if not set(named) <= set(KINDS):
        parser.error(f"there are {', '.join(KINDS)}")
    with ProcessPoolExecutor(len(named)) as pool:
        work = [pool.submit(done, KINDS[kind][0], KINDS[kind][3 if words.quick else 2], words.quick) for kind in named]
        for kind, one in zip(named, work, strict=True):
            found = one.result()
            if not words.quick:
                # What stands in duty is a process of its own; its files are proved all the same.
                for name in ON_DUTY:
                    import_module(f"tiepoint.station.{name}")
                told = KINDS[kind][1](found)
                result = {**told, "found": found}
                print(write_result(f"strain-{kind}", ("station",), Path(__file__), result, without=NOT_RUN), flush=True)


if __name__ == "__main__":
    main()
