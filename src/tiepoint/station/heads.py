"""The ledger's head, copied to a second place once a day: what an end that was cut off is found by, without a report.

A line a day, `date seq sha`, added to a file that best lies on another machine.
"""

import os
import re
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from tiepoint.documents.files import flush_folder, read_text, reason_of
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Head, Ledger, utc_now

_LINE = re.compile(r"(\d{4}-\d\d-\d\d) (\d{1,15}) ([0-9a-f]{64})")
_AGAIN_S = 60.0


@dataclass(frozen=True, slots=True)
class Told:
    """A head that was told on a day."""

    day: str
    head: Head


def heads_path(station: Station) -> Path | None:
    """Return the file of heads, seen from the station's folder; None where `copy_head_to` names none."""
    name = station.table.ledger.copy_head_to
    return None if name is None else station.folder / name


class HeadCopy:
    """Copies the head once a day; for who writes the ledger."""

    def __init__(self, station: Station) -> None:
        self._path = heads_path(station)
        self._day, self._not_before = "", 0.0

    def step(self, ledger: Ledger, *, at: str | None = None) -> str | None:
        """Add today's line unless it is there; return in a sentence why it cannot be, None otherwise.

        It is tried again a minute later: a second place may be away, and parts do not wait for it.
        """
        day = (at or utc_now())[:10]
        if self._path is None or day == self._day or time.monotonic() < self._not_before:
            return None
        try:
            copy_head(self._path, ledger.head, day)
        except UnusableInput as error:
            self._not_before = time.monotonic() + _AGAIN_S
            return str(error)
        self._day = day
        return None


def copy_head(path: Path, head: Head, day: str) -> bool:
    """Add a day's head to a file, durably, unless the day has its line; return whether it was added.

    Raises `UnusableInput` where it cannot be written.
    """
    try:
        is_new = not path.exists()
        there = b"" if is_new else path.read_bytes()
        if not head.seq or any(line.startswith(f"{day} ".encode()) for line in there.splitlines()[-3:]):
            return False
        begin = b"" if not there or there.endswith(b"\n") else b"\n"  # a line that was broken off stays as it is
        with path.open("ab") as file:
            file.write(begin + f"{day} {head.seq} {head.sha}\n".encode())
            file.flush()
            os.fsync(file.fileno())
        if is_new:
            flush_folder(path.parent)
    except OSError as error:
        raise UnusableInput(
            f"cannot copy the ledger's head to {path}: {reason_of(error)}; see to that place"
        ) from error
    return True


def told_heads(station: Station) -> tuple[Told, ...]:
    """Return the heads that were copied; `UnusableInput` where they cannot be read."""
    path = heads_path(station)
    if path is None:
        return ()
    found = map(_LINE.fullmatch, read_text(path).splitlines())
    return tuple(Told(m[1], Head(int(m[2]), m[3])) for m in found if m is not None)


def head_faults(station: Station, ledger: Ledger) -> Iterator[str]:
    """Yield, in sentences, which copied heads the ledger does not have."""
    heads: tuple[Told, ...] = ()
    with suppress(TiepointError):
        heads = told_heads(station)
    for told in heads:
        if ledger.holds(told.head.sha) != told.head.seq:
            yield (
                f"entry {told.head.seq}, the head of {told.day} by {heads_path(station)}, is not in the ledger: its "
                "end was cut off, or another was put in its place"
            )


def head_notes(station: Station) -> Iterator[str]:
    """Yield what a reader should know of the copied heads, and is no fault."""
    try:
        heads = told_heads(station)
    except TiepointError as error:
        yield f"the heads that are copied daily cannot be looked at: {error}"
        return
    if heads:
        yield f"{len(heads)} heads were copied to {heads_path(station)}, the last on {heads[-1].day}"
