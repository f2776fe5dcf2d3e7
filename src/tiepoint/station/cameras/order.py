"""Whether what a camera delivers is new, whole and in its order: pure logic, without clock or device.

A picture that is incomplete, repeated, late or out of order is no result: the camera says so by the delivery's status,
and the part is not judged.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from tiepoint.model.shot import ShotStatus
from tiepoint.station.cameras.delivery import Trigger

KEPT_IDS = 10_000
"""So many ids of shots are remembered: a camera that sends one again does so soon."""
HELD_BACK = 64
"""A camera, its driver and the network hold no more pictures than this: a counter that falls by more began anew."""


@dataclass(frozen=True, slots=True)
class Judged:
    """How far a delivery can be trusted. `lost`: so many pictures of the camera's own count never came before it."""

    status: ShotStatus = "complete"
    why: str = ""
    lost: int = 0


class Order:
    """What a camera gave before, against which each delivery is held.

    `bits`: of the camera's counter of frames, after which it begins at 0 again, or at 1 where it `skips_zero` (GigE
    Vision 1.x: block ids of 16 bits, of which 0 is none). A counter that falls by more than `held_back` has begun
    anew: that one picture is out of order, since nobody knows what was lost in between, and those after it are
    counted from there. `restarted` says that the camera is known to begin anew.
    """

    def __init__(self, bits: int = 32, *, skips_zero: bool = False, held_back: int = HELD_BACK) -> None:
        self._span = 2**bits - skips_zero
        self._first = int(skips_zero)
        self._held_back = held_back
        self._last: int | None = None
        self._before: frozenset[str] = frozenset()
        self._ids: set[str] = set()
        self._in_turn: deque[str] = deque()

    def restarted(self) -> None:
        """Forget the counter: the camera was away, and counts as it likes from here on."""
        self._last = None

    def judge(
        self, counters: Sequence[int | None] = (), hashes: Sequence[str] = (), shot_id: str | None = None
    ) -> Judged:
        """Return how far a delivery can be trusted, and remember it.

        `counters` and `hashes` are those of its pictures in the order in which they were taken; `shot_id` is only
        given where the camera itself names its shots.
        """
        by_count = self._by_counters(counters)
        found = self._by_hashes(hashes) or self._by_id(shot_id)
        if found and by_count.status == "complete":
            return Judged("repeated", found, by_count.lost)
        return by_count

    def _by_counters(self, counters: Sequence[int | None]) -> Judged:
        worst, lost = Judged(), 0
        for counter in counters:
            judged = Judged() if counter is None else self._by_counter(counter)
            lost += judged.lost
            if worst.status == "complete":
                worst = judged
        return Judged(worst.status, worst.why, lost)

    def _by_counter(self, counter: int) -> Judged:
        if not self._first <= counter < self._first + self._span:
            return Judged("out_of_order", f"its frame number {counter} is none that this camera counts to")
        last = self._last
        ahead = 1 if last is None else (counter - last) % self._span
        if ahead == 0:
            return Judged("repeated", f"its frame number {counter} is that of the picture before")
        behind = self._span - ahead
        if ahead <= behind:
            self._last = counter
            return Judged(lost=ahead - 1)
        if behind > self._held_back:
            self._last = counter
            return Judged("out_of_order", f"the camera counts anew from frame number {counter}, after {last}")
        return Judged("out_of_order", f"its frame number {counter} comes after {last}")

    def _by_hashes(self, hashes: Sequence[str]) -> str:
        if not hashes:
            return ""
        before, self._before = self._before, frozenset(hashes)
        if self._before & before:
            return "a picture of it is the same, bit for bit, as one before"
        return "two pictures of it are the same, bit for bit" if len(self._before) < len(hashes) else ""

    def _by_id(self, shot_id: str | None) -> str:
        if shot_id is None:
            return ""
        if shot_id in self._ids:
            return f"a shot {shot_id!r} was delivered before"
        self._ids.add(shot_id)
        self._in_turn.append(shot_id)
        if len(self._in_turn) > KEPT_IDS:
            self._ids.discard(self._in_turn.popleft())
        return ""


@dataclass(frozen=True, slots=True)
class Matched:
    """The trigger that a picture belongs to, None where there is none, and how far that can be trusted."""

    trigger: Trigger | None
    status: ShotStatus = "complete"
    why: str = ""


class Expected:
    """The triggers whose pictures have not come yet, in their order, no more than `most`.

    A picture belongs to the oldest of them. Where a trigger has got none within `latest_s`, its picture may still
    come, and would then be taken for that of the part behind it: so for as long again, what is matched is out of
    order, until the picture that is owed has come without a trigger that waits.
    """

    def __init__(self, latest_s: float, most: int = 64) -> None:
        self._latest_ns = int(latest_s * 1e9)
        self._most = most
        self._waiting: deque[Trigger] = deque()
        self._owed = 0
        self._owed_until_ns = 0

    def __len__(self) -> int:
        return len(self._waiting)

    @property
    def next_ns(self) -> int | None:
        """When the oldest trigger will have waited too long, by the monotonic clock."""
        return self._waiting[0].taken_mono_ns + self._latest_ns if self._waiting else None

    def add(self, trigger: Trigger) -> bool:
        """Expect the picture of a part; false where too many are waited for, and this one will not be."""
        if len(self._waiting) >= self._most:
            return False
        self._waiting.append(trigger)
        return True

    def missed(self, now_ns: int) -> list[Trigger]:
        """Return the triggers whose pictures have not come in time, and expect them no longer."""
        gone = []
        while self._waiting and now_ns - self._waiting[0].taken_mono_ns > self._latest_ns:
            gone.append(self._waiting.popleft())
        if gone:
            self._owed += len(gone)
            self._owed_until_ns = now_ns + self._latest_ns
        return gone

    def lost(self, count: int) -> list[Trigger]:
        """Return the triggers whose pictures the camera's own counter says are lost; they are not owed."""
        return [self._waiting.popleft() for _ in range(min(count, len(self._waiting)))]

    def match(self, seen_ns: int) -> Matched:
        """Return the trigger of a picture that was first seen at that time."""
        if seen_ns > self._owed_until_ns:
            self._owed = 0
        if not self._waiting and self._owed:
            self._owed -= 1
            return Matched(None, "late", "it came after the time in which its trigger waited for it")
        if not self._waiting:
            return Matched(None, "out_of_order", "no trigger waits for a picture")
        if seen_ns < self._waiting[0].taken_mono_ns:
            return Matched(None, "late", "it was taken before the trigger that waits")
        trigger = self._waiting.popleft()
        if self._owed:
            return Matched(trigger, "out_of_order", "it may be that of a part before, whose picture did not come")
        return Matched(trigger)
