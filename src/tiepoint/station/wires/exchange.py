"""The exchange with a controller: ready; trigger and part id; busy; valid, echo and verdict; acknowledge; clear.

It knows no socket: registers are read and written by address, and the clock is passed in. It falls to the safe side by
itself: where the duty loop is not heard of for three seconds, it reads as not ready, and there is no verdict.
"""

import threading
import zlib
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from tiepoint.model.record import Record
from tiepoint.station.cameras.delivery import Trigger
from tiepoint.station.wires import layout
from tiepoint.station.wires.layout import BIT, COMMAND_FIRST, COMMAND_LAST, VERDICT, number_of, text_bytes, words_of
from tiepoint.station.wires.table import MapTable, ModbusTable, same_reading
from tiepoint.station.wires.wire import Result, Told, Triggered

SILENT_MS = 3000
"""Longer than this without the duty loop, and the station counts as stopped: it speaks at least every second."""

BAD_ADDRESS: Final = 2
BAD_VALUE: Final = 3
NOT_YOURS: Final = 6
"""Exception codes of the protocol (V1.1b3, 7): illegal data address, illegal data value, server device busy."""


class Refused(Exception):
    """A request that is answered by an exception code."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


@dataclass(frozen=True, slots=True)
class _Asked:
    """A trigger that was taken: its number, its id, the part id that it gave, when."""

    number: int
    id: str
    part_id: str | None
    at_ns: int


class Exchange:
    """The registers of one controller. Every method may be called from any thread.

    `commissioning`: results are told as they come, as answers to whatever was triggered, for the controller to reject.
    """

    commissioning = False

    def __init__(self, table: ModbusTable, mapped: tuple[MapTable, ...], now_ns: Callable[[], int]) -> None:
        self.table, self.mapped, self.now_ns = table, mapped, now_ns
        self.triggered: Triggered = lambda _: False
        self._lock = threading.RLock()
        self._command = [0] * (COMMAND_LAST - COMMAND_FIRST - 1) + [0xFFFF, 0xFFFF]  # no encoder's count
        self._told: Told | None = None
        self._told_ns = self._beat_ns = 0
        self._beaten = False
        self._last_beat: int | None = None
        self._beat = self._taken = self._refused = self._why = self._count = self._change = 0
        self._seen: int | None = None
        self._asked: _Asked | None = None
        self._result: Result | None = None
        self._result_ns = self._answers = self._verdict = 0
        self._taken_ns: int | None = None
        self._bits = 0
        self._owner: str | None = None
        self._issued: deque[str] = deque(maxlen=1000)
        self._acknowledged = 0
        self._block: tuple[int, ...] = ()

    # --- from the station

    def tell(self, result: Result) -> None:
        """Put a result into the block, where it is of the trigger that is waited for, or none is."""
        with self._lock:
            self._settle()
            asked = self._asked
            if not self.commissioning and self._is_none_of_its(result, asked):
                return
            replaced = self._result is not None
            self._asked, self._result, self._result_ns = None, result, self.now_ns()
            self._taken_ns = result.taken_mono_ns
            self._answers = 0 if asked is None else asked.number
            self._verdict = _verdict(result, None if asked is None or self.commissioning else asked.part_id)
            self._bits = (self._bits ^ BIT["toggle"]) & ~(BIT["stale"] | BIT["replaced"] | BIT["late"])
            self._bits |= BIT["replaced"] if replaced else 0
            self._settle()

    def state(self, told: Told) -> None:
        """Take the station's state, and move its heartbeat."""
        with self._lock:
            self._told, self._told_ns = told, self.now_ns()
            self._beat = (self._beat + 1) & 0xFFFF
            self._settle()

    def down(self) -> None:
        """Fall to the safe side for good: the station stops."""
        with self._lock:
            self._told = None
            self._settle()

    # --- from the controller

    def read(self, at: int, count: int) -> tuple[int, ...]:
        """Return registers as they stand together at one moment; `Refused` outside of the map."""
        if at + count > COMMAND_LAST + 1:
            raise Refused(BAD_ADDRESS)
        with self._lock:
            self._settle()
            return self._words()[at : at + count]

    def write(self, at: int, words: tuple[int, ...], who: str) -> None:
        """Take what the controller writes, all of a request at once; `Refused` outside of what it may write."""
        if at < COMMAND_FIRST or at + len(words) > COMMAND_LAST + 1:
            raise Refused(BAD_ADDRESS)
        reached = range(at, at + len(words))
        if (202 in reached) != (203 in reached):
            raise Refused(BAD_VALUE)  # half of a sequence acknowledges nothing
        with self._lock:
            self._settle()
            if self._owner not in (None, who) and not self._frozen:
                raise Refused(NOT_YOURS)
            self._owner = who
            self._command[at - COMMAND_FIRST : at - COMMAND_FIRST + len(words)] = words
            if 200 in reached:
                self._hear(self._command[0])
            if 202 in reached:
                self._acknowledge()
            trigger = self._trigger() if 201 in reached else None
        if trigger is not None:
            self._pass_on(trigger)

    def leave(self, who: str) -> None:
        """Note that a connection ended: another may write from now on."""
        with self._lock:
            if self._owner == who:
                self._owner = None

    @property
    def waiting(self) -> bool:
        """Whether a result stands there that was not acknowledged."""
        with self._lock:
            self._settle()
            return self._result is not None

    @property
    def heard(self) -> bool | None:
        """Whether the controller's heartbeat moves; None where it was never seen."""
        with self._lock:
            return None if not self._beaten else not self._frozen

    # --- within

    @property
    def _frozen(self) -> bool:
        return not self._beaten or self.now_ns() - self._beat_ns > self.table.heartbeat_ms * 1_000_000

    @property
    def _on_duty(self) -> bool:
        fresh = self.now_ns() - self._told_ns <= SILENT_MS * 1_000_000
        return self._told is not None and fresh and self._told.state == "on duty"

    @property
    def _ready(self) -> bool:
        free = self._asked is None and (self._result is None or bool(self._bits & BIT["stale"]))
        return self._on_duty and not self._frozen and free and self._seen is not None

    def _is_none_of_its(self, result: Result, asked: _Asked | None) -> bool:
        """Return whether a result is no answer to the trigger that is waited for, nor news where none is."""
        if asked is not None:
            return result.trigger != asked.id  # of an older trigger, or of somebody else's
        if result.trigger in self._issued:
            return True  # of a trigger of this controller that was given up
        # Nobody here asked for that part, and the answer that stands was not acknowledged: it is not replaced.
        return bool(self._answers) and self._result is not None and not self._bits & BIT["stale"]

    def _hear(self, beat: int) -> None:
        # The first number is only a beginning: it may be what was left in the controller's memory.
        before, self._last_beat = self._last_beat, beat
        if before is not None and before != beat:
            self._beaten, self._beat_ns = True, self.now_ns()

    def _acknowledge(self) -> None:
        sequence = int(number_of(self._command[2:4], "u32", self.table.word_order))
        if sequence == 0:
            return
        if self._result is not None and sequence == self._result.record.seq & 0xFFFF_FFFF:
            self._acknowledged = sequence
            self._bits &= ~BIT["wrong acknowledge"]
            self._clear()
        elif sequence != self._acknowledged:  # who writes all words cyclically repeats the last one
            self._bits |= BIT["wrong acknowledge"]

    def _clear(self) -> None:
        self._result, self._verdict, self._answers = None, VERDICT["none"], 0
        self._settle()

    def _trigger(self) -> Trigger | None:
        number = self._command[1]
        before, self._seen = self._seen, number if self._seen is not None or number == 0 else None
        if number == 0 or number == before:
            return None
        objection = self._objection(before)
        if objection:
            self._refuse(objection)
            return None
        part_id = self._part_id().decode() or None
        variant = self._variant().decode() or None
        if self._result is not None:
            self._clear()
        self._count += 1
        now = self.now_ns()
        trigger_id = f"{self.table.name}-{now}-{self._count}"
        self._issued.append(trigger_id)
        self._asked, self._taken = _Asked(number, trigger_id, part_id, now), number
        self._why = 0
        self._bits &= ~(BIT["refused: busy"] | BIT["refused: not ready"] | BIT["late"] | BIT["wrong acknowledge"])
        count = int(number_of(self._command[29:31], "u32", self.table.word_order))
        return Trigger(trigger_id, now, part_id, variant, None if count == 0xFFFF_FFFF else count)

    def _objection(self, before: int | None) -> str:
        """Return why a trigger cannot be taken, "" where it can."""
        if before is None:
            return "not armed"
        if self._asked is not None or not (self._result is None or self._bits & BIT["stale"]):
            return "busy"
        if not self._ready:
            return "not ready"
        if self._command[4] > layout.ID_BYTES:
            return "part id too long"
        try:
            self._part_id().decode(), self._variant().decode()
        except UnicodeDecodeError:
            return "part id is no UTF-8"
        return ""

    def _part_id(self) -> bytes:
        return text_bytes(self._command[5:21])[: self._command[4]]

    def _variant(self) -> bytes:
        return text_bytes(self._command[21:29]).rstrip(b"\0")

    def _refuse(self, why: str) -> None:
        self._refused = (self._refused + 1) & 0xFFFF
        self._why = layout.REFUSALS.index(why)
        self._bits |= BIT["refused: busy"] if why == "busy" else BIT["refused: not ready"]

    def _pass_on(self, trigger: Trigger) -> None:
        # Without the lock: the duty loop may answer at once, from another thread.
        try:
            taken = self.triggered(trigger)
        except Exception:  # whatever failed there, this part is not looked at
            taken = False
        with self._lock:
            if not taken and self._asked is not None and self._asked.id == trigger.id:
                self._asked = None
                self._refuse("not taken")

    def _settle(self) -> None:
        """Let time and state do to the block what they must."""
        now = self.now_ns()
        if not self._on_duty and (self._result is not None or self._asked is not None):
            self._asked = self._result = None
            self._verdict, self._answers = VERDICT["none"], 0
        if self._asked is not None and now - self._asked.at_ns > self.table.result_ms * 1_000_000:
            self._asked = None
            self._bits |= BIT["late"]
        if self._result is not None and not self._bits & BIT["stale"]:
            overdue = now - self._result_ns > self.table.acknowledge_ms * 1_000_000
            if overdue or (self._frozen and self._beaten):
                self._bits |= BIT["stale"]
                self._verdict = VERDICT["stale"]
        block = self._block_words()
        if block != self._block:
            self._change, self._block = (self._change + 1) & 0xFFFF, block

    def _words(self) -> tuple[int, ...]:
        now, order = self.now_ns(), self.table.word_order
        age = None if self._taken_ns is None else max(0, (now - self._taken_ns) // 1_000_000)
        words = [0] * COMMAND_FIRST + self._command
        words[: layout.RESULT_FIRST] = [*self._head(), 0, 0]
        words[layout.RESULT_FIRST : layout.RESULT_LAST + 1] = self._block
        words[10] = words[121] = self._change
        words[15:17] = words_of(None if age is None else min(age, 0xFFFF_FFFE), "u32", order)
        return tuple(words)

    def _head(self) -> list[int]:
        state = self._told.state if self._told is not None and self._on_duty_or_said() else "off duty"
        back = self._command[0]
        return [
            layout.VERSION, self._status(), layout.STATES.index(state), self._beat, back, self._taken, self._refused,
            self._why,
        ]  # fmt: skip

    def _on_duty_or_said(self) -> bool:
        return self.now_ns() - self._told_ns <= SILENT_MS * 1_000_000

    def _status(self) -> int:
        valid = self._result is not None and not self._bits & BIT["stale"]
        bits = self._bits
        bits |= BIT["ready"] if self._ready else 0
        bits |= BIT["busy"] if self._asked is not None else 0
        bits |= BIT["valid"] if valid else 0
        bits |= BIT["good"] if valid and self._verdict == VERDICT["conforms"] and not self._frozen else 0
        bits |= BIT["heartbeat frozen"] if self._frozen else 0
        bits |= BIT["armed"] if self._seen is not None else 0
        return bits

    def _block_words(self) -> tuple[int, ...]:
        """Return registers 10 to 121, but for what counts on by itself."""
        words = [0] * (layout.RESULT_LAST + 1)
        order = self.table.word_order

        def put(at: int, told: tuple[int, ...]) -> None:
            words[at : at + len(told)] = told

        result = self._result
        record = None if result is None else result.record
        sequence = words_of(0 if record is None else record.seq & 0xFFFF_FFFF, "u32", order)
        put(11, sequence)
        put(13, (self._verdict, self._answers))
        put(119, sequence)
        for one in self.mapped:
            put(one.at, words_of(None if record is None else mapped_value(one, record), one.as_, order, one.scale))
        if result is not None and record is not None:
            part = (record.shot.part_id or "").encode()
            put(17, tuple(min(n, 0xFFFF) for n in _counted(record)))
            put(19, (min(len(part), 0xFFFF), *layout.text_words(part, layout.ID_BYTES)))
            put(36, words_of(zlib.crc32(part), "u32", order))
            put(38, words_of(int(result.head_sha[:8] or "0", 16), "u32", order))
        return tuple(words[layout.RESULT_FIRST :])


def _counted(record: Record) -> tuple[int, int]:
    not_good = sum(r.verdict not in (None, "conforms") for r in record.readings)
    return not_good, sum(not r.was_read for r in record.readings)


def _verdict(result: Result, part_id: str | None) -> int:
    if part_id is not None and result.record.shot.part_id != part_id:
        return VERDICT["other part"]
    return VERDICT["check" if result.is_check else result.record.verdict]


def mapped_value(one: MapTable, record: Record) -> float | None:
    """Return what a table's entry shows of a record; None where there is no value."""
    match one.field:
        case "encoder_count":
            return record.shot.encoder_count
        case "temperature_c":
            return record.shot.temperature_c
        case "readings":
            return len(record.readings)
        case "not_conforming":
            return _counted(record)[0]
    name = one.reading or ""
    for r in record.readings:
        if same_reading(r.id, name):
            return r.U95 if one.what == "U95" else r.value
    return None
