"""A station under strain: killed, cut off, filled up and fed with rubbish, it loses nothing and passes nothing unseen.

`proofs/strain.py` does the same for hours. The authority: what was sent, and what a wire told, as the sender and the
other end of the wire know it.
"""

import hashlib
import random
import resource
import socket
import threading
from collections import Counter
from contextlib import suppress

import pytest
from tests.helpers.broker import Broker, Listener, free_port
from tests.helpers.made_line import Running
from tests.helpers.power import shim
from tests.helpers.servers import postgres
from tests.helpers.strain import (
    BROKER,
    Line,
    Quick,
    Whole,
    cut_off,
    grown,
    in_step,
    killed,
    no_more_than_others,
    results,
    soak,
    strained,
    until_told,
)
from tests.helpers.strain_held import held
from tests.helpers.strain_pictures import shows
from tests.helpers.wires import until

from tiepoint.station.cameras.inflow import Inflow
from tiepoint.station.cameras.table import open_camera
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger


@pytest.fixture
def plant(tmp_path):
    """A broker."""
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.kill()


def test_killed_at_any_moment_it_keeps_what_it_told_and_passes_nothing_unseen(tmp_path, plant):
    folder = strained(tmp_path / "station", BROKER.format(port=plant.port))
    line = Line(folder)
    with Listener(plant.port) as listener, Quick(folder) as duty:
        on_duty = killed(duty, line, kills=50, longest_s=0.8, every_s=0.05, seed=1)
    found = held(folder, line.sent, results(listener))
    assert found.faults == []
    # It was tried: in service and while it began, with parts that were told and kept.
    assert 0 < sum(on_duty) < 50
    assert found.acknowledged > 20
    assert found.kept > 5
    assert found.conforms > 0


def test_with_the_power_cut_at_any_moment_what_it_told_is_on_the_disk_and_whole(tmp_path, plant):
    folder = strained(tmp_path / "station", BROKER.format(port=plant.port))
    found = cut_off(folder, plant.port, tmp_path, parts=60, count=80, seed=2)
    assert Counter(fault for one in found for fault in one.faults) == {}
    # It was tried: early and late, with parts that were told and kept by then.
    assert len(found) == 80
    assert found[10].acknowledged < found[-1].acknowledged
    assert found[-1].kept > 20


def test_a_database_that_was_away_is_a_fault_by_name_and_no_part_is_lost_or_written_twice(tmp_path, plant):
    with postgres() as server:
        assert server.run("postgres", "CREATE DATABASE vents") == "CREATE DATABASE"
        url = f'\n[ledger]\nurl = "{server.url("vents")}"\npassword_file = "word"\n'
        (tmp_path / "station").mkdir()
        (tmp_path / "station" / "word").write_text(f"{server.password}\n")
        folder = strained(tmp_path / "station", BROKER.format(port=plant.port) + url)
        line = Line(folder)
        with Listener(plant.port) as listener, Whole(folder) as duty:
            until_told(listener, "on duty", s=120)
            in_step(listener, 3, line.drop)
            server.stop()
            line.drop()
            until_told(listener, "fault", "ledger")
            line.drop()
            server.start()
            until(lambda: len(results(listener)) == 5, 60)
            until_told(listener, "on duty")
            in_step(listener, 3, line.drop)
            assert duty.end() == 0
            told = results(listener)
        assert held(folder, line.sent, told).faults == []
        verdicts = [one["verdict"] for one in sorted(told, key=lambda one: one["seq"])]
    assert verdicts[:3] == verdicts[5:] == ["conforms"] * 3
    assert verdicts[4] == "unread"


def test_a_folder_that_hangs_is_a_fault_by_name_and_ends_when_it_answers(tmp_path, monkeypatch):
    # A network folder that hangs is a call that does not return: nothing on this machine hangs so on demand.
    answers, look = threading.Event(), Inflow.look

    def hanging(self, clock_ns):
        assert answers.wait(120)
        look(self, clock_ns)

    folder = strained(tmp_path / "station")
    camera = open_camera(open_station(folder).table.camera[0], folder)
    monkeypatch.setattr("tiepoint.station.cameras.folder._SILENT_NS", 300_000_000)
    line, running = Line(folder), Running(open_station(folder))
    running.duty.cameras = (camera,)
    answers.set()
    monkeypatch.setattr(Inflow, "look", hanging)
    with running:
        running.wire.until("on duty")
        answers.clear()
        running.wire.until("fault", fault="camera top")
        name = line.drop()
        answers.set()
        running.wire.until("on duty")
        # Nobody knows how long it lay there; whatever it is, it is told.
        assert running.wire.of(name).verdict in ("unread", "conforms")
        assert running.wire.of(line.drop()).verdict == "conforms"
    assert running.error is None


