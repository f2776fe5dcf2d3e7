"""What a robot can ask wrongly, or must not be told."""

import contextlib
import json
import math
import socket
from collections.abc import Iterator
from dataclasses import replace

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.frames import Pose3
from tiepoint.foundation.reasons import Reason
from tiepoint.model.shot import RobotPose
from tiepoint.station.wires.rehearse import PART, SEQ, Book, Stage, made_grip, made_told
from tiepoint.station.wires.robot import RobotWire
from tiepoint.station.wires.robot_client import RobotClient
from tiepoint.station.wires.robot_line import COLUMNS, NUMBER

BOOK = Book("robot")


@contextlib.contextmanager
def joined(stage: Stage) -> Iterator[tuple[RobotWire, RobotClient]]:
    """Yield a wire on duty and a robot that is connected."""
    wire = stage.robot()
    try:
        with RobotClient("127.0.0.1", wire.listener.port) as robot:
            wire.state(made_told())
            yield wire, robot
    finally:
        wire.stop()


def _next(robot: RobotClient, line: str = "NEXT") -> str:
    told = robot.told(line)
    return str(told.get("refused") or f"pose of {told['seq']}")


def _closed(other: RobotClient) -> str:
    said = json.loads(other.line())["refused"]
    try:
        return f"{said}; {other.line()}"
    except UnusableInput:
        return f"{said}; closed"


def _one(stage: Stage, **made: object) -> str:
    with joined(stage) as (wire, robot):
        wire.tell(stage.result(**made))
        return _next(robot)


@BOOK("a pose as it should be", f"pose of {SEQ}")
def _whole(stage: Stage) -> str:
    return _one(stage)


