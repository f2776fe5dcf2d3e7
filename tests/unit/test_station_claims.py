"""What is shown of what was agreed, on a ledger that is read once: it says what the ledger says, and sees a change."""

import contextlib
import io
from dataclasses import replace

import pytest
from tests.helpers.made_records import record
from tests.helpers.plain_bore import plain_tie
from tests.helpers.vent_station import REQUIREMENTS, new_station

from tiepoint.cli.main import main
from tiepoint.recipe.records import record_from
from tiepoint.station import from_ledger
from tiepoint.station.claims import claims_now
from tiepoint.station.dates import taken_of
from tiepoint.station.folder import open_station
from tiepoint.station.kept import keep_study
from tiepoint.station.ledger import Ledger
from tiepoint.station.passed import Passed
from tiepoint.station.served import Written

ORDERED = (
    REQUIREMENTS
    + """
[[requirement]]
id = "R1"
says = "A part takes 0.5 s at most, on duty."
by = "times"
figure = "maximum"
most = 0.5

[[requirement]]
id = "R2"
says = "The robot reaches what it is told."
by = "touch"
"""
)


@pytest.fixture
def station(tmp_path):
    vent = new_station(tmp_path / "vent", plain_tie())
    (vent.folder / "requirements.toml").write_text(ORDERED, encoding="utf-8")
    with contextlib.redirect_stdout(io.StringIO()):
        assert main(["accept", str(vent.folder), "--why", "order 7", "--who", "M. Weiss"]) == 0
    return open_station(vent.folder)


def came(station, count, first=1, at="2026-11-27T08:00:00.200Z", sha=None, **shot):
    """Add records of parts that were looked at; each has a picture of its own unless `sha` names one."""
    with Ledger(station.ledger_place) as ledger:
        for k in range(first, first + count):
            made = record(k, taken="2026-11-27T08:00:00Z")
            picture = replace(made.shot.pictures[0], pixels_sha256=sha or f"{k:064x}")
            told = replace(made.shot, pictures=(picture,), **shot)
            ledger.commit(replace(made, station=station.name, shot=told, timings={"bore A": 0.1}, sha=None), at=at)


def duty(station, event):
    with Ledger(station.ledger_place) as ledger:
        ledger.append("duty", {"format": "tiepoint/duty/1", "station": station.name, "event": event})


def lines(station):
    return {line.asked.id: line for line in claims_now(station).lines}


def test_it_says_of_each_record_what_the_ledger_says_and_goes_on_from_where_it_was(station, monkeypatch):
    monkeypatch.setattr(from_ledger, "AT_ONCE", 20)
    came(station, 50)
    came(station, 3, 60, taken_utc=None, sha="b" * 64)
    came(station, 2, 70, sha="c" * 64, taken_utc="2026-01-01T00:00:00Z")
    for more in range(2):
        with Ledger(station.ledger_place) as ledger, Passed(station) as passed:
            assert passed.behind(ledger) == (ledger.head.seq, 1)[more]
            assert passed.take_in(ledger) == 0
            entries = list(ledger.entries("record"))
            for after in (0, entries[20].seq):
                assert list(passed.written(after)) == [Written.of(e) for e in entries if e.seq > after]
            # As the acceptance report has it, which reads every record itself.
            due = taken_of(
                (record_from(e.body, "here") for e in reversed(entries)), {e.seq: e.written_utc for e in entries}
            )
            assert {sha: passed.taken(sha) for sha in due} == due
            assert passed.taken("d" * 64) is None
        came(station, 1, 80, sha="c" * 64, taken_utc="2026-06-01T00:00:00Z")  # the newest word of that picture


def test_what_is_shown_is_worked_out_again_only_where_something_changed_and_a_change_is_seen(station):
    first = claims_now(station)
    came(station, 5)
    assert claims_now(station) is first  # parts alone show nothing: duty tells of them by its own words
    assert {line.state for line in first.lines} == {"not tried"}

    duty(station, "begins")
    came(station, 7, 10)
    duty(station, "ends")
    told = lines(station)["R1"]
    assert (told.state, told.found.name, told.found.value) == ("shown", "maximum of 7 parts", pytest.approx(0.2))

    reached = {"worst_mm": {"value": 0.1, "low": 0.05, "high": 0.15}, "good": True, "checks": []}
    entry = keep_study(station, "touch", "robot", reached, None, who="M. Weiss")
    assert lines(station)["R2"].state == "shown"
    path = station.folder / entry.body["file"]
    kept = path.read_bytes()
    path.write_bytes(kept.replace(b"true", b"false"))
    assert path.read_bytes() != kept
    assert "was altered after the study was made" in lines(station)["R2"].why
    path.write_bytes(kept)
    assert lines(station)["R2"].state == "shown"
    path.unlink()
    assert "is missing" in lines(station)["R2"].why
