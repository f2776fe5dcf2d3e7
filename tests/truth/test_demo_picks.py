"""The picking cell: plates anywhere, found and gripped by what a person has, held to the cell's exact truth."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tiepoint.bench.demo_bench import CAMERA_VIEWS, make_bench
from tiepoint.bench.demo_picks import pick_plates, set_up
from tiepoint.bench.demo_prove import Views, prove_robot
from tiepoint.bench.demo_work import camera_from_views
from tiepoint.documents.pictures import save_png
from tiepoint.targets.paper import apply_measure


def within(folder: Path) -> Callable[[str], Path]:
    def place(name: str) -> Path:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    return place


@pytest.mark.parametrize("seed", [3])
def test_grips_close_where_they_are_said_to(tmp_path: Path, seed: int):
    story = pick_plates(set_up(within(tmp_path), lambda _: None, seed=seed), lambda _: None, plates=12)
    assert len(story.picks) == 12
    assert story.wrong == 0
    # All share one taught grip and one robot: they hold together or miss together, at five in a hundred stations.
    assert sum(p.holds for p in story.picks) >= 0.8 * 3 * len(story.picks)
    assert np.median([p.U_mm[0] for p in story.picks]) < 1.0
    assert story.missed < story.shown / 2
    assert (tmp_path / "recipes/pick-plates.plate.shape.json").exists()


def test_the_robot_is_proved_beside_its_truth(tmp_path: Path):
    place, bench = within(tmp_path), make_bench(7, 1)
    photos = tuple(place(f"view-{n}.png") for n in range(1, CAMERA_VIEWS + 1))
    for n, path in enumerate(photos, 1):
        save_png(path, bench.view_photo(n))
    printed = bench.paper
    rows = printed.reading_x_mm, printed.reading_y_mm, printed.u_mm
    target = apply_measure(printed.target, *rows, printed.rule.name, "2026-11-25")
    told = prove_robot(
        set_up(place, lambda _: None, seed=7), Views(bench, photos, target, camera_from_views(list(photos), target))
    )
    # The controller's tool point is wrong by 0.52 mm, and is found to some hundredths.
    assert np.hypot(*np.subtract(told.tool.found_mm, told.tool.true_mm)) < 0.1
    assert told.tool.holds
    # The verdict on the tie is that of the truth over its whole region.
    assert told.touch.good == (told.touch.true_worst_mm <= told.touch.tolerance_mm)
    # Ten intervals for AP and RP: two misses in ten are rarer than one in ten.
    assert sum(p.holds for p in told.poses) >= 8
    # Where the camera sits on the flange, U for its worst axis; ours is no worse than OpenCV's best on the same poses.
    assert told.eye.off_mm < 2.0 * told.eye.U_mm
    assert told.eye.unseen_mm <= 1.1 * told.eye.others_mm[0]
    assert (tmp_path / "robot/cycles.csv").exists()
