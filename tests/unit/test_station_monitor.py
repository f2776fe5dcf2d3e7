"""What the floor looks at, held against the entries themselves, as they come."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from scipy import stats
from tests.helpers.made_records import record

from tiepoint.foundation.reasons import Reason
from tiepoint.model.decide import Limits
from tiepoint.model.reading import Reading
from tiepoint.station.ledger import Ledger
from tiepoint.station.monitor import Monitor, first_reason, yield_since

BEGUN = datetime(2026, 11, 26, 6, tzinfo=UTC)
VERDICTS = {4.5: "conforms", 4.7: "rejected", 4.3: "rejected", 4.6001: "undecided", None: "unread"}


def text(at):
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def commit(ledger, k, value=4.5, *, at=None, took_ms=27):
    at = at or BEGUN + timedelta(seconds=6 * k)
    made = record(k, value, taken=text(at - timedelta(milliseconds=took_ms)))
    verdict = VERDICTS[value]
    reading = replace(made.readings[0], limits=Limits(4.4, 4.6), verdict=verdict)
    return ledger.commit(replace(made, readings=(reading,), verdict=verdict, sha=None), at=text(at)).seq


@pytest.fixture
def ledger(tmp_path):
    with Ledger(tmp_path / "ledger.sqlite", create=True) as made:
        yield made


def test_a_trend_holds_the_last_32_parts_and_takes_in_what_comes(ledger):
    monitor = Monitor()
    monitor.look(ledger)
    assert (monitor.last, monitor.trends(["bore A.diameter"])[0].points) == (0, ())
    for k in range(20):
        commit(ledger, k)
    monitor.look(ledger)
    assert len(monitor.trends(["bore A.diameter"])[0].points) == 20
    last = [commit(ledger, k, None if k % 2 else 4.7) for k in range(20, 50)]
    monitor.look(ledger)
    (trend,) = monitor.trends(["bore A.diameter"])
    assert (trend.unit, trend.lower, trend.upper) == ("mm", 4.4, 4.6)
    assert [p.seq for p in trend.points] == [19, 20, *last]
    assert [p.value for p in trend.points[-4:]] == [4.7, None, 4.7, None]
    assert [p.verdict for p in trend.points[-2:]] == ["rejected", "unread"]


def test_more_than_it_holds_came_meanwhile(ledger):
    monitor = Monitor()
    commit(ledger, 0)
    monitor.look(ledger)
    for k in range(1, 300):
        commit(ledger, k)
    monitor.look(ledger)
    assert monitor.last == 300
    assert [p.seq for p in monitor.trends(["bore A.diameter"])[0].points] == list(range(269, 301))


def test_rate_and_times(ledger):
    monitor = Monitor()
    for k in range(99):
        commit(ledger, k, took_ms=36 if k % 50 == 7 else 27)
    commit(ledger, 99, took_ms=86_400_000)  # a picture of yesterday that was judged today is no time of the line
    monitor.look(ledger)
    at = BEGUN + timedelta(seconds=6 * 99 + 5)
    assert monitor.per_minute(at) == pytest.approx(10.0)
    # a line that stands slows down
    assert monitor.per_minute(at + timedelta(minutes=30)) < 2.0
    times = monitor.times()
    assert (times.p50_s, times.p99_s, times.n) == (pytest.approx(0.027, abs=1e-6), pytest.approx(0.036, abs=1e-6), 99)


def test_times_are_those_of_the_line_and_not_of_a_trial_before_it(ledger):
    monitor = Monitor()
    for k in range(30):
        commit(ledger, k, took_ms=240_000)
    monitor.look(ledger)
    assert monitor.times().n == 30
    for k in range(5):
        commit(ledger, 30 + k, took_ms=27, at=BEGUN + timedelta(hours=9, seconds=6 * k))
    monitor.look(ledger)
    times = monitor.times()
    assert (times.p50_s, times.n) == (pytest.approx(0.027, abs=1e-6), 5)


@pytest.mark.parametrize("hours", [-1, 24, 14])
def test_the_rate_is_that_of_the_parts_since_the_clock_was_set_or_the_line_stood(ledger, hours):
    """An hour back, a day on, or a night without parts: of the ten a minute that came before and come again."""
    monitor, later = Monitor(), timedelta(hours=hours)
    for k in range(40):
        commit(ledger, k)
    monitor.look(ledger)
    last = BEGUN + timedelta(seconds=6 * 39) + later
    if hours < 0:
        assert monitor.per_minute(last) is None  # nobody knows how long it has stood
    commit(ledger, 40, at=last)
    monitor.look(ledger)
    assert monitor.per_minute(last) is None
    for k in range(1, 11):
        commit(ledger, 40 + k, at=last + timedelta(seconds=6 * k))
    monitor.look(ledger)
    assert monitor.per_minute(last + timedelta(seconds=62)) == pytest.approx(10.0)


def test_reasons_are_counted_by_the_first_of_each_part_since_a_time(ledger):
    monitor = Monitor()
    values = (4.5, 4.7, 4.7, 4.3, 4.6001, None, 4.5, 4.7)
    for k, value in enumerate(values):
        commit(ledger, k, value)
    found = monitor.causes(ledger)
    assert [(c.reading, c.says, c.verdict, c.parts) for c in found.causes] == [
        ("bore A.diameter", "above limit", "rejected", 3),
        ("bore A.diameter", "below limit", "rejected", 1),
        ("bore A.diameter", "few edges", "unread", 1),
        ("bore A.diameter", "in guard band", "undecided", 1),
    ]
    assert (found.of, found.among) == (6, 6)
    since = text(BEGUN + timedelta(seconds=6 * 4))
    assert [(c.says, c.parts) for c in monitor.causes(ledger, since).causes] == [
        ("above limit", 1), ("few edges", 1), ("in guard band", 1),
    ]  # fmt: skip


def test_yield_has_the_interval_of_clopper_and_pearson(ledger):
    for k in range(60):
        commit(ledger, k, 4.7 if k % 20 == 3 else 4.5)
    found = yield_since(ledger)
    assert found.counts == {"conforms": 57, "rejected": 3, "undecided": 0, "unread": 0}
    due = stats.binomtest(57, 60).proportion_ci(0.95, "exact")  # scipy's own
    assert (found.conforms.value, found.conforms.low, found.conforms.high) == pytest.approx((0.95, due.low, due.high))
    assert yield_since(ledger, text(BEGUN + timedelta(days=1))).conforms.value is None


def test_a_shot_that_nobody_looked_at_is_its_own_reason():
    told = {"id": "bore A.diameter", "name": "bore A", "kind": "circle", "quantity": "diameter", "unit": "mm",
            "step": "bore A", "frame": "plane"}  # fmt: skip
    late = Reading.without(Reason("shot_late", {"deadline_ms": 40}), limits=Limits(4.4, 4.6), **told)
    body = {"verdict": "unread", "readings": [{"id": late.id, "verdict": late.verdict, "limits": None, "value": None,
                                               "reason": {"code": late.reason.code, "params": {}}}]}  # fmt: skip
    assert first_reason(body) == ("", "shot late", "unread")
    assert first_reason({"verdict": "unread", "readings": []}) == ("", "nothing is judged", "unread")
