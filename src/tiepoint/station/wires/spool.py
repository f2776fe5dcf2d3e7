"""What waits on the disk while the other side is away: appended, flushed, in order, and bounded.

A line per message: its number, a CRC-32 (ISO-HDLC) of number and content, the content as JSON. Lines stand in segments,
which are deleted when all of theirs is done. `done` says up to which number everything was taken, and how many were
dropped. A line that was cut off by a crash is cut away; one that does not agree with its check is counted as dropped.
"""

import json
import os
import threading
import zlib
from collections import deque
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import BinaryIO

from tiepoint.documents.files import reason_of
from tiepoint.foundation.errors import UnusableInput

SEGMENT = "*.spool"
DONE = "done"
_MOST_DONE = 65536


@dataclass(frozen=True, slots=True)
class Message:
    """One message: its number, which only grows, where it goes, and its text."""

    number: int
    topic: str
    text: str


@dataclass(frozen=True, slots=True)
class _Place:
    number: int
    segment: Path
    offset: int
    length: int


class Spool:
    """The spool of one folder. Every method may be called from any thread; one process has it at a time."""

    def __init__(self, folder: Path, most_messages: int, most_bytes: float) -> None:
        self.folder, self.most_messages, self.most_bytes = folder, most_messages, most_bytes
        self.dropped = 0
        self._lock = threading.RLock()
        self._places: deque[_Place] = deque()
        self._bytes = self._last = 0
        self._file: BinaryIO | None = None
        self._size = 0
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._read_done()
            for segment in sorted(folder.glob(SEGMENT)):
                self._read_segment(segment)
            self._say_done()
        except OSError as error:
            raise UnusableInput(
                f"cannot keep messages in {folder}: {reason_of(error)}; free it, or name another"
            ) from error

    def __len__(self) -> int:
        with self._lock:
            return len(self._places)

    def append(self, messages: Iterable[tuple[str, str]]) -> None:
        """Keep messages (topic, text): they are on the disk when this returns. `OSError` where they cannot be."""
        with self._lock:
            for topic, text in messages:
                self._append(topic, text)
            if self._file is not None:
                self._file.flush()
                os.fsync(self._file.fileno())
            self._hold_bounds()

    def first(self, count: int, beyond: int = 0) -> list[Message]:
        """Return the oldest messages that wait, of those with a number beyond one that is given."""
        with self._lock:
            places = list(islice((p for p in self._places if p.number > beyond), count))
            return [m for m in map(_read, places) if m is not None]

    def done(self, number: int) -> None:
        """Let go of everything up to a number: the other side has it."""
        with self._lock:
            before = len(self._places)
            while self._places and self._places[0].number <= number:
                self._forget()
            if len(self._places) < before:
                self._say_done()
                self._delete()

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            if self._file is not None:
                self._file.close()
                self._file = None

    def _append(self, topic: str, text: str) -> None:
        content = json.dumps([topic, text], ensure_ascii=False, separators=(",", ":")).encode()
        number = self._last + 1
        line = b"%d %08x %b\n" % (number, _crc(number, content), content)
        if self._file is None or self._size > max(65536, self.most_bytes / 8):
            self.close()
            self._segment = self.folder / f"{number:020d}.spool"
            self._file, self._size = self._segment.open("ab"), 0
        try:
            self._file.write(line)
            self._file.flush()
        except OSError:
            file, self._file = self._file, None
            _cut(file, self._segment, self._size)
            raise
        self._last = number
        self._places.append(_Place(number, self._segment, self._size, len(line)))
        self._size += len(line)
        self._bytes += len(line)

    def _hold_bounds(self) -> None:
        before = self.dropped
        while self._places and (len(self._places) > self.most_messages or self._bytes > self.most_bytes):
            self._forget()
            self.dropped += 1
        if self.dropped > before:
            self._say_done()
            self._delete()

    def _forget(self) -> None:
        self._bytes -= self._places.popleft().length

    def _delete(self) -> None:
        """Delete segments of which nothing waits, but for the one that is written to."""
        first = self._places[0].segment if self._places else None
        for segment in sorted(self.folder.glob(SEGMENT)):
            if segment == first:
                return
            if self._file is not None and segment == self._segment:
                if self._size < 65536:
                    return
                self.close()
            segment.unlink(missing_ok=True)

    def _say_done(self) -> None:
        taken = self._places[0].number - 1 if self._places else self._last
        path = self.folder / DONE
        line = b"%020d %020d\n" % (taken, self.dropped)
        if not path.exists() or path.stat().st_size > _MOST_DONE:
            fresh = path.with_suffix(".part")
            fresh.write_bytes(line)
            fresh.replace(path)
            return
        with path.open("ab") as file:
            file.write(line)

    def _read_done(self) -> None:
        path = self.folder / DONE
        if not path.is_file():
            return
        data = path.read_bytes()
        if not data.endswith(b"\n"):
            _cut(None, path, data.rfind(b"\n") + 1)
        for line in reversed(data.split(b"\n")[:-1]):
            words = line.split()
            if len(words) == 2 and all(word.isdigit() for word in words):
                self._last, self.dropped = int(words[0]), int(words[1])
                return

    def _read_segment(self, segment: Path) -> None:
        data, offset, taken = segment.read_bytes(), 0, self._last
        for line in data.split(b"\n")[:-1]:
            length = len(line) + 1
            message = _parsed(line)
            if message is None:
                self.dropped += 1
            elif message.number > taken:
                self._places.append(_Place(message.number, segment, offset, length))
                self._bytes += length
                self._last = max(self._last, message.number)
            offset += length
        if offset < len(data):
            _cut(None, segment, offset)


def _crc(number: int, content: bytes) -> int:
    return zlib.crc32(b"%d %b" % (number, content))


def _parsed(line: bytes) -> Message | None:
    """Return the message of a line; None where the line is not what was written."""
    words = line.split(b" ", 2)
    try:
        number, check, content = int(words[0]), int(words[1], 16), words[2]
        if _crc(number, content) != check:
            return None
        topic, text = json.loads(content)
    except (ValueError, IndexError, TypeError):
        return None
    return Message(number, topic, text)


def _read(place: _Place) -> Message | None:
    try:
        with place.segment.open("rb") as file:
            file.seek(place.offset)
            return _parsed(file.read(place.length - 1))
    except OSError:
        return None


def _cut(file: BinaryIO | None, path: Path, size: int) -> None:
    """Cut away what was not written whole."""
    if file is not None:
        with suppress(OSError):  # it cannot flush what did not fit, and that is cut away
            file.close()
    os.truncate(path, size)
