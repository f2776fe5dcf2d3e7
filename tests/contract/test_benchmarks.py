"""Every benchmark still begins: what it imports is there, and its help says what it measures and against what."""

import runpy
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "benchmarks"
PARTS = {"duty_station.py", "timing.py", "workbench_pages.py"}
"""What others are made of."""
SCRIPTS = sorted(path.name for path in FOLDER.glob("*.py") if path.name not in PARTS)


@pytest.mark.parametrize("name", SCRIPTS)
def test_it_begins_and_says_what_it_measures(name, monkeypatch, capsys):
    monkeypatch.syspath_prepend(str(FOLDER))
    monkeypatch.setattr(sys, "argv", [name, "--help"])
    with pytest.raises(SystemExit) as ended:
        runpy.run_path(str(FOLDER / name), run_name="__main__")
    assert ended.value.code == 0
    assert f"usage: {name}" in capsys.readouterr().out


def test_all_are_named_with_what_they_compare():
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert [name for name in SCRIPTS if f"`{name}`" not in page] == []
