"""Monte Carlo propagation against JCGM 101:2008 (clause 9) and closed forms.

The sampling band of each check follows from the number of draws: an end of a 95 % interval over n draws has the
standard deviation √(0.025·0.975/n)/f, f the density there (order statistics).
"""

import math

import numpy as np
import pytest
from scipy import stats

from tiepoint.foundation.montecarlo import Propagated, propagate, tolerance
from tiepoint.foundation.sources import Source, Value, ensemble, half_width, measured


def total(x: np.ndarray) -> np.ndarray:
    return np.asarray(x.sum(axis=0))


def normal(name: str, value: float, u: float) -> Value:
    return measured(value, Source(name, name, "B", u, "shot"))


def test_sum_of_four_normals() -> None:
    # Clause 9.2.2: u 2.0, interval ±3.92: the linear law is exact.
    result = propagate(total, [normal(f"x{k}", 0, 1) for k in range(4)], seed=1, name="sum")
    assert result.method == "linear"
    assert (result.low, result.high) == pytest.approx((-3.92, 3.92), abs=0.005)
    drawn = propagate(total, [normal(f"x{k}", 0, 1) for k in range(4)], seed=1, name="sum", method="monte-carlo")
    assert (drawn.low, drawn.high) == pytest.approx((-3.92, 3.92), abs=0.05)
    assert drawn.u == pytest.approx(2.0, abs=0.05)


def test_sum_of_four_rectangles() -> None:
    # Clause 9.2.3: interval ±3.88.
    inputs = [measured(0, half_width(f"x{k}", "x", math.sqrt(3), "shot")) for k in range(4)]
    result = propagate(total, inputs, seed=2, name="sum", method="monte-carlo", digits=3)
    assert (result.low, result.high) == pytest.approx((-3.88, 3.88), abs=0.01)
    # With two digits of u the linear law still stands (0.04 off, δ 0.05); with three it does not.
    assert propagate(total, inputs, seed=2, name="sum").method == "linear"
    assert propagate(total, inputs, seed=2, name="sum", digits=3).method == "monte-carlo"


def test_one_dominant_rectangle() -> None:
    # Clause 9.2.4: three of u 1 and one of u 10: the interval is ±17.0, where the normal law says ±19.9.
    inputs = [measured(0, half_width(f"x{k}", "x", w * math.sqrt(3), "shot")) for k, w in enumerate((1, 1, 1, 10))]
    result = propagate(total, inputs, seed=3, name="sum")
    assert result.method == "monte-carlo"
    assert (result.low, result.high) == pytest.approx((-17.0, 17.0), abs=0.1)


@pytest.mark.parametrize(
    ("distribution", "cdf"),
    [("triangular", stats.triang(0.5, -1, 2).cdf), ("arcsine", stats.arcsine(-1, 2).cdf)],
)
def test_draws_follow_their_distribution(distribution: str, cdf: object) -> None:
    source = half_width("x", "x", 1.0, "shot", distribution)  # type: ignore[arg-type]
    kept: list[np.ndarray] = []

    def keep(x: np.ndarray) -> np.ndarray:
        kept.append(x[0])
        return x[0]

    propagate(keep, [measured(0, source)], seed=4, name="x", method="monte-carlo")
    assert stats.kstest(kept[-1], cdf).pvalue > 1e-3


def comparison_loss(x1: float, r: float, **options: object) -> Propagated:
    """Clause 9.4: δY = X1² + X2², u 0.005 each, X2 estimated as 0."""
    u = 0.005
    sources, factor = ensemble("reflection", "reflection", u**2 * np.array([[1, r], [r, 1]]), "shot", math.inf, "B")
    inputs = [
        Value(estimate, {s: float(c) for s, c in zip(sources, row, strict=True)})
        for estimate, row in zip((x1, 0.0), factor, strict=True)
    ]
    return propagate(lambda x: x[0] ** 2 + x[1] ** 2, inputs, seed=5, name="loss", **options)  # type: ignore[arg-type]


def test_comparison_loss_without_sensitivity() -> None:
    # x1 = 0, r = 0: the linear law gives u = 0. Closed form: 25e-6·χ²₂, mean and u 50e-6, shortest 95 %
    # interval [0, 149.8e-6] (clause 9.4.2.2.7 prints 50, 50, [0, 150]).
    result = comparison_loss(0.0, 0.0, interval="shortest")
    assert result.method == "monte-carlo"
    assert result.mean == pytest.approx(50e-6, abs=1e-6)
    assert result.u == pytest.approx(50e-6, abs=1e-6)
    assert result.low == pytest.approx(0.0, abs=0.5e-6)
    assert result.high == pytest.approx(-50e-6 * math.log(0.05), abs=2e-6)
    # The mean square of what the linear law misses: E[(25e-6·χ²₂)²] = (25e-6)²·8.
    assert result.value.u == pytest.approx(25e-6 * math.sqrt(8), rel=0.03)


