"""The workbench's pages: what a person waits for while a hand moves.

    python benchmarks/workbench.py [--json] [--quick]

Section `recipe`: a region of a recipe of 25 steps in the frame of a found part, and one that reads a code, is dragged
in 5 MP (the part, the recipe and the picture of benchmarks/duty_station.py). Over a real connection to the served
station: the time from the move of the hand to the answer with the new reading, the verdicts of all steps that rest on
it, and what is drawn of them. Beside it, in the same run: the same draft judged whole (`whole_ms`), as a page would
have to that keeps nothing warm but the decoded shot, so that the ratio holds on a busy machine. The first request,
which decodes the shot and finds the part, is `first_ms`. Of `drag_ms` and `whole_ms`: medians; `drag_p95_ms`.
`drag_cpu_ms` is the processor time of both ends of the connection, which is what the wait comes to on an idle core; the
wait itself holds only there.
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

from tiepoint.station.recipes.shots import load_working_shot
from tiepoint.station.recipes.text import plain
from tiepoint.station.recipes.trying import Bench
from tiepoint.web.users import User, token_sha, write_users

GOALS = {"recipe": {"drag_ms": 100.0, "drag_cpu_ms": 50.0}}
PATH, SHOT = "recipes/plate.toml", "shots/taught.png"


@contextmanager
def _asked(folder: Path) -> Iterator[Any]:
    """Give what asks the served station on one connection that stays open, as a browser's does."""
    sys.path.insert(0, str(Path(__file__).parents[1]))
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


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--json", action="store_true", help="print one JSON object")
    asked.add_argument("--quick", action="store_true", help="fewer moves of the hand")
    options = asked.parse_args()
    told = {"recipe": recipe(40 if options.quick else 200)}
    if options.json:
        print(json.dumps({**told, "goals": GOALS}, indent=1))
        return
    for section, figures in told.items():
        print(section)
        print("\n".join(f"  {name:<18} {value:>10.4g}" for name, value in figures.items()))
    print("goals:", json.dumps(GOALS))


if __name__ == "__main__":
    main()
