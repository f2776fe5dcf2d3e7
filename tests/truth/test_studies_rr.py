"""Gauge studies against the published one, NIST's reference data for analysis of variance, and statsmodels."""

import itertools
import math
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import special, stats
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.studies.measured import Measured, read_measured
from tiepoint.studies.mls import LargeSample, spread_of_fixed
from tiepoint.studies.ranges import factor, range_moments
from tiepoint.studies.rr import study_rr
from tiepoint.studies.variance import analysed

GAUGE = read_measured(Path(__file__).parents[1] / "data" / "studies" / "rr_10x3x3.csv")


def crossed(levels, repeats, sd, seed=1, names=("loading", "shift")):
    """Return a made study: sd of parts, of each factor, and of repeating."""
    rng = np.random.default_rng(seed)
    at = np.indices((*levels, repeats)).reshape(len(levels) + 1, -1)
    values = 10 + sum(rng.normal(0, s, n)[k] for s, n, k in zip(sd, levels, at, strict=False))
    values = values + rng.normal(0, sd[-1], at.shape[1])
    told = [tuple(f"L{i}" for i in k) for k in at[:-1]]
    where = tuple(f"row {k}" for k in range(at.shape[1]))
    return Measured(values, "mm", where, part=told[0], factors=dict(zip(names, told[1:], strict=False)))


# --- the published study -------------------------------------------------------------------------------------------


def test_the_published_study_by_analysis_of_variance_to_the_digits_given():
    # AIAG, Measurement Systems Analysis, 4th ed.: the 10 × 3 × 3 example; interaction pooled.
    study = study_rr(GAUGE)
    found = [study.ev.value, study.av.value, study.pv.value, study.tv.value]
    assert [round(v, 6) for v in found] == [0.199933, 0.226838, 1.042327, 1.0853]
    # The printed 0.302373 is not the root of the printed EV² + AV², which is 0.3023718: one in its last digit.
    assert study.grr.value == pytest.approx(0.302373, abs=1.5e-6)
    assert round(100 * study.share_of_total.value, 2) == 27.86
    assert study.ndc == 4
    (line,) = [line for line in study.table if line.pooled]
    assert (line.name, round(line.F, 4), round(line.p, 4)) == ("part × appraiser", 0.4337, 0.9741)
    assert study.pooled == ("part × appraiser",)


def test_its_sums_of_squares_are_those_of_statsmodels():
    study = study_rr(GAUGE, pool="never")
    frame = pd.DataFrame({"v": GAUGE.values, "p": GAUGE.part, "a": GAUGE.factors["appraiser"]})
    witness = anova_lm(ols("v ~ C(p) * C(a)", frame).fit())
    assert [line.ss for line in study.table] == pytest.approx(witness["sum_sq"].tolist(), rel=1e-10)
    assert [line.dof for line in study.table] == witness["df"].tolist()
    # Computed in double precision from the data by plain loops, to the digits kept: SS and the unpooled outcome.
    assert [round(line.ss, 5) for line in study.table] == [88.36193, 3.16726, 0.35898, 2.75893]
    assert sum(line.ss for line in study.table) == pytest.approx(94.647112, abs=5e-7)
    assert [round(f.value, 6) for f in (study.ev, study.grr)] == [0.214435, 0.313217]
    assert round(100 * study.share_of_total.value, 3) == 28.752
    assert study.other.pooled
    assert study.other.grr == pytest.approx(0.302372, abs=5e-7)


def test_the_published_study_by_ranges():
    ranges = study_rr(GAUGE).ranges
    found = [ranges.ev, ranges.av, ranges.grr, ranges.pv, ranges.tv]
    # With four-decimal factors, in double precision; as printed (from memory) 0.20188 … 1.14610, rounded on the way.
    assert [round(v, 5) for v in found] == [0.20186, 0.22967, 0.30577, 1.10460, 1.14613]
    assert found == pytest.approx([0.20188, 0.22963, 0.30575, 1.10456, 1.14610], abs=1e-4)
    assert round(100 * ranges.grr / ranges.tv, 3) == 26.678
    assert int(1.41 * ranges.pv / ranges.grr) == 5


