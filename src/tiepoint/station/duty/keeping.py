"""Pictures into the archive, behind the verdict's back: by one thread, one part after another, until each is kept."""

import queue
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from tiepoint.model.record import Record
from tiepoint.station.cameras.delivery import Delivery
from tiepoint.station.duty.judging import said_of

RETRY_S = 1.0


@dataclass(frozen=True, slots=True)
class Kept:
    """A part that was dealt with. `body`: of the ledger's entry; None where it is one of those that are not kept."""

    record: Record
    delivery: Delivery
    body: Mapping[str, Any] | None


class Keeping:
    """The thread. `keep` writes a part's files and returns the body of their entry; it is tried again until it can."""

    def __init__(
        self,
        most: int,
        keep: Callable[[Record, Delivery], Mapping[str, Any] | None],
        kept: Callable[[Kept], None],
        troubled: Callable[[str | None], None],
    ) -> None:
        """`most`: how many parts may wait. `kept` is told of each, `troubled` of why none can be kept, or None."""
        self._keep, self._kept, self._troubled = keep, kept, troubled
        self._queue: queue.Queue[tuple[Record, Delivery] | None] = queue.Queue(most)
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="keeping", daemon=True)
        self._thread.start()

    @property
    def is_full(self) -> bool:
        """Whether the next part would have to wait."""
        return self._queue.full()

    def add(self, record: Record, delivery: Delivery, timeout_s: float) -> bool:
        """Take a part; false where there is no room within that time."""
        try:
            self._queue.put((record, delivery), timeout=timeout_s)
        except queue.Full:
            return False
        return True

    def _run(self) -> None:
        while (given := self._queue.get()) is not None:
            self._kept_at_last(*given)

    def _kept_at_last(self, record: Record, delivery: Delivery) -> None:
        is_troubled = False
        while True:
            try:
                body = self._keep(record, delivery)
                break
            except Exception as error:  # whatever it is, the shot is not kept: it is told, and tried again
                is_troubled = True
                self._troubled(said_of(error))
                if self._ending.wait(RETRY_S):
                    return
        if is_troubled:
            self._troubled(None)
        self._kept(Kept(record, delivery, body))

    def end(self, timeout_s: float) -> None:
        """Keep what still waits, as far as that goes within that time, and end."""
        try:
            self._queue.put(None, timeout=timeout_s)
        except queue.Full:
            self._ending.set()
            return
        self._thread.join(timeout_s)
        self._ending.set()
