"""A controller at the register map: the other side is pymodbus, or a bare socket."""

import contextlib
import math
import socket
import struct
import zlib

import pytest
from pymodbus.client import ModbusTcpClient
from tests.helpers.wires import Clock, result, told, until

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.wires import layout
from tiepoint.station.wires.layout import BIT, VERDICT
from tiepoint.station.wires.modbus import ModbusWire
from tiepoint.station.wires.table import MapTable, ModbusTable

MAP = (
    MapTable.read({"reading": "bore A diameter", "at": 40, "as": "f32"}, ""),
    MapTable.read({"reading": "bore A.diameter", "at": 42, "as": "i32", "scale": 10000}, ""),
    MapTable.read({"reading": "bore A diameter", "at": 44, "as": "u16", "scale": 100000}, ""),
    MapTable.read({"reading": "bore A diameter", "what": "U95", "at": 46, "as": "f32"}, ""),
)


class Controller:
    """The other side: a pymodbus client that knows addresses, and nothing else of the program."""

    def __init__(self, port):
        self.client = ModbusTcpClient("127.0.0.1", port=port, timeout=5, retries=0)
        assert self.client.connect()
        self.beats = 0

    def read(self, at, count=1):
        answer = self.client.read_input_registers(at, count=count, device_id=1)
        assert not answer.isError(), answer
        assert self.client.read_holding_registers(200, count=1, device_id=1).registers
        return answer.registers

    def write(self, at, words):
        return self.client.write_registers(at, list(words), device_id=1)

    def beat(self):
        self.beats += 1
        assert not self.write(200, [self.beats]).isError()

    def bits(self):
        status = self.read(1)[0]
        return {name for name, bit in BIT.items() if status & bit}

    def trigger(self, number, part=b""):
        words = [number, 0, 0, len(part), *layout.text_words(part, 32), *[0] * 8, 0xFFFF, 0xFFFF]
        return self.write(201, words)

    def acknowledge(self, sequence):
        return self.write(202, [sequence >> 16, sequence & 0xFFFF])


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def cell(clock):
    """A station on duty, an armed controller with a heartbeat, and what the station was triggered by."""
    wire = ModbusWire(ModbusTable(name="controller", port=0), MAP, clock)
    taken = []
    wire.start(lambda trigger: taken.append(trigger) or True)
    controller = Controller(wire.listener.port)
    wire.state(told())
    controller.beat()
    controller.beat()
    controller.write(201, [0])
    yield wire, controller, taken
    controller.client.close()
    wire.stop()


def test_a_part_goes_through_the_handshake(cell, clock):
    wire, controller, taken = cell
    assert controller.bits() == {"ready", "armed"}
    controller.trigger(5, b"HV-0007")
    assert [t.part_id for t in taken] == ["HV-0007"]
    assert controller.bits() == {"busy", "armed"}
    wire.tell(result(clock, 70_000, part="HV-0007", trigger=taken[0].id))
    assert controller.bits() == {"valid", "good", "toggle", "armed"}
    block = [0] * 10 + controller.read(10, 112)
    assert block[11] << 16 | block[12] == 70_000 == block[119] << 16 | block[120]
    assert block[13] == VERDICT["conforms"]
    assert block[14] == 5
    assert block[15] << 16 | block[16] == 40
    assert struct.pack(">16H", *block[20:36])[: block[19]] == b"HV-0007"
    assert block[36] << 16 | block[37] == zlib.crc32(b"HV-0007")
    assert block[10] == block[121]
    controller.acknowledge(70_000)
    assert controller.bits() == {"ready", "toggle", "armed"}
    assert controller.read(11, 3) == [0, 0, 0]


