"""Lines of places in TOML, held against positions that a person can count."""

import pytest

from tiepoint.documents.toml_lines import line_of

TEXT = """format = "tiepoint/station/1"
name = "vents"   # a comment

[duty]
deadline_ms = 20

[[wires.map]]
reading = "a"
at = 40

[[wires.map]]
reading = "b"
at.first = 3

[[wires.map.inner]]
x = 1
[[wires.map.inner]]
x = { y = [1, 2] }
[[wires.map]]
[[wires.map.inner]]
x = 7
[web."a b"]
port = 1
"""


@pytest.mark.parametrize(
    ("place", "line"),
    [
        ("name", 2),
        ("duty", 4),
        ("duty.deadline_ms", 5),
        ("wires.map[0].at", 9),
        ("wires.map[1]", 11),
        ("wires.map[1].reading", 12),
        ("wires.map[1].at.first", 13),
        ("wires.map[1].inner[1].x.y[1]", 18),
        ("wires.map[2].inner[0].x", 21),
        ("wires.map[1].missing", 11),
        ('web."a b".port', 23),
        ("nothing", None),
    ],
)
def test_a_place_is_found_on_its_line_or_on_that_of_what_it_is_in(place, line):
    assert line_of(TEXT, place) == line
