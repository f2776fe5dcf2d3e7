"""Parts between the camera and the place where they are thrown out: a shift register, in which none seen is bad.

Each part that comes moves all before it on by a place. What leaves at the end is told as it was judged; what was never
told of, as after a start, is told as not good: a rejecter that is held back throws it out.
"""

from collections import deque
from dataclasses import dataclass, replace

from tiepoint.station.cameras.delivery import Link
from tiepoint.station.wires.wire import Result, Told, Triggered, Wire


@dataclass
class Downstream:
    """A wire whose other side throws parts out, `after` places behind the camera."""

    wire: Wire
    after: int

    def __post_init__(self) -> None:
        self._places: deque[Result] = deque()

    @property
    def name(self) -> str:
        """That of the wire."""
        return self.wire.name

    @property
    def link(self) -> tuple[Link, str]:
        """That of the wire."""
        return self.wire.link

    def start(self, triggered: Triggered) -> None:
        """Begin; places are empty, and nothing good is in them."""
        self._places.clear()
        self.wire.start(triggered)

    def tell(self, result: Result) -> None:
        """Take a part in, and tell of the one that leaves."""
        if result.record.shot.status not in ("complete", "late") or self._overtaken_by(result):
            # Nobody knows whether, or where, a part moved with that picture: all on their way would leave as their
            # neighbours.
            self._places.clear()
        self._places.append(result)
        is_known = len(self._places) > self.after
        # Nobody knows the part that leaves an empty place: it is told of like a part that was only tried, never good.
        self.wire.tell(self._places.popleft() if is_known else replace(result, is_check=True))

    def _overtaken_by(self, result: Result) -> bool:
        """Whether a part is told of only after one that came behind it, as one whose trigger was given up late."""
        return bool(self._places) and result.taken_mono_ns < self._places[-1].taken_mono_ns

    def state(self, told: Told) -> None:
        """Pass the state on. A station that is not on duty knows of no part on its way any more."""
        if told.state in ("off duty", "warming"):
            self._places.clear()
        self.wire.state(told)

    def stop(self) -> None:
        """Stop the wire."""
        self.wire.stop()
