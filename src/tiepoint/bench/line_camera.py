"""The simulated line: a camera like any other, before which hinge plates pass, each with its exact truth.

A photograph takes longer to render than a part has on a line. So a small stock of photographs is rendered beforehand,
each of another plate as it came to lie, and shown again and again in random order, never the same twice in a row,
each time as a new part. What is judged is then the same few pictures: enough to show that a station runs, and not
how well it measures, which the studies show on pictures of their own.
"""

import threading
from collections import OrderedDict, deque
from collections.abc import Sequence
from dataclasses import dataclass
from time import monotonic_ns

import numpy as np

from tiepoint.bench.demo_series import Part, Putting, Series
from tiepoint.documents.pictures import encode_png
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.delivery import Delivery, Frame, Link, Setting, Trigger
from tiepoint.station.cameras.parts import utc_of

MOST_WAITING = 50
"""Parts that wait to be judged; those beyond have passed unseen, as on a real line."""
MOST_TRUTHS = 10_000


@dataclass(frozen=True)
class Stocked:
    """One photograph of the stock: the plate that it shows, and the bytes of its PNG."""

    part: Part
    data: bytes


def render_stock(series: Series, parts: Sequence[Part], first_number: int = 50_000) -> tuple[Stocked, ...]:
    """Return a photograph of each part, put in once. `first_number`: by which the pictures differ from others."""
    return tuple(
        Stocked(part, encode_png(series.photo(Putting(part, first_number + k)))) for k, part in enumerate(parts)
    )


class LineCamera:
    """A camera over the line. With `takt_s` a part passes every so often; without, one lies there when it is triggered.

    `truth` tells what a part really was, by its part id, for the last ten thousand.
    """

    def __init__(self, name: str, stock: Sequence[Stocked], *, takt_s: float | None = None, seed: int = 1) -> None:
        if len(stock) < 2:
            raise UnusableInput(f"a line of {len(stock)} photographs shows the same one twice in a row; render two")
        if takt_s is not None and not takt_s > 0:
            raise UnusableInput(f"the takt is {takt_s:g} s; give more than 0")
        self._name = name
        self._stock = tuple(stock)
        self._takt_ns = None if takt_s is None else int(takt_s * 1e9)
        self._rng = np.random.default_rng([seed, 2100])
        self._changed = threading.Condition()
        self._triggers: deque[Trigger] = deque()
        self._truth: OrderedDict[str, Part] = OrderedDict()
        self._count = 0
        self._last = -1
        self._due_ns = 0
        self._running = False
        self.missed = 0

    @property
    def name(self) -> str:
        """By what it is called."""
        return self._name

    @property
    def link(self) -> tuple[Link, str]:
        """There while it runs."""
        return ("joined", "the simulated line runs") if self._running else ("waiting", "the simulated line stands")

    def truth(self, part_id: str) -> Part | None:
        """Return what a part really was; None where it is not known (any more)."""
        return self._truth.get(part_id)

    def start(self) -> None:
        """Let the line run."""
        with self._changed:
            self._running = True
            self._due_ns = monotonic_ns() + (self._takt_ns or 0)

    def trigger(self, trigger: Trigger) -> None:
        """Photograph the part that lies there; a line that runs by its takt takes its pictures unasked."""
        with self._changed:
            if len(self._triggers) < MOST_WAITING:
                self._triggers.append(trigger)
                self._changed.notify_all()

    def take(self, timeout_s: float) -> Delivery | None:
        """Return the photograph of the next part that has passed."""
        until = monotonic_ns() + int(timeout_s * 1e9)
        with self._changed:
            while self._running:
                if self._triggers:
                    return self._triggered(self._triggers.popleft())
                now = monotonic_ns()
                if self._takt_ns is not None and self._due_ns <= now:
                    return self._passed(now)
                left = until - now
                if left <= 0:
                    return None
                next_ns = left if self._takt_ns is None else min(left, self._due_ns - now)
                self._changed.wait(next_ns / 1e9)
        return None

    def done(self, delivery: Delivery) -> None:
        """Nothing is kept here."""

    def set(self, setting: Setting) -> Setting:
        """Refuse any setting: the stock is rendered."""
        if setting != Setting():
            raise UnusableInput(f'nothing of the simulated camera "{self._name}" can be set: its pictures are rendered')
        return setting

    def stop(self) -> None:
        """Let the line stand."""
        with self._changed:
            self._running = False
            self._changed.notify_all()

    def _passed(self, now_ns: int) -> Delivery:
        """Return the oldest part that was not taken yet; those that nobody could have waited for have passed."""
        takt_ns = self._takt_ns or 1
        behind = (now_ns - self._due_ns) // takt_ns
        if behind > MOST_WAITING:
            self.missed += behind - MOST_WAITING
            self._due_ns += (behind - MOST_WAITING) * takt_ns
        taken_ns, self._due_ns = self._due_ns, self._due_ns + takt_ns
        return self._delivery(taken_ns, None)

    def _triggered(self, trigger: Trigger) -> Delivery:
        if self._takt_ns is not None:
            why = "the simulated line takes its pictures by its takt, and waits for no trigger"
            return Delivery(
                f"{self._name}-{trigger.id}", self._name, (), utc_of(trigger.taken_mono_ns), trigger.taken_mono_ns,
                "incomplete", why, trigger.part_id, trigger.variant, trigger=trigger.id,
            )  # fmt: skip
        return self._delivery(monotonic_ns(), trigger)

    def _delivery(self, taken_ns: int, trigger: Trigger | None) -> Delivery:
        """Return the photograph of a part: any of the stock but the last one."""
        choice = int(self._rng.integers(len(self._stock) - (self._last >= 0)))
        self._last = choice + (0 <= self._last <= choice)
        shown = self._stock[self._last]
        self._count += 1
        shot_id = f"{self._name}-{self._count:09d}"
        part_id = (trigger.part_id if trigger else None) or f"{shown.part.name}-{self._count:09d}"
        self._truth[part_id] = shown.part
        if len(self._truth) > MOST_TRUTHS:
            self._truth.popitem(last=False)
        frame = Frame("picture", f"{shot_id}.png", shown.data, counter=self._count)
        return Delivery(
            id=shot_id,
            camera=self._name,
            frames=(frame,),
            taken_utc=utc_of(taken_ns),
            taken_mono_ns=taken_ns,
            part_id=part_id,
            variant=trigger.variant if trigger else None,
            encoder_count=trigger.encoder_count if trigger else None,
            robot_from_flange=trigger.robot_from_flange if trigger else None,
            trigger=trigger.id if trigger else "",
        )
