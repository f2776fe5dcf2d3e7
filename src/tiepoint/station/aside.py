"""A thread of its own, from the beginning of a `with` to its end: for what is done beside the thread that writes."""

import threading
from types import TracebackType
from typing import Self


class Aside:
    """The thread. Who inherits does its work in `turn`, again and again, after as long as the last one said."""

    def __init__(self, name: str, first_s: float = 0.0) -> None:
        """`first_s`: after so long the first turn begins."""
        self._first_s = first_s
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def turn(self) -> float:
        """Do what is due, and return after how many seconds there may be more; it raises nothing."""
        raise NotImplementedError

    def __enter__(self) -> Self:
        """Begin."""
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End, and wait until the turn that is under way has ended."""
        self._end.set()
        self._thread.join()

    def _run(self) -> None:
        wait_s = self._first_s
        while not self._end.wait(wait_s):
            wait_s = self.turn()
