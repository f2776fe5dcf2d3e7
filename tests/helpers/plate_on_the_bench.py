"""A station before the bench: a tie by its printed target, and photographs of hinge plates whose truth is known."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
from PIL import Image

from tiepoint.bench import demo_bench, demo_work
from tiepoint.bench.demo_bench import DemoBench, make_bench
from tiepoint.documents.files import write_document
from tiepoint.station.ledger import Ledger
from tiepoint.ties.document import to_document

SEED = 11
"""Of a bench whose first plate conforms."""


@cache
def bench() -> DemoBench:
    """Return the bench, made once."""
    return make_bench(SEED, 3)


@cache
def _photos() -> tuple[np.ndarray, ...]:
    made = bench()
    return (made.target_photo(), *(made.plate_photo(k) for k in (1, 2, 3)))


def new_station(folder: Path) -> Path:
    """Write a station with the tie of a target and three shots of plates, and no recipe."""
    made, (photo, *plates) = bench(), _photos()
    (folder / "shots" / "plates").mkdir(parents=True)
    (folder / "station.toml").write_text('format = "tiepoint/station/1"\nname = "hinge plates"\n', encoding="utf-8")
    Image.fromarray(photo).save(folder / "target.png")
    target = replace(demo_bench.demo_target(), measured=made.printed.measured("2026-01-05T07:30:00Z"))
    distance = demo_work.distance_value(made.measured_distance_mm, demo_bench.U_DISTANCE_MM)
    tie = demo_work.tie_from_target(folder / "target.png", target, distance)
    write_document(folder / "ties" / "plane.json", "tie", to_document(tie))
    (folder / "target.png").unlink()
    for k, plate in enumerate(plates, 1):
        Image.fromarray(plate).save(folder / "shots" / "plates" / f"plate-{k}.png")
    with Ledger(folder / "ledger.sqlite", create=True):
        pass
    return folder
