"""Spread of parts within limits: intervals by scipy's laws, by drawing, and by the handbook's approximation."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from tiepoint.foundation.errors import UnusableInput
from tiepoint.studies.spread import Moments, moments, spread_of


def test_moments_add_up():
    values = np.random.default_rng(2).normal(1e6, 0.01, 1000)
    parts = [moments(part) for part in np.split(values, (0, 1, 17, 400))]
    found = sum(parts, Moments())
    assert found.n == 1000
    assert found.mean == pytest.approx(values.mean(), rel=1e-15)
    # numpy's own variance, over all at once
    assert found.squares / 999 == pytest.approx(values.var(ddof=1), rel=1e-6)


def test_mean_and_s_have_the_intervals_of_student_and_of_chi_square():
    values = np.random.default_rng(3).normal(4.5, 0.02, 40)
    found = spread_of(moments(values), 4.4, 4.6)
    low, high = stats.t.interval(0.95, 39, loc=values.mean(), scale=stats.sem(values))
    assert (found.mean.low, found.mean.high) == pytest.approx((low, high), rel=1e-12)
    s = values.std(ddof=1)
    ends = [s * math.sqrt(39 / stats.chi2.ppf(p, 39)) for p in (0.975, 0.025)]
    assert (found.s.low, found.s.high) == pytest.approx(ends, rel=1e-9)
    assert found.pp.value == pytest.approx(0.2 / (6 * s))
    assert (found.pp.low, found.pp.high) == pytest.approx([0.2 / (6 * e) for e in reversed(ends)], rel=1e-9)


def test_a_one_sided_index_has_the_interval_of_the_noncentral_t_law():
    values = np.random.default_rng(4).normal(4.5, 0.02, 25)
    found = spread_of(moments(values), None, 4.58).ppk
    t = 3 * math.sqrt(25) * found.value
    # scipy's law of the noncentral t, turned round by a search of our own
    due = [optimize.brentq(lambda d, p=p: stats.nct.cdf(t, 24, d) - p, 0.0, 60.0) / 15 for p in (0.975, 0.025)]
    assert (found.low, found.high) == pytest.approx(due, rel=1e-4)


def test_of_very_many_the_interval_is_that_of_the_handbook():
    # NIST/SEMATECH e-Handbook, 6.1.6 (from memory): Cpk ± z·√(1/9n + Cpk²/(2(n − 1)))
    found = spread_of(Moments(500_000, 4.53, 499_999 * 0.02**2), 4.4, 4.6).ppk
    value = 0.07 / 0.06
    half = 1.959964 * math.sqrt(1 / (9 * 500_000) + value**2 / (2 * 499_999))
    assert (found.value, found.low, found.high) == pytest.approx((value, value - half, value + half), rel=1e-7)


@pytest.mark.parametrize("n", [12, 60, 2500])
def test_intervals_cover_what_is_true(n):
    rng, covered = np.random.default_rng(n), np.zeros(2)
    for _ in range(600):
        found = spread_of(moments(rng.normal(4.52, 0.02, n)), 4.4, 4.6)
        covered += (found.pp.low <= 0.2 / 0.12 <= found.pp.high, found.ppk.low <= 0.08 / 0.06 <= found.ppk.high)
    # 95 % of 600, within four standard deviations of the binomial law
    assert (np.abs(covered - 570) <= 4 * math.sqrt(600 * 0.95 * 0.05)).all(), covered


def test_what_is_not_told():
    with pytest.raises(UnusableInput, match="9 values tell no spread"):
        spread_of(Moments(9, 1.0, 1.0))
    same = spread_of(Moments(20, 4.5, 0.0), 4.4, 4.6)
    assert (same.pp, same.ppk, same.s.value) == (None, None, 0.0)
    free = spread_of(Moments(20, 4.5, 0.1))
    assert (free.pp, free.ppk) == (None, None)
    assert spread_of(Moments(20, 4.7, 0.1), 4.4, 4.6).ppk.value < 0
