"""A station under strain: numbered pictures that a camera drops, processes on duty that are killed, what must hold.

Used by `tests/contract/test_strain.py` (short) and `proofs/strain.py` (long). What a part is stands in the name of its
file: `good-…` conforms where it was seen; `bad-…` (0.3 mm too wide) and `torn-…` (cut off) must never.
"""

import hashlib
import json
import os
import random
import shutil
import signal
import statistics
import struct
import subprocess
import sys
import threading
import time
import zlib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from tests.helpers.broker import Listener
from tests.helpers.plain_bore import plain_tie
from tests.helpers.power import Disk, TimedListener, cuts, read, shim
from tests.helpers.strain_held import Held, held
from tests.helpers.strain_pictures import rotten
from tests.helpers.vent_station import new_station
from tests.helpers.wires import until

from tiepoint.station.accepted import accept, draft_of
from tiepoint.station.cameras.delivery import Delivery, Frame
from tiepoint.station.duty.judging import Judge, Task
from tiepoint.station.duty.status import read_status
from tiepoint.station.folder import open_station

ROOT = Path(__file__).resolve().parents[2]
HEAD = """
[duty]
variant = "thin"
workers = {workers}
deadline_ms = {deadline_ms}
waiting = {waiting}

[[camera]]
name = "top"
from = "folder"
part_id = "counter"

[camera.folder]
path = "incoming"
names = "{{shot}}.png"
whole = "renamed"
poll_s = 0.02
incomplete_after_s = 0.3
"""
RESULT = "vents/result"
"""Where the broker of `BROKER` tells of parts."""
BROKER = """
[[wires.mqtt]]
name = "plant"
host = "127.0.0.1"
port = {port}
topic = "vents"
"""


def strained(folder: Path, more: str = "", *, deadline_ms: int = 5000, waiting: int = 8, workers: int = 1) -> Path:
    """Make a station that watches a folder and counts its parts; return its folder. Its shots lie beside it."""
    vent = new_station(folder, plain_tie())
    toml = folder / "station.toml"
    head = HEAD.format(deadline_ms=deadline_ms, waiting=waiting, workers=workers)
    toml.write_text(toml.read_text() + head + more)
    (folder / "incoming").mkdir()
    station = open_station(folder)
    accept(station, [draft_of(station, vent.recipe)], who="M. Weiss", why="first")
    compiled(folder)
    return folder


def compiled(folder: Path):
    """Judge a part, so that all kernels are compiled, here and for the processes to come: a station warms up with a
    kept shot, and has none yet."""
    data = (folder.parent / "shots" / "vent-0.png").read_bytes()
    delivery = Delivery("warm", "top", (Frame("picture", "warm.png", data),), "2026-11-26T08:00:00Z", 1)
    assert Judge(open_station(folder)).judged(Task(delivery, "thin")).verdict == "conforms"


@dataclass
class Line:
    """What drops pictures. `sent`: the SHA-256 of each whole picture by its name; no two are alike.

    `times`: when each got its name, by the monotonic clock.
    """

    folder: Path
    sent: dict[str, str] = field(default_factory=dict)
    times: list[int] = field(default_factory=list)

    def __post_init__(self):
        shots = self.folder.parent / "shots"
        self._kinds = {kind: (shots / f"vent-{k}.png").read_bytes() for kind, k in (("good", 0), ("bad", 2))}

    def picture(self, kind: str) -> tuple[str, bytes]:
        """Return the next picture of a kind: its name, and its bytes with the name in a text chunk."""
        name = f"{kind}-{len(self.sent):06d}"
        data = numbered(self._kinds["good" if kind == "torn" else kind], name)
        if kind == "torn":
            data = data[: len(data) // 2]
        self.sent[name] = hashlib.sha256(data).hexdigest()
        return name, data

    def drop(self, kind: str = "good") -> str:
        """Put a picture into the folder, as a camera does that renames what is whole."""
        name, data = self.picture(kind)
        self.put(name, data)
        return name

    def drop_rotten(self, chance: random.Random) -> tuple[str, bytes]:
        """Put a damaged picture into the folder; return its name and its bytes."""
        name, data = f"rotten-{len(self.sent):06d}", rotten(self._kinds["good"], chance)
        self.sent[name] = hashlib.sha256(data).hexdigest()
        self.put(name, data)
        return name, data

    def put(self, name: str, data: bytes, ending: str = ".png"):
        path = self.folder / "incoming" / f"{name}{ending}"
        part = path.with_name(f"{path.name}.part")
        part.write_bytes(data)
        with suppress(FileNotFoundError):  # a station that begins sets aside what was not whole then
            part.rename(path)
        self.times.append(time.monotonic_ns())


def numbered(png: bytes, name: str) -> bytes:
    """Return a PNG with a text chunk before its end (ISO/IEC 15948, 11.3.4.3): other bytes, the same picture."""
    body = b"tEXtpart\0" + name.encode()
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    return png[:-12] + chunk + png[-12:]


class Feeding:
    """A thread that drops parts of all kinds without end, in a `with`."""

    def __init__(self, line: Line, every_s: float):
        self._line, self._every_s, self._end = line, every_s, threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self):
        kinds = ("good", "good", "bad", "good", "torn")
        for k in range(10**9):
            if self._end.wait(self._every_s):
                return
            self._line.drop(kinds[k % len(kinds)])

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._end.set()
        self._thread.join()


