"""Sections of workbench.py that need a browser (Chromium, headless), or the built pages.

`paint`: each page, in a browser that has nothing of it kept, over loopback: from the request until its head, its stages
and what it is about are drawn. The station has a tie, an accepted recipe, and parts with pictures; every page was asked
for once before, so that Python has read its rooms. `bundle`: scripts and styles of all pages, gzip, without fonts.
`frames`: a picture of 20 MP on the page Tie is panned and zoomed by a mouse; script time by Chrome's own count
(`Performance.getMetrics`), by the frames in which the picture was drawn, in the dearest run of ten moves and in all.
`tie`: from the drop of a photo of 5 MP until the map of the ± is drawn, with the target known.
"""

import gzip
import os
import statistics
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import cv2
import numpy as np
from workbench_duty import below, processor_s  # the benchmark beside this one

from tiepoint.web.page import app_files

STAGES = ("see", "plan", "tie", "light", "recipe", "prove", "duty", "evidence")
DRAWN = {
    "see": ".empty, .picture canvas",
    "tie": ".empty, .picture canvas",
    "light": ".empty, .picture canvas, .map",
    "recipe": ".picture canvas, .empty",
    "duty": ".counts dd",
    "evidence": ".found tbody .choose",
}
"""What a page is about, where it is more than its head and its numbers."""
TWENTY = (5472, 3648)
WHEN_DRAWN = """
(what) => new Promise(done => {
  const look = () => {
    const known = document.querySelectorAll('.trav li:is(.empty, .begun, .proved, .stale)').length;
    const there = known === 8 && document.querySelector('.head h1')
      && document.querySelector('#numbers') && (what === '' || document.querySelector(what));
    // The frame after the next one shows what is there now.
    if (there) requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now())));
    else requestAnimationFrame(look);
  };
  look();
})
"""
COUNTS = """
window.drawn = 0;
const clear = CanvasRenderingContext2D.prototype.clearRect;
CanvasRenderingContext2D.prototype.clearRect = function (...all) { window.drawn += 1; return clear.apply(this, all); };
"""
TIED = """
window.tied = null;
addEventListener('change', (event) => {
  if (event.target.type !== 'file') return;
  const began = performance.now();
  const look = () => document.querySelector('path.cont')
    ? requestAnimationFrame(() => requestAnimationFrame(() => { window.tied = performance.now() - began; }))
    : requestAnimationFrame(look);
  look();
}, true);
"""


