"""The how-to on accepting a station: its documents and commands, on a small station of bores."""

from pathlib import Path

import numpy as np
from tests.helpers.vent_station import new_station

from tiepoint.ties.sensor import Sensor
from tiepoint.ties.tie import PARAMETERS, Tie

PATH = Path(__file__).resolve().parents[2] / "docs" / "how-to" / "accept-a-station.md"


def test_the_commands_of_the_page_say_what_it_shows(tmp_path, follow):
    corners = np.array([[0.0, 0.0], [600.0, 0.0], [600.0, 479.0], [0.0, 479.0]])
    matrix = np.array([[0.05, 0.0, 0.0], [0.0, -0.05, 24.0], [0.0, 0.0, 1.0]])
    tie = Tie(
        "plain", "length", "image", "plane", "similarity", matrix, corners,
        factor=np.zeros((len(PARAMETERS), 0)), sensor=Sensor(640, 480),
    )  # fmt: skip
    new_station(tmp_path / "plates", tie)
    follow(PATH)
    assert (tmp_path / "acceptance.pdf").read_bytes().startswith(b"%PDF")
    assert "recompute" in (tmp_path / "acceptance.html").read_text(encoding="utf-8")
