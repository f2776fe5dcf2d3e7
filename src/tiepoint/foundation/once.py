"""`cached_property` without the lock that Python took until 3.11 whenever one was asked for the first time.

A shot asks for hundreds. What is worked out here follows from what never changes, so that two threads that ask at once
get the same.
"""

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING or sys.version_info >= (3, 12):
    from functools import cached_property
else:

    class _Once:
        def __init__(self, work: Callable[[Any], Any]) -> None:
            self._work = work
            self.__doc__ = work.__doc__

        def __set_name__(self, owner: type, name: str) -> None:
            self._name = name

        def __get__(self, whose: Any, owner: type | None = None) -> Any:
            if whose is None:
                return self
            value = whose.__dict__[self._name] = self._work(whose)
            return value

    cached_property = _Once

__all__ = ["cached_property"]
