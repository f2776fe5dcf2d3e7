"""What can come on a controller's connection: frames that are none, peers that go, and several of them."""

import ipaddress
import socket
import struct
import time

from tiepoint.station.wires.controller_client import TIMEOUT_S, Controller, answers, bare, closed, frame
from tiepoint.station.wires.layout import REFUSALS
from tiepoint.station.wires.nasty_controller import armed
from tiepoint.station.wires.rehearse import SEQ, Book, Stage, made_told

BOOK = Book("controller")


def _junk(stage: Stage, data: bytes) -> str:
    """Send bytes on a connection of their own; then see whether the controller is still served."""
    with armed(stage) as (wire, c):
        with bare(wire.listener.port) as sock:
            sock.sendall(data)
            said = closed(sock)
        return f"{said}; version {c.read(0)[0]}"


@BOOK("wrong unit identifier", "exception 11")
def _unit(stage: Stage) -> str:
    with armed(stage) as (wire, _), Controller(wire, unit=(wire.table.unit + 1) % 248) as stranger:
        return stranger.refused(0)


@BOOK("write into the result block", "exception 2")
def _write_result(stage: Stage) -> str:
    with armed(stage) as (_, c):
        return c.write(13, [1])


@BOOK("write beyond the map", "exception 2")
def _write_beyond(stage: Stage) -> str:
    with armed(stage) as (_, c):
        return c.write(229, [0, 0, 0])


@BOOK("read beyond the map", "exception 2")
def _read_beyond(stage: Stage) -> str:
    with armed(stage) as (_, c):
        return c.refused(230, 2)


@BOOK("unknown function", "exception 1")
def _function(stage: Stage) -> str:
    with armed(stage) as (wire, _), bare(wire.listener.port) as sock:
        sock.sendall(frame(7, b"\x2b\x0e\x01\x00", wire.table.unit))
        (answer,) = answers(sock, 1)
        return f"exception {answer[8]}" if answer[7] == 0xAB else answer.hex()


@BOOK("more words than a request can carry", "exception 3")
def _many(stage: Stage) -> str:
    with armed(stage) as (wire, _), bare(wire.listener.port) as sock:
        sock.sendall(frame(7, struct.pack(">BHH", 3, 0, 126), wire.table.unit))
        return f"exception {answers(sock, 1)[0][8]}"


@BOOK("oversized frame", "closed; version 1")
def _oversized(stage: Stage) -> str:
    return _junk(stage, struct.pack(">HHHB", 1, 0, 2000, 1) + b"\0" * 1999)


@BOOK("a protocol identifier that is not Modbus", "closed; version 1")
def _protocol(stage: Stage) -> str:
    return _junk(stage, struct.pack(">HHHBBHH", 1, 1, 6, 1, 3, 0, 1))


@BOOK("one register alone, and both ways in one request", "the request; 7, 8")
def _ways(stage: Stage) -> str:
    wire = stage.modbus()
    one, both = struct.pack(">BHH", 6, 200, 7), struct.pack(">BHHHHBH", 23, 4, 1, 200, 1, 2, 8)
    with bare(wire.listener.port) as sock:
        sock.sendall(frame(1, one, wire.table.unit))
        (echo,) = answers(sock, 1)
        for k, pdu in enumerate((struct.pack(">BHH", 4, 4, 1), both), 2):
            sock.sendall(frame(k, pdu, wire.table.unit))
        seen = ", ".join(str(int.from_bytes(a[9:11])) for a in answers(sock, 2))
    wire.stop()
    return f"{'the request' if echo[7:] == one else echo.hex()}; {seen}"


@BOOK("binary junk", "closed; version 1")
def _binary(stage: Stage) -> str:
    return _junk(stage, bytes(range(255, -1, -1)))


@BOOK("the request of a browser", "closed; version 1")
def _browser(stage: Stage) -> str:
    return _junk(stage, b"GET / HTTP/1.1\r\nHost: station\r\n\r\n")


