"""The real command line, in this process, and small documents to feed it."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.helpers.vent_station import Vent, new_station

from tiepoint.cli.main import main
from tiepoint.documents.files import write_document
from tiepoint.foundation.sources import Source
from tiepoint.ties.document import to_document
from tiepoint.ties.sensor import Sensor
from tiepoint.ties.tie import PARAMETERS, Tie


@dataclass(frozen=True)
class Said:
    """What a command said, and its exit code."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """The one object on standard output."""
        return json.loads(self.out)

    def is_one_sentence(self) -> bool:
        """Whether standard error holds one line that names no place in the code."""
        lines = self.err.strip().splitlines()
        return len(lines) == 1 and lines[0].startswith("tiepoint: ") and "Traceback" not in self.err


RECIPE = """
format = "tiepoint/recipe/1"
name = "plate"
unit = "mm"
tie = "tie.json"
height = 0.0
u_height = 0.0

[[step]]
name = "bore"
kind = "circle"
region = { ring = { centre = [15, 12], inner = 2, outer = 4 } }
limits.diameter = { lower = 4.4, upper = 4.6 }
"""


@pytest.fixture
def cli(capsys) -> Callable[..., Said]:
    """Return a function that runs the command line with the words given."""

    def run(*words: str | Path) -> Said:
        capsys.readouterr()
        code = main([str(word) for word in words])
        out, err = capsys.readouterr()
        return Said(code, out, err)

    return run


@pytest.fixture
def plain_tie() -> Tie:
    """Return a tie of 0.05 mm/px over 640 × 480 px, origin at the lower left, its scale known to 1e-4."""
    matrix = np.array([[0.05, 0.0, 0.0], [0.0, -0.05, 24.0], [0.0, 0.0, 1.0]])
    factor = np.zeros((len(PARAMETERS), 1))
    factor[:9, 0] = np.array([[0.05, 0.0, 0.0], [0.0, -0.05, 24.0], [0.0, 0.0, 0.0]]).ravel()
    return Tie(
        id="plain",
        made="length",
        from_frame="image",
        to_frame="plane",
        model="similarity",
        matrix=matrix,
        valid_region=np.array([[0.0, 0.0], [600.0, 0.0], [600.0, 479.0], [0.0, 479.0]]),
        sources=(Source("rule", "print scale", "B", 1e-4, "tie"),),
        factor=factor,
        sensor=Sensor(640, 480),
    )


@pytest.fixture
def tie_file(tmp_path, plain_tie) -> Path:
    """Return the file of the plain tie."""
    path = tmp_path / "tie.json"
    write_document(path, "tie", to_document(plain_tie))
    return path


@pytest.fixture
def recipe_file(tmp_path, tie_file) -> Path:
    """Return the file of a recipe of one bore, beside the tie that it names."""
    path = tmp_path / "plate.toml"
    path.write_text(RECIPE, encoding="utf-8")
    return path


@pytest.fixture
def vent(tmp_path, plain_tie) -> Vent:
    """Return a station of bores with its drafts, nothing accepted yet."""
    return new_station(tmp_path / "vent", plain_tie)


@pytest.fixture
def accepted(cli, vent) -> Vent:
    """Return the station with its drafts accepted."""
    assert cli("accept", vent.folder, "--why", "first acceptance", "--who", "M. Weiss").code == 0
    return vent


@pytest.fixture
def judged(cli, accepted) -> Vent:
    """Return the station with three shots judged, of which the third is rejected."""
    assert cli("run", accepted.folder, accepted.shots, "--variant", "thin").code == 1
    return accepted
