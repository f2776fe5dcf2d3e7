"""How the benchmarks time: processor time, the least of several runs, which other work disturbs least."""

import time
from collections.abc import Callable
from typing import Any


def least_ms(runs: dict[str, tuple[Callable[[], Any], int]]) -> dict[str, float]:
    """Return the least processor time of each in ms; each with its own number of runs."""
    best = {}
    for name, (run, rounds) in runs.items():
        run()
        taken = []
        for _ in range(rounds):
            began = time.process_time()
            run()
            taken.append(1e3 * (time.process_time() - began))
        best[name] = min(taken)
    return best