@BOOK("disconnect in the middle of a frame", "version 1; ready")
def _cut(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        with bare(wire.listener.port) as sock:
            sock.sendall(frame(1, struct.pack(">BHH", 3, 0, 1), wire.table.unit)[:9])
        return f"version {c.read(0)[0]}; {c.says('ready')}"


@BOOK("port scan: a hundred connections without a word", "version 1; ready")
def _scan(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        for _n in range(100):
            with bare(wire.listener.port):
                pass
        return f"version {c.read(0)[0]}; {c.says('ready')}"


@BOOK("more connections than are allowed", "closed; version 1")
def _crowd(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        crowd = [socket.create_connection(("127.0.0.1", wire.listener.port), 5) for _ in range(wire.table.most_peers)]
        said = closed(crowd[-1])
        for sock in crowd:
            sock.close()
        return f"{said}; version {c.read(0)[0]}"


@BOOK("a peer that is not on the list", "closed; 1 refused")
def _stranger(stage: Stage) -> str:
    wire = stage.modbus()
    wire.listener.table = wire.table.model_copy(update={"peers": (ipaddress.ip_network("192.0.2.0/28"),)})
    with bare(wire.listener.port) as sock:
        said = closed(sock)
    wire.stop()
    return f"{said}; {wire.listener.counts['refused']} refused"


@BOOK("two requests in one piece", "2 answers, in order")
def _together(stage: Stage) -> str:
    with armed(stage) as (wire, _), bare(wire.listener.port) as sock:
        one, two = (frame(t, struct.pack(">BHH", 3, at, 1), wire.table.unit) for t, at in ((1, 0), (2, 2)))
        sock.sendall(one + two)
        found = [int.from_bytes(a[:2]) for a in answers(sock, 2)]
        return "2 answers, in order" if found == [1, 2] else f"answers to {found}"


@BOOK("two controllers", "exception 6; 0 parts")
def _two(stage: Stage) -> str:
    with armed(stage) as (wire, _), Controller(wire) as other:
        return f"{other.trigger(9)}; {len(stage.triggers)} parts"


@BOOK("disconnect in the middle of a part", "valid, good; cleared")
def _reconnect(stage: Stage) -> str:
    wire = stage.modbus()
    wire.state(made_told())
    with Controller(wire) as c:
        c.arm()
        c.trigger(1)
    wire.tell(stage.result(trigger=stage.triggers[0].id))
    with Controller(wire) as c:
        said = c.says("valid", "good", "busy")
        # The end of the first connection may be seen only now: until then it is the one that writes.
        stage.clock.on(wire.table.heartbeat_ms / 2)
        end = time.monotonic() + TIMEOUT_S
        while c.acknowledge(SEQ) == "exception 6" and time.monotonic() < end:
            time.sleep(0.01)
        said += "; cleared" if c.number(11) == 0 else "; still there"
    wire.stop()
    return said


@BOOK("the station starts again in the middle of a part", "not armed, not armed; 0 parts")
def _restart(stage: Stage) -> str:
    with armed(stage) as (_, c):
        c.trigger(17)
    stage.triggers.clear()
    wire = stage.modbus()
    with Controller(wire) as c:
        wire.state(made_told())
        c.beat()
        c.beat()
        said = []
        for number in (17, 18):  # the controller goes on writing what it wrote before, and then the next
            c.trigger(number)
            said.append(REFUSALS[c.read(7)[0]])
    wire.stop()
    return f"{', '.join(said)}; {len(stage.triggers)} parts"


@BOOK("the station ends over a good result", "closed")
def _ends(stage: Stage) -> str:
    with armed(stage) as (wire, _), bare(wire.listener.port) as sock:
        wire.tell(stage.result())
        sock.sendall(frame(1, struct.pack(">BHH", 3, 0, 1), wire.table.unit))
        answers(sock, 1)
        wire.stop()
        return closed(sock)
