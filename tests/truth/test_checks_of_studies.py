"""The tests of a study's assumptions beside their published examples."""

import numpy as np
import pytest
from scipy import stats

from tiepoint.studies.checks import (
    independence,
    independence_within,
    normality,
    outliers,
    resolution_of,
    without_outliers,
)

ROSNER = (
    "-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70 1.76 1.77 1.81 1.91 "
    "1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40 2.47 2.54 2.62 2.64 2.90 2.92 2.92 2.93 "
    "3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01"
)
"""54 data of Rosner, Technometrics 25 (1983), as NIST/SEMATECH e-Handbook 1.3.5.17.3 gives them: three outliers."""


def test_rosners_three_outliers():
    x = np.array(ROSNER.split(), float)
    found = outliers(x, most=10, level=0.05)
    assert sorted(x[found]) == [5.34, 5.42, 6.01]


def test_rosners_outliers_are_named():
    x = np.array(ROSNER.split(), float)
    told = without_outliers(np.append(x, 30.0), tuple(f"row {k}" for k in range(1, 56)))
    assert told.holds is False
    assert told.sentence.startswith("row 55")


def test_outliers_rarely_cry_wolf():
    """One per cent of normal samples may be objected to; 800 of them give at most 20 with 99.97 %."""
    rng = np.random.default_rng(11)
    cried = sum(bool(outliers(rng.normal(size=30)).size) for _ in range(800))
    assert 0 < cried <= stats.binom.ppf(0.9997, 800, 0.013)


def test_normal_samples_and_others():
    rng = np.random.default_rng(5)
    objected = sum(normality(rng.normal(size=40)).holds is False for _ in range(600))
    assert stats.binom.ppf(0.0005, 600, 0.01) <= objected <= stats.binom.ppf(0.9995, 600, 0.01)
    assert normality(rng.exponential(size=60)).holds is False
    assert normality(rng.normal(size=7)).holds is None
    assert normality(np.full(20, 3.0)).holds is None
    assert normality(rng.normal(size=20_000)).holds is True
    assert normality(rng.exponential(size=6_000)).holds is False


def test_coarse_rounding_is_no_departure_from_normality():
    x = np.round(np.random.default_rng(2).normal(size=200))
    assert resolution_of(x) == 1.0
    assert normality(x).holds is None
    assert "rounded" in normality(x).sentence


@pytest.mark.parametrize("n", [10, 25, 100])
def test_independence_objects_to_one_in_a_hundred(n):
    rng = np.random.default_rng(n)
    objected = sum(independence(rng.normal(size=n)).holds is False for _ in range(1500))
    assert stats.binom.ppf(0.0005, 1500, 0.008) <= objected <= stats.binom.ppf(0.9995, 1500, 0.012)


def test_drift_and_alternation_are_told_apart():
    rng = np.random.default_rng(1)
    drift = independence(rng.normal(size=60) + np.linspace(0, 4, 60))
    swing = independence(rng.normal(size=60) * 0.5 + np.tile([1.0, -1.0], 30))
    assert (drift.holds, swing.holds) == (False, False)
    assert "drifts" in drift.sentence
    assert "alternate" in swing.sentence


def test_bartels_example_of_changing_stock():
    """Bartels 1982: changes of stock levels, 1968 to 1977; numerator 169, ratio 2.05, nothing found (from memory)."""
    stocks = [528, 348, 264, -20, -167, 575, 410, -4, 430, -122]
    ranks = stats.rankdata(stocks)
    assert np.sum(np.diff(ranks) ** 2) == 169
    assert np.sum(np.diff(ranks) ** 2) / np.sum((ranks - 5.5) ** 2) == pytest.approx(2.048, abs=5e-4)
    assert independence(stocks).p == pytest.approx(0.94, abs=0.02)


def test_deviations_between_repeats_are_judged_by_what_neighbours_must_be():
    # Repeats of a part that stand side by side lean against each other (correlation −1/2 of three): no swing. The rate
    # of objections is the level in either order, and a drift across the rows is found.
    rng = np.random.default_rng(5)
    groups = np.repeat(np.arange(30), 3)
    objected = {"side by side": 0, "mixed": 0, "drift": 0}
    for _ in range(1000):
        x = rng.normal(size=90)
        for name, cells, drift in (
            ("side by side", groups, 0.0), ("mixed", rng.permutation(groups), 0.0), ("drift", np.arange(90) % 30, 3.0),
        ):  # fmt: skip
            y = x + np.linspace(0, drift, 90)
            left = y - (np.bincount(cells, y) / 3)[cells]
            objected[name] += independence_within(left, cells).holds is False
    # 99.9 % of binomial(1000, 0.01) lie within 1 to 20.
    assert 1 <= objected["side by side"] <= 20
    assert 1 <= objected["mixed"] <= 20
    assert objected["drift"] > 800  # a drift of three standard deviations from the first row to the last


def test_outliers_are_those_of_the_rule_written_out():
    # Rosner 1983 step by step, by plain means and deviations of what is left.
    from scipy import stats

    rng = np.random.default_rng(6)
    for seed in range(20):
        x = rng.standard_t(3, size=60) * 10.0 ** rng.integers(-3, 4) + (1e9 if seed == 3 else 0)
        left, taken, found = list(range(60)), [], 0
        for i in range(6):
            y = x[left]
            away = np.abs(y - y.mean())
            worst = int(np.argmax(away))
            n = len(left)
            t = stats.t.ppf(1 - 0.01 / (2 * n), n - 2)
            taken.append(left.pop(worst))
            if away[worst] / y.std(ddof=1) > t * (n - 1) / np.sqrt((n - 2 + t * t) * n):
                found = i + 1
        assert outliers(x, 6).tolist() == taken[:found]
