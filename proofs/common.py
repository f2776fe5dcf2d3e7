"""What every proof shares: the hash of the code it proves, many seeds on all cores, one result file.

A proof runs for minutes to hours, so CI does not run it: it leaves `proofs/results/<name>.json`, and
`python proofs/stale.py` says which results no longer belong to the code.
"""

import concurrent.futures
import hashlib
import json
import math
import os
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
RESULTS = ROOT / "proofs" / "results"


def code_sha256(rooms: Sequence[str], proof: Path) -> str:
    """Return the hash of the source files of some rooms, and of the proof itself, in a fixed order."""
    digest = hashlib.sha256()
    files = [f for room in rooms for f in sorted((ROOT / "src" / "tiepoint" / room).rglob("*.py"))]
    for file in [*files, proof, Path(__file__)]:
        text = file.read_text(encoding="utf-8").replace("\r\n", "\n")
        digest.update(f"{file.relative_to(ROOT).as_posix()}\n{text}\n".encode())
    return digest.hexdigest()


def on_all_cores(work: Callable[[int], Any], seeds: Iterable[int], label: str, minutes: float = math.inf) -> list[Any]:
    """Return work(seed) for every seed, in order, with progress on standard error.

    After `minutes` it stops and returns what there is by then: the first seeds, whatever came of them.
    """
    todo = list(seeds)
    results: list[Any] = []
    begun = time.monotonic()
    with concurrent.futures.ProcessPoolExecutor(max_workers=os.cpu_count()) as pool:
        for done, result in enumerate(pool.map(work, todo, chunksize=4), 1):
            results.append(result)
            if done % 50 == 0 or done == len(todo):
                left_s = (time.monotonic() - begun) / done * (len(todo) - done)
                print(f"{label}: {done} of {len(todo)}, {left_s:.0f} s left", file=sys.stderr, flush=True)
            if time.monotonic() - begun > 60 * minutes:
                pool.shutdown(wait=True, cancel_futures=True)
                break
    return results


def write_result(name: str, rooms: Sequence[str], proof: Path, result: dict[str, Any]) -> Path:
    """Write a proof's result with the hash of what it proves."""
    RESULTS.mkdir(parents=True, exist_ok=True)
    path = RESULTS / f"{name}.json"
    body = {"proof": name, "rooms": list(rooms), "code_sha256": code_sha256(rooms, proof), **result}
    path.write_text(json.dumps(body, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")
    return path
