"""The how-to on accepting a station: its documents and commands, on a small station of bores."""

from pathlib import Path

from tests.helpers.plain_bore import plain_tie
from tests.helpers.vent_station import new_station

PATH = Path(__file__).resolve().parents[2] / "docs" / "how-to" / "accept-a-station.md"


def test_the_commands_of_the_page_say_what_it_shows(tmp_path, follow):
    new_station(tmp_path / "plates", plain_tie())
    follow(PATH)
    assert (tmp_path / "acceptance.pdf").read_bytes().startswith(b"%PDF")
    assert "recompute" in (tmp_path / "acceptance.html").read_text(encoding="utf-8")
