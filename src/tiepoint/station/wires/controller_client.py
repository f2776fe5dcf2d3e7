"""The controller's side of the register map, as far as rehearsals play it: pymodbus, or bare bytes on a socket."""

import contextlib
import socket
import struct
from collections.abc import Iterator
from types import TracebackType
from typing import Self

from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ModbusException

from tiepoint.station.wires.layout import BITS, COMMAND_FIRST, ID_BYTES, WordOrder, number_of, text_words, words_of
from tiepoint.station.wires.modbus import ModbusWire

TIMEOUT_S = 5.0


class Controller:
    """One connection to a wire of ours on loopback. What is refused comes back as `exception N`, or `closed`."""

    def __init__(self, wire: ModbusWire, unit: int | None = None) -> None:
        self.order: WordOrder = wire.table.word_order
        self.port, self.unit = wire.listener.port, wire.table.unit if unit is None else unit
        self.client = ModbusTcpClient("127.0.0.1", port=self.port, timeout=TIMEOUT_S, retries=0)
        self.client.connect()  # type: ignore[no-untyped-call]  # pymodbus leaves it so
        self.beats = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.client.close()  # type: ignore[no-untyped-call]  # as above

    def read(self, at: int, count: int = 1) -> list[int]:
        """Return registers; empty where it is refused."""
        answer = self.client.read_input_registers(at, count=count, device_id=self.unit)
        return [] if answer.isError() else list(answer.registers)

    def refused(self, at: int, count: int = 1) -> str:
        """Return how reading is refused, "read" where it is not."""
        answer = self.client.read_holding_registers(at, count=count, device_id=self.unit)
        return f"exception {answer.exception_code}" if answer.isError() else "read"

    def write(self, at: int, words: list[int]) -> str:
        """Write registers; return "written", or how it is refused."""
        try:
            answer = self.client.write_registers(at, words, device_id=self.unit)
        except ModbusException:
            return "closed"
        return f"exception {answer.exception_code}" if answer.isError() else "written"

    def beat(self) -> str:
        """Move the heartbeat."""
        self.beats = (self.beats + 1) & 0xFFFF
        return self.write(COMMAND_FIRST, [self.beats])

    def arm(self) -> None:
        """Show that the heartbeat moves, and that the trigger number is 0."""
        self.beat()
        self.beat()
        self.write(201, [0])

    def trigger(self, number: int, part: bytes = b"", length: int | None = None) -> str:
        """Trigger a part with its id, all in one request."""
        words = [0, 0, len(part) if length is None else length, *text_words(part, ID_BYTES), *[0] * 8, 0xFFFF, 0xFFFF]
        return self.write(201, [number, *words])

    def acknowledge(self, sequence: int) -> str:
        """Acknowledge a sequence."""
        return self.write(202, list(words_of(sequence, "u32", self.order)))

    @property
    def bits(self) -> set[str]:
        """The names of the status bits that are set."""
        (status,) = self.read(1)
        return {name for k, (name, _) in enumerate(BITS) if status >> k & 1}

    def says(self, *names: str) -> str:
        """Return those of some status bits that are set, in words."""
        there = self.bits
        return ", ".join(n for n in names if n in there) or "none of them"

    def number(self, at: int, as_: str = "u32") -> float | int:
        """Return a number of two words."""
        return number_of(self.read(at, 2), as_, self.order)

    @property
    def verdict(self) -> int:
        """The code of the verdict."""
        return self.read(13)[0]


@contextlib.contextmanager
def bare(port: int) -> Iterator[socket.socket]:
    """Open a bare socket to a port of loopback."""
    with socket.create_connection(("127.0.0.1", port), TIMEOUT_S) as sock:
        yield sock


def closed(sock: socket.socket) -> str:
    """Return "closed" where the other side ends the connection without a word, else what it says."""
    try:
        more = sock.recv(300)
    except ConnectionError:
        return "closed"
    except TimeoutError:
        return "left open"
    return f"answered {more.hex()}" if more else "closed"


def frame(transaction: int, pdu: bytes, unit: int) -> bytes:
    """Return a request with its header (Modbus Messaging on TCP/IP V1.0b, 3.1.3)."""
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu


def answers(sock: socket.socket, count: int) -> list[bytes]:
    """Return whole answers with their headers; fewer where the connection ends."""
    data = b""
    found: list[bytes] = []
    with contextlib.suppress(OSError):
        while len(found) < count and (more := sock.recv(4096)):
            data += more
            while len(data) >= 6 and len(data) >= (whole := 6 + struct.unpack(">H", data[4:6])[0]):
                found.append(data[:whole])
                data = data[whole:]
    return found
