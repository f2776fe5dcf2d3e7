"""Whoever stops a running command gets one sentence, the exit code that shells know, and nothing half written.

Codes are 128 + the signal's number (POSIX.1-2017, Shell & Utilities 2.8.2, and what bash does): 130 and 143.
"""

import json
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from tiepoint.documents.pictures import save_png

CODES = {"SIGINT": 130, "SIGTERM": 143}
SENTENCE = b"tiepoint: stopped; what was not finished was not written\n"
ASKS_AT_IMPORT = """
import signal, sys

class Ask:
    asked = False

    def find_spec(self, name, path=None, target=None):
        if name == {module!r} and not self.asked:
            self.asked = True
            signal.raise_signal(signal.{name})
        return None

sys.meta_path.insert(0, Ask())
{first}
from tiepoint.cli.main import main
sys.exit(main())
"""
WORKS = """
from time import sleep
from tiepoint.cli import app

def work(words):
    {work}
    for _ in range(1000):
        sleep(0.02)
    return 0

app.carry_out = work
"""
ASKS_AT_CALL = """
import os, pathlib, signal, sys

owner, name = {where}
real = getattr(owner, name)

def ask(*given, **more):
    setattr(owner, name, real)
    {before}
    for _ in range({times}):
        signal.raise_signal(signal.{signal})
    return real(*given, **more)

setattr(owner, name, ask)
from tiepoint.cli.main import main
sys.exit(main())
"""
ASKS_AT_CLASS = """
import signal, sys

def ask(frame, event, _):
    if frame.f_code.co_name == "_numba_unpickle":
        sys.setprofile(None)
        signal.raise_signal(signal.SIGINT)
"""
RETURNS_A_TUPLE = """
from typing import NamedTuple

import numba

class Pair(NamedTuple):
    one: int

@numba.njit
def pair():
    return Pair(1)
"""
DRAW = ("target", "draw", "--pattern", "checker", "--pitch", "10mm", "--columns", "9", "--rows", "6", "--out", "drawn")


@pytest.fixture(autouse=True)
def heard():
    """Let what is started hear a stop where the tests themselves run in the background, or under nohup, and do not."""
    handlers = {"SIGINT": signal.default_int_handler, "SIGHUP": lambda *_: None}
    known = {getattr(signal, name): handler for name, handler in handlers.items() if hasattr(signal, name)}
    before = {number: signal.signal(number, handler) for number, handler in known.items()}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


def python(code: str, *words: str, folder: Path) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([sys.executable, "-c", code, *words], cwd=folder, capture_output=True, check=False)


def files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize("module", ["tiepoint.cli.app", "typer.core"])
def test_a_stop_while_the_command_line_is_imported(tmp_path, module):
    done = python(ASKS_AT_IMPORT.format(module=module, name="SIGINT", first=""), "demo", "--once", "d", folder=tmp_path)
    assert (done.returncode, done.stdout) == (130, b"")
    assert done.stderr.endswith(SENTENCE)
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("module", "name"),
    [
        ("numpy", "SIGINT"),
        ("numpy._core.multiarray", "SIGTERM"),
        ("PIL._imaging", "SIGINT"),
        ("cv2", "SIGTERM"),
        ("scipy.optimize", "SIGINT"),
        ("numba", "SIGINT"),
    ],
)
def test_a_stop_while_modules_are_imported(tmp_path, module, name):
    # Modules in C print an exception that comes to them from another's import, and raise one of their own instead.
    first = WORKS.format(work=f"import {module}")
    done = python(ASKS_AT_IMPORT.format(module=module, name=name, first=first), folder=tmp_path)
    assert (done.returncode, done.stderr, done.stdout) == (CODES[name], SENTENCE, b"")


def asks_at_call(where: str, before: str = "pass", times: int = 1, name: str = "SIGINT") -> str:
    return ASKS_AT_CALL.format(where=where, before=before, times=times, signal=name)


@pytest.mark.parametrize("times", [1, 5])
@pytest.mark.parametrize("name", CODES)
def test_a_stop_while_a_file_is_written_leaves_the_old_ones(tmp_path, name, times):
    assert python("from tiepoint.cli.main import main; main()", *DRAW, folder=tmp_path).returncode == 0
    before = files(tmp_path)
    other = [word.replace("9", "8") for word in DRAW]
    done = python(asks_at_call("os, 'fsync'", times=times, name=name), *other, folder=tmp_path)
    assert (done.returncode, done.stderr, done.stdout) == (CODES[name], SENTENCE, b"")
    assert files(tmp_path) == before


