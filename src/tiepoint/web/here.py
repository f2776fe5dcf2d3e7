"""What every route works with: the station, the threads that ask its ledger, the feed, and what was made once."""

import asyncio
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fastapi import Request
from starlette.types import Scope

from tiepoint.foundation.errors import TiepointError
from tiepoint.station.folder import STATION, Station, open_station
from tiepoint.web.asking import Asking
from tiepoint.web.cache import Cache
from tiepoint.web.eyes import Eyes
from tiepoint.web.feed import Feed
from tiepoint.web.jobs import Jobs

LOOKING, ACTING = 2, 4
"""Shots that are decoded at once, each of which may take hundreds of megabytes; acts that wait for duty's answer."""

SHOWN_BYTES = 256_000_000
"""Of pictures that are held decoded; one that is larger is held alone."""


def _turns(most: int) -> Callable[[], asyncio.Semaphore]:
    return lambda: asyncio.Semaphore(most)


def _pictures() -> "Cache[Any]":
    return Cache(SHOWN_BYTES, lambda pixels: pixels.nbytes, keeps_last=True)


class Reopened:
    """A station as its station.toml says now; what it said before while that cannot be read. For any thread."""

    def __init__(self, station: Station) -> None:
        self._station, self._stamp = station, _stamp(station.folder)

    def now(self) -> Station:
        """Return it."""
        stamp = _stamp(self._station.folder)
        if stamp != self._stamp:
            with suppress(TiepointError):
                self._station = open_station(self._station.folder)
            self._stamp = stamp
        return self._station


def _stamp(folder: Path) -> tuple[int, ...]:
    try:
        told = (folder / STATION).stat()
    except OSError:
        return ()
    return told.st_ino, told.st_mtime_ns, told.st_size


@dataclass(frozen=True, slots=True)
class Here:
    """Of one application. `cut` closes the connection of a request at once; `pushing`: shots that come, by camera.

    `shown`: pictures that were decoded to be shown, by the hash of their files. `alone`: the person at
    this machine has it open, without duty.

    `proving`: held while it is worked out what is shown: of all who ask after a change, one waits for the files, and
    not every thread.
    """

    reopened: "Reopened"
    asking: Asking
    feed: Feed
    cache: Cache[bytes]
    cut: Callable[[Scope], None]
    jobs: Jobs
    alone: bool = False
    shown: Cache[Any] = field(default_factory=_pictures)
    looking: asyncio.Semaphore = field(default_factory=_turns(LOOKING))
    acting: asyncio.Semaphore = field(default_factory=_turns(ACTING))
    accepting: asyncio.Lock = field(default_factory=asyncio.Lock)
    proving: asyncio.Lock = field(default_factory=asyncio.Lock)
    pushing: Counter[str] = field(default_factory=Counter)
    eyes: Eyes = field(default_factory=Eyes)

    @property
    def station(self) -> Station:
        """The station as its station.toml says now."""
        return self.reopened.now()


def here_of(request: Request) -> Here:
    """Return what the application of a request works with."""
    found: Here = request.app.state.here
    return found