def test_range_factors_are_the_tabulated_ones():
    # Tippett 1925; d2 and d3 as in every table of control charts (e.g. Montgomery, Introduction to SPC, app. VI).
    for n, d2, d3 in ((2, 1.128, 0.853), (3, 1.693, 0.888), (5, 2.326, 0.864), (10, 3.078, 0.797), (25, 3.931, 0.708)):
        assert [round(v, 3) for v in range_moments(n)] == [d2, d3]
    # K1 of 2 and 3 repeats, K2 of 2 and 3 levels, K3 of 10 parts, as printed in AIAG's form.
    assert [factor(2, 30), factor(3, 30), factor(2, 1), factor(3, 1), factor(10, 1)] == [
        0.8862, 0.5908, 0.7071, 0.5231, 0.3146
    ]  # fmt: skip


# --- NIST StRD -----------------------------------------------------------------------------------------------------


def nist(name):
    """Return group numbers, values, and the certified (between SS, within SS, F), from the copy that SciPy carries."""
    lines = (files("scipy.stats") / "tests" / "data" / "nist_anova" / f"{name}.dat").read_text().splitlines()
    certified = next(line.split() for line in lines if line.startswith("Between"))
    within = next(line.split() for line in lines if line.startswith("Within"))
    rows = np.array([line.split() for line in lines[60:] if line.strip()], float)
    return rows[:, 0].astype(int) - 1, rows[:, 1], (float(certified[-3]), float(within[-2]), float(certified[-1]))


def digits(found, certified):
    """Return the log relative error, as NIST counts correct digits."""
    return 15.0 if found == certified else min(15.0, -np.log10(abs(found - certified) / abs(certified)))


@pytest.mark.parametrize(
    ("name", "least"),
    [
        ("SiRstv", 9), ("AtmWtAg", 9), ("SmLs01", 9), ("SmLs02", 9), ("SmLs03", 9), ("SmLs04", 9), ("SmLs05", 9),
        ("SmLs06", 9),
        # 13 constant leading digits: the data themselves are rounded to 1.2e-4 once they are doubles, so that an exact
        # sum of what is left has no more correct digits than these.
        ("SmLs07", 3.8), ("SmLs08", 3.8), ("SmLs09", 3.8),
    ],
)  # fmt: skip
def test_nist_reference_data_for_one_way_analysis_of_variance(name, least):
    groups, values, (between, within, F) = nist(name)
    found = analysed(values, groups[None, :], (int(groups.max()) + 1,))
    part, error = found.terms
    got = [digits(part.ss, between), digits(error.ss, within), digits(part.F, F)]
    assert min(got) >= least, got


@pytest.mark.parametrize("name", ["SmLs07", "SmLs08", "SmLs09"])
def test_what_is_lost_of_the_hardest_sets_is_lost_by_their_doubles(name):
    # The same sums in exact arithmetic, of the values as doubles.
    from fractions import Fraction

    groups, values, _ = nist(name)
    exact = [Fraction(v) for v in values.tolist()]
    k, n = int(groups.max()) + 1, len(exact)
    sums = [Fraction(0)] * k
    for g, v in zip(groups.tolist(), exact, strict=True):
        sums[g] += v
    each = n // k
    between = sum(s * s for s in sums) / each - sum(sums) ** 2 / n
    found = analysed(values, groups[None, :], (k,)).terms[0].ss
    assert found == pytest.approx(float(between), rel=1e-9)


# --- three ways crossed, and unequal repeats -----------------------------------------------------------------------


def test_two_factors_by_statsmodels_and_by_their_expected_mean_squares():
    data = crossed((6, 3, 2), 2, (1.0, 0.3, 0.2, 0.1))
    study = study_rr(data, pool="never")
    frame = pd.DataFrame({"v": data.values, "p": data.part, "a": data.factors["loading"], "b": data.factors["shift"]})
    witness = anova_lm(ols("v ~ C(p) * C(a) * C(b)", frame).fit())
    assert [line.ss for line in study.table] == pytest.approx(witness["sum_sq"].tolist(), rel=1e-10)
    ms = {line.name: line.ms for line in study.table}
    # Montgomery, Design and Analysis of Experiments, table of the three-factor random model: a b n σ_p² is
    # MS_p − MS_pa − MS_pb + MS_pab.
    part = ms["part"] - ms["part × loading"] - ms["part × shift"] + ms["part × loading × shift"]
    assert study.pv.value**2 == pytest.approx(part / 12, rel=1e-12)
    loading = ms["loading"] - ms["part × loading"] - ms["loading × shift"] + ms["part × loading × shift"]
    (found,) = [c for c in study.components if c.name == "loading"]
    assert found.sd.value**2 == pytest.approx(max(loading, 0.0) / 24, rel=1e-12)
    assert study.ranges is None


