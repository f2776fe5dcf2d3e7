"""Somebody at a browser before a station's pages: what they do is counted, and what the pages do wrong is kept."""

import os
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from tests.helpers.browsers import headless

from tiepoint.web.page import app_files
from tiepoint.web.users import User, hashed, token_sha, write_users

DESK, PHONE = (1440, 900), (390, 844)
PASSWORD = "a long way to the hinge"


def let_in(folder: Path) -> None:
    """Make the users `change` and `look` of a station, both with the password."""
    kept = hashed(PASSWORD)
    write_users(folder / "private" / "users.json", [User(n, n, kept, token_sha(n)) for n in ("change", "look")])


def browser_for_pages():
    """Yield a browser, for a fixture; skip where the pages are not built."""
    if not app_files():
        pytest.skip("the pages are not built (python hatch_build.py)")
    with headless() as found:
        yield found


class Person:
    """Somebody at a browser, whose acts are counted: a press, or a field that is filled. `name`: of what is kept."""

    name = "page"

    def __init__(self, browser, served, size=DESK, scheme="light", **how):
        self.served, self.host, self.acts, self.wrong, self.left = served, "", 0, [], []
        viewport = {"width": size[0], "height": size[1]}
        self.context = browser.new_context(viewport=viewport, color_scheme=scheme, **how)
        self.page = self.context.new_page()
        self.page.set_default_timeout(60_000)
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("console", lambda said: self.wrong.append(said.text) if "Content Security" in said.text else None)
        self.page.on("request", lambda r: self._asked(r.url))

    def _asked(self, url):
        # Where no station was named, it is the one that is asked first.
        self.host = self.host or (self.served.host if self.served else urlsplit(url).netloc)
        if not url.startswith((f"http://{self.host}/", "data:", "blob:", "about:")):
            self.left.append(url)

    def open(self, path):
        self.page.goto(f"http://{self.served.host}{path}")
        return self

    def log_in(self, name="change", password=PASSWORD):
        self.page.get_by_role("button", name="Log in").first.click()
        dialog = self.page.get_by_role("dialog", name="Log in")
        dialog.get_by_label("Name").fill(name)
        dialog.get_by_label("Password").fill(password)
        dialog.get_by_role("button", name="Log in").click()
        self.page.get_by_role("button", name=name, exact=True).wait_for()
        return self

    def click(self, name, **how):
        self.page.get_by_role("button", name=name, **how).first.click()
        self.acts += 1

    def fill(self, label, text):
        self.page.get_by_label(label).first.fill(text)
        self.acts += 1

    def barriers(self):
        """Return what keeps somebody from using the page without eyes or a mouse, by axe-core (WCAG 2.1 AA)."""
        from axe_playwright_python.sync_playwright import Axe

        # Run in the browser's own context: the pages' policy lets no script of others in.
        only = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"], "resultTypes": ["violations"]}
        found = Axe().run(self.page, options=only).response["violations"]
        return [f"{one['id']}: {node['html'][:160]}" for one in found for node in one["nodes"]]

    def overflows(self):
        """Return by how many px the page can be scrolled sideways."""
        return self.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")

    def keep(self, what):
        """Keep a screenshot where somebody wants to look at it."""
        if folder := os.environ.get("TIEPOINT_SHOTS"):
            Path(folder).mkdir(parents=True, exist_ok=True)
            place = Path(folder) / "-".join(filter(None, (self.name, f"{what}.png")))
            self.page.screenshot(path=place, full_page=self.page.viewport_size["width"] < 600)

    def done(self):
        self.context.close()
        assert self.wrong == []
        assert self.left == []