# --- processes on duty -----------------------------------------------------------------------------------------------


class Whole:
    """The duty process as it is, with its processes that judge. `env`: more of the environment; `before`: a command."""

    def __init__(self, folder: Path, *, env: dict[str, str] | None = None, before: tuple[str, ...] = ()):
        self.folder, self.log = folder, folder.parent / "duty.log"
        self._command = [*before, sys.executable, "-m", "tiepoint.station.duty", str(folder)]
        self._env = {**os.environ, **(env or {})}
        self.process: subprocess.Popen[bytes] | None = None

    def begin(self):
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(self._command, stdout=log, stderr=log, env=self._env)

    @property
    def pid(self) -> int:
        return self.process.pid

    def kill(self):
        self.process.kill()
        self.process.wait()

    def end(self) -> int:
        """Stop it as a service's manager does, and return its exit code."""
        if self.process.poll() is None:
            self.process.terminate()
        return self.process.wait(120)

    def __enter__(self):
        self.begin()
        return self

    def __exit__(self, *_):
        if self.process.poll() is None:
            self.kill()

    def is_ended(self) -> bool:
        return self.process.poll() is not None

    def until_state(self, state: str, s: float = 120.0, **about):
        """Wait until it says a state in its own words, and return all that it says."""

        def told():
            assert not self.is_ended(), self.log.read_text()
            status = read_status(self.folder)
            good = status is not None and status.is_fresh and status.pid == self.pid and status.told["state"] == state
            return good and all(status.told[k] == v for k, v in about.items())

        until(told, s)
        return read_status(self.folder)


def no_more_than_others() -> tuple[str, ...]:
    """Return a command before another by which it must heed what may not be written, though we are root."""
    if os.geteuid() != 0:
        return ()
    return ("setpriv", "--bounding-set", "-dac_override,-dac_read_search", "--inh-caps", "-all")


class Quick(Whole):
    """The same, forked from a process that has loaded and compiled all: up in a tenth of the time.

    Cameras, ledger, wires and archive are as they are; only the judge is a thread of the duty process, for a start of
    another one would take seconds.
    """

    def __init__(self, folder: Path):
        super().__init__(folder)
        self._command = [sys.executable, "-c", "from tests.helpers.strain import forks; forks()", str(folder)]
        self._pid, self._runs = 0, False

    @property
    def pid(self) -> int:
        return self._pid

    def __enter__(self):
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True, cwd=ROOT
            )
        assert self._said() == "loaded", self.log.read_text()
        self.begin()
        return self

    def _said(self) -> str:
        return self.process.stdout.readline().strip()

    def begin(self):
        self.process.stdin.write("begin\n")
        self.process.stdin.flush()
        self._pid, self._runs = int(self._said()), True

    def kill(self):
        os.kill(self._pid, signal.SIGKILL)
        self._said()
        self._runs = False

    def end(self) -> int:
        os.kill(self._pid, signal.SIGTERM)
        code, self._runs = int(self._said()), False
        return code

    def __exit__(self, *_):
        self.process.stdin.close()
        with suppress(ProcessLookupError):
            if self._runs:
                os.kill(self._pid, signal.SIGKILL)
        self.process.wait(60)
        self.process.stdout.close()


def forks():
    """Load all, and from then on fork a process on duty for each line of the input, and say how it ended."""
    import cv2
    import watchfiles

    from tiepoint.station.check import check
    from tiepoint.station.duty import loop, process
    from tiepoint.station.duty.judging import _answer
    from tiepoint.station.wires import mqtt

    class InThread:
        """The judge, in a thread."""

        def __init__(self, folder, count, warm, next_task, done, troubled):
            self._ending, judge = threading.Event(), Judge(open_station(folder))

            def run():
                while (given := next_task(self._ending.is_set)) is not None:
                    done(given[0], _answer(judge, given[0]))

            self._thread = threading.Thread(target=run, daemon=True)
            self._thread.start()

        def join(self):
            self._ending.set()
            self._thread.join(2)

    folder = Path(sys.argv[1])
    cv2.setNumThreads(1)
    check(folder)
    assert mqtt
    assert watchfiles
    compiled(folder)
    loop.Judges = InThread
    print("loaded", flush=True)
    for _ in sys.stdin:
        pid = os.fork()
        if pid == 0:
            os.close(0)
            os._exit(process.main([str(folder)]))
        print(pid, flush=True)
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


