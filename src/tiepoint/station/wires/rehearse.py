"""Rehearse: what a controller or a robot can do wrongly, played against the station's own wires on loopback.

A sequence is a function that plays the other side and returns, in a few words, what it saw; it is good where that is
what was expected. The clock is set by the sequence, so that nothing waits for a time-out.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Literal

from tiepoint.foundation.reasons import Reason
from tiepoint.model.decide import Verdict
from tiepoint.model.reading import Reading
from tiepoint.model.record import Grip, Record
from tiepoint.model.shot import Picture, RobotPose, Shot
from tiepoint.recipe.records import sealed
from tiepoint.station.cameras.delivery import Trigger
from tiepoint.station.wires.modbus import ModbusWire
from tiepoint.station.wires.robot import RobotWire
from tiepoint.station.wires.table import MapTable, ModbusTable, RobotTable, WiresTable
from tiepoint.station.wires.wire import Result, State, Told

Kind = Literal["controller", "robot"]
SEQ = 70_001
"""Of a rehearsed record: it does not fit into one word."""
PART = "REHEARSAL-7"
VALUE, U95 = 4.5, 0.02


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one sequence on one wire; `wire` is "" where the station has none, and one by default was taken."""

    kind: Kind
    wire: str
    name: str
    expected: str
    seen: str

    @property
    def good(self) -> bool:
        """Whether what was seen is what was expected."""
        return self.seen == self.expected


@dataclass
class SetClock:
    """A monotonic clock that is set on by hand."""

    ns: int = 10**10

    def __call__(self) -> int:
        """Return nanoseconds."""
        return self.ns

    def on(self, ms: float) -> None:
        """Let time pass."""
        self.ns += round(ms * 1e6)


@dataclass
class Stage:
    """What a sequence plays against: one wire of the station on a free port, its clock, and the triggers it passed on.

    `takes`: what the station answers to a trigger; an exception is raised. `grip`: the one that a robot is told.
    """

    tables: WiresTable
    clock: SetClock = field(default_factory=SetClock)
    triggers: list[Trigger] = field(default_factory=list)
    takes: bool | Exception = True
    mapped: tuple[MapTable, ...] | None = None
    grip: str | None = None

    def triggered(self, trigger: Trigger) -> bool:
        """Answer a trigger as the station would."""
        self.triggers.append(trigger)
        if isinstance(self.takes, Exception):
            raise self.takes
        return self.takes

    def modbus(self) -> ModbusWire:
        """Return the station's first controller's wire, started on loopback; one by default where there is none."""
        table = self.tables.modbus[0] if self.tables.modbus else ModbusTable(name="controller", port=0)
        mapped = self.tables.mapped(table.name) if self.mapped is None else self.mapped
        wire = ModbusWire(ModbusTable.model_validate(table.model_copy(update=_HERE)), mapped, self.clock)
        wire.start(self.triggered)
        return wire

    def robot(self) -> RobotWire:
        """Return the station's first robot's wire, started on loopback; one by default where there is none."""
        table = self.tables.robot[0] if self.tables.robot else RobotTable(name="robot", port=0)
        wire = RobotWire(table.model_copy(update={**_HERE, "grip": self.grip, "grip_when": ("conforms",)}), self.clock)
        wire.start(self.triggered)
        return wire

    def result(self, **more: object) -> Result:
        """Return a result by this clock."""
        return made_result(self.clock(), self.tables, **more)  # type: ignore[arg-type]  # by name, as below


_HERE = {"bind": "127.0.0.1", "port": 0, "peers": RobotTable(name="x", port=0).peers, "most_peers": 8}


def made_result(
    now_ns: int,
    tables: WiresTable,
    seq: int = SEQ,
    verdict: Verdict = "conforms",
    part: str | None = PART,
    trigger: str = "",
    age_ms: int = 40,
    value: float | None = VALUE,
    grips: tuple[Grip, ...] | None = None,
    is_check: bool = False,
) -> Result:
    """Return what the station would tell of a part, with a reading for each that the table maps."""
    named = dict.fromkeys(m.reading for m in tables.map if m.reading is not None) or {"rehearsed.value": None}
    readings = tuple(_reading(name, value, verdict) for name in named)
    taken = now_ns - age_ms * 1_000_000
    shot = Shot("rehearsal", (Picture("main", "0" * 64, (1, 1), 8, "mono8"),), taken_mono_ns=taken, part_id=part)
    told = verdict if value is not None else "unread"
    record = Record("rehearsal", seq, shot, "0" * 64, ("0" * 64,), "tiepoint", readings, told, grips=grips or _grips())
    return Result(sealed(record), taken, now_ns, "0" * 64, trigger, is_check)


