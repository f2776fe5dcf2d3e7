"""The station's condition: on duty only where nothing forbids it, and each thing that forbids has a name.

A fault is anything that keeps parts from being seen, judged, written or kept. It begins with what went wrong and ends
by itself when that works again; both are told on every wire and stand in the ledger.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass

from tiepoint.foundation.reasons import Reason
from tiepoint.station.wires.wire import State


@dataclass(frozen=True, slots=True)
class Changed:
    """A change: the state from now on, the name of its fault or "", and what it is in a sentence."""

    state: State
    fault: str
    says: str


class Condition:
    """What forbids that parts conform. Any thread may call any of it."""

    def __init__(self, changed: Callable[[Changed], None]) -> None:
        """`changed` is told of each change, by the thread that made it."""
        self._tell, self._lock = changed, threading.RLock()
        self._faults: dict[str, str] = {}
        self._base: State = "warming"
        self._why_not = "it is warming up"
        self._last: Changed | None = None

    @property
    def now(self) -> Changed:
        """What the station is at present."""
        with self._lock:
            if self._base == "off duty" or not self._faults:
                return Changed(self._base, "", self._why_not)
            name, says = next(iter(self._faults.items()))
            return Changed("fault", name, says)

    @property
    def forbids(self) -> Reason | None:
        """Why a part that comes now is unread; None on duty."""
        now = self.now
        if now.state == "on duty":
            return None
        if now.state == "fault":
            return Reason("shot_not_judged", {"detail": now.says.rstrip(".")})
        return Reason("shot_not_released", {"detail": now.says.rstrip(".")})

    def set(self, state: State, why: str = "") -> None:
        """Set what the station is where it has no fault; `why`, in a clause: not on duty, or on duty all the same."""
        with self._lock:
            self._base, self._why_not = state, why
        self._told()

    def fault(self, name: str, says: str | None) -> None:
        """Begin or renew a fault; with None it has ended."""
        with self._lock:
            if says is None:
                self._faults.pop(name, None)
            else:
                self._faults[name] = says
        self._told()

    def has(self, name: str) -> bool:
        """Whether there is a fault of that name."""
        with self._lock:
            return name in self._faults

    def _told(self) -> None:
        with self._lock:
            now, before = self.now, self._last
            if before is not None and (before.state, before.fault) == (now.state, now.fault):
                return
            self._last = now
        self._tell(now)
