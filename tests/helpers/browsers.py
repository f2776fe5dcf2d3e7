"""A real browser for tests of pages: the system's Chromium, headless."""

import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import pytest


@contextmanager
def headless(options: Sequence[str] = ("--no-sandbox",)) -> Iterator[Any]:
    """Open Chromium for as long as the block runs; skip the test where none is installed."""
    playwright = pytest.importorskip("playwright.sync_api")
    found = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if found is None:
        pytest.skip("no Chromium is installed (apt-get install chromium)")
    with playwright.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=found, args=list(options))
        yield browser
        browser.close()
