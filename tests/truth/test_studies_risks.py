"""Global risks against adaptive quadrature, the bivariate normal law, closed forms and figures computed before.

JCGM 106:2012, 9.3 gives the integrals; the figures named `KNOWN` were computed from them in double precision by others.
"""

import itertools
import math

import numpy as np
import pytest
from scipy import integrate, interpolate, stats

from tiepoint.foundation.errors import UnusableInput
from tiepoint.studies.risks import Normal, Sample, Zones, risks, station_risks, zones_by_guard

# (half tolerance, spread of parts, u, guard band) → (bad and accepted, good and not accepted)
KNOWN = [
    (1.0, 1 / 3, 0.075, 0.0, 0.00054, 0.00127),
    (1.0, 1 / 3, 0.075, 1.645 * 0.075, 0.00003, 0.00763),
    (1.0, 0.51021, 0.125, 0.0, 0.00858, 0.01554),
    (1.0, 0.51021, 0.125, 0.25, 0.00021, 0.10357),
]


@pytest.mark.parametrize(("T", "s0", "u", "guard", "consumer", "producer"), KNOWN)
def test_known_risks_to_their_digits(
    T: float, s0: float, u: float, guard: float, consumer: float, producer: float
) -> None:
    found = risks(Normal(0.0, s0), zones_by_guard(-T, T, guard), u)
    assert round(found.consumer, 5) == consumer
    assert round(found.producer, 5) == producer


def test_the_common_part_of_u_parts_stations() -> None:
    own = math.sqrt(0.125**2 - 0.11**2)
    found = station_risks(Normal(0.0, 0.51021), zones_by_guard(-1.0, 1.0, 0.0), own, 0.11)
    assert round(found.no_error.consumer, 4) == 0.0047
    assert round(found.worst.consumer, 4) == 0.0160
    assert round(found.average.consumer, 5) == 0.00858


def _by_quadrature(parts: Normal, zones: Zones, u: float, b: float) -> tuple[float, float]:
    """Return both risks by QUADPACK (SciPy `quad`), over the true value alone."""

    def accepted(y: float) -> float:
        return float(
            stats.norm.cdf((zones.accept_upper - b - y) / u) - stats.norm.cdf((zones.accept_lower - b - y) / u)
        )

    def density(y: float) -> float:
        return float(stats.norm.pdf(y, parts.mean, parts.sd))

    def over(f: object, low: float, high: float) -> float:
        low, high = max(low, parts.mean - 12 * parts.sd), min(high, parts.mean + 12 * parts.sd)
        edges = [low, *sorted(e - b for e in (zones.accept_lower, zones.accept_upper) if low < e - b < high), high]
        return sum(
            integrate.quad(f, a, c, epsabs=1e-13, epsrel=1e-12, limit=400)[0]
            for a, c in itertools.pairwise(edges)
            if c > a
        )

    consumer = sum(
        over(lambda y: density(y) * accepted(y), *ends)
        for ends in ((-math.inf, zones.lower), (zones.upper, math.inf))
        if math.isfinite(ends[0]) or math.isfinite(ends[1])
    )
    return consumer, over(lambda y: density(y) * (1 - accepted(y)), zones.lower, zones.upper)


@pytest.mark.parametrize("seed", range(12))
def test_risks_agree_with_adaptive_quadrature(seed: int) -> None:
    rng = np.random.default_rng(seed)
    parts = Normal(float(rng.normal(0, 0.3)), float(10 ** rng.uniform(-1.2, 0.2)))
    lower, upper = (-1.0, 1.0) if seed % 3 else (-math.inf, 1.0)
    u, b = float(10 ** rng.uniform(-2.5, 0.2)), float(rng.normal(0, 0.1))
    zones = zones_by_guard(lower, upper, float(rng.uniform(-0.3, 0.6)))
    found = risks(parts, zones, u, b)
    consumer, producer = _by_quadrature(parts, zones, u, b)
    assert found.consumer == pytest.approx(consumer, abs=1e-9)
    assert found.producer == pytest.approx(producer, abs=1e-9)


def test_risks_agree_with_the_bivariate_normal_law() -> None:
    # JCGM 106, 9.3.3: Y and its measured value are bivariate normal; one limit makes it a quadrant (Genz's method).
    s0, u, A = 0.4, 0.15, 0.85
    covariance = [[s0**2, s0**2], [s0**2, s0**2 + u**2]]
    below = stats.multivariate_normal.cdf([1.0, A], [0, 0], covariance, abseps=1e-12, releps=1e-12)
    found = risks(Normal(0.0, s0), zones_by_guard(-math.inf, 1.0, 1.0 - A), u)
    accepted = stats.norm.cdf(A / math.hypot(s0, u))
    assert found.consumer == pytest.approx(accepted - below, abs=1e-8)
    assert found.producer == pytest.approx(stats.norm.cdf(1.0 / s0) - below, abs=1e-8)


