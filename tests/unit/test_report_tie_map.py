"""A tie's map and its pointer grid as data: contours where closed forms have them, and a grid as good as it says."""

from dataclasses import replace

import numpy as np
import pytest
from tests.helpers.square_tie import square_tie

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import Source, coverage_factor
from tiepoint.report.tie_grid import SHARE, between, pointer_grid
from tiepoint.report.tie_map import tie_map
from tiepoint.ties.lens import Lens
from tiepoint.ties.probe import probe

SCALE, COLS, ROWS, U_SCALE = 0.1, 640, 480, 0.001
K = coverage_factor(0.975, np.inf)


def shifted(tie):
    """Return a tie whose plane is nowhere known better than to some micrometres, as no real one is."""
    sources = [Source(f"shift {axis}", "shift", "B", 0.005, "tie") for axis in "xy"]
    d_M = np.zeros((2, 3, 3))
    d_M[0, 0, 2] = d_M[1, 1, 2] = 1.0
    return tie.then(np.eye(3), sources, d_M)


def leaning():
    """Return a tie of a camera that leans and whose lens distorts by some per cent."""
    tie = shifted(square_tie(SCALE, COLS, ROWS, U_SCALE))
    return replace(
        tie,
        matrix=tie.matrix @ np.array([[1, 0.05, 0], [-0.03, 1, 0], [2e-4, -1e-4, 1]]),
        lens=Lens(kappa=-0.04, kappa2=0.0, cx=330.0, cy=230.0, rho_px=400.0),
    )


def test_contours_of_a_scale_that_is_not_known_are_circles_about_the_origin():
    """U = k·u·r at a distance r from the origin: closed form of a value that only a scale makes uncertain."""
    found = tie_map(square_tie(SCALE, COLS, ROWS, U_SCALE), None, 0.3)
    assert found.limit_um == pytest.approx(90.0)  # 30 % of the tolerance's half-width (ISO 22514-7; VDA 5)
    assert len(found.contours) > 3
    for contour in found.contours:
        for line in contour.lines:
            mm = np.column_stack([SCALE * line[:, 0], SCALE * (ROWS - 1 - line[:, 1])])
            radius = np.hypot(mm[:, 0], mm[:, 1])
            # A chord of the map's grid lies at most its own bow inside the circle.
            assert 1000 * K * U_SCALE * radius == pytest.approx(np.full(len(mm), contour.U_um), rel=2e-3)


def test_what_is_not_good_enough_is_hatched_and_nothing_else():
    found = tie_map(square_tie(SCALE, COLS, ROWS, U_SCALE), None, 0.3)
    assert found.areas
    farthest = tie_map(square_tie(SCALE, COLS, ROWS, U_SCALE), None, 10.0)
    assert farthest.areas == ()
    assert tie_map(square_tie(SCALE, COLS, ROWS, U_SCALE)).limit_um is None


def test_axes_stand_at_the_origin_where_the_picture_shows_it():
    found = tie_map(square_tie(SCALE, COLS, ROWS, U_SCALE))
    assert found.axes is not None
    assert found.axes[0] == pytest.approx([0, ROWS - 1], abs=1e-6)
    assert found.axes[1] == pytest.approx([found.step_mm / SCALE, ROWS - 1], abs=1e-6)
    assert found.mm_per_px == pytest.approx(SCALE)


def test_a_tie_without_a_picture_has_no_map():
    tie = square_tie(SCALE, COLS, ROWS)
    with pytest.raises(UnusableInput, match="leads from the plane"):
        tie_map(replace(tie, from_frame="plane", to_frame="robot"))
    with pytest.raises(UnusableInput, match="does not know how large its picture is"):
        tie_map(replace(tie, sensor=None))


@pytest.mark.parametrize("tie", [shifted(square_tie(SCALE, COLS, ROWS, U_SCALE)), leaning()], ids=["square", "leaning"])
def test_between_the_nodes_of_the_grid_a_place_is_right_to_a_hundredth_of_its_U(tie):
    grid = pointer_grid(tie, (COLS, ROWS))
    assert grid.error_share <= SHARE
    rng = np.random.default_rng(3)
    px = rng.uniform([0, 0], [COLS - 1, ROWS - 1], (300, 2))
    read, exact = between(grid, px), probe(tie, px, extrapolate=True).points
    U = np.array([(p.x.U95, p.y.U95) for p in exact])
    assert np.abs(read[:, :2] - [(p.x.value, p.y.value) for p in exact]).max() <= SHARE * U.max()
    assert (np.abs(read[:, :2] - [(p.x.value, p.y.value) for p in exact]) <= 1.5 * SHARE * U.max(axis=1)[:, None]).all()
    assert read[:, 2:] == pytest.approx(U, rel=0.02, abs=1e-4)


def test_a_leaning_camera_needs_a_finer_grid():
    square, lean = (
        pointer_grid(tie, (COLS, ROWS)) for tie in (shifted(square_tie(SCALE, COLS, ROWS, U_SCALE)), leaning())
    )
    assert lean.x.size >= square.x.size
    assert square.error_share < 1e-9  # an affine tie is read exactly
