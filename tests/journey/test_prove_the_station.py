"""The how-to on proving a station: its tables and commands."""

from pathlib import Path
from xml.etree import ElementTree

PATH = Path(__file__).resolve().parents[2] / "docs" / "how-to" / "prove-the-station.md"


def test_the_commands_of_the_page_say_what_it_shows(tmp_path, follow):
    follow(PATH)
    for name in ("block", "loads", "steps", "golden"):
        assert ElementTree.parse(tmp_path / f"{name}.svg").getroot().tag.endswith("svg")
