"""A station on duty over 5 MP: parts a second, how long one takes, what viewers cost, and how long it takes to start.

    python benchmarks/duty.py [--json] [--quick] [--workers 2] [--in FOLDER]

benchmarks/duty_station.py draws the part, 1 find by shape, 25 steps in its frame and a code, and its pictures (JPEG of
about 0.5 MB), prepared beforehand. All of the duty loop runs: judging processes, ledger, archive, each flushed to the
disk; only camera and wire are played by this script, which gives as many parts at once as the processes need, and none
while more wait to be kept than there is room for: what is measured is the rate that can be held.

`own`: the camera gives JPEG bytes, which are decoded, and kept as they are. `encoded`: the camera gives pixels, and the
archive encodes JPEG. `parts_s` is the rate with all processes busy; `p50_ms` and `p99_ms` are of parts that come alone,
from the delivery until the wire is told. `bare_parts_s` is what as many processes reach that do nothing but decode and
run the recipe over the same pictures, in the same run, and `of_bare` the share of it that is left on duty: that holds
on a busy machine, where parts a second need an idle one.

Viewers: parts come alone, in turn with and without 20 viewers of the web process's live events, and after each part a
plain loop of the interpreter runs. `p99_ratio` is P99 with viewers over P99 without, `loop_p99_ratio` that of the plain
loop: what the machine itself leaves open between the two halves, and how far the first can be told.

Start: from the start of the process to "on duty". `bare_s` is one process that opens the station and judges one part,
in turn with it. Warm: kernels, and what Python compiled, lie on the disk, as after any first start. Cold: the kernels
do not (--quick leaves that out).
"""

import argparse
import json
import os
import queue
import selectors
import socket
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import duty_station as scene

from tiepoint.station.archive_keeper import Keeper
from tiepoint.station.cameras.delivery import Delivery, Frame
from tiepoint.station.duty.judging import Judge, Task
from tiepoint.station.duty.loop import Duty
from tiepoint.station.duty.status import read_status, write_status
from tiepoint.station.folder import Station, open_station
from tiepoint.station.ledger import Ledger, utc_now

GOALS = {"any angle, own": 40, "window, encoded": 70, "window, own": 100, "p99_ratio": 1.05, "start_warm_s": 3.0}
VIEWERS = 20
PATIENCE_S = 600.0
Show = Callable[[int], Frame]


class Line:
    """Camera and wire in one: shows a part whenever there is room, and notes how long each took."""

    name, link = "line", ("joined", "")

    def __init__(self, frame: Show) -> None:
        self._frame = frame
        self._due: queue.Queue[int] = queue.Queue()
        self.shown = 0
        self.told: queue.Queue[tuple[float, str]] = queue.Queue()
        self.state_now = ""
        self.has_room: Callable[[], bool] = lambda: True

    def give(self, count: int) -> None:
        """Let so many parts come."""
        for _ in range(count):
            self.shown += 1
            self._due.put(self.shown)

    def take(self, timeout_s: float) -> Delivery | None:
        if not self.has_room():
            time.sleep(0.002)
            return None
        try:
            number = self._due.get(timeout=timeout_s)
        except queue.Empty:
            return None
        return Delivery(f"part-{number}", self.name, (self._frame(number),), utc_now(), time.monotonic_ns())

    def start(self, *_: Any) -> None: ...
    def stop(self) -> None: ...
    def done(self, _: Delivery) -> None: ...
    def trigger(self, _: Any) -> None: ...

    def tell(self, result: Any) -> None:
        self.told.put((1e-6 * (time.monotonic_ns() - result.taken_mono_ns), result.record.verdict))

    def state(self, told: Any) -> None:
        self.state_now = told.state