def test_a_stop_while_files_are_moved_waits_until_all_of_them_are(tmp_path):
    assert python("from tiepoint.cli.main import main; main()", *DRAW, folder=tmp_path).returncode == 0
    before = files(tmp_path)
    # Once between the first two: what is drawn belongs together. Whether the rest of the command is done is its race.
    other = [word.replace("9", "8") for word in DRAW]
    code = asks_at_call("pathlib.Path, 'replace'", before="import time").replace(
        "    return real", "    time.sleep(0.2)\n    return real"
    )
    done = python(code, *other, folder=tmp_path)
    after = files(tmp_path)
    assert (done.returncode, done.stderr) in ((130, SENTENCE), (0, b""))
    assert sorted(after) == sorted(before)
    assert all(after[name] != before[name] for name in after)


def test_a_stop_that_a_finalizer_swallows_is_asked_for_again(tmp_path):
    loud = "class Loud: __del__ = lambda self: signal.raise_signal(signal.SIGINT)"
    work = WORKS.format(work="Loud()")
    code = f"import signal, sys\n{loud}\n{work}\nfrom tiepoint.cli.main import main\nsys.exit(main())"
    done = python(code, folder=tmp_path)
    assert (done.returncode, done.stderr, done.stdout) == (130, SENTENCE, b"")


def test_a_stop_waits_for_the_class_that_compiled_code_returns(tmp_path):
    # What Numba compiles dies of an exception there: it asks for the class of a named tuple and does not check it.
    (tmp_path / "pairs.py").write_text(RETURNS_A_TUPLE, encoding="utf-8")
    work = WORKS.format(work="import pairs; sys.setprofile(ask); pairs.pair()")
    done = python(f"{ASKS_AT_CLASS}\n{work}\nfrom tiepoint.cli.main import main\nsys.exit(main())", folder=tmp_path)
    assert (done.returncode, done.stderr, done.stdout) == (130, SENTENCE, b"")


def test_with_json_a_stop_is_an_object_too(tmp_path):
    done = python(asks_at_call("os, 'fsync'"), *DRAW, "--json", folder=tmp_path)
    assert (done.returncode, json.loads(done.stdout)["error"]["kind"]) == (130, "Stopped")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows ends what it terminates without asking")
class TestFromOutside:
    """Signals sent to the program by another, at work."""

    def test_the_demo(self, tmp_path):
        with start("demo", "--once", "demo", folder=tmp_path) as running:
            for line in running.stderr:
                if b"Photographing the target" in line:
                    break
            said = stop(running, "SIGTERM")
        assert running.returncode == 143
        assert said.endswith(SENTENCE)
        assert b"Traceback" not in said
        assert not list(tmp_path.rglob("*.part"))
        for path in (tmp_path / "demo").rglob("*.json"):
            json.loads(path.read_text(encoding="utf-8"))

    def test_a_run_keeps_the_records_of_the_shots_before(self, tmp_path, recipe_file):
        save_png(tmp_path / "shot.png", np.full((480, 640), 90, np.uint8))
        kept = tmp_path / "out" / "records.jsonl"
        with start("run", recipe_file.name, *["shot.png"] * 2000, "--out", "out", folder=tmp_path) as running:
            while not (kept.exists() and kept.read_bytes().count(b"\n") >= 3):
                assert running.poll() is None
                time.sleep(0.01)
            said = stop(running, "SIGINT")
        assert (running.returncode, said) == (130, SENTENCE)
        records = [json.loads(line)["seq"] for line in kept.read_text(encoding="utf-8").splitlines()]
        rows = kept.with_suffix(".csv").read_text(encoding="utf-8-sig").splitlines()[1:]
        assert 3 <= len(records) < 2000
        assert records == list(range(1, len(records) + 1))
        assert [int(row.partition(",")[0]) for row in rows] == records
        assert not list(tmp_path.rglob("*.part"))

    def test_what_was_started_to_outlive_its_terminal_does(self, tmp_path):
        # As nohup does it: a signal that is ignored when a program starts stays so (POSIX.1-2017, exec).
        code = "import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN)\n" + asks_at_call(
            "os, 'fsync'", name="SIGHUP"
        )
        assert python(code, *DRAW, folder=tmp_path).returncode == 0
        assert python(asks_at_call("os, 'fsync'", name="SIGHUP"), *DRAW, folder=tmp_path).returncode == 129


def start(*words: str, folder: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "tiepoint.cli.main", *words]
    return subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


def stop(running: subprocess.Popen[bytes], name: str) -> bytes:
    """Send a signal, and again as who is impatient does; return what the program said from then on."""
    for _ in range(3):
        with suppress(ProcessLookupError):
            running.send_signal(getattr(signal, name))
        time.sleep(0.02)
    said = running.stderr.read()
    running.wait()
    return said
