"""The workbench's figures, all of them: what a person waits for, and what looking costs.

    python benchmarks/workbench.py [--json] [--quick] [--only NAME ...]

One row a figure: what is asked, what was reached, and beside it the processor time of all that took part, which is what
the wait comes to on an idle core; a wait holds only there. `paint`, `bundle`, `frames`, `tie`: see
`workbench_pages.py`. `idle`: see `workbench_duty.py`. `drag` is here:

A region of a recipe of 25 steps in the frame of a found part, and one that reads a code, is dragged in 5 MP (the part,
the recipe and the picture of benchmarks/duty_station.py). Over a real connection to the served station: the time from
the move of the hand to the answer with the new reading, the verdicts of all steps that rest on it, and what is drawn of
them. Beside it, in the same run: the same draft judged whole (`whole_ms`), as a page would have to that keeps nothing
warm but the decoded shot, so that the ratio holds on a busy machine. The first request, which decodes the shot and
finds the part, is `first_ms`. Of `drag_ms` and `whole_ms`: medians; `drag_p95_ms`. `drag_cpu_ms` is the processor time
of both ends of the connection.
"""

import argparse
import json
import statistics
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.client import HTTPConnection
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import duty_station as bench  # the benchmarks beside this one
import workbench_duty
import workbench_pages as pages
from workbench_pages import Row

from tiepoint.station.recipes.shots import load_working_shot
from tiepoint.station.recipes.text import plain
from tiepoint.station.recipes.trying import Bench
from tiepoint.web.users import User, token_sha, write_users

PATH, SHOT = "recipes/plate.toml", "shots/taught.png"


@contextmanager
def _asked(folder: Path) -> Iterator[Any]:
    """Give what asks the served station on one connection that stays open, as a browser's does."""
    from tests.helpers.served import Served

    write_users(folder / "private" / "users.json", [User("hand", "change", None, token_sha("hand"))])
    with Served(folder) as served:
        connection = HTTPConnection("127.0.0.1", served.port, timeout=120)

        def ask(content: dict[str, Any]) -> tuple[dict[str, Any], float, int]:
            began = time.perf_counter()
            connection.request(
                "POST",
                "/api/recipe/try",
                json.dumps({"recipe": PATH, "shot": SHOT, **content}),
                {"Authorization": "Bearer hand", "Content-Type": "application/json"},
            )
            answer = connection.getresponse()
            data = answer.read()
            spent = 1e3 * (time.perf_counter() - began)
            assert answer.status == 200, data
            return json.loads(data), spent, len(data)

        try:
            yield ask
        finally:
            connection.close()


def recipe(count: int) -> dict[str, float]:
    """Return what a dragged region costs."""
    with TemporaryDirectory() as scratch:
        station = bench.station(Path(scratch) / "station", window=False, workers=1, waiting=4)
        (station.folder / "shots").mkdir()
        (station.folder / "taught.png").rename(station.folder / SHOT)
        with _asked(station.folder) as ask:
            told, first, _ = ask({"selected": "hole A"})
            assert told["verdict"] == "conforms", told["says"]
            steps = len(told["steps"])
            at = next(s for s in told["steps"] if s["name"] == "hole A")["handles"][0]["at"]
            drags, cpus, sizes, readings = [], [], [], set()
            for k in range(count + 3):
                to = [at[0] + 3 * ((k % 7) - 3), at[1] + 2 * ((k % 5) - 2)]
                drag = {"act": "drag", "step": "hole A", "handle": "middle", "grabbed_px": at, "to_px": to}
                busy = time.process_time()
                told, spent, size = ask({"edit": drag, "live": True, "selected": "hole A"})
                assert {s["name"] for s in told["steps"]} <= {"hole A", "distance 0", "distance 1", "distance 2"}
                readings.add(told["steps"][0]["readings"][0]["number"] if told["steps"] else None)
                if k >= 3:  # the first ones compile
                    drags.append(spent)
                    cpus.append(1e3 * (time.process_time() - busy))
                    sizes.append(size)
            assert len(readings) > 3, "the readings do not follow the hand"
        wholes = _whole(station, max(5, count // 10))
    drags.sort()
    return {
        "steps": float(steps),
        "first_ms": first,
        "drag_ms": statistics.median(drags),
        "drag_p95_ms": drags[int(0.95 * (len(drags) - 1))],
        "drag_cpu_ms": statistics.median(cpus),
        "answer_kb": statistics.median(sizes) / 1e3,
        "whole_ms": statistics.median(wholes),
        "whole_over_drag": statistics.median(wholes) / statistics.median(drags),
    }


def _whole(station: Any, count: int) -> list[float]:
    """Return what it takes to judge the draft with nothing warm but the decoded shot and compiled kernels."""
    content = plain((station.folder / PATH).read_bytes(), PATH)
    loaded = load_working_shot(station, SHOT)
    taken = []
    for _ in range(count + 1):
        began = time.perf_counter()
        Bench(station.folder / PATH).judge(content, SHOT, loaded)
        taken.append(1e3 * (time.perf_counter() - began))
    return taken[1:]


def drag(quick: bool) -> list[Row]:
    """Return the row of a dragged region."""
    told = recipe(40 if quick else 200)
    cpu = f"{told['drag_cpu_ms']:.0f} ms processor a move"
    return [Row("drag", "a dragged region's new reading, 25 steps, 5 MP", 100.0, told["drag_ms"], "ms", cpu, told)]


def idle(quick: bool) -> list[Row]:
    """Return the rows of somebody who only looks while ten parts come each second."""
    with TemporaryDirectory() as scratch:
        told = workbench_duty.viewer(Path(scratch), 5.0 if quick else 60.0)
    busy = f"web process {told['web_percent_of_a_core']:.1f} % of a core"
    first, last = told["heap_mb"]
    return [
        Row("idle", "an idle viewer of 10 parts/s", 5.0, told["page_percent_of_a_core"], "% of a core", busy, told),
        Row("memory", "what its page holds more at the end", 1.0, last - first, "MB", f"{first:.1f} MB before", {}),
    ]


SECTIONS = {"paint": pages.paint, "bundle": pages.bundle, "frames": pages.frames, "drag": drag, "tie": pages.tie,
            "idle": idle}  # fmt: skip


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--json", action="store_true", help="print one JSON object")
    asked.add_argument("--quick", action="store_true", help="few runs of each: whether it can be measured at all")
    asked.add_argument("--only", nargs="+", choices=list(SECTIONS), default=list(SECTIONS))
    options = asked.parse_args()
    sys.path.insert(0, str(Path(__file__).parents[1]))
    rows = [row for name in options.only for row in SECTIONS[name](options.quick)]
    if options.json:
        print(json.dumps({"rows": [row.told() for row in rows]}, indent=1))
        return
    for row in rows:
        word = "reached" if row.reached <= row.asked else "NOT reached"
        print(f"{row.name:<16} {row.reached:>8.4g} of {row.asked:g} {row.unit}, {word}; {row.cpu}  ({row.says})")
    for row in rows:
        for name, value in row.beside.items():
            print(f"  {row.name} {name:<24} {value}")


if __name__ == "__main__":
    main()
