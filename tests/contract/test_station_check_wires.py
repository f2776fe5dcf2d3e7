"""What `check` says of a station's wires: all at once, each with its line of station.toml."""

import socket

import pytest
from tests.helpers.plain_bore import plain_tie
from tests.helpers.vent_station import new_station

from tiepoint.station.accepted import accept, draft_of
from tiepoint.station.check import check
from tiepoint.station.folder import open_station


@pytest.fixture
def vent(tmp_path):
    made = new_station(tmp_path / "station", plain_tie())
    station = open_station(made.folder)
    accept(station, [draft_of(station, made.recipe)], who="M. Weiss", why="first")
    return made


def told(vent, wires, ports=False):
    """Return what is said of the wires, with the number of its line counted from theirs."""
    toml = vent.folder / "station.toml"
    before = toml.read_text()
    toml.write_text(before + wires)
    lines = before.count("\n")
    found = check(vent.folder, ports=ports)
    return [(f.line - lines, f.says) for f in found if f.file == "station.toml" and "wires" in f.says]


def test_a_mapped_reading_that_does_not_exist_is_told_with_its_line(vent):
    wires = """[[wires.modbus]]
name = "controller"
port = 0
[[wires.map]]
reading = "bore diameter"
at = 40
as = "f32"
[[wires.map]]
reading = "bore diametre"
at = 41
as = "u16"
[[wires.webhook]]
name = "hook"
url = "https://web.example/x"
secret_file = "none"
"""
    assert told(vent, wires) == [
        (9, 'wires.map[1].reading is "bore diametre", which no accepted recipe gives; did you mean "bore.diameter"?'),
        (8, "wires.map[1] (bore diametre) takes register 41, which wires.map[0] (bore diameter) has"),
        (
            14,
            'wires.webhook[0].url is "https://web.example/x", which wires.allowed does not allow; add its beginning',
        ),
        (15, f'wires.webhook[0].secret_file is "none", which is no file in {vent.folder}'),
    ]


def test_what_a_register_cannot_hold_is_told_with_its_line(vent):
    wires = """[[wires.modbus]]
name = "controller"
port = 0
[[wires.map]]
reading = "bore diameter"
at = 40
as = "u16"
scale = 1000000
[[wires.robot]]
name = "arm"
port = 0
grip = "plate"
"""
    (scale, grip) = told(vent, wires)
    assert scale[0] == 8
    assert scale[1].startswith("wires.map[0].scale makes ")
    assert grip == (12, 'wires.robot[0].grip is "plate", which no accepted recipe has; none of them has a grip')


def test_a_port_in_use_is_told_with_its_line(vent):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        wires = f'[[wires.robot]]\nname = "arm"\nport = {port}\n'
        assert told(vent, wires, ports=True) == [
            (3, f"wires.robot[0].port: port {port} of 127.0.0.1 is in use by another program; end what has it, or give "
                "another"),
        ]  # fmt: skip
    assert [f for f in check(vent.folder, ports=True) if "wires" in f.says] == []