@pytest.mark.parametrize("order", ["high first", "low first"])
def test_words_stand_as_ieee_754_and_the_stated_order_say(order):
    # IEEE 754-2008, binary32: sign, 8 bits of exponent with bias 127, 23 of fraction. 4.5 = 1.125 * 2^2 is
    # 0 10000001 00100000000000000000000 = 4090 0000; the largest number is 7F7F FFFF, minus two C000 0000.
    def turned(*words):
        return words if order == "high first" else words[::-1]

    assert layout.words_of(4.5, "f32", order) == turned(0x4090, 0x0000)
    assert layout.words_of(-2.0, "f32", order) == turned(0xC000, 0x0000)
    assert layout.words_of((2 - 2**-23) * 2.0**127, "f32", order) == turned(0x7F7F, 0xFFFF)
    assert layout.words_of(-1, "i32", order) == turned(0xFFFF, 0xFFFF)
    assert layout.words_of(4.5, "i32", order, 10_000) == turned(0x0000, 45_000)
    assert layout.number_of(turned(0x4090, 0x0000), "f32", order) == 4.5


@pytest.mark.parametrize(
    ("as_", "value", "none"),
    [
        ("u16", 65_536.0, (0xFFFF,)), ("u16", -1.0, (0xFFFF,)), ("u16", math.nan, (0xFFFF,)), ("u16", None, (0xFFFF,)),
        ("i16", 32_768.0, (0x8000,)), ("i16", -32_769.0, (0x8000,)),
        ("u32", 2.0**32, (0xFFFF, 0xFFFF)), ("i32", 2.0**31, (0x8000, 0)), ("i32", math.inf, (0x8000, 0)),
        ("f32", 1e39, (0x7FC0, 0)), ("f32", math.inf, (0x7FC0, 0)), ("f32", None, (0x7FC0, 0)),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_no_value_and_never_wraps(as_, value, none):
    assert layout.words_of(value, as_, "high first") == none


def test_mapped_readings_are_told_as_float_and_as_integer(cell, clock):
    wire, controller, _ = cell
    assert controller.read(40, 5) == [0x7FC0, 0, 0x8000, 0, 0xFFFF]
    wire.tell(result(clock, value=4.5))
    words = controller.read(40, 8)
    assert words[:5] == [0x4090, 0, 0, 45_000, 0xFFFF], "4.5 * 100000 does not fit into u16"
    # Student's t is the normal's 1.96 without a limit to the degrees of freedom (JCGM 100, table G.2).
    half_width = ModbusTcpClient.convert_from_registers(words[6:8], ModbusTcpClient.DATATYPE.FLOAT32)
    assert half_width == pytest.approx(1.96 * 0.002, rel=1e-3)
    assert controller.client.convert_from_registers(words[:2], ModbusTcpClient.DATATYPE.FLOAT32) == 4.5


@pytest.mark.parametrize(
    ("value", "verdict", "check"),
    [(4.5, "conforms", False), (4.7, "rejected", False), (4.6, "undecided", False), (None, "unread", False),
     (4.5, "check", True)],
)  # fmt: skip
def test_only_what_conforms_is_good(cell, clock, value, verdict, check):
    wire, controller, _ = cell
    wire.tell(result(clock, value=value, is_check=check))
    assert controller.read(13) == [VERDICT[verdict]]
    assert ("good" in controller.bits()) == (verdict == "conforms")


def test_a_second_trigger_is_refused_and_a_cyclic_write_is_none(cell, clock):
    wire, controller, taken = cell
    controller.trigger(5)
    controller.trigger(5)
    assert controller.read(6, 2) == [0, 0]
    controller.trigger(6)
    assert len(taken) == 1
    assert {"busy", "refused: busy"} <= controller.bits()
    assert controller.read(6, 2) == [1, layout.REFUSALS.index("busy")]
    wire.tell(result(clock, trigger=taken[0].id))
    controller.trigger(7)
    assert len(taken) == 1, "the result was not acknowledged"
    controller.acknowledge(7)
    controller.trigger(8)
    assert len(taken) == 2
    assert "refused: busy" not in controller.bits()


@pytest.mark.parametrize("state", ["off duty", "warming", "not released", "fault"])
def test_only_on_duty_is_ready(cell, clock, state):
    wire, controller, taken = cell
    wire.tell(result(clock))
    wire.state(told(state))
    assert controller.bits() & {"ready", "valid", "good"} == set()
    assert controller.read(13) == [0]
    assert controller.read(2) == [layout.STATES.index(state)]
    controller.trigger(9)
    assert not taken
    assert "refused: not ready" in controller.bits()


def test_a_duty_loop_that_hangs_is_not_ready_and_the_age_counts_on(cell, clock):
    wire, controller, _ = cell
    wire.tell(result(clock, age_ms=40))
    beat = controller.read(3)
    clock.on(3001)
    assert controller.bits() & {"ready", "valid", "good"} == set()
    assert controller.read(2) == [0]
    assert controller.read(3) == beat
    assert controller.read(15, 2) == [0, 3041]


def test_a_frozen_heartbeat_is_not_ready_and_takes_good_away(cell, clock):
    wire, controller, _taken = cell
    wire.tell(result(clock))
    clock.on(2001)
    wire.state(told())
    controller.write(200, [controller.beats])  # the same number again is no heartbeat
    assert controller.bits() & {"ready", "valid", "good", "heartbeat frozen"} == {"heartbeat frozen"}
    assert controller.read(13) == [VERDICT["stale"]]
    assert wire.link[0] == "away"
    controller.beat()
    assert "ready" in controller.bits()
    assert wire.link[0] == "joined"


def test_a_result_that_is_not_acknowledged_goes_stale(cell, clock):
    wire, controller, taken = cell
    controller.trigger(1)
    wire.tell(result(clock, trigger=taken[0].id))
    clock.on(1500)
    controller.beat()
    clock.on(600)
    wire.state(told())
    assert controller.bits() & {"ready", "valid", "good", "stale"} == {"ready", "stale"}
    assert controller.read(13) == [VERDICT["stale"]]
    controller.acknowledge(7)
    assert controller.read(11, 3) == [0, 0, 0]


def test_the_acknowledge_of_another_sequence_clears_nothing(cell, clock):
    wire, controller, _ = cell
    wire.tell(result(clock))
    controller.acknowledge(6)
    assert {"valid", "wrong acknowledge"} <= controller.bits()
    assert controller.write(202, [0]).exception_code == 3, "half of a sequence"
    controller.acknowledge(7)
    assert "wrong acknowledge" not in controller.bits()


def test_a_result_of_another_trigger_or_part_is_no_answer(cell, clock):
    wire, controller, taken = cell
    controller.trigger(1, b"HV-0007")
    wire.tell(result(clock, trigger="somebody else's"))
    assert "busy" in controller.bits()
    wire.tell(result(clock, part="HV-0006", trigger=taken[0].id))
    assert controller.read(13) == [VERDICT["other part"]]
    assert "good" not in controller.bits()


def test_a_result_after_the_deadline_is_not_shown(cell, clock):
    wire, controller, taken = cell
    controller.trigger(1)
    clock.on(5001)
    wire.state(told())
    controller.beat()
    assert {"late", "ready"} <= controller.bits()
    controller.trigger(2)
    wire.tell(result(clock, trigger=taken[0].id))
    assert "busy" in controller.bits()
    assert controller.read(13) == [0]


def test_a_station_that_starts_again_does_not_take_the_trigger_that_still_stands(clock):
    wire = ModbusWire(ModbusTable(name="controller", port=0), (), clock)
    taken = []
    wire.start(lambda trigger: taken.append(trigger) or True)
    try:
        controller = Controller(wire.listener.port)
        wire.state(told())
        controller.beat()
        controller.beat()
        controller.trigger(17)
        assert taken == []
        assert controller.read(7) == [layout.REFUSALS.index("not armed")]
        controller.write(201, [0])
        controller.trigger(17)
        assert len(taken) == 1
        controller.client.close()
    finally:
        wire.stop()


def test_what_was_read_in_halves_is_seen_at_both_ends(cell, clock):
    wire, controller, _ = cell
    wire.tell(result(clock, 7))
    first = controller.read(10, 50)
    wire.tell(result(clock, 8))
    second = controller.read(60, 62)
    assert first[0] != second[-1]
    assert first[1:3] != second[-3:-1]
    again = controller.read(10, 112)
    assert again[0] == again[-1]


def test_a_part_id_of_200_characters_is_echoed_cut_and_told_apart(cell, clock):
    wire, controller, taken = cell
    controller.write(201, [1, 0, 0, 200])
    assert taken == []
    assert controller.read(7) == [layout.REFUSALS.index("part id too long")]
    long = "X" * 199
    wire.tell(result(clock, part=f"{long}1"))
    assert controller.read(19) == [200]
    one = controller.read(36, 2)
    wire.tell(result(clock, part=f"{long}2"))
    assert controller.read(36, 2) != one


def test_a_trigger_carries_variant_and_count_where_they_were_written(cell):
    _, controller, taken = cell
    assert not controller.write(201, [1]).isError()
    assert (taken[0].part_id, taken[0].variant, taken[0].encoder_count) == (None, None, None)
    other = ModbusWire(ModbusTable(name="other", port=0), (), Clock())
    other.start(lambda trigger: taken.append(trigger) or True)
    second = Controller(other.listener.port)
    other.state(told())
    second.beat()
    second.beat()
    second.write(201, [0])
    second.write(221, [*layout.text_words("large ⌀".encode(), 16), 0x0001, 0x0002])
    second.write(201, [1])
    assert (taken[1].variant, taken[1].encoder_count) == ("large ⌀", 65_538)
    second.client.close()
    other.stop()


def test_two_controllers_do_not_write_at_once(cell, clock):
    wire, controller, _ = cell
    other = Controller(wire.listener.port)
    assert other.read(1) == controller.read(1)
    assert other.write(200, [77]).exception_code == 6
    controller.client.close()
    until(lambda: len(wire.listener.joined) == 1)
    other.beat()
    other.client.close()


def raw(port):
    return socket.create_connection(("127.0.0.1", port), 5)


def ask(sock, *requests):
    """Send frames in one piece, and return as many answers."""
    sock.sendall(b"".join(struct.pack(">HHHB", t, 0, len(pdu) + 1, 1) + pdu for t, pdu in requests))
    answers = []
    for _ in requests:
        head = receive(sock, 7)
        answers.append((struct.unpack(">H", head[:2])[0], receive(sock, struct.unpack(">H", head[4:6])[0] - 1)))
    return answers


def receive(sock, count):
    data = b""
    while len(data) < count:
        more = sock.recv(count - len(data))
        assert more, "it was closed"
        data += more
    return data


def test_requests_in_one_piece_are_answered_each(cell):
    wire, _, _ = cell
    with raw(wire.listener.port) as sock:
        answers = ask(sock, *[(t, struct.pack(">BHH", 3, at, 1)) for t, at in ((1, 0), (2, 2), (3, 5))])
    assert [(t, pdu[:2]) for t, pdu in answers] == [(1, b"\3\2"), (2, b"\3\2"), (3, b"\3\2")]
    assert answers[0][1] == b"\3\2\0\1"


@pytest.mark.parametrize(
    ("pdu", "code"),
    [
        (struct.pack(">BHH", 3, 0, 126), 3), (struct.pack(">BHH", 3, 0, 0), 3), (struct.pack(">BHH", 4, 230, 2), 2),
        (struct.pack(">BHH", 1, 0, 1), 1), (struct.pack(">BHH", 6, 10, 1), 2), (struct.pack(">BHHB", 16, 200, 2, 2), 3),
        (struct.pack(">BHHBH", 16, 200, 1, 4, 0), 3), (b"\x2b\x0e\x01\x00", 1), (b"\x03\x00", 3),
        (struct.pack(">BHHHHBH", 23, 231, 1, 200, 1, 2, 1), 2),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_answered_by_an_exception(cell, pdu, code):
    wire, _, _ = cell
    with raw(wire.listener.port) as sock:
        assert ask(sock, (9, pdu)) == [(9, bytes([pdu[0] | 0x80, code]))]


def test_reading_and_writing_in_one_request(cell):
    _wire, controller, _ = cell
    answer = controller.client.readwrite_registers(
        read_address=4, read_count=1, write_address=200, values=[99], device_id=1
    )
    assert answer.registers == [99]


def test_another_unit_is_not_there(cell):
    _wire, controller, _ = cell
    assert controller.client.read_input_registers(0, count=1, device_id=2).exception_code == 11


@pytest.mark.parametrize(
    "junk",
    [b"GET / HTTP/1.1\r\n\r\n", bytes(range(256)), b"\0\1\0\0\xff\xff\1" + b"x" * 300, b"\0\1\0\0\0\1\1", b"\x16\3\1"],
)
def test_junk_is_closed_counted_and_harms_nobody(cell, junk):
    wire, controller, _ = cell
    with raw(wire.listener.port) as sock:
        sock.sendall(junk)
        sock.shutdown(socket.SHUT_WR)
        with contextlib.suppress(ConnectionResetError):
            assert sock.recv(300) == b""
    assert controller.read(0) == [1]


def test_who_is_not_on_the_list_is_closed_and_counted(clock):
    wire = ModbusWire(ModbusTable.read({"name": "c", "port": 0, "peers": ["192.0.2.0/28"]}, ""), (), clock)
    wire.start(lambda _: True)
    try:
        with raw(wire.listener.port) as sock, contextlib.suppress(ConnectionResetError):
            assert sock.recv(1) == b""
        until(lambda: wire.listener.counts["refused"] == 1)
        assert wire.link == ("waiting", "no controller is connected; 1 connections from elsewhere were refused")
    finally:
        wire.stop()


def test_a_port_in_use_is_a_sentence(cell):
    wire, _, _ = cell
    with pytest.raises(UnusableInput, match=r"the wire second cannot listen on 127.0.0.1 port \d+: .*in use"):
        ModbusWire(ModbusTable(name="second", port=wire.listener.port)).start(lambda _: True)


def test_a_station_that_cannot_take_the_part_says_so(clock):
    wire = ModbusWire(ModbusTable(name="c", port=0), (), clock)

    def fails(_):
        raise RuntimeError("the loop is gone")

    wire.start(fails)
    try:
        controller = Controller(wire.listener.port)
        wire.state(told())
        controller.beat()
        controller.beat()
        controller.write(201, [0])
        controller.trigger(1)
        assert controller.bits() & {"busy", "refused: not ready"} == {"refused: not ready"}
        assert controller.read(7) == [layout.REFUSALS.index("not taken")]
        controller.client.close()
    finally:
        wire.stop()


def test_an_answer_stands_until_it_is_acknowledged(cell, clock):
    wire, controller, taken = cell
    controller.trigger(5, b"HV-0007")
    wire.tell(result(clock, 7, value=4.7, trigger=taken[0].id))
    wire.tell(result(clock, 8, part="HV-0008"))  # nobody here asked for it, and it conforms
    assert controller.read(11, 4) == [0, 7, VERDICT["rejected"], 5]
    assert "replaced" not in controller.bits()
    clock.on(2001)  # nobody takes it: then the newest is what there is
    controller.beat()
    wire.state(told())
    wire.tell(result(clock, 9, part="HV-0009"))
    assert controller.read(11, 4) == [0, 9, VERDICT["conforms"], 0]
