"""Read a Data Matrix in 1 MP with a pinned preparation, beside zxing-cpp as one would call it on the same picture.

    python benchmarks/marks.py [--json]

`print`: a symbol of flat cells, 14 px each. `dots`: pits on brushed metal (tests/helpers/dotted_marks.py), as a
composite of four lamps shows them. zxing-cpp looks for Data Matrix alone, turned, inverted and shrunk as it does by
itself. Times
are processor times, medians of runs in turn; ratios hold on a busy machine, milliseconds on an idle core.
"""

import argparse
import json
import runpy
import statistics
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import zxingcpp

from tiepoint.vision.mark_read import MarkRequest, read_marks
from tiepoint.vision.mark_rungs import Rung

scenes = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "tests" / "helpers" / "dotted_marks.py")))

SIDE = 1000
GOALS = {"pinned_print_ms": 15.0, "pinned_dots_ms": 15.0}
REQUEST = MarkRequest(("data_matrix",), with_second=False)


def printed() -> tuple[Any, str]:
    """Return a picture of print, and its text."""
    text = "PRINT-4711"
    symbol = np.array(zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.DataMatrix).to_image(scale=14))
    picture = np.full((SIDE, SIDE), 255.0)
    picture[300 : 300 + symbol.shape[0], 420 : 420 + symbol.shape[1]] = symbol
    noise = np.random.default_rng(1).normal(0, 4, picture.shape)
    return np.clip(50 + 0.55 * cv2.GaussianBlur(picture, (0, 0), 1.0) + noise, 0, 255).astype(np.uint8), text


def dotted() -> tuple[Any, str]:
    """Return a composite of pits, and its text."""
    mark = scenes.dotted_mark(
        7, size=(SIDE, SIDE), cell_px=14, noise=1.5, blur=0.8, depth=0.5, texture=0.02, damage=0.0
    )
    return mark.sunken, mark.text


def pinned(picture: Any, rung: Rung) -> str | None:
    """Return what the pinned preparation reads."""
    read = read_marks(lambda _: picture, REQUEST, (rung,))
    return read.marks[0].text if read.marks else None


def plain(picture: Any) -> str | None:
    """Return what zxing-cpp reads by itself."""
    asked = zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.DataMatrix)
    eight = picture if picture.dtype == np.uint8 else (picture >> 8).astype(np.uint8)
    seen = zxingcpp.read_barcodes(eight, asked, text_mode=zxingcpp.TextMode.Plain)
    return seen[0].text if seen else None


def timed(calls: dict[str, Callable[[], Any]], runs: int = 15) -> dict[str, float]:
    """Return the median processor time of each call in ms, in turn."""
    for call in calls.values():
        call()
    times: dict[str, list[float]] = {name: [] for name in calls}
    for _ in range(runs):
        for name, call in calls.items():
            begun = time.process_time()
            call()
            times[name].append(1000 * (time.process_time() - begun))
    return {name: statistics.median(t) for name, t in times.items()}


def figures() -> dict[str, Any]:
    """Return all figures."""
    told: dict[str, Any] = {}
    for name, (picture, text), rung in (
        ("print", printed(), Rung(shrink=4, smooth=1)),
        ("dots", dotted(), Rung(shrink=2, dots="bright")),
    ):
        calls: dict[str, Callable[[], Any]] = {
            "pinned": lambda picture=picture, rung=rung: pinned(picture, rung),
            "plain": lambda picture=picture: plain(picture),
        }
        times = timed(calls)
        told |= {
            f"pinned_{name}_ms": round(times["pinned"], 2),
            f"zxing_{name}_ms": round(times["plain"], 2),
            f"{name}_ratio": round(times["pinned"] / times["plain"], 3),
            f"pinned_{name}_reads": pinned(picture, rung) == text,
            f"zxing_{name}_reads": plain(picture) == text,
        }
    return told


def main() -> None:
    """Print the figures beside the goals."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true")
    told = figures()
    if parser.parse_args().json:
        print(json.dumps(told))
        return
    for name, value in told.items():
        goal = f"   (at most {GOALS[name]:g})" if name in GOALS else ""
        print(f"{name:>20}: {value}{goal}")


if __name__ == "__main__":
    main()
