"""A robot at its socket: the other side is a plain socket, or the simulator client."""

import json
import re
import socket
import threading
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from tests.helpers.wires import Clock, grip, result, told, until

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import Reason
from tiepoint.model.shot import RobotPose
from tiepoint.station.wires.robot import RobotWire
from tiepoint.station.wires.robot_client import RobotClient
from tiepoint.station.wires.robot_line import COLUMNS, NUMBER, REFUSALS
from tiepoint.station.wires.table import RobotTable

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "reference" / "robot-socket.md").read_text(encoding="utf-8")
SCIPY = {"zyx-intrinsic-deg": "ZYX", "xyz-extrinsic-deg": "xyz", "zyz-intrinsic-deg": "ZYZ"}
TILTED = Rotation.from_euler("ZYX", [30, 20, 170], degrees=True)


def turned(angles, convention):
    """Return the rotation that angles mean, as scipy understands the convention (capitals: about the body's axes)."""
    if convention == "rotvec-deg":
        return Rotation.from_rotvec(angles, degrees=True)
    return Rotation.from_euler(SCIPY[convention], angles, degrees=True)


def quaternion(rotation):
    x, y, z, w = rotation.as_quat()
    return (w, x, y, z)


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def cell(clock):
    with_cell = Cell(clock)
    yield with_cell
    with_cell.close()


class Cell:
    def __init__(self, clock, **table):
        self.wire = RobotWire(RobotTable.read({"name": "arm", "port": 0, **table}, ""), clock)
        self.taken, self.answer = [], True
        self.wire.start(lambda trigger: self.taken.append(trigger) or self.answer)
        self.wire.state(told())
        self.robot = RobotClient("127.0.0.1", self.wire.listener.port)

    def close(self):
        self.robot.close()
        self.wire.stop()


def test_a_pose_is_told_once_with_all_that_makes_it_believed(cell, clock):
    cell.wire.tell(result(clock, 71, grips=[grip(turn_deg=190.0, count=5)]))
    clock.on(260)
    line = cell.robot.told("NEXT")
    assert line == {
        "seq": 71, "part_id": "HV-0007", "age_ms": 300, "tie_sha": "1" * 64, "frame": "robot", "unit": "mm",
        "angles": "zyx-intrinsic-deg", "pose": [412.5, -95.25, 30.0, 0.0, 0.0, 0.0], "U": [0.05, 0.06, 0.1, 0.2],
        "verdict": "conforms", "grip": "plate", "turn_deg": 190.0, "count": 5,
    }  # fmt: skip
    again = cell.robot.told("NEXT")
    assert (again["refused"], again["seq"]) == ("handed_out", 71)


@pytest.mark.parametrize("convention", [*SCIPY, "rotvec-deg"])
@pytest.mark.parametrize("unit", ["mm", "in"])
def test_the_told_angles_mean_the_same_turn_to_scipy(clock, convention, unit):
    cell = Cell(clock, angles=convention, unit=unit)
    cell.wire.tell(result(clock, grips=[grip(RobotPose((25.4, -50.8, 127.0), quaternion(TILTED)))]))
    line = cell.robot.told("NEXT")
    cell.close()
    per = 25.4 if unit == "in" else 1.0  # NIST SP 811, B.6
    assert np.allclose(np.multiply(line["pose"][:3], per), (25.4, -50.8, 127.0), atol=1e-3)
    assert np.allclose(np.multiply(line["U"][:3], per), (0.05, 0.06, 0.1), atol=1e-4)
    assert (turned(line["pose"][3:], convention) * TILTED.inv()).magnitude() < 1e-5


