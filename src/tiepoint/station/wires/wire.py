"""What the duty loop tells, and what every wire can be asked.

A wire is told of each part after its record is in the ledger, and of the station's state when it changes. It has its
own thread or loop, and a bounded queue: `tell` and `state` never wait for the other side, and never raise for it.
Where a wire cannot pass a result on in time, the other side gets no result, and must reject.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol

from tiepoint.model.record import Record
from tiepoint.station.cameras.delivery import Link, Trigger

State = Literal["off duty", "warming", "not released", "on duty", "fault"]
"""Of a station. Only *on duty* is ready for parts; in any other state no part conforms."""


@dataclass(frozen=True, slots=True)
class Result:
    """What is told of one part: its committed record, and when by the monotonic clock it was seen and committed.

    `trigger`: the id of what triggered it, "" where nothing did. `head_sha`: the ledger's, this record's entry.
    `is_check`: a challenge part, or one that was only judged to see whether it would be: never a good output.
    """

    record: Record
    taken_mono_ns: int
    committed_mono_ns: int
    head_sha: str
    trigger: str = ""
    is_check: bool = False


@dataclass(frozen=True, slots=True)
class Told:
    """The station's state as wires tell it. `fault`: its name, "" where there is none; `says`: a sentence.

    `tie_overdue`: since the check of the tie is overdue, no robot is given a pose. `links`: of cameras and wires.
    """

    state: State
    since_utc: str
    fault: str = ""
    says: str = ""
    tie_overdue: bool = False
    head_sha: str = ""
    counts: Mapping[str, int] = field(default_factory=dict)
    links: Mapping[str, Link] = field(default_factory=dict)


Triggered = Callable[[Trigger], bool]
"""What a wire calls, and never waits for, when the other side triggers a part; false where none can be taken now."""


class Wire(Protocol):
    """One wire."""

    @property
    def name(self) -> str:
        """By what station.toml calls it."""
        ...

    @property
    def link(self) -> tuple[Link, str]:
        """Whether the other side is there, and since when or why not, in a clause."""
        ...

    def start(self, triggered: Triggered) -> None:
        """Begin; `UnusableInput` where it cannot, as for a port that is in use."""
        ...

    def tell(self, result: Result) -> None:
        """Pass a part's result on, at once; older ones that were not fetched are stale from then on."""
        ...

    def state(self, told: Told) -> None:
        """Pass the station's state on. Called at each change, and at least every second."""
        ...

    def stop(self) -> None:
        """Say that the station is off duty, as far as the other side still listens, and let go of the sockets."""
        ...
