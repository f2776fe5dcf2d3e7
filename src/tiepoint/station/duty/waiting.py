"""Parts from their arrival until they are written: in the order in which they came, never more than were agreed.

Judges work at several at once, the writer takes them in order. A part that is not written by its deadline is late,
whoever is to blame. Where too many wait, those that come are unread at once; where even these cannot be held, they are
counted. So nothing grows, and nothing is passed unseen.
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from tiepoint.foundation.reasons import Reason
from tiepoint.model.record import Record
from tiepoint.station.cameras.delivery import Delivery
from tiepoint.station.composed import Composed
from tiepoint.station.duty.judging import Task

UNREAD_TIMES = 4
"""How many times as many parts are held as may wait to be judged: the rest are unread, without their pictures."""
LISTEN_S = 0.2
GRACE_S = 1.0
"""How much longer than its deadline a part may take before the process that judges it is ended."""

Checked = Callable[[Record], None]


@dataclass(eq=False)
class Part:
    """A part on its way. `deadline_s`: by the monotonic clock. `answer`: its record, or why it was not judged.

    `checked`: of a part that is only judged to see whether it would be; it is told the record, and nobody else is.
    `made`: the record of a part that was not judged, once it was made. `tried`: what was handed to the ledger first.
    """

    task: Task
    deadline_s: float
    answer: Composed | Reason | None = None
    checked: Checked | None = None
    taken: bool = field(default=False)
    made: Composed | None = None
    tried: Composed | None = None

    @property
    def delivery(self) -> Delivery:
        """What the camera delivered."""
        return self.task.delivery

    def late(self, now_s: float) -> None:
        """Have it be unread where its deadline has passed, however it was judged."""
        if now_s > self.deadline_s and not isinstance(self.answer, Reason):
            allowed = round(1e3 * self.deadline_s - self.delivery.taken_mono_ns / 1e6)
            self.answer = Reason("shot_late", {"deadline_ms": allowed})


class Waiting:
    """The queue. Any thread may call any of it."""

    def __init__(self, most: int, *, clock: Callable[[], float] = time.monotonic) -> None:
        """`most`: how many parts may wait to be judged."""
        self._most, self._clock = most, clock
        self._parts: deque[Part] = deque()
        self._changed = threading.Condition()
        self._closed = False
        self._missed = 0

    def __len__(self) -> int:
        return len(self._parts)

    @property
    def is_full(self) -> bool:
        """Whether the next part would be unread for want of room."""
        with self._changed:
            return self._unjudged() >= self._most

    def came(self, part: Part) -> bool:
        """Add a part; false where it could not be held. One for which there is no room is unread, unless it is that."""
        with self._changed:
            if len(self._parts) >= UNREAD_TIMES * self._most:
                self._missed += part.checked is None
                return False
            if part.answer is None and (n := self._unjudged()) >= self._most:
                part.answer = Reason("shot_too_many", {"waiting": n})
            if isinstance(part.answer, Reason):
                # What was not looked at is not kept waiting in memory.
                part.task = replace(part.task, delivery=replace(part.delivery, frames=()))
            self._parts.append(part)
            self._changed.notify_all()
            return True

    def next_task(self, stopped: Callable[[], bool]) -> tuple[Task, float] | None:
        """Wait for a part to be judged and return it with until when, by the monotonic clock.

        None at the end, or once `stopped` says so, which is asked some times a second.
        """
        with self._changed:
            while True:
                free = [] if stopped() else [p for p in self._parts if p.answer is None and not p.taken]
                if free:
                    # Parts of the line come before those that are only looked at to see whether they would be judged.
                    part = next((p for p in free if p.checked is None), free[0])
                    part.taken = True
                    return part.task, part.deadline_s + GRACE_S
                if self._closed or stopped():
                    return None
                self._changed.wait(LISTEN_S)

    def done(self, task: Task, answer: Composed | str) -> None:
        """Take the answer to a task; one that came too late finds its part gone."""
        with self._changed:
            part = next((p for p in self._parts if p.task is task), None)
            if part is not None and part.answer is None:
                why = answer if isinstance(answer, str) else ""
                part.answer = Reason("shot_not_judged", {"detail": why}) if isinstance(answer, str) else answer
            self._changed.notify_all()

    def first(self, timeout_s: float) -> Part | None:
        """Return the first part once it is answered or late; None where it is neither within that time.

        One that is only looked at holds up nobody: where it is not answered yet, the next is the first.
        """
        until = self._clock() + timeout_s
        with self._changed:
            while True:
                now = self._clock()
                wait = until - now
                for part in self._parts:
                    part.late(now)
                    if part.answer is not None:
                        return part
                    wait = min(wait, part.deadline_s - now)
                    if part.checked is None:
                        break
                if until <= now or self._closed:
                    return None
                self._changed.wait(max(0.0, wait) + 1e-4)

    def written(self, part: Part) -> None:
        """Let go of a part: it is in the ledger."""
        with self._changed:
            self._parts.remove(part)
            self._changed.notify_all()

    def taken_missed(self) -> int:
        """Return how many parts came and could not even be held since this was asked last."""
        with self._changed:
            missed, self._missed = self._missed, 0
            return missed

    def stir(self) -> None:
        """Wake who waits, to look at something else."""
        with self._changed:
            self._changed.notify_all()

    def close(self) -> None:
        """Give out no more parts to be judged."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def _unjudged(self) -> int:
        return sum(part.answer is None for part in self._parts)
