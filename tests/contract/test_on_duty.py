"""A station in service from the first part to the last: as its user starts it, with real processes and pictures."""

import os
import signal
from contextlib import suppress
from datetime import datetime

from tests.helpers.served_station import Served, entries, free_port, get, prepared

from tiepoint.recipe.records import record_from
from tiepoint.report.acceptance_story import gather
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.verify import verify


def served(folder, *words):
    return Served(folder, "tiepoint.cli.main", "serve", str(folder), *words)


def web_of(port):
    with suppress(OSError):
        return get(port, "/api/state")[0] == 200
    return False


def test_a_station_judges_what_a_camera_drops_shows_it_keeps_it_and_ends_in_good_order(vent, cli):
    folder, port = prepared(vent), free_port()
    good, bad = ((vent.shots / f"vent-{k}.png").read_bytes() for k in (0, 2))
    with served(folder, "--port", str(port)) as station:
        status = station.until_state("on duty")
        station.drop("HV-0001.png", good)
        station.drop("HV-0002.png", bad)
        first, second = station.record_of("HV-0001"), station.record_of("HV-0002")
        assert (first.body["verdict"], second.body["verdict"]) == ("conforms", "rejected")
        station.until(lambda: web_of(port))
        told = get(port, f"/api/records/{first.seq}")[1]
        assert "HV-0001" in str(told)

        # The pages may be killed at any time, and nobody on the line notices; they come back by themselves.
        (web,) = [pid for pid in _children(station.process.pid) if "tiepoint.web" in _command(pid)]
        os.kill(web, signal.SIGKILL)
        station.drop("HV-0003.png", good)
        assert station.record_of("HV-0003").body["verdict"] == "conforms"
        assert station.until_state("on duty").pid == status.pid
        station.until(lambda: web_of(port))

        # What is accepted while it is on duty goes through its inbox, and is run from then on.
        vent.change("plus = 0.1", "plus = 0.5")
        said = cli("accept", folder, "--why", "wider", "--who", "M. Weiss")
        assert said.code == 0, said.err
        station.until(lambda: [e for e in entries(folder, kind="duty") if e.body.get("state") == "warming"][1:])
        station.until_state("on duty")
        station.drop("HV-0004.png", bad)
        assert station.record_of("HV-0004").body["verdict"] == "conforms"

        # And so do other acts of people.
        assert cli("duty", "state", folder).code == 0
        assert cli("duty", "variant", folder, "wide", "--why", "order 4711", "--who", "M. Weiss").code == 0
        station.drop("HV-0005.png", bad)
        assert station.record_of("HV-0005").body["variant"] == "wide"
        refused = cli("duty", "variant", folder, "broad", "--why", "order 4712")
        assert (refused.code, "nothing is accepted" in refused.err) == (2, True)
        assert cli("duty", "bypass", folder, "--why", "x").code == 2  # there is no challenge set
        assert cli("duty", "rest", folder, "--why", "cleaning").code == 0
        station.until_state("off duty")
        assert cli("duty", "state", folder).code == 1
        station.drop("HV-0006.png", good)
        assert station.record_of("HV-0006").body["verdict"] == "unread"
        assert cli("duty", "resume", folder, "--why", "cleaned").code == 0
        station.until_state("on duty")
        assert station.end() == 0
    events = [e.body["event"] for e in entries(folder, kind="duty")]
    assert (events[0], events[-1]) == ("begins", "ends")
    assert not list((folder / "incoming").glob("*.png"))
    with Ledger(open_station(folder).ledger_place) as ledger:
        assert len([record_from(e.body) for e in ledger.entries("record")]) == 6
    found = verify(open_station(folder))
    assert found.good, found.all_faults
    assert found.kept >= 5
    assert len(found.recomputed) >= 5


ORDERED = """format = "tiepoint/requirements/1"
title = "Vent bores, line 4"
customer = "Greenhouse builder"

[[requirement]]
id = "R1"
says = "No part takes longer than 20 s."
by = "times"
figure = "maximum"
most = 20.0

[[requirement]]
id = "R2"
says = "A camera that is away lets no part pass."
by = "faults"
of = "camera"
"""


def test_what_a_station_showed_on_duty_stands_in_its_report(vent, cli, tmp_path):
    folder = prepared(vent)
    (folder / "requirements.toml").write_text(ORDERED)
    assert cli("accept", folder, "--why", "order 7", "--who", "M. Weiss").code == 0
    with served(folder, "--without-web") as station:
        station.until_state("on duty")
        for k in range(2):
            station.drop(f"HV-000{k}.png", (vent.shots / f"vent-{k}.png").read_bytes())
            station.record_of(f"HV-000{k}")
        station.until(lambda: not list((folder / "incoming").glob("*.png")))
        (folder / "incoming").rename(folder / "away")
        station.until_state("fault")
        (folder / "away").rename(folder / "incoming")
        station.until_state("on duty")
        assert station.end() == 0
    told = gather(open_station(folder), made_utc="2026-05-12T08:00:00Z", sample=1)
    assert [(line.asked.id, line.state) for line in told.lines] == [("R1", "shown"), ("R2", "not shown")]
    assert "no part came" in told.lines[1].why
    assert [(one.is_of("camera"), one.parts, one.passed) for one in told.served.faults] == [(True, 0, 0)]
    records, written = entries(folder, kind="record"), [e.written_utc for e in entries(folder, kind="record")]
    assert told.served.seqs == tuple(e.seq for e in records)
    for took, record, at in zip(told.served.seconds, records, written, strict=True):
        since = datetime.fromisoformat(at) - datetime.fromisoformat(record.body["shot"]["taken_utc"])
        assert took == since.total_seconds()
    page = tmp_path / "acceptance.html"
    said = cli("report", folder, "--out", tmp_path / "acceptance.pdf", "--html", page)
    assert said.code in (0, 1), said.err
    assert "On duty, 2 parts" in page.read_text(encoding="utf-8")


def test_what_ends_by_itself_is_begun_anew_and_a_folder_that_cannot_serve_is_refused(vent, cli):
    folder = prepared(vent)
    with served(folder, "--without-web") as station:
        pid = station.until_state("on duty").pid
        os.kill(pid, signal.SIGKILL)
        station.until(lambda: (s := station.until_state("on duty")).pid != pid and s)
        station.drop("HV-0001.png", (vent.shots / "vent-0.png").read_bytes())
        assert station.record_of("HV-0001").body["verdict"] == "conforms"
        # A second one has no place beside it.
        again = cli("serve", folder, "--without-web")
        assert again.code == 2
        assert "duty, since" in again.err
    assert "ended by itself" in station.said()


def _children(pid):
    path = f"/proc/{pid}/task/{pid}/children"
    with open(path) as file:  # noqa: PTH123
        return [int(word) for word in file.read().split()]


def _command(pid):
    with open(f"/proc/{pid}/cmdline", "rb") as file:  # noqa: PTH123
        return file.read().replace(b"\0", b" ").decode()
