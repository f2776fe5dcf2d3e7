"""Lamps that take text over TCP: a lamp driver that the test plays, with all that one may do wrong."""

import socketserver
import threading
import time
from contextlib import suppress

import numpy as np
import pytest
from tests.helpers.wires import until

from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.station.cameras.delivery import Setting, Trigger
from tiepoint.station.cameras.device import DeviceCamera
from tiepoint.station.cameras.lamps import TextLamps
from tiepoint.station.cameras.table import CameraTable, LampsTable

LONG = 30


class Driver(socketserver.ThreadingTCPServer):
    """A lamp driver: keeps what it was told, and answers as the test has it."""

    allow_reuse_address, daemon_threads = True, True

    def __init__(self):
        super().__init__(("127.0.0.1", 0), Talk)
        self.told = []
        self.answer = lambda line: b"OK\r\n"
        self.links = set()
        self.thread = threading.Thread(target=self.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        self.thread.start()

    def cut(self):
        for link in list(self.links):
            with suppress(OSError):
                link.shutdown(2)

    def end(self):
        self.cut()
        self.shutdown()
        self.server_close()
        self.thread.join()


class Talk(socketserver.StreamRequestHandler):
    def handle(self):
        self.server.links.add(self.request)
        with suppress(OSError):
            for line in self.rfile:
                self.server.told.append(line.decode())
                answer = self.server.answer(line.decode())
                if answer is None:
                    break
                self.wfile.write(answer)
        self.server.links.discard(self.request)


@pytest.fixture
def driver():
    server = Driver()
    yield server
    server.end()


@pytest.fixture
def lamps(driver):
    opened = []

    def open_one(**more):
        table = {
            "kind": "text", "host": "127.0.0.1", "port": driver.server_address[1], "command": "SET {channel} {level}",
            "answer": "OK*", "timeout_s": 0.3,
            "lamp": [{"name": "north", "channel": "1"}, {"name": "south", "channel": "2", "current": 0.5}], **more,
        }  # fmt: skip
        one = TextLamps(LampsTable.read(table, "lamps: "))
        opened.append(one)
        return one

    yield open_one
    for one in opened:
        one.close()


def test_each_lamp_is_told_its_share_of_its_current(lamps, driver):
    one = lamps()
    one.set({"north": 1.0, "south": 1.0})
    one.set({"north": 0.25})
    assert driver.told == ["SET 1 100\r\n", "SET 2 50\r\n", "SET 1 25\r\n"]


def test_commands_have_the_digits_and_the_ending_that_are_stated(lamps, driver):
    one = lamps(command="L{channel}={level};", digits=4, full=1023, ending="\n", answer=None)
    one.set({"north": 1.0, "south": 0.1})
    one.close()
    deadline = time.monotonic() + LONG
    while len(driver.told) < 4 and time.monotonic() < deadline:
        threading.Event().wait(0.01)
    assert driver.told == ["L1=1023;\n", "L2=0051;\n", "L1=0000;\n", "L2=0000;\n"]


def test_who_stops_switches_all_lamps_off(lamps, driver):
    one = lamps()
    one.set({"north": 1.0})
    one.close()
    assert driver.told[1:] == ["SET 1 0\r\n", "SET 2 0\r\n"]


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"ERR 7\r\n", 'answered "ERR 7", not "OK\\*"'),
        (b"", "nothing came within 0.3 s"),
        (b"OK without an end", "nothing came within 0.3 s"),
        (None, "closed before an answer came"),
        (b"\xff\xfe\x00\r\n", "answered"),
        (b"x" * 100_000, "answered"),
    ],
)
def test_a_driver_that_does_not_answer_as_stated_has_not_set_the_lamp(lamps, driver, answer, words):
    driver.answer = lambda line: answer
    with pytest.raises(UnusableInput, match=words) as caught:
        lamps().set({"north": 1.0})
    assert 'the lamp "north"' in str(caught.value)
    assert len(str(caught.value)) < 300


def test_an_answer_may_come_in_pieces(lamps, driver):
    def slowly(line):
        for link in driver.links:
            link.sendall(b"O")
        return b"K 1\r\n"

    driver.answer = slowly
    lamps().set({"north": 1.0})


def test_an_old_answer_is_not_taken_for_a_new_one(lamps, driver):
    one = lamps()
    one.set({"north": 1.0})
    for link in driver.links:
        link.sendall(b"OK unasked\r\n")
    driver.answer = lambda line: b"ERR\r\n"
    threading.Event().wait(0.05)
    with pytest.raises(UnusableInput, match="ERR"):
        one.set({"north": 0.5})


def test_a_lost_connection_is_opened_again_with_the_next_command(lamps, driver):
    one = lamps()
    one.set({"north": 1.0})
    driver.cut()
    deadline = time.monotonic() + LONG
    while time.monotonic() < deadline:
        with suppress(UnusableInput):  # it may be noticed only when the command has gone
            one.set({"north": 0.5})
            break
    assert driver.told[-1] == "SET 1 50\r\n"


