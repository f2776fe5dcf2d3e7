"""MQTT against a real broker that goes and comes."""

import json
import shutil
import subprocess
import sys

import pytest
from tests.helpers.broker import Broker, Listener, certificate
from tests.helpers.wires import Clock, result, told, until

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.wires.mqtt import WINDOW, MqttWire
from tiepoint.station.wires.table import MqttTable

CLOCK = Clock()


def wire(tmp_path, port, **more):
    table = {"name": "plant", "host": "127.0.0.1", "port": port, "topic": "vents/one", **more}
    return MqttWire(MqttTable.read(table, ""), tmp_path, "vents")


@pytest.fixture
def broker(tmp_path):
    made = Broker(tmp_path)
    made.start()
    yield made
    made.kill()


def results(listener):
    return [json.loads(text) for topic, text in listener.heard if topic == "vents/one/result"]


def states(listener):
    return [json.loads(text) for topic, text in listener.heard if topic == "vents/one/state"]


def test_results_and_state_come_as_they_are(tmp_path, broker):
    listener, one = Listener(broker.port), wire(tmp_path, broker.port)
    one.start(lambda _: True)
    one.state(told(head_sha="f" * 64))
    one.tell(result(CLOCK, 71, value=4.7))
    until(lambda: results(listener) and states(listener) and len(one._spool) == 0)
    (seen,) = results(listener)
    assert (seen["seq"], seen["number"], seen["part_id"], seen["verdict"], seen["good"]) == (
        71, 1, "HV-0007", "rejected", False,
    )  # fmt: skip
    assert seen["readings"][0] == {
        "id": "bore A.diameter", "value": 4.7, "text": None, "unit": "mm", "U95": pytest.approx(1.96 * 0.002, rel=1e-3),
        "verdict": "rejected", "reason": None,
    }  # fmt: skip
    assert states(listener)[-1]["state"] == "on duty"
    assert one.link[0] == "joined"
    one.stop()
    until(lambda: states(listener)[-1]["state"] == "off duty")
    listener.close()


def test_what_was_told_while_the_broker_was_away_comes_in_order_and_once(tmp_path, broker):
    Listener(broker.port).close()
    one = wire(tmp_path, broker.port)
    one.start(lambda _: True)
    one.state(told())
    until(lambda: one.link[0] == "joined")
    broker.end()
    until(lambda: one.link[0] == "away")
    for seq in range(1, 101):
        one.tell(result(CLOCK, seq))
    until(lambda: len(one._spool) == 100)
    assert "100 messages wait" in one.link[1]
    broker.start()
    with Listener(broker.port) as listener:
        until(lambda: len(one._spool) == 0 and len(results(listener)) >= 100, 60)
        assert [(r["number"], r["seq"]) for r in results(listener)] == [(k, k) for k in range(1, 101)]
    one.stop()


def test_a_broker_that_ends_in_the_middle_of_many_gets_all_in_order(tmp_path, broker):
    Listener(broker.port).close()
    one = wire(tmp_path, broker.port)
    one.start(lambda _: True)
    until(lambda: one.link[0] == "joined")
    for seq in range(1, 1001):
        one.tell(result(CLOCK, seq, seal=lambda r: r))
        if seq in (300, 600):
            until(lambda seq=seq: one._spool._last == seq)
            broker.end()
            broker.start()
    with Listener(broker.port) as listener:
        until(lambda: one._spool._last == 1000 and len(one._spool) == 0, 60)
        until(lambda: len({r["seq"] for r in results(listener)}) == 1000)
        assert list(dict.fromkeys(r["seq"] for r in results(listener))) == list(range(1, 1001))
        # QoS 1 sends again what was not acknowledged when the connection broke, and nothing else.
        assert len(results(listener)) <= 1000 + 2 * WINDOW
    one.stop()


CHILD = """
import sys, time
from pathlib import Path
from tests.helpers.wires import Clock, result
from tiepoint.station.wires.mqtt import MqttWire
from tiepoint.station.wires.table import MqttTable
table = {"name": "plant", "host": "127.0.0.1", "port": int(sys.argv[2]), "topic": "vents/one"}
one = MqttWire(MqttTable.read(table, ""), Path(sys.argv[1]), "vents")
one.start(lambda _: True)
for seq in range(1, 51):
    one.tell(result(Clock(), seq))
while len(one._spool) < 50:
    time.sleep(0.01)
print("kept", flush=True)
time.sleep(600)
"""


