"""A count of parts that survives restarts and power cuts: it may skip numbers, and never gives one twice.

Numbers are reserved in blocks: the end of a block is on the disk before its first number is given, so that no part
waits for the disk but the first of a block, and what was reserved and not given is skipped after a restart.
"""

import threading
from pathlib import Path

from tiepoint.documents.files import read_document, write_document
from tiepoint.foundation.errors import UnusableDocument

BLOCK = 1000
MOST = 10**15


class Counter:
    """The count in one file, which one process uses at a time, by any of its threads; 1 is the first without a file.

    Raises `UnusableDocument` where the file is none, or cannot be read: a count is never begun anew in silence.
    """

    def __init__(self, path: Path, block: int = BLOCK) -> None:
        self._path = path
        self._block = block
        self._reserved = _read(path) if path.exists() else 0
        self._last = self._reserved
        self._lock = threading.Lock()

    @property
    def last(self) -> int:
        """The last number that was given, or that is skipped since an earlier run may have given it."""
        return self._last

    def next(self) -> int:
        """Return the next number; raises `UnusableInput` where it cannot be made sure that it stays the only one."""
        with self._lock:
            if self._last >= self._reserved:
                self._reserve()
            self._last += 1
            return self._last

    def _reserve(self) -> None:
        """Put the end of the next block on the disk, never below what stands there."""
        there = _read(self._path) if self._path.exists() else 0
        if there > self._reserved:
            # Another process has counted on: what it reserved is its own.
            self._last = self._reserved = there
        end = self._reserved + self._block
        if end > MOST:
            raise UnusableDocument(f"{self._path} has counted to {self._last}, as far as it goes; begin another")
        write_document(self._path, "counter", {"reserved_to": end})
        self._reserved = end


def _read(path: Path) -> int:
    content = read_document(path, "counter")
    end = content.get("reserved_to")
    if not isinstance(end, int) or isinstance(end, bool) or not 0 <= end <= MOST:
        raise UnusableDocument(
            f"{path}: reserved_to is {end!r}; write the largest number that a part may have been given, so that none "
            "is given twice"
        )
    return end
