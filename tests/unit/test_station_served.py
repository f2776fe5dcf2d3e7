"""What a ledger tells of the time on duty: quantiles with their bounds, faults with the parts that came in them."""

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from tiepoint.station.ledger import Entry
from tiepoint.station.matrix import Known, all_shown, matrix
from tiepoint.station.requirements import Requirement
from tiepoint.station.served import Written, fewest, quantile_ends
from tiepoint.station.served import served_of as of_all

BEGAN = datetime(2026, 5, 12, 8, tzinfo=UTC)
AGREED = Entry(3, "act", "2026-05-12T07:00:00.000Z", {}, "", "")


def at(seconds):
    return (BEGAN + timedelta(seconds=seconds)).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def event(seq, seconds, event, **body):
    return Entry(seq, "duty", at(seconds), {"event": event, **body}, "", "")


def state(seq, seconds, state, fault="", says=""):
    return event(seq, seconds, "state", state=state, fault=fault, says=says)


def served_of(duty, records, runs=()):
    return of_all(duty, records, runs)


def part(seq, taken, took, verdict="conforms"):
    return Written(seq, at(taken), at(taken + took), verdict)


DUTY = [
    event(10, 0, "begins"),
    state(11, 1, "on duty"),
    state(20, 10, "fault", "camera top", "the folder is away"),
    state(30, 20, "on duty"),
    event(40, 30, "ends"),
]


@pytest.mark.parametrize(("q", "n"), [(0.95, 59), (0.99, 299), (0.999, 2995), (0.5, 5)])
def test_as_many_parts_as_wilks_found_bound_a_quantile(q, n):
    """Wilks, Ann. Math. Statist. 12 (1941) 91; 59 and 299 are common practice in tolerance limits."""
    assert fewest(q, 0.95) == n
    times = np.arange(1.0, n + 1)
    assert quantile_ends(times, q, 0.95)[2] == n
    assert quantile_ends(times[:-1], q, 0.95)[2] == math.inf


@pytest.mark.parametrize("q", [0.5, 0.9, 0.99])
@pytest.mark.parametrize("n", [300, 1234])
def test_the_bounds_are_those_of_scipy(q, n):
    times = np.random.default_rng(n).gamma(3.0, 0.01, n)
    value, low, high = quantile_ends(times, q, 0.95)
    test = [stats.quantile_test(times, p=q, alternative=way) for way in ("less", "greater")]
    ends = [one.confidence_interval(0.95) for one in test]
    assert (low, high) == (ends[1].low, ends[0].high)
    assert low <= value <= high


def test_only_what_was_judged_on_duty_counts_and_a_clock_that_ran_back_tells_no_time():
    records = [part(5, -9, 0.1), part(12, 2, 0.25), part(13, 3, -50.0), part(45, 40, 0.1)]
    served = served_of(DUTY, records)
    assert (served.seqs, served.seconds, served.verdicts) == ((12,), (0.25,), {"conforms": 2})
    assert served_of([], records) is None
    assert served.since(12).seconds == ()


def test_what_a_command_judged_after_duty_was_killed_does_not_count_as_seen_on_duty():
    """A killed process writes no end: its last fault would have had parts that conformed, and its times days."""
    killed = [*DUTY[:3], event(60, 3600, "begins"), state(61, 3601, "on duty")]
    run = [Entry(seq, "run", at(1000), {"of": of, "shots": 1}, "", "") for seq, of in ((50, None), (52, 50))]
    records = [part(12, 2, 0.25), part(51, -9e4, 91_000), part(62, 3602, 0.1)]
    served = served_of(killed, records, run)
    assert served.seqs == (12, 62)
    assert [fault.parts for fault in served.faults] == [0]
    assert len(served_of(killed, records).seqs) == 3


def test_a_part_at_which_nobody_looked_takes_no_time_and_makes_no_other_look_quick():
    def entry(seq, code=None, **more):
        reading = {"id": "a", "verdict": "unread", "reason": None if code is None else {"code": code, "params": {}}}
        body = {"shot": {"taken_utc": at(2)}, "verdict": "unread", "readings": [reading], **more}
        return Entry(seq, "record", at(2.5), body, "", "")

    judged = entry(12, "outside_picture", timings={"bore": 0.1})
    others = [
        entry(13, "shot_not_judged", timings={}),
        entry(14, "shot_not_released", timings={}),
        entry(15, timings={}),
    ]
    late = entry(16, "shot_late", timings={})
    served = served_of(DUTY[:2], map(Written.of, [judged, *others, late]))
    assert (served.seqs, served.verdicts) == ((12, 16), {"unread": 5})


