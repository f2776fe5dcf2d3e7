"""The linear law of propagation, with the `uncertainties` package as witness."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import correlated_values, ufloat, umath

from tiepoint.foundation.errors import MixedSources
from tiepoint.foundation.law import root_of
from tiepoint.foundation.montecarlo import propagate
from tiepoint.foundation.sources import (
    Source,
    Sources,
    Value,
    Values,
    combine,
    covariance,
    ensemble,
    measured,
    members,
    together,
)

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


def lists_of_one_shot() -> tuple[Sources, Sources, Sources]:
    """Return what a tie, a part and an edge would bring: their ensembles have 12, 8 and 5 degrees of freedom."""
    fit, _ = ensemble("fit", "fit", np.diag([4.0, 9.0, 1.0]), "tie", 12.0)
    tie = together(fit, [source("height", 0.3), source("scale", 0.2)])
    return tie, members("part", "part", 2, "shot", 8.0), members("edge", "edge", 3, "pixel", 5.0)


def by_terms(value: Value) -> Value:
    return Value(value.value, dict(value.terms))


def test_values_over_blocks_agree_with_values_by_terms() -> None:
    tie, part, edge = lists_of_one_shot()
    rng = np.random.default_rng(4)
    first = Values(rng.normal(size=2), rng.normal(size=(2, 7)), together(tie, part))
    second = Values(rng.normal(size=2), rng.normal(size=(2, 8)), together(edge, tie))
    both = first.beside(second)
    assert tuple(both.sources) == (*tie, *part, *edge)
    alone = [by_terms(v) for v in both]
    # The blocks of `alone` overlap, so each source is looked up; its covariance is Σ c·c·u² over those shared.
    C = [[sum(c * b.terms.get(s, 0.0) * s.u**2 for s, c in a.terms.items()) for b in alone] for a in alone]
    assert both.covariance == pytest.approx(np.array(C), rel=1e-12)
    assert covariance(alone) == pytest.approx(np.array(C), rel=1e-12)
    assert covariance(list(both)) == pytest.approx(np.array(C), rel=1e-12)
    partials = [(v, float(k)) for v, k in zip(both, rng.normal(size=4), strict=True)]
    told, apart = combine(1.0, partials), combine(1.0, [(by_terms(v), k) for v, k in partials])
    assert told.u == pytest.approx(apart.u, rel=1e-12)
    assert told.dof == pytest.approx(apart.dof, rel=1e-12)


def test_effective_dof_takes_an_ensemble_as_one_wherever_its_members_stand() -> None:
    fit = members("fit", "fit", 2, "tie", 10.0)
    scale = source("scale", 1.0)
    # Welch-Satterthwaite by hand (JCGM 100, G.2b): u² = 1 + 4 + 1, of which the ensemble has 5.
    expected = 6.0**2 / (5.0**2 / 10.0)
    terms = {fit[0]: 1.0, scale: 1.0, fit[1]: 2.0}
    assert Value(0.0, terms).dof == pytest.approx(expected)
    assert Value(0.0, {fit[0]: 1.0, scale: 1.0}).plus(Value(0.0, {fit[1]: 2.0})).dof == pytest.approx(expected)
    assert Value(0.0, {scale: 3.0}).dof == math.inf
    assert Value(0.0, {fit[0]: 0.0}).dof == math.inf


def test_a_source_that_is_known_already_adds_and_one_stated_otherwise_is_refused() -> None:
    tie, part, _ = lists_of_one_shot()
    known = tie[3]
    values = Values(np.zeros(2), np.ones((2, 7)), together(tie, part))
    added = values.with_source(known, np.array([2.0, -1.0]))
    assert [v.terms.get(known, 0.0) for v in added] == [3.0, 0.0]
    more = values.with_source(source("new", 0.5), np.array([2.0, 0.0]))
    assert more.covariance[0, 0] == pytest.approx(values.covariance[0, 0] + 1.0)
    with pytest.raises(MixedSources, match="'height' is stated twice"):
        values.with_source(source("height", 99.0), np.zeros(2))
    with pytest.raises(MixedSources, match="'height' stands twice"):
        together(tie, [known])


@given(st.integers(1, 4), st.integers(0, 9), st.integers(0, 10_000))
def test_the_root_of_a_covariance_is_that_of_lapack(k: int, m: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    spread = rng.normal(size=(k, m)) * np.exp(3 * rng.normal(size=(k, 1))) * (rng.random(m) > 0.2)
    acting = spread[:, spread.any(axis=0)]
    root = root_of(spread)
    scale = np.abs(spread).max(initial=0.0)
    witness = acting if acting.shape[1] <= k else np.linalg.qr(acting.T, mode="r").T
    assert root == pytest.approx(witness, abs=1e-12 * scale)
    assert root @ root.T == pytest.approx(spread @ spread.T, abs=1e-12 * scale**2)
