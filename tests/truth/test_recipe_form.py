"""Whether form is told from what noise and tie leave over: points drawn from their stated covariance, by χ²."""

import math

import numpy as np
import pytest
from scipy import stats

from tiepoint.foundation.sources import Source
from tiepoint.recipe.fits import flags_of, is_form
from tiepoint.recipe.look_kernels import ACROSS_X, ACROSS_Y, SEEN_COLUMNS, STRIP
from tiepoint.recipe.seek import EdgePoints
from tiepoint.vision.fits import fit_circle, fit_line

U, N = 0.001, 88
STRETCH = Source("tie:t:x", "Scale along x", "B", 4e-4, "tie")


def points(xy: np.ndarray, normal: np.ndarray) -> EdgePoints:
    n = len(xy)
    d_sources = np.zeros((n, 2, 1))
    d_sources[:, 0, 0] = xy[:, 0]
    seen = np.ones((n, SEEN_COLUMNS))
    seen[:, [ACROSS_X, ACROSS_Y]], seen[:, STRIP] = normal, range(n)
    return EdgePoints(xy, np.full(n, U), d_sources, seen, sources=(STRETCH,), sought=n, width_px=3.0)


def circle(rng: np.random.Generator, stretch: float = 0.0, lobes: float = 0.0) -> EdgePoints:
    """Return noisy points of a circle of 3 mm, seen through a tie that stretches x, with three lobes of form."""
    a = math.tau * np.arange(N) / N
    normal = np.column_stack([np.cos(a), np.sin(a)])
    r = 3.0 + lobes * np.cos(3 * a) + U * rng.standard_normal(N)
    return points(r[:, None] * normal * (1 + stretch, 1.0), normal)


def side(rng: np.random.Generator, bow: float = 0.0) -> EdgePoints:
    x = np.linspace(-10, 10, N)
    xy = np.column_stack([x, bow * (x / 10) ** 2 + U * rng.standard_normal(N)])
    return points(xy, np.tile([0.0, 1.0], (N, 1)))


def share(made, fit) -> float:
    told = []
    for seed in range(300):
        p = made(np.random.default_rng(seed))
        told.append("form_error" in flags_of(fit(p.xy, p.u), p))
    return float(np.mean(told))


@pytest.mark.parametrize(
    ("made", "fit"),
    [
        (circle, fit_circle),
        (lambda rng: circle(rng, stretch=STRETCH.u * rng.standard_normal()), fit_circle),
        (side, fit_line),
    ],
    ids=["noise alone", "noise and tie", "a straight side"],
)
def test_what_noise_and_tie_explain_is_not_form(made, fit):
    # One in a hundred by chance; 300 trials with p = 0.01 have at most 9 in 99.9 % of cases (binomial).
    assert share(made, fit) <= 9 / 300


def test_what_neither_explains_is_form():
    assert share(lambda rng: circle(rng, lobes=0.0015), fit_circle) > 0.95
    assert share(lambda rng: side(rng, bow=0.004), fit_line) > 0.95


def test_the_test_is_that_of_the_whole_covariance():
    # rᵀV⁺r over what the shape leaves, with V written out, as the witness of Woodbury's short cut.
    rng = np.random.default_rng(4)
    p = circle(rng, stretch=1e-3)
    fit = fit_circle(p.xy, p.u)
    J = np.column_stack([fit.normals, np.ones(N)])
    P = np.eye(N) - J @ fit.sensitivity
    R = P @ (np.einsum("ni,nim->nm", fit.normals, p.d_sources) * STRETCH.u)
    chi2 = fit.residuals @ np.linalg.solve(U**2 * np.eye(N) + R @ R.T, fit.residuals)
    assert is_form(fit, p) == (stats.chi2.sf(chi2, N - 3) <= 0.01)