def _reading(name: str, value: float | None, verdict: Verdict) -> Reading:
    step, _, quantity = name.replace(" ", ".").rpartition(".")
    told: dict[str, Any] = {
        "id": name, "name": step or name, "kind": "circle", "quantity": quantity, "unit": "mm", "step": step or name,
        "frame": "plane",
    }  # fmt: skip
    if value is None or verdict == "unread":
        return Reading(**told, verdict="unread", reason=Reason("outside_picture"))
    return Reading(**told, value=value, u=0.01, dof=50.0, U95=U95, verdict=verdict)


def _grips() -> tuple[Grip, ...]:
    return (made_grip(),)


def made_grip(
    x_mm: float = 400.0,
    inside: bool = True,
    reason: Reason | None = None,
    pose: RobotPose | None = None,
    name: str = "rehearsal",
) -> Grip:
    """Return a grip that lies upright before the robot; without a pose where there is a reason."""
    there = pose or RobotPose((x_mm, 100.0, 50.0), (1.0, 0.0, 0.0, 0.0))
    return Grip(name, None if reason else there, None if reason else (0.1, 0.1, 0.2, 0.1), inside, reason)


def made_told(state: State = "on duty", overdue: bool = False) -> Told:
    """Return a state as the station would tell it."""
    return Told(state, "2026-01-01T00:00:00Z", says="A rehearsal.", tie_overdue=overdue)


Play = Callable[[Stage], str]


@dataclass(frozen=True, slots=True)
class Sequence:
    """One nasty sequence: what it is called, what has to be seen, and how it is played."""

    kind: Kind
    name: str
    expected: str
    play: Play


@dataclass
class Book:
    """Sequences of one kind, gathered by the decorator that it is."""

    kind: Kind
    sequences: list[Sequence] = field(default_factory=list)

    def __call__(self, name: str, expected: str) -> Callable[[Play], Play]:
        """Return a decorator that enters a function under a name, with what has to be seen."""

        def enter(play: Play) -> Play:
            self.sequences.append(Sequence(self.kind, name, expected, play))
            return play

        return enter


def sequences() -> tuple[Sequence, ...]:
    """Return all sequences in the order in which they are played."""
    from tiepoint.station.wires import nasty_controller, nasty_frames, nasty_readings, nasty_robot

    books = (nasty_controller.BOOK, nasty_readings.BOOK, nasty_frames.BOOK, nasty_robot.BOOK)
    return tuple(one for book in books for one in book.sequences)


@dataclass(frozen=True, slots=True)
class Cast:
    """One sequence that is to be played on one wire: `tables` has that wire alone of its kind."""

    sequence: Sequence
    wire: str
    tables: WiresTable


def cast(tables: WiresTable, which: tuple[Sequence, ...] | None = None) -> tuple[Cast, ...]:
    """Return what is to be played: each sequence on each of the station's wires of its kind, or on one by default."""
    played = []
    for kind, place, named in (("controller", "modbus", tables.modbus), ("robot", "robot", tables.robot)):
        for one in named or (None,):
            alone = tables if one is None else tables.model_copy(update={place: (one,)})
            wire = "" if one is None else one.name
            played += [Cast(s, wire, alone) for s in (which or sequences()) if s.kind == kind]
    return tuple(played)


def rehearse(played: tuple[Cast, ...]) -> Iterator[Outcome]:
    """Play sequences one after the other, and yield what came of each; one that fails is an outcome too."""
    for one in played:
        told = one.sequence
        try:
            seen = told.play(Stage(one.tables))
        except Exception as error:  # whatever goes wrong here is seen, and is not what was expected
            seen = f"{type(error).__name__}: {error}"
        yield Outcome(told.kind, one.wire, told.name, told.expected, seen)
