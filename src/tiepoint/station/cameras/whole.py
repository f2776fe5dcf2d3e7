"""Whether a picture file has been written to its end, by what its format says of its own length. Nothing is decoded.

PNG: ISO/IEC 15948, chunks up to IEND. JPEG: ITU-T T.81 Annex B, segments up to the scan, EOI at the end. TIFF: revision
6.0, and BigTIFF: all strips or tiles of the first directory lie within the file. BMP: the size in its header. PGM, PPM:
the header's own arithmetic.
"""

import os
import re
import struct
from collections.abc import Callable
from typing import BinaryIO

_TAIL = 65536
_MOST_CHUNKS = 1_000_000
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
"""Bytes of a TIFF value, by its type."""
_LETTERS = {1: "B", 3: "H", 4: "I", 13: "I", 16: "Q", 18: "Q"}
"""Types of TIFF that an offset or a count can have, as `struct` spells them."""
_OFFSETS = {273: 279, 324: 325}
"""Tags of TIFF that say where strips and tiles begin, and the tags that say how long they are."""


class _Missing(Exception):
    """The file does not have what its format asks for; the text is the end of a clause."""


def what_is_missing(file: BinaryIO) -> str:
    """Return, in a clause, what an opened picture file lacks to be whole; "" where it lacks nothing.

    The kind is told by how the file begins, not by its name. Never raises but `OSError`.
    """
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    start = file.read(16)
    try:
        if not start:
            raise _Missing("it is empty")
        _check_of(start)(file, size)
    except _Missing as missing:
        return str(missing)
    except struct.error:
        return "it breaks off within its header"
    return ""


def _check_of(start: bytes) -> Callable[[BinaryIO, int], None]:
    known: tuple[tuple[bytes, Callable[[BinaryIO, int], None]], ...] = (
        (b"\x89PNG\r\n\x1a\n", _png),
        (b"\xff\xd8\xff", _jpeg),
        (b"II*\0", _tiff),
        (b"MM\0*", _tiff),
        (b"II+\0", _tiff),
        (b"MM\0+", _tiff),
        (b"BM", _bmp),
        (b"P5", _pnm),
        (b"P6", _pnm),
    )
    for mark, check in known:
        if start.startswith(mark):
            return check
        if mark.startswith(start):
            raise _Missing("it breaks off within its first bytes")
    raise _Missing("it begins as no PNG, JPEG, TIFF, BMP, PGM or PPM does")


def _exactly(file: BinaryIO, count: int) -> bytes:
    data = file.read(count)
    if len(data) < count:
        raise _Missing("it breaks off within its header")
    return data


def _png(file: BinaryIO, size: int) -> None:
    at = 8
    for _ in range(_MOST_CHUNKS):
        if at + 12 > size:
            raise _Missing("it breaks off before its end mark (IEND)")
        file.seek(at)
        length, kind = struct.unpack(">I4s", _exactly(file, 8))
        if not kind.isalpha():
            raise _Missing("it is damaged, or a part of it is not yet written")
        at += 12 + length
        if kind == b"IEND" and at <= size:
            return
    raise _Missing("it has chunks without end")


def _jpeg(file: BinaryIO, size: int) -> None:
    scan = _scan_of(file, size)
    file.seek(max(scan, size - _TAIL))
    # Some servers write a file in blocks, and fill the last with zeros; and telephones put more pictures behind.
    tail = file.read(_TAIL).rstrip(b"\0")
    if not tail.endswith(b"\xff\xd9") and not _ends_within(file, scan):
        raise _Missing("it breaks off before its end mark (EOI)")


def _scan_of(file: BinaryIO, size: int) -> int:
    """Return where the data of the first scan begin."""
    at = 2
    while at + 4 <= size:
        file.seek(at)
        mark, code, length = struct.unpack(">BBH", _exactly(file, 4))
        if mark != 0xFF:
            raise _Missing("it is damaged, or a part of it is not yet written")
        if code == 0xFF:
            at += 1
            continue
        at += 2 + max(int(length), 2)
        if code == 0xDA:
            return at
    raise _Missing("it breaks off within its header")


def _ends_within(file: BinaryIO, scan: int) -> bool:
    """Return whether the picture ends somewhere before the end of the file: what stands behind is no part of it.

    In the data of a scan, 0xFF is followed by 0 or by a restart mark (T.81, B.1.1.5), so that EOI ends it.
    """
    file.seek(scan)
    before = b""
    while block := file.read(1 << 20):
        if b"\xff\xd9" in before + block:
            return True
        before = block[-1:]
    return False


