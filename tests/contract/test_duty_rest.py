"""A station that a person took off duty: it goes on again by a person's word alone."""

import os
import signal
from types import SimpleNamespace

import pytest
from tests.contract.test_duty_loop import on_duty, shot
from tests.helpers.made_line import Running
from tests.helpers.plain_bore import plain_tie
from tests.helpers.served_station import Served, entries, prepared
from tests.helpers.vent_station import new_station
from tests.helpers.wires import until

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.duty import acts
from tiepoint.station.duty.acts import Acts, who_let_it_rest
from tiepoint.station.duty.condition import Condition
from tiepoint.station.inbox import ask
from tiepoint.station.ledger import Entry, Ledger, utc_now
from tiepoint.station.lock import DUTY, WriterLock
from tiepoint.station.naming import act_of


@pytest.fixture
def vent(tmp_path):
    return new_station(tmp_path / "station", plain_tie())


def test_a_challenge_whose_time_has_come_puts_no_station_on_duty_that_rests(vent):
    (vent.folder / "challenge.csv").write_text(
        "shot,part_id,label\n../shots/vent-0.png,g,good\n../shots/vent-2.png,b,bad\n"
    )
    station = on_duty(vent, '[duty.challenge]\nlabels = "challenge.csv"\n')

    def act(name):
        return ask(station, act_of(station, name, who="M. Weiss", why="cleaning"))

    def challenges():
        return [e for e in entries(vent.folder, kind="duty") if e.body["event"] == "challenge"]

    with WriterLock(station.folder, DUTY), Running(station, inbox=Acts(station).hear) as line:
        line.wire.until("on duty")
        act("rest")
        line.wire.until("off duty")
        line.duty.later(line.duty.challenge_again)  # as its clock does after every_h
        until(lambda: len(challenges()) == 2, 60)
        assert challenges()[-1].body["good"] is True
        line.camera.show("a", shot(vent, 0))
        assert line.wire.of("a").verdict == "unread"
        assert line.duty.told.state == "off duty"
        act("resume")
        line.wire.until("on duty")
        line.camera.show("b", shot(vent, 0))
        assert line.wire.of("b").verdict == "conforms"
    assert len(challenges()) == 3  # it came back by its challenge set


def test_one_that_rests_while_its_challenge_is_shown_is_released_by_the_whole_of_it(vent):
    labels = [(2, "bad"), (0, "good"), (1, "good")]
    rows = "".join(f"../shots/vent-{k}.png,p{k},{label}\n" for k, label in labels)
    (vent.folder / "challenge.csv").write_text(f"shot,part_id,label\n{rows}")
    station = on_duty(vent, '[duty.challenge]\nlabels = "challenge.csv"\n')
    hears = Acts(station)

    def rest_and_resume():
        for seq, act in enumerate(("rest", "resume"), 1):
            hears._do(Entry(seq, "act", utc_now(), {"act": act, "who": "M. Weiss"}, "", ""), line.duty)

    with Running(station) as line:
        line.wire.until("not released")
        line.duty.later(rest_and_resume)
        line.wire.until("on duty")
        told = [e.body for e in entries(vent.folder, kind="duty") if e.body["event"] == "challenge"]
        assert [len(one["parts"]) for one in told] == [3]


def test_a_process_that_is_killed_while_the_station_rests_comes_back_resting_and_says_so(vent, cli):
    folder = prepared(vent)
    good, other = ((vent.shots / f"vent-{k}.png").read_bytes() for k in (0, 1))
    with Served(folder, "tiepoint.cli.main", "serve", str(folder), "--without-web") as station:
        pid = station.until_state("on duty").pid
        assert cli("duty", "rest", folder, "--why", "cleaning", "--who", "M. Weiss").code == 0
        station.until_state("off duty")
        os.kill(pid, signal.SIGKILL)
        station.until(lambda: (s := station.until_state("off duty")).pid != pid and s)
        station.drop("HV-0001.png", other)
        assert station.record_of("HV-0001").body["verdict"] == "unread"
        station.until(lambda: "top: joined; the last picture came at 2" in cli("duty", "state", folder).out)
        assert cli("duty", "resume", folder, "--why", "cleaned").code == 0
        station.until_state("on duty")
        station.drop("HV-0002.png", good)
        assert station.record_of("HV-0002").body["verdict"] == "conforms"

        # Who sees nothing but the terminal, or the system's log, is told each of these.
        station.until(lambda: station.said().count("On duty since") == 2)
        assert "Off duty since" in station.said()
        assert ": it was taken off duty by M. Weiss" in station.said()
        assert "duty ended by itself" in station.said()
        assert station.end() == 0
    # Who stops it in good order and begins it again has put it on duty.
    with Ledger(folder / "ledger.sqlite") as ledger:
        assert who_let_it_rest(ledger) is None


def test_a_ledger_that_is_away_at_the_start_ends_no_rest(vent, monkeypatch):
    station, rested = on_duty(vent), []
    condition = Condition(lambda change: None)

    def away(*asked):
        raise UnusableInput("the server is away")

    with Ledger(station.ledger_place) as ledger:
        ledger.append("act", act_of(station, "rest", who="M. Weiss", why="cleaning"))
        duty = SimpleNamespace(ledger=ledger, condition=condition, rest=rested.append, renew=lambda: None)
        hears = Acts(station)
        with monkeypatch.context() as patched:
            patched.setattr(acts, "last_entries", away)
            hears.hear(duty)
        assert (rested, condition.has("ledger")) == ([], True)
        hears.hear(duty)
    assert rested == ["M. Weiss"]
