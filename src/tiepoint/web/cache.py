"""What was made once for all who ask: bytes by their key, made by one while the others wait, and no more than fit."""

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable


class Cache:
    """A store of at most so many bytes; what was asked for longest ago makes room. For one event loop."""

    def __init__(self, most_bytes: int) -> None:
        self._most, self._held = most_bytes, 0
        self._kept: OrderedDict[str, bytes] = OrderedDict()
        self._making: dict[str, asyncio.Future[bytes]] = {}
        self.made = 0

    async def get(self, key: str, make: Callable[[], Awaitable[bytes]]) -> bytes:
        """Return the bytes of a key, made now where they are not there; raises what making them raises."""
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        if key not in self._making:
            self._making[key] = asyncio.ensure_future(self._made(key, make))
        return await asyncio.shield(self._making[key])

    async def _made(self, key: str, make: Callable[[], Awaitable[bytes]]) -> bytes:
        try:
            data = await make()
        finally:
            del self._making[key]
        self.made += 1
        if len(data) <= self._most:
            self._kept[key] = data
            self._held += len(data)
            while self._held > self._most:
                self._held -= len(self._kept.popitem(last=False)[1])
        return data
