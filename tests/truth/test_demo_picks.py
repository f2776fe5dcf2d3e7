"""The picking cell: plates anywhere, found and gripped by what a person has, held to the cell's exact truth."""

from pathlib import Path

import numpy as np
import pytest

from tiepoint.bench.demo_picks import pick_plates


@pytest.mark.parametrize("seed", [3])
def test_grips_close_where_they_are_said_to(tmp_path: Path, seed: int):
    def place(name: str) -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    story = pick_plates(place, lambda _: None, seed=seed, plates=12)
    assert len(story.picks) == 12
    assert story.wrong == 0
    # All share one taught grip and one robot: they hold together or miss together, at five in a hundred stations.
    assert sum(p.holds for p in story.picks) >= 0.8 * 3 * len(story.picks)
    assert np.median([p.U_mm[0] for p in story.picks]) < 1.0
    assert story.missed < story.shown / 2
    assert (tmp_path / "recipes/pick-plates.plate.shape.json").exists()
