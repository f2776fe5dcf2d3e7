"""The station's own wires in a duty that runs: what is judged is what controller, robot and broker are told."""

import json

import pytest
from tests.helpers.broker import Broker, Listener
from tests.helpers.made_line import Running, png
from tests.helpers.plain_bore import plain_tie
from tests.helpers.vent_station import new_station
from tests.helpers.wires import until

from tiepoint.station.accepted import accept, draft_of
from tiepoint.station.folder import open_station
from tiepoint.station.wires.controller_client import Controller
from tiepoint.station.wires.layout import VERDICT
from tiepoint.station.wires.open import open_wires
from tiepoint.station.wires.robot_client import RobotClient

WIRES = """
[duty]
workers = 1
variant = "thin"
deadline_ms = 300000

[[wires.modbus]]
name = "controller"
port = 0
heartbeat_ms = 600000
result_ms = 600000
acknowledge_ms = 600000

[[wires.map]]
reading = "bore diameter"
at = 40
as = "i32"
scale = 10000

[[wires.robot]]
name = "arm"
port = 0
stale_ms = 600000

[[wires.mqtt]]
name = "plant"
host = "127.0.0.1"
port = {port}
topic = "vents"
"""


@pytest.fixture
def line(tmp_path):
    broker = Broker(tmp_path)
    broker.start()
    vent = new_station(tmp_path / "station", plain_tie())
    toml = vent.folder / "station.toml"
    toml.write_text(toml.read_text() + WIRES.format(port=broker.port))
    station = open_station(vent.folder)
    accept(station, [draft_of(station, vent.recipe)], who="M. Weiss", why="first")
    running = Running(station)
    made = open_wires(station.table.wires, station.folder, station.name)
    running.duty.wires = (*running.duty.wires, *made)
    with Listener(broker.port) as listener, running:
        # Its kernels may have to be compiled first.
        running.wire.wait(lambda me: me.states and me.states[-1].state == "on duty", 300)
        yield running, made, listener, [png(vent.shots / f"vent-{k}.png") for k in range(3)]
    assert running.error is None
    broker.kill()


def test_a_controller_triggers_parts_and_all_are_told_of_them(line):
    running, (modbus, robot, _), listener, shots = line
    with Controller(modbus) as c, RobotClient("127.0.0.1", robot.listener.port) as arm:
        c.arm()
        until(lambda: c.says("ready") == "ready")
        seen = []
        for number, (picture, part) in enumerate(((shots[0], b"p1"), (shots[2], b"p2")), 1):
            assert c.trigger(number, part) == "written"
            until(lambda: c.says("busy") == "busy")
            trigger = running.camera.triggers[-1]
            assert trigger.part_id == part.decode()
            running.camera.show(trigger.id, picture, trigger=trigger.id, part_id=trigger.part_id)
            until(lambda: "valid" in c.bits, 60)
            record = running.wire.of(trigger.id)
            assert c.number(11) == record.seq
            assert c.read(14) == [number]
            assert record.readings[0].reason is None, record.readings[0].reason.sentence
            assert c.number(40, "i32") == round(record.readings[0].value * 10_000)
            assert ("good" in c.bits) == (record.verdict == "conforms")
            seen.append((c.verdict, arm.told("NEXT")["refused"]))
            c.acknowledge(record.seq)
            until(lambda: "ready" in c.bits)
    # The recipe has no grip, and a rejected plate is not gripped.
    assert seen == [(VERDICT["conforms"], "no_grip"), (VERDICT["rejected"], "not_conforming")]
    until(lambda: len([t for t, _ in listener.heard if t == "vents/result"]) == 2)
    results = [json.loads(text) for topic, text in listener.heard if topic == "vents/result"]
    assert [(r["part_id"], r["verdict"]) for r in results] == [("p1", "conforms"), ("p2", "rejected")]
    records = {r.record.shot.part_id: r for r in running.wire.results}
    assert [r["head_sha"] for r in results] == [records[p].head_sha for p in ("p1", "p2")]


def test_a_robot_looks_and_hears_of_its_own_part_alone(line):
    running, (_, robot, _), _, shots = line
    with RobotClient("127.0.0.1", robot.listener.port) as arm:
        assert arm.told("LOOK p7") == {"looking": "p7"}
        trigger = running.camera.triggers[-1]
        running.camera.show("another", shots[0], part_id="p6")
        running.wire.of("another")
        assert arm.told("NEXT")["refused"] == "not_yet"
        running.camera.show(trigger.id, shots[0], trigger=trigger.id, part_id=trigger.part_id)
        record = running.wire.of(trigger.id)
        until(lambda: arm.told("STATE")["waiting"])
        assert arm.told("NEXT p7") == {
            "seq": record.seq, "refused": "no_grip", "says": "The record has no grip, or says why there is none.",
        }  # fmt: skip