def test_an_interaction_that_is_there_stays_and_is_in_grr():
    data = crossed((10, 3), 3, (1.0, 0.2, 0.05))
    rng = np.random.default_rng(3)
    cells = dict.fromkeys(zip(data.part, data.factors["loading"], strict=True))  # in order: a set differs by process
    own = {key: rng.normal(0, 0.3) for key in cells}
    values = data.values + [own[key] for key in zip(data.part, data.factors["loading"], strict=True)]
    study = study_rr(Measured(values, "mm", data.where, part=data.part, factors=data.factors))
    assert not study.pooled
    (both,) = [c for c in study.components if "×" in c.name]
    assert both.sd.low < 0.3 < both.sd.high
    assert study.grr.value**2 == pytest.approx(study.ev.value**2 + study.av.value**2 + both.sd.value**2, rel=1e-12)
    assert "part × loading is the largest" in study.sentences[-1]


def test_unequal_repeats_keep_components_unbiased():
    # Thomas & Hultquist 1978: the mean over many studies is the true variance, whatever the numbers of repeats.
    found = []
    for seed in range(300):
        data = crossed((8, 4), 4, (1.0, 0.5, 0.3), seed)
        keep = np.flatnonzero(np.random.default_rng(7).random(len(data)) < 0.7)
        cells = {(data.part[k], data.factors["loading"][k]) for k in keep}
        assert len(cells) == 32
        codes = np.array([[int(x[1:]) for x in data.part], [int(x[1:]) for x in data.factors["loading"]]])[:, keep]
        a = analysed(data.values[keep], codes, (8, 4), None)
        assert not a.equal
        found.append(a.components @ a.mean_squares)
    mean, u = np.mean(found, axis=0), np.std(found, axis=0, ddof=1) / np.sqrt(300)
    assert np.abs(mean - [1.0, 0.25, 0.0, 0.09])[[0, 1, 2, 3]] == pytest.approx(0, abs=float(4 * u.max()))
    assert (np.abs(mean - [1.0, 0.25, 0.0, 0.09]) < 4 * u).all()


def test_without_a_factor_only_repeating_is_judged():
    data = crossed((12,), 4, (1.0, 0.1))
    study = study_rr(data)
    assert study.av is None
    assert study.grr.value == study.ev.value
    assert study.other is None
    assert any("No factor was studied" in s for s in study.sentences)


# --- intervals -----------------------------------------------------------------------------------------------------


def test_the_interval_of_one_mean_square_is_that_of_chi_square():
    sample = LargeSample.of(np.array([9.0]))
    low, high = sample.interval(np.array([2.5]))
    assert low == pytest.approx(2.5 * 9 / special.chdtri(9, 0.025), rel=1e-12)
    assert high == pytest.approx(2.5 * 9 / special.chdtri(9, 0.975), rel=1e-12)


def test_the_ratio_of_components_of_one_way_is_exact():
    # (MS_P/MS_E/F − 1)/n with F quantiles is exact (Scheffé 1959, 7.2); the method is built to agree with it.
    dof, ms, n = np.array([9.0, 60.0]), np.array([3.0, 0.2]), 4.0
    part, error = np.array([ms[0], -ms[1]]) / n, np.array([0.0, ms[1]])
    low, high = LargeSample.of(dof).ratio(part, error)
    assert low == pytest.approx((15 / special.fdtri(9, 60, 0.975) - 1) / n, rel=1e-6)
    assert high == pytest.approx((15 / special.fdtri(9, 60, 0.025) - 1) / n, rel=1e-6)


def test_shares_hold_their_points_and_follow_from_each_other():
    study = study_rr(GAUGE, tolerance=8.0, most=0.3)
    share = study.share_of_total
    assert share.low < share.value < share.high
    for end, other in ((share.low, study.categories.high), (share.high, study.categories.low)):
        assert other == pytest.approx(1.41 * np.sqrt(1 / end**2 - 1), rel=1e-9)
    assert study.share_of_tolerance.value == pytest.approx(6 * study.grr.value / 8)
    assert study.good is False
    assert any("by its point value, as is usually judged" in s for s in study.sentences)
    assert study_rr(GAUGE, tolerance=40.0, most=0.3).good is True
    assert study_rr(GAUGE).good is None