@BOOK("robot that asks twice", f"pose of {SEQ}; handed_out")
def _twice(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        wire.tell(stage.result())
        return f"{_next(robot)}; {_next(robot)}"


@BOOK("two robots ask for one result", f"pose of {SEQ}; handed_out")
def _two(stage: Stage) -> str:
    with joined(stage) as (wire, robot), RobotClient("127.0.0.1", wire.listener.port) as other:
        wire.tell(stage.result())
        return f"{_next(robot)}; {_next(other)}"


@BOOK("stale result", "stale; handed_out")
def _stale(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        wire.tell(stage.result())
        stage.clock.on(wire.table.stale_ms + 1)
        wire.state(made_told())
        return f"{_next(robot)}; {_next(robot)}"


@BOOK("pose outside of the envelope", "outside_envelope")
def _envelope(stage: Stage) -> str:
    return _one(stage, grips=(made_grip(x_mm=4000.0, inside=False),))


@BOOK("grip refused by the recipe", "outside_envelope")
def _refused(stage: Stage) -> str:
    reason = Reason("outside_envelope", {"detail": "x is 4000 mm"})
    return _one(stage, grips=(made_grip(inside=False, reason=reason),))


@BOOK("a pose in the unit and the angles that it names", "254, 50.8, -25.4; the turn that was seen")
def _as_named(stage: Stage) -> str:
    turned = (0.127679, 0.943714, 0.268536, -0.144878)
    grip = made_grip(pose=RobotPose((254.0, 50.8, -25.4), turned))
    with joined(stage) as (wire, robot):
        wire.tell(stage.result(grips=(grip,)))
        told = robot.told("NEXT")
        inch = 25.4 if told["unit"] == "in" else 1.0
        lengths = ", ".join(f"{n * inch:.4g}" for n in told["pose"][:3])
        back = Pose3.from_angles((0.0, 0.0, 0.0), told["pose"][3:], told["angles"]).quaternion
        same = abs(sum(a * b for a, b in zip(back, turned, strict=True))) > 0.99999
        named = (told["unit"], told["angles"]) == (wire.table.unit, wire.table.angles)
        return f"{lengths}; {'the turn that was seen' if same and named else 'another turn'}"


@BOOK("a grip that is no number", f"no_grip; {NUMBER['no_grip']}")
def _no_number(stage: Stage) -> str:
    said = []
    with joined(stage) as (wire, robot):
        for line in ("NEXT", "#NEXT"):
            whole = stage.result()  # no document could hold it, so it is put into one that is sealed
            broken = replace(whole.record, grips=(made_grip(x_mm=math.nan),))
            wire.tell(replace(whole, record=broken))
            said.append(_next(robot) if line == "NEXT" else robot.ask(line).partition(",")[0])
    return "; ".join(said)


@BOOK("of two grips the one that the robot is to be told, or none", "right at 400; no_grip")
def _named_grip(stage: Stage) -> str:
    stage.grip = "right"
    left, right = made_grip(x_mm=-400.0, name="left"), made_grip(name="right")
    with joined(stage) as (wire, robot):
        wire.tell(stage.result(grips=(left, right)))
        told = robot.told("NEXT")
        said = f"{told['grip']} at {told['pose'][0] * (25.4 if told['unit'] == 'in' else 1):.4g}"
        wire.tell(stage.result(seq=SEQ + 1, grips=(left,)))
        return f"{said}; {_next(robot)}"


@BOOK("a part without a grip", "no_grip")
def _no_grip(stage: Stage) -> str:
    return _one(stage, grips=(made_grip(inside=False, reason=Reason("no_flange")),))


@BOOK("the check of the tie is overdue", "tie_overdue")
def _overdue(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        wire.tell(stage.result())
        wire.state(made_told(overdue=True))
        return _next(robot)


for _verdict in ("rejected", "undecided", "unread"):

    @BOOK(f"a part that is {_verdict}", "not_conforming")
    def _not_good(stage: Stage, verdict=_verdict) -> str:  # type: ignore[no-untyped-def]  # its default is the verdict
        return _one(stage, verdict=verdict)


@BOOK("a challenge part", "check")
def _check(stage: Stage) -> str:
    return _one(stage, is_check=True)


@BOOK("part id of 900 characters", "answer_too_long")
def _long_id(stage: Stage) -> str:
    return _one(stage, part="X" * 900)


@BOOK("robot asks for another part", f"other_part; pose of {SEQ}")
def _other(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        wire.tell(stage.result())
        return f"{_next(robot, 'NEXT REHEARSAL-8')}; {_next(robot, f'NEXT {PART}')}"


@BOOK("only the newest result is told", f"pose of {SEQ + 1}; handed_out")
def _newest(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        wire.tell(stage.result())
        wire.tell(stage.result(seq=SEQ + 1))
        return f"{_next(robot)}; {_next(robot)}"


@BOOK("robot looks: an older result is no answer", "not_yet; not_yet")
def _look(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        wire.tell(stage.result())
        robot.ask("LOOK")
        said = _next(robot)
        wire.tell(stage.result(trigger="another"))
        return f"{said}; {_next(robot)}"


@BOOK("robot looks: a result that nobody asked for does not replace the answer", f"pose of {SEQ}; handed_out")
def _unasked(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        robot.ask("LOOK")
        wire.tell(stage.result(trigger=stage.triggers[0].id))
        wire.tell(stage.result(seq=SEQ + 1))
        return f"{_next(robot)}; {_next(robot)}"


@BOOK("robot looks twice", "looking; not_ready; 1 part")
def _looks_twice(stage: Stage) -> str:
    with joined(stage) as (_, robot):
        said = [
            "looking" if "looking" in told else told["refused"] for told in (robot.told("LOOK"), robot.told("LOOK"))
        ]
        return "; ".join([*said, f"{len(stage.triggers)} part"])


@BOOK("robot looks with a flange that is no number, or far beyond any arm", "bad_number; bad_number; 0 parts")
def _bad(stage: Stage) -> str:
    with joined(stage) as (_, robot):
        said = [_next(robot, f"LOOK - {words}") for words in ("1 2 3 4 5 nan", "1e7 0 0 0 0 0")]
        return "; ".join([*said, f"{len(stage.triggers)} parts"])


@BOOK("robot looks: where its flange is, in the unit of the wire", "10, 0, 5; HV-7")
def _flange(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        robot.ask("LOOK HV-7 10 0 5 0 0 180")
        (trigger,) = stage.triggers
        at = () if trigger.robot_from_flange is None else trigger.robot_from_flange.position_mm
        inch = 25.4 if wire.table.unit == "in" else 1.0
        return f"{', '.join(f'{mm / inch:.6g}' for mm in at)}; {trigger.part_id}"


@BOOK("line of 130 bytes", "line_too_long; closed")
def _long_line(stage: Stage) -> str:
    with joined(stage) as (_, robot):
        robot.send(f"NEXT {'X' * 125}\n".encode())
        return _closed(robot)


@BOOK("robot looks while the station is off duty", "not_on_duty; 0 parts")
def _off(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        wire.state(made_told("off duty"))
        return f"{_next(robot, 'LOOK')}; {len(stage.triggers)} parts"


@BOOK("the station faults and recovers: the old pose is gone", "not_on_duty; nothing_new")
def _fault(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        wire.tell(stage.result())
        wire.state(made_told("fault"))
        said = _next(robot)
        wire.state(made_told())
        return f"{said}; {_next(robot)}"


@BOOK("the duty loop hangs", "not_on_duty")
def _hangs(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        wire.tell(stage.result())
        stage.clock.on(3001)
        return _next(robot)


@BOOK("line without end", "line_too_long; closed; PONG")
def _endless(stage: Stage) -> str:
    with joined(stage) as (wire, robot), RobotClient("127.0.0.1", wire.listener.port) as other:
        other.send(b"NEXT" * 1000)
        return f"{_closed(other)}; {robot.ask('PING')}"


@BOOK("line that is begun and never ended", "PONG; line_too_long; closed; PONG")
def _never_ended(stage: Stage) -> str:
    with joined(stage) as (wire, robot), RobotClient("127.0.0.1", wire.listener.port) as other:
        other.send(b"PING\nNEX")
        said = other.line()
        stage.clock.on(10_001)
        return f"{said}; {_closed(other)}; {robot.ask('PING')}"


@BOOK("line that comes letter by letter for ever", "PONG; line_too_long; closed; PONG")
def _dripping(stage: Stage) -> str:
    with joined(stage) as (wire, robot), RobotClient("127.0.0.1", wire.listener.port) as other:
        other.send(b"PING\nN")
        said = other.line()
        for letter in (b"E", b"X", b"T"):
            stage.clock.on(3400)
            other.send(letter)
        return f"{said}; {_closed(other)}; {robot.ask('PING')}"


@BOOK("binary junk", "unknown_command")
def _junk(stage: Stage) -> str:
    with joined(stage) as (_, robot):
        robot.send(bytes(b for b in range(256) if b not in b"\r\n#")[::3] + b"\n")
        return str(json.loads(robot.line())["refused"])


@BOOK("the request of a browser", "unknown_command")
def _browser(stage: Stage) -> str:
    with joined(stage) as (_, robot):
        return _next(robot, "GET / HTTP/1.1")


@BOOK("disconnect in the middle of a line", "PONG; handed out to nobody")
def _cut(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        wire.tell(stage.result())
        with RobotClient("127.0.0.1", wire.listener.port) as other:
            other.send(b"NEX")
        return f"{robot.ask('PING')}; {'handed out to nobody' if robot.told('STATE')['waiting'] else 'lost'}"


@BOOK("a robot that never reads", f"pose of {SEQ}")
def _deaf(stage: Stage) -> str:
    with joined(stage) as (wire, robot), socket.create_connection(("127.0.0.1", wire.listener.port), 5) as deaf:
        deaf.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            for _n in range(1000):
                deaf.send(b"STATE\n" * 500)
        wire.tell(stage.result())
        return _next(robot)


@BOOK("plain numbers: a refusal has as many as a pose", f"{len(COLUMNS)} and {len(COLUMNS)}")
def _plain(stage: Stage) -> str:
    with joined(stage) as (wire, robot):
        wire.tell(stage.result())
        return " and ".join(str(len(robot.ask("#NEXT").split(","))) for _ in range(2))


@BOOK("the station starts again: an old pose is not told", "nothing_new")
def _restart(stage: Stage) -> str:
    with joined(stage) as (wire, _):
        wire.tell(stage.result())
    with joined(stage) as (_, robot):
        return _next(robot)
