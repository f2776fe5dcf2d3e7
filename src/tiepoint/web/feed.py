"""Live events: one reader of the ledger for all viewers, and of each viewer no more than the number it has come to.

A viewer that is slow falls behind, and is read what it missed from the ledger, some at a time; one that does not read
at all is cut off. So none is ever sent an entry twice, none misses one, and none makes the server hold anything.
"""

import asyncio
from collections import Counter, deque
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import Any

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from tiepoint.foundation.errors import TiepointError
from tiepoint.station.duty.status import read_status
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.web.asking import Asking, NoLedger
from tiepoint.web.refused import Refused
from tiepoint.web.told import as_event, entry_in_short, state_told

LOOK_S = 0.2
HEARTBEAT_S = 10.0
SEND_S = 15.0
"""How long a viewer may take to read what was sent to it before."""
AT_ONCE = 200
RECENT = 1000
MOST_NOTICES = 256
AGAIN_MS = 2000
"""After so long a browser connects again."""

_HEARTBEAT = as_event("here", {})


@dataclass(eq=False, slots=True)
class _Viewer:
    """A stream that is sent to somebody. `has_to_go`: it ends, so that somebody else can look."""

    who: str
    has_to_go: bool = False


class Feed:
    """The reader. `run` goes on until `close`; all of it belongs to one event loop."""

    def __init__(self, station: Station, asking: Asking, most: int) -> None:
        """`most`: how many viewers there may be.

        `reads` counts looks at the ledger, `told_alone` entries that were read for one viewer, which was behind.
        """
        self._station, self._asking, self._most = station, asking, most
        self._streams: list[_Viewer] = []
        self.reads, self.told_alone = 0, 0
        self._head = 0
        self._recent: deque[tuple[int, bytes]] = deque(maxlen=RECENT)
        self._state, self._state_number = b"", 0
        self._notices: deque[tuple[int, bytes]] = deque(maxlen=MOST_NOTICES)
        self._notice = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._changed = asyncio.Event()
        self._first = asyncio.Event()
        self._looked = asyncio.Lock()
        self._is_live = False
        self.closing = asyncio.Event()

    @property
    def viewers(self) -> int:
        """How many there are."""
        return len(self._streams)

    async def run(self) -> None:
        """Look for what is new as long as anybody is there to be told."""
        self._loop = asyncio.get_running_loop()
        while not self.closing.is_set():
            if self.viewers:
                with suppress(TiepointError):
                    await self._look()
            else:
                self._is_live = False
                self._first.clear()
                await self._first.wait()
                continue
            with suppress(TimeoutError):
                async with asyncio.timeout(LOOK_S):
                    await self.closing.wait()

    def close(self) -> None:
        """End all streams in good order; from the loop's own thread."""
        self.closing.set()
        self._first.set()
        self._stir()

    def notify(self, kind: str, content: Mapping[str, Any]) -> None:
        """Tell all who view now of something that stands in no ledger; from any thread."""
        if self._loop is not None:
            with suppress(RuntimeError):  # it has ended, and so has everybody's view
                self._loop.call_soon_threadsafe(self._notified, as_event(kind, content))

    def _notified(self, data: bytes) -> None:
        self._notice += 1
        self._notices.append((self._notice, data))
        self._stir()

    async def stream(self, after: int | None, who: str = "") -> AsyncIterator[bytes]:
        """Yield what a viewer is sent: the state, and all entries after a number, from now on where it is None.

        `who`: the person or the machine that looks. Refused where there are too many viewers and none of them has to
        go: one does, the first of whoever has most, for somebody who has at least two fewer.
        """
        self._make_room(who)
        mine = _Viewer(who)
        self._streams.append(mine)
        self._first.set()
        try:
            await self._begun(after or 0)
            place, state, notice = self._head if after is None else after, -1, self._notice
            yield f"retry: {AGAIN_MS}\n\n".encode()
            if place > self._head:  # another ledger was put in its place
                yield as_event("reset", {"seq": self._head}, self._head)
                place = self._head
            while not (self.closing.is_set() or mine.has_to_go):
                changed = self._changed
                told = await self._after(place)
                data = b"".join(one for _, one in told)
                place = told[-1][0] if told else place
                if state != self._state_number:
                    state, data = self._state_number, data + self._state
                notice, data = self._notice, data + self._notices_after(notice)
                if data:
                    yield data
                    continue
                try:
                    async with asyncio.timeout(HEARTBEAT_S):
                        await changed.wait()
                except TimeoutError:
                    yield _HEARTBEAT
        finally:
            self._streams.remove(mine)

    def _make_room(self, who: str) -> None:
        """See to it that there is a place for one viewer more, so that nobody keeps all others from looking."""
        staying = [one for one in self._streams if not one.has_to_go]
        if len(staying) < self._most:
            return
        has = Counter(one.who for one in staying)
        greediest, most = has.most_common(1)[0]
        if most < has[who] + 2:
            raise Refused(503, f"{self._most} viewers are there already", "close other pages of the station")
        next(one for one in staying if one.who == greediest).has_to_go = True
        self._stir()

    def _notices_after(self, notice: int) -> bytes:
        """Return the notices after one; a viewer that has missed some is told that, and looks at everything again."""
        there = [data for number, data in self._notices if number > notice]
        return b"".join(there) if len(there) == self._notice - notice else as_event("missed", {})

    async def _begun(self, after: int) -> None:
        """See to it that the head is that of now, and not of when somebody last looked."""
        if not self._is_live or after > self._head:
            with suppress(TiepointError):
                await self._look()

    async def _look(self) -> None:
        async with self._looked:
            await self._look_alone()

    async def _look_alone(self) -> None:
        if not self._is_live:
            self._recent.clear()
            self._head = await self._head_now()
            self._is_live = True
        self._look_at_state(await self._asking.run(lambda: as_event("state", _lasting(self._station))))
        while True:
            head = self._head
            try:
                entries, there = await self._asking(partial(_new, after=head))
            except NoLedger:
                entries, there = [], 0
            self.reads += 1
            if there < head:
                self._recent.clear()
                self._head = there
            if not entries:
                return
            self._recent.extend((entry.seq, _told(entry)) for entry in entries)
            self._head = entries[-1].seq
            self._stir()

    async def _head_now(self) -> int:
        try:
            return await self._asking(lambda ledger: ledger.head.seq)
        except NoLedger:
            return 0

    def _look_at_state(self, state: bytes) -> None:
        if state != self._state:
            self._state, self._state_number = state, self._state_number + 1
            self._stir()

    async def _after(self, place: int) -> list[tuple[int, bytes]]:
        """Return what comes after a number, as far as it is sent at once."""
        if place >= self._head:
            return []
        if self._recent and self._recent[0][0] <= place + 1:
            ahead = self._recent[-1][0] - place
            return list(islice(self._recent, len(self._recent) - ahead, len(self._recent) - ahead + AT_ONCE))
        try:
            entries = await self._asking(lambda ledger: list(islice(ledger.entries(after=place), AT_ONCE)))
        except TiepointError:
            await asyncio.sleep(LOOK_S)
            return []
        self.told_alone += len(entries)
        return [(entry.seq, _told(entry)) for entry in entries]

    def _stir(self) -> None:
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()


