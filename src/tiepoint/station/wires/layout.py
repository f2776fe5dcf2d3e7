"""Where what stands in the register map of a controller, and how numbers become words of 16 bits.

Addresses are those of the protocol, counted from 0 (Modbus Application Protocol V1.1b3, 4.4); what a controller's
manual calls 40001 or 30001 is address 0. Results stand in one block that one request can read whole.
"""

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

WordOrder = Literal["high first", "low first"]

VERSION: Final = 1
AS_WORDS: Final = {"u16": 1, "i16": 1, "u32": 2, "i32": 2, "f32": 2}
NO_VALUE: Final = {"u16": 0xFFFF, "i16": -0x8000, "u32": 0xFFFF_FFFF, "i32": -0x8000_0000}
"""What stands where there is no value; in a float it is NaN, 7FC00000."""

FIRST_MAPPED: Final = 40
LAST_MAPPED: Final = 118
RESULT_FIRST: Final = 10
RESULT_LAST: Final = 121
COMMAND_FIRST: Final = 200
COMMAND_LAST: Final = 230
ID_BYTES: Final = 32
"""Of a part id that fit into its words."""
VARIANT_BYTES: Final = 16


@dataclass(frozen=True, slots=True)
class Place:
    """One entry of the map: address, how many words, how they are read, what it means."""

    at: int
    words: int
    as_: str
    name: str
    says: str


BITS: Final = (
    ("ready", "on duty, the controller's heartbeat moves, and a trigger is taken"),
    ("busy", "a trigger was taken, and its result is not there yet"),
    ("valid", "a result stands in the block, to be acknowledged"),
    ("good", "valid, fresh, and the part conforms: the only bit that may let a part pass"),
    ("refused: busy", "the last trigger came while another was busy or its result not acknowledged"),
    ("refused: not ready", "the last trigger came when the station was not ready, or could not be read"),
    ("toggle", "changes with each result"),
    ("heartbeat frozen", "the controller's heartbeat stands still, or was never seen"),
    ("stale", "the last result was not acknowledged in time"),
    ("wrong acknowledge", "the last acknowledge was of another sequence"),
    ("late", "the last trigger brought no result in time; what comes of it later is not shown"),
    ("replaced", "a result took the place of one that was not acknowledged"),
    ("armed", "the trigger number was seen as 0 since the station started"),
)
BIT: Final = {name: 1 << k for k, (name, _) in enumerate(BITS)}

VERDICTS: Final = (
    ("none", "there is no result"),
    ("conforms", "the part conforms"),
    ("rejected", "not good"),
    ("undecided", "not good: inside the guard band"),
    ("unread", "not good: something could not be seen"),
    ("stale", "not good: not acknowledged in time"),
    ("other part", "not good: the judged part has another id than the trigger said"),
    ("check", "not a part: a challenge part, or one that was only tried"),
)
VERDICT: Final = {name: k for k, (name, _) in enumerate(VERDICTS)}
STATES: Final = ("off duty", "warming", "not released", "on duty", "fault")
REFUSALS: Final = ("none", "busy", "not ready", "not armed", "part id too long", "part id is no UTF-8", "not taken")

