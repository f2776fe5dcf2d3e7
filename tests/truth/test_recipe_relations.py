"""Points and lines related to each other, against the `uncertainties` library (E. O. Lebigot): its automatic
differentiation is the witness of our derivatives, with every source shared between the inputs.
"""

import math

import numpy as np
import pytest
from uncertainties import UFloat, covariance_matrix, ufloat, umath

from tiepoint.foundation.montecarlo import propagate
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, Values
from tiepoint.recipe.features import Derived, LineFeature, PointFeature, wrapped
from tiepoint.recipe.relations import (
    between_lines,
    between_points,
    crossing,
    foot,
    from_points,
    in_datums,
    middle,
    point_to_line,
    turn_between,
)

M = 6
SOURCES = tuple(Source(f"s{k}", f"source {k}", "A", 0.01 * (1 + k), "tie") for k in range(M))
WITNESS = tuple(ufloat(0.0, s.u) for s in SOURCES)


def values(numbers: list[float], rng: np.random.Generator, size: float) -> tuple[Values, list[UFloat]]:
    """Return values over the shared sources, and the same for the witness."""
    c = rng.normal(size=(len(numbers), M)) * size
    spread = [sum(float(k) * s for k, s in zip(row, WITNESS, strict=True)) for row in c]
    witness = [n + d for n, d in zip(numbers, spread, strict=True)]
    return Values(np.array(numbers), c, SOURCES), witness


def point(x: float, y: float, rng: np.random.Generator) -> tuple[PointFeature, list[UFloat]]:
    ours, witness = values([x, y], rng, 1.0)
    return PointFeature(ours), witness


def line(
    x: float, y: float, deg: float, rng: np.random.Generator, spread: float = 0.01
) -> tuple[LineFeature, tuple[UFloat, ...]]:
    """Return a line, and for the witness a point on it and its angle."""
    ours, (offset, angle) = values([0.0, math.radians(deg)], rng, spread)
    normal = (-math.sin(math.radians(deg)), math.cos(math.radians(deg)))
    return LineFeature(np.array([x, y]), ours, -5.0, 8.0), (x + offset * normal[0], y + offset * normal[1], angle)


def size(w: UFloat) -> UFloat:
    return w if w.nominal_value > 0 else -w


def cross(m, n):
    (ax, ay, a), (bx, by, b) = m, n
    det = umath.sin(b - a)
    t = ((bx - ax) * umath.sin(b) - (by - ay) * umath.cos(b)) / det
    return ax + t * umath.cos(a), ay + t * umath.sin(a)


def along(p, m):
    ax, ay, a = m
    t = (p[0] - ax) * umath.cos(a) + (p[1] - ay) * umath.sin(a)
    return ax + t * umath.cos(a), ay + t * umath.sin(a)


def turned(p, origin, angle):
    dx, dy = p[0] - origin[0], p[1] - origin[1]
    c, s = umath.cos(angle), umath.sin(angle)
    return c * dx + s * dy, c * dy - s * dx


def check(ours: PointFeature | Reason, witness) -> None:
    assert isinstance(ours, PointFeature)
    assert ours.at == pytest.approx([w.nominal_value for w in witness], abs=1e-9)
    assert ours.xy.covariance == pytest.approx(np.array(covariance_matrix(witness)), rel=1e-9, abs=1e-15)


def check_formula(ours: Derived | Reason, witness: UFloat) -> None:
    assert isinstance(ours, Derived)
    out = propagate(ours.formula, ours.inputs, seed=1, name="t", at_least=ours.at_least)
    assert out.method == "linear"
    assert out.value.value == pytest.approx(witness.nominal_value, rel=1e-12)
    # The sensitivities are central differences at ±u: the formula's third derivative is what they miss.
    assert out.value.u == pytest.approx(witness.std_dev, rel=2e-4)


@pytest.fixture(params=range(5))
def rng(request) -> np.random.Generator:
    return np.random.default_rng(request.param)


def test_points_made_of_points_and_lines(rng):
    (p, wp), (q, wq) = point(3, 4, rng), point(30, -11, rng)
    (m, wm), (n, wn) = line(2, 1, 12, rng), line(20, 30, 95, rng)
    check(middle(p, q), [(wp[0] + wq[0]) / 2, (wp[1] + wq[1]) / 2])
    check(crossing(m, n), cross(wm, wn))
    check(foot(q, m), along(wq, wm))


