"""`tiepoint wire`: every sequence as expected, a station that breaks a rule is found out, stale results are sent."""

import asyncio
import json
import re
import socket
import threading

import pytest
from tests.helpers.broker import free_port
from tests.helpers.wires import until
from typer.testing import CliRunner

from tiepoint.cli.app import app
from tiepoint.cli.main import main
from tiepoint.station.folder import open_station
from tiepoint.station.wires import exchange, layout, listen, robot, robot_line
from tiepoint.station.wires.commission import commission
from tiepoint.station.wires.controller_client import Controller
from tiepoint.station.wires.layout import ASKED, BITS, TOLD
from tiepoint.station.wires.modbus import ModbusWire
from tiepoint.station.wires.rehearse import cast, rehearse, sequences
from tiepoint.station.wires.robot_client import RobotClient
from tiepoint.station.wires.table import WiresTable

STATION = """format = "tiepoint/station/1"
name = "vents & <vanes>"

[wires]
allowed = ["https://hooks.example/vents"]

[[wires.modbus]]
name = "controller"
port = {port}
word_order = "low first"

[[wires.robot]]
name = "arm"
port = {other}
angles = "rotvec-deg"

[[wires.mqtt]]
name = "plant"
host = "127.0.0.1"
topic = "vents/one"

[[wires.webhook]]
name = "hook"
url = "https://hooks.example/vents/results"
secret_file = "secret"

[[wires.remote_io]]
name = "io"
host = "192.0.2.20"
pass = 1

[[wires.map]]
reading = "bore A diameter"
at = 40
as = "f32"

[[wires.map]]
reading = "bore A diameter"
at = 42
as = "i32"
scale = 10000
"""


@pytest.fixture
def station(tmp_path):
    folder = tmp_path / "vents"
    folder.mkdir()
    (folder / "station.toml").write_text(STATION.format(port=free_port(), other=free_port()))
    return folder


def tables(station):
    return open_station(station).table.wires


def failed(which):
    """Return which of some sequences are not as expected, on the wires by default."""
    outcomes = rehearse(cast(WiresTable(), tuple(s for s in sequences() if s.name in which)))
    return {o.name for o in outcomes if not o.good}


def test_there_are_enough_sequences_and_each_has_its_own_name():
    names = [(s.kind, s.name) for s in sequences()]
    assert len(names) >= 40
    assert len(set(names)) == len(names)


def test_each_wire_of_a_station_is_rehearsed(station):
    text = (station / "station.toml").read_text()
    second = '[[wires.modbus]]\nname = "second"\nport = 0\nunit = 9\n\n[[wires.map]]'
    (station / "station.toml").write_text(text.replace("[[wires.map]]", second, 1))
    some = tuple(s for s in sequences() if s.name in ("wrong unit identifier", "a pose as it should be"))
    played = cast(tables(station), some)
    assert [(o.wire, o.good) for o in rehearse(played)] == [("controller", True), ("second", True), ("arm", True)]
    assert [c.wire for c in cast(WiresTable(), some)] == ["", ""]


def test_the_command_plays_them_and_writes_the_sheet(station, tmp_path, capsys):
    assert main(["wire", "rehearse", str(station), "--out", str(tmp_path / "out"), "--json"]) == 0
    said = capsys.readouterr()
    told = json.loads(said.out)
    assert "[duty] states no tie_check_h" in said.err
    assert [s["name"] for s in told["sequences"] if not s["good"]] == []
    assert len(told["sequences"]) == len(sequences())
    page = (tmp_path / "out" / "wires.html").read_text(encoding="utf-8")
    assert "vents &amp; &lt;vanes&gt;" in page
    for place in (*TOLD, *ASKED):
        assert place.says.replace("&", "&amp;") in page
    for name, _ in BITS:
        assert name in page
    # IEEE 754 binary32 of 4.5 is 4090 0000; the low word comes first here, and 45000 is AFC8.
    assert "<td>0000 4090</td>" in page
    assert "<td>AFC8 0000</td>" in page
    assert "vents/one/result" in page
    assert "line_too_long" in page
    assert "in the recipe's unit, times the scale; the sample is 4.5" in page
    assert "Only then may the camera be triggered." in page
    assert '<th scope="row">12</th><td>outside_envelope</td>' in page


