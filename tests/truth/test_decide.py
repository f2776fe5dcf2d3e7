"""The decision rules against ISO 14253-1, the risk integrals of JCGM 106, and SciPy's distributions."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.decide import (
    Limits,
    acceptance_limits,
    decide,
    overall,
    probability_of_conformance,
    prospect,
)

INF = math.inf


def conforming_interval(u: float, limits: Limits) -> tuple[float, float]:
    """Return the interval of values that `decide` lets conform, found by asking it alone."""
    middle = (limits.lower + limits.upper) / 2

    def edge(direction: float) -> float:
        inside, outside = middle, middle + direction * limits.width
        assert decide(inside, u, INF, limits) == "conforms"
        for _ in range(100):
            trial = (inside + outside) / 2
            inside, outside = (trial, outside) if decide(trial, u, INF, limits) == "conforms" else (inside, trial)
        return inside

    return edge(-1.0), edge(1.0)


def global_risks(s0: float, u: float, limits: Limits, common: float = 0.0) -> tuple[float, float]:
    """Return P(false accept), P(false reject) for parts N(0, s0): JCGM 106:2012, 9.5, eqs. 17 and 19 (from memory).

    `common` is an error that all readings of the station share.
    """
    low, high = conforming_interval(u, limits)
    u_each = u

    def accepted(x: float) -> float:
        return stats.norm.cdf((high - x - common) / u_each) - stats.norm.cdf((low - x - common) / u_each)

    def integral(f, a, b):
        return integrate.quad(f, a, b, epsabs=1e-12, limit=200)[0]

    reach = 10 * s0
    false_accept = integral(lambda x: stats.norm.pdf(x, 0, s0) * accepted(x), -reach, limits.lower) + integral(
        lambda x: stats.norm.pdf(x, 0, s0) * accepted(x), limits.upper, reach
    )
    false_reject = integral(lambda x: stats.norm.pdf(x, 0, s0) * (1 - accepted(x)), limits.lower, limits.upper)
    return false_accept, false_reject


def test_the_worked_example_of_one_guard_band():
    # Computed from ISO 14253-1:2017 with g = 1.645 u: 10 ± 0.1, u = 0.012.
    limits = Limits(9.9, 10.1)
    assert acceptance_limits(0.012, INF, limits) == pytest.approx((9.91974, 10.08026), abs=5e-6)
    low, high = conforming_interval(0.012, limits)
    assert (low, high) == pytest.approx((9.91974, 10.08026), abs=5e-6)


@pytest.mark.parametrize(
    ("s0", "u", "rule", "false_accept", "false_reject"),
    [
        # JCGM 106 integrals, computed in double precision for N(nominal, s0) parts and limits ±1.
        (1 / 3, 0.075, "simple", 0.00054, 0.00127),
        (1 / 3, 0.075, "iso14253-1", 0.00003, 0.00763),
        (0.51021, 0.125, "simple", 0.00858, 0.01554),
        (0.51021, 0.125, "guard:0.25mm", 0.00021, 0.10357),
    ],
)
def test_global_risks_of_the_rules(s0, u, rule, false_accept, false_reject):
    found = global_risks(s0, u, Limits(-1.0, 1.0, rule))
    assert found == pytest.approx((false_accept, false_reject), abs=5.1e-6)


def test_a_tie_error_common_to_all_parts_spreads_the_risk_between_stations():
    # Of u = 0.125, 0.11 is common to the station: 0.0047 without an error, 0.0160 at its 95 % edge.
    each = math.sqrt(0.125**2 - 0.11**2)
    limits = Limits(-1.0, 1.0, "simple")
    assert global_risks(0.51021, each, limits)[0] == pytest.approx(0.0047, abs=5e-5)
    edge = 1.959964 * 0.11
    assert global_risks(0.51021, each, limits, edge)[0] == pytest.approx(0.0160, abs=5e-5)


@pytest.mark.parametrize(
    ("dof", "t"),
    # One-sided Student's t at 0.95 (any table of the distribution; GUM Table G.2 lists the two-sided 90 % values).
    [(1, 6.31), (4, 2.13), (10, 1.81), (30, 1.70), (INF, 1.645)],
)
def test_the_guard_band_grows_with_few_degrees_of_freedom(dof, t):
    low, high = acceptance_limits(0.1, dof, Limits(upper=5.0))
    assert low is None
    assert (5.0 - high) / 0.1 == pytest.approx(t, abs=0.006)


@pytest.mark.parametrize("dof", [3.0, 12.5, INF])
@pytest.mark.parametrize("value", [-0.9, 0.0, 0.4, 1.2])
def test_two_near_limits_are_judged_by_the_probability_itself(value, dof):
    spread = stats.norm() if math.isinf(dof) else stats.t(dof)
    due = spread.cdf((1.0 - value) / 0.55) - spread.cdf((-1.0 - value) / 0.55)
    limits = Limits(-1.0, 1.0)
    assert probability_of_conformance(value, 0.55, dof, limits) == pytest.approx(due, rel=1e-9)
    verdict = "conforms" if due >= 0.95 else "rejected" if due <= 0.05 else "undecided"
    assert decide(value, 0.55, dof, limits) == verdict


def test_near_limits_leave_less_room_than_two_single_guard_bands():
    # u = T/2: each tail alone would leave ±0.1775 (1.645 u from each limit); together only the probability counts.
    low, high = acceptance_limits(0.5, INF, Limits(-1.0, 1.0))
    due = stats.norm.cdf((1.0 - high) / 0.5) - stats.norm.cdf((-1.0 - high) / 0.5)
    assert due == pytest.approx(0.95, abs=1e-9)
    assert 0 < high < 1 - 1.645 * 0.5
    assert low == -high


def test_a_tolerance_in_which_nothing_can_conform_is_said_with_the_smallest_that_could():
    told = prospect(0.03, INF, Limits(9.95, 10.05))
    assert not told.possible
    # Both tails at the middle: 2 · z(0.975) · u.
    assert told.smallest_tolerance == pytest.approx(2 * 1.959964 * 0.03, rel=1e-6)
    assert "No part can ever conform" in told.sentence
    assert "0.118" in told.sentence
    assert acceptance_limits(0.03, INF, Limits(9.95, 10.05)) == (None, None)
    smallest = told.smallest_tolerance
    assert decide(0.0, 0.03, INF, Limits(-smallest / 2, smallest / 2 + 1e-12)) == "conforms"
    assert decide(0.0, 0.03, INF, Limits(-smallest / 2 + 1e-6, smallest / 2 - 1e-6)) == "undecided"


@given(
    value=st.floats(-3, 3),
    u=st.floats(1e-6, 2),
    dof=st.one_of(st.just(INF), st.floats(1, 200)),
    rule=st.sampled_from(["iso14253-1", "simple", "guard:0.2mm"]),
    p=st.floats(0.6, 0.999),
)
def test_the_acceptance_limits_are_where_the_verdict_turns(value, u, dof, rule, p):
    limits = Limits(-1.0, 1.5, rule, p)
    low, high = acceptance_limits(u, dof, limits)
    if low is None:
        assert decide(0.25, u, dof, limits) != "conforms"
        return
    if min(abs(value - low), abs(value - high)) > 1e-9:
        assert (decide(value, u, dof, limits) == "conforms") == (low <= value <= high)


@given(value=st.floats(allow_nan=True), u=st.floats(allow_nan=True), dof=st.floats(allow_nan=True))
def test_what_was_not_seen_is_never_passed(value, u, dof):
    verdict = decide(value, u, dof, Limits(-1.0, 1.0))
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0 and dof > 0):
        assert verdict == "unread"
    if verdict == "conforms":
        assert -1.0 <= value <= 1.0


def test_without_uncertainty_the_limits_themselves_conform():
    assert [decide(v, 0.0, INF, Limits(0.0, 1.0)) for v in (-1e-12, 0.0, 1.0, 1.0 + 1e-12)] == [
        "rejected",
        "conforms",
        "conforms",
        "rejected",
    ]


@pytest.mark.parametrize(
    ("verdicts", "due"),
    [
        ([], "unread"),
        ([None, None], "unread"),
        (["conforms", None], "conforms"),
        (["conforms", "undecided"], "undecided"),
        (["undecided", "unread"], "unread"),
        (["unread", "rejected", "conforms"], "rejected"),
    ],
)
def test_the_verdict_of_a_record(verdicts, due):
    assert overall(verdicts) == due


@pytest.mark.parametrize(
    ("made", "sentence"),
    [
        (lambda: Limits(), "neither lower nor upper"),
        (lambda: Limits(2.0, 1.0), "upside down: lower 2 is above upper 1; exchange them"),
        (lambda: Limits(math.nan, 1.0), "limits.lower is nan"),
        (lambda: Limits(0.0, math.inf), "limits.upper is inf"),
        (lambda: Limits(0.0, 1.0, p=0.5), "choose above 0.5 and below 1"),
        (lambda: Limits(0.0, 1.0, "halves"), "'halves' is not known; use iso14253-1, simple or guard:0.01mm"),
        (lambda: Limits(0.0, 1.0, "guard:-1mm"), "negative"),
        (lambda: Limits(0.0, 1.0, "guard:1"), "no unit"),
    ],
)
def test_limits_that_make_no_sense_are_refused_in_a_sentence(made, sentence):
    with pytest.raises(UnusableInput) as caught:
        made()
    assert sentence in str(caught.value)


def test_the_rule_covers_as_it_promises():
    # Of values that were let conform at the acceptance limit itself, 95 % of true values lie within the limit
    # when nothing was known before: the definition of the rule, drawn with a fixed seed.
    rng = np.random.default_rng(20240)
    _, high = acceptance_limits(0.02, 8, Limits(upper=1.0))
    true = high + 0.02 * rng.standard_t(8, 200_000)
    share = np.mean(true <= 1.0)
    assert share == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 200_000))
