"""Commissioning: results that are deliberately stale, sent to a connected controller or robot.

tiepoint's own wires would not tell them so; the other side has to reject each by itself, and a person says whether it
did. Nothing here belongs on a line that runs: the caller says so, and asks, before it begins.
"""

import itertools
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.tables import meant
from tiepoint.station.cameras.delivery import Trigger
from tiepoint.station.wires.modbus import ModbusWire
from tiepoint.station.wires.rehearse import PART, SEQ, Kind, made_result, made_told
from tiepoint.station.wires.robot import RobotWire
from tiepoint.station.wires.table import WiresTable
from tiepoint.station.wires.wire import Told

BEAT_S = 0.25
OLD_MS = 60_000
TAKEN_S = 5.0
"""So long a result may wait for the other side to take it, before the next one is told."""
CAUTION = (
    "What follows tells the other side that parts conform which nobody has seen. Empty the line, stop its motion, and "
    "keep people away from what it moves; a robot in reduced-speed manual mode, enabling device in hand (ISO 10218), "
    "away from anything that it could grip. tiepoint is not a safety device."
)


@dataclass(frozen=True, slots=True)
class Lie:
    """One result that must be rejected: what is told, and what to look at on the other side."""

    name: str
    told: str
    look_at: str
    results: tuple[dict[str, object], ...]
    silent: bool = False


_CONTROLLER = (
    Lie("old", f"a part that conforms, seen {OLD_MS // 1000} s ago",
        "the age (register 15) is above its limit: no part may pass", ({"age_ms": OLD_MS},)),
    Lie("another part", "a part that conforms, under the id REHEARSAL-OTHER",
        "the echo is not the part that lies there: no part may pass", ({"part": "REHEARSAL-OTHER"},)),
    Lie("again", "the same sequence twice",
        "one part may pass at most: the second has the sequence of the first", ({"seq": 90_000}, {"seq": 90_000})),
    Lie("falls silent", "a part that conforms; then the station's heartbeat stands still",
        "the line stops, or rejects, within the controller's own limit", ({"seq": 90_001},), True),
)  # fmt: skip
_ROBOT = (
    Lie("old", f"a pose of a part that was seen {OLD_MS // 1000} s ago; let the robot ask NEXT",
        "age_ms is above its limit: the robot does not move", ({"age_ms": OLD_MS},)),
    Lie("another part", "a pose under the id REHEARSAL-OTHER; let the robot ask NEXT",
        "part_id is not the part that lies there: the robot does not move", ({"part": "REHEARSAL-OTHER"},)),
    Lie("again", "the same sequence twice; let the robot ask NEXT, and NEXT again",
        "the robot moves once at most", ({"seq": 90_000}, {"seq": 90_000})),
    Lie("falls silent", "a pose; then the station says no more that it is on duty. Let the robot ask NEXT after 5 s",
        "the robot is refused, and waits or stops", ({"seq": 90_001},), True),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Answered:
    """What a person saw the other side do."""

    wire: str
    name: str
    told: str
    rejected: bool


Ask = Callable[[Lie], bool]
"""Tells a person what was sent and what to look at; returns whether the other side rejected it."""


def named_wire(tables: WiresTable, name: str) -> tuple[Kind, ModbusWire | RobotWire]:
    """Return the station's wire of a name, so that old results can be told on it; `UnusableInput` where there is none.

    The robot's is made to hand out what is older than `stale_ms`: it is the robot that has to refuse it.
    """
    for modbus in tables.modbus:
        if modbus.name == name:
            wire = ModbusWire(modbus, tables.mapped(name))
            wire.exchange.commissioning = True
            return "controller", wire
    for robot in tables.robot:
        if robot.name == name:
            told = {"stale_ms": 3_600_000, "grip": None, "grip_when": ("conforms",)}
            return "robot", RobotWire(robot.model_copy(update=told))
    known = [t.name for t in (*tables.modbus, *tables.robot)]
    there = meant(name, known) if known else "station.toml has no [[wires.modbus]] and no [[wires.robot]]"
    raise UnusableInput(f"--send-stale is {name!r}, which is no controller's or robot's wire; {there}")


def commission(tables: WiresTable, name: str, ask: Ask, wait_s: float = 60.0) -> Iterator[Answered]:
    """Send each lie to whoever is connected, and yield what a person saw; `UnusableInput` where nobody comes."""
    kind, wire = named_wire(tables, name)
    with _Beating(wire, tables) as beating:
        beating.until_joined(wait_s)
        for lie in _CONTROLLER if kind == "controller" else _ROBOT:
            beating.silent = False
            wire.state(beating.told())
            for made in lie.results:
                beating.until_taken(TAKEN_S)
                beating.tell(made)
            beating.silent = lie.silent
            yield Answered(name, lie.name, lie.told, ask(lie))


class _Beating:
    """Keeps a wire's state fresh from a thread of its own, until it is told to be silent.

    What the other side triggers meanwhile is answered by the lie that is under way: who only looks at answers to its
    own triggers would else have nothing to reject. Each has its own sequence, but where the lie is that it has not.
    """

    def __init__(self, wire: ModbusWire | RobotWire, tables: WiresTable) -> None:
        self.wire, self.tables, self.silent = wire, tables, False
        self._end, self._lock = threading.Event(), threading.Lock()
        self._sequences = itertools.count(SEQ)
        self._lie: dict[str, object] | None = None
        self._asked: Trigger | None = None

    def __enter__(self) -> "_Beating":
        self.wire.start(self._triggered)
        self._thread = threading.Thread(target=self._run, name="commissioning", daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> Literal[False]:
        self._end.set()
        self._thread.join()
        self.wire.stop()
        return False

    def told(self) -> Told:
        return made_told()

    def tell(self, made: dict[str, object]) -> None:
        """Tell a lie, as the answer to what was triggered where something was; and again to what is triggered later."""
        with self._lock:
            self._lie = made
            self._answer()

    def _triggered(self, trigger: Trigger) -> bool:
        with self._lock:
            self._asked = trigger
        return True

    def _answer(self) -> None:
        asked, self._asked = self._asked, None
        about: dict[str, object] = {"seq": next(self._sequences)}
        if asked is not None:
            about |= {"trigger": asked.id, "part": asked.part_id or PART}
        told = {**about, **(self._lie or {})}
        self.wire.tell(made_result(time.monotonic_ns(), self.tables, **told))  # type: ignore[arg-type]  # by name

    def until_joined(self, wait_s: float) -> None:
        """Wait until somebody is there."""
        end = time.monotonic() + wait_s
        while self.wire.link[0] != "joined":
            if time.monotonic() > end:
                raise UnusableInput(f"nobody is connected to {self.wire.name} ({self.wire.link[1]}); connect it first")
            time.sleep(0.05)

    def until_taken(self, wait_s: float) -> None:
        """Wait until the last result was acknowledged or handed out, or no longer than that."""
        end = time.monotonic() + wait_s
        while self.wire.waiting and time.monotonic() < end:
            time.sleep(0.02)

    def _run(self) -> None:
        while not self._end.wait(BEAT_S):
            if self.silent:
                continue
            self.wire.state(self.told())
            with self._lock:
                if self._lie is not None and self._asked is not None:
                    self._answer()