def test_plain_numbers_say_the_same(cell, clock):
    cell.wire.tell(result(clock, 71, grips=[grip(RobotPose((412.5, -95.25, 30.0), quaternion(TILTED)), turn_deg=30.0)]))
    numbers = dict(zip(COLUMNS, map(float, cell.robot.ask("#NEXT").split(",")), strict=True))
    assert (numbers["code"], numbers["seq"], numbers["age_ms"], numbers["verdict"]) == (0, 71, 40, 1)
    assert [numbers[k] for k in "xyz"] == [412.5, -95.25, 30.0]
    assert [numbers[k] for k in "abc"] == pytest.approx([30, 20, 170])
    assert [numbers[f"U_{k}"] for k in ("x", "y", "z", "turn")] == [0.05, 0.06, 0.1, 0.2]
    refused = cell.robot.ask("#NEXT").split(",")
    assert (len(refused), refused[:2]) == (len(COLUMNS), [str(NUMBER["handed_out"]), "71"])
    assert cell.robot.ask("#STATE") == "3,0,0"
    assert cell.robot.ask("#PING") == "1"


def test_no_zero_has_a_sign(cell, clock):
    for line in ("NEXT", "#NEXT"):
        cell.wire.tell(result(clock, grips=[grip(RobotPose((-0.00001, 0.0, -0.0), (-1.0, 0.0, 0.0, 0.0)))]))
        assert not re.search(r"-0(\.0)?[,\]]", cell.robot.ask(line))


BEYOND = Reason("outside_envelope", {"detail": "x is 900 mm"})


@pytest.mark.parametrize(
    ("made", "code"),
    [
        ({"age_ms": 3001}, "stale"),
        ({"value": 4.7}, "not_conforming"),
        ({"value": 4.6}, "not_conforming"),
        ({"value": None}, "not_conforming"),
        ({"is_check": True}, "check"),
        ({"grips": []}, "no_grip"),
        ({"grips": [grip(None, False, BEYOND)]}, "outside_envelope"),
        ({"grips": [grip(inside=False)]}, "outside_envelope"),
        ({"grips": [grip(None, False, Reason("no_flange"))]}, "no_grip"),
        ({"grips": [grip(RobotPose((float("nan"), 0.0, 0.0), (1.0, 0.0, 0.0, 0.0)))], "seal": lambda r: r}, "no_grip"),
        ({"part": "X" * 900}, "answer_too_long"),
    ],
)
def test_what_must_not_be_gripped_is_refused_by_name(cell, clock, made, code):
    cell.wire.tell(result(clock, **{"grips": [grip()], **made}))
    line = cell.robot.told("NEXT")
    assert (line["refused"], line["seq"]) == (code, 7)
    assert "pose" not in line
    assert cell.robot.told("NEXT")["refused"] == "handed_out", "a refused result does not come back"


def test_a_tie_whose_check_is_overdue_tells_no_pose(cell, clock):
    cell.wire.state(told(tie_overdue=True))
    cell.wire.tell(result(clock, grips=[grip()]))
    assert cell.robot.told("STATE")["tie_overdue"] is True
    assert cell.robot.told("NEXT")["refused"] == "tie_overdue"


@pytest.mark.parametrize("state", ["off duty", "warming", "not released", "fault"])
def test_nothing_is_handed_out_off_duty_nor_after_it(cell, clock, state):
    cell.wire.tell(result(clock, grips=[grip()]))
    cell.wire.state(told(state, says="the reason"))
    assert cell.robot.told("NEXT")["refused"] == "not_on_duty"
    assert cell.robot.told("LOOK")["refused"] == "not_on_duty"
    cell.wire.state(told())
    assert cell.robot.told("NEXT")["refused"] == "nothing_new"


def test_a_duty_loop_that_hangs_hands_out_nothing(cell, clock):
    cell.wire.tell(result(clock, grips=[grip()], age_ms=-5000))
    clock.on(3001)
    assert cell.robot.told("NEXT")["refused"] == "not_on_duty"
    assert cell.robot.told("STATE")["state"] == "off duty"


def test_only_the_newest_is_told_and_only_to_who_asks_for_it(cell, clock):
    cell.wire.tell(result(clock, 7, part="HV-0007", grips=[grip()]))
    cell.wire.tell(result(clock, 8, part="HV-0008", grips=[grip()]))
    assert cell.robot.told("NEXT HV-0007")["refused"] == "other_part"
    assert cell.robot.told("NEXT HV-0008")["seq"] == 8