def test_what_was_kept_survives_kill_9(tmp_path):
    broker = Broker(tmp_path)
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(tmp_path), str(broker.port)], stdout=subprocess.PIPE)
    assert child.stdout.readline() == b"kept\n"
    child.kill()
    child.wait()
    child.stdout.close()
    broker.start()
    listener, one = Listener(broker.port), wire(tmp_path, broker.port)
    one.start(lambda _: True)
    until(lambda: len(one._spool) == 0, 30)
    until(lambda: len(results(listener)) >= 50)
    assert [r["seq"] for r in results(listener)] == list(range(1, 51))
    one.stop()
    listener.close()
    broker.kill()


WILL = CHILD.replace("while len", "from tests.helpers.wires import told\none.state(told())\nwhile False and len")


def test_the_broker_itself_says_that_a_station_is_lost(tmp_path, broker):
    listener = Listener(broker.port)
    child = subprocess.Popen([sys.executable, "-c", WILL, str(tmp_path), str(broker.port)], stdout=subprocess.PIPE)
    until(lambda: states(listener) and states(listener)[-1]["state"] == "on duty")
    child.kill()
    child.wait()
    child.stdout.close()
    until(lambda: states(listener)[-1]["state"] == "off duty")
    assert states(listener)[-1]["says"] == "the connection to the station was lost"
    listener.close()
    with Listener(broker.port) as later:
        until(lambda: states(later))
        assert states(later)[-1]["state"] == "off duty", "it is retained"


def test_what_no_longer_fits_is_dropped_and_said(tmp_path):
    broker = Broker(tmp_path)
    one = wire(tmp_path, broker.port, spool={"most_messages": 10})
    one.start(lambda _: True)
    one.state(told())
    for seq in range(1, 31):
        one.tell(result(CLOCK, seq))
    until(lambda: one.outbox.dropped == 20)
    assert one.link[0] == "waiting"
    assert "10 messages wait; 20 were dropped" in one.link[1]
    broker.start()
    listener = Listener(broker.port)
    until(lambda: len(results(listener)) == 10 and states(listener), 60)
    assert [r["number"] for r in results(listener)] == list(range(21, 31))
    assert states(listener)[-1]["dropped"] == 20
    one.stop()
    listener.close()
    broker.kill()


def test_user_and_password_come_from_a_file(tmp_path):
    passwords = tmp_path / "passwords"
    maker = shutil.which("mosquitto_passwd")
    subprocess.run([maker, "-b", "-c", str(passwords), "vents", "a secret"], check=True, capture_output=True)
    broker = Broker(tmp_path, "allow_anonymous false", f"password_file {passwords}")
    broker.start()
    (tmp_path / "user").write_text("vents\nnot it\n")
    one = wire(tmp_path, broker.port, user_file="user")
    one.start(lambda _: True)
    until(lambda: "the broker refuses: not authorized" in one.link[1])
    assert one.link[0] == "waiting"
    one.stop()
    (tmp_path / "user").write_text("vents\na secret\n")
    one = wire(tmp_path, broker.port, user_file="user")
    one.start(lambda _: True)
    until(lambda: one.link[0] == "joined")
    one.stop()
    broker.kill()


# The client lets go of a socket whose handshake failed without closing it: it is closed when it is collected.
@pytest.mark.filterwarnings("ignore:.*ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning")
def test_a_broker_is_believed_by_its_certificate_alone(tmp_path):
    certificate(tmp_path)
    lines = ("allow_anonymous true", f"certfile {tmp_path / 'ca.pem'}", f"keyfile {tmp_path / 'key.pem'}")
    broker = Broker(tmp_path, *lines)
    broker.start()
    one = wire(tmp_path, broker.port, tls=True, ca_file="ca.pem")
    one.start(lambda _: True)
    until(lambda: one.link[0] == "joined")
    one.stop()
    stranger = wire(tmp_path, broker.port, tls=True, name="other")
    stranger.start(lambda _: True)
    until(lambda: stranger.link[1] != f"127.0.0.1 port {broker.port}: not connected yet")
    assert stranger.link[0] == "waiting"
    stranger.stop()
    broker.kill()


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"tls": True, "ca_file": "none.pem"}, "the wire plant cannot use its certificates none.pem: no such file"),
        ({"user_file": "none.txt"}, "cannot read .*none.txt"),
    ],
)
def test_a_file_that_is_not_there_is_a_sentence(tmp_path, more, sentence):
    with pytest.raises(UnusableInput, match=sentence):
        wire(tmp_path, 1883, **more).start(lambda _: True)


def test_the_duty_loop_never_waits(tmp_path):
    one = wire(tmp_path, 1)
    for seq in range(1500):  # it was not even started: nobody takes from the queue
        one.tell(result(CLOCK, seq, seal=lambda r: r))
    assert one.outbox.dropped == 500