@pytest.mark.parametrize("x1", [0.010, 0.050])
def test_comparison_loss_against_the_noncentral_chi_square(x1: float) -> None:
    u = 0.005
    law = stats.ncx2(2, (x1 / u) ** 2, scale=u**2)
    result = comparison_loss(x1, 0.0)
    assert result.method == "monte-carlo"
    delta = tolerance(float(law.std()), 2)
    assert result.mean == pytest.approx(float(law.mean()), abs=delta)
    assert result.u == pytest.approx(float(law.std()), abs=delta)
    assert (result.low, result.high) == pytest.approx(law.ppf([0.025, 0.975]), abs=2 * delta)


def test_comparison_loss_with_correlation() -> None:
    # Clause 9.4.3, r = 0.9, x1 = 0: variance of the sum of squares is 4u⁴(1 + r²).
    result = comparison_loss(0.0, 0.9)
    assert result.u == pytest.approx(2 * 0.005**2 * math.sqrt(1 + 0.9**2), rel=0.03)
    assert result.mean == pytest.approx(50e-6, rel=0.03)


def test_far_from_zero_the_linear_law_is_enough() -> None:
    result = comparison_loss(5.0, 0.0)
    assert result.method == "linear"
    assert result.u == pytest.approx(2 * 5.0 * 0.005, rel=1e-6)


def test_limited_dof_gives_student_t() -> None:
    source = Source("mean", "mean of five", "A", 1.0, "shot", "t", 4)
    result = propagate(total, [measured(0, source)], seed=6, name="t", method="monte-carlo", digits=2)
    assert result.high == pytest.approx(stats.t(4).ppf(0.975), abs=0.06)
    assert result.low == pytest.approx(-stats.t(4).ppf(0.975), abs=0.06)


def test_an_ensemble_is_one_multivariate_t() -> None:
    # Members of one fit share one χ²: their sum is a scaled t of the same dof, with √2·u. Independent
    # t's would have a lighter tail. The closed form is the t-distribution's own.
    sources, factor = ensemble("fit", "fit", np.eye(2), "shot", 5.0)
    inputs = [Value(0.0, {s: float(c) for s, c in zip(sources, row, strict=True)}) for row in factor]
    result = propagate(total, inputs, seed=7, name="t", p=0.99, digits=2, method="monte-carlo")
    assert result.high == pytest.approx(math.sqrt(2) * stats.t(5).ppf(0.995), rel=0.02)


@pytest.mark.parametrize("true_offset", [0.0, 0.5, 1.0, 2.0, 3.0, 6.0])
def test_true_position_near_zero_is_covered(true_offset: float) -> None:
    # Position error r·u away from nothing: two-sided 95 % intervals of 2·√(dx² + dy²) must cover, also at 0.
    # 150 stations: P(fewer than 134 covered | 95 %) < 0.2 %; the bound is 89 %.
    rng = np.random.default_rng(round(10 * true_offset))
    covered = 0
    for k in range(150):
        dx, dy = rng.normal([true_offset, 0.0], 1.0)
        result = propagate(
            lambda x: 2 * np.hypot(x[0], x[1]),
            [normal("dx", dx, 1.0), normal("dy", dy, 1.0)],
            seed=k,
            name="position",
            at_least=0.0,
            max_draws=20_000,
        )
        covered += result.low <= 2 * true_offset <= result.high
        assert result.low >= 0.0
    assert covered >= 134


def test_a_formula_without_an_answer_gives_a_reason() -> None:
    result = propagate(lambda x: np.sqrt(x[0]), [normal("x", 1.0, 1.0)], seed=8, name="root")
    assert math.isnan(result.low)
    assert math.isnan(result.high)
    assert result.reason is not None
    assert result.reason.code == "linear_law_fails"
    # Rare failures widen the interval instead: 1 − 3.3u leaves 0.05 % of the draws without an answer.
    rare = propagate(lambda x: np.sqrt(x[0]), [normal("x", 1.0, 0.3)], seed=8, name="root", method="monte-carlo")
    assert rare.reason is None
    assert rare.low == pytest.approx(math.sqrt(1 - 1.96 * 0.3), abs=0.02)


def test_constants_have_no_interval() -> None:
    result = propagate(total, [Value(2.0, {}), Value(3.0, {})], seed=1, name="sum")
    assert (result.value.value, result.low, result.high, result.u) == (5.0, 5.0, 5.0, 0.0)


def test_the_same_seed_gives_the_same_draws() -> None:
    assert comparison_loss(0.01, 0.0) == comparison_loss(0.01, 0.0)


def test_tolerance_counts_the_rounded_digits() -> None:
    # Clause 7.9.2, example 1: u 0.00035 with two digits is 35e-5, δ = 0.5e-5; example 2: 2 kg, one digit → 0.5.
    assert tolerance(0.00035, 2) == pytest.approx(0.000005)
    assert tolerance(2.0, 1) == pytest.approx(0.5)
    assert tolerance(0.0996, 2) == pytest.approx(0.005)
