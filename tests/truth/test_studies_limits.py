"""Where limits are set: ISO 14253-1, agreed risks, good and bad parts. The authority stands beside each figure."""

import math

import numpy as np
import pytest
from scipy import stats

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.model.decide import Limits, decide
from tiepoint.studies.good_bad import study_good_bad
from tiepoint.studies.limits import (
    sample_of_parts,
    spread_of_readings,
    stated_spread,
    study_limits,
    zones_of,
)
from tiepoint.studies.rates import agreed, more_parts, rate
from tiepoint.studies.risks import Normal, risks, station_risks, zones_by_guard

BORE = Limits(9.9, 10.1)


def test_the_rule_gives_the_standards_limits() -> None:
    # 10 ± 0.1, u 0.012 → 9.91974 … 10.08026: 0.1 − 1.645·0.012 (ISO 14253-1:2017 with the normal quantile).
    found = study_limits(BORE, stated_spread(10.0, 0.03), u_own=0.012)
    assert found.by_rule is not None
    low, high = found.by_rule.accept
    assert low is not None
    assert high is not None
    assert (round(low, 5), round(high, 5)) == (9.91974, 10.08026)
    assert high == pytest.approx(10.1 - 0.012 * stats.norm.ppf(0.95), abs=1e-12)
    direct = risks(Normal(10.0, 0.03), zones_by_guard(9.9, 10.1, 0.012 * float(stats.norm.ppf(0.95))), 0.012)
    assert found.by_rule.risks.average.consumer == pytest.approx(direct.consumer, rel=1e-9)


def test_zones_are_those_of_the_verdicts() -> None:
    zones = zones_of(Limits(0.0, 0.1), 0.02, 8.0)
    assert zones is not None
    for edge, inside, outside in (
        (zones.accept_upper, "conforms", "undecided"),
        (zones.accept_lower, "conforms", "undecided"),
        (zones.reject_upper, "undecided", "rejected"),
        (zones.reject_lower, "undecided", "rejected"),
    ):
        way = 1e-9 if edge > 0.05 else -1e-9
        assert decide(edge - way, 0.02, 8.0, Limits(0.0, 0.1)) == inside
        assert decide(edge + way, 0.02, 8.0, Limits(0.0, 0.1)) == outside


def test_agreed_risks_are_kept_at_the_worst_station_and_not_by_more_than_needed() -> None:
    found = study_limits(BORE, stated_spread(10.0, 0.04), u_own=0.006, u_common=0.01, most_consumer=1e-4)
    assert found.good is True
    assert found.by_risks is not None
    parts = Normal(10.0, 0.04)
    at = station_risks(parts, zones_by_guard(9.9, 10.1, found.by_risks.guard), 0.006, 0.01).worst.consumer
    assert at == pytest.approx(1e-4, rel=1e-3)
    assert at <= 1e-4 * (1 + 1e-3)


def test_agreed_risks_are_kept_by_the_spread_as_found_and_as_it_may_be() -> None:
    # Parts that spread far beyond their limits: at the upper end of the spread fewer of them stand near a limit.
    readings = np.random.default_rng(5).normal(10.0, 0.15, 30)
    spread = spread_of_readings(readings, 0.01)
    found = study_limits(BORE, spread, u_own=0.01, most_producer=0.03)
    assert found.widest is not None
    zones = zones_by_guard(9.9, 10.1, found.widest)
    kept = [station_risks(p, zones, 0.01, 0.0).worst.producer for p in spread.possible]
    assert max(kept) == pytest.approx(0.03, rel=1e-3)
    assert kept[0] > kept[1]  # here the spread as found is the worse one


def test_risks_that_no_limit_keeps_are_said() -> None:
    found = study_limits(
        BORE, stated_spread(10.0, 0.04), u_own=0.006, u_common=0.01, most_consumer=1e-4, most_producer=1e-3
    )
    assert found.good is False
    assert found.by_risks is None
    assert any("No limit keeps both agreed risks" in s for s in found.sentences)
    assert found.narrowest is not None
    assert found.widest is not None
    assert found.narrowest > found.widest
    assert found.sentences[-1].startswith("Next: reduce what is common")


def test_nothing_can_conform_is_said_with_the_smallest_tolerance() -> None:
    found = study_limits(Limits(9.99, 10.01), stated_spread(10.0, 0.004), u_own=0.012)
    assert found.by_rule is None
    assert any("smallest tolerance that could be shown to conform is 0.047" in s for s in found.sentences)


