"""Which requirement is shown: by the newest study of its kind, at the end of its interval that is against it."""

import dataclasses
import math

import pytest

from tiepoint.documents.canonical import plain
from tiepoint.station.kept import KeptStudy
from tiepoint.station.ledger import Entry
from tiepoint.station.matrix import matrix
from tiepoint.station.requirements import Requirement
from tiepoint.studies.rates import rate
from tiepoint.studies.trial import Showing, study_trial

AGREED = Entry(3, "act", "2026-05-12T08:00:00.000Z", {}, "", "")
RR = Requirement(id="R1", says="GRR", by="rr", of="bore A.diameter", most=0.3)


def study(kind, outcome, seq=9, of="bore A.diameter", good=True, fault=None):
    act = Entry(seq, "act", "2026-05-20T08:00:00.000Z", {}, "", "")
    return KeptStudy(kind, of, good, {} if fault else {"outcome": outcome}, act, fault)


def grr(low, value, high, of_tolerance=True):
    figure = {"value": value, "low": low, "high": high}
    return {"share_of_tolerance": figure if of_tolerance else None, "share_of_total": figure, "good": None}


def state(asked, *studies):
    (line,) = matrix([asked], AGREED, studies)
    return line.state


@pytest.mark.parametrize(
    ("high", "expected"), [(0.29, "shown"), (0.3, "shown"), (0.31, "not shown"), (None, "not shown")]
)
def test_the_unfavourable_end_decides_and_an_open_one_never_keeps_a_limit(high, expected):
    assert state(RR, study("rr", grr(0.1, 0.2, high))) == expected


def test_a_least_is_held_by_the_lower_end():
    asked = Requirement(id="R2", says="Cgk", by="type1", of="bore A.diameter", least=1.33)
    of = {"cgk": {"value": 1.5, "low": 1.34, "high": 1.7}}
    assert state(asked, study("type1", of)) == "shown"
    assert state(asked, study("type1", {"cgk": {**of["cgk"], "low": 1.32}})) == "not shown"


def test_the_newest_study_of_that_kind_and_reading_counts():
    good, bad = study("rr", grr(0.1, 0.2, 0.25)), study("rr", grr(0.3, 0.4, 0.5))
    assert state(RR, good, bad) == "not shown"
    assert state(RR, bad, good) == "shown"
    assert state(RR, study("rr", grr(0.1, 0.2, 0.25), of="bore B.diameter")) == "not tried"
    assert state(RR, study("type1", {})) == "not tried"


def test_what_was_not_done_is_not_tried_whatever_else_was():
    (line,) = matrix([Requirement(id="T", says="P99", by="times", most=0.5)], AGREED, [study("rr", grr(0, 0.1, 0.2))])
    assert (line.state, line.found) == ("not tried", None)
    assert "on duty" in line.why


def test_a_study_older_than_what_was_agreed_shows_nothing():
    (line,) = matrix([RR], AGREED, [study("rr", grr(0.1, 0.2, 0.25), seq=2)])
    assert line.state == "not shown"
    assert "older than what was agreed" in line.why


def test_an_altered_study_and_one_without_the_figure_show_nothing():
    (altered,) = matrix([RR], AGREED, [study("rr", {}, fault="studies/9-rr.json was altered after the study was made")])
    (empty,) = matrix([RR], AGREED, [study("rr", {"good": True})])
    assert (altered.state, empty.state) == ("not shown", "not shown")
    assert "was altered" in altered.why
    assert "does not hold the figure" in empty.why


def test_rates_of_a_trial_are_held_by_their_one_sided_bound():
    """No escape among 299 bad parts shows 1 % at 95 %, among 298 it does not (Clopper & Pearson; common practice)."""

    def of(n_bad):
        bad = [Showing(f"b{k}", "bad", "scratch", "rejected") for k in range(n_bad)]
        good = [Showing(f"g{k}", "good", "", "conforms") for k in range(60)]
        return study("trial", plain(dataclasses.asdict(study_trial([*bad, *good]))), of="trial")

    for asked_of in (None, "escapes", "scratch"):
        asked = Requirement(id="R3", says="Escapes", by="trial", of=asked_of, most=0.01)
        assert state(asked, of(299)) == "shown"
        assert state(asked, of(298)) == "not shown"
    unknown = Requirement(id="R4", says="Dents", by="trial", of="dent", most=0.01)
    (line,) = matrix([unknown], AGREED, [of(299)])
    assert (line.state, 'no class "dent"' in line.why) == ("not shown", True)
    surer = Requirement(id="R5", says="Escapes", by="trial", most=0.01, confidence=0.99)
    assert state(surer, of(299)) == "not shown"
    assert math.isclose(rate(0, 299).at_most, 1 - 0.05 ** (1 / 299))
