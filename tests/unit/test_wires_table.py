"""What `[wires]` of a station may say, and what is said where it cannot work."""

import tomllib

import pytest

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.station.wires.table import WiresTable, below, faults, listened_to

KNOWN = ("bore A.diameter", "bore B.diameter")


def wires(text):
    return WiresTable.read(tomllib.loads(text), "station.toml: ")


def said(text, known=KNOWN):
    return list(faults(wires(text), known))


CONTROLLER = '[[modbus]]\nname = "controller"\nport = 1502\n'


def mapped(*entries):
    return CONTROLLER + "".join(f"[[map]]\n{e}\n" for e in entries)


def test_a_table_that_works_has_no_fault():
    assert (
        said(mapped('reading = "bore A diameter"\nat = 40\nas = "f32"', 'field = "readings"\nat = 42\nas = "u16"'))
        == []
    )


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (mapped('reading = "bore A diametre"\nat = 40\nas = "f32"'),
         'wires.map[0].reading is "bore A diametre", which no accepted recipe gives; did you mean "bore A.diameter"?'),
        (mapped('reading = "bore A.diameter"\nat = 40\nas = "f32"', 'reading = "bore B.diameter"\nat = 41\nas = "u16"'),
         "wires.map[1] (bore B.diameter) takes register 41, which wires.map[0] (bore A.diameter) has"),
        (mapped('field = "readings"\nat = 40\nas = "u16"\nwire = "control"'),
         'wires.map[0].wire is "control", which is no [[wires.modbus]]; did you mean "controller"?'),
        ('[[map]]\nfield = "readings"\nat = 40\nas = "u16"',
         "wires.map[0] is read by nobody: there is no [[wires.modbus]]; add one, or take it away"),
        (CONTROLLER + '[[robot]]\nname = "arm"\nport = 1502\nbind = "0.0.0.0"\npeers = ["192.0.2.20"]',
         "wires.robot[0].port is 1502, which wires.modbus[0] has on the same interface; give another"),
        (CONTROLLER + '[[robot]]\nname = "controller"\nport = 1503',
         'wires.robot[0].name is "controller", as is wires.modbus[0].name; give each its own'),
        (CONTROLLER + 'bind = "192.0.2.5"\n',
         "wires.modbus[0].bind is 192.0.2.5, and this machine alone may come; name who may in peers, as in peers = "
         '["192.0.2.10"]'),
        ('[[remote_io]]\nname = "a"\nhost = "h"\ngood = 3\n[[remote_io]]\nname = "b"\nhost = "h"\npass = 3\n',
         "wires.remote_io[1].pass is 3, the coil that wires.remote_io[0].good writes on the same I/O station; give "
         "another"),
        ('allowed = ["https://web.example/vents"]\n[[webhook]]\nname = "h"\nurl = "https://web.example/ventsx"\n'
         'secret_file = "s"',
         'wires.webhook[0].url is "https://web.example/ventsx", which wires.allowed does not allow; add its beginning'),
    ],
)  # fmt: skip
def test_each_fault_has_its_place(text, fault):
    assert said(text) == [f"station.toml: {fault}"]


def test_all_faults_are_told_at_once():
    entries = [f'reading = "hole {k}"\nat = 40\nas = "f32"' for k in range(3)]
    assert len(said(mapped(*entries))) == 6


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (CONTROLLER + 'peers = ["192.0.2.300"]', 'modbus[0].peers[0] is "192.0.2.300"; give an address, or a network'),
        (CONTROLLER + 'peers = ["192.0.2.5/28"]', "give an address, or a network as in 192.0.2.0/28"),
        (CONTROLLER + 'bind = "eth0"', 'modbus[0].bind is "eth0"; give the address of one of this machine'),
        (CONTROLLER.replace("1502", "70000"), "modbus[0].port is 70000; choose at most 65535"),
        (CONTROLLER + 'word_order = "big"', 'modbus[0].word_order is "big"; use "high first" or "low first"'),
        (CONTROLLER + "hearbeat_ms = 5", 'modbus[0].hearbeat_ms is not known here; did you mean "heartbeat_ms"?'),
        (mapped('at = 40\nas = "f32"'), "map[0] needs either a reading or a field of the record; give one"),
        (mapped('field = "readings"\nat = 118\nas = "u32"'), "map[0].at is 118, and u32 takes two words"),
        (mapped('field = "readings"\nat = 39\nas = "u32"'), "map[0].at is 39; choose at least 40"),
        (mapped('field = "readings"\nat = 40\nas = "f64"'), 'map[0].as is "f64"; use'),
        (mapped('field = "readings"\nat = 40\nas = "u16"\nscale = 0'), "map[0].scale is 0"),
        ('[[mqtt]]\nname = "m"\nhost = "h"\ntopic = "vents/#"', 'mqtt[0].topic is "vents/#"; give a topic without'),
        ('[[mqtt]]\nname = "m"\nhost = "h"\ntopic = "v"\nca_file = "ca.pem"', "mqtt[0].tls is false, and files"),
        ('[[webhook]]\nname = "h"\nurl = "ftp://x/"\nsecret_file = "s"', 'webhook[0].url is "ftp://x/"; give an'),
        ('[[webhook]]\nname = "h"\nurl = "https://a@b/"\nsecret_file = "s"', "leave out user, password"),
        ('[[remote_io]]\nname = "io"\nhost = "h"', "remote_io[0] names no coil"),
        ('[[remote_io]]\nname = "io"\nhost = "h"\ngood = 1\npass = 1', "remote_io[0] names one coil twice"),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused_in_a_sentence(text, sentence):
    with pytest.raises(UnusableDocument) as refused:
        wires(text)
    assert sentence in str(refused.value)


@pytest.mark.parametrize(
    ("url", "allowed"),
    [
        ("https://h.example/a", True), ("https://h.example/a/b?c=d", True), ("https://h.example:443/a/b", True),
        ("https://h.example/ab", False), ("http://h.example/a/b", False), ("https://h.example:8443/a/b", False),
        ("https://h.example.evil.example/a/b", False), ("https://h.example/a/../b", False),
        ("https://h.example/a/%2e%2e/b", False), ("https://u@h.example/a/b", False), ("https://h.example/A/b", False),
        ("https://h.example@evil.example/a/b", False), ("https://evil.example\\@h.example/a/b", False),
    ],
)  # fmt: skip
def test_only_what_lies_below_an_allowed_address_may_be_called(url, allowed):
    assert below(url, "https://h.example/a/") is allowed


def test_files_that_are_not_there_are_told(tmp_path):
    (tmp_path / "ca.pem").write_text("")
    text = '[[mqtt]]\nname = "m"\nhost = "h"\ntopic = "v"\ntls = true\nca_file = "ca.pem"\nuser_file = "user"\n'
    assert list(faults(wires(text), (), "", tmp_path)) == [
        f'wires.mqtt[0].user_file is "user", which is no file in {tmp_path}'
    ]


def test_the_ports_that_a_station_opens_are_told_with_their_places():
    text = CONTROLLER + '[[robot]]\nname = "arm"\nport = 2100\nbind = "192.0.2.5"\n'
    assert list(listened_to(wires(text))) == [
        ("wires.modbus[0].port", "127.0.0.1", 1502),
        ("wires.robot[0].port", "192.0.2.5", 2100),
    ]
