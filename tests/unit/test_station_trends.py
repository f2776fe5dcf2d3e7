"""Series of readings: held against the ledger's entries, one by one, however they are asked for."""

import math
import random
import sqlite3
from dataclasses import replace

import numpy as np
import pytest
from tests.helpers.made_records import record

from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.decide import Limits
from tiepoint.station import from_ledger
from tiepoint.station import trends as room
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.trends import Trends


def judged(k, value, variant="left", lower=4.4):
    made = record(k, value)
    reading = made.readings[0]
    if value is not None:
        limits = Limits(lower, 4.6)
        verdict = "conforms" if lower <= value <= 4.6 else "rejected"
        reading = replace(reading, limits=limits, verdict=verdict)
    verdict = reading.verdict or "unread"
    return replace(made, readings=(reading,), verdict=verdict, variant=variant, sha=None)


@pytest.fixture
def station(tmp_path, monkeypatch):
    monkeypatch.setattr(room, "CHUNK", 16)
    monkeypatch.setattr(from_ledger, "AT_ONCE", 50)
    (tmp_path / "station.toml").write_text('format = "tiepoint/station/1"\nname = "vents"\n')
    with Ledger(tmp_path / "ledger.sqlite", create=True):
        pass
    return open_station(tmp_path)


def fill(station, count, seed=1, **about):
    chance = random.Random(seed)
    with Ledger(station.ledger_place) as ledger:
        for k in range(count):
            value = None if k % 11 == 5 else chance.gauss(4.5, 0.05)
            ledger.commit(judged(k, value, chance.choice(("left", "right")), **about))
            if k % 7 == 0:
                ledger.append("act", {"format": "tiepoint/act/1", "act": "note", "why": f"{k}"})


def due(ledger, variant, first=0, last=2**62):
    """Return number and value of what the entries themselves say."""
    told = [(e.seq, e.body["readings"][0]["value"]) for e in ledger.entries("record") if e.body["variant"] == variant]
    return [(seq, value) for seq, value in told if first <= seq <= last]


@pytest.mark.parametrize("raw", [0, 1000])
def test_a_series_is_what_the_entries_say(station, monkeypatch, raw):
    monkeypatch.setattr(room, "RAW", raw)
    fill(station, 300)
    with Ledger(station.ledger_place) as ledger, Trends(station) as trends:
        assert trends.take_in(ledger) == 0
        for one in trends.series():
            rows = due(ledger, one.variant)
            assert (one.reading, one.unit, one.parts) == ("bore A.diameter", "mm", len(rows))
            assert (one.first, one.last, one.lower, one.upper) == (rows[0][0], rows[-1][0], 4.4, 4.6)
            told = trends.values(one.id)
            assert told["seq"].tolist() == [seq for seq, _ in rows]
            assert [None if math.isnan(v) else v for v in told["value"].tolist()] == [v for _, v in rows]
            for buckets in (1, 7, 60):
                found = trends.thinned(one.id, buckets=buckets)
                assert len(found) <= buckets
                assert sum(b.n for b in found) == len(rows)
                for b in found:
                    of = [v for seq, v in rows if b.first <= seq <= b.last]
                    known = [v for v in of if v is not None]
                    assert (b.n, b.missing) == (len(of), of.count(None))
                    assert b.against == sum(v is not None and not 4.4 <= v <= 4.6 for v in of)
                    assert (b.low, b.high) == ((min(known), max(known)) if known else (None, None))
                    assert b.mean == (pytest.approx(np.mean(known)) if known else None)


def test_of_a_range_no_value_is_lost_and_the_moments_are_those_of_its_values(station):
    fill(station, 300)
    with Ledger(station.ledger_place) as ledger, Trends(station) as trends:
        trends.take_in(ledger)
        (left, _), chance = trends.series(), random.Random(5)
        for _ in range(40):
            first, last = sorted(chance.sample(range(1, 340), 2))
            values = [v for _, v in due(ledger, "left", first, last) if v is not None]
            found = trends.moments(left.id, first, last)
            assert found.n == len(values)
            if values:
                assert found.mean == pytest.approx(np.mean(values))
                assert found.squares == pytest.approx(len(values) * np.var(values), abs=1e-12)
                assert trends.thinned(left.id, first, last, 5)
        assert trends.thinned(left.id, 400, 500) == ()


def test_it_goes_on_from_where_it_was_and_tells_how_far_it_is(station):
    fill(station, 120)
    with Ledger(station.ledger_place) as ledger, Trends(station) as trends:
        told = []

        def telling(done, of):
            told.append((done, of))
            if len(told) == 2:
                raise InterruptedError  # as a person does who cancels

        with pytest.raises(InterruptedError):
            trends.take_in(ledger, telling=telling)
        assert told == [(50, 138), (100, 138)]
        assert trends.head == 100  # what was done is kept
        assert trends.behind(ledger) == 38
    fill(station, 40, seed=2)
    with Ledger(station.ledger_place) as ledger, Trends(station) as trends:
        assert trends.take_in(ledger, most=50) > 0
        assert trends.take_in(ledger) == 0
        assert sum(one.parts for one in trends.series()) == 160


def test_other_limits_are_told_since_when(station):
    fill(station, 30)
    fill(station, 30, lower=4.3)
    with Ledger(station.ledger_place) as ledger, Trends(station) as trends:
        trends.take_in(ledger)
        for one in trends.series():
            assert one.lower == 4.3
            firsts = [e.seq for e in ledger.entries("record") if e.body["variant"] == one.variant
                      and (e.body["readings"][0]["limits"] or {}).get("lower") == 4.3]  # fmt: skip
            assert one.limits_since <= firsts[0]
            assert one.limits_since > 30


def test_another_ledger_in_its_place_and_a_broken_file_are_begun_anew(station):
    fill(station, 40)
    with Ledger(station.ledger_place) as ledger, Trends(station) as trends:
        trends.take_in(ledger)
    for name in ("ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm"):
        (station.folder / name).unlink(missing_ok=True)
    with Ledger(station.ledger_place, create=True):
        pass
    fill(station, 60, seed=9)
    with Ledger(station.ledger_place) as ledger, Trends(station) as trends:
        trends.take_in(ledger)
        assert sum(one.parts for one in trends.series()) == 60
    trends.path.write_bytes(b"no database at all" * 100)
    with Ledger(station.ledger_place) as ledger, Trends(station) as trends:
        trends.take_in(ledger)
        assert sum(one.parts for one in trends.series()) == 60
    with sqlite3.connect(trends.path) as base:
        base.execute("PRAGMA user_version = 99")
    base.close()
    with Ledger(station.ledger_place) as ledger, Trends(station) as trends:
        trends.take_in(ledger)
        assert sum(one.parts for one in trends.series()) == 60


def test_what_cannot_be_asked_is_told(station):
    with Trends(station) as trends:
        assert trends.series() == ()
        with pytest.raises(UnusableInput, match="there is no series 7"):
            trends.named(7)
        with pytest.raises(UnusableInput, match="ask for 1 to 2000"):
            trends.thinned(1, buckets=0)