def test_the_average_station_is_the_mean_over_stations() -> None:
    # Gauss-Hermite over the common error (from memory: it is exact for polynomials up to degree 2n − 1).
    nodes, weights = np.polynomial.hermite_e.hermegauss(80)
    parts, zones = Normal(0.1, 0.5), zones_by_guard(-1.0, 1.0, 0.1)
    mean = sum(
        w * risks(parts, zones, 0.06, 0.11 * x).consumer for x, w in zip(nodes, weights, strict=True)
    ) / math.sqrt(2 * math.pi)
    assert station_risks(parts, zones, 0.06, 0.11).average.consumer == pytest.approx(mean, abs=1e-9)


@pytest.mark.parametrize(("lower", "z"), [(-1.0, stats.norm.ppf(0.975)), (-math.inf, stats.norm.ppf(0.95))])
def test_the_worst_station_stands_at_its_quantile(lower: float, z: float) -> None:
    # Two limits and a centred process: the risk grows with |common error|; one limit: with its sign.
    parts, zones = Normal(0.0, 0.51), zones_by_guard(lower, 1.0, 0.05)
    found = station_risks(parts, zones, 0.06, 0.11)
    assert found.worst.consumer == pytest.approx(risks(parts, zones, 0.06, -z * 0.11).consumer, rel=1e-6)
    assert found.worst.producer == pytest.approx(risks(parts, zones, 0.06, z * 0.11).producer, rel=1e-6)


def test_the_worst_station_of_an_uneven_process_by_draws() -> None:
    parts, zones, rng = Normal(0.4, 0.3), zones_by_guard(-1.0, 1.0, 0.1), np.random.default_rng(5)
    draws = [risks(parts, zones, 0.05, 0.2 * b).producer for b in rng.standard_normal(4000)]
    found = station_risks(parts, zones, 0.05, 0.2).worst.producer
    assert np.mean(np.array(draws) <= found) == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 4000))


@pytest.mark.parametrize("seed", range(40))
def test_the_worst_station_is_no_worse_than_95_of_100_whatever_the_process(seed: int) -> None:
    # Tolerances from hopeless to idle, processes off centre and far out, one limit or two, common error up to ten u.
    rng = np.random.default_rng(seed)
    parts = Normal(float(rng.normal(0, 0.6)), float(10 ** rng.uniform(-2, 0.5)))
    own, common = float(10 ** rng.uniform(-3, 0)), float(10 ** rng.uniform(-3, 0.3))
    zones = zones_by_guard(-math.inf if seed % 4 == 0 else -1.0, 1.0, float(rng.uniform(-0.4, 0.9)))
    found = station_risks(parts, zones, own, common).worst
    stations = stats.norm.ppf((np.arange(400) + 0.5) / 400)
    each = [risks(parts, zones, own, common * b) for b in stations]
    for name in ("consumer", "producer"):
        values, worst = np.array([getattr(r, name) for r in each]), getattr(found, name)
        slack = 2e-3 * np.ptp(values) + 1e-12
        assert np.mean(values <= worst + slack) >= 0.945
        assert np.mean(values >= worst - slack) >= 0.045


def test_without_uncertainty_only_the_common_error_misjudges() -> None:
    parts = Normal(0.0, 0.5)
    found = risks(parts, zones_by_guard(-math.inf, 1.0, 0.0), 0.0, -0.2)
    between = stats.norm.cdf(1.2, 0, 0.5) - stats.norm.cdf(1.0, 0, 0.5)
    assert found.consumer == pytest.approx(between, abs=1e-12)
    assert found.producer == pytest.approx(0.0, abs=1e-12)


def test_shares_of_all_parts_add_up() -> None:
    parts, zones = Normal(0.0, 0.5), Zones(-1.0, 1.0, -0.9, 0.9, -1.1, 1.1)
    found = risks(parts, zones, 0.07)
    measured = stats.norm(0, math.hypot(0.5, 0.07))
    assert found.bad == pytest.approx(2 * stats.norm.sf(2.0), abs=1e-12)
    assert found.undecided == pytest.approx(2 * (measured.cdf(1.1) - measured.cdf(0.9)), abs=1e-10)
    assert found.good_rejected < found.producer


