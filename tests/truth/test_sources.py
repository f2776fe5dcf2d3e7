"""The linear law of propagation, with the `uncertainties` package as witness."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import correlated_values, ufloat, umath

from tiepoint.foundation.montecarlo import propagate
from tiepoint.foundation.sources import Source, Value, combine, covariance, ensemble, measured

number = st.floats(0.5, 50)
small = st.floats(1e-4, 1e-2)


def source(name: str, u: float) -> Source:
    return Source(name, name, "B", u, "shot")


@given(number, small, number, small)
def test_shared_sources_correlate_as_the_witness_says(a: float, ua: float, b: float, ub: float) -> None:
    x, y = measured(a, source("x", ua)), measured(b, source("y", ub))
    product = combine(a * b, [(x, b), (y, a)])
    ratio = combine(a / b, [(x, 1 / b), (y, -a / b**2)])
    both = product.plus(ratio, -2.0)
    wx, wy = ufloat(a, ua), ufloat(b, ub)
    witness = wx * wy - 2 * wx / wy
    assert both.value == pytest.approx(witness.nominal_value, rel=1e-12, abs=1e-12)
    assert both.u == pytest.approx(witness.std_dev, rel=1e-9)
    # What is subtracted from itself leaves nothing.
    assert x.plus(x, -1.0).u == 0.0


@given(number, number, st.floats(-0.95, 0.95))
def test_ensembles_carry_a_covariance(a: float, b: float, r: float) -> None:
    C = np.array([[1e-4, r * 2e-4], [r * 2e-4, 4e-4]])
    sources, factor = ensemble("fit", "fit", C, "tie", math.inf)
    x, y = (
        Value(v, {s: float(c) for s, c in zip(sources, row, strict=True)})
        for v, row in zip((a, b), factor, strict=True)
    )
    wx, wy = correlated_values([a, b], C)
    assert covariance([x, y]) == pytest.approx(C, abs=1e-15)
    length = combine(math.hypot(a, b), [(x, a / math.hypot(a, b)), (y, b / math.hypot(a, b))])
    assert length.u == pytest.approx(umath.sqrt(wx**2 + wy**2).std_dev, rel=1e-9)


@given(number, small, number, small, st.integers(0, 10))
def test_numeric_sensitivities_agree_with_the_witness(a: float, ua: float, b: float, ub: float, seed: int) -> None:
    result = propagate(
        lambda x: np.log(x[0]) * np.sqrt(x[1]) / x[0],
        [measured(a, source("x", ua * a)), measured(b, source("y", ub * b))],
        seed=seed,
        name="y",
        digits=1,
    )
    wx, wy = ufloat(a, ua * a), ufloat(b, ub * b)
    witness = umath.log(wx) * umath.sqrt(wy) / wx
    linear = math.sqrt(sum((c * s.u) ** 2 for s, c in result.value.terms.items() if "/" not in s.id))
    assert result.value.value == pytest.approx(witness.nominal_value, rel=1e-12, abs=1e-15)
    # Central differences at ±u are off by a third-order term, (u/x)² of the first-order one and of its parts.
    assert linear == pytest.approx(witness.std_dev, rel=1e-3, abs=1e-3 * ua)