def test_a_driver_that_is_not_there_is_said(lamps, driver):
    driver.end()
    with pytest.raises(UnusableInput, match="refused"):
        lamps().set({"north": 1.0})


def test_what_no_lamp_can_be_is_refused(lamps, driver):
    one = lamps()
    with pytest.raises(UnusableInput, match='no lamp is called "west"; there are "north" and "south"'):
        one.set({"west": 1.0})
    for current in (-0.1, 1.1, float("nan")):
        with pytest.raises(UnusableInput, match="give 0 to 1"):
            one.set({"north": current})
    assert driver.told == []


@pytest.mark.parametrize(
    "command", ["SET {chanel}", "SET {channel.__class__}", "SET {level", "SET {level:04d}", "SET {}"]
)
def test_a_command_that_cannot_be_filled_in_is_refused(lamps, command):
    with pytest.raises(UnusableDocument, match=r"lamps\.command"):
        lamps(command=command)


class Video:
    """A camera's frames as OpenCV gives them, whose scene is lit by the lamps of the driver."""

    def __init__(self, driver):
        self._driver, self._rng = driver, np.random.default_rng(1)

    def read(self):
        threading.Event().wait(0.01)
        lit = dict(line.split()[1:] for line in self._driver.told)
        level = 20 + int(lit.get("1", 0)) + 2 * int(lit.get("2", 0))
        return True, (level + self._rng.integers(0, 2, (48, 64, 3))).astype(np.uint8)

    def get(self, which):
        return 0.0

    def release(self):
        pass


def test_a_frame_of_a_kind_that_nobody_foresaw_is_no_result_and_the_next_trigger_is_answered(
    driver, tmp_path, monkeypatch
):
    read = {"name": "top", "from": "device", "device": {"index": 0, "latency_s": 0.01, "grey": True}}
    camera = DeviceCamera(CameraTable.read({**read, "trigger": {"latest_s": 10}}, ""), tmp_path)
    video, channels = Video(driver), [2]
    plain = video.read

    def frames():
        good, pixels = plain()
        if channels == [0]:
            raise RuntimeError("the driver")
        return good, pixels[:, :, : channels[0]]

    video.read = frames
    monkeypatch.setattr(camera, "_opened", lambda: video)
    camera.start()
    try:
        camera.trigger(Trigger("t1", time.monotonic_ns(), "A"))
        odd = camera.take(LONG)
        assert (odd.status, odd.part_id, "error" in odd.why) == ("incomplete", "A", True)
        channels[0] = 0
        until(lambda: "RuntimeError: the driver" in camera.link[1])
        channels[0] = 3
        camera.trigger(Trigger("t2", time.monotonic_ns(), "B"))
        assert camera.take(LONG).status == "complete"
    finally:
        camera.stop()


def test_a_shot_has_one_picture_under_each_lamp_alone(driver, tmp_path, monkeypatch):
    table = CameraTable.read(
        {
            "name": "top", "from": "device", "device": {"index": 0, "latency_s": 0.05, "grey": True},
            "lights": ["south", "north"],
            "lamps": {
                "kind": "text", "host": "127.0.0.1", "port": driver.server_address[1],
                "command": "SET {channel} {level}", "answer": "OK",
                "lamp": [{"name": "north", "channel": "1"}, {"name": "south", "channel": "2"}],
            },
            "trigger": {"latest_s": 10},
        },
        "camera: ",
    )  # fmt: skip
    camera = DeviceCamera(table, tmp_path)
    monkeypatch.setattr(camera, "_opened", lambda: Video(driver))
    switched: list[tuple[str, int]] = []

    def answer(line):
        switched.append((line, time.monotonic_ns()))
        return b"OK\r\n"

    driver.answer = answer
    camera.start()
    try:
        camera.trigger(Trigger("t1", time.monotonic_ns(), "A"))
        delivery = camera.take(LONG)
        north_ns = next(ns for line, ns in switched if line.split()[1] == "1" and int(line.split()[2]))
        assert delivery.taken_mono_ns < north_ns  # a shot is as old as its first picture
        assert [(f.role, f.light, round(float(f.pixels.mean()) - 20.5)) for f in delivery.frames] == [
            ("south", "south", 200),
            ("north", "north", 100),
        ]
        driver.answer = lambda line: b"ERR\r\n"
        camera.trigger(Trigger("t2", time.monotonic_ns(), "B"))
        failed = camera.take(LONG)
        assert (failed.status, failed.part_id) == ("incomplete", "B")
        assert 'the lamp "south"' in failed.why
        driver.answer = lambda line: b"OK\r\n"
        assert camera.set(Setting(lamps={"north": 0.5})).lamps == {"north": 0.5}
    finally:
        camera.stop()
