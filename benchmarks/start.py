"""How long `tiepoint --help` takes, beside a bare start of Python in the same run: `python benchmarks/start.py`.

Medians of processes run in turn. The figure to reach is 0.5 s; the ratio is what a slower or busier machine leaves
unchanged.
"""

import argparse
import json
import statistics
import subprocess
import sys
import time

ROUNDS = 15
COMMANDS = {
    "python, nothing": [sys.executable, "-c", "pass"],
    "import typer": [sys.executable, "-c", "import typer"],
    "import numpy": [sys.executable, "-c", "import numpy"],
    "import targets.paper": [sys.executable, "-c", "import tiepoint.targets.paper"],
    "tiepoint --help": [sys.executable, "-m", "tiepoint.cli.main", "--help"],
}


def seconds(command: list[str]) -> float:
    """Return how long one process takes."""
    began = time.perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - began


def main() -> None:
    """Print medians and ratios as JSON."""
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_args()
    taken: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for name in COMMANDS:
        seconds(COMMANDS[name])  # warm the file cache
    for _ in range(ROUNDS):
        for name, command in COMMANDS.items():
            taken[name].append(seconds(command))
    medians = {name: statistics.median(times) for name, times in taken.items()}
    bare = medians["python, nothing"]
    told = {name: {"median_s": round(m, 3), "times_bare_python": round(m / bare, 1)} for name, m in medians.items()}
    print(json.dumps(told, indent=1))


if __name__ == "__main__":
    main()
