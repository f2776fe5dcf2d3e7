"""A ledger of a million records: what adding one costs beside the disk alone, and how long a monitor waits for answers.

    python benchmarks/ledger.py [--json] [--records 1000000] [--in FOLDER] [--long]

The ledger is filled at once, with entries as `commit` writes them (records of 2 kB, one a second, two recipes and
three variants). Then records are added one by one, each after as many bytes were appended to a file beside it and
flushed by `fdatasync`: both meet the same disk at the same time, so their ratio holds on a busy machine. `append` is
of a record whose text is made, as on duty, where the process that judged the part makes it; `commit` makes it too, as
all others have it. `processor_ms` is what either costs in processor time. The log is folded back by another thread
meanwhile, as on duty. To be reached: P99 of an append at most 3 × that of the bare flush, and each question answered
within 10 ms (the median of its runs; the longest is told beside it, and the least processor time, which is what an
idle machine takes).

With `--long`, records have 25 steps and a tie of 24 sources, as a large recipe makes them: such entries are compressed.
The bare flush is then of as many bytes as the entry has in the file, and nothing is to be reached.
"""

import argparse
import json
import os
import random
import sqlite3
import statistics
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tiepoint.foundation.sources import Source, measured
from tiepoint.model.decide import Limits
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot
from tiepoint.station.composed import composed
from tiepoint.station.ledger import NOTHING, Head, Ledger
from tiepoint.station.ledger_chain import RecordText, entry_text
from tiepoint.station.ledger_tables import PER, columns_of, compressed, sort_of
from tiepoint.station.questions import Asked, counts, counts_per, last_records

BEGUN = datetime(2026, 1, 5, 6, tzinfo=UTC)
COMMITS = 3000
VERDICTS = ("conforms", "rejected", "undecided")


def record(verdict: str, recipe: str, variant: str, *, long: bool = False) -> Record:
    """Return a record of about 2 kB in the ledger; a `long` one has 25 steps and 24 sources more in each."""
    about = {"name": "bore A", "kind": "circle", "quantity": "diameter", "unit": "mm", "step": "bore", "frame": "plane"}
    swelling, noise = Source("tie", "swelling along x", "B", 0.0012, "tie"), Source("n", "noise", "A", 0.001, "shot")
    value = measured(4.5021, swelling)
    reading = replace(
        Reading.of(value, limits=Limits(4.4, 4.6), id="bore A.diameter", **about),
        verdict=verdict,  # type: ignore[arg-type]
    )
    other = Reading.of(measured(5.96, noise), limits=None, id="bore B.diameter", **about)  # type: ignore[arg-type]
    shot = Shot("shot-1", (Picture("main", "a" * 64, (2448, 2048), 8, "Mono8"),), "2026-01-05T06:00:00Z", part_id="A-1")
    readings = (reading, other)
    if long:
        chance = random.Random(7)
        tie = [Source(f"tie/{k}", f"parameter {k} of the tie", "A", 0.001, "tie", dof=40) for k in range(24)]

        def one(k: int) -> Reading:
            value = measured(chance.gauss(4.5, 0.01), swelling)
            for source in tie:
                value = value.with_source(source, chance.gauss(0, 1))
            made = Reading.of(value, limits=Limits(4.4, 4.6), id=f"bore {k}.diameter" if k else reading.id, **about)  # type: ignore[arg-type]
            return replace(made, verdict=verdict)  # type: ignore[arg-type]

        readings = tuple(map(one, range(25)))
    return Record("vents", 0, shot, recipe * 64, ("c" * 64,), "tiepoint", readings, verdict, variant=variant)  # type: ignore[arg-type]