def _new(ledger: Ledger, after: int) -> tuple[list[Entry], int]:
    """Return the entries after a number, and the number of the last of them or of the ledger."""
    entries = list(islice(ledger.entries(after=after), AT_ONCE))
    return entries, entries[-1].seq if entries else ledger.head.seq


def _lasting(station: Station) -> dict[str, object]:
    """Return the state without what changes all the time, so that it is told only when there is something new."""
    told = state_told(read_status(station.folder))
    return {key: value for key, value in told.items() if key not in ("written_utc", "waiting", "seq")}


def _told(entry: Entry) -> bytes:
    return as_event(entry.kind, entry_in_short(entry), entry.seq)


class EventStream(Response):
    """The answer that goes on. A viewer that has gone, or does not read, is let go of."""

    def __init__(self, stream: AsyncIterator[bytes], first: bytes, cut: Callable[[Scope], None]) -> None:
        """`first`: what was taken from the stream already. `cut` closes the connection of a viewer at once."""
        super().__init__(media_type="text/event-stream", headers={"Cache-Control": "no-store"})
        self._stream, self._head, self._cut = stream, first, cut

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send until either side ends."""
        sending = asyncio.create_task(self._send_all(scope, send))
        gone = asyncio.create_task(_until_gone(receive))
        try:
            await asyncio.wait({sending, gone}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (sending, gone):
                task.cancel()
            await asyncio.gather(sending, gone, return_exceptions=True)

    async def _send_all(self, scope: Scope, send: Send) -> None:
        headers = [(k, v) for k, v in self.raw_headers if k != b"content-length"]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        try:
            await self._send(send, self._head)
            async for data in self._stream:
                await self._send(send, data)
            await send({"type": "http.response.body", "body": b""})
        except TimeoutError:
            self._cut(scope)
        finally:
            await self._stream.aclose()  # type: ignore[attr-defined]  # it is a generator

    async def _send(self, send: Send, data: bytes) -> None:
        async with asyncio.timeout(SEND_S):
            await send({"type": "http.response.body", "body": data, "more_body": True})


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
