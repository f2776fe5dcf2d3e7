"""What a controller can misread: words in the other order, no value, one that does not fit, ids that are cut."""

from collections.abc import Iterator
from contextlib import contextmanager

from tiepoint.station.wires.controller_client import Controller
from tiepoint.station.wires.layout import number_of
from tiepoint.station.wires.modbus import ModbusWire
from tiepoint.station.wires.nasty_controller import armed
from tiepoint.station.wires.rehearse import SEQ, VALUE, Book, Stage
from tiepoint.station.wires.table import MapTable

BOOK = Book("controller")
_AT = ((40, "f32", 1.0), (42, "i32", 10_000.0), (44, "u16", 100_000.0), (45, "i16", -100_000.0))
KNOWN = (
    *(MapTable.read({"reading": "rehearsed.value", "at": at, "as": as_, "scale": scale}, "") for at, as_, scale in _AT),
    MapTable.read({"reading": "rehearsed.value", "what": "U95", "at": 46, "as": "f32"}, ""),
)


@contextmanager
def _known(stage: Stage) -> Iterator[tuple[ModbusWire, Controller]]:
    """Yield a wire on duty that maps what is known, whatever the station maps, and a controller."""
    stage.mapped = KNOWN
    stage.tables = stage.tables.model_copy(update={"map": KNOWN})
    with armed(stage) as both:
        yield both


@BOOK("word order: 4.5 as IEEE 754 writes it", "4090 0000 as stated; 45000")
def _word_order(stage: Stage) -> str:
    with _known(stage) as (wire, c):
        wire.tell(stage.result(value=VALUE))
        words = c.read(40, 2)
        words = words if c.order == "high first" else words[::-1]
        return f"{words[0]:04x} {words[1]:04x} as stated; {c.number(42, 'i32')}"


@BOOK("a reading's U95 beside it; a value between two whole numbers", "0.02; 45000")
def _beside(stage: Stage) -> str:
    with _known(stage) as (wire, c):
        wire.tell(stage.result(value=4.49996))
        return f"{c.number(46, 'f32'):.6g}; {c.number(42, 'i32')}"


@BOOK("a reading without a value", "7fc00000, -2147483648, 65535, -32768")
def _no_value(stage: Stage) -> str:
    with _known(stage) as (wire, c):
        wire.tell(stage.result(value=None))
        bits = int(number_of(c.read(40, 2), "u32", c.order))
        return f"{bits:08x}, {c.number(42, 'i32')}, {c.read(44)[0]}, {number_of(c.read(45), 'i16', c.order)}"


@BOOK("a reading that no integer can hold", "-2147483648, 65535, -32768")
def _overflow(stage: Stage) -> str:
    with _known(stage) as (wire, c):
        wire.tell(stage.result(value=1e7))
        return f"{c.number(42, 'i32')}, {c.read(44)[0]}, {number_of(c.read(45), 'i16', c.order)}"


@BOOK("readings that do not conform, and have no value, are counted", "1 and 0; 1 and 1")
def _counts(stage: Stage) -> str:
    with _known(stage) as (wire, c):
        wire.tell(stage.result(verdict="rejected"))
        first = " and ".join(map(str, c.read(17, 2)))
        wire.tell(stage.result(seq=SEQ + 1, value=None))
        return f"{first}; {' and '.join(map(str, c.read(17, 2)))}"


@BOOK("the CRC-32 of a part id, as its standard checks it", "CBF43926")
def _crc(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result(part="123456789"))
        return f"{c.number(36):08X}"


@BOOK("part ids of 200 characters that differ at their ends", "told apart")
def _long_echo(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result(part="X" * 199 + "1"))
        first = c.read(36, 2)
        wire.tell(stage.result(part="X" * 199 + "2"))
        return "told apart" if c.read(36, 2) != first and c.read(19) == [200] else "taken for one"