def test_points_seen_from_datums(rng):
    (p, wp), (q, wq), (o, wo) = point(33, 44, rng), point(30, -11, rng), point(2, 5, rng)
    (m, wm), (n, wn) = line(2, 1, 12, rng), line(20, 30, 95, rng)
    check(in_datums(p, m, n), turned(wp, cross(wm, wn), wm[2]))
    check(in_datums(p, m, q), turned(wp, along(wq, wm), wm[2]))
    check(from_points(p, o, q), turned(wp, wo, umath.atan2(wq[1] - wo[1], wq[0] - wo[0])))


def test_distances(rng):
    (p, wp), (q, wq) = point(3, 4, rng), point(30, -11, rng)
    (m, wm), (n, wn) = line(2, 1, 12, rng), line(5, 31, 13, rng)
    check_formula(between_points(p, q), umath.hypot(wq[0] - wp[0], wq[1] - wp[1]))
    check_formula(point_to_line(q, m), size((wq[1] - wm[1]) * umath.cos(wm[2]) - (wq[0] - wm[0]) * umath.sin(wm[2])))
    half = math.radians(12.5)
    d, normal = (math.cos(half), math.sin(half)), (-math.sin(half), math.cos(half))
    spans = [sorted(e @ d for e in x.ends) for x in (m, n)]
    at = (max(s[0] for s in spans) + min(s[1] for s in spans)) / 2
    across = []
    for x, y, angle in (wm, wn):
        t = (at - (x * d[0] + y * d[1])) / umath.cos(angle - half)
        across.append(x * normal[0] + y * normal[1] + t * umath.sin(angle - half))
    check_formula(between_lines(m, n), size(across[1] - across[0]))


def test_a_line_that_runs_the_other_way_is_the_same_line(rng):
    state = rng.bit_generator.state
    (m, _), (n, _) = line(2, 1, 12, rng), line(5, 31, 13, rng)
    rng.bit_generator.state = state
    line(2, 1, 12, rng)
    c = n.values.c.copy()
    c[0] *= -1  # the left of the reversed line is the right of this one
    reversed_ = LineFeature(n.anchor, Values(n.values.value + np.array([0.0, math.pi]), c, n.values.sources), -8.0, 5.0)
    first, second = between_lines(m, n), between_lines(m, reversed_)
    assert isinstance(first, Derived)
    assert isinstance(second, Derived)
    outs = [propagate(d.formula, d.inputs, seed=1, name="t", at_least=0.0).value for d in (first, second)]
    assert outs[0].value == pytest.approx(outs[1].value, rel=1e-12)
    assert outs[0].u == pytest.approx(outs[1].u, rel=1e-12)


def test_the_angle_between_lines_shares_what_they_share(rng):
    (m, wm), (n, wn) = line(2, 1, 12, rng), line(20, 30, 95, rng)
    ours = turn_between(m, n, 0.0)
    assert ours.value == pytest.approx(math.radians(83))
    assert ours.u == pytest.approx((wn[2] - wm[2]).std_dev)
    assert turn_between(m, m, 0.0).u == 0.0


def test_an_angle_is_told_within_a_quarter_turn_of_what_is_asked():
    assert math.degrees(wrapped(math.radians(179.7), 0.0)) == pytest.approx(-0.3)
    assert math.degrees(wrapped(math.radians(-89.9), math.radians(90))) == pytest.approx(90.1)
    assert math.degrees(wrapped(math.radians(90), 0.0)) == pytest.approx(90)


def test_lines_that_do_not_certainly_cross_have_no_crossing():
    rng = np.random.default_rng(0)
    m, _ = line(0, 0, 10, rng, 0.3)
    n, _ = line(0, 5, 11, rng, 0.3)  # one degree apart, and each angle uncertain by some degrees
    assert crossing(m, n) == Reason("no_intersection")


def test_a_wedge_has_no_one_distance():
    rng = np.random.default_rng(0)
    (m, _), (n, _) = line(0, 0, 0, rng), line(0, 5, 10.5, rng)
    assert between_lines(m, n) == Reason("not_parallel", {"angle_deg": 10.5})