def test_a_robot_that_looks_gets_the_result_of_its_own_look(cell, clock):
    cell.wire.tell(result(clock, 7, grips=[grip()]))
    assert cell.robot.told("LOOK HV-0008 400 0 500 30 20 170") == {"looking": "HV-0008"}
    (trigger,) = cell.taken
    assert trigger.part_id == "HV-0008"
    assert trigger.robot_from_flange.position_mm == (400, 0, 500)
    w, x, y, z = trigger.robot_from_flange.quaternion
    assert (Rotation.from_quat([x, y, z, w]) * TILTED.inv()).magnitude() < 1e-9
    assert cell.robot.told("LOOK")["refused"] == "not_ready"
    assert cell.robot.told("NEXT")["refused"] == "not_yet"
    cell.wire.tell(result(clock, 8, trigger="another", grips=[grip()]))
    assert cell.robot.told("NEXT")["refused"] == "not_yet"
    cell.wire.tell(result(clock, 9, trigger=trigger.id, grips=[grip()]))
    assert cell.robot.told("NEXT")["seq"] == 9


def test_a_station_that_cannot_take_the_part_says_so(cell):
    cell.answer = False
    assert cell.robot.ask("#LOOK").split(",")[0] == str(NUMBER["not_ready"])
    cell.answer = True
    assert cell.robot.ask("#LOOK") == "0"


@pytest.mark.parametrize("line", ["LOOK x 1", "LOOK x 1 2 3 4 5 six", "LOOK x 1 2 3 4 5 nan", "LOOK x 1 2 3 4 5 6 7"])
def test_numbers_that_are_none_are_refused(cell, line):
    assert cell.robot.told(line)["refused"] == "bad_number"
    assert not cell.taken


@pytest.mark.parametrize("line", ["next", "NEXT a b", "GET / HTTP/1.1", "\x1c\x1f", "{}", "NÉXT", "\x00\x01"])
def test_what_is_no_command_is_said(cell, line):
    assert cell.robot.told(line)["refused"] == "unknown_command"


def test_lines_may_end_with_cr_and_come_in_pieces(cell):
    cell.robot.send(b"PI")
    cell.robot.send(b"NG\rPING\r\n\r\n#PING\n")
    assert [cell.robot.line() for _ in range(3)] == ["PONG", "PONG", "1"]


@pytest.mark.parametrize("junk", [b"N" * 121, b"N" * 100_000, bytes(range(128, 256)) * 2])
def test_a_line_without_end_is_closed(cell, clock, junk):
    with RobotClient("127.0.0.1", cell.wire.listener.port) as other:
        other.send(junk)
        assert json.loads(other.line())["refused"] == "line_too_long"
        with pytest.raises(UnusableInput):
            other.line()
    until(lambda: cell.wire.listener.counts["broken"] == 1)
    assert cell.robot.ask("PING") == "PONG"


def test_a_silent_robot_and_one_that_never_reads_hold_nobody_up(cell, clock):
    silent = socket.create_connection(("127.0.0.1", cell.wire.listener.port), 5)
    deaf = socket.create_connection(("127.0.0.1", cell.wire.listener.port), 5)
    deaf.setblocking(False)
    sent = 0
    try:
        while sent < 4_000_000:  # its answers fill what the system holds for it
            sent += deaf.send(b"STATE\n" * 1000)
    except BlockingIOError:
        pass
    for seq in range(50):
        cell.wire.tell(result(clock, seq, grips=[grip()]))
        assert cell.robot.told("NEXT")["seq"] == seq
    silent.close()
    deaf.close()