# --- what is done to it ----------------------------------------------------------------------------------------------


def results(listener: Listener) -> list[dict]:
    """Return the results that a listener heard."""
    return [json.loads(text) for topic, text in list(listener.heard) if topic == RESULT]


def killed(duty: Whole, line: Line, kills: int, longest_s: float, every_s: float, seed: int) -> list[bool]:
    """Kill a process on duty at random moments, begun anew at once, while parts come; return whether each was on duty.

    `duty` runs already. At the end it is on duty, has judged one more part, and was ended in good order.
    """
    chance, was_on_duty = random.Random(seed), []
    duty.until_state("on duty")
    with Feeding(line, every_s):
        for _ in range(kills):
            time.sleep(chance.uniform(0.0, longest_s))  # the moment is what is tried here
            status = read_status(duty.folder)
            was_on_duty.append(status is not None and status.pid == duty.pid and status.told["state"] == "on duty")
            duty.kill()
            duty.begin()
        duty.until_state("on duty")
        before = duty.until_state("on duty").seq
        until(lambda: read_status(duty.folder).seq > before, 120)
    assert duty.end() == 0, duty.log.read_text()
    return was_on_duty


def in_step(listener: Listener, count: int, drop: Callable[[], object], most: int = 16) -> None:
    """Drop so many parts, no more than `most` ahead of what is told, and wait until all are told."""
    # Counted as they come: to read all that was heard at each look makes a long soak wait for its own test.
    begun = listener.counts[RESULT]
    for k in range(count):
        until(lambda k=k: listener.counts[RESULT] - begun > k - most, 60)
        drop()
    until(lambda: listener.counts[RESULT] - begun >= count, 60)


def until_told(listener: Listener, state: str, *faults: str, s: float = 60.0):
    """Wait until the station's last word on the wire is that state, and one of these faults."""

    def told():
        states = [text for topic, text in list(listener.heard) if topic == "vents/state"]
        last = json.loads(states[-1]) if states else {}
        return last.get("state") == state and last.get("fault") in (faults or ("",))

    until(told, s)


def memory_mb(pid: int) -> float:
    """Return the resident memory of a process and of those that it began."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    others = [int(word) for path in Path(f"/proc/{pid}/task").glob("*/children") for word in path.read_text().split()]
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6 + sum(memory_mb(one) for one in others)


def soak(duty: Whole, line: Line, listener: Listener, parts: int, most: int = 16) -> list[float]:
    """Have so many parts judged; return the memory in MB, after each hundredth of them. `most`: as of `in_step`."""
    found = []
    for _ in range(100):
        in_step(listener, parts // 100, line.drop, most)
        found.append(memory_mb(duty.pid))
    return found


def latencies_ms(line: Line, listener: TimedListener) -> list[float]:
    """Return, of parts that came one after another, the times from a picture's name to the word on the wire."""
    came = [ns for ns, (topic, _) in zip(listener.times, listener.heard, strict=True) if topic == RESULT]
    return [(told - dropped) / 1e6 for dropped, told in zip(line.times, came, strict=True)]


def grown(memory: list[float]) -> float:
    """Return by which share the median of the last quarter lies above that of the second."""
    quarter = len(memory) // 4
    return statistics.median(memory[-quarter:]) / statistics.median(memory[quarter : 2 * quarter]) - 1


def cut_off(folder: Path, broker_port: int, scratch: Path, parts: int, count: int, seed: int) -> list[Held]:
    """Have a whole duty judge parts; then cut the power at `count` moments, and return what is found after each."""
    library, line = shim(scratch), Line(folder)
    before, journal = scratch / "before", scratch / "journal"
    shutil.copytree(folder, before)
    disk = Disk(folder, before)
    env = {"LD_PRELOAD": str(library), "TIEPOINT_POWER_ROOT": str(folder), "TIEPOINT_POWER_JOURNAL": str(journal)}
    with TimedListener(broker_port) as listener, Whole(folder, env=env) as duty:
        duty.until_state("on duty")
        begun_ns = time.monotonic_ns()
        for k in range(parts):
            line.drop(("good", "good", "bad", "torn")[k % 4])
            until(lambda k=k: listener.counts[RESULT] >= k - 4, 60)
        until(lambda: listener.counts[RESULT] == parts, 60)
        assert duty.end() == 0
        told = [
            (ns, json.loads(text))
            for ns, (topic, text) in zip(listener.times, listener.heard, strict=True)
            if topic == RESULT
        ]
    found, done = [], read(journal)
    first = next(k for k, one in enumerate(done) if one.ns >= begun_ns) // 2
    for ns, there in cuts(disk, done, count, seed, scratch, first):
        found.append(held(there, line.sent, [body for when, body in told if when < ns], begun_again=False))
    return found