TOLD: Final = (
    Place(0, 1, "u16", "version", "of this map"),
    Place(1, 1, "bits", "status", "see the bits below"),
    Place(2, 1, "u16", "state", ", ".join(f"{k} {s}" for k, s in enumerate(STATES))),
    Place(3, 1, "u16", "heartbeat", "moves at least once a second while the station lives"),
    Place(4, 1, "u16", "heartbeat back", "the controller's, as it was last seen"),
    Place(5, 1, "u16", "trigger taken", "the number of the last trigger that was taken"),
    Place(6, 1, "u16", "refused", "how many triggers were refused, from 65535 on to 0"),
    Place(7, 1, "u16", "why refused", ", ".join(f"{k} {s}" for k, s in enumerate(REFUSALS))),
    Place(10, 1, "u16", "change", "counts every change of this block; the same stands at its end"),
    Place(11, 2, "u32", "sequence", "of the record in the ledger; 0 where there is no result"),
    Place(13, 1, "u16", "verdict", ", ".join(f"{k} {s}" for k, (s, _) in enumerate(VERDICTS))),
    Place(
        14, 1, "u16", "trigger answered", "the number of the trigger; 0 where another than this controller triggered"
    ),
    Place(15, 2, "u32", "age", "ms since the part was seen; goes on counting; FFFFFFFF where none was"),
    Place(17, 1, "u16", "not conforming", "how many readings with limits do not conform"),
    Place(18, 1, "u16", "without value", "how many readings have no value"),
    Place(19, 1, "u16", "part id length", "in bytes of UTF-8; more than 32 where it is cut"),
    Place(20, 16, "text", "part id", "two bytes a word, the first in the high byte, zeros behind"),
    Place(36, 2, "u32", "part id CRC-32", "of the whole part id (ISO-HDLC: of 123456789 it is CBF43926)"),
    Place(38, 2, "u32", "ledger head", "the first 8 hex digits of the ledger's head with this record"),
    Place(119, 2, "u32", "sequence again", "differs from register 11 where two results were read in halves"),
    Place(121, 1, "u16", "change again", "differs from register 10 where the block changed between two requests"),
)
ASKED: Final = (
    Place(200, 1, "u16", "heartbeat", "write another number at least every heartbeat_ms"),
    Place(201, 1, "u16", "trigger", "write a number other than 0 and the last one; 0 between is allowed, and due once"),
    Place(202, 2, "u32", "acknowledge", "write the sequence, both words in one request"),
    Place(204, 1, "u16", "part id length", "in bytes, 0 to 32; 0 where the part has no id yet"),
    Place(205, 16, "text", "part id", "as register 20"),
    Place(221, 8, "text", "variant", "of the part, zeros behind; all zeros where the station knows it otherwise"),
    Place(229, 2, "u32", "encoder count", "FFFFFFFF where there is none, as it is until it is written"),
)


def words_of(value: float | None, as_: str, order: WordOrder, scale: float = 1.0) -> tuple[int, ...]:
    """Return a number × scale as words of 16 bits; the code for "no value" where it is none or does not fit.

    Floats are IEEE 754 binary32. An integer is rounded to the nearest, and never wraps.
    """
    if as_ == "f32":
        data = struct.pack(">f", _single(value, scale))
    else:
        none = NO_VALUE[as_]
        data = struct.pack({"u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i"}[as_], _whole(value, scale, none, as_))
    words = struct.unpack(f">{len(data) // 2}H", data)
    return words if order == "high first" else words[::-1]


def holds(value: float, as_: str, scale: float = 1.0) -> bool:
    """Return whether a number × scale can stand in words of a kind, and is not their code for no value."""
    if as_ == "f32":
        return math.isfinite(_single(value, scale))
    return _whole(value, scale, NO_VALUE[as_], as_) != NO_VALUE[as_]


def _single(value: float | None, scale: float) -> float:
    told = math.nan if value is None else value * scale
    try:
        struct.pack(">f", told)
    except OverflowError:
        return math.nan
    return told if math.isfinite(told) else math.nan


def _whole(value: float | None, scale: float, none: int, as_: str) -> int:
    if value is None or not math.isfinite(value * scale):
        return none
    told = round(value * scale)
    bits = 16 * AS_WORDS[as_]
    least, most = (0, 2**bits - 1) if as_.startswith("u") else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    return told if least <= told <= most else none


def number_of(words: Sequence[int], as_: str, order: WordOrder) -> float | int:
    """Return the number that words of 16 bits hold."""
    data = struct.pack(f">{len(words)}H", *(words if order == "high first" else reversed(words)))
    told: float | int = struct.unpack({"u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "f32": ">f"}[as_], data)[0]
    return told


def text_words(text: bytes, most: int) -> tuple[int, ...]:
    """Return bytes as words, the first in the high byte, cut or filled with zeros to `most` bytes."""
    return struct.unpack(f">{most // 2}H", text[:most].ljust(most, b"\0"))


def text_bytes(words: Sequence[int]) -> bytes:
    """Return the bytes of words, zeros at the end included."""
    return struct.pack(f">{len(words)}H", *words)