def test_undecided_parts_are_whose_risk_it_was_agreed() -> None:
    # By quadrature of the bivariate normal law with SciPy's adaptive integrator, not by our panels.
    s0, u = 0.5, 0.07
    found = risks(Normal(0.0, s0), Zones(-1.0, 1.0, -0.9, 0.9, -1.1, 1.1), u)

    def share(low: float, high: float, inside: float) -> float:
        def at(y: float) -> float:
            return float(stats.norm.pdf(y, 0, s0)) * float(
                stats.norm.cdf((inside - y) / u) - stats.norm.cdf((-inside - y) / u)
            )

        return float(integrate.quad(at, low, high, epsabs=1e-12, limit=400)[0])

    passed_on = 2 * share(1.0, 4.0, 1.1)
    kept_back = 1 - 2 * stats.norm.sf(1.0, 0, s0) - share(-1.0, 1.0, 1.1)
    assert found.carried("accepted") == pytest.approx((passed_on, kept_back), abs=1e-9)
    assert found.carried("sorted") == (found.consumer, found.good_rejected)
    assert found.carried("not-accepted") == (found.consumer, found.producer)
    between = (found.producer - found.good_rejected) + (found.bad_not_rejected - found.consumer)
    assert found.undecided == pytest.approx(between, abs=1e-12)


def test_a_sample_of_parts_is_a_plain_mean() -> None:
    values = np.array([0.0, 0.95, 1.02, -1.2])
    found = risks(Sample(values), zones_by_guard(-1.0, 1.0, 0.0), 0.05)
    accepted = stats.norm.cdf((1 - values) / 0.05) - stats.norm.cdf((-1 - values) / 0.05)
    assert found.consumer == pytest.approx(accepted[2:].sum() / 4, abs=1e-14)
    assert found.producer == pytest.approx((1 - accepted[:2]).sum() / 4, abs=1e-14)
    assert found.bad == 0.5


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Normal(0.0, 0.0), "spread above 0"),
        (lambda: Sample(np.array([])), "one value for each part"),
        (lambda: zones_by_guard(1.0, -1.0, 0.0), "lower one below the upper"),
        (lambda: zones_by_guard(-math.inf, math.inf, 0.0), "give at least one"),
        (lambda: risks(Normal(0, 1), zones_by_guard(-1.0, 1.0, 0.0), -0.1), "0 or more"),
        (lambda: station_risks(Normal(0, 1), zones_by_guard(-1.0, 1.0, 0.0), 0.1, math.nan), "in common"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(make: object, said: str) -> None:
    with pytest.raises(UnusableInput, match=said):
        make()  # type: ignore[operator]  # each is a lambda


@pytest.mark.parametrize(
    ("sd", "common", "guard"), [(0.03, 0.01, 0.0221), (0.025, 0.02, 0.0192), (0.03, 0.01, 0.0), (0.04, 0.004, -0.01)]
)
def test_a_mean_that_the_station_read_itself_hides_its_common_error(sd, common, guard):
    """By adaptive quadrature: readings lie at the mean, the parts at that less the common error (JCGM 106, 9.3)."""
    lower, upper, u, mean = -0.1, 0.1, 0.006, 0.004
    zones = zones_by_guard(lower, upper, guard)
    law, own = stats.norm(mean, sd), stats.norm(0.0, u)

    def accepted(y):  # a part that is seen at y but for its own error
        return own.cdf(zones.accept_upper - y) - own.cdf(zones.accept_lower - y)

    def consumer(e):
        edges = [zones.accept_lower, zones.accept_upper]
        sides = [(mean - 9 * sd, lower + e), (upper + e, mean + 9 * sd)]
        return sum(
            integrate.quad(lambda y: law.pdf(y) * accepted(y), *side, points=edges, epsabs=1e-13, limit=300)[0]
            for side in sides
        )

    found = station_risks(Normal(mean, sd, read=True), zones, u, common)
    assert found.no_error.consumer == pytest.approx(consumer(0.0), abs=1e-9)
    errors = np.linspace(-7, 7, 141)
    at = np.array([consumer(common * e) for e in errors])
    average = integrate.simpson(stats.norm.pdf(errors) * at, x=errors)
    assert found.average.consumer == pytest.approx(average, rel=1e-8)
    between = interpolate.CubicSpline(errors, at)
    worst = np.quantile(between(stats.norm.ppf((np.arange(100_000) + 0.5) / 100_000)), 0.95)
    assert found.worst.consumer == pytest.approx(worst, rel=1e-3)
    stated = station_risks(Normal(mean, sd), zones, u, common)
    assert found.worst.consumer > stated.worst.consumer


def test_a_sample_that_the_station_read_itself_lies_off_by_its_common_error():
    values = np.array([-0.99, 0.0, 0.99])
    zones = zones_by_guard(-1.0, 1.0, 0.0)
    # Without own error each part is accepted as it was read; it is bad where the common error moved it in.
    found = station_risks(Sample(values, read=True), zones, 0.0, 0.02)
    assert found.average.consumer == pytest.approx(2 / 3 * stats.norm.sf(0.5), rel=1e-12)
    assert found.average.producer == 0.0
