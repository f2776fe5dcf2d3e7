"""The worked examples of the GUM (JCGM 100:2008, annex H).

Table data quoted from memory; the results they lead to, to all printed digits, vouch for them.
"""

import math

import numpy as np
import pytest

from tiepoint.foundation.montecarlo import propagate
from tiepoint.foundation.sources import (
    Source,
    Value,
    Values,
    combine,
    coverage_factor,
    ensemble,
    half_width,
    measured,
)

# --- H.1: end gauge. Lengths in nm, temperatures in °C, expansion in 1/°C.
L_S = 50_000_623.0
ALPHA = 11.5e-6


def end_gauge_inputs() -> list[Value]:
    standard = measured(L_S, Source("standard", "calibration of the standard", "B", 25.0, "instrument", dof=18))
    difference = (
        measured(215.0, Source("mean", "mean of five", "A", 5.8, "shot", dof=24))
        .with_source(Source("comparator", "comparator, random", "B", 3.9, "instrument", dof=5))
        .with_source(Source("comparator-scale", "comparator, systematic", "B", 6.7, "instrument", dof=8))
    )
    d_alpha = measured(0.0, Source("d_alpha", "difference of expansion", "B", 1e-6 / math.sqrt(3), "part", dof=50))
    d_theta = measured(0.0, Source("d_theta", "difference of temperature", "B", 0.05 / math.sqrt(3), "part", dof=2))
    alpha = measured(ALPHA, half_width("alpha", "expansion of the standard", 2e-6, "part"))
    theta = measured(-0.1, Source("bed", "mean temperature", "A", 0.2, "load")).with_source(
        half_width("cycle", "cycle of the room", 0.5, "load", "arcsine")
    )
    return [standard, difference, d_alpha, d_theta, alpha, theta]


def end_gauge(x: np.ndarray) -> np.ndarray:
    standard, difference, d_alpha, d_theta, alpha, theta = x
    # Measured from the standard's length: 50 mm in nm leaves no digits for differences of differences.
    return difference - standard * (d_alpha * theta + alpha * d_theta)


def test_h1_end_gauge_first_order() -> None:
    inputs = end_gauge_inputs()
    standard, difference, d_alpha, d_theta, _, theta = inputs
    length = combine(
        L_S + 215.0,
        [(standard, 1.0), (difference, 1.0), (d_alpha, -L_S * theta.value), (d_theta, -L_S * ALPHA)],
    )
    # Table H.1 and H.1.6: contributions 25, 9.7, 2.9, 16.6 nm; u 32 nm; ν_eff 16; U(99 %) 93 nm.
    assert difference.u == pytest.approx(9.7, abs=0.05)
    assert L_S * d_alpha.u * 0.1 == pytest.approx(2.9, abs=0.05)
    assert L_S * ALPHA * d_theta.u == pytest.approx(16.6, abs=0.05)
    assert length.value == 50_000_838.0
    assert length.u == pytest.approx(32, abs=0.5)
    assert math.floor(length.dof) == 16
    assert coverage_factor(0.995, math.floor(length.dof)) * round(length.u) == pytest.approx(93, abs=0.5)


def test_h1_second_order_terms_are_found() -> None:
    # H.1.7: the second-order terms are 11.7 nm (δα·θ) and 1.7 nm (α·δθ), and u becomes 34 nm.
    # Gaussian inputs without limited dof, for which they are exact.
    def plain(value: Value) -> Value:
        return Value(value.value, {Source(s.id, s.label, s.type, s.u, s.scope): c for s, c in value.terms.items()})

    inputs = [plain(v) for v in end_gauge_inputs()]
    assert inputs[5].u == pytest.approx(0.41, abs=0.005)
    result = propagate(end_gauge, inputs, seed=1, name="gauge", digits=3)
    assert result.method == "monte-carlo"
    beyond = next(s for s in result.value.terms if s.id == "gauge/beyond-linear")
    assert beyond.u == pytest.approx(math.hypot(11.7, 1.7), abs=0.1)
    standard_apart = inputs[0].u
    assert math.hypot(result.value.u, standard_apart) == pytest.approx(34, abs=0.5)


# --- H.2: resistance and reactance from simultaneous readings.
VOLT = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
MILLIAMPERE = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
RADIAN = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def test_h2_impedance_carries_its_correlations() -> None:
    readings = np.stack([VOLT, MILLIAMPERE / 1000, RADIAN])
    sources, factor = ensemble("bridge", "five sets of readings", np.cov(readings) / 5, "shot", 4)
    mean = Values(readings.mean(axis=1), factor, sources)
    v, i, phi = mean.value
    # R = V/I·cos φ, X = V/I·sin φ, Z = V/I.
    z = v / i
    jacobian = np.array([
        [math.cos(phi) / i, -z * math.cos(phi) / i, -z * math.sin(phi)],
        [math.sin(phi) / i, -z * math.sin(phi) / i, z * math.cos(phi)],
        [1 / i, -z / i, 0.0],
    ])  # fmt: skip
    out = Values(np.array([z * math.cos(phi), z * math.sin(phi), z]), jacobian @ mean.c, sources)
    u = np.sqrt(np.diag(out.covariance))
    r = out.covariance / np.outer(u, u)
    # Table H.4.
    assert out.value == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    assert u[[0, 2]] == pytest.approx([0.071, 0.236], abs=5e-4)
    # The table prints 0.295 for X; unrounded data give 0.29558 to first order, and by the guide's own
    # approach 2, the spread of five values of X, 0.29549.
    direct = VOLT / MILLIAMPERE * 1000 * np.sin(RADIAN)
    assert u[1] == pytest.approx(0.295, abs=1e-3)
    assert u[1] == pytest.approx(direct.std(ddof=1) / math.sqrt(5), rel=1e-3)
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.588, -0.485, 0.993), abs=5e-4)
    # The numeric sensitivities of `propagate` lead to the same u without a Jacobian written by hand.
    resistance = propagate(lambda x: x[0] / x[1] * np.cos(x[2]), list(mean), seed=2, name="R", digits=1)
    assert resistance.value.u == pytest.approx(0.071, abs=5e-4)


# --- H.3: calibration line of a thermometer, about 20 °C.
READING = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
CORRECTION = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])


def test_h3_a_line_predicts_with_the_correlation_of_its_parameters() -> None:
    design = np.column_stack([np.ones(11), READING - 20.0])
    line, (rss,), *_ = np.linalg.lstsq(design, CORRECTION)
    covariance = rss / 9 * np.linalg.inv(design.T @ design)
    sources, factor = ensemble("line", "calibration line", covariance, "instrument", 9)
    y = Values(line, factor, sources)
    u1, u2 = np.sqrt(np.diag(y.covariance))
    assert y.value == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert (u1, u2) == pytest.approx((0.0029, 0.00067), abs=5e-5)
    assert y.covariance[0, 1] / (u1 * u2) == pytest.approx(-0.930, abs=5e-4)
    at_30 = y[0].plus(y[1], 10.0)
    assert at_30.value == pytest.approx(-0.1494, abs=5e-5)
    assert at_30.u == pytest.approx(0.0041, abs=5e-5)
    assert at_30.dof == 9
