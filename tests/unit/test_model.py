"""Readings and records hold only what may be said."""

import copy
import math
import pickle
from dataclasses import FrozenInstanceError, replace

import pytest

from tiepoint.documents.canonical import plain
from tiepoint.foundation.reasons import FLAGS, Reason, forbidding
from tiepoint.foundation.sources import Source, Value, constant
from tiepoint.model.decide import Limits
from tiepoint.model.reading import Reading, terms
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot

TOLD = {
    "id": "bore A.diameter",
    "name": "bore A",
    "kind": "circle",
    "quantity": "diameter",
    "unit": "mm",
    "step": "bore A",
    "frame": "plane",
}
EDGE = Source("edge", "edge noise", "A", 0.003, "shot", dof=8)
SCALE = Source("rule no 12", "print scale", "B", 1e-4, "tie")
SHOT = Shot("1", (Picture("picture", "0" * 64, (640, 480), 8, "Mono8"),))
LIMITS = Limits(4.4, 4.6)


def record(*readings: Reading, verdict: str) -> Record:
    return Record("bench", 1, SHOT, "0" * 64, ("1" * 64,), "tiepoint 0", readings, verdict)


def test_a_reading_is_judged_with_its_own_uncertainty():
    value = Value(4.595, {EDGE: 1.0, SCALE: 4.5})
    reading = Reading.of(value, limits=LIMITS, **TOLD)
    assert reading.verdict == "undecided"
    assert reading.u == pytest.approx(math.hypot(0.003, 4.5e-4))
    # Welch-Satterthwaite by hand: u⁴ · 8 / 0.003⁴.
    assert reading.dof == pytest.approx(reading.u**4 * 8 / 0.003**4)
    assert Reading.of(value, limits=None, **TOLD).verdict is None
    assert Reading.of(constant(5.0), limits=LIMITS, **TOLD).verdict == "rejected"


def test_sources_of_a_reading_stand_in_the_order_of_their_weight():
    listed = terms(Value(0.0, {SCALE: 100.0, EDGE: 1.0}))
    assert [t.id for t in listed] == ["rule no 12", "edge"]
    assert sum((t.c * t.u) ** 2 for t in listed) == pytest.approx(0.01**2 + 0.003**2)


@pytest.mark.parametrize(
    "asked",
    [
        lambda r: (r, hash(r)),
        lambda r: (replace(r, name="bore B"), replace(r, name="bore B").sources),
        lambda r: pickle.loads(pickle.dumps(r)),
        copy.deepcopy,
        repr,
        plain,
    ],
    ids=["itself", "replace", "pickle", "deepcopy", "repr", "plain"],
)
def test_when_sources_are_ranked_makes_no_difference(asked):
    value = Value(4.5, {EDGE: 1.0, SCALE: 4.5})
    ranked = Reading.of(value, limits=LIMITS, **TOLD)
    assert ranked.sources == terms(value)
    assert asked(Reading.of(value, limits=LIMITS, **TOLD)) == asked(ranked)


def test_the_sources_of_a_reading_stay_what_they_are():
    reading = Reading.of(Value(4.5, {EDGE: 1.0}), limits=None, **TOLD)
    with pytest.raises(FrozenInstanceError):
        reading.sources = ()
    assert reading.sources is reading.sources
    assert Reading.without(Reason("no_edge"), limits=None, **TOLD).sources == ()


def test_a_failed_measurement_is_data_and_never_a_pass():
    failed = Reading.without(Reason("no_edge"), limits=LIMITS, **TOLD)
    assert (failed.value, failed.verdict) == (None, "unread")
    assert Reading.without(Reason("no_edge"), limits=None, **TOLD).verdict is None
    assert plain(failed)["reason"] == {"code": "no_edge", "params": {}}


@pytest.mark.parametrize(
    "wrong",
    [
        {},
        {"value": 1.0, "reason": Reason("no_edge")},
        {"value": 1.0, "reason": Reason("doubtful", {"flags": "outliers", "says": "many"}), "verdict": "conforms"},
        {"reason": Reason("no_edge"), "verdict": "conforms"},
        {"reason": Reason("no_edge"), "verdict": "rejected"},
    ],
)
def test_a_reading_needs_a_value_or_a_reason_and_a_verdict_that_fits(wrong):
    with pytest.raises(ValueError, match="bore A"):
        Reading(**TOLD, **wrong)


@pytest.mark.parametrize("rule", ["iso14253-1", "simple", "guard:0.01mm"])
@pytest.mark.parametrize("code", sorted(FLAGS))
def test_a_reading_whose_interval_may_not_hold_never_conforms(code, rule):
    limits = Limits(4.4, 4.6, rule)
    inside, outside = (Reading.of(Value(v, {EDGE: 1.0}), limits=limits, **TOLD, flags=(code,)) for v in (4.5, 4.7))
    assert outside.verdict == "rejected"
    assert outside.reason is None
    if FLAGS[code].forbids:
        assert (inside.value, inside.verdict) == (4.5, "undecided")
        assert inside.reason.params["flags"] == code
        assert FLAGS[code].short in inside.reason.sentence
    else:
        assert (inside.verdict, inside.reason) == ("conforms", None)


def test_flags_that_contradict_the_interval_forbid_and_missing_checks_do_not():
    # The kinds that decision 0009 names.
    doubts = ("tie_model_poor", "page_bowed", "camera_differs", "photos_disagree", "edge_differs_by_side")
    assert forbidding(doubts) == doubts
    assert forbidding(["few_corners", "few_points", "lens_assumed", "form_error"]) == ()


def test_a_doubtful_reading_without_limits_has_no_verdict_and_no_reason():
    free = Reading.of(constant(4.5), limits=None, **TOLD, flags=("outliers",))
    assert (free.verdict, free.reason) == (None, None)


def test_codes_must_be_registered():
    with pytest.raises(KeyError, match="not registered"):
        Reason("because")
    with pytest.raises(KeyError, match="not registered"):
        Reading(**TOLD, value=1.0, flags=("odd",))


def test_a_record_cannot_say_more_than_its_readings():
    good = Reading.of(constant(4.5), limits=LIMITS, **TOLD)
    failed = Reading.without(Reason("no_edge"), limits=LIMITS, **TOLD)
    free = Reading.of(constant(4.5), limits=None, **TOLD)
    assert record(good, free, verdict="conforms").verdict == "conforms"
    for readings, claimed in [((good, failed), "conforms"), ((free,), "conforms"), ((), "conforms")]:
        with pytest.raises(ValueError, match="says conforms where its readings make it unread"):
            record(*readings, verdict=claimed)


def test_a_record_is_plain_data():
    made = record(Reading.of(Value(4.5, {SCALE: 4.5}), limits=LIMITS, **TOLD), verdict="conforms")
    content = plain(made)
    assert content["readings"][0]["dof"] is None
    assert content["shot"]["pictures"][0]["size"] == [640, 480]
