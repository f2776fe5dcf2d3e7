"""Sums of sources of several distributions, against closed forms and numeric integrals of SciPy's distributions."""

import math

import pytest
from scipy import integrate, stats

from tiepoint.foundation.convolution import convolved
from tiepoint.foundation.montecarlo import propagate
from tiepoint.foundation.sources import Source, Value, half_width

NORMAL = Source("n", "n", "B", 1.0, "shot")
BOX = half_width("box", "a box", math.sqrt(3.0), "shot")


def below(law, u_normal: float, x: float) -> float:
    """Return P(law + normal < x) by integration over the law's own density."""
    low, high = law.ppf(1e-12), law.ppf(1 - 1e-12)
    places = [min(max(x + k * u_normal, low), high) for k in (-8, -4, 0, 4, 8)]
    return integrate.quad(
        lambda v: law.pdf(v) * stats.norm.cdf((x - v) / u_normal), low, high, points=places, limit=500, epsabs=1e-10
    )[0]


@pytest.mark.parametrize("share", [0.12, 0.3, 1.0, 5.0])
@pytest.mark.parametrize(
    ("distribution", "law"),
    [
        ("rectangular", stats.uniform(-1, 2)),
        ("triangular", stats.triang(0.5, -1, 2)),
        ("arcsine", stats.beta(0.5, 0.5, -1, 2)),
    ],
)
def test_a_shape_with_a_normal_part(distribution, law, share):
    source = half_width("shape", "a shape", 1.0, "shot", distribution)
    u_normal = share * source.u
    found = convolved(Value(3.0, {source: 1.0, NORMAL: u_normal}))
    assert found is not None
    for x in (-1.5, -0.4, 0.0, 0.9, 2.0):
        assert found.below(3.0 + x) == pytest.approx(below(law, u_normal, x), abs=2e-6)
    assert below(law, u_normal, found.half_width(0.95)) == pytest.approx(0.975, abs=2e-6)


@pytest.mark.parametrize("dof", [20.0, 60.0, 300.0, 1e6])
def test_an_ensemble_is_students_t(dof):
    members = [Source(f"fit#{k}", "fit", "A", 1.0, "pixel", "t", dof) for k in (0, 1)]
    found = convolved(Value(0.0, {members[0]: 3.0, members[1]: 4.0}))
    assert found is not None
    for x in (-2.5, -1.0, 0.5, 2.0, 3.0):
        assert found.below(5.0 * x) == pytest.approx(stats.t(dof).cdf(x), abs=5e-5)
    assert found.half_width(0.95) == pytest.approx(5.0 * stats.t(dof).ppf(0.975), rel=2e-4)


def test_too_few_degrees_of_freedom_and_too_little_that_is_normal_are_left_to_draws():
    few = Source("few", "few", "A", 1.0, "shot", "t", 5.0)
    assert convolved(Value(0.0, {few: 1.0, BOX: 1.0})) is None
    assert convolved(Value(0.0, {BOX: 1.0, NORMAL: 0.05})) is None
    assert convolved(Value(0.0, {})) is None


def test_a_straight_formula_of_a_box_is_told_without_draws_and_agrees_with_them():
    inputs = [Value(100.0, {BOX: 1.0, NORMAL: 0.3}), Value(0.0, {Source("m", "m", "B", 1.0, "shot"): 0.4})]
    told = propagate(lambda v: v[1] - v[0], inputs, seed=1, name="d", digits=3)
    drawn = propagate(lambda v: v[1] - v[0], inputs, seed=1, name="d", digits=3, method="monte-carlo")
    assert (told.method, drawn.method) == ("convolution", "monte-carlo")
    assert told.low == pytest.approx(drawn.low, abs=0.01)
    assert told.high == pytest.approx(drawn.high, abs=0.01)
    assert told.u == pytest.approx(math.hypot(1.0, 0.5))


def test_a_kink_within_reach_is_drawn():
    near = Value(2.2, {NORMAL: 1.0, BOX: 0.3})
    assert propagate(lambda v: abs(v[0]), [near], seed=1, name="d").method == "monte-carlo"