def test_the_spread_of_readings_is_that_of_the_parts() -> None:
    rng = np.random.default_rng(11)
    readings = rng.normal(10.0, 0.03, 4000) + rng.normal(0, 0.02, 4000)
    spread = spread_of_readings(readings, 0.02)
    assert isinstance(spread.parts, Normal)
    assert spread.parts.sd == pytest.approx(0.03, rel=0.05)
    assert spread.sd_high is not None
    assert spread.sd_high > spread.parts.sd


def test_the_upper_end_of_a_spread_is_above_the_truth_in_95_of_100_studies() -> None:
    rng, n = np.random.default_rng(12), 2000
    above = sum((spread_of_readings(rng.normal(0, 0.05, 30), 0.01).sd_high or 0) > 0.048990 for _ in range(n))
    # √(0.05² − 0.01²) = 0.04899; four standard deviations of a count of n.
    assert above / n == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / n))


def test_a_sample_says_that_measuring_counts_twice() -> None:
    assert "a little large" in sample_of_parts(np.linspace(9.9, 10.1, 20), 0.01).told


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"limits": Limits(10.0, 10.0)}, "tolerance is zero"),
        ({"u_own": -1.0}, "0 or more"),
        ({"u_own": 0.0}, "no risk"),
        ({"most_consumer": 0.0}, "above 0 and below 1"),
        ({"most_producer": 1.5}, "above 0 and below 1"),
    ],
)
def test_limits_refuse_in_a_sentence(change: dict[str, object], said: str) -> None:
    given = {"limits": BORE, "spread": stated_spread(10.0, 0.03), "u_own": 0.01, **change}
    with pytest.raises(UnusableInput, match=said):
        study_limits(given.pop("limits"), given.pop("spread"), **given)  # type: ignore[arg-type]  # by name


def test_parts_that_scatter_no_more_than_measuring_are_refused() -> None:
    with pytest.raises(PoorGeometry, match="measuring alone explains"):
        spread_of_readings(np.linspace(0, 0.01, 20), 0.02)
    with pytest.raises(PoorGeometry, match="at least 10"):
        spread_of_readings([1.0, 2.0], 0.1)


# --- rates ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("events", "n", "low", "high"),
    # Clopper-Pearson, 95 % two-sided (computed before, from the beta law).
    [(0, 100, 0.0, 0.03622), (1, 100, 0.00025, 0.05446), (5, 100, 0.01643, 0.11283), (0, 300, 0.0, 0.01222)],
)
def test_known_intervals_of_rates(events: int, n: int, low: float, high: float) -> None:
    found = rate(events, n)
    assert (round(found.low, 5), round(found.high, 5)) == (low, high)


@pytest.mark.parametrize(("events", "n"), [(0, 7), (3, 20), (20, 20), (17, 900), (1, 2)])
def test_rates_agree_with_scipy(events: int, n: int) -> None:
    found = rate(events, n)
    two = stats.binomtest(events, n).proportion_ci(0.95, "exact")
    most = stats.binomtest(events, n, alternative="less").proportion_ci(0.95, "exact")
    least = stats.binomtest(events, n, alternative="greater").proportion_ci(0.95, "exact")
    assert (found.low, found.high) == pytest.approx((two.low, two.high), abs=1e-10)
    assert found.at_most == pytest.approx(most.high, abs=1e-10)
    assert found.at_least == pytest.approx(least.low, abs=1e-10)


@pytest.mark.parametrize(("most", "n"), [(0.01, 299), (0.001, 2995), (0.0001, 29956)])
def test_how_many_parts_without_a_failure_it_takes(most: float, n: int) -> None:
    # (1 − p)ⁿ ≤ 0.05.
    assert (1 - most) ** n <= 0.05 < (1 - most) ** (n - 1)
    assert more_parts(rate(0, 0), most) == n
    assert more_parts(rate(0, 100), most) == n - 100
    assert agreed("rate of escapes", rate(0, n), most).shown
    assert not agreed("rate of escapes", rate(0, n - 1), most).shown


# --- limits from good and bad parts --------------------------------------------------------------------------------


def test_wilks_sample_sizes() -> None:
    # The well-known sizes for 95 % of parts with 95 % confidence: 59 for one side, 93 for both (Wilks 1941).
    rng = np.random.default_rng(2)
    for n, side in ((59, "upper"), (93, "both")):
        assert study_good_bad(rng.normal(size=n), [], side=side).good_kept >= 0.95  # type: ignore[arg-type]
        assert study_good_bad(rng.normal(size=n - 1), [], side=side).good_kept < 0.95  # type: ignore[arg-type]


