"""Big things in the browser: a picture of 100 MP, and a ledger of 50,000 records (a million: benchmarks)."""

import os
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from tests.helpers.long_ledger import Auditor, fill
from tests.helpers.looked_at import DESK, Looked
from tests.helpers.served import new_station
from tests.helpers.workbench import browser_for_pages, let_in

WIDE, HIGH = 12_000, 8_400
DOT = (9001, 6003)
"""A white pixel of the big picture; all round it are others of its own grey."""
RECORDS = 50_000

browser = pytest.fixture(scope="module")(browser_for_pages)


@contextmanager
def served(folder: Path):
    """Serve a station as its user does, in a process of its own, whose memory can be told."""
    words = [sys.executable, "-m", "tiepoint.web", str(folder), "--port", "0"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        try:
            port = int(process.stdout.readline().strip().rstrip("/").rpartition(":")[2])
            yield SimpleNamespace(host=f"127.0.0.1:{port}", pid=process.pid)
            assert process.poll() is None
        finally:
            process.terminate()


def memory_mb(pid: int, what: str) -> float:
    """Return what a process holds (`VmRSS`) or held at most (`VmHWM`) in MB; Linux, proc(5)."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(what)) / 1000


def big_picture(path: Path) -> Path:
    """Write 100 MP: grey by columns of 3 px, and one white pixel."""
    row = np.repeat(np.arange(WIDE // 3) % 100 + 40, 3).astype(np.uint8)
    pixels = np.tile(row, (HIGH, 1))
    pixels[DOT[1], DOT[0]] = 255
    cv2.imwrite(str(path), pixels, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return path


class Hand:
    """A hand at the picture of a page."""

    def __init__(self, page):
        self.page = page

    def view(self):
        """Return scale and place of the picture in its map, as what is drawn over it has them."""
        return self.page.locator(".picture svg.over > g").evaluate(
            "el => { const m = el.transform.baseVal.consolidate().matrix; return [m.a, m.e, m.f]; }"
        )

    def at(self, px):
        """Return where the middle of a pixel is on the screen."""
        box, (scale, x, y) = self.page.locator(".picture canvas").bounding_box(), self.view()
        return box["x"] + x + scale * px[0], box["y"] + y + scale * px[1]

    def grey(self, px):
        """Return what is drawn in the middle of a pixel."""
        scale, x, y = self.view()
        return self.page.locator(".picture canvas").evaluate(
            "(el, [x, y]) => el.getContext('2d').getImageData(Math.round(x), Math.round(y), 1, 1).data[0]",
            [x + scale * px[0], y + scale * px[1]],
        )

    def until_grey(self, px, due, within=0):
        """Wait until a pixel is drawn as it is: its tile has come."""
        self.page.wait_for_function(
            """([px, due, within]) => {
                const m = document.querySelector('.picture svg.over > g').transform.baseVal.consolidate().matrix;
                const ctx = document.querySelector('.picture canvas').getContext('2d');
                const drawn = ctx.getImageData(Math.round(m.e + m.a * px[0]), Math.round(m.f + m.a * px[1]), 1, 1).data;
                return drawn[3] === 255 && Math.abs(drawn[0] - due) <= within;
            }""",
            arg=[list(px), due, within],
        )

    def zoom_to_pixels(self, px):
        """Turn the wheel over a pixel until it is as large as it gets."""
        while (before := self.view()[0]) < 63.9:
            self.page.mouse.move(*self.at(px))
            self.page.mouse.wheel(0, -400)
            self.page.wait_for_function(
                "was => document.querySelector('.picture svg.over > g').transform.baseVal.consolidate().matrix.a > was",
                arg=before,
            )


def grey_of(px):
    """Return the grey that a pixel of the big picture has."""
    return 255 if tuple(px) == DOT else px[0] // 3 % 100 + 40


def test_a_picture_of_100_mp_is_looked_at_to_its_pixels(browser, tmp_path):
    folder = new_station(tmp_path / "plates")
    let_in(folder)
    picture = big_picture(tmp_path / "big.png")
    with served(folder) as station, Looked(browser, DESK) as looked:
        page = looked.open(station, "/tie").page
        looked.log_in()
        page.locator(".trav a[aria-current=page]").wait_for()
        before = memory_mb(station.pid, "VmRSS") if os.name == "posix" else 0.0
        page.locator("input[type=file]").first.set_input_files(picture)
        hand = Hand(page)
        page.locator(".picture canvas").wait_for()
        # Reduced by 16 and more it is the mean of many: what its columns come to, and no tile is missing.
        for px in ((600, 500), (11_400, 500), (6000, 4200), (600, 7900), (11_400, 7900)):
            hand.until_grey(px, 90, within=50)
        looked.keep("big-whole")
        hand.zoom_to_pixels(DOT)
        for px in (DOT, (DOT[0] + 1, DOT[1]), (DOT[0] - 2, DOT[1] + 1), (DOT[0] + 2, DOT[1] - 2)):
            hand.until_grey(px, grey_of(px))
        looked.keep("big-pixels")
        box = page.locator(".picture canvas").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        for k in range(4):
            page.mouse.move(x, y)
            page.mouse.down()
            page.mouse.move(x - 200, y + 100 * (-1) ** k, steps=10)
            page.mouse.up()
        there = (DOT[0] + 12, DOT[1])
        hand.until_grey(there, grey_of(there))
        assert hand.grey(there) == grey_of(there)
        page.keyboard.press("0")
        hand.until_grey((11_400, 7900), 90, within=50)
        assert page.get_by_role("alert").count() == 0
        if os.name == "posix":
            most, now = (memory_mb(station.pid, what) - before for what in ("VmHWM", "VmRSS"))
            print(f"server: at most {most:.0f} MB more, {now:.0f} MB at the end, for a picture of 101 MB")
            assert most < 5 * WIDE * HIGH / 1e6, "no more than a few copies of it are ever held"
        looked.is_sound()


@pytest.fixture(scope="module")
def long(tmp_path_factory):
    """A station with a long ledger."""
    folder = tmp_path_factory.mktemp("long") / "vents"
    folder.mkdir()
    (folder / "station.toml").write_text('format = "tiepoint/station/1"\nname = "vents"\n', encoding="utf-8")
    fill(folder / "ledger.sqlite", RECORDS)
    return folder


def test_a_long_ledger_is_looked_through_and_says_what_sql_says(browser, long):
    with served(long) as station, Looked(browser, DESK) as looked:
        Auditor(looked.page, station.host, long / "ledger.sqlite").look_through()
        looked.keep("big-evidence")
        looked.is_sound()
