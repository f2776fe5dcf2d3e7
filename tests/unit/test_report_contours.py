"""Contours against closed forms: circles, straight lines, the area above a level."""

import numpy as np
import pytest

from tiepoint.report.contours import above, contour


def paraboloid(n=201):
    """z = x² + y² on [-2, 2] × [-1.5, 1.5]."""
    x, y = np.linspace(-2, 2, n), np.linspace(-1.5, 1.5, n)
    return x, y, x[None, :] ** 2 + y[:, None] ** 2


def area(line):
    """Shoelace formula."""
    x, y = line[:, 0], line[:, 1]
    return 0.5 * abs(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


@pytest.mark.parametrize("radius", [0.31, 0.8, 1.4])
def test_contour_of_a_paraboloid_is_a_circle_of_its_radius(radius):
    """Linear interpolation of r² along a step h errs by at most h²/4 in z, so by h²/(8r) in r (closed form)."""
    x, y, z = paraboloid()
    lines = contour(x, y, z, radius**2)
    assert len(lines) == 1
    assert np.allclose(lines[0][0], lines[0][-1])
    h = x[1] - x[0]
    assert np.abs(np.hypot(*lines[0].T) - radius).max() <= h**2 / (8 * radius) * 1.01
    assert len(lines[0]) > 2 * np.pi * radius / h


def test_an_open_contour_ends_on_the_border():
    x, y, z = paraboloid()
    lines = contour(x, y, z, 1.8**2)
    assert len(lines) == 2  # a circle of 1.8 is cut by y = ±1.5 on the left and on the right
    ends = np.array([line[k] for line in lines for k in (0, -1)])
    assert np.allclose(np.abs(ends[:, 1]), 1.5)
    assert np.allclose(np.abs(ends[:, 0]), np.sqrt(1.8**2 - 1.5**2), atol=1e-4)


def test_contour_of_a_plane_is_exactly_straight():
    x, y = np.array([0.0, 1, 3, 4]), np.array([0.0, 2, 3])
    z = 2 * x[None, :] - y[:, None] + 0.37
    (line,) = contour(x, y, z, 3.0)
    assert np.allclose(2 * line[:, 0] - line[:, 1] + 0.37, 3.0, atol=1e-12)


def test_a_saddle_is_cut_as_its_middle_says():
    z = np.array([[1.0, 0.0], [0.0, 1.0]])
    both = np.array([0.0, 1.0])
    for level, joined in ((0.4, True), (0.6, False)):
        lines = contour(both, both, z, level)
        assert len(lines) == 2
        # Where the high corners are joined, the lines cut off the low corner (1, 0), whose x + y is 1 with x > y.
        middles = [line.mean(axis=0) for line in lines]
        assert all((abs(m[0] - m[1]) > 0.3) == joined for m in middles)


def test_cells_with_unknown_values_have_no_line():
    x, y, z = paraboloid(41)
    z[:, 20:] = np.nan
    lines = contour(x, y, z, 1.0)
    assert lines
    assert max(line[:, 0].max() for line in lines) <= x[19]
    assert all(np.isfinite(line).all() for line in lines)


def test_area_above_a_level_is_that_outside_the_circle():
    """Area of the rectangle less that of the circle (closed form)."""
    x, y, z = paraboloid()
    lines = above(x, y, z, 1.0)
    rim, circle = sorted((area(line) for line in lines), reverse=True)
    assert rim == pytest.approx(4.0 * 3.0, rel=1e-9)
    assert circle == pytest.approx(np.pi, rel=2e-4)


def test_unknown_values_lie_above_every_level():
    x, y, z = paraboloid(81)
    z[np.hypot(x[None, :], y[:, None]) > 0.5] = np.nan
    lines = above(x, y, z, 100.0)
    inner = min(area(line) for line in lines)
    assert inner == pytest.approx(np.pi * 0.25, rel=0.2)
    assert above(x, y, np.zeros_like(z), 1.0) == []
