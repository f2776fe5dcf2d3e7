"""What every route works with: the station, the threads that ask its ledger, the feed, and what was made once."""

import asyncio
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from fastapi import Request
from starlette.types import Scope

from tiepoint.station.folder import Station
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


@dataclass(frozen=True, slots=True)
class Here:
    """Of one application. `cut` closes the connection of a request at once; `pushing`: shots that come, by camera.

    `shown`: pictures that were decoded to be shown, by the hash of their files.
    """

    station: Station
    asking: Asking
    feed: Feed
    cache: Cache[bytes]
    cut: Callable[[Scope], None]
    jobs: Jobs
    shown: Cache[Any] = field(default_factory=_pictures)
    looking: asyncio.Semaphore = field(default_factory=_turns(LOOKING))
    acting: asyncio.Semaphore = field(default_factory=_turns(ACTING))
    accepting: asyncio.Lock = field(default_factory=asyncio.Lock)
    pushing: Counter[str] = field(default_factory=Counter)
    eyes: Eyes = field(default_factory=Eyes)


def here_of(request: Request) -> Here:
    """Return what the application of a request works with."""
    found: Here = request.app.state.here
    return found
