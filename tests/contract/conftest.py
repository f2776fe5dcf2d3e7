"""The real command line, in this process, and small documents to feed it."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from tests.helpers.plain_bore import plain_tie, write_recipe, write_tie
from tests.helpers.vent_station import Vent, new_station

from tiepoint.cli.main import main
from tiepoint.ties.tie import Tie


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


@pytest.fixture
def cli(capsys) -> Callable[..., Said]:
    """Return a function that runs the command line with the words given."""

    def run(*words: str | Path) -> Said:
        capsys.readouterr()
        code = main([str(word) for word in words])
        out, err = capsys.readouterr()
        return Said(code, out, err)

    return run


@pytest.fixture(name="plain_tie")
def _plain_tie() -> Tie:
    """Return the plain tie."""
    return plain_tie()


@pytest.fixture
def tie_file(tmp_path) -> Path:
    """Return the file of the plain tie."""
    return write_tie(tmp_path)


@pytest.fixture
def recipe_file(tmp_path, tie_file) -> Path:
    """Return the file of a recipe of one bore, beside the tie that it names."""
    return write_recipe(tmp_path)


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
