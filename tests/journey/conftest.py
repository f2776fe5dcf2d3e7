"""Documentation that runs: the console blocks of a page, one after the other, in one folder."""

import contextlib
import io
import re
import shlex
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tiepoint.cli.main import main

NUMBER = re.compile(r"[-−]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")
expect.set_options(timeout=60_000)  # on a busy machine a page is told of an edit after some seconds
RATIO = 0.25
"""Printed figures may differ by this share: noise and platforms differ, and ± has two figures."""


@dataclass(frozen=True)
class Step:
    """One command of a page, the output that stands below it, and the exit code that the page announces."""

    command: str
    shown: tuple[str, ...]
    code: int


def steps(page: str) -> list[Step]:
    """Return the commands of all console blocks; `(exit code N)` in the sentence before a block announces one."""
    found: list[Step] = []
    for block in re.finditer(r"^```console\n(.*?)^```", page, re.MULTILINE | re.DOTALL):
        before = page[: block.start()].rstrip().rsplit("\n\n", 1)[-1]
        announced = re.search(r"exit code (\d)", before)
        lines = block.group(1).splitlines()
        starts = [k for k, line in enumerate(lines) if line.startswith("$ ")]
        for start, end in zip(starts, [*starts[1:], len(lines)], strict=True):
            shown = tuple(line for line in lines[start + 1 : end] if line.strip())
            code = int(announced.group(1)) if announced and start == starts[-1] else 0
            found.append(Step(lines[start][2:], shown, code))
    return found


def words_and_numbers(line: str) -> tuple[str, list[float]]:
    """Return a line without its numbers, and its numbers."""
    numbers = [float(n.replace("−", "-")) for n in NUMBER.findall(line)]
    return " ".join(NUMBER.sub("#", line).split()), numbers


def differs(shown: str, said: str) -> bool:
    """Return whether a line says something else than the page shows."""
    words, numbers = words_and_numbers(shown)
    other_words, others = words_and_numbers(said)
    return words != other_words or any(
        abs(a - b) > RATIO * max(abs(a), abs(b)) + 1e-3 for a, b in zip(numbers, others, strict=True)
    )


def run(step: Step) -> None:
    """Run one command as a shell would, and hold its output to what the page shows of it."""
    program, *words = shlex.split(step.command)
    assert program == "tiepoint", f"a page may run tiepoint alone, not {step.command!r}"
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(words)
    said = (out.getvalue() + err.getvalue()).splitlines()
    assert code == step.code, f"{step.command}: exit code {code}\n" + "\n".join(said)
    for line in step.shown:
        assert any(not differs(line, other) for other in said), (
            f"{step.command}: no line like {line!r} in\n" + "\n".join(said)
        )


@pytest.fixture
def follow(tmp_path, monkeypatch) -> Callable[[Path], None]:
    """Return a function that follows a page in a folder of its own; named TOML and CSV blocks are written first."""
    monkeypatch.chdir(tmp_path)

    def do(page: Path) -> None:
        text = page.read_text(encoding="utf-8")
        for name, content in re.findall(r"`([\w/]+\.(?:toml|csv))`:?\n+```(?:toml|csv)\n(.*?)^```", text, re.M | re.S):
            Path(name).parent.mkdir(parents=True, exist_ok=True)
            Path(name).write_text(content, encoding="utf-8")
        # How the environment is made is tried elsewhere (tests/contract/test_start.py).
        found = [step for step in steps(text) if not step.command.startswith("python start.py")]
        assert found, f"{page} shows no command"
        for step in found:
            run(step)

    return do
