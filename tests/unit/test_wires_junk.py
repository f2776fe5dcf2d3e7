"""Whatever bytes come down a wire, there is an answer, and nothing moves that only a handshake may move."""

import json
import struct

from hypothesis import given
from hypothesis import strategies as st
from tests.helpers.wires import Clock, grip, result, told

from tiepoint.station.wires.layout import COMMAND_LAST
from tiepoint.station.wires.modbus import ModbusWire
from tiepoint.station.wires.robot import RobotWire
from tiepoint.station.wires.robot_line import COLUMNS, LONGEST_ANSWER
from tiepoint.station.wires.table import ModbusTable, RobotTable

SHAPED = st.builds(
    lambda function, words, rest: bytes([function]) + struct.pack(f">{len(words)}H", *words) + rest,
    st.sampled_from([1, 2, 3, 4, 5, 6, 15, 16, 22, 23, 43]),
    st.lists(st.one_of(st.integers(0, 240), st.integers(0, 65535)), max_size=6),
    st.binary(max_size=12),
)


@given(pdus=st.lists(st.one_of(st.binary(min_size=1, max_size=253), SHAPED), min_size=1, max_size=8))
def test_any_request_has_an_answer_that_fits_and_changes_no_result(pdus):
    clock = Clock()
    wire = ModbusWire(ModbusTable(name="c", port=0), (), clock)
    wire.state(told())
    wire.tell(result(clock, value=4.7, seal=lambda r: r))
    before = wire.exchange.read(11, 108)
    for pdu in pdus:
        answer = wire._answer(1, pdu, "somebody")
        assert 2 <= len(answer) <= 253
        assert answer[0] in (pdu[0], pdu[0] & 0x7F | 0x80)
        if answer[0] & 0x80:
            assert answer[1] in (1, 2, 3)
        elif pdu[0] in (3, 4):
            at, count = struct.unpack(">HH", pdu[1:])
            assert at + count <= COMMAND_LAST + 1
            assert len(answer) == 2 + 2 * count
    acknowledged = not wire.exchange.waiting
    after = wire.exchange.read(11, 108)
    assert acknowledged or after == before
    assert not wire.exchange.read(1, 1)[0] & 0b1000, "a rejected part is never good"


@given(lines=st.lists(st.one_of(st.binary(max_size=120), st.text("#NEXTLOOKSTATEPING -.0123456789", max_size=60).map(
    str.encode)), min_size=1, max_size=6))  # fmt: skip
def test_any_line_has_one_answer_in_ascii_that_fits(lines):
    clock = Clock()
    wire = RobotWire(RobotTable(name="arm", port=0), clock)
    wire.state(told())
    wire.tell(result(clock, value=4.7, grips=[grip()], seal=lambda r: r))
    for line in lines:
        answer = wire.answer(line)
        assert answer.isascii()
        assert answer.isprintable()
        assert len(answer) <= LONGEST_ANSWER
        if line.split()[:1] and not line.lstrip().startswith((b"#", b"PING")):
            assert "pose" not in json.loads(answer), "a rejected part is not gripped"
        elif answer.count(",") == len(COLUMNS) - 1:
            assert not answer.startswith("0,")