# --- what cannot be studied ----------------------------------------------------------------------------------------


def changed(data, keep=None, **told):
    from dataclasses import replace

    from tiepoint.studies.measured import chosen

    return replace(data if keep is None else chosen(data, np.flatnonzero(keep)), **told)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (changed(GAUGE, np.array(GAUGE.part) == "3"), "part is always 3; give ten or more parts"),
        (changed(GAUGE, np.array(GAUGE.factors["appraiser"]) == "A"), "appraiser is always A; leave it out"),
        (changed(GAUGE, np.array(GAUGE.trial) == "1"), "nothing was repeated"),
        (changed(GAUGE, values=np.full(90, 2.5)), "all 90 values are the same"),
        (changed(GAUGE, values=np.array([float(p) for p in GAUGE.part])), "every repeat equals the first"),
        (changed(GAUGE, ~((np.array(GAUGE.part) == "4") & (np.array(GAUGE.factors["appraiser"]) == "B"))),
         "part 4, appraiser B has no value (1 of 30 combinations are empty)"),
    ],
)  # fmt: skip
def test_what_does_not_make_a_study_is_refused_in_a_sentence(data, said):
    with pytest.raises(PoorGeometry) as told:
        study_rr(data)
    assert said in str(told.value)


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"tolerance": 0.0}, "the tolerance is 0"),
        ({"tolerance": -1.0}, "the tolerance is -1"),
        ({"most": 1.5}, "the share asked for is 150 %"),
        ({"pool_above": 2.0}, "p of the pooling rule is 2"),
        ({"spread": 0.0}, "the spread is 0"),
    ],
)
def test_what_cannot_be_asked_is_refused(told, said):
    with pytest.raises(UnusableInput) as raised:
        study_rr(GAUGE, **told)
    assert said in str(raised.value)


def test_parts_must_be_known_and_factors_are_two_at_most():
    with pytest.raises(UnusableInput, match="give a column part"):
        study_rr(changed(GAUGE, part=None))
    one = GAUGE.factors["appraiser"]
    with pytest.raises(UnusableInput, match="at most two are studied"):
        study_rr(changed(GAUGE, factors={"a": one, "b": one, "c": one}))


def test_pooling_by_rule_leaves_the_intervals_alone():
    # An interval after a test that found nothing would hold less than it says (proofs/gauges.py).
    rule, never = study_rr(GAUGE), study_rr(GAUGE, pool="never")
    assert rule.pooled
    for name in ("ev", "av", "grr", "pv", "tv", "share_of_total"):
        one, other = getattr(rule, name), getattr(never, name)
        assert one.value != other.value
        assert (one.low, one.high) == pytest.approx((other.low, other.high), rel=1e-9)
    (pooled,) = [c for c in rule.components if c.name == "part × appraiser"]
    assert pooled.sd.value == 0 < pooled.sd.high


@pytest.mark.parametrize("seed", range(40))
def test_noise_alone_makes_a_study_whose_intervals_hold_its_values(seed):
    rng = np.random.default_rng(seed)
    levels = tuple(rng.integers(2, 5, size=rng.integers(1, 4)).tolist())
    data = crossed(levels, int(rng.integers(2, 4)), (*[0.0] * len(levels), 1.0), seed)
    study = study_rr(data, tolerance=5.0, most=0.3, pool=("rule", "always", "never")[seed % 3])
    figures = [
        study.ev,
        study.grr,
        study.pv,
        study.tv,
        study.share_of_total,
        study.share_of_tolerance,
        study.categories,
    ]
    for figure in (*figures, *(c.sd for c in study.components)):
        assert 0 <= figure.low <= figure.value <= figure.high
    assert study.share_of_total.high <= 1
    assert study.tv.value >= study.grr.value > 0


# --- levels that are all that there are ----------------------------------------------------------------------------


