"""Sizes by operator and edge definition against closed forms, simulation and general libraries."""

import math

import cv2
import numpy as np
import pytest
from scipy import optimize, spatial

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.sources import Source, combine, measured
from tiepoint.vision.definition import EdgeDefinition, shift_coefficients
from tiepoint.vision.fits import fit_circle
from tiepoint.vision.operators import (
    circle_size,
    enclosing_circle,
    inscribed_circle,
    local_diameters,
    local_widths,
    width_size,
)

U = 0.05


def outline(rng, count=200, form=0.0, lobes=3, u=U, radius=50.0):
    """Points (count, 2) round a circle about (3, 4) with lobes and radial noise."""
    angles = np.linspace(0, math.tau, count, endpoint=False)
    r = radius + form * np.cos(lobes * angles) + rng.normal(0, u, count)
    return np.array([3.0, 4.0]) + r[:, None] * np.column_stack([np.cos(angles), np.sin(angles)])


def edges(rng, count=60, width=10.0, angle=0.3, taper=0.0, u=0.02):
    """Two opposite edges (count, 2), the second run through backwards, with noise u across them."""
    x = np.linspace(0, 30, count)
    d, n = np.array([math.cos(angle), math.sin(angle)]), np.array([-math.sin(angle), math.cos(angle)])
    first = np.outer(x, d) + rng.normal(0, u, (count, 1)) * n
    second = np.outer(x, d) + (width + taper * (x - 15) + rng.normal(0, u, count))[:, None] * n
    return first, second[::-1]


# Circles that touch


def test_enclosing_circle_agrees_with_opencv_and_inscribed_circle_with_the_voronoi_diagram():
    rng = np.random.default_rng(0)
    for form in (0.0, 0.3, 2.0):
        points = outline(rng, form=form)
        centre, radius, weights = enclosing_circle(points, np.array([3.0, 4.0]))
        at, r = cv2.minEnclosingCircle(points.astype(np.float32))
        # OpenCV works in single precision and adds 1e-4 of its own.
        assert radius == pytest.approx(r, abs=3e-4)
        np.testing.assert_allclose(centre, at, atol=1e-3)
        assert weights.sum() == pytest.approx(1)
        # Exact: nothing outside, and the carriers on it.
        away = np.hypot(*(points - centre).T)
        assert away.max() <= radius + 1e-9
        np.testing.assert_allclose(away[weights > 1e-9], radius, atol=1e-9)

        centre, radius, _ = inscribed_circle(points, np.array([3.0, 4.0]))
        corners = spatial.Voronoi(points).vertices
        corners = corners[np.hypot(*(corners - [3, 4]).T) < 20]
        clearances = np.min(spatial.distance.cdist(corners, points), axis=1)
        assert radius == pytest.approx(clearances.max(), abs=1e-9)
        np.testing.assert_allclose(centre, corners[np.argmax(clearances)], atol=1e-7)


def test_touching_circles_of_simple_figures():
    square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
    centre, radius, _ = enclosing_circle(square, np.array([0.4, 0.55]))
    np.testing.assert_allclose(centre, [0.5, 0.5], atol=1e-7)
    assert radius == pytest.approx(math.sqrt(0.5))
    # Carried by two points, a diameter: each has half the say.
    flat = np.array([[-1.0, 0], [1, 0], [0, 0.5], [0, -0.5]])
    centre, radius, weights = enclosing_circle(flat, np.array([0.0, 0.1]))
    assert radius == pytest.approx(1.0, abs=1e-9)
    np.testing.assert_allclose(weights, [0.5, 0.5, 0, 0], atol=1e-6)


def test_less_than_half_a_turn_holds_no_circle():
    points = outline(np.random.default_rng(1))[:90]
    for touching in (enclosing_circle, inscribed_circle):
        with pytest.raises(PoorGeometry, match="half a turn"):
            touching(points, np.array([3.0, 4.0]))


# Diameters by operator


@pytest.mark.parametrize("operator", ["least-squares", "two-point", "max-inscribed", "min-circumscribed"])
def test_diameters_of_a_perfect_circle_agree(operator):
    points = outline(np.random.default_rng(2), u=0.0)
    size = circle_size(points, fit_circle(points), operator)
    assert size.value == pytest.approx(100, abs=1e-9)
    # The whole outline moved out by one: the diameter grows by two.
    assert size.sensitivity.sum() == pytest.approx(2)


