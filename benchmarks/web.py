"""Twenty viewers beside one, and beside none: what following a station live costs its machine.

    python benchmarks/web.py [--json] [--viewers 20] [--seconds 8] [--in FOLDER]

The web process runs as `serve` starts it. Another process writes forty records a second into the ledger, as duty would.
Told is the processor time of the web process for each second, with no, one and many viewers of `/api/events` in the
same run, and how late an entry comes to a viewer (from its time in the ledger, which is to the millisecond). One reader
serves all: what a viewer adds is sending alone.
"""

import argparse
import http.client
import json
import os
import statistics
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

PER_S = 40
ROOT = Path(__file__).resolve().parents[1]
WRITER = """
import sys, time
from pathlib import Path
from tests.helpers.served import record
from tiepoint.station.ledger import Ledger
with Ledger(Path(sys.argv[1]) / "ledger.sqlite") as ledger:
    due = time.monotonic()
    while True:
        ledger.commit(record(1))
        due += 1 / float(sys.argv[2])
        time.sleep(max(0.0, due - time.monotonic()))
"""


def processor_s(pid: int) -> float:
    """Return the processor time that a process has taken (Linux: proc(5), fields 14 and 15 of stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def look(port: int, late_ms: list[float], there: threading.Barrier, ending: threading.Event) -> None:
    """Follow the station until the end; note how late each entry comes."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", "/api/events")
    answer = connection.getresponse()
    there.wait()
    while not ending.is_set():
        line = answer.readline()
        if line.startswith(b"data: ") and b"written_utc" in line:
            told = json.loads(line[6:])
            if "verdict" in told:
                late = datetime.now(UTC) - datetime.fromisoformat(told["written_utc"])
                late_ms.append(1e3 * late.total_seconds())
    answer.close()
    connection.close()


def measured(pid: int, port: int, viewers: int, seconds: float) -> dict[str, Any]:
    """Return what so many viewers cost."""
    late: list[list[float]] = [[] for _ in range(viewers)]
    there, ending = threading.Barrier(viewers + 1), threading.Event()
    threads = [threading.Thread(target=look, args=(port, one, there, ending)) for one in late]
    for thread in threads:
        thread.start()
    there.wait()
    time.sleep(1.0)
    before, begun = processor_s(pid), time.monotonic()
    time.sleep(seconds)
    cost = (processor_s(pid) - before) / (time.monotonic() - begun)
    ending.set()
    for thread in threads:
        thread.join()
    every = sorted(x for one in late for x in one)
    told = {"viewers": viewers, "processor_ms_per_s": round(1e3 * cost, 1), "entries": len(every)}
    if every:
        told |= {"late_p50_ms": round(statistics.median(every)), "late_p99_ms": round(every[int(0.99 * len(every))])}
    return told


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--viewers", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=8.0)
    parser.add_argument("--in", dest="place", type=Path)
    asked = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    from tests.helpers.served import new_station

    with TemporaryDirectory(dir=asked.place) as place:
        folder = new_station(Path(place) / "plates")
        web = [sys.executable, "-m", "tiepoint.web", str(folder), "--port", "0"]
        with (
            subprocess.Popen(web, stdout=subprocess.PIPE, text=True) as server,
            subprocess.Popen([sys.executable, "-c", WRITER, str(folder), str(PER_S)], cwd=ROOT) as writer,
        ):
            try:
                assert server.stdout is not None
                port = int(server.stdout.readline().rstrip("/\n").rpartition(":")[2])
                told = [measured(server.pid, port, n, asked.seconds) for n in (0, 1, asked.viewers)]
            finally:
                writer.kill()
                server.terminate()
    if asked.json:
        print(json.dumps({"records_per_s": PER_S, "measured": told}))
        return
    for one in told:
        print("  ".join(f"{key} {value}" for key, value in one.items()))


if __name__ == "__main__":
    main()