def test_the_interval_of_fixed_effects_is_that_of_the_non_central_F():
    # SciPy's non-central F as witness: λ at which the F found is the 97.5 % and the 2.5 % point.
    low, high = spread_of_fixed(5.0, 2.0, 0.5, 18.0)
    assert stats.ncf.cdf(10.0, 2, 18, low * 2 / 0.5) == pytest.approx(0.975, abs=1e-8)
    assert stats.ncf.cdf(10.0, 2, 18, high * 2 / 0.5) == pytest.approx(0.025, abs=1e-8)
    assert spread_of_fixed(0.1, 2.0, 0.5, 18.0)[0] == 0.0


def test_levels_that_are_all_there_are_have_intervals_of_their_own():
    sample, fixed = study_rr(GAUGE, pool="never"), study_rr(GAUGE, pool="never", every=("appraiser",))
    # Their variance is the mean square of their effects (corrected for scatter): two thirds of the sample's estimate.
    assert fixed.av.value == pytest.approx(sample.av.value * np.sqrt(2 / 3), rel=1e-9)
    assert fixed.grr.value**2 == pytest.approx(fixed.ev.value**2 + fixed.av.value**2, rel=1e-9)
    assert fixed.ev == sample.ev
    assert fixed.pv == sample.pv
    assert fixed.av.high < 0.3 < 1.4 < sample.av.high
    assert fixed.share_of_total.high < 0.4 < 0.8 < sample.share_of_total.high
    assert "the levels of appraiser as all that there are" in fixed.convention
    assert "more levels" not in fixed.sentences[-1]
    effects = np.array([GAUGE.values[np.array(GAUGE.factors["appraiser"]) == k].mean() for k in "ABC"])
    error = next(line for line in fixed.table if line.name == "part × appraiser").ms
    assert fixed.av.value**2 == pytest.approx(effects.var() - 2 / 3 * error / 30, rel=1e-9)


def test_all_levels_are_told_of_a_factor_that_is_there():
    with pytest.raises(UnusableInput, match="carrier is said to have all its levels here, but is no factor"):
        study_rr(GAUGE, every=("carrier",))


@pytest.mark.parametrize("every", [("loading",), ("shift",), ("loading", "shift")])
def test_of_two_factors_the_levels_of_one_or_both_may_be_all_there_are(every):
    data = crossed((8, 3, 2), 2, (1.0, 0.3, 0.2, 0.1))
    study, sample = study_rr(data, pool="never", every=every), study_rr(data, pool="never")
    means = analysed_by_hand(data)
    for name in every:
        a = len(set(data.factors[name]))
        own = next(c for c in study.components if c.name == name)
        # Expected mean squares of the unrestricted mixed model (Montgomery, Design and Analysis of Experiments, 13-6):
        # E[MS_A] = σ² + n σ²_PAB + cn σ²_PA (+ pn σ²_AB where the other factor is a sample) + pcn ΣA²/(a − 1).
        against = [f"part × {name}"] if len(every) == 2 else [f"part × {name}", "loading × shift"]
        rest = sum(means[t] for t in against) - (means["part × loading × shift"] if len(every) == 1 else 0.0)
        expected = (a - 1) / a * max(means[name] - rest, 0.0) * a / len(data)
        assert own.sd.value**2 == pytest.approx(expected, rel=1e-9)
        assert own.sd.high < next(c for c in sample.components if c.name == name).sd.high
    assert study.pv == sample.pv
    assert study.grr.low <= study.grr.value <= study.grr.high
    assert f"the levels of {' and '.join(every)} as all that there are" in study.convention


def analysed_by_hand(data):
    """Return mean squares by the textbook's sums over totals (Montgomery, 5-4), in plain loops."""
    columns = {"part": data.part, **data.factors}
    y = data.values - data.values.mean()

    def of(names):
        keys = list(zip(*(columns[n] for n in names), strict=True))
        return sum(y[[k == key for k in keys]].sum() ** 2 / keys.count(key) for key in sorted(set(keys)))

    ss, dof = {}, {}
    for size in (1, 2, 3):
        for names in itertools.combinations(columns, size):
            inner = [t for t in ss if set(t) < set(names)]
            ss[names] = of(names) - sum(ss[t] for t in inner)
            dof[names] = math.prod(len(set(columns[n])) - 1 for n in names)
    return {" × ".join(t): ss[t] / dof[t] for t in ss}