def text_of(at: datetime) -> str:
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def fill(path: Path, count: int, *, long: bool = False) -> tuple[int, int]:
    """Write a ledger of so many records at once; return the bytes of an entry's text, and of what lies in the file."""
    Ledger(path, create=True).close()
    chance = random.Random(6)
    kinds = {
        (v, r, n): RecordText(record(v, r, n, long=long))
        for v in VERDICTS
        for r in "ab"
        for n in ("left", "right", "wide")
    }
    sorts = {sort_of(text.content): k for k, text in enumerate(kinds.values(), 1)}
    sums: dict[tuple[str, str, int], list[int]] = {}
    base = sqlite3.connect(path, isolation_level=None)
    base.execute("PRAGMA synchronous = OFF")
    base.execute("BEGIN IMMEDIATE")
    base.executemany("INSERT INTO sorts VALUES (?, ?, ?, ?)", [(k, *sort) for sort, k in sorts.items()])
    head, size = Head(0, NOTHING), (0, 0)
    rows: list[tuple[Any, ...]] = []
    judged: list[tuple[Any, ...]] = []
    missed: list[tuple[Any, ...]] = []
    for k in range(count):
        verdict = chance.choices(VERDICTS, (96, 3, 1))[0]
        text = kinds[verdict, "a" if k < count // 2 else "b", chance.choice(("left", "right", "wide"))]
        at, seq = text_of(BEGUN + timedelta(seconds=k)), head.seq + 1
        entry, sha = entry_text(head, "record", at, text.placed(head)[1])
        columns = columns_of(seq, "record", at, text.content) | {"part_id": f"A-{k}"}
        there = compressed(entry)
        rows.append((*(columns[c] for c in ("seq", "kind", "written_utc", "part_id", "verdict")), sha, there))
        sort = sorts[sort_of(text.content)]
        judged.append((seq, sort, at))
        if verdict != "conforms":
            missed.append(("bore A.diameter", seq, verdict))
        for per, letters in PER:
            told = sums.setdefault((per, at[:letters], sort), [0, seq, seq])
            told[0], told[2] = told[0] + 1, seq
        head, size = Head(seq, sha), (len(entry), len(there))
        if len(rows) == 20_000 or k == count - 1:
            base.executemany("INSERT INTO entries VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
            base.executemany("INSERT INTO judged VALUES (?, ?, ?)", judged)
            base.executemany("INSERT INTO not_conforming VALUES (?, ?, ?)", missed)
            rows, judged, missed = [], [], []
    base.executemany("INSERT INTO sums VALUES (?, ?, ?, ?, ?, ?)", [(*key, *told) for key, told in sums.items()])
    base.execute("COMMIT")
    base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    base.close()
    return size


def timed_ms(run: Callable[[], Any]) -> float:
    began = time.perf_counter()
    run()
    return 1e3 * (time.perf_counter() - began)


def commits(path: Path, size: int, count: int, *, long: bool = False) -> dict[str, Any]:
    """Commit records one by one, each beside a bare flush; return times in ms."""
    flush = getattr(os, "fdatasync", os.fsync)
    made = [record("conforms", "b", "left", long=long), record("rejected", "b", "wide", long=long)]
    taken: dict[str, list[float]] = {"append": [], "commit": [], "bare_fdatasync": []}
    processor = {"append": 0.0, "commit": 0.0}
    data = b"x" * size
    with Ledger(path) as ledger, ledger.folding_back(), path.with_name("bare").open("ab", buffering=0) as beside:

        def appended() -> None:
            beside.write(data)
            flush(beside.fileno())

        for k in range(count):
            one = made[k % 25 == 0]
            ready = composed(one)
            taken["bare_fdatasync"].append(timed_ms(appended))
            ways = ("append", partial(ledger.commit_composed, ready)), ("commit", partial(ledger.commit, one))
            for name, way in ways[:: 1 if k % 2 else -1]:
                began = time.process_time()
                taken[name].append(timed_ms(way))
                processor[name] += time.process_time() - began
    told: dict[str, Any] = {name: quantiles(times) for name, times in taken.items()}
    told["processor_ms"] = {name: 1e3 * spent / count for name, spent in processor.items()}
    return told | {"p99_ratio": told["append"]["p99"] / told["bare_fdatasync"]["p99"]}


def quantiles(taken: list[float]) -> dict[str, float]:
    cuts = statistics.quantiles(taken, n=1000)
    return {"p50": cuts[499], "p99": cuts[989], "p99_9": cuts[998], "max": max(taken)}


def questions(path: Path, count: int) -> dict[str, dict[str, float]]:
    """Ask what a monitor asks; return the median and the longest time of each in ms."""
    day = text_of(BEGUN + timedelta(seconds=count // 3))[:10] + "T"
    ask: dict[str, Callable[[Ledger], Any]] = {
        "counts of all": counts,
        "counts of a shift": lambda it: counts(it, Asked(since=f"{day}06:00:00Z", until=f"{day}14:00:00Z")),
        "counts between two seconds": lambda it: counts(it, Asked(since=f"{day}01:00:07Z", until=f"{day}23:30:09Z")),
        "counts by minute of a shift": lambda it: counts_per(
            it, "minute", Asked(since=f"{day}06:00:00Z", until=f"{day}14:00:00Z")
        ),
        "counts by day of all": lambda it: counts_per(it, "day"),
        "last 100": last_records,
        "last 100 rejected": lambda it: last_records(it, 100, Asked(verdict="rejected")),
        "last 100 undecided of a variant and an old recipe": lambda it: last_records(
            it, 100, Asked(verdict="undecided", variant="wide", recipe_sha="a" * 64)
        ),
        "last 100 in which a reading does not conform": lambda it: last_records(
            it, 100, Asked(reading="bore A.diameter")
        ),
        "a part": lambda it: last_records(it, 100, Asked(part_id=f"A-{count // 2}")),
        "last 100 before a time": lambda it: last_records(it, 100, Asked(until=f"{day}12:00:00Z")),
        "last 100 rejected of an hour": lambda it: last_records(
            it, 100, Asked(since=f"{day}10:00:00Z", until=f"{day}11:00:00Z", verdict="rejected")
        ),
    }
    told = {}
    with Ledger(path) as ledger:
        for name, question in ask.items():
            taken, processor = [], []
            for _ in range(21):
                began = time.process_time()
                taken.append(timed_ms(lambda q=question: q(ledger)))  # type: ignore[misc]
                processor.append(1e3 * (time.process_time() - began))
            told[name] = {"ms": statistics.median(taken), "longest_ms": max(taken), "processor_ms": min(processor)}
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--records", type=int, default=1_000_000)
    parser.add_argument("--commits", type=int, default=COMMITS)
    parser.add_argument("--long", action="store_true", help="records of 25 steps, with a tie of 24 sources")
    parser.add_argument("--in", dest="folder", type=Path, default=None, help="where the disk is to be tried")
    given = parser.parse_args()
    with TemporaryDirectory(dir=given.folder) as folder:
        path = Path(folder) / "ledger.sqlite"
        size, there = fill(path, given.records, long=given.long)
        told: dict[str, Any] = {
            "records": given.records,
            "entry_bytes": size,
            "bytes_in_the_file": there,
            "questions": questions(path, given.records),
        }
        told |= commits(path, there, given.commits, long=given.long)
    if given.json:
        print(json.dumps(told, indent=1))
        return
    print(f"{given.records:,} records of {size} bytes, {there} in the file")
    for name in ("append", "commit", "bare_fdatasync"):
        print(f"  {name:15s}" + "  ".join(f"{q} {ms:.2f} ms" for q, ms in told[name].items()))
    spent = ", ".join(f"{name} {ms:.2f} ms" for name, ms in told["processor_ms"].items())
    print(f"  P99 of an append: {told['p99_ratio']:.2f} × the bare flush; processor: {spent}")
    for name, one in told["questions"].items():
        print(f"  {name:50s} {one['ms']:6.2f} ms, longest {one['longest_ms']:.2f}, processor {one['processor_ms']:.2f}")


if __name__ == "__main__":
    main()
