"""What was made once for all who ask: things by their key, made by one while the others wait, and no more than fit."""

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from typing import Any, Generic, TypeVar

T = TypeVar("T")


class Cache(Generic[T]):
    """A store of at most so many bytes; what was asked for longest ago makes room. For one event loop.

    `size`: how many bytes a thing takes. `keeps_last`: the newest is kept even where it alone is larger.
    """

    def __init__(self, most_bytes: int, size: Callable[[T], int] | None = None, *, keeps_last: bool = False) -> None:
        self._most, self._held = most_bytes, 0
        self._size: Callable[[Any], int] = size or len
        self._keeps_last = keeps_last
        self._kept: OrderedDict[str, T] = OrderedDict()
        self._making: dict[str, asyncio.Future[T]] = {}
        self.made = 0

    async def get(self, key: str, make: Callable[[], Awaitable[T]]) -> T:
        """Return what belongs to a key, made now where it is not there; raises what making it raises."""
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        if key not in self._making:
            self._making[key] = asyncio.ensure_future(self._made(key, make))
        return await asyncio.shield(self._making[key])

    async def _made(self, key: str, make: Callable[[], Awaitable[T]]) -> T:
        try:
            thing = await make()
        finally:
            del self._making[key]
        self.made += 1
        if self._size(thing) <= self._most or self._keeps_last:
            self._kept[key] = thing
            self._held += self._size(thing)
            while self._held > self._most and len(self._kept) > self._keeps_last:
                self._held -= self._size(self._kept.popitem(last=False)[1])
        return thing
