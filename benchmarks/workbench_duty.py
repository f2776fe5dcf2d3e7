"""What it costs to look: an idle viewer of Duty while ten parts come each second, and Evidence on a long ledger.

    python benchmarks/workbench_duty.py [--json] [--seconds 30] [--records 100000] [--in FOLDER]

The web process runs as `serve` starts it; another process writes ten records a second with a picture of 5 MP each, and
a real browser (Chromium, headless) shows the page Duty. Told is the processor time of the browser's own processes for
each second, of the page's process alone, and of its main thread as the browser counts it; the page's memory after the
collector ran, at the beginning and at the end; and the web process's time. To be reached: 5 % of one core for the page,
and memory that is flat. Then what Evidence asks of a ledger of so many records: 10 ms each.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

PER_S = 10
ROOT = Path(__file__).resolve().parents[1]
WRITER = """
import hashlib, io, sys, time
from pathlib import Path
import numpy as np
from PIL import Image
from tests.helpers.served import record
from tiepoint.station.ledger import Ledger
folder = Path(sys.argv[1])
made = io.BytesIO()
y, x = np.mgrid[:2048, :2448]
Image.fromarray(((x // 8 + y // 8) % 256).astype(np.uint8)).save(made, "JPEG")
with Ledger(folder / "ledger.sqlite") as ledger:
    due, k = time.monotonic(), 0
    while True:
        k += 1
        seq = ledger.commit(record(k, "rejected" if k % 20 == 0 else "conforms")).seq
        place = folder / "archive" / f"{seq:09d}"
        place.mkdir(parents=True)
        data = made.getvalue() + str(seq).encode()
        (place / "picture.jpg").write_bytes(data)
        ledger.append("archived", {"format": "tiepoint/archived/1", "record": seq, "folder": f"{seq:09d}",
                                   "files": {"picture.jpg": hashlib.sha256(data).hexdigest()}})
        due += 1 / float(sys.argv[2])
        time.sleep(max(0.0, due - time.monotonic()))
"""


def processor_s(pid: int) -> float:
    """Return the processor time that a process has taken (Linux: proc(5), fields 14 and 15 of stat); 0 of none."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def below(pid: int) -> dict[int, str]:
    """Return all processes below one, with their command lines."""
    parents: dict[int, list[int]] = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            parents.setdefault(int(path.read_text().rpartition(")")[2].split()[1]), []).append(int(path.parent.name))
        except OSError:
            continue
    found, left = {}, [pid]
    while left:
        for child in parents.get(left.pop(), []):
            left.append(child)
            try:
                found[child] = Path(f"/proc/{child}/cmdline").read_text().replace("\0", " ")
            except OSError:
                continue
    return found


def viewer(place: Path, seconds: float) -> dict[str, Any]:
    """Return what an idle viewer costs."""
    from tests.helpers.browsers import headless
    from tests.helpers.served import new_station

    folder = new_station(place / "plates")
    web = [sys.executable, "-m", "tiepoint.web", str(folder), "--port", "0"]
    with (
        subprocess.Popen(web, stdout=subprocess.PIPE, text=True) as server,
        subprocess.Popen([sys.executable, "-c", WRITER, str(folder), str(PER_S)], cwd=ROOT) as writer,
    ):
        try:
            assert server.stdout is not None
            port = int(server.stdout.readline().strip().rstrip("/").rpartition(":")[2])
            with headless() as browser:
                page = browser.new_page(viewport={"width": 1440, "height": 900})
                page.goto(f"http://127.0.0.1:{port}/duty")
                page.locator(".picture canvas").wait_for(timeout=120_000)
                return measured(page, server.pid, seconds)
        finally:
            for process in (writer, server):
                process.terminate()


def measured(page: Any, server: int, seconds: float) -> dict[str, Any]:
    """Return the processor time of a page that is open, and its memory."""
    told = page.context.new_cdp_session(page)
    told.send("Performance.enable")
    time.sleep(5.0)  # it has drawn what was there before

    def metrics() -> dict[str, float]:
        told.send("HeapProfiler.collectGarbage")
        return {one["name"]: one["value"] for one in told.send("Performance.getMetrics")["metrics"]}

    def spent() -> dict[str, float]:
        tree = below(os.getpid())
        mine = {pid: line for pid, line in tree.items() if "chrom" in line}
        return {
            "browser": sum(map(processor_s, mine)),
            "page": sum(processor_s(pid) for pid, line in mine.items() if "--type=renderer" in line),
            "web": processor_s(server),
        }

    first, before, begun = metrics(), spent(), time.monotonic()
    parts = page.locator(".counts").inner_text()
    time.sleep(seconds)
    took, after = time.monotonic() - begun, spent()
    last = metrics()
    return {
        "seconds": round(took, 1),
        "page_percent_of_a_core": round(100 * (after["page"] - before["page"]) / took, 2),
        "browser_percent_of_a_core": round(100 * (after["browser"] - before["browser"]) / took, 2),
        "main_thread_percent": round(100 * (last["TaskDuration"] - first["TaskDuration"]) / took, 2),
        "script_percent": round(100 * (last["ScriptDuration"] - first["ScriptDuration"]) / took, 2),
        "web_percent_of_a_core": round(100 * (after["web"] - before["web"]) / took, 2),
        "heap_mb": [round(first["JSHeapUsedSize"] / 1e6, 2), round(last["JSHeapUsedSize"] / 1e6, 2)],
        "nodes": [int(first["Nodes"]), int(last["Nodes"])],
        "parts_went_on": parts != page.locator(".counts").inner_text(),
    }


def questions(place: Path, records: int) -> dict[str, Any]:
    """Return how long Evidence's questions take on a long ledger: median and least processor time in ms."""
    from ledger import fill

    from tiepoint.station.folder import open_station
    from tiepoint.station.ledger import Ledger
    from tiepoint.station.monitor import Monitor, yield_since
    from tiepoint.station.questions import Asked, last_records
    from tiepoint.station.trends import Trends
    from tiepoint.studies.spread import spread_of

    folder = place / "long"
    folder.mkdir()
    (folder / "station.toml").write_text('format = "tiepoint/station/1"\nname = "vents"\n')
    fill(folder / "ledger.sqlite", records)
    station, told = open_station(folder), {}
    with Ledger(station.ledger_place) as ledger, Trends(station) as trends:
        begun = time.process_time()
        trends.take_in(ledger)
        told["read once, a record"] = {"processor_ms": 1e3 * (time.process_time() - begun) / records}
        monitor, (one, *_) = Monitor(), trends.series()
        monitor.look(ledger)
        monitor.causes(ledger)
        ask = {
            "which series": trends.series,
            "a series whole": lambda: trends.thinned(one.id),
            "a tenth of it": lambda: trends.thinned(one.id, records // 2, records // 2 + records // 10),
            "three hundred of it": lambda: trends.thinned(one.id, records // 2, records // 2 + 900),
            "its spread": lambda: spread_of(trends.moments(one.id, 7, records - 7), one.lower, one.upper),
            "the last 50": lambda: last_records(ledger, 50),
            "the last 50 rejected": lambda: last_records(ledger, 50, Asked(verdict="rejected")),
            "yield of all": lambda: yield_since(ledger),
            "reasons again": lambda: monitor.causes(ledger),
        }
        for name, question in ask.items():
            taken, processor = [], []
            for _ in range(15):
                at, cpu = time.perf_counter(), time.process_time()
                question()
                taken.append(1e3 * (time.perf_counter() - at))
                processor.append(1e3 * (time.process_time() - cpu))
            told[name] = {"ms": round(statistics.median(taken), 2), "processor_ms": round(min(processor), 2)}
    return told


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--records", type=int, default=100_000)
    parser.add_argument("--in", dest="place", type=Path)
    asked = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    with TemporaryDirectory(dir=asked.place) as place:
        told = {"viewer": viewer(Path(place), asked.seconds), "records": asked.records}
        if asked.records:
            told["questions"] = questions(Path(place), asked.records)
    if asked.json:
        print(json.dumps(told, indent=1))
        return
    for name, value in told["viewer"].items():
        print(f"  {name:28s} {value}")
    for name, one in told.get("questions", {}).items():
        print(f"  {name:28s} " + "  ".join(f"{key} {value:.3g}" for key, value in one.items()))


if __name__ == "__main__":
    main()
