"""A page of the workbench as a person has it: acts are counted, what it asks for and complains of is kept."""

import os
import re
from pathlib import Path

import pytest

from tiepoint.web.page import app_files

DESK, PHONE = {"width": 1440, "height": 900}, {"width": 390, "height": 844}
PATIENCE_MS = 120_000


class Looked:
    """A page in a browser. `acts`: clicks, keys and texts so far; `heard`: what it complained of."""

    def __init__(self, browser, size=DESK, scheme="light"):
        if not app_files():
            pytest.skip("the pages are not built (python hatch_build.py)")
        self.context = browser.new_context(
            viewport=size, color_scheme=scheme, locale="en-GB", has_touch=size is PHONE, reduced_motion="reduce"
        )
        self.page = self.context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.acts, self.heard, self.asked = 0, [], []
        self.page.on("pageerror", lambda error: self.heard.append(str(error)))
        self.page.on("dialog", lambda dialog: self.heard.append(dialog.message))
        self.page.on("request", lambda request: self.asked.append(request.url))

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()

    def open(self, served, path):
        self.page.goto(f"http://{served.host}{path}")
        return self

    def click(self, found):
        self.acts += 1
        found.click()

    def type(self, found, text):
        self.acts += 1
        found.fill(text)

    def press(self, key):
        self.acts += 1
        self.page.keyboard.press(key)

    def text(self, where):
        """Return what a person reads there."""
        return re.sub(r"\s+", " ", self.page.locator(where).first.inner_text()).strip()

    def says(self, text):
        """Wait until the page says something."""
        self.page.get_by_text(text).first.wait_for()

    def keep(self, name):
        """Keep a picture of the page where a person can look at it."""
        if folder := os.environ.get("TIEPOINT_SHOTS"):
            Path(folder).mkdir(parents=True, exist_ok=True)
            self.page.screenshot(path=Path(folder) / f"{name}.png", full_page=self.page.viewport_size["width"] < 600)

    def is_sound(self, served):
        """Assert that nothing went wrong unseen, nothing hangs over the edge, and nothing left the machine."""
        assert self.heard == []
        wide = self.page.viewport_size["width"]
        assert self.page.evaluate("document.documentElement.scrollWidth") <= wide
        assert all(url.startswith((f"http://{served.host}/", "data:", "blob:")) for url in self.asked), self.asked


def log_in(looked, name, password):
    """Log a person in by the form."""
    page = looked.page
    looked.click(page.get_by_role("button", name="Log in").first)
    dialog = page.get_by_role("dialog", name="Log in")
    looked.type(dialog.get_by_label("Name"), name)
    looked.type(dialog.get_by_label("Password"), password)
    looked.click(dialog.get_by_role("button", name="Log in"))
    dialog.wait_for(state="hidden")