def test_diameters_of_a_lobed_outline_follow_closed_forms():
    # Three lobes of 0.5: every two-point diameter stays 100 (a curve of constant width, to first order), the others
    # are 2·(50 ± 0.5). Two lobes: the two-point diameters run from 99 to 101.
    three = outline(np.random.default_rng(3), 360, 0.5, 3, 0.0)
    fit = fit_circle(three)
    assert circle_size(three, fit, "max-inscribed").value == pytest.approx(99, abs=1e-6)
    assert circle_size(three, fit, "min-circumscribed").value == pytest.approx(101, abs=1e-6)
    local = local_diameters(three, fit)
    assert local.least.value == pytest.approx(100, abs=0.01)
    assert local.greatest.value == pytest.approx(100, abs=0.01)
    two = outline(np.random.default_rng(3), 360, 0.5, 2, 0.0)
    local = local_diameters(two, fit_circle(two))
    assert local.least.value == pytest.approx(99, abs=0.01)
    assert local.greatest.value == pytest.approx(101, abs=0.01)
    assert local.mean.value == pytest.approx(100, abs=0.01)
    assert local.sizes.min() == local.least.value


@pytest.mark.parametrize("form", [0.0, 0.1])
@pytest.mark.parametrize("operator", ["least-squares", "two-point", "max-inscribed", "min-circumscribed"])
def test_noise_of_a_diameter_is_stated_with_its_bias(operator, form):
    rng = np.random.default_rng(4)
    perfect = outline(rng, form=form, u=0.0)
    true = circle_size(perfect, fit_circle(perfect), operator).value
    sizes = []
    for _ in range(200):
        points = outline(rng, form=form)
        sizes.append(circle_size(points, fit_circle(points, np.full(200, U)), operator, u=np.full(200, U), draws=100))
    found, bias = np.array([s.value for s in sizes]), np.array([s.bias for s in sizes])
    corrected = np.array([s.corrected for s in sizes])
    assert corrected.mean() == pytest.approx(true, abs=0.03 if "-" in operator else 0.002)
    # Least squares and the mean of local sizes have none; of the extremal ones it is several times the scatter.
    assert np.abs(bias).max() == 0 if operator in ("least-squares", "two-point") else abs(bias.mean()) > 0.12
    assert np.mean([s.u_noise for s in sizes]) == pytest.approx(found.std(), rel=0.2)
    # A 95 % interval with noise and correction holds.
    u = np.hypot([s.u_noise for s in sizes], [s.u_bias for s in sizes])
    assert np.mean(np.abs(corrected - true) < 1.96 * u) > 0.92


def test_local_extremes_are_corrected_for_noise():
    rng = np.random.default_rng(5)
    errors = []
    for _ in range(100):
        points = outline(rng, form=0.3, lobes=2)
        local = local_diameters(points, fit_circle(points, np.full(200, U)), u=np.full(200, U))
        errors.append([local.least.value - 99.4, local.least.corrected - 99.4, local.greatest.corrected - 100.6])
    plain, least, greatest = np.mean(errors, axis=0)
    assert plain < -0.05
    assert abs(least) < 0.02
    assert abs(greatest) < 0.02


@pytest.mark.parametrize("operator", ["least-squares", "two-point", "max-inscribed", "min-circumscribed"])
def test_sensitivity_of_a_diameter_is_what_a_moved_point_does(operator):
    points = outline(np.random.default_rng(6), 40, 0.5)
    fit = fit_circle(points, robust=False)
    size = circle_size(points, fit, operator)
    for k in {int(np.argmax(np.abs(size.sensitivity))), 3, 21}:
        moved = points.copy()
        moved[k] += 1e-5 * fit.normals[k]
        slope = (circle_size(moved, fit_circle(moved, robust=False), operator).value - size.value) / 1e-5
        assert size.sensitivity[k] == pytest.approx(slope, abs=0.01)


def test_points_left_out_carry_nothing():
    points = outline(np.random.default_rng(7))
    points[20] += [4.0, 3.0]
    fit = fit_circle(points, np.full(200, U))
    for operator in ("max-inscribed", "min-circumscribed", "two-point"):
        size = circle_size(points, fit, operator)
        assert size.sensitivity[20] == 0
        assert 20 not in size.carriers
        assert abs(size.value - 100) < 0.5


def test_a_quarter_has_no_two_point_diameter():
    points = outline(np.random.default_rng(8))[:50]
    with pytest.raises(PoorGeometry, match="opposite"):
        local_diameters(points, fit_circle(points))


# Widths by operator


@pytest.mark.parametrize("operator", ["least-squares", "two-point", "max-inscribed", "min-circumscribed"])
def test_width_of_perfect_edges(operator):
    first, second = edges(np.random.default_rng(9), u=0.0)
    for a, b in ((first, second), (second, first)):
        size = width_size(a, b, operator)
        assert size.value == pytest.approx(10, abs=1e-9)
        assert size.sensitivity.sum() == pytest.approx(2)
        # Outwards is away from the middle between them.
        middle = (first.mean(axis=0) + second.mean(axis=0)) / 2
        assert (np.einsum("ni,ni->n", size.normals, np.vstack([a, b]) - middle) > 0).all()


