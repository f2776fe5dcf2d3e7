"""The station's condition: on duty only where nothing forbids it, and each thing that forbids has a name.

A fault is anything that keeps parts from being seen, judged, written or kept. It begins with what went wrong and ends
by itself when that works again; both are told on every wire and stand in the ledger. Who takes the station off duty is
a person, and it stays so until a person says otherwise.
"""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tiepoint.foundation.reasons import Reason
from tiepoint.station.wires.wire import State

NEXT = {
    "camera": "see to its cable, power, folder or stream; it is joined again by itself",
    "ledger": "make room on its disk or bring its database back; the part that waits is written first",
    "archive": "see to room and speed of its disk, or keep fewer pictures",
    "judging": "do what the sentence says; it is tried again by itself",
    "set-up": "ask tiepoint check, correct what it says, and accept anew",
    "duty": "tell the developers; the next turn is tried by itself",
    "taking": "tell the developers; the camera is asked again by itself",
    "wire": "tell the developers; the other wires are told",
}
"""What a person does about a fault, by the first word of its name; what the watch stops for says so itself."""


def next_of(fault: str) -> str:
    """Return what to do about a fault, by its name; "" where its own sentence says so."""
    return NEXT.get(fault.partition(" ")[0], "")


MOST_NAMED = 5


@dataclass(frozen=True, slots=True)
class Changed:
    """A change: the state from now on, the name of its fault or "", and what it is in a sentence."""

    state: State
    fault: str
    says: str


def _names(faults: Sequence[tuple[str, str]]) -> str:
    """Return by name what is wrong besides: who mends the first fault alone would not know why it goes on."""
    more = f" and {len(faults) - MOST_NAMED} more" if len(faults) > MOST_NAMED else ""
    return ", ".join(name for name, _ in faults[:MOST_NAMED]) + more


class Condition:
    """What forbids that parts conform. Any thread may call any of it."""

    def __init__(self, changed: Callable[[Changed], None]) -> None:
        """`changed` is told of each change, by the thread that made it."""
        self._tell, self._lock = changed, threading.RLock()
        self._faults: dict[str, str] = {}
        self._base: State = "warming"
        self._why_not = "it is warming up"
        self._rests: str | None = None
        self._last: Changed | None = None

    @property
    def now(self) -> Changed:
        """What the station is at present."""
        with self._lock:
            if self._rests is not None:
                return Changed("off duty", "", self._rests)
            if not self._faults:
                return Changed(self._base, "", self._why_not)
            (name, says), *more = self._faults.items()
            return Changed("fault", name, says if not more else f"{says.rstrip('.')}. Also: {_names(more)}.")

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
        """Set what the station is where it has no fault; `why`, in a clause: not on duty, or on duty all the same.

        One that is off duty stays so, whatever else is set, until it is woken: a challenge whose time has come, or what
        has warmed up meanwhile, puts no station on duty that a person took off it.
        """
        with self._lock:
            if state == "off duty":
                self._rests = why
            else:
                self._base, self._why_not = state, why
        self._told()

    @property
    def beneath(self) -> State:
        """What the station is but for its faults, and but for a person who took it off duty."""
        with self._lock:
            return self._base

    def wake(self) -> None:
        """End a rest: the station is what was set last."""
        with self._lock:
            self._rests = None
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