@dataclass(frozen=True, slots=True)
class Row:
    """A figure: its name, what it is, what is asked at most and was reached, and the processor time beside it."""

    name: str
    says: str
    asked: float
    reached: float
    unit: str
    cpu: str
    beside: dict[str, Any] = field(default_factory=dict)

    def told(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {**asdict(self), "good": self.reached <= self.asked}


class Spent:
    """The processor time of a server and of a browser's processes, from its making on."""

    def __init__(self, server: int) -> None:
        self._server = server
        self._began = self._now()

    def _now(self) -> tuple[float, float]:
        browser = sum(processor_s(pid) for pid, line in below(os.getpid()).items() if "chrom" in line)
        return processor_s(self._server), browser

    def ms(self) -> tuple[float, float]:
        """Return both in ms."""
        server, browser = (1e3 * (b - a) for a, b in zip(self._began, self._now(), strict=True))
        return server, browser

    def says(self, per: int = 1) -> str:
        """Return both in words, by a number of runs."""
        server, browser = self.ms()
        return f"{server / per:.0f} ms server, {browser / per:.0f} ms browser processor"


@contextmanager
def served(folder: Path) -> Iterator[tuple[str, int]]:
    """Serve a station as its user does; give where, and the process."""
    words = [sys.executable, "-m", "tiepoint.web", str(folder), "--port", "0"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield process.stdout.readline().strip().rstrip("/"), process.pid
        finally:
            process.terminate()


def paint(quick: bool) -> list[Row]:
    """Return a row for each page."""
    import duty_station  # the benchmark beside this one
    from tests.helpers.browsers import headless
    from tests.helpers.served import commit, keep_picture

    rows = []
    with TemporaryDirectory() as scratch:
        folder = duty_station.station(Path(scratch) / "station", window=False, workers=1, waiting=4).folder
        place = folder / "pictures" / "tie"
        place.mkdir(parents=True)
        (place / "photo.png").write_bytes((folder / "taught.png").read_bytes())
        for seq in commit(folder, 5):
            keep_picture(folder, seq)
        with served(folder) as (address, server), headless() as browser:

            def visit(stage: str) -> float:
                context = browser.new_context(viewport={"width": 1440, "height": 900})
                page = context.new_page()
                page.set_default_timeout(120_000)
                page.goto(f"{address}/{stage}", wait_until="commit")
                took = float(page.evaluate(WHEN_DRAWN, DRAWN.get(stage, "")))
                context.close()
                return took

            first = {stage: visit(stage) for stage in STAGES}
            count = 1 if quick else 7
            for stage in STAGES:
                spent = Spent(server)
                took = statistics.median(visit(stage) for _ in range(count))
                beside = {"first of all": round(first[stage])}
                rows.append(Row(f"paint {stage}", "first useful paint", 1000.0, took, "ms", spent.says(count), beside))
    return rows


def bundle(_: bool) -> list[Row]:
    """Return the row of what a browser loads, were it to open every page."""
    files = {name: data for name, data in _built().items() if name.endswith((".js", ".css", ".html", ".svg"))}
    sizes = {name: len(gzip.compress(data, 9)) / 1e3 for name, data in files.items()}
    largest = dict(sorted(sizes.items(), key=lambda one: -one[1])[:5])
    told = {name: f"{size:.1f} kB" for name, size in largest.items()}
    return [Row("bundle", "all pages, gzip, without fonts", 300.0, sum(sizes.values()), "kB", "", told)]


def _built() -> dict[str, bytes]:
    from tiepoint.web import page

    folder = Path(page.__file__).parent / "static" / "app"
    assert app_files(), "the pages are not built (python hatch_build.py)"
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()
    }


def frames(quick: bool) -> list[Row]:
    """Return the row of the script time while a picture of 20 MP is moved."""
    from tests.helpers.browsers import headless
    from tests.helpers.looked_at import DESK, Looked
    from tests.helpers.served import new_station
    from tests.helpers.workbench import PASSWORD, let_in

    with TemporaryDirectory() as scratch:
        folder, photo = new_station(Path(scratch) / "plates"), Path(scratch) / "photo.png"
        let_in(folder)
        y, x = np.mgrid[: TWENTY[1], : TWENTY[0]]
        cv2.imwrite(str(photo), ((x // 7 + y // 5) % 256).astype(np.uint8))
        with served(folder) as (address, server), headless() as browser:
            looked = Looked(browser, DESK)
            page = looked.page
            page.add_init_script(COUNTS)
            page.goto(f"{address}/tie")
            looked.log_in("change", PASSWORD)
            page.locator("input[type=file]").first.set_input_files(photo)
            page.locator(".picture canvas").wait_for()
            wire = page.context.new_cdp_session(page)
            wire.send("Performance.enable")
            _moves(page, lambda: None, 1)  # its tiles come, and scripts are compiled
            spent, told = Spent(server), []

            def counted() -> None:
                found = {one["name"]: one["value"] for one in wire.send("Performance.getMetrics")["metrics"]}
                told.append((page.evaluate("window.drawn"), found["ScriptDuration"], found["TaskDuration"]))

            counted()
            _moves(page, counted, 2 if quick else 12)
            says = spent.says(max(1, told[-1][0] - told[0][0]))
    drawn = told[-1][0] - told[0][0]
    runs = [1e3 * (b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(told) if b[0] > a[0]]
    beside = {
        "in all, ms a frame": round(1e3 * (told[-1][1] - told[0][1]) / max(1, drawn), 2),
        "main thread, ms a frame": round(1e3 * (told[-1][2] - told[0][2]) / max(1, drawn), 2),
        "frames": drawn,
    }
    return [Row("frames", "script a frame, 20 MP panned and zoomed", 8.0, max(runs), "ms", f"{says} a frame", beside)]


def _moves(page: Any, counted: Any, rounds: int) -> None:
    """Zoom in, pan about and zoom out again, by a hand that moves each frame; `counted` after each ten moves."""
    box = page.locator(".picture canvas").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    for k in range(rounds):
        page.mouse.move(x, y)
        for way in (-1, 0, 1):
            if way == 0:
                page.mouse.down()
            for step in range(10):
                if way:
                    page.mouse.wheel(0, 160 * way)
                else:
                    page.mouse.move(x + (20 * step - 90) * (-1) ** k, y + 8 * step)
                page.evaluate("new Promise(requestAnimationFrame)")
            if way == 0:
                page.mouse.up()
            counted()


def tie(quick: bool) -> list[Row]:
    """Return the row of a tie by target, from the drop of its photo to the map."""
    from tests.helpers.browsers import headless
    from tests.helpers.looked_at import DESK, Looked
    from tests.helpers.tie_station import bench, printed, tie_station
    from tests.helpers.workbench import PASSWORD, let_in

    from tiepoint.bench.station import BenchStation
    from tiepoint.documents.pictures import encode_png

    camera = bench() if quick else BenchStation(width_px=2448, height_px=2048, pixel_um=3.45)
    photos = [encode_png(camera.photograph_target(printed(), seed).picture) for seed in range(1, 3 if quick else 9)]
    took = []
    with TemporaryDirectory() as scratch:
        station = tie_station(Path(scratch) / "plates")
        let_in(station.folder)
        station.keep_target()
        with served(station.folder) as (address, server), headless() as browser:
            looked = Looked(browser, DESK)
            page = looked.page
            page.add_init_script(TIED)
            page.goto(f"{address}/tie")
            looked.log_in("change", PASSWORD)
            for k, photo in enumerate(photos):
                if k == 1:  # the first one compiles
                    spent = Spent(server)
                file = {"name": f"photo-{k}.png", "mimeType": "image/png", "buffer": photo}
                page.evaluate("window.tied = null")
                page.locator("input[type=file]").first.set_input_files([file])
                page.wait_for_function("() => window.tied !== null", timeout=120_000)
                took.append(page.evaluate("window.tied"))
                page.locator('button[title="Undo: Tie plane by target"]').click()
                page.locator("path.cont").first.wait_for(state="detached")
            says = spent.says(len(took) - 1)
    beside = {"first": f"{took[0]:.0f} ms", "photo": "1.3 MP" if quick else "5 MP"}
    return [Row("tie", "by target, from drop to map", 1000.0, statistics.median(took[1:]), "ms", says, beside)]