def test_an_answer_to_look_is_told_though_another_part_came_meanwhile(cell, clock):
    cell.robot.ask("LOOK HV-0007")
    cell.wire.tell(result(clock, 7, trigger=cell.taken[0].id, grips=[grip()]))
    cell.wire.tell(result(clock, 8, part="HV-0008", grips=[grip()]))
    assert cell.robot.told("NEXT")["part_id"] == "HV-0007"
    assert cell.robot.told("NEXT")["refused"] == "handed_out"
    cell.robot.ask("LOOK HV-0009")
    cell.wire.tell(result(clock, 9, part="HV-0009", trigger=cell.taken[1].id, grips=[grip()]))
    clock.on(cell.wire.table.stale_ms + 1)  # nobody fetched it in time: then the newest is what there is
    cell.wire.state(told())
    cell.wire.tell(result(clock, 10, part="HV-0010", grips=[grip()]))
    assert cell.robot.told("NEXT")["part_id"] == "HV-0010"


def test_a_robot_that_asks_much_in_one_go_does_not_keep_another_waiting(cell, monkeypatch):
    asked, begun, both_lie_there = [], threading.Event(), threading.Event()

    def answer(line):
        asked.append(line)
        begun.set()
        assert both_lie_there.wait(10)
        return "PONG"

    monkeypatch.setattr(cell.wire, "answer", answer)
    with RobotClient("127.0.0.1", cell.wire.listener.port) as other:
        other.send(b"PING\n" * 500)
        assert begun.wait(10)
        cell.robot.send(b"STATE\n")
        both_lie_there.set()
        assert cell.robot.line() == "PONG"
    assert asked.index(b"STATE") < 10


def test_no_more_robots_than_stated(clock):
    cell = Cell(clock, most_peers=1)
    with RobotClient("127.0.0.1", cell.wire.listener.port) as other, pytest.raises((UnusableInput, OSError)):
        other.ask("PING")
    assert cell.robot.ask("PING") == "PONG"
    assert cell.wire.listener.counts["too many"] == 1
    cell.close()


def test_a_robot_that_is_not_on_the_list_is_told_so_by_its_simulator(clock):
    wire = RobotWire(RobotTable.read({"name": "arm", "port": 0, "peers": ["192.0.2.7"]}, ""), clock)
    wire.start(lambda _: True)
    with RobotClient("127.0.0.1", wire.listener.port) as robot, pytest.raises((UnusableInput, OSError)):
        robot.ask("PING")
    wire.stop()
    with pytest.raises(UnusableInput, match="nobody answers on"):
        RobotClient("127.0.0.1", wire.listener.port)


def test_the_page_lists_every_refusal_and_column():
    rows = re.findall(r"^\| (\d+) \| `(\w+)` \| (.*) \|$", PAGE, re.M)
    assert rows == [(str(NUMBER[code]), code, sentence) for code, sentence in REFUSALS.items()]
    assert ",".join(COLUMNS) in PAGE


def test_the_worked_poses_of_the_page_are_what_scipy_makes_of_them():
    rows = re.findall(r"^\| \d \| ([^|]+) \| ([^|]+) \| ([^|]+) \| ([^|]+) \| ([^|]+) \|$", PAGE, re.M)
    assert len(rows) == 3
    meant = [
        Rotation.from_euler("Z", 30, degrees=True),
        Rotation.from_euler("Z", 30, degrees=True) * Rotation.from_euler("X", 180, degrees=True),
        TILTED,
    ]
    for row, rotation in zip(rows, meant, strict=True):
        first, *angles = ([float(n) for n in cell.split(",")] for cell in row)
        w, x, y, z = first
        assert (Rotation.from_quat([x, y, z, w]) * rotation.inv()).magnitude() < 1e-5
        for told_, convention in zip(angles, [*SCIPY, "rotvec-deg"], strict=True):
            assert (turned(told_, convention) * rotation.inv()).magnitude() < 1e-5


def test_the_pose_on_the_page_has_the_fields_of_an_answer(cell, clock):
    shown = json.loads(re.search(r"```json\n(.*?)```", PAGE, re.S)[1])
    cell.wire.tell(result(clock, grips=[grip()]))
    assert list(shown) == list(cell.robot.told("NEXT"))