class Station:
    """A whole duty, its line, and who listens: shared by what follows, for to begin one takes seconds."""

    def __init__(self, folder, duty, listener, broker, clock, robot_port):
        self.folder, self.duty, self.listener, self.broker = folder, duty, listener, broker
        self.line, self.clock, self.robot_port = Line(folder), clock, robot_port
        self.shown = set()

    def good(self, count=1):
        """Have good parts judged, and hold that each conforms: it is in service."""
        before = len(results(self.listener))
        in_step(self.listener, count, self.line.drop)
        assert {one["verdict"] for one in results(self.listener)[before:]} == {"conforms"}

    def demand_held(self):
        # It runs: the entries of the last shots may be on their way.
        told = results(self.listener)
        assert held(self.folder, self.line.sent, told, begun_again=False, shown=self.shown).faults == []


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    scratch, port = tmp_path_factory.mktemp("strain"), free_port()
    broker = Broker(scratch)
    broker.start()
    robot = f'\n[[wires.robot]]\nname = "arm"\nport = {port}\n'
    folder = strained(scratch / "station", BROKER.format(port=broker.port) + robot, waiting=32, deadline_ms=20_000)
    env = {"LD_PRELOAD": str(shim(scratch)), "TIEPOINT_POWER_CLOCK": str(scratch / "clock")}
    try:
        with Listener(broker.port) as listener, Whole(folder, env=env, before=no_more_than_others()) as duty:
            until_told(listener, "on duty", s=120)
            made = Station(folder, duty, listener, broker, scratch / "clock", port)
            yield made
            assert duty.end() == 0
            assert held(folder, made.line.sent, results(listener), shown=made.shown).faults == []
    finally:
        broker.kill()


def test_a_broker_that_was_away_hears_all_that_was_judged_meanwhile(station):
    station.good()
    station.broker.kill()
    names = [station.line.drop() for _ in range(10)]
    until(lambda: {n for n in names if (station.folder / "incoming" / f"{n}.png").exists()} == set(), 60)
    station.broker.start()
    with Ledger(open_station(station.folder).ledger_place) as ledger:
        judged = {entry.seq for entry in ledger.entries("record")}
    assert len(judged) == 11
    until(lambda: judged <= {r["seq"] for r in results(station.listener)}, 60)
    station.good()


def test_a_client_that_never_reads_holds_up_nobody(station):
    with socket.create_connection(("127.0.0.1", station.robot_port)) as mute:
        mute.settimeout(0.2)
        with suppress(OSError):
            for _ in range(2000):
                mute.sendall(b"STATE\n" * 500)
        station.good(10)


def test_a_full_disk_is_a_fault_by_name_that_ends_by_itself(station):
    station.good()
    before = len(results(station.listener))
    # No file may grow beyond 20 kB: what a full disk says (ENOSPC), this says too (EFBIG).
    resource.prlimit(station.duty.pid, resource.RLIMIT_FSIZE, (20_000, resource.RLIM_INFINITY))
    station.line.drop()
    # Whether its record or its picture is the first that does not fit goes by where the ledger's log begins anew.
    until_told(station.listener, "fault", "ledger", "archive")
    station.line.drop()
    resource.prlimit(station.duty.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    until_told(station.listener, "on duty")
    until(lambda: len(results(station.listener)) == before + 2, 60)
    station.good(3)
    station.demand_held()


def test_an_archive_that_is_read_only_is_a_fault_by_name_and_what_was_judged_is_kept_afterwards(station):
    station.good()
    folders = [p for p in (station.folder / "archive", *(station.folder / "archive").iterdir()) if p.is_dir()]
    for folder in folders:
        folder.chmod(0o555)
    name = station.line.drop()
    until_told(station.listener, "fault", "archive")
    # More than can wait to be kept: all are unread, and all are in the ledger and told.
    before = len(results(station.listener))
    in_step(station.listener, 160, station.line.drop)
    assert {r["verdict"] for r in results(station.listener)[before:]} == {"unread"}
    for folder in folders:
        folder.chmod(0o755)
    until_told(station.listener, "on duty")
    station.good()
    whole = {hashlib.sha256(p.read_bytes()).hexdigest() for p in (station.folder / "archive").rglob("*.png")}
    assert station.line.sent[name] in whole


def test_a_clock_that_is_set_back_by_an_hour_changes_dates_and_no_order(station):
    station.good()
    station.clock.write_text("-3600")
    station.good(3)
    station.clock.write_text("0")
    station.good()
    with Ledger(open_station(station.folder).ledger_place) as ledger:
        chain = ledger.check()
    assert chain.holds
    assert chain.set_back


def test_damaged_pictures_are_unread_unless_they_show_the_part_all_the_same(station):
    chance = random.Random(7)

    def drop():
        name, data = station.line.drop_rotten(chance)
        if shows(data, 4.4, 0.1):
            station.shown.add(name)

    in_step(station.listener, 500, drop)
    station.good(3)
    station.demand_held()


def test_its_memory_stays_as_it_is_over_thousands_of_parts(station):
    memory = soak(station.duty, station.line, station.listener, 2000)
    assert abs(grown(memory)) < 0.05, memory
    station.demand_held()
