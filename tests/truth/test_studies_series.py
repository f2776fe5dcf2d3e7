"""Type 1, linearity and stability against published numbers, closed forms and simulation."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.oneway import anova_oneway

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.studies.control import ewma, run_length, sigma_of_singles
from tiepoint.studies.linearity import _fitted, _largest, study_linearity
from tiepoint.studies.measured import Measured, read_measured
from tiepoint.studies.stability import study_stability
from tiepoint.studies.type1 import _side, indices, study_type1

LINE = read_measured(Path(__file__).parents[1] / "data" / "studies" / "linearity_5x12.csv")


def series(values, **told):
    x = np.asarray(values, float)
    return Measured(x, "mm", tuple(f"row {k}" for k in range(1, x.size + 1)), **told)


def exactly(mean, s, n=50):
    """Return n values with a mean and standard deviation."""
    x = np.random.default_rng(1).normal(size=n)
    return series(mean + s * (x - x.mean()) / x.std(ddof=1))


# --- type 1 --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("T", "s", "b", "cg", "cgk"), [(0.2, 0.002, 0.003, 3.33, 2.83), (0.06, 0.001, 0.0015, 2.0, 1.5)]
)
def test_cg_and_cgk_of_the_usual_convention(T, s, b, cg, cgk):
    # Cg = 0.2T/(6s), Cgk = (0.1T − |b|)/(3s): the convention most in use, worked out by hand.
    assert [round(v, 2) for v in indices(T, s, b)] == [cg, cgk]
    for sign in (1, -1):
        study = study_type1(exactly(4.5 + sign * b, s), tolerance=T, reference=4.5)
        assert [round(study.cg.value, 2), round(study.cgk.value, 2)] == [cg, cgk]
        assert study.bias.value == pytest.approx(sign * b, abs=1e-12)


def test_another_convention_is_told_and_used():
    study = study_type1(exactly(4.5, 0.002), tolerance=0.2, reference=4.5, share=0.15, spread=4.0)
    assert study.cg.value == pytest.approx(0.15 * 0.2 / (4 * 0.002))
    assert study.convention.startswith("Cg = 0.15·T/(4·s), Cgk = (0.075·T − |bias|)/(2·s)")


def test_the_bias_is_tested_as_scipy_does():
    data = exactly(4.5006, 0.002, 20)
    study = study_type1(data, tolerance=0.2, reference=4.5)
    assert study.bias_p == pytest.approx(stats.ttest_1samp(data.values, 4.5).pvalue, rel=1e-9)
    interval = stats.ttest_1samp(data.values, 4.5).confidence_interval(0.95)
    assert [study.bias.low, study.bias.high] == pytest.approx([interval.low - 4.5, interval.high - 4.5], abs=1e-12)
    assert study_type1(data, tolerance=0.2, reference=4.5, u_reference=0.001).bias_p > study.bias_p


@pytest.mark.parametrize("bias", [0.0, 0.4, 2.0])
def test_intervals_of_both_indices_cover(bias):
    # By definition; 95 % less three standard errors of 500 draws is 92.1 %.
    rng, held, n = np.random.default_rng(2), [0, 0], 500
    true = indices(100.0, 1.0, bias)
    for _ in range(n):
        study = study_type1(series(bias + rng.normal(size=25)), tolerance=100.0, reference=0.0)
        held[0] += study.cg.low <= true[0] <= study.cg.high
        held[1] += study.cgk.low <= true[1] <= study.cgk.high
    assert min(held) / n >= 0.921


def test_the_interval_of_an_index_is_that_of_the_non_central_t():
    # SciPy's non-central t as witness, where it can be trusted (few degrees of freedom, small shift).
    low, high = _side(1.5, 12)
    t = 1.5 * np.sqrt(12)
    assert stats.nct.cdf(t, 11, low * np.sqrt(12)) == pytest.approx(0.975, abs=1e-9)
    assert stats.nct.cdf(t, 11, high * np.sqrt(12)) == pytest.approx(0.025, abs=1e-9)


def test_good_is_what_is_shown_and_the_next_step_follows():
    good = study_type1(exactly(4.5, 0.002), tolerance=0.2, reference=4.5)
    assert good.good
    assert "as production makes them" in good.sentences[-1]
    near = study_type1(exactly(4.5, 0.0048), tolerance=0.2, reference=4.5)
    assert near.cg.value > 1.33 > near.cg.low
    assert near.good is False
    assert any("that they truly are, is not shown" in s for s in near.sentences)
    need = int(near.sentences[-1].split("some ")[1].split(" ")[0])
    assert study_type1(exactly(4.5, 0.0048, need), tolerance=0.2, reference=4.5).good
    bad = study_type1(exactly(4.5, 0.01), tolerance=0.2, reference=4.5)
    assert bad.smallest_tolerance == pytest.approx(1.33 * 6 * 0.01 / 0.2, rel=1e-9)
    assert study_type1(exactly(4.5, 0.01), tolerance=bad.smallest_tolerance, reference=4.5).cgk.value == pytest.approx(
        1.33, rel=1e-9
    )


@pytest.mark.parametrize(
    ("data", "told", "error", "said"),
    [
        (exactly(4.5, 0.1), {}, UnusableInput, "has no reference"),
        (exactly(4.5, 0.1, 9), {"reference": 4.5}, PoorGeometry, "has 9 values; give at least 10"),
        (series(np.full(20, 4.5)), {"reference": 4.5}, PoorGeometry, "all 20 values are the same"),
        (exactly(4.5, 0.1), {"reference": 4.5, "tolerance": 0.0}, UnusableInput, "the tolerance is 0"),
        (exactly(4.5, 0.1), {"reference": 4.5, "tolerance": -0.1}, UnusableInput, "the tolerance is -0.1"),
        (exactly(4.5, 0.1), {"reference": 4.5, "share": 0.0}, UnusableInput, "the share of the tolerance is 0 %"),
        (
            replace(exactly(4.5, 0.1), part=("a",) * 25 + ("b",) * 25),
            {"reference": 4.5},
            UnusableInput,
            "2 parts are in",
        ),
        (replace(exactly(4.5, 0.1), reference=np.repeat([1.0, 2.0], 25)), {}, UnusableInput, "has 2 references (1, 2"),
        (replace(exactly(4.5, 0.1), reference=np.full(50, 4.5)), {"reference": 4.6}, UnusableInput, "and 4.6 is given"),
    ],
)
def test_what_is_no_type_1_study_is_refused(data, told, error, said):
    with pytest.raises(error) as raised:
        study_type1(data, **{"tolerance": 0.2, **told})
    assert said in str(raised.value)


# --- linearity -----------------------------------------------------------------------------------------------------


def test_the_published_linearity_example():
    # AIAG, Measurement Systems Analysis, 4th ed.: five references, twelve trials each.
    study = study_linearity(LINE)
    assert round(study.slope.value, 6) == -0.131667
    assert round(study.intercept.value, 6) == 0.736667
    assert round(study.r_squared, 5) == 0.71432
    assert round(study.s, 5) == 0.23954
    assert [round(a.bias.value, 4) for a in study.at] == [0.4917, 0.125, 0.025, -0.2917, -0.6167]


def test_line_intervals_and_tests_are_those_of_statsmodels():
    study = study_linearity(LINE)
    fit = sm.OLS(LINE.values - LINE.reference, sm.add_constant(LINE.reference)).fit()
    (a, b), ((a0, a1), (b0, b1)) = fit.params, fit.conf_int(0.05)
    assert [study.intercept.value, study.intercept.low, study.intercept.high] == pytest.approx([a, a0, a1], rel=1e-10)
    assert [study.slope.value, study.slope.low, study.slope.high] == pytest.approx([b, b0, b1], rel=1e-10)
    assert [study.intercept_p, study.slope_p] == pytest.approx(fit.pvalues.tolist(), rel=1e-9)
    # The band is the standard error of the mean times √(2F) (Working & Hotelling 1929).
    x = np.array([2.0, 5.0, 10.0])
    se = fit.get_prediction(sm.add_constant(x)).se_mean
    assert study.band(x) == pytest.approx(np.sqrt(2 * stats.f.ppf(0.95, 2, 58)) * se, rel=1e-10)
    # Lack of fit: one way by references against the line.
    dummies = sm.OLS(LINE.values - LINE.reference, (LINE.reference[:, None] == np.unique(LINE.reference)) * 1.0).fit()
    F = (fit.ssr - dummies.ssr) / 3 / (dummies.ssr / 55)
    assert study.fit_p == pytest.approx(stats.f.sf(F, 3, 55), rel=1e-9)


def test_a_limit_is_kept_only_where_the_intervals_keep_it():
    assert study_linearity(LINE).good is None
    found = study_linearity(LINE, most=0.7)
    assert found.largest.value == pytest.approx(0.6167, abs=5e-5)
    assert found.good is False
    assert study_linearity(LINE, most=0.8).good is True
    assert study_linearity(LINE, most=0.8, u_reference=0.3).good is False


def test_the_largest_bias_is_covered():
    # Flat truth of 0.5: the upper end of the largest bias must hold it, and the lower must not pass it, in 95 %.
    rng, held, n = np.random.default_rng(4), 0, 300
    x = np.repeat([1.0, 2, 3, 4, 5], 6)
    for _ in range(n):
        study = study_linearity(series(x + 0.5 + rng.normal(size=30), reference=x))
        held += study.largest.low <= 0.5 <= study.largest.high
    assert held / n >= 0.912  # 95 % less three standard errors


def with_own(rng: np.random.Generator, u: np.ndarray, n: int = 10, s: float = 0.002, slope: float = 0.0) -> Measured:
    """Return a study of k references that are each wrong by an error of their own."""
    x, at = np.linspace(2, 10, u.size), np.repeat(np.arange(u.size), n)
    values = (x * (1 + slope) + rng.normal(0, 1, u.size) * u)[at] + rng.normal(0, s, at.size)
    return series(values, reference=x[at], u_reference=u[at])


def line_of(data: Measured):
    """Return a study without its checks, which take most of its time."""
    study = _fitted(data, data.reference, data.values - data.reference, 0.0, None)
    return replace(study, largest=_largest(study))


def test_a_line_of_references_uncertain_each_on_its_own_is_that_of_generalised_least_squares():
    # statsmodels' GLS on all values: covariance s² on the diagonal, and u² among the values of a reference besides.
    data = with_own(np.random.default_rng(7), np.array([0.001, 0.004, 0.002, 0.003, 0.0005]))
    study, same = study_linearity(data), data.reference[:, None] == data.reference
    cov = study.s**2 * np.eye(50) + same * data.u_reference**2
    fit = sm.GLS(data.values - data.reference, sm.add_constant(data.reference), sigma=cov).fit(
        cov_type="fixed scale", cov_kwds={"scale": 1.0}
    )
    assert [study.intercept.value, study.slope.value] == pytest.approx(fit.params.tolist(), rel=1e-8)
    pooled = np.sqrt(np.mean([np.var(data.values[data.reference == x], ddof=1) for x in np.unique(data.reference)]))
    assert study.s == pytest.approx(pooled, rel=1e-9)
    for figure, u, p in zip((study.intercept, study.slope), fit.bse, (study.intercept_p, study.slope_p), strict=True):
        # With 45 degrees of freedom and more of u by the references, the factor lies between those of t and normal.
        assert 1.959 * u < figure.high - figure.value < 2.015 * u
        assert (p < 0.05) == (figure.low > 0 or figure.high < 0)


@pytest.mark.parametrize("u", [0.0, 0.0005, 0.002, 0.01])
def test_the_slope_is_covered_whatever_the_references_own_errors(u):
    # 5 references × 10 whose errors are N(0, u): 42 to 45 of 100 slopes were said to be there and were not.
    rng, n = np.random.default_rng(11), 600
    known = np.full(5, u) * np.array([1, 1, 2, 1, 0.5])
    held = {"slope": 0, "intercept": 0, "largest": 0, "band": 0}
    for _ in range(n):
        study = line_of(with_own(rng, known, slope=1e-3))
        held["slope"] += study.slope.low <= 1e-3 <= study.slope.high
        held["intercept"] += study.intercept.low <= 0 <= study.intercept.high
        held["largest"] += study.largest.low <= 0.01 <= study.largest.high
        x = np.array([2.0, 6.0, 10.0])
        held["band"] += bool(np.all(np.abs(study.line(x) - 1e-3 * x) <= study.band(x)))
    assert 0.93 <= held["slope"] / n <= 0.97
    assert 0.93 <= held["intercept"] / n <= 0.97
    assert held["largest"] / n >= 0.93
    assert held["band"] / n >= 0.93


def test_a_line_is_objected_to_no_more_often_than_stated_and_a_curve_is_found():
    rng, known = np.random.default_rng(12), np.full(5, 0.002)
    p = np.array([line_of(with_own(rng, known)).fit_p for _ in range(600)])
    assert abs(np.mean(p < 0.05) - 0.05) <= 3 * np.sqrt(0.05 * 0.95 / 600)
    data = with_own(rng, known)
    bent = replace(data, values=data.values + 0.02 * ((data.reference - 6) / 4) ** 2)
    assert any(c.name == "straight" and c.holds is False for c in study_linearity(bent).checks)


def test_values_without_scatter_leave_the_references_own_u():
    # All u is known then: slope ± 1.960 u by the weights 1/u², w of the band √χ²(0.95; 2) = √5.991.
    x, u = np.repeat([1.0, 2, 3], 3), np.repeat([0.1, 0.1, 0.1], 3)
    study = study_linearity(series(x + np.repeat([0.0, 0.1, 0.0], 3), reference=x, u_reference=u))
    assert study.slope.high - study.slope.value == pytest.approx(1.95996 * 0.1 / np.sqrt(2), rel=1e-5)
    # 0.1 off in the middle of three: 2/3 of it is left, and Q = 0.1²·(2/3)/0.1², of one degree of freedom.
    assert study.fit_p == pytest.approx(2 * stats.norm.sf(np.sqrt(2 / 3)), rel=1e-9)
    assert study.band(np.array([2.0])) == pytest.approx(np.sqrt(5.99146) * 0.1 / np.sqrt(3), rel=1e-5)


def test_intercept_p_goes_with_its_interval_where_references_share_an_error():
    for u in (0.0, 0.1, 0.3, 0.36, 0.4, 1.0):
        study = study_linearity(LINE, u_reference=u)
        assert (study.intercept_p < 0.05) == (study.intercept.low > 0)


def test_until_someone_says_whose_the_error_is_a_sentence_stands_there():
    said = " ".join(study_linearity(LINE, u_reference=0.01).sentences)
    assert "The u of the references is taken as common to all." in said
    told = replace(LINE, u_reference=np.full(60, 0.01))
    assert "taken as common" not in " ".join(study_linearity(told, u_reference=0.01).sentences)


@pytest.mark.parametrize(
    ("data", "told", "error", "said"),
    [
        (series([1, 2, 3]), {}, UnusableInput, "has no references"),
        (
            series(np.arange(10.0) % 4, reference=np.repeat(np.arange(5.0), 2), u_reference=np.arange(10.0)),
            {},
            UnusableInput,
            "the reference 0 has the u_reference 0 and 1; give one of each",
        ),
        (series(np.arange(10.0), reference=np.repeat([1.0, 2.0], 5)), {}, PoorGeometry, "has 2 references"),
        (series([1, 2, 3, 4.0], reference=np.arange(4.0)), {}, PoorGeometry, "has 4 values of 4 references"),
        (series(np.arange(10.0), reference=np.repeat(np.arange(5.0), 2)), {"most": 0.0}, UnusableInput, "allowed is 0"),
        (
            series(np.repeat(np.arange(5.0), 2) + 1, reference=np.repeat(np.arange(5.0), 2)),
            {},
            PoorGeometry,
            "by the same",
        ),
        (
            series(np.repeat(np.arange(5.0), 2) * 1.01, reference=np.repeat(np.arange(5.0), 2)),
            {},
            PoorGeometry,
            "a line",
        ),
        (series(np.zeros(10), reference=np.repeat(np.arange(5.0), 2)), {}, PoorGeometry, "all 10 values are the same"),
    ],
)
def test_what_is_no_linearity_study_is_refused(data, told, error, said):
    with pytest.raises(error) as raised:
        study_linearity(data, **told)
    assert said in str(raised.value)


# --- stability -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("weight", "width", "shift", "published"),
    [
        # Lucas & Saccucci, Technometrics 32 (1990), table of run lengths, from memory; the first three beside the
        # project's own choice of λ and L.
        (0.2, 2.86, 0.0, 371), (0.2, 2.86, 0.5, 36.2), (0.2, 2.86, 1.0, 9.8),
        (0.4, 3.054, 0.0, 500), (0.4, 3.054, 0.5, 71.2), (0.4, 3.054, 1.0, 14.3), (0.4, 3.054, 2.0, 3.5),
    ],
)  # fmt: skip
def test_run_lengths_are_the_published_ones(weight, width, shift, published):
    digits = 0 if published >= 100 else 1
    assert round(run_length(shift, weight, width), digits) == published


def test_a_weight_of_one_is_shewharts_chart():
    # Points are independent: one after 1/P on average, P that a point lies outside.
    for shift in (0.0, 1.0, 2.0):
        outside = stats.norm.sf(3 - shift) + stats.norm.cdf(-3 - shift)
        assert run_length(shift, 1.0, 3.0) == pytest.approx(1 / outside, rel=1e-6)


@pytest.mark.parametrize("shift", [0.0, 1.0])
def test_run_lengths_by_simulation(shift):
    rng, runs, n = np.random.default_rng(3), [], 1000
    h = 2.86 * np.sqrt(0.2 / 1.8)
    z, alive, k, lengths = np.zeros(n), np.ones(n, bool), 0, np.zeros(n)
    while alive.any():
        k += 1
        z = 0.2 * (shift + rng.normal(size=n)) + 0.8 * z
        out = alive & (np.abs(z) > h)
        lengths[out] = k
        alive &= ~out
    runs = lengths
    assert abs(runs.mean() - run_length(shift)) < 4 * runs.std() / np.sqrt(n)


def test_limits_are_exact_from_the_first_point():
    # σ_z² = σ²·λ/(2 − λ)·(1 − (1 − λ)^{2i}) (Lucas & Saccucci 1990).
    _, spreads = ewma(np.zeros(40), np.full(40, 2.0), 0.0)
    i = np.arange(1, 41)
    assert spreads == pytest.approx(2 * np.sqrt(0.2 / 1.8 * (1 - 0.8 ** (2 * i))), rel=1e-12)


def test_sigma_of_single_values_is_that_of_the_moving_range():
    x = np.random.default_rng(8).normal(0, 3, 20_000)
    assert sigma_of_singles(x) == pytest.approx(3.0, rel=0.02)
    assert sigma_of_singles(np.array([0.0, 1.128379167, 0.0])) == pytest.approx(1.0, rel=1e-8)  # d₂(2) = 2/√π


def test_a_step_is_found_and_named_and_a_quiet_series_is_not():
    rng = np.random.default_rng(12)
    quiet = rng.normal(4.5, 0.002, 40)
    assert study_stability(series(quiet)).good is None
    assert study_stability(series(quiet)).alarms == ()
    stepped = study_stability(series(np.r_[quiet, quiet[:20] + 0.003]), base=40)
    assert stepped.good is False
    assert 40 <= stepped.alarms[0].point <= 52
    assert stepped.alarms[0].where in stepped.sentences[0]


def test_a_quiet_series_of_known_scatter_alarms_as_rarely_as_stated():
    rng, lengths = np.random.default_rng(9), []
    for _ in range(300):
        z = rng.normal(size=400)
        averages, spreads = ewma(z, np.ones(400), 0.0)
        out = np.flatnonzero(np.abs(averages) > 2.86 * spreads)
        lengths.append(out[0] + 1 if out.size else 400)
    # No alarm in 400 has a probability near exp(−400/371) = 0.340; three standard errors of 300 draws are 0.082.
    assert abs(np.mean(np.array(lengths) == 400) - np.exp(-400 / run_length(0.0))) < 0.082


def test_drift_is_that_of_scipy_and_a_limit_needs_its_interval():
    x = 4.5 + 0.0001 * np.arange(30) + np.random.default_rng(5).normal(0, 0.0005, 30)
    study = study_stability(series(x), most=0.01)
    fit = stats.linregress(np.arange(30), x)
    assert study.drift.value == pytest.approx(29 * fit.slope, rel=1e-9)
    assert study.drift.high - study.drift.value == pytest.approx(29 * stats.t.ppf(0.975, 28) * fit.stderr, rel=1e-9)
    assert study.drift_p == pytest.approx(fit.pvalue, rel=1e-6)
    assert study.good is (not study.alarms)


def test_sets_take_their_scatter_from_within_and_say_where_that_is_too_little():
    rng = np.random.default_rng(6)
    visit = np.repeat(np.arange(25), 5)
    values = rng.normal(0, 0.01, 25)[visit] + rng.normal(0, 0.002, 125)
    study = study_stability(series(values, factors={"visit": tuple(f"v{k}" for k in visit)}))
    pooled = np.sqrt(np.mean([values[visit == k].var(ddof=1) for k in range(25)]))
    assert study.sigma == pytest.approx(np.full(25, pooled / np.sqrt(5)), rel=1e-10)
    (sets,) = [c for c in study.checks if c.name == "sets alike"]
    assert sets.holds is False
    assert sets.p == pytest.approx(anova_oneway(values, visit, use_var="equal").pvalue, rel=1e-6, abs=1e-300)
    assert "is not in σ" in sets.sentence


@pytest.mark.parametrize(
    ("data", "told", "error", "said"),
    [
        (series(np.arange(9.0)), {}, PoorGeometry, "has 9 values; give at least 10"),
        (series(np.full(20, 1.0)), {}, PoorGeometry, "do not scatter at all"),
        (series(np.arange(20.0), part=("a", "b") * 10), {}, UnusableInput, "2 parts are in it"),
        (series(np.arange(20.0)), {"base": 5}, UnusableInput, "the base is 5 points; give 10 to 20"),
        (series(np.arange(20.0)), {"weight": 0.0}, UnusableInput, "the weight of the newest point is 0"),
        (series(np.arange(20.0), factors={"a": tuple("abcdefghijklmnopqrst")}), {}, PoorGeometry, "every set has one"),
    ],
)
def test_what_is_no_stability_study_is_refused(data, told, error, said):
    with pytest.raises(error) as raised:
        study_stability(data, **told)
    assert said in str(raised.value)


def test_values_beyond_all_measure_are_refused_by_their_row():
    for value in (np.nan, np.inf, 1e300, 1e-200):
        with pytest.raises(UnusableInput, match=r"row 2: value is .*, which is beyond all measure"):
            series([1.0, value])


def test_a_reference_whose_values_are_all_the_same_is_not_taken_as_certain():
    x = np.repeat([1.0, 2.0, 3.0, 4.0], 3)
    bias = np.r_[np.zeros(3), np.random.default_rng(1).normal(0, 0.01, 9)]
    study = study_linearity(series(x + bias, reference=x))
    assert study.at[0].s == study.s
    assert study.at[0].bias.low < 0 < study.at[0].bias.high
