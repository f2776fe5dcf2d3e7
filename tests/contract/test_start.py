"""`start.py` before there is an environment: what it calls, and what it says where that fails."""

import ast
import importlib.util
import signal
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def start(tmp_path, monkeypatch):
    """Return the script as a module whose checkout is an empty folder, with no uv on PATH."""
    spec = importlib.util.spec_from_file_location("start", ROOT / "start.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(module, "ROOT", tmp_path)
    monkeypatch.setattr(module, "TOOL", tmp_path / ".tool" / "uv-0")
    monkeypatch.setattr(module.shutil, "which", lambda _: None)
    return module


class Calls:
    """Stands in for subprocess.call: keeps what was called, answers with the codes that it was given."""

    def __init__(self, *codes: int) -> None:
        self.codes = list(codes)
        self.made: list[list[str]] = []
        self.environments: list[dict[str, str] | None] = []

    def __call__(self, command, env=None, **_):
        self.made.append(command)
        self.environments.append(env)
        return self.codes.pop(0) if self.codes else 0


def test_an_old_python_can_read_it():
    text = (ROOT / "start.py").read_text(encoding="utf-8")
    ast.parse(text, feature_version=(3, 8))
    imported = {n.module or "" for n in ast.walk(ast.parse(text)) if isinstance(n, ast.ImportFrom)}
    imported |= {a.name for n in ast.walk(ast.parse(text)) if isinstance(n, ast.Import) for a in n.names}
    assert imported <= sys.stdlib_module_names


@pytest.mark.parametrize(
    ("words", "run"),
    [
        (["demo", "--once", "out"], ["tiepoint", "demo", "--once", "out"]),
        (["test", "-k", "units"], ["pytest", "-k", "units"]),
        (["tie", "probe", "--help"], ["tiepoint", "tie", "probe", "--help"]),
    ],
)
def test_the_words_are_passed_on_and_the_exit_code_comes_back(start, monkeypatch, words, run):
    calls = Calls(0, 7)
    monkeypatch.setattr(start, "pass_on", calls)
    monkeypatch.setattr(start, "own_uv", lambda: "uv")
    monkeypatch.setattr(start.subprocess, "call", calls)
    monkeypatch.setenv("VIRTUAL_ENV", "elsewhere")
    assert start.main(words) == 7
    sync, ran = calls.made
    assert sync[:2] == ["uv", "sync"]
    assert "--frozen" in sync
    # Who only wants to see the demo is spared pytest, mypy and a browser; what is there already stays.
    assert ({"--no-dev", "--inexact"} <= set(sync)) == (words[0] != "test")
    assert ran[:2] == ["uv", "run"]
    assert ran[-len(run) :] == run
    assert all("VIRTUAL_ENV" not in env for env in calls.environments)


TIDY = """
import os, signal, time
signal.signal(signal.SIGTERM, lambda *_: (print("stopped", flush=True), os._exit(143)))
print("up", flush=True)
time.sleep(60)
"""
PLAIN = "import time; print('up', flush=True); time.sleep(60)"
OUTER = """
import os, runpy, sys
started = runpy.run_path(sys.argv[1])
sys.exit(started["pass_on"]([sys.executable, "-c", sys.argv[2]], dict(os.environ), None))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="nothing asks a single process to stop there")
@pytest.mark.parametrize(("child", "code", "says"), [(TIDY, 143, "stopped"), (PLAIN, 128 + signal.SIGTERM, "")])
def test_a_request_to_stop_goes_on_to_what_runs(child, code, says):
    run = [sys.executable, "-c", OUTER, str(ROOT / "start.py"), child]
    with subprocess.Popen(run, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout.readline().strip() == "up"
        running.send_signal(signal.SIGTERM)
        said, _ = running.communicate(timeout=30)
    assert (running.returncode, said.strip()) == (code, says)


def test_without_words_it_explains_itself(start, capsys):
    assert start.main([]) == 2
    assert "python start.py demo" in capsys.readouterr().out


def test_uv_is_fetched_into_the_checkout_and_nowhere_else(start, monkeypatch):
    def call(command, env=None, **_):
        if "--target" in command:
            part = Path(command[command.index("--target") + 1])
            assert start.TOOL.parent == part.parent
            part.mkdir(parents=True)
            assert env["PIP_USER"] == "0"
        return 0

    monkeypatch.setattr(start.subprocess, "call", call)
    start.fetch_uv()
    assert [p.name for p in start.TOOL.parent.iterdir()] == [start.TOOL.name]


@pytest.mark.parametrize(
    ("codes", "said"),
    [((1,), "has no pip"), ((0, 1), "The usual cause is no network")],
)
def test_what_keeps_uv_away_is_said_in_a_sentence(start, monkeypatch, capsys, codes, said):
    monkeypatch.setattr(start.subprocess, "call", Calls(*codes))
    with pytest.raises(SystemExit) as ended:
        start.own_uv()
    assert ended.value.code == 2
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    ("suitable", "said"),
    [(True, "The environment could not be made"), (False, "tiepoint needs a 64-bit CPython 3.11, 3.12 or 3.13")],
)
def test_what_keeps_the_environment_from_being_made_is_said_in_a_sentence(start, monkeypatch, capsys, suitable, said):
    calls = Calls(1, 1)
    monkeypatch.setattr(start.subprocess, "call", calls)
    monkeypatch.setattr(start, "suitable", lambda: suitable)
    with pytest.raises(SystemExit) as ended:
        start.make_environment("uv", {})
    assert ended.value.code == 2
    assert said in capsys.readouterr().err
    assert ("--python" in calls.made[0]) == suitable
    assert [env.get("UV_SYSTEM_CERTS") for env in calls.environments] == [None, "true"]


def test_a_uv_on_the_path_is_used_if_it_runs_and_is_young_enough(start, monkeypatch):
    def uv_that_says(text: str):
        return lambda *_, **__: type("Done", (), {"stdout": text.encode()})

    monkeypatch.setattr(start.shutil, "which", lambda _: "/some/uv")
    for said, used in [("uv 0.13.9 (linux)", True), ("uv 1.0.0", True), ("uv 0.5.31", False), ("not found", False)]:
        monkeypatch.setattr(start.subprocess, "run", uv_that_says(said))
        assert (start.installed_uv() == "/some/uv") == used