def test_a_tapered_slot_is_what_each_operator_says():
    first, second = edges(np.random.default_rng(10), taper=0.02, u=0.0)
    assert width_size(first, second, "least-squares").value == pytest.approx(10, abs=0.002)
    local = local_widths(first, second)
    assert local.least.value == pytest.approx(9.7, abs=0.01)
    assert local.greatest.value == pytest.approx(10.3, abs=0.01)
    # The widest plate that goes in lies against one edge and one end of the other; the linear programme is SciPy's.
    n = np.array([-math.sin(0.3), math.cos(0.3)])
    across, along = (np.vstack([first, second]) @ v for v in (n, [math.cos(0.3), math.sin(0.3)]))
    upper = np.repeat([False, True], 60)

    def narrowest_gap(slope):
        y = across - slope * along
        return (y[upper].min() - y[~upper].max()) * math.cos(math.atan(slope))

    best = optimize.minimize_scalar(lambda s: -narrowest_gap(s), bounds=(-0.05, 0.05), options={"xatol": 1e-12})
    assert width_size(first, second, "max-inscribed").value == pytest.approx(-best.fun, abs=1e-6)


@pytest.mark.parametrize("operator", ["least-squares", "two-point", "max-inscribed", "min-circumscribed"])
def test_noise_of_a_width_is_stated_with_its_bias(operator):
    rng = np.random.default_rng(11)
    u = np.full(120, 0.02)
    sizes = [width_size(*edges(rng), operator, u=u, draws=100) for _ in range(200)]
    found, corrected = np.array([s.value for s in sizes]), np.array([s.corrected for s in sizes])
    assert corrected.mean() == pytest.approx(
        10, abs=0.012 if "-" in operator and operator != "least-squares" else 0.001
    )
    assert np.mean([s.u_noise for s in sizes]) == pytest.approx(found.std(), rel=0.2)


@pytest.mark.parametrize("operator", ["least-squares", "two-point", "max-inscribed", "min-circumscribed"])
def test_sensitivity_of_a_width_is_what_a_moved_point_does(operator):
    first, second = edges(np.random.default_rng(12), 20)
    size = width_size(first, second, operator)
    for k in {int(np.argmax(size.sensitivity)), 3, 31}:
        moved = np.vstack([first, second])
        moved[k] += 1e-6 * size.normals[k]
        slope = (width_size(moved[:20], moved[20:], operator).value - size.value) / 1e-6
        assert size.sensitivity[k] == pytest.approx(slope, abs=2e-3)


# Edge definition


def test_a_shift_towards_the_light_counts_twice_between_opposite_edges_and_not_at_all_between_equal_ones():
    rng = np.random.default_rng(13)
    first, second = edges(rng)
    size = width_size(first, second, "least-squares")
    # A dark bar on bright ground: outwards is towards the light on both sides.
    assert shift_coefficients(size.sensitivity[None], np.ones(120))[0] == pytest.approx(2, abs=1e-6)
    # A step from one edge to the next of the same polarity: outwards is towards the light on one side only.
    light = np.repeat([-1.0, 1.0], 60)
    assert shift_coefficients(size.sensitivity[None], light)[0] == pytest.approx(0, abs=1e-6)


def test_an_edge_definition_is_one_source_for_all_edges():
    definition = EdgeDefinition(0.01, cause="bevel", bias=0.03)
    source = definition.source("part")
    fit = fit_circle(outline(np.random.default_rng(14)))
    # A dark hole: the outline moves out with the shift towards the light.
    radius, x = shift_coefficients(fit.sensitivity, np.ones(200))[[2, 0]]
    assert radius == pytest.approx(1)
    assert x == pytest.approx(0, abs=1e-9)
    hole = measured(2 * fit.radius, source).times(2 * radius)
    boss = measured(2 * fit.radius, definition.source("part")).times(-2 * radius)
    assert combine(0.0, ((hole, 1.0), (boss, 1.0))).u == pytest.approx(0, abs=1e-12)
    moved = definition.corrected(np.zeros((2, 2)), np.array([[1.0, 0], [0, 1]]), np.array([1.0, -1.0]))
    np.testing.assert_allclose(moved, [[-0.03, 0], [0, 0.03]])
    with pytest.raises(UnusableInput, match="finite"):
        EdgeDefinition(math.nan)


def test_sources_pushed_through_a_fit_keep_their_correlation():
    # A tie that shifts all points by a common vector shifts the centre alone (the chain rule, K = M·(nᵀ·G)).
    fit = fit_circle(outline(np.random.default_rng(18)))
    shift = np.broadcast_to(np.array([[1.0, 0], [0, 1]]), (200, 2, 2))
    K = fit.sensitivity @ np.einsum("ni,nik->nk", fit.normals, shift)
    np.testing.assert_allclose(K, [[1, 0], [0, 1], [0, 0]], atol=1e-9)
    source = Source("tie#0", "tie", "A", 0.02, "tie")
    assert measured(float(fit.centre[0]), source).times(K[0, 0]).u == pytest.approx(0.02)
