"""The station that benchmarks/duty.py puts on duty: its part, its recipe and its pictures, drawn beforehand.

The part is that of benchmarks/recipe.py with a printed Data Matrix on it. It is found by its taught shape, anywhere or
in a window of ±10°; 25 steps measure it in its own frame, and one reads the code in a region there.
"""

import io
import math
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import recipe as bench  # the benchmark beside this one
import tomlkit
import zxingcpp

from tiepoint.cli.app import carry_out
from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import save_png
from tiepoint.station.accepted import accept, draft_of
from tiepoint.station.folder import Station, open_station
from tiepoint.ties.document import to_document

QUALITY = 90
CODE, CODE_AT, CODE_SIDE = "HV-60 4711", (4.7, 10.0), 4.2
WINDOW_DEG, WINDOW_MM = 10.0, 10.0
MIDDLE = (61.0, 51.0)
CAMERA = """
[[camera]]
name = "top"
from = "folder"

[camera.folder]
path = "incoming"
whole = "renamed"
"""

Pose = tuple[float, float, float]


def pose(middle: tuple[float, float], angle: float) -> Pose:
    """Return the pose of the part whose middle lies there."""
    c, s = math.cos(angle), math.sin(angle)
    x, y = bench.SIZE[0] / 2, bench.SIZE[1] / 2
    return middle[0] - c * x + s * y, middle[1] - s * x - c * y, angle


def _code() -> list[Any]:
    """Return the dark runs of cells of the part's code, each a loop in its frame, mm."""
    symbol = np.array(zxingcpp.create_barcode(CODE, zxingcpp.BarcodeFormat.DataMatrix).to_image(scale=1))
    rows, cols = np.nonzero(symbol < 128)
    symbol = symbol[rows.min() : rows.max() + 1, cols.min() : cols.max() + 1] < 128
    cell = CODE_SIDE / len(symbol)
    loops = []
    for j, row in enumerate(symbol):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
        y = CODE_AT[1] + CODE_SIDE / 2 - (j + 0.5) * cell
        for a, b in edges.reshape(-1, 2):
            x = CODE_AT[0] - CODE_SIDE / 2 + (a + b) / 2 * cell
            loops.append(np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) / 2 * ((b - a) * cell, cell) + (x, y))
    return loops


def picture(at: Pose, rng: Any) -> Any:
    """Return the part's picture (rows, columns) at a pose, uint8."""
    used = bench.tie()
    drawn = np.full((bench.ROWS, bench.COLS), bench.DARK)
    place = bench.scenes.placed
    bench.scenes.put(drawn, [used.to_image(loop) for loop in place(bench.part(), *at)], bench.LIGHT, bench.BLUR)
    for run in place(_code(), *at):
        bench.scenes.put(drawn, [used.to_image(run)], bench.DARK, bench.BLUR)
    taken: Any = bench.scenes.taken(drawn, bench.NOISE, rng)
    return taken


def pictures(count: int, *, window: bool) -> list[Any]:
    """Return pictures of the part at as many poses: at any angle, or within the window."""
    rng = np.random.default_rng([60, window])
    reach, turn = (0.8 * WINDOW_MM / 2, math.radians(0.9 * WINDOW_DEG)) if window else (14.0, math.pi)
    made = []
    for _ in range(count):
        middle = (MIDDLE[0] + rng.uniform(-reach, reach), MIDDLE[1] + rng.uniform(-reach, reach))
        made.append(picture(pose(middle, rng.uniform(-turn, turn)), rng))
    return made


def jpeg(pixels: Any) -> bytes:
    """Return the bytes of a picture as a camera gives them."""
    good, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    assert good
    return bytes(data)


def station(folder: Path, *, window: bool, workers: int, waiting: int) -> Station:
    """Make a station whose recipe is accepted, and return it."""
    (folder / "recipes").mkdir(parents=True)
    (folder / "ties").mkdir()
    (folder / "incoming").mkdir()
    (folder / "station.toml").write_text(
        'format = "tiepoint/station/1"\nname = "vents"\n\n[archive]\nencode = "jpeg"\nquality = '
        f"{QUALITY}\n\n[duty]\ndeadline_ms = 60000\nworkers = {workers}\nwaiting = {waiting}\n{CAMERA}"
    )
    write_document(folder / "ties" / "plane.json", "tie", to_document(bench.tie()))
    taught_at = pose(MIDDLE, 0.0)
    shown = {"centre": list(MIDDLE), "size": [bench.SIZE[0] + 4, bench.SIZE[1] + 4]}
    taught = {"region": {"rectangle": shown}, "origin": list(taught_at[:2])}
    find: dict[str, Any] = {"name": "plate", "kind": "find", "taught": taught}
    if window:
        box = {"rectangle": {"centre": list(MIDDLE), "size": [WINDOW_MM, WINDOW_MM]}}
        find |= {"angles_deg": [-WINDOW_DEG, WINDOW_DEG], "region": box}
    steps = [find, *({**step, "in": "plate"} for step in bench.measures())]
    region = {"rectangle": {"centre": list(CODE_AT), "size": [CODE_SIDE + 2, CODE_SIDE + 2]}}
    steps.append({"name": "code", "kind": "code", "in": "plate", "region": region, "symbology": ["data_matrix"],
                  "expected": {"text": CODE}})  # fmt: skip
    head = {"format": "tiepoint/recipe/1", "name": "plate", "unit": "mm", "tie": "../ties/plane.json", "height": 0.0,
            "u_height": 0.0}  # fmt: skip
    path = folder / "recipes" / "plate.toml"
    path.write_text(tomlkit.dumps({**head, "step": steps}))
    shot = folder / "taught.png"
    save_png(shot, picture(taught_at, np.random.default_rng(1)))
    for words in (["teach", str(path), "plate", str(shot)], ["teach", str(path), "code", str(shot)]):
        with redirect_stdout(io.StringIO()):
            code = carry_out([*words, "--json"])
        if code != 0:
            raise SystemExit(f"cannot {' '.join(words)}")
    made = open_station(folder)
    accept(made, [draft_of(made, path)], who="benchmark", why="to be measured")
    return made