@contextmanager
def on_duty(station: Station, line: Line) -> Iterator[Duty]:
    """Have a station on duty in a thread."""
    with Ledger(station.ledger_place) as ledger:
        keeper = Keeper(station, ledger)

    def status(duty: Duty) -> None:
        write_status(station.folder, pid=os.getpid(), told=duty.told, seq=0, waiting=0, written_utc=utc_now())

    duty = Duty(station, [line], [line], keeper.keep, every_tick=status)  # type: ignore[list-item]
    waiting = duty._keeping._queue
    line.has_room = lambda: waiting.qsize() < waiting.maxsize - 8  # those on their way need theirs
    thread = threading.Thread(target=duty.run)
    thread.start()
    try:
        end = time.monotonic() + PATIENCE_S
        while line.state_now != "on duty":
            if not thread.is_alive() or time.monotonic() > end:
                raise SystemExit(f"the station did not come on duty; it is {line.state_now or 'ended'}")
            time.sleep(0.05)
        yield duty
    finally:
        duty.stop()
        thread.join()


def one(line: Line) -> float:
    """Return how long the next part takes alone, ms."""
    line.give(1)
    took, verdict = line.told.get(timeout=PATIENCE_S)
    demand_judged(verdict)
    return took


def demand_judged(verdict: str) -> None:
    """Stop where a part was not measured: its time would be of no use."""
    if verdict == "unread":
        raise SystemExit("a part was unread: what is measured is no recipe's run")


def rate(line: Line, count: int, at_once: int) -> float:
    """Return how many parts a second are told while so many are on their way."""
    line.give(at_once)
    began = 0.0
    for k in range(count + at_once):
        _, verdict = line.told.get(timeout=PATIENCE_S)
        demand_judged(verdict)
        if k == at_once - 1:
            began = time.perf_counter()
        if line.shown and k < count:
            line.give(1)
    return count / (time.perf_counter() - began)


def bare(connection: Any, folder: Path, datas: list[bytes], count: int) -> None:
    """Decode and run the recipe, and nothing else: the whole life of a process."""
    judge = Judge(open_station(folder))
    frames = [Frame("picture", "part.jpg", data=data) for data in datas]

    def judged(k: int) -> None:
        shown = Delivery(f"part-{k}", "line", (frames[k % len(frames)],), "2026-01-05T06:00:00.000Z", 0)
        demand_judged(judge.judged(Task(shown, None)).verdict)

    for k in range(len(frames)):
        judged(k)
    connection.send(None)
    connection.recv()
    for k in range(count):
        judged(k)
    connection.send(None)


