"""Tells pages which drafts have changed, whoever changed them, as long as a page is there to be told."""

import asyncio
import hashlib
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from typing import Any

from tiepoint.station.draft_watch import Stamp, changed, stamps_of
from tiepoint.station.folder import Station
from tiepoint.web.feed import Feed

LOOK_S, LATEST_S = 0.4, 5.0
SHARE = 50
"""So many times longer than a look took is waited for the next, so that many files cost hardly more than few; at most
`LATEST_S`, since on a busy machine a look takes long."""
MOST_TOLD, MOST_HASHED, MOST_BYTES = 200, 50, 10_000_000


async def watch_drafts(station: Station, feed: Feed, run: Callable[[Callable[[], Any]], Any]) -> None:
    """Look until the feed closes. `run` does work on files in a thread.

    The event `drafts` tells `paths`, none where there were too many to be told, and `shas` of those that are small, as
    `drafting.edit` takes them for what was seen; null for one that is gone.
    """
    before: dict[str, Stamp] | None = None
    wait_s = LOOK_S
    while not feed.closing.is_set():
        if not feed.viewers:
            before, wait_s = None, LOOK_S
        else:
            begun = time.monotonic()
            now = await run(partial(stamps_of, station.folder))
            wait_s = min(LATEST_S, max(LOOK_S, SHARE * (time.monotonic() - begun)))
            paths = () if before is None else changed(before, now)
            before = now
            if paths:
                told = paths if len(paths) <= MOST_TOLD else ()
                feed.notify("drafts", {"paths": list(told), "shas": await run(partial(_shas, station, told))})
        with suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await feed.closing.wait()


def _shas(station: Station, paths: Sequence[str]) -> dict[str, str | None]:
    told: dict[str, str | None] = {}
    for path in paths[:MOST_HASHED]:
        place = station.folder / path
        try:
            if place.stat().st_size <= MOST_BYTES:
                told[path] = hashlib.sha256(place.read_bytes()).hexdigest()
        except FileNotFoundError:
            told[path] = None
        except OSError:  # it cannot be read now, and nothing is told of it
            continue
    return told
