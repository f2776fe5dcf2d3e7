"""What is told of a station to who has a terminal alone: what happened, to which part, and what to do now."""

import json
from dataclasses import replace

import numpy as np
import pytest
from tests.contract.test_duty_loop import on_duty
from tests.helpers.plain_bore import plain_tie
from tests.helpers.vent_station import new_station
from tests.helpers.watched_station import WATCH, scene
from tests.helpers.wires import Clock, result

from tiepoint.cli.duty_told import Teller
from tiepoint.documents.files import format_of
from tiepoint.documents.pictures import save_png
from tiepoint.station.duty.status import write_status
from tiepoint.station.ledger import Ledger, utc_now
from tiepoint.station.lock import DUTY, WriterLock
from tiepoint.station.watch.kinds import NEXT
from tiepoint.station.wires.wire import Told

SINCE = "2026-05-04T05:00:00.000Z"
LATER = "2026-05-04T06:00:00.000Z"
LIGHT = "The grey level of white tile has changed by -9, since 2026-05-04. Next: clean the lamp."


@pytest.fixture
def station(tmp_path):
    return on_duty(new_station(tmp_path / "station", plain_tie()))


def says(station, state, *, since=SINCE, written=None, **more):
    told = Told(state, since, counts={"conforms": 41, "rejected": 1}, **more)
    write_status(station.folder, pid=1, told=told, seq=7, waiting=0, written_utc=written or utc_now())


def alarm(station, ledger, kind, about, phase, sentence=""):
    body = {"format": format_of("duty"), "station": station.name, "event": "alarm", "kind": kind, "about": about}
    ledger.append("duty", {**body, "phase": phase, "says": sentence})


def test_the_last_parts_and_the_alarms_that_are_on_are_told_with_what_to_do(station, cli):
    clock = Clock()
    with Ledger(station.ledger_path) as ledger:
        for part, value in (("HV-0001", 4.7), ("HV-0002", 4.5), ("HV-0003", None)):
            ledger.commit(replace(result(clock, value=value, part=part).record, station=station.name), at=SINCE)
        torn = result(clock, value=None, part="HV-0004", status="late").record
        ledger.commit(
            replace(torn, station=station.name, notes=("The shot is late: it came while it was away.",)), at=SINCE
        )
        alarm(station, ledger, "disk", "", "begins", "The disk fills.")
        alarm(station, ledger, "light", "white tile", "begins", LIGHT)
        alarm(station, ledger, "disk", "", "ends", "The disk fills.")
    says(station, "on duty")
    told = cli("duty", "state", station.folder)
    assert told.code == 0, told.err
    assert f"On duty since {SINCE}\n" in told.out
    assert "Parts since it began: 41 conform, 1 rejected.\n" in told.out
    torn, first, second = [line.strip() for line in told.out.splitlines() if line.startswith("  HV-")]
    assert torn == "HV-0004: unread, entry 5 of 2026-05-04T05:00:00Z: The shot is late: it came while it was away."
    assert first.startswith("HV-0003: unread, entry 4 of 2026-05-04T05:00:00Z: bore A diameter no value; ")
    assert second == (
        "HV-0001: rejected, entry 2 of 2026-05-04T05:00:00Z: bore A diameter 4.7000 ± 0.0040 mm; allowed 4.4 to 4.6"
    )
    assert f"Alarm: {LIGHT}\n" in told.out
    assert f'tiepoint duty settle {station.folder} "light white tile" --why TEXT' in told.out
    assert "The disk fills" not in told.out
    assert json.loads(cli("duty", "state", station.folder, "--json").out)["alarms"] == {"light white tile": LIGHT}


@pytest.mark.parametrize(
    ("state", "more", "todo"),
    [
        ("fault", {"fault": "camera top", "says": "incoming: no such folder"}, "What to do: see to its cable"),
        ("fault", {"fault": "watch position x", "says": "It moved."}, 'duty settle {folder} "position x" --why TEXT.'),
        ("not released", {"says": "1 of 2 challenge parts were judged wrong"}, "duty challenge {folder} --why TEXT."),
        ("off duty", {"says": "it was taken off duty by M. Weiss"}, "duty resume {folder} --why TEXT"),
        ("warming", {}, "Parts are unread meanwhile."),
    ],
)
def test_each_state_in_which_nothing_conforms_says_what_to_do(station, cli, state, more, todo):
    says(station, state, **more)
    with WriterLock(station.folder, DUTY):
        told = cli("duty", "state", station.folder)
    assert told.code == 1
    first, second, *_ = told.out.splitlines()
    assert first.startswith(state.capitalize())
    assert more.get("says", "") in first
    assert todo.format(folder=station.folder) in second


def test_a_word_of_yesterday_is_not_told_as_of_now(station, cli):
    never = cli("duty", "state", station.folder)
    assert (never.code, f"tiepoint serve {station.folder}" in never.out) == (1, True)
    says(station, "on duty", written=SINCE)
    told = cli("duty", "state", station.folder)
    assert told.code == 1
    assert f"Nothing was heard of it since {SINCE}: its process ended without a word. Nothing conforms." in told.out
    for written in (SINCE, utc_now()):  # long ago, or a moment before
        says(station, "off duty", written=written, **{"says": "it was stopped"})
        first, second, *_ = cli("duty", "state", station.folder).out.splitlines()
        assert first == f"Off duty since {SINCE}: it was stopped"
        assert second == f"This puts it on duty: tiepoint serve {station.folder}"


def test_a_terminal_is_told_each_change_once_and_none_of_an_earlier_start(station):
    says(station, "off duty", says="it was stopped")
    teller = Teller(station.folder)
    assert list(teller.changes()) == []
    says(station, "on duty")  # a moment before it is known since when
    assert list(teller.changes()) == []
    says(station, "on duty", since=LATER)
    assert list(teller.changes()) == [f"On duty since {LATER}"]
    assert list(teller.changes()) == []
    says(station, "fault", since=utc_now(), fault="ledger", says="the disk is full")
    first, second = teller.changes()
    assert first.startswith("Fault (ledger) since")
    assert second.startswith("  What to do: make room")


def test_what_is_held_is_told_by_the_kinds_of_its_alarms_and_what_is_not_watched_too(station, cli, tmp_path):
    rng = np.random.default_rng(5)
    for k in range(6):
        save_png(tmp_path / f"quiet-{k}.png", scene(rng))
    shots = [str(path) for path in sorted(tmp_path.glob("quiet-*.png"))]
    bare = cli("hold", station.folder, *shots)
    assert bare.code == 0, bare.err
    assert bare.out.splitlines()[1] == "Watched from now on, besides what needs no shot: dirt."
    assert "[watch] of station.toml names no fixed patch and no edge" in bare.err
    toml = station.folder / "station.toml"
    toml.write_text(toml.read_text() + WATCH.replace("#", ""))
    held = cli("hold", station.folder, *shots, "--json")
    assert held.code == 0, held.err
    assert {"dirt", "edge", "light", "position", "scale", "sharpness"} <= set(held.json["watched"]) <= set(NEXT)
    assert "names no fixed patch" not in held.err