def bare_rate(folder: Path, datas: list[bytes], count: int, workers: int) -> float:
    """Return how many parts a second as many processes reach that only decode and run the recipe."""
    context = get_context("spawn")
    ends, processes = [], []
    for _ in range(workers):
        mine, theirs = context.Pipe()
        processes.append(context.Process(target=bare, args=(theirs, folder, datas, count // workers)))
        processes[-1].start()
        theirs.close()
        ends.append(mine)
    for end in ends:
        end.recv()
    began = time.perf_counter()
    for end in ends:
        end.send(None)
    for end in ends:
        end.recv()
    spent = time.perf_counter() - began
    for process in processes:
        process.join()
    return count // workers * workers / spent


def rates(folder: Path, options: Any) -> dict[str, Any]:
    """Return the figures of each way in which parts may come."""
    count, alone, drawn = (40, 20, 4) if options.quick else (600, 400, 10)
    told: dict[str, Any] = {}
    for name, window in (("any angle", False), ("window", True)):
        print(f"parts, {name} ...", file=sys.stderr)
        pixels = scene.pictures(drawn, window=window)
        datas = [scene.jpeg(one) for one in pixels]
        ways: dict[str, Show] = {
            "own": lambda k, d=datas: Frame("picture", f"part-{k}.jpg", data=d[k % drawn]),  # type: ignore[misc]
            "encoded": lambda k, p=pixels: Frame("picture", f"part-{k}", pixels=p[k % drawn]),  # type: ignore[misc]
        }
        for way, frame in ways.items():
            place = folder / f"{name} {way}"
            station = scene.station(place, window=window, workers=options.workers, waiting=4 * options.workers)
            before = bare_rate(place, datas, count, options.workers)
            line = Line(frame)
            with on_duty(station, line):
                rate(line, 2 * drawn, 1)
                parts_s = rate(line, count, 2 * options.workers)
                times = [one(line) for _ in range(alone)]
            mean = (before + bare_rate(place, datas, count, options.workers)) / 2
            told[f"{name}, {way}"] = {
                "parts_s": parts_s, "bare_parts_s": mean, "of_bare": parts_s / mean, **quantiles(times),
            }  # fmt: skip
    return told


def quantiles(times: list[float]) -> dict[str, float]:
    cuts = statistics.quantiles(times, n=100, method="inclusive")
    return {"p50_ms": cuts[49], "p99_ms": cuts[98]}


# --- viewers ---------------------------------------------------------------------------------------------------------


def view(connection: Any, port: int, count: int) -> None:
    """Read the live events as so many pages do, each over a connection of its own, until told to end: a process."""
    selector = selectors.DefaultSelector()
    selector.register(connection, selectors.EVENT_READ)
    viewers = [socket.create_connection(("127.0.0.1", port)) for _ in range(count)]
    read = 0
    for viewer in viewers:
        viewer.sendall(b"GET /api/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        if b" 200 " not in viewer.recv(65536).split(b"\r\n")[0]:
            raise SystemExit("a viewer was refused")
        viewer.setblocking(False)
        selector.register(viewer, selectors.EVENT_READ)
    connection.send(None)
    while True:
        for key, _ in selector.select():
            if key.fileobj is connection:
                connection.send(read)
                for viewer in viewers:
                    viewer.close()
                return
            data = key.fileobj.recv(65536)  # type: ignore[union-attr]
            if not data:
                raise SystemExit("a viewer was cut off")
            read += data.count(b"event: record")


def viewed(folder: Path, options: Any) -> dict[str, Any]:
    """Return what viewers cost parts that come alone."""
    print("viewers ...", file=sys.stderr)
    blocks, parts = (4, 8) if options.quick else (20, 100)
    datas = [scene.jpeg(drawn) for drawn in scene.pictures(4, window=True)]
    station = scene.station(folder / "viewed", window=True, workers=options.workers, waiting=8)
    line = Line(lambda k: Frame("picture", f"part-{k}.jpg", data=datas[k % 4]))
    taken: dict[bool, list[float]] = {False: [], True: []}
    loops: dict[bool, list[float]] = {False: [], True: []}
    read = 0
    web = subprocess.Popen(
        [sys.executable, "-m", "tiepoint.web", str(station.folder), "--port", "0"], stdout=subprocess.PIPE, text=True
    )
    try:
        assert web.stdout is not None
        port = int(web.stdout.readline().strip().rstrip("/").rpartition(":")[2])
        with on_duty(station, line):
            rate(line, 8, 1)
            for block in range(2 * blocks):
                with_viewers = block % 4 in (1, 2)  # one follows the other in either order
                connection, process = _viewers(port) if with_viewers else (None, None)
                for _ in range(parts):
                    taken[with_viewers].append(one(line))
                    loops[with_viewers].append(plain_loop_ms())
                if connection is not None:
                    connection.send(None)
                    read += connection.recv()
                    process.join()
    finally:
        web.terminate()
        web.communicate()
    told = {name: {"without": quantiles(by[False]), "with": quantiles(by[True])}
            for name, by in (("parts", taken), ("loop", loops))}  # fmt: skip
    ratio = {name: by["with"]["p99_ms"] / by["without"]["p99_ms"] for name, by in told.items()}
    due = VIEWERS * blocks * parts
    return told | {"p99_ratio": ratio["parts"], "loop_p99_ratio": ratio["loop"], "share_seen": read / due}


def _viewers(port: int) -> tuple[Any, Any]:
    context = get_context("spawn")
    mine, theirs = context.Pipe()
    process = context.Process(target=view, args=(theirs, port, VIEWERS))
    process.start()
    theirs.close()
    mine.recv()
    return mine, process


def plain_loop_ms() -> float:
    """Return how long work of the interpreter alone takes, about as long as a part."""
    began, total = time.perf_counter(), 0
    for k in range(200_000):
        total += k * k % 7
    return 1e3 * (time.perf_counter() - began)


# --- start -----------------------------------------------------------------------------------------------------------

BARE_START = """
import sys
from pathlib import Path
from tiepoint.station.cameras.delivery import Delivery, Frame
from tiepoint.station.duty.judging import Judge, Task
from tiepoint.station.folder import open_station
data = Path(sys.argv[2]).read_bytes()
shown = Delivery("1", "line", (Frame("picture", "1.jpg", data=data),), "2026-01-05T06:00:00.000Z", 0)
sys.exit(Judge(open_station(Path(sys.argv[1]))).judged(Task(shown, None)).verdict == "unread")
"""


def start_s(station: Station, environment: dict[str, str]) -> float:
    """Return how long it takes from the start of the process until it is on duty."""
    state = station.folder / "duty" / "state.json"
    state.unlink(missing_ok=True)
    began = datetime.now().astimezone()
    process = subprocess.Popen(
        [sys.executable, "-m", "tiepoint.station.duty", str(station.folder)], env=environment
    )  # in order: its ledger tells when it was ready
    try:
        while (status := read_status(station.folder)) is None or status.told["state"] != "on duty":
            if process.poll() is not None:
                raise SystemExit("the station did not come on duty")
            time.sleep(0.02)
    finally:
        process.terminate()
        process.wait()
    with Ledger(station.ledger_place) as ledger:
        ready = [e.written_utc for e in ledger.entries("duty") if e.body.get("state") == "on duty"][-1]
    return (datetime.fromisoformat(ready) - began).total_seconds()


def starts(folder: Path, options: Any) -> dict[str, Any]:
    """Return how long a start takes, beside a bare one."""
    print("start ...", file=sys.stderr)
    station = scene.station(folder / "started", window=False, workers=options.workers, waiting=8)
    shot = folder / "started.jpg"
    shot.write_bytes(scene.jpeg(scene.pictures(1, window=False)[0]))
    bare_command = [sys.executable, "-c", BARE_START, str(station.folder), str(shot)]

    def in_turn(rounds: int, environments: Callable[[], dict[str, str]]) -> dict[str, float]:
        own, bare_s = [], []
        for _ in range(rounds):
            own.append(start_s(station, environments()))
            environment, began = environments(), time.perf_counter()
            subprocess.run(bare_command, env=environment, check=True)
            bare_s.append(time.perf_counter() - began)
        middle = statistics.median(own), statistics.median(bare_s)
        return {"ready_s": middle[0], "bare_s": middle[1], "ratio": middle[0] / middle[1]}

    usual = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    start_s(station, usual)
    told = {"warm": in_turn(2 if options.quick else 7, lambda: usual)}
    if not options.quick:
        empty = iter(range(100))
        told["cold"] = in_turn(1, lambda: {**usual, "NUMBA_CACHE_DIR": str(folder / f"empty-{next(empty)}")})
    return told


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--json", action="store_true", help="print one JSON object")
    asked.add_argument("--quick", action="store_true", help="fewer parts")
    asked.add_argument("--workers", type=int, default=2, help="processes that judge")
    asked.add_argument("--in", dest="folder", type=Path, default=None, help="where the disk is to be tried")
    options = asked.parse_args()
    with TemporaryDirectory(dir=options.folder) as there:
        folder = Path(there)
        told = {"rates": rates(folder, options), "viewers": viewed(folder, options), "start": starts(folder, options)}
    if options.json:
        print(json.dumps({**told, "goals": GOALS}, indent=1))
        return
    for name, row in told["rates"].items():
        goal = f"  goal {GOALS[name]}" if name in GOALS else ""
        print(f"{name:20s} {row['parts_s']:6.1f} parts/s  bare {row['bare_parts_s']:6.1f}, share {row['of_bare']:4.2f}"
              f"  alone P50 {row['p50_ms']:6.1f} ms, P99 {row['p99_ms']:6.1f} ms{goal}")  # fmt: skip
    seen = told["viewers"]
    print(f"{VIEWERS} viewers: P99 × {seen['p99_ratio']:.3f} (goal {GOALS['p99_ratio']}), "
          f"plain loop × {seen['loop_p99_ratio']:.3f}; seen {seen['share_seen']:.1%}")  # fmt: skip
    for name, row in told["start"].items():
        print(f"start {name}: {row['ready_s']:.2f} s, {row['ratio']:.2f} × a bare one")


if __name__ == "__main__":
    main()
