"""A line-based TCP socket for robots: a robot asks, and is answered in one line.

PING   STATE   NEXT [part]   LOOK [part [x y z a b c]]   each with # in front for an answer in plain numbers

Each result is handed out once. tiepoint never starts a motion: it answers, and what the robot does with an answer is
its program's affair.
"""

import asyncio
import math
import re
import threading
import time
from collections.abc import Callable
from contextlib import suppress

from tiepoint.foundation.frames import Pose3
from tiepoint.foundation.units import MM_PER
from tiepoint.model.shot import RobotPose
from tiepoint.station.cameras.delivery import Link, Trigger
from tiepoint.station.wires.exchange import SILENT_MS
from tiepoint.station.wires.layout import STATES
from tiepoint.station.wires.listen import Broken, Listener, Peer
from tiepoint.station.wires.robot_line import Line, is_fresh, objection, pose_line, refusal
from tiepoint.station.wires.table import RobotTable
from tiepoint.station.wires.wire import Result, Told, Triggered

LONGEST = 120
"""Bytes of a line that is read, without its end."""
LINE_S, LOOK_S = 10.0, 0.2
"""Within this time a line that was begun has to end; so often it is looked whether it did."""


class RobotWire:
    """One `[[wires.robot]]`."""

    def __init__(self, table: RobotTable, now_ns: Callable[[], int] = time.monotonic_ns) -> None:
        self.table, self.now_ns = table, now_ns
        self.listener = Listener(table, self._serve)
        self._lock = threading.RLock()
        self._triggered: Triggered = lambda _: False
        self._told: Told | None = None
        self._told_ns = self._looked_ns = self._count = self._handed = 0
        self._result: Result | None = None
        self._looked = ""
        self._is_answer = False  # whether the result is of a part that was looked at by LOOK

    @property
    def name(self) -> str:
        """By what station.toml calls it."""
        return self.table.name

    @property
    def link(self) -> tuple[Link, str]:
        """Whether a robot is there."""
        joined, refused = self.listener.joined, self.listener.counts["refused"]
        more = f"; {refused} connections from elsewhere were refused" if refused else ""
        return ("joined", f"{', '.join(joined)}{more}") if joined else ("waiting", f"no robot is connected{more}")

    @property
    def waiting(self) -> bool:
        """Whether a result was not handed out yet."""
        with self._lock:
            return self._result is not None

    def start(self, triggered: Triggered) -> None:
        """Begin to listen."""
        self._triggered = triggered
        self.listener.start()

    def tell(self, result: Result) -> None:
        """Keep a result until the robot asks: the newest one only, and only the one that was asked for by LOOK."""
        with self._lock:
            if self._looked and result.trigger != self._looked:
                return
            waits = self._result is not None and is_fresh(self._result, self.table, self.now_ns())
            if not self._looked and self._is_answer and waits:
                return  # nobody asked for that part, and the answer was not fetched yet
            self._is_answer = bool(self._looked)
            self._looked, self._result = "", result

    def state(self, told: Told) -> None:
        """Keep the station's state. What was judged before it went off duty is not told afterwards."""
        with self._lock:
            self._told, self._told_ns = told, self.now_ns()
            if told.state != "on duty":
                self._result, self._looked = None, ""

    def stop(self) -> None:
        """Hand out nothing more, and let go of the sockets."""
        with self._lock:
            self._told = self._result = None
        self.listener.stop()

    async def _serve(self, peer: Peer) -> None:
        begun, begun_ns = b"", 0
        while True:
            more: bytes | None = None
            with suppress(TimeoutError):
                async with asyncio.timeout(LOOK_S if begun else None):
                    more = await peer.reader.read(256)
            if more == b"":
                return  # what has no end is no line
            *lines, rest = re.split(rb"[\r\n]", begun + (more or b""))
            if lines or not begun:
                begun_ns = self.now_ns()
            begun = rest
            for line in lines:
                if len(line) > LONGEST:
                    await self._too_long(peer)
                if line.strip():
                    await peer.send(self.answer(line).encode("ascii") + b"\r\n")
            if len(begun) > LONGEST or (begun and self.now_ns() - begun_ns > LINE_S * 1e9):
                await self._too_long(peer)

    async def _too_long(self, peer: Peer) -> None:
        await peer.send(refusal("line_too_long").text(False).encode("ascii") + b"\r\n")
        raise Broken

    def answer(self, line: bytes) -> str:
        """Return the answer to one line, without its end."""
        words = [word.decode("ascii", "replace") for word in line.split()] or [""]
        plain = words[0].startswith("#")
        match words[0].removeprefix("#"), words[1:]:
            case "PING", []:
                return "1" if plain else "PONG"
            case "STATE", []:
                return self._state(plain)
            case "NEXT", [*part] if len(part) <= 1:
                return self._next(part[0] if part else None).text(plain)
            case "LOOK", [*rest]:
                return self._look(rest, plain)
        return refusal("unknown_command").text(plain)

    def _fresh(self) -> Told | None:
        """Return the state, where the duty loop was heard of lately."""
        silent = self.now_ns() - self._told_ns > SILENT_MS * 1_000_000
        return None if silent else self._told

    def _state(self, plain: bool) -> str:
        with self._lock:
            told, waiting = self._fresh(), self._result is not None
        state = "off duty" if told is None else told.state
        overdue = told is not None and told.tie_overdue
        if plain:
            return f"{STATES.index(state)},{int(overdue)},{int(waiting)}"
        fields = {"state": state, "tie_overdue": overdue, "waiting": waiting}
        more = {} if told is None else {"fault": told.fault[:80], "says": told.says[:300]}
        return Line({**fields, **more}, ()).text(False)

    def _next(self, part: str | None) -> Line:
        with self._lock:
            told, result = self._fresh(), self._result
            if told is None or told.state != "on duty":
                return refusal("not_on_duty", says="" if told is None else f"The station is {told.state}. {told.says}")
            if self._looked:
                return refusal("tie_overdue" if told.tie_overdue else "not_yet")
            if result is None:
                return refusal("handed_out", self._handed) if self._handed else refusal("nothing_new")
            if part is not None and part != result.record.shot.part_id:
                return refusal("other_part", result.record.seq)
            line = objection(result, told, self.table, self.now_ns()) or pose_line(result, self.table, self.now_ns())
            # What is refused once is not told later: the part has moved on.
            self._result, self._handed = None, result.record.seq
            return line

    def _look(self, rest: list[str], plain: bool) -> str:
        pose = _flange(rest[1:], self.table) if len(rest) > 1 else None
        if len(rest) not in (0, 1, 7) or (len(rest) == 7 and pose is None):
            return refusal("bad_number").text(plain)
        with self._lock:
            told, now = self._fresh(), self.now_ns()
            if told is None or told.state != "on duty":
                return refusal("not_on_duty").text(plain)
            if self._looked and now - self._looked_ns <= self.table.stale_ms * 1_000_000:
                return refusal("not_ready").text(plain)
            self._count += 1
            look = f"{self.table.name}-{now}-{self._count}"
            self._looked, self._looked_ns, self._result = look, now, None
        part = None if not rest or rest[0] == "-" else rest[0]
        try:
            taken = self._triggered(Trigger(look, now, part, robot_from_flange=pose))
        except Exception:  # whatever failed there, this part is not looked at
            taken = False
        if not taken:
            with self._lock:
                self._looked = "" if self._looked == look else self._looked
            return refusal("not_ready").text(plain)
        return "0" if plain else Line({"looking": part}, ()).text(False)


def _flange(words: list[str], table: RobotTable) -> RobotPose | None:
    """Return robot_from_flange of six numbers, None where they are none."""
    try:
        numbers = [float(word) for word in words]
    except ValueError:
        return None
    if len(numbers) != 6 or not all(math.isfinite(n) and abs(n) < 1e6 for n in numbers):
        return None
    pose = Pose3.from_angles([n * MM_PER[table.unit] for n in numbers[:3]], numbers[3:], table.angles)
    return RobotPose((pose.x_mm, pose.y_mm, pose.z_mm), pose.quaternion)
