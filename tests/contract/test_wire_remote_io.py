"""Coils of a remote I/O station: the other side is pymodbus' server."""

import asyncio
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from tests.helpers.broker import free_port
from tests.helpers.wires import NS, Clock, result, told, until

from tiepoint.station.wires.remote_io import Outputs, RemoteIoWire
from tiepoint.station.wires.table import RemoteIoTable

GOOD, PASS, READY = 3, 4, 5
COILS = {"name": "io", "host": "127.0.0.1", "good": GOOD, "pass": PASS, "ready": READY}


def outputs(**more):
    return Outputs(RemoteIoTable.read({**COILS, **more}, ""))


def at(one, clock):
    told_ = one.at(clock())
    return told_[GOOD], told_[PASS], told_[READY]


REJECTS = (False, False, False)
RESTS = (False, True, True)
UNSEEN = (False, False, True)


def on_duty_for_a_while(**more):
    """Return a clock, and outputs whose rejecter parts reach that were all seen on duty."""
    clock, one = Clock(), outputs(**more)
    one.state(told(), clock())
    clock.on(one.table.delay_ms)
    one.state(told(), clock())
    return clock, one


def test_a_part_that_conforms_is_passed_after_its_delay():
    clock, one = on_duty_for_a_while(delay_ms=300, pulse_ms=100)
    one.tell(result(clock, age_ms=0), clock())
    assert at(one, clock) == RESTS
    assert one.next_ns(clock()) == clock() + 300 * NS
    clock.on(300)
    assert at(one, clock) == (True, True, True)
    clock.on(99)
    assert at(one, clock) == (True, True, True)
    clock.on(1)
    assert at(one, clock) == RESTS


@pytest.mark.parametrize(
    "made", [{"value": 4.7}, {"value": 4.6}, {"value": None}, {"is_check": True}, {"value": 4.7, "age_ms": 5000}]
)
def test_any_other_part_drops_the_coil_that_holds_the_rejecter_back(made):
    clock, one = Clock(), outputs(pulse_ms=100)
    one.state(told(), clock())
    one.tell(result(clock, **{"age_ms": 0, **made}), clock())
    assert at(one, clock) == (False, False, True)
    clock.on(100)
    assert at(one, clock) == RESTS


def test_a_good_pulse_that_comes_too_late_is_none():
    clock, one = Clock(), outputs(late_ms=50)
    one.state(told(), clock())
    one.tell(result(clock, age_ms=51), clock())
    assert at(one, clock) == (False, False, True)
    assert one.missed == 1


@pytest.mark.parametrize("away", ["off duty", "warming", "not released", "fault", "silent"])
def test_parts_that_were_on_their_way_while_it_was_not_on_duty_are_not_passed(away):
    clock, one = on_duty_for_a_while(delay_ms=1000)
    assert at(one, clock) == RESTS
    if away == "silent":
        clock.on(3001)
    else:
        one.state(told(away), clock())
        one.tell(result(clock, value=None, age_ms=0), clock())
        clock.on(200)
        one.state(told(away), clock())
    one.state(told(), clock())
    clock.on(999)
    one.state(told(), clock())
    assert at(one, clock) == UNSEEN
    assert one.next_ns(clock()) == clock() + 1 * NS
    clock.on(1)
    assert at(one, clock) == RESTS


def test_a_part_that_is_told_too_late_to_be_thrown_out_is_said():
    clock, one = on_duty_for_a_while(delay_ms=300)
    one.tell(result(clock, value=4.7, age_ms=351), clock())
    assert at(one, clock) == UNSEEN
    assert (one.missed, one.passed) == (0, 1)
    wire = RemoteIoWire(one.table, clock)
    wire.outputs = one
    assert wire.link[1].endswith("1 parts that are not good were told too late to be thrown out: look for them")


def test_a_part_that_was_counted_downstream_is_told_when_it_leaves():
    clock, one = on_duty_for_a_while(late_ms=50, delay_ms=100, delay_from="told")
    one.tell(result(clock, age_ms=20_000), clock())
    assert at(one, clock) == RESTS
    clock.on(100)
    assert at(one, clock) == (True, True, True)