async def serve_by_pauses(self, peer):
    """As the wire once did: each letter gave a line its whole time again."""
    begun, last_ns = b"", self.now_ns()
    while True:
        try:
            async with asyncio.timeout(0.05):
                more = await peer.reader.read(256)
        except TimeoutError:
            if begun and self.now_ns() - last_ns > robot.LINE_S * 1e9:
                await self._too_long(peer)
            continue
        if not more:
            return
        last_ns = self.now_ns()
        *lines, begun = (begun + more).split(b"\n")
        for line in lines:
            await peer.send(self.answer(line).encode("ascii") + b"\r\n")


BREAKS = [
    (exchange.Exchange, "_frozen", property(lambda self: False), "frozen heartbeat over a good result"),
    (exchange, "SILENT_MS", 10**9, "the duty loop hangs over a good result"),
    (exchange, "_verdict", lambda result, part: layout.VERDICT[result.record.verdict], "the result of another part id"),
    (exchange, "_verdict", lambda result, part: 1, "a part that is undecided"),
    (exchange.Exchange, "_acknowledge", lambda self: self._clear(), "acknowledge of another sequence"),
    (exchange, "words_of", lambda value, as_, order, scale=1.0: (0, 0)[: layout.AS_WORDS[as_]],
     "a reading that no integer can hold"),
    (exchange.Exchange, "_frozen", property(lambda self: False), "a good result before any heartbeat"),
    (exchange.Exchange, "_hear", lambda self, beat: vars(self).update(_beaten=True, _beat_ns=self.now_ns()),
     "a heartbeat that was written once"),
    (exchange.Exchange, "_is_none_of_its", lambda *_: False,
     "a result that nobody asked for, before the answer is acknowledged"),
    (exchange, "BIT", {**layout.BIT, "toggle": 0}, "two results: the toggle changes, and changes back"),
    (exchange, "_counted", lambda record: (0, 0), "readings that do not conform, and have no value, are counted"),
    (exchange.zlib, "crc32", lambda data: 0, "the CRC-32 of a part id, as its standard checks it"),
    (exchange.Exchange, "_variant", lambda self: b"", "the variant and the encoder's count of a trigger"),
    (exchange, "mapped_value", lambda one, record: record.readings[0].value,
     "a reading's U95 beside it; a value between two whole numbers"),
    (exchange.layout, "text_words", lambda text, most: (0,) * (most // 2), "a part as it should be"),
    (listen.Listener, "_allowed", lambda *_: True, "a peer that is not on the list"),
    (robot, "objection", lambda *_: None, "stale result"),
    (robot, "objection", lambda *_: None, "the check of the tie is overdue"),
    (robot, "objection", lambda *_: None, "pose outside of the envelope"),
    (robot, "LONGEST", 10**6, "line without end"),
    (robot, "LINE_S", 10**6, "line that is begun and never ended"),
    (robot.RobotWire, "_serve", serve_by_pauses, "line that comes letter by letter for ever"),
    (robot_line.math, "isfinite", lambda _: True, "a grip that is no number"),
    (robot_line, "grip_of", lambda result, table: result.record.grips[0],
     "of two grips the one that the robot is to be told, or none"),
    (exchange, "BIT", {**layout.BIT, "valid": 0}, "a part as it should be"),
    (robot_line, "LONGEST_ANSWER", 10**6, "part id of 900 characters"),
]  # fmt: skip


@pytest.mark.parametrize(("where", "what", "broken", "name"), BREAKS, ids=[f"{b[1]}-{b[3]}" for b in BREAKS])
def test_a_wire_that_breaks_a_rule_is_found_out(monkeypatch, where, what, broken, name):
    assert failed({name}) == set()
    monkeypatch.setattr(where, what, broken)
    assert failed({name}) == {name}


def test_what_was_not_as_expected_is_told_and_the_exit_code_is_1(station, monkeypatch, capsys):
    monkeypatch.setattr(robot, "objection", lambda *_: None)
    some = tuple(s for s in sequences() if s.kind == "robot")[:5]
    monkeypatch.setattr("tiepoint.station.wires.rehearse.sequences", lambda: some)
    assert main(["wire", "rehearse", str(station)]) == 1
    out = capsys.readouterr().out
    assert "arm, stale result: expected stale; handed_out; seen pose of 70001; handed_out" in out
    assert re.search(r"\d+ sequences, [1-9]\d* not as expected\.", out)


class Plant(threading.Thread):
    """A controller that acknowledges what it sees; it knows stale parts by their age, or lets all pass."""

    def __init__(self, table):
        super().__init__(daemon=True)
        self.wire = ModbusWire(table)
        self.wire.listener.port = table.port
        self.end, self.seen = threading.Event(), []
        self.start()

    def run(self):
        def listens():
            with socket.socket() as sock:
                return sock.connect_ex(("127.0.0.1", self.wire.table.port)) == 0

        until(listens)
        with Controller(self.wire) as c:
            c.arm()
            while not self.end.wait(0.02):
                try:
                    c.beat()
                    if "valid" in c.bits:
                        self.seen.append(
                            (c.number(11), c.number(15), bytes.fromhex("".join(f"{w:04x}" for w in c.read(20, 16))))
                        )
                        c.acknowledge(c.number(11))
                except Exception:
                    return


def test_stale_results_are_sent_to_a_connected_controller(station):
    plant, due = Plant(tables(station).modbus[0]), iter((1, 2, 4, 5))

    def rejected(lie):
        count = next(due)
        until(lambda: len(plant.seen) >= count)
        return True

    answered = list(commission(tables(station), "controller", rejected))
    plant.end.set()
    plant.join()
    assert [a.name for a in answered] == ["old", "another part", "again", "falls silent"]
    assert plant.seen[0][1] >= 60_000
    assert plant.seen[1][2].startswith(b"REHEARSAL-OTHER")
    assert [seq for seq, *_ in plant.seen[2:]] == [90_000, 90_000, 90_001]


def test_lies_answer_a_controller_that_looks_only_at_its_own_triggers(station):
    # It would see nothing, and its silence would be taken for a rejection.
    wire, seen, end = ModbusWire(tables(station).modbus[0]), [], threading.Event()
    wire.listener.port = wire.table.port

    def run():
        def listens():
            with socket.socket() as sock:
                return sock.connect_ex(("127.0.0.1", wire.table.port)) == 0

        until(listens)
        with Controller(wire) as c:
            c.arm()
            while not end.wait(0.02):
                try:
                    c.beat()
                    if "ready" in c.bits:
                        c.trigger(len(seen) + 1, b"HV-0007")
                    if "valid" in c.bits and c.read(14)[0]:
                        seen.append((c.verdict, c.number(15), c.read(19)[0], c.number(11)))
                        c.acknowledge(c.number(11))
                except Exception:
                    return

    def rejected(lie):
        before = len(seen)
        until(lambda: lie.silent or len(seen) >= before + 2)
        told[lie.name] = seen[before + 1 : before + 2]
        return True

    thread, told = threading.Thread(target=run, daemon=True), {}
    thread.start()
    list(commission(tables(station), "controller", rejected))
    end.set()
    thread.join()
    ((verdict, age, length, _),) = told["old"]
    assert (verdict, length) == (1, len("HV-0007"))
    assert age >= 60_000
    ((verdict, age, length, _),) = told["another part"]
    assert (verdict, length) == (1, len("REHEARSAL-OTHER"))
    assert age < 60_000
    assert told["again"][0][3] == 90_000
    fresh = [seq for *_, seq in seen if seq < 90_000]
    assert len(set(fresh)) == len(fresh), "a sequence that came before is another lie than the one that was meant"


def test_a_person_is_asked_what_the_other_side_did(station):
    plant = Plant(tables(station).modbus[0])
    told = CliRunner().invoke(app, ["wire", "rehearse", str(station), "--send-stale", "controller"], input="y\n" * 5)
    plant.end.set()
    plant.join()
    assert told.exit_code == 0, told.output
    assert "reduced-speed manual mode" in told.stderr
    assert "4 stale results were sent, 0 not rejected." in told.stdout


def test_what_the_other_side_let_pass_is_exit_code_1(station):
    plant = Plant(tables(station).modbus[0])
    asked = "y\ny\nn\ny\ny\n"
    told = CliRunner().invoke(app, ["wire", "rehearse", str(station), "--send-stale", "controller"], input=asked)
    plant.end.set()
    plant.join()
    assert told.exit_code == 1
    assert re.search(r"controller +another part +NOT REJECTED", told.stdout)


def test_a_robot_is_handed_what_it_has_to_refuse(station):
    port, poses = tables(station).robot[0].port, []

    def move():
        def listens():
            with socket.socket() as sock:
                return sock.connect_ex(("127.0.0.1", port)) == 0

        until(listens)
        with RobotClient("127.0.0.1", port) as arm:
            while not done.wait(0.02):
                line = arm.told("NEXT")
                if "pose" in line:
                    poses.append(line)

    done = threading.Event()
    thread = threading.Thread(target=move, daemon=True)
    thread.start()

    seen = []
    for answered in commission(tables(station), "arm", lambda lie: until(lambda: len(poses) > len(seen)) or True, 10):
        seen.append(answered.name)
    done.set()
    thread.join()
    assert seen == ["old", "another part", "again", "falls silent"]
    assert poses[0]["age_ms"] >= 60_000
    assert poses[1]["part_id"] == "REHEARSAL-OTHER"
    assert poses[1]["seq"] != poses[0]["seq"]


@pytest.mark.parametrize(
    ("words", "asked", "sentence"),
    [
        (["--send-stale", "control"], "", 'did you mean "controller"?'),
        (["--send-stale", "controller"], "n\n", "the line has to be empty and stopped first"),
        (["--send-stale", "controller", "--wait", "0"], "y\n", "nobody is connected to controller"),
    ],
)
def test_stale_results_are_not_sent_by_accident(station, monkeypatch, capsys, words, asked, sentence):
    monkeypatch.setattr("typer.confirm", lambda *_, **__: asked == "y\n")
    assert main(["wire", "rehearse", str(station), *words]) == 2
    assert sentence in capsys.readouterr().err


def test_a_table_that_cannot_work_is_refused(station, capsys):
    text = (station / "station.toml").read_text()
    (station / "station.toml").write_text(text.replace("at = 42", "at = 41"))
    assert main(["wire", "rehearse", str(station)]) == 2
    assert "wires.map[1] (bore A diameter) takes register 41, which wires.map[0]" in capsys.readouterr().err


def test_ask_is_a_robot_for_a_desk(capsys):
    from tests.helpers.wires import Clock, told

    from tiepoint.station.wires.robot import RobotWire
    from tiepoint.station.wires.table import RobotTable

    wire = RobotWire(RobotTable(name="arm", port=0), Clock())
    wire.start(lambda _: True)
    wire.state(told())
    assert main(["wire", "ask", f"127.0.0.1:{wire.listener.port}", "#STATE"]) == 0
    assert capsys.readouterr().out == "3,0,0\n"
    wire.stop()
    assert main(["wire", "ask", f"127.0.0.1:{wire.listener.port}", "NEXT"]) == 2
    assert "nobody answers on 127.0.0.1" in capsys.readouterr().err
    assert main(["wire", "ask", "127.0.0.1", "NEXT"]) == 2
    assert "give HOST:PORT" in capsys.readouterr().err
