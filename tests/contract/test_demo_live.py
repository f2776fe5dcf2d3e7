"""The demo's line: it waits for its station, and what is said of its plates is held against what they are."""

import socket
import subprocess
import sys
import time

import pytest
from tests.helpers.plain_bore import plain_tie
from tests.helpers.vent_station import new_station

from tiepoint.bench import demo_live
from tiepoint.bench.demo_bench import make_bench
from tiepoint.bench.demo_live import Line
from tiepoint.cli.demo import address_of
from tiepoint.station.accepted import accept, draft_of
from tiepoint.station.duty.status import Status
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import utc_now
from tiepoint.web.settings import settings_of


@pytest.fixture
def station(tmp_path):
    vent = new_station(tmp_path / "station", plain_tie())
    there = open_station(vent.folder)
    accept(there, [draft_of(there, vent.recipe)], who="M. Weiss", why="first")
    return there


def test_no_plate_passes_before_the_station_is_on_duty(station, monkeypatch):
    asked, state = [], ["warming"]

    def told(folder):
        asked.append(folder)
        return None if len(asked) == 1 else Status(1, utc_now(), 0, 0, {"state": state[0]}, is_fresh=len(asked) > 2)

    monkeypatch.setattr(demo_live, "read_status", told)
    monkeypatch.setattr(demo_live, "LOOK_S", 0.01)
    monkeypatch.setattr(demo_live, "GOOD", 1)
    monkeypatch.setattr(demo_live, "BAD", 1)
    line = Line(station, make_bench(7, 3), takt_s=0.02)
    incoming = station.folder / demo_live.INCOMING

    def until(true):
        end = time.monotonic() + 30
        while not true():
            assert time.monotonic() < end
            time.sleep(0.01)

    line.start()
    until(lambda: len(asked) > 20)  # twenty times as long as a plate takes to come
    assert not list(incoming.iterdir())
    state[0] = "on duty"
    until(lambda: len(list(incoming.glob("line-*/shot.json"))) >= 3)
    line.stop()
    there = {path.name for path in incoming.iterdir()}
    assert "line-000000001" in there
    assert line.passed().n == 0  # nobody judged them here


def test_a_line_whose_station_never_comes_on_duty_can_be_stopped(station, monkeypatch):
    monkeypatch.setattr(demo_live, "read_status", lambda folder: None)
    monkeypatch.setattr(demo_live, "GOOD", 1)
    monkeypatch.setattr(demo_live, "BAD", 1)
    line = Line(station, make_bench(7, 3))
    line.start()
    line.stop()
    assert not list((station.folder / demo_live.INCOMING).iterdir())


def test_the_address_that_is_told_is_the_one_that_is_served_though_another_program_has_the_port(station):
    with socket.create_server(("127.0.0.1", 0)) as other:
        taken = other.getsockname()[1]
        page, words = address_of(settings_of(station, port=taken))
        assert f":{taken}/" not in page
        command = [sys.executable, "-m", "tiepoint.web", str(station.folder), *words]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as web:
            assert web.stdout.readline().strip() == page
            web.terminate()
    free = int(words[1])
    assert address_of(settings_of(station, port=free)) == (page, words)