def test_a_bad_part_ends_the_pulse_of_the_good_one_before_it():
    clock, one = Clock(), outputs(pulse_ms=100)
    one.state(told(), clock())
    one.tell(result(clock, age_ms=0), clock())
    assert at(one, clock) == (True, True, True)
    clock.on(50)
    one.tell(result(clock, value=4.7, age_ms=0), clock())
    assert at(one, clock) == (False, False, True)


@pytest.mark.parametrize("state", ["off duty", "warming", "not released", "fault"])
def test_off_duty_everything_is_off_which_rejects(state):
    clock, one = Clock(), outputs(delay_ms=100)
    assert at(one, clock) == REJECTS
    one.state(told(), clock())
    one.tell(result(clock, age_ms=0), clock())
    one.state(told(state), clock())
    clock.on(100)
    assert at(one, clock) == REJECTS
    one.state(told(), clock())
    assert at(one, clock) == UNSEEN, "what was due before is not due any more"
    clock.on(3001)
    assert at(one, clock) == REJECTS, "the duty loop is not heard of"


@given(parts=st.lists(st.tuples(st.integers(0, 400), st.sampled_from([4.5, 4.6, 4.7, None])), max_size=30))
def test_good_is_never_on_while_a_part_that_is_not_good_is_there(parts):
    clock, one = Clock(), outputs(pulse_ms=100)
    begun = clock()
    for wait, value in parts:
        clock.on(wait)
        one.state(told(), clock())
        one.tell(result(clock, value=value, age_ms=0, seal=lambda r: r), clock())
        good, passes, _ = at(one, clock)
        assert good <= (value == 4.5)
        assert passes or not good
        if value != 4.5:
            assert not passes
    assert clock() - begun == sum(w for w, _ in parts) * NS


class Station:
    """An I/O station: coils that remember what was written."""

    def __init__(self, port):
        self.port, self.writes, self.loop = port, [], asyncio.new_event_loop()
        self.up = threading.Event()
        self.thread = threading.Thread(target=self.loop.run_until_complete, args=(self._serve(),))
        self.thread.start()
        assert self.up.wait(10)

    async def _serve(self):
        self.down = asyncio.Event()
        bits = [SimData(0, count=16, values=False, datatype=DataType.BITS)]
        words = [SimData(0, values=[0], datatype=DataType.REGISTERS)]
        server = ModbusTcpServer(
            SimDevice(1, simdata=(bits, bits, words, words)), address=("127.0.0.1", self.port), trace_pdu=self._see
        )
        await server.serve_forever(background=True)
        self.up.set()
        await self.down.wait()
        await server.shutdown()
        await asyncio.sleep(0.05)

    def _see(self, sending, pdu):
        if not sending:
            self.writes.append((pdu.address, pdu.bits[0]))
        return pdu

    @property
    def coils(self):
        last = dict(self.writes)
        return last.get(GOOD), last.get(PASS), last.get(READY)

    def close(self):
        self.loop.call_soon_threadsafe(self.down.set)
        self.thread.join()
        self.loop.close()


def test_coils_are_written_and_end_off():
    station = Station(free_port())
    wire = RemoteIoWire(RemoteIoTable.read({**COILS, "port": station.port, "pulse_ms": 200, "late_ms": 10_000}, ""))
    wire.start(lambda _: True)
    until(lambda: station.coils == REJECTS)
    wire.state(told())
    until(lambda: station.coils == RESTS)
    assert wire.link == ("joined", f"127.0.0.1 port {station.port}: it takes what is written")
    wire.tell(result(wire.now_ns))
    until(lambda: (GOOD, True) in station.writes)
    until(lambda: station.coils == RESTS)
    wire.tell(result(wire.now_ns, value=4.7))
    until(lambda: station.coils == (False, False, True))
    until(lambda: station.coils == RESTS)
    wire.stop()
    assert station.coils == REJECTS
    station.close()


def test_an_io_station_that_goes_and_comes_is_written_again():
    port = free_port()
    wire = RemoteIoWire(RemoteIoTable.read({**COILS, "port": port}, ""))
    wire.start(lambda _: True)
    wire.state(told())
    until(lambda: "nobody answers" in wire.link[1])
    assert wire.link[0] == "waiting"
    station = Station(port)
    until(lambda: station.writes or (wire.state(told()), False)[1])
    wire.state(told())
    until(lambda: station.coils == RESTS)
    station.close()
    until(lambda: wire.link[0] == "away")
    wire.stop()
