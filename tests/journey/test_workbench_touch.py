"""A finger on the picture of a phone: it scrolls the page while the picture shows whole, and moves the picture else."""

import pytest
from tests.helpers.looked_at import PHONE, Looked
from tests.helpers.served import Served, commit, keep_picture, new_station
from tests.helpers.workbench import browser_for_pages

browser = pytest.fixture(scope="module")(browser_for_pages)


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    folder = new_station(tmp_path_factory.mktemp("touch") / "plates")
    (seq,) = commit(folder, 1)
    keep_picture(folder, seq)
    with Served(folder) as running:
        yield running


class Fingers:
    """Fingers on a page, as a touch screen tells of them: the browser itself makes scrolling of it, or not."""

    def __init__(self, page):
        self.page, self.wire = page, page.context.new_cdp_session(page)

    def _tell(self, kind, points):
        told = [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(points)]
        self.wire.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": told})

    def move(self, begins, ends, steps=12):
        """Lay fingers down, move each to its end, and lift them."""
        self._tell("touchStart", begins)
        for k in range(1, steps + 1):
            self._tell("touchMove", [
                (a[0] + (b[0] - a[0]) * k / steps, a[1] + (b[1] - a[1]) * k / steps)
                for a, b in zip(begins, ends, strict=True)
            ])  # fmt: skip
        self._tell("touchEnd", [])
        # Two frames later all that it caused is drawn.
        self.page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")

    def scrolled(self):
        return self.page.evaluate("window.scrollY")

    def view(self):
        """Return scale and place of the picture, as the drawing over it has them."""
        lies = self.page.locator(".picture svg.over > g").evaluate(
            "el => { const m = el.transform.baseVal.consolidate().matrix; return [m.a, m.e, m.f]; }"
        )
        return lies[0], lies[1:]


def test_one_finger_scrolls_past_a_whole_picture_two_zoom_it_and_one_moves_it_then(served, browser):
    with Looked(browser, PHONE) as looked:
        page = looked.open(served, "/evidence").page
        page.locator(".picture svg.over > g").wait_for(state="attached")
        page.locator(".picture").scroll_into_view_if_needed()
        fingers, box = Fingers(page), page.locator(".picture canvas").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        whole, begun = fingers.view(), fingers.scrolled()

        fingers.move([(x, y)], [(x, y - 150)])
        assert fingers.scrolled() > begun + 60, "the page is to scroll under a finger on a picture that shows whole"
        assert fingers.view() == whole

        page.locator(".picture").scroll_into_view_if_needed()
        at, box = fingers.scrolled(), page.locator(".picture canvas").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        fingers.move([(x - 30, y), (x + 30, y)], [(x - 90, y), (x + 90, y)])
        close = fingers.view()
        assert close[0] == pytest.approx(3 * whole[0], rel=0.1), "two fingers, three times as far apart, zoom by three"
        assert page.evaluate("visualViewport.scale") == 1, "the picture is zoomed, and not the page"
        looked.keep("touch-close")

        fingers.move([(x, y)], [(x + 40, y - 50)])
        scale, place = fingers.view()
        assert scale == close[0]
        assert [b - a for a, b in zip(close[1], place, strict=True)] == pytest.approx([40, -50], abs=6)
        assert fingers.scrolled() == at, "the page stays where it is while the picture is moved"

        fingers.move([(x - 90, y), (x + 90, y)], [(x - 10, y), (x + 10, y)])
        assert fingers.view()[0] == pytest.approx(whole[0])
        fingers.move([(x, y)], [(x, y + 150)])
        assert fingers.scrolled() < at or at == 0, "whole again, it lets the page scroll"
        looked.is_sound()