def test_the_share_kept_is_no_less_than_said_in_95_of_100_studies() -> None:
    # A skew law on purpose: the bound is free of any. The truth is the law's own distribution function.
    rng, n, held = np.random.default_rng(4), 3000, 0
    for _ in range(n):
        found = study_good_bad(rng.exponential(size=40), [], side="both")
        assert found.lower is not None
        assert found.upper is not None
        held += stats.expon.cdf(found.upper) - stats.expon.cdf(found.lower) >= found.good_kept
    assert held / n == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / n))


def test_a_gap_between_good_and_bad_takes_the_limit_in_its_middle() -> None:
    good, bad = np.linspace(0, 1, 60), np.linspace(3, 4, 30)
    found = study_good_bad(good, bad, u=0.5, most_escapes=0.1, most_false=0.05)
    assert (found.side, found.lower, found.upper) == ("upper", None, 2.0)
    assert found.escapes is not None
    assert found.escapes.at_most == pytest.approx(1 - 0.05 ** (1 / 30), abs=1e-12)
    assert found.good_kept == pytest.approx(0.05 ** (1 / 60), abs=1e-12)
    assert found.good is True
    assert found.in_u == 4.0


def test_overlap_is_said_and_no_bad_part_passes() -> None:
    good, bad = np.linspace(0, 2, 40), np.linspace(1.5, 3, 20)
    found = study_good_bad(good, bad, most_escapes=0.01)
    assert found.escapes is not None
    assert found.escapes.events == 0
    assert found.good_lost == int(np.sum(good >= 1.5))
    assert found.good is False
    assert "no limit on this one does" in found.sentences[-1]


@pytest.mark.parametrize(("apart", "two"), [(2.0, False), (2.0, True), (6.0, False), (6.0, True)])
def test_both_bounds_hold_where_good_and_bad_overlap_and_where_they_do_not(apart: float, two: bool) -> None:
    # The truth is the normal law's; bad parts lie above, or on both sides.
    rng, n, kept, passed = np.random.default_rng(9), 1500, 0, 0
    for _ in range(n):
        sides = rng.choice([-1.0, 1.0], 30) if two else np.ones(30)
        found = study_good_bad(rng.normal(size=50), sides * rng.normal(apart, 1, 30), side="both" if two else "upper")
        low, high = found.lower if found.lower is not None else -np.inf, found.upper
        assert high is not None
        assert found.escapes is not None
        kept += stats.norm.cdf(high) - stats.norm.cdf(low) >= found.good_kept
        above = stats.norm.cdf(high, apart) - stats.norm.cdf(low, apart)
        below = stats.norm.cdf(high, -apart) - stats.norm.cdf(low, -apart)
        passed += ((above + below) / 2 if two else above) <= found.escapes.at_most
    for held in (kept, passed):
        assert held / n >= 0.95 - 4 * math.sqrt(0.95 * 0.05 / n)


def test_good_and_bad_refuse_in_a_sentence() -> None:
    with pytest.raises(PoorGeometry, match="3 good parts are too few"):
        study_good_bad([1, 2, 3], [5.0])
    with pytest.raises(UnusableInput, match="say on which side"):
        study_good_bad(np.arange(20.0), [])
    with pytest.raises(UnusableInput, match="one finite number for each"):
        study_good_bad(np.arange(20.0), [math.nan])


@pytest.mark.parametrize("undecided", ["not-accepted", "accepted", "sorted"])
def test_limits_by_agreed_risks_keep_them_whoever_carries_the_undecided(undecided):
    limits, spread = Limits(-1.0, 1.0), stated_spread(0.0, 0.45)
    told = {"u_own": 0.05, "u_common": 0.04, "undecided": undecided}
    for most in ({"most_consumer": 9e-3}, {"most_producer": 2e-2}, {"most_consumer": 2e-2, "most_producer": 2e-2}):
        found = study_limits(limits, spread, **told, **most)
        assert found.good is True, (undecided, most)
        consumer, producer = found.by_risks.risks.worst.carried(undecided)
        assert consumer <= most.get("most_consumer", 1.0) * (1 + 1e-6)
        assert producer <= most.get("most_producer", 1.0) * (1 + 1e-6)
    assert f"undecided parts {'count' if undecided == 'not-accepted' else 'are'}" in found.convention
    hard = study_limits(limits, spread, **(told | {"u_own": 0.3}), most_consumer=1e-12, most_producer=1e-12)
    assert (hard.good, hard.by_risks) == (False, None)
