"""Lines, circles, arcs and ellipses against closed forms, scikit-image, SciPy, and their own stated uncertainty."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.vision.ellipse import direct_ellipse, fit_ellipse
from tiepoint.vision.fits import fit_arc, fit_circle, fit_line, taubin
from tiepoint.vision.shape_kernels import NEVER_RARE, span_of

U = 0.02


def ring(rng, count=200, span=math.tau, centre=(3.0, 4.0), radius=50.0, u=U):
    """Points (count, 2) round a circle with radial noise u."""
    angles = np.linspace(0, span, count, endpoint=span < math.tau - 1e-9)
    r = radius + rng.normal(0, u, count)
    return np.array(centre) + r[:, None] * np.column_stack([np.cos(angles), np.sin(angles)])


def row(rng, count=50, angle=0.29, u=U):
    """Points (count, 2) on a line through (1, 2) with noise u across it."""
    along = np.linspace(0, 10, count)[:, None]
    normal = np.array([-math.sin(angle), math.cos(angle)])
    return np.array([1.0, 2.0]) + along * [math.cos(angle), math.sin(angle)] + rng.normal(0, u, (count, 1)) * normal


# Published and closed forms


def test_the_circle_of_a_short_arc_does_not_shrink():
    rng = np.random.default_rng(0)
    arcs = [ring(rng, 60, math.radians(40), radius=100, u=0.6) for _ in range(400)]
    found = [
        np.mean([taubin(points)[2] for points in arcs]) - 100,
        np.mean([fit_circle(points, np.full(60, 0.6), robust=False).radius for points in arcs]) - 100,
    ]
    # Chernov 2010, ch. 6 (from memory): the plain algebraic fit loses some 8 % here. The means have u 0.2.
    assert np.abs(found).max() < 0.8


def test_spread_of_centre_and_radius_follow_the_closed_form():
    # Closed form of N even points all round (JᵀJ is diagonal): sd(centre) = s·√(2/N), sd(radius) = s/√N.
    rng = np.random.default_rng(1)
    fit = fit_circle(ring(rng, 400), np.full(400, U))
    s = fit.sigma
    np.testing.assert_allclose(
        np.sqrt(np.diag(fit.covariance)), [s * math.sqrt(2 / 400)] * 2 + [s / math.sqrt(400)], rtol=0.01
    )
    found = np.array([[*f.centre, f.radius] for f in (fit_circle(ring(rng, 100), np.full(100, U)) for _ in range(800))])
    np.testing.assert_allclose(found.std(axis=0), [U * math.sqrt(2 / 100)] * 2 + [U / 10], rtol=0.08)


def test_a_circle_through_three_points_is_exact():
    # Closed form: all three are √(6² + 2.5²) = 6.5 from (412, −35).
    fit = fit_circle(np.array([(418, -37.5), (414.5, -29), (406, -32.5)]))
    np.testing.assert_allclose(fit.centre, [412, -35], atol=1e-9)
    assert fit.radius == pytest.approx(6.5, abs=1e-9)
    # No redundancy and no stated noise: nothing can be said of its uncertainty.
    assert fit.dof == 0
    assert np.isnan(fit.covariance).all()


def test_stated_noise_stands_in_where_there_is_no_redundancy():
    fit = fit_circle(np.array([(10.0, 0.0), (-5, 8.66), (-5, -8.66)]), np.full(3, 0.1))
    assert math.isinf(fit.dof)
    assert math.sqrt(fit.covariance[2, 2]) == pytest.approx(0.1 / math.sqrt(3), rel=1e-3)


# Other programs


def test_circle_and_ellipse_agree_with_another_library():
    measure = pytest.importorskip("skimage.measure")
    rng = np.random.default_rng(2)
    points = ring(rng)
    circle = measure.CircleModel.from_estimate(points)
    fit = fit_circle(points, np.full(200, U))
    # scikit-image's circle is algebraic: on a full turn the two differ by u²/R.
    np.testing.assert_allclose(fit.centre, circle.center, atol=1e-3)
    assert fit.radius == pytest.approx(circle.radius, abs=1e-3)
    squeezed = (points - [3, 4]) * [1.0, 0.6]
    ellipse = measure.EllipseModel.from_estimate(squeezed)
    found = fit_ellipse(squeezed)
    np.testing.assert_allclose(found.centre, ellipse.center, atol=0.01)
    np.testing.assert_allclose(sorted([found.major, found.minor]), sorted(ellipse.axis_lengths), atol=0.01)


def test_circle_agrees_with_a_general_least_squares_solver():
    rng = np.random.default_rng(3)
    points, u = ring(rng, 60, 2.0), rng.uniform(0.01, 0.05, 60)
    fit = fit_circle(points, u, robust=False)

    def whitened(p):
        return (np.hypot(*(points - p[:2]).T) - p[2]) / u

    slow = optimize.least_squares(whitened, [0, 0, 40], x_scale=10, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    np.testing.assert_allclose([*fit.centre, fit.radius], slow.x, atol=1e-6)
    scale = 2 * slow.cost / 57
    np.testing.assert_allclose(fit.covariance, scale * np.linalg.inv(slow.jac.T @ slow.jac), rtol=1e-4)


def test_line_agrees_with_a_regression():
    rng = np.random.default_rng(4)
    x = np.linspace(-5, 5, 40)
    y = 0.001 * x + rng.normal(0, 0.01, 40)
    fit, told = fit_line(np.column_stack([x, y]), robust=False), stats.linregress(x, y)
    # At a slope of a thousandth, distances across and upwards are the same.
    assert math.tan(fit.angle_rad) == pytest.approx(told.slope, abs=1e-7)
    assert math.sqrt(fit.covariance[1, 1]) == pytest.approx(told.stderr, rel=1e-4)
    assert math.sqrt(fit.covariance[0, 0]) == pytest.approx(told.intercept_stderr, rel=1e-4)


def test_ellipse_start_agrees_with_another_library():
    rng = np.random.default_rng(5)
    measure = pytest.importorskip("skimage.measure")
    points = (ring(rng, 80) - [3, 4]) * [1.0, 0.5]
    other = measure.EllipseModel.from_estimate(points)
    found = direct_ellipse(points)
    np.testing.assert_allclose(found[:2], other.center, atol=1e-6)
    np.testing.assert_allclose(sorted(found[2:4]), sorted(other.axis_lengths), atol=1e-6)


# Sensitivities


@pytest.mark.parametrize("kind", ["line", "circle", "arc", "ellipse"])
def test_sensitivity_is_what_a_moved_point_does(kind):
    rng = np.random.default_rng(6)
    points = {
        "line": row(rng),
        "circle": ring(rng, 40),
        "arc": ring(rng, 40, 1.8),
        "ellipse": (ring(rng, 40) - [3, 4]) @ np.array([[1, 0.3], [0, 0.6]]),
    }[kind]
    fit_of = {"line": fit_line, "circle": fit_circle, "arc": fit_circle, "ellipse": fit_ellipse}[kind]

    def parameters(fit):
        if kind == "line":
            # Offset of the moved line at the first one's anchor.
            offset = (fit.anchor - first.anchor) @ first.normal
            offset -= ((fit.anchor - first.anchor) @ first.direction) * math.tan(fit.angle_rad - first.angle_rad)
            return np.array([offset, fit.angle_rad])
        last = [fit.radius] if kind in ("circle", "arc") else [fit.major, fit.minor, fit.angle_rad]
        return np.array([*fit.centre, *last])

    u = rng.uniform(0.01, 0.04, len(points))
    first = fit_of(points, u, robust=False)
    for k in (0, 7, 23):
        moved = points.copy()
        moved[k] += 1e-4 * first.normals[k]
        back = points.copy()
        back[k] -= 1e-4 * first.normals[k]
        slope = (parameters(fit_of(moved, u, robust=False)) - parameters(fit_of(back, u, robust=False))) / 2e-4
        # To first order in the residuals, which are a few thousandths of the size.
        np.testing.assert_allclose(first.sensitivity[:, k], slope, atol=0.004 * np.abs(slope).max() + 1e-5)


def test_a_common_displacement_moves_the_radius_alone_and_a_common_shift_the_centre():
    fit = fit_circle(ring(np.random.default_rng(7)))
    np.testing.assert_allclose(fit.sensitivity @ np.ones(200), [0, 0, 1], atol=1e-9)
    np.testing.assert_allclose(fit.sensitivity @ fit.normals, [[1, 0], [0, 1], [0, 0]], atol=1e-9)


# Stated uncertainty


def test_intervals_of_circle_and_arc_cover():
    rng = np.random.default_rng(8)
    for span, count in ((math.tau, 100), (math.radians(60), 60), (math.tau, 8)):
        hits = []
        for _ in range(700):
            fit = fit_arc(ring(rng, count, span), np.full(count, U), robust=False)
            u = np.sqrt(np.diag(fit.covariance))
            half = stats.t.ppf(0.975, fit.dof) * u
            hits.append(np.abs(np.array([*fit.centre, fit.radius]) - [3, 4, 50]) < half)
        # 2,100 intervals: the rate itself is uncertain by about 1 % (neighbours correlate on arcs).
        assert np.mean(hits) == pytest.approx(0.95, abs=0.02)


def test_intervals_of_lines_and_ellipses_cover():
    rng = np.random.default_rng(9)
    lines, ellipses = [], []
    for _ in range(500):
        fit = fit_line(row(rng, 20), robust=False)
        half = stats.t.ppf(0.975, fit.dof) * np.sqrt(np.diag(fit.covariance))
        along = float((np.array([1.0, 2.0]) - fit.anchor) @ fit.direction)
        off = float((np.array([1.0, 2.0]) - fit.anchor) @ fit.normal)
        at = math.sqrt(fit.covariance[0, 0] + along**2 * fit.covariance[1, 1])
        lines.append((abs(fit.angle_rad - 0.29) < half[1], abs(off) < stats.t.ppf(0.975, fit.dof) * at))
        t = rng.uniform(0, math.tau, 60)
        normal = np.column_stack([30 * np.cos(t), 50 * np.sin(t)])
        normal /= np.hypot(*normal.T)[:, None]
        points = np.column_stack([50 * np.cos(t), 30 * np.sin(t)]) + rng.normal(0, 0.05, (60, 1)) * normal
        found = fit_ellipse(points, np.full(60, 0.05), robust=False)
        error = np.abs([*found.centre, found.major - 50, found.minor - 30, found.angle_rad])
        ellipses.append(error < stats.t.ppf(0.975, found.dof) * np.sqrt(np.diag(found.covariance)))
    assert np.mean(lines) == pytest.approx(0.95, abs=0.02)
    assert np.mean(ellipses) == pytest.approx(0.95, abs=0.02)


def test_form_is_told_apart_from_noise():
    rng = np.random.default_rng(10)
    angles = np.linspace(0, math.tau, 300, endpoint=False)
    out = np.column_stack([np.cos(angles), np.sin(angles)])
    lobed = out * (50 + 0.1 * np.cos(3 * angles) + rng.normal(0, U, 300))[:, None]
    fit = fit_circle(lobed, np.full(300, U))
    assert fit.form == pytest.approx(0.1 / math.sqrt(2), rel=0.08)
    assert fit.noise == pytest.approx(U)
    assert fit.sigma == pytest.approx(math.hypot(0.1 / math.sqrt(2), U), rel=0.06)
    assert "form_error" in fit.flags
    assert fit_circle(ring(rng, 300), np.full(300, U)).form == 0.0


# Outliers


def test_forty_percent_of_the_points_on_another_circle():
    rng = np.random.default_rng(13)
    points = ring(rng, 400)
    points[:160] = np.array([30.0, 4]) + (points[:160] - [3, 4]) * 0.8
    for u in (np.full(400, U), None):
        fit = fit_circle(points, u)
        assert abs(fit.radius - 50) < 5 * math.sqrt(fit.covariance[2, 2])
        assert fit.inlier_share == pytest.approx(0.6, abs=0.02)
        assert "outliers" in fit.flags
        # All but those near the crossing of the two circles.
        assert np.count_nonzero(fit.sensitivity[2, :160]) < 8


def test_a_step_in_a_line_is_left_out():
    rng = np.random.default_rng(14)
    points = row(rng)
    points[:18, 1] += 1.5
    for u in (np.full(50, U), None):
        fit = fit_line(points, u)
        assert abs(fit.angle_rad - 0.29) < 4 * math.sqrt(fit.covariance[1, 1])
        assert fit.inlier_share == pytest.approx(0.64, abs=0.03)


def test_a_robust_fit_of_clean_points_loses_almost_nothing():
    rng = np.random.default_rng(15)
    pairs = [
        (fit_circle(p, np.full(60, U)).radius - 50, fit_circle(p, np.full(60, U), robust=False).radius - 50)
        for p in (ring(rng, 60) for _ in range(400))
    ]
    robust, plain = np.std(pairs, axis=0)
    assert robust < 1.03 * plain


def test_outliers_in_an_ellipse_are_left_out():
    rng = np.random.default_rng(16)
    points = (ring(rng, 120, u=0.01) - [3, 4]) * [1.0, 0.6]
    points[:30] *= 1.2
    found = fit_ellipse(points, np.full(120, 0.01))
    assert found.major == pytest.approx(50, abs=0.05)
    assert found.minor == pytest.approx(30, abs=0.05)
    assert found.inlier_share == pytest.approx(0.75, abs=0.03)


# Short arcs


def test_a_short_arc_says_so():
    rng = np.random.default_rng(17)
    assert "arc_short" in fit_circle(ring(rng, 60, 1.2)).flags
    assert "arc_short" not in fit_circle(ring(rng, 60, 2.0)).flags


def test_curvature_is_unbiased_and_the_radius_is_corrected_for_it():
    rng = np.random.default_rng(18)
    fits = [fit_circle(ring(rng, 40, math.radians(30), u=0.3), np.full(40, 0.3), robust=False) for _ in range(4000)]
    curvatures, radii = np.array([1 / f.radius for f in fits]), np.array([f.radius for f in fits])
    of_mean = 1 / math.sqrt(len(fits))
    assert abs(curvatures.mean() - 1 / 50) < 3 * curvatures.std() * of_mean
    assert radii.mean() - 50 > 3 * radii.std() * of_mean
    biases = np.array([f.radius_bias for f in fits])
    # u²/R, the second order of R = 1/curvature.
    assert abs(radii.mean() - biases.mean() - 50) < 3 * radii.std() * of_mean
    one = fit_arc(ring(np.random.default_rng(18), 40, math.radians(30), u=0.3), np.full(40, 0.3), robust=False)
    assert one.radius == pytest.approx(radii[0] - biases[0])


def test_an_arc_too_short_for_the_linear_law_says_so_or_is_refused():
    rng = np.random.default_rng(19)
    told = 0
    for _ in range(40):
        try:
            fit = fit_arc(ring(rng, 20, math.radians(8), u=0.04), np.full(20, 0.04), robust=False)
        except PoorGeometry:
            told += 1
        else:
            told += "linear_law_doubtful" in fit.flags
            sure = "linear_law_doubtful" not in fit.flags
            assert not sure or abs(fit.radius - 50) < 4 * math.sqrt(fit.covariance[2, 2])
    assert told > 10


def test_span_of_directions():
    assert span_of(np.radians([350, 10, 30])) == pytest.approx(math.radians(40))
    assert span_of(np.radians(np.arange(0, 360, 10))) == pytest.approx(math.radians(350))


# What cannot be fitted


@pytest.mark.parametrize(
    ("fit_of", "points"),
    [
        (fit_circle, np.column_stack([np.arange(10.0), 2 * np.arange(10.0)])),
        (fit_circle, np.ones((5, 2))),
        (fit_circle, np.zeros((2, 2))),
        (fit_line, np.ones((5, 2))),
        (fit_line, np.zeros((1, 2))),
        (fit_ellipse, np.column_stack([np.arange(10.0), np.arange(10.0)])),
        (fit_ellipse, np.random.default_rng(0).normal(size=(4, 2))),
    ],
)
def test_points_that_determine_nothing_are_refused(fit_of, points):
    with pytest.raises(PoorGeometry, match="do not determine"):
        fit_of(points)


@pytest.mark.parametrize(
    ("points", "u", "said"),
    [
        (np.zeros((5, 3)), None, "shape"),
        (np.full((5, 2), np.nan), None, "not finite"),
        (np.eye(2)[[0, 1, 0, 1]], np.zeros(4), "above zero"),
    ],
)
def test_unusable_points_are_told(points, u, said):
    with pytest.raises(UnusableInput, match=said):
        fit_line(points, u)


def test_a_line_runs_from_the_first_point_to_the_last():
    points = row(np.random.default_rng(20))
    one, other = fit_line(points), fit_line(points[::-1])
    np.testing.assert_allclose(other.direction, -one.direction)
    np.testing.assert_allclose(other.normal, -one.normal)
    np.testing.assert_allclose(other.ends[::-1], one.ends)
    np.testing.assert_allclose(other.covariance, one.covariance, atol=1e-18)


def test_a_fit_that_passes_as_plain_has_no_form_that_is_rare():
    # Against SciPy's quantiles: what the kernel lets pass by Wilson & Hilferty's root is more frequent than 1 %.
    dof = np.arange(1, 2000)
    low = 2.0 / (9.0 * dof)
    passes = dof * (1.0 - low + NEVER_RARE * np.sqrt(low)) ** 3
    assert (passes < stats.chi2.isf(0.01, dof)).all()
    assert (passes > stats.chi2.isf(0.0105, dof)).all()
