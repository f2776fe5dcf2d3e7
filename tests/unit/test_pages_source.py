"""The pages' sources: their types, against the routes as they are documented, and their pure functions."""

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

from tiepoint.web.app import openapi

ROOT = Path(__file__).resolve().parents[2]
APP = ROOT / "app"


def npm(*words: str) -> str:
    done = subprocess.run(
        [sys.executable, ROOT / "hatch_build.py", *words], capture_output=True, text=True, encoding="utf-8", check=False
    )
    told = done.stdout + done.stderr
    assert done.returncode == 0, told
    return told


@pytest.fixture(scope="module")
def tools():
    """What the pages are built with, in one process at a time."""
    if not (APP / "node_modules" / ".package-lock.json").is_file():
        npm("ci", "--no-audit", "--no-fund")


def test_the_pages_ask_only_for_what_the_routes_give(tools):
    described = [APP / "openapi.json", APP / "src" / "api" / "schema.d.ts"]
    for path in described:
        path.unlink(missing_ok=True)  # as in a fresh clone
    assert "0 errors and 0 warnings" in npm("run", "check")
    assert json.loads(described[0].read_text(encoding="utf-8")) == json.loads(json.dumps(openapi()))
    assert described[1].is_file()


def test_what_pages_work_out_themselves_is_right(tools):
    assert "passed" in npm("run", "test")


def test_the_built_pages_belong_to_these_sources():
    spec = importlib.util.spec_from_file_location("hatch_build", ROOT / "hatch_build.py")
    hook = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(hook)
    assert hook.is_built(), "the pages that the package carries are of older sources; run hatch_build.py"
