"""What a robot is told in one line: a pose with everything it needs to be believed, or why there is none.

Pure: a result and a state in, a line out. Lines are ASCII; the same answer also comes as plain numbers.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from tiepoint.foundation.frames import Pose3
from tiepoint.foundation.units import to_unit
from tiepoint.model.record import Grip
from tiepoint.station.wires.layout import VERDICT
from tiepoint.station.wires.table import RobotTable
from tiepoint.station.wires.wire import Result, Told

LONGEST_ANSWER = 1000
"""No answer is longer, in bytes without its end."""

REFUSALS: Final[dict[str, str]] = {
    "unknown_command": "The line is none of LOOK, NEXT, STATE and PING; look at the page of the robot socket.",
    "line_too_long": "The line is longer than 120 bytes, or did not end in time; the connection is closed.",
    "not_on_duty": "The station is not on duty.",
    "tie_overdue": "The check of the tie is overdue: touch, or see the target again, before a pose is told.",
    "nothing_new": "No part was judged since the station is on duty.",
    "handed_out": "The newest result was handed out already; each is told once.",
    "not_yet": "The part that was asked for is not judged yet.",
    "other_part": "The newest result is of another part.",
    "stale": "The result is older than stale_ms.",
    "check": "The part was a check, and is not gripped.",
    "no_grip": "The record has no grip, or says why there is none.",
    "outside_envelope": "The grip would leave the robot's envelope.",
    "not_conforming": "The part's verdict is not one that is gripped.",
    "answer_too_long": "The answer would be longer than 1000 bytes: the part id is too long.",
    "not_ready": "The station cannot take a part now, or still waits for the last one.",
    "bad_number": "LOOK takes a part id, or -, and then nothing or the flange's pose in six numbers.",
}
"""Why there is no pose, by code; its number in the plain form is its place, from 1."""
NUMBER: Final = {code: k for k, code in enumerate(REFUSALS, 1)}
COLUMNS: Final = (
    "code", "seq", "age_ms", "x", "y", "z", "a", "b", "c", "U_x", "U_y", "U_z", "U_turn", "turn", "count", "verdict",
)  # fmt: skip
"""Of the plain form; code 0 is a pose, any other a refusal, whose further numbers are 0."""


@dataclass(frozen=True, slots=True)
class Line:
    """One answer: its fields as JSON tells them, and the same as plain numbers. `refused`: its code, "" for a pose."""

    fields: Mapping[str, Any]
    numbers: tuple[float, ...]
    refused: str = ""
    says: str = field(default="")

    def text(self, plain: bool) -> str:
        """Return the line without its end."""
        if plain:
            return ",".join(_plain(n) for n in self.numbers)
        return json.dumps(self.fields, separators=(",", ":"), allow_nan=False)


def refusal(code: str, seq: int = 0, says: str = "") -> Line:
    """Return the line that tells why there is no pose."""
    sentence = says or REFUSALS[code]
    numbers = (NUMBER[code], seq, *[0.0] * (len(COLUMNS) - 2))
    return Line({"seq": seq, "refused": code, "says": sentence[:300]}, numbers, code, sentence)


def objection(result: Result, told: Told, table: RobotTable, now_ns: int) -> Line | None:
    """Return why a result is not handed to a robot now; None where it is."""
    record = result.record
    if told.tie_overdue:
        return refusal("tie_overdue", record.seq)
    if result.is_check:
        return refusal("check", record.seq)
    if not is_fresh(result, table, now_ns):
        return refusal("stale", record.seq)
    if record.verdict not in table.grip_when:
        return refusal("not_conforming", record.seq, f"The part is {record.verdict}, and is not gripped.")
    grip = grip_of(result, table)
    if grip is None:
        return refusal("no_grip", record.seq)
    why = "" if grip.reason is None else grip.reason.sentence
    beyond = grip.reason is not None and grip.reason.code == "outside_envelope"
    if beyond or (grip.robot_from_grip is not None and not grip.inside_envelope):
        return refusal("outside_envelope", record.seq, why)
    if grip.reason is not None or grip.robot_from_grip is None or grip.U is None:
        return refusal("no_grip", record.seq, why)
    if not all(map(math.isfinite, (*grip.robot_from_grip.position_mm, *grip.robot_from_grip.quaternion, *grip.U))):
        return refusal("no_grip", record.seq)
    return None


def is_fresh(result: Result, table: RobotTable, now_ns: int) -> bool:
    """Return whether a result is not older than a robot may be told."""
    return _age_ms(result, now_ns) <= table.stale_ms


def pose_line(result: Result, table: RobotTable, now_ns: int) -> Line:
    """Return the line of a result that nothing objects to; a refusal where it would be too long."""
    record, grip = result.record, grip_of(result, table)
    if grip is None or grip.robot_from_grip is None or grip.U is None:
        return refusal("no_grip", record.seq)
    pose = Pose3(*grip.robot_from_grip.position_mm, grip.robot_from_grip.quaternion)
    lengths = [round(to_unit(mm, table.unit), _digits(table)) for mm in pose.translation_mm.tolist()]
    # Adding 0 takes the sign from a zero: -0 is no number to every robot.
    told = [n + 0.0 for n in (*lengths, *(round(a, 4) for a in pose.angles_deg(table.angles)))]
    half = [round(to_unit(mm, table.unit), _digits(table)) for mm in grip.U[:3]] + [round(d, 4) for d in grip.U[3:]]
    age = _age_ms(result, now_ns)
    fields = {
        "seq": record.seq,
        "part_id": record.shot.part_id,
        "age_ms": age,
        "tie_sha": "+".join(record.tie_shas),
        "frame": "robot",
        "unit": table.unit,
        "angles": table.angles,
        "pose": told,
        "U": half,
        "verdict": record.verdict,
        "grip": grip.name,
        "turn_deg": None if grip.turn_deg is None else round(grip.turn_deg, 4),
        "count": grip.count,
    }
    half += [0.0] * (4 - len(half))
    turn = 0.0 if grip.turn_deg is None else round(grip.turn_deg, 4)
    numbers = (0, record.seq, age, *told, *half[:4], turn, grip.count or 0, VERDICT[record.verdict])
    line = Line(fields, numbers)
    return line if len(line.text(False)) <= LONGEST_ANSWER else refusal("answer_too_long", record.seq)


def grip_of(result: Result, table: RobotTable) -> Grip | None:
    """Return the grip that the table asks for, the first where it names none."""
    named = [g for g in result.record.grips if table.grip in (None, g.name)]
    return named[0] if named else None


def _age_ms(result: Result, now_ns: int) -> int:
    return max(0, (now_ns - result.taken_mono_ns) // 1_000_000)


def _digits(table: RobotTable) -> int:
    return 4 if table.unit == "mm" else 6


def _plain(number: float) -> str:
    return f"{number:d}" if isinstance(number, int) else f"{number:.6f}".rstrip("0").rstrip(".") or "0"
