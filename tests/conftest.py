"""What all tests share: real photographs, and the rule that nothing skips in CI."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

IN_CI = os.environ.get("CI", "").lower() in ("1", "true")

# A busy machine is no fault of the code, so nothing has a deadline; in CI every run tries the same examples.
settings.register_profile("here", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if IN_CI else "here")


@pytest.fixture(scope="session")
def photos() -> Path:
    """Return the folder of real photographs that `TIEPOINT_DATA` names (docs/reference/test-data.md)."""
    named = os.environ.get("TIEPOINT_DATA")
    if not named or not Path(named).is_dir():
        pytest.skip("TIEPOINT_DATA does not name the folder of real photographs (docs/reference/test-data.md)")
    return Path(named)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator[None]:
    report = yield
    return _no_skip(report)


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector: pytest.Collector) -> Iterator[None]:
    report = yield
    return _no_skip(report)


def _no_skip(report):
    """Return the report; in CI a skip is a failure, because nobody reads a skip there."""
    if IN_CI and report.outcome == "skipped" and not hasattr(report, "wasxfail"):
        said = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"nothing skips in CI, and this did: {said}"
    return report
