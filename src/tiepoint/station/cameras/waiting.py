"""What waits to be taken from a camera: passed from its thread to duty's, bounded, and given up when it stops."""

import threading
from collections import deque

from tiepoint.station.cameras.delivery import Delivery


class Waiting:
    """Deliveries in their order, no more than `most`; `put` says where there is no room."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._made: deque[Delivery] = deque()
        self._changed = threading.Condition()
        self._stopped = False

    def __len__(self) -> int:
        return len(self._made)

    def put(self, delivery: Delivery, timeout_s: float = 0.0) -> bool:
        """Add one; false where there was no room for it within that time."""
        with self._changed:
            self._changed.wait_for(lambda: len(self._made) < self._most or self._stopped, timeout_s)
            if len(self._made) >= self._most or self._stopped:
                return False
            self._made.append(delivery)
            self._changed.notify_all()
            return True

    def take(self, timeout_s: float) -> Delivery | None:
        """Return the oldest; None where none came within that time, or where the camera has stopped."""
        with self._changed:
            self._changed.wait_for(lambda: self._made or self._stopped, timeout_s)
            if self._stopped or not self._made:
                return None
            self._changed.notify_all()
            return self._made.popleft()

    def begin(self) -> None:
        """Begin anew."""
        with self._changed:
            self._made.clear()
            self._stopped = False

    def stop(self) -> None:
        """Let whoever waits return at once."""
        with self._changed:
            self._stopped = True
            self._changed.notify_all()
