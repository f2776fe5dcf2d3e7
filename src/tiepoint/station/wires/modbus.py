"""Modbus TCP: a server for a controller (Modbus Messaging on TCP/IP V1.0b, Application Protocol V1.1b3).

It reads registers (functions 3 and 4: both show the same), writes them (6, 16), and does both in one request (23).
Whatever else is asked is answered by an exception code; what is no request closes the connection, and is counted.
"""

import asyncio
import struct
import time
from collections.abc import Callable
from typing import Final

from tiepoint.station.cameras.delivery import Link
from tiepoint.station.wires.exchange import BAD_VALUE, Exchange, Refused
from tiepoint.station.wires.listen import Broken, Listener, Peer
from tiepoint.station.wires.table import MapTable, ModbusTable
from tiepoint.station.wires.wire import Result, Told, Triggered

IDLE_S = 60.0
"""A connection that asks nothing for longer is closed: a scan leaves some open."""
REST_S = 2.0
"""Within this time the rest of a frame has to follow its beginning."""
BAD_FUNCTION: Final = 1
NOT_THERE: Final = 11
"""Exception code: gateway target device failed to respond; how a unit that is not ours is answered."""
MOST_READ, MOST_WRITTEN, MOST_WRITTEN_OF_BOTH = 125, 123, 121


class ModbusWire:
    """One `[[wires.modbus]]`."""

    def __init__(
        self,
        table: ModbusTable,
        mapped: tuple[MapTable, ...] = (),
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self.table = table
        self.exchange = Exchange(table, mapped, now_ns)
        self.listener = Listener(table, self._serve)

    @property
    def name(self) -> str:
        """By what station.toml calls it."""
        return self.table.name

    @property
    def link(self) -> tuple[Link, str]:
        """Whether a controller is there, and why not."""
        heard = self.exchange.heard
        refused = self.listener.counts["refused"]
        more = f"; {refused} connections from elsewhere were refused" if refused else ""
        if not self.listener.joined:
            return ("waiting" if heard is None else "away"), f"no controller is connected{more}"
        if heard:
            return "joined", f"{', '.join(self.listener.joined)}{more}"
        said = "was never seen" if heard is None else "stands still"
        return ("waiting" if heard is None else "away"), f"the controller's heartbeat {said}{more}"

    @property
    def waiting(self) -> bool:
        """Whether a result was not acknowledged yet."""
        return self.exchange.waiting

    def start(self, triggered: Triggered) -> None:
        """Begin to listen."""
        self.exchange.triggered = triggered
        self.listener.start()

    def tell(self, result: Result) -> None:
        """Put a result into the registers."""
        self.exchange.tell(result)

    def state(self, told: Told) -> None:
        """Put the station's state into the registers."""
        self.exchange.state(told)

    def stop(self) -> None:
        """Fall to the safe side, and let go of the sockets."""
        self.exchange.down()
        self.listener.stop()

    async def _serve(self, peer: Peer) -> None:
        try:
            while True:
                async with asyncio.timeout(IDLE_S):
                    first = await peer.reader.readexactly(1)
                async with asyncio.timeout(REST_S):
                    header = first + await peer.reader.readexactly(6)
                    transaction, protocol, length, unit = struct.unpack(">HHHB", header)
                    if protocol != 0 or not 2 <= length <= 254:
                        raise Broken
                    pdu = await peer.reader.readexactly(length - 1)
                answer = self._answer(unit, pdu, peer.name)
                await peer.send(struct.pack(">HHHB", transaction, 0, len(answer) + 1, unit) + answer)
        finally:
            self.exchange.leave(peer.name)

    def _answer(self, unit: int, pdu: bytes, who: str) -> bytes:
        function = pdu[0]
        try:
            if unit != self.table.unit:
                raise Refused(NOT_THERE)
            return bytes([function]) + self._carry_out(function, pdu[1:], who)
        except struct.error:
            code = BAD_VALUE
        except Refused as refused:
            code = refused.code
        return bytes([function & 0x7F | 0x80, code])

    def _carry_out(self, function: int, body: bytes, who: str) -> bytes:
        match function:
            case 3 | 4:
                at, count = struct.unpack(">HH", body)
                return self._read(at, count)
            case 6:
                at, word = struct.unpack(">HH", body)
                self.exchange.write(at, (word,), who)
                return body
            case 16:
                at, count = struct.unpack(">HH", body[:4])
                self.exchange.write(at, _words(body[4:], count, MOST_WRITTEN), who)
                return body[:4]
            case 23:
                at, count, to, written = struct.unpack(">HHHH", body[:8])
                words = _words(body[8:], written, MOST_WRITTEN_OF_BOTH)
                self._read(at, count)  # nothing is written where the reading would be refused
                self.exchange.write(to, words, who)
                return self._read(at, count)
        raise Refused(BAD_FUNCTION)

    def _read(self, at: int, count: int) -> bytes:
        if not 1 <= count <= MOST_READ:
            raise Refused(BAD_VALUE)
        words = self.exchange.read(at, count)
        return struct.pack(f">B{count}H", 2 * count, *words)


def _words(body: bytes, count: int, most: int) -> tuple[int, ...]:
    """Return the words to write behind their count of bytes; `Refused` where the two do not agree."""
    if not 1 <= count <= most or len(body) != 1 + 2 * count or body[0] != 2 * count:
        raise Refused(BAD_VALUE)
    return struct.unpack(f">{count}H", body[1:])