def _tiff(file: BinaryIO, size: int) -> None:
    file.seek(0)
    order = "<" if _exactly(file, 2) == b"II" else ">"
    big = struct.unpack(order + "H", _exactly(file, 2))[0] == 43
    if big:
        _exactly(file, 4)
    at = struct.unpack(order + ("Q" if big else "I"), _exactly(file, 8 if big else 4))[0]
    if not 8 <= at < size:
        raise _Missing("it breaks off before its directory")
    file.seek(at)
    number = struct.unpack(order + ("Q" if big else "H"), _exactly(file, 8 if big else 2))[0]
    if not 1 <= number <= 4096:
        raise _Missing("it is damaged, or its directory is not yet written")
    entries = _exactly(file, number * (20 if big else 12))
    _exactly(file, 8 if big else 4)  # where the next directory is
    ends = _ends_of_data(file, order, big, entries)
    if not ends:
        raise _Missing("its directory names no data")
    needed = max(*ends, *_ends_of_values(order, big, entries))
    if needed > size:
        raise _Missing(f"it has {size} of the {needed} bytes that its directory names")


def _ends_of_values(order: str, big: bool, entries: bytes) -> list[int]:
    """Return where those values of a directory end that do not stand in it."""
    width, room, letter = (20, 8, "Q") if big else (12, 4, "I")
    ends = [0]
    for k in range(0, len(entries), width):
        kind = struct.unpack_from(order + "H", entries, k + 2)[0]
        count, start = struct.unpack_from(order + letter * 2, entries, k + 4)
        length = _SIZES.get(kind, 0) * count
        ends.append(start + length if length > room else 0)
    return ends


def _ends_of_data(file: BinaryIO, order: str, big: bool, entries: bytes) -> list[int]:
    width = 20 if big else 12
    found: dict[int, tuple[int, ...]] = {}
    for k in range(0, len(entries), width):
        tag, kind = struct.unpack_from(order + "HH", entries, k)
        if tag in _OFFSETS or tag in _OFFSETS.values():
            found[tag] = _values(file, order, big, kind, entries[k + 4 : k + width])
    return [
        start + length
        for tag, other in _OFFSETS.items()
        if tag in found and other in found
        for start, length in zip(found[tag], found[other], strict=False)
    ]


def _values(file: BinaryIO, order: str, big: bool, kind: int, rest: bytes) -> tuple[int, ...]:
    """Return the whole numbers of a directory's entry, which stand in it or, where they are many, elsewhere."""
    letter = "Q" if big else "I"
    count = struct.unpack_from(order + letter, rest)[0]
    if kind not in _LETTERS or not 1 <= count <= 10_000_000:
        raise _Missing("it is damaged, or its directory is not yet written")
    size = _SIZES[kind]
    room = rest[8:] if big else rest[4:]
    if size * count > len(room):
        file.seek(struct.unpack(order + letter, room)[0])
        room = _exactly(file, size * count)
    return struct.unpack(order + str(count) + _LETTERS[kind], room[: size * count])


def _bmp(file: BinaryIO, size: int) -> None:
    file.seek(2)
    stated = struct.unpack("<I", _exactly(file, 4))[0]
    if stated > size:
        raise _Missing(f"it has {size} of the {stated} bytes that its header names")
    file.seek(10)
    start = struct.unpack("<I", _exactly(file, 4))[0]
    _exactly(file, 4)
    width, height, _, bits, packed = struct.unpack("<iiHHI", _exactly(file, 16))
    needed = start + (abs(width) * bits + 31) // 32 * 4 * abs(height)
    if packed in (0, 3) and needed > size:
        raise _Missing(f"it has {size} of the {needed} bytes that its header names")


_PNM = re.compile(rb"P([56])(?:\s|#[^\n]*\n)+?(\d{1,6})(?:\s|#[^\n]*\n)+?(\d{1,6})(?:\s|#[^\n]*\n)+?(\d{1,5})\s")


def _pnm(file: BinaryIO, size: int) -> None:
    file.seek(0)
    head = _PNM.match(file.read(1024))
    if head is None:
        raise _Missing("it breaks off within its header")
    kind, width, height, most = (int(text) for text in head.groups())
    needed = head.end() + width * height * (3 if kind == 6 else 1) * (2 if most > 255 else 1)
    if needed > size:
        raise _Missing(f"it has {size} of the {needed} bytes that its header names")