def test_a_part_that_was_told_as_unread_since_its_writing_took_too_long_counts_as_that():
    told = event(15, 4.5, "late", record=12, told="unread", says="it was written too late")
    served = served_of([*DUTY[:2], told], [part(12, 2, 0.25)])
    assert (served.verdicts, served.seconds) == ({"unread": 1}, (2.5,))


def test_a_part_that_came_before_a_fault_did_not_pass_in_it():
    records = [part(21, 9.9, 0.3), part(22, 11, 0.1, "unread"), part(31, 21, 0.1)]
    (fault,) = served_of(DUTY, records).faults
    assert (fault.name, fault.entry, fault.parts, fault.passed) == ("camera top", 20, 1, 0)
    assert (fault.began_utc, fault.ended_utc) == (at(10), at(20))
    (worse,) = served_of(DUTY, [*records[:2], part(23, 12, 0.1)]).faults
    assert (worse.parts, worse.passed) == (2, 1)


def asking(by, **more):
    return Requirement.read({"id": "R1", "says": "It is so.", "by": by, **more}, "")


def line(asked, served, agreed=AGREED):
    return matrix([asked], agreed, [], Known(served=served))[0]


def many(n, slow=()):
    return [part(11, 2, 0.1), *(part(12 + k, 3 + k, 3.0 if k in slow else 0.1) for k in range(n - 1))]


def test_times_are_shown_by_their_unfavourable_end_and_never_by_too_few():
    duty, asked = [event(10, 0, "begins")], asking("times", figure="P99", most=2.0)
    told = {n: line(asked, served_of(duty, many(n))) for n in (298, 299)}
    assert [told[n].state for n in (298, 299)] == ["not shown", "shown"]
    assert "299 can" in told[298].why
    slow = line(asked, served_of(duty, many(299, slow={7})))
    assert (slow.state, slow.found.high) == ("not shown", 3.0)
    most = asking("times", figure="maximum", most=2.0)
    assert line(most, served_of(duty, many(20))).state == "shown"
    assert line(most, served_of(duty, many(20, slow={7}))).state == "not shown"
    early = Entry(5000, "act", at(9999), {}, "", "")
    assert line(most, served_of(duty, many(20)), early).state == "not tried"


def test_faults_are_shown_where_parts_came_and_none_conformed():
    asked = asking("faults", of="camera")
    whole = [part(21, 9.9, 0.3), part(22, 11, 0.1, "unread")]
    assert line(asked, served_of(DUTY, whole)).state == "shown"
    nobody = line(asked, served_of(DUTY, whole[:1]))
    assert (nobody.state, "no part came" in nobody.why) == ("not shown", True)
    passed = line(asked, served_of(DUTY, [*whole, part(23, 12, 0.1)]))
    assert (passed.state, "1 of 2 parts conformed" in passed.why) == ("not shown", True)
    # Of the station as a whole: camera and disk.
    station = line(asking("faults"), served_of(DUTY, whole))
    assert (station.state, "ledger or archive" in station.why) == ("not tried", True)
    both = [*DUTY[:4], state(32, 22, "fault", "ledger", "the disk is full"), state(34, 25, "on duty")]
    more = [*whole, part(33, 23, 0.1, "unread")]
    assert line(asking("faults"), served_of(both, more)).state == "shown"


def test_an_alarm_is_shown_once_it_was_raised_and_only_the_one_that_is_asked_for():
    about = {"kind": "light", "about": "plate", "says": "5 % darker.", "phase": "begins"}
    served = served_of([*DUTY[:2], event(15, 5, "alarm", **about)], [])
    assert [line(asking("alarms", of=of), served).state for of in ("light", "light plate", "scale")] == [
        "shown", "shown", "not tried",
    ]  # fmt: skip
    assert line(asking("alarms"), served).state == "not tried"


def test_what_duty_has_not_kept_counts_against_the_whole():
    bad = Known(served=served_of(DUTY, [part(23, 12, 0.1)]))
    assert not all_shown(matrix([asking("faults", of="camera")], AGREED, [], bad))
    assert all_shown(matrix([asking("faults", of="camera")], AGREED, []))
