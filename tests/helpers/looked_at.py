"""Somebody who acts on what they found on a page, on a telephone too; what goes wrong unseen is told at the end."""

import re

from tests.helpers.workbench import DESK, PHONE, Person

__all__ = ["DESK", "PHONE", "Looked"]

PATIENCE_MS = 120_000
"""For what is compiled when it is first used."""


class Looked(Person):
    """Somebody before a page whose acts are counted: clicks, keys and texts."""

    name = ""

    def __init__(self, browser, size=DESK, scheme="light"):
        super().__init__(
            browser, None, size, scheme, locale="en-GB", has_touch=size == PHONE, reduced_motion="reduce"
        )  # fmt: skip
        self.page.set_default_timeout(PATIENCE_MS)
        self.page.on("dialog", lambda dialog: self.wrong.append(dialog.message))

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()

    def open(self, served, path):
        self.served = served
        return super().open(path)

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

    def is_sound(self):
        """Assert that nothing went wrong unseen, nothing hangs over the edge, and nothing left the machine."""
        assert self.wrong == []
        assert self.left == []
        assert self.overflows() <= 0
