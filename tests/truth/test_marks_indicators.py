"""Indicators on symbols constructed with a known contrast, modulation, stretch and bow."""

import cv2
import numpy as np
import pytest
from tests.helpers.mark_scenes import drawn, read

from tiepoint.vision.mark_indicators import indicators

CELL, MARGIN = 12, 30


def symbol(dark=60.0, light=200.0):
    """Return a picture of exact levels, the outline of its symbol, and its cells (rows, columns; True is dark)."""
    cells = (
        drawn(
            "constructed symbol",
            cell_px=1,
            force_square=True,
        )[1:-1, 1:-1]
        == 0
    )
    levels = np.where(cells, dark, light).repeat(CELL, 0).repeat(CELL, 1)
    picture = np.pad(levels, MARGIN, constant_values=light).astype(np.float32)
    n = len(cells) * CELL
    corners = np.array([[0, 0], [n, 0], [n, n], [0, n]], float) + MARGIN - 0.5
    return picture, corners, cells


def told(picture, corners, cells, white=255.0, **more):
    found = indicators(picture, corners, cells.shape, white, **more)
    assert found is not None
    return found


def test_contrast_of_two_levels():
    # ISO/IEC 15415: SC = Rmax - Rmin; ISO/IEC 29158: CC = (light - dark) / light (both from memory).
    found = told(*symbol(51.0, 204.0))
    assert found.symbol_contrast == pytest.approx((204 - 51) / 255, abs=1e-3)
    assert found.cell_contrast == pytest.approx((204 - 51) / 204, abs=1e-3)
    assert found.modulation == pytest.approx(1.0, abs=1e-3)
    assert found.axial_nonuniformity == pytest.approx(0.0, abs=2e-3)
    assert found.grid_nonuniformity == pytest.approx(0.0, abs=0.02)


def test_white_is_what_is_stated():
    assert told(*symbol(51.0, 204.0), white=204.0).symbol_contrast == pytest.approx(0.75, abs=1e-3)


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9])
def test_modulation_of_one_weak_cell(share):
    # MOD = 2 |R - GT| / SC with GT halfway (ISO/IEC 15415, from memory): a cell that far from the middle.
    picture, corners, cells = symbol(50.0, 200.0)
    row, col = np.argwhere(cells)[40]
    y, x = MARGIN + row * CELL, MARGIN + col * CELL
    picture[y : y + CELL, x : x + CELL] = 125 - 75 * share
    assert told(picture, corners, cells).modulation == pytest.approx(share, abs=0.01)


@pytest.mark.parametrize("stretch", [1.06, 1.12])
def test_axial_nonuniformity_of_a_stretched_symbol(stretch):
    # AN = |X - Y| / ((X + Y) / 2) (ISO/IEC 15415, from memory).
    picture, corners, cells = symbol()
    rows, cols = picture.shape
    wide = cv2.resize(picture, (round(cols * stretch), rows), interpolation=cv2.INTER_AREA)
    real = round(cols * stretch) / cols
    outline = (corners + 0.5) * (real, 1) - 0.5
    assert told(wide, outline, cells).axial_nonuniformity == pytest.approx(2 * (real - 1) / (real + 1), abs=3e-3)
    # Where the camera's slant does it, and no symbol (a tie tells), nothing is left.
    assert told(wide, outline, cells, aspect=1 / real).axial_nonuniformity == pytest.approx(0.0, abs=3e-3)


@pytest.mark.parametrize("bow", [0.15, 0.3])
def test_grid_nonuniformity_of_a_bowed_symbol(bow):
    # Columns bulge to the right by `bow` cells in the middle of the height and not at the corners: so do the cells.
    picture, corners, cells = symbol()
    rows, cols = picture.shape
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    across = np.clip((y + 0.5 - MARGIN) / (rows - 2 * MARGIN), 0, 1)
    bent = cv2.remap(
        picture, x - bow * CELL * np.sin(np.pi * across), y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    found = told(bent, corners, cells)
    # The straight grid that fits a half wave best lies at its mean, 2/π of its height: that much is left at both ends,
    # less what averaging over three rows takes off (half a wave over some 18 rows: a row in changes by 0.17).
    assert found.grid_nonuniformity == pytest.approx(2 / np.pi * bow, rel=0.25)


def test_cells_of_another_size_are_no_fault_of_the_grid():
    # Dots smaller than their cells move the borders to bright and to dark apart, and no grid.
    picture, corners, cells = symbol()
    thin = cv2.dilate(picture, np.ones((3, 3), np.uint8))
    assert told(thin, corners, cells).grid_nonuniformity < 0.06


def test_a_grid_that_is_off_is_fitted_to_the_cells():
    picture, corners, cells = symbol()
    found = told(picture, corners + np.random.default_rng(1).uniform(-3, 3, (4, 2)), cells)
    assert np.abs(found.corners - corners).max() < 0.25 * CELL
    assert found.modulation > 0.9


def test_nothing_is_told_of_one_level_or_beyond_the_picture():
    picture, corners, cells = symbol()
    assert indicators(np.full_like(picture, 100), corners, cells.shape, 255.0) is None
    assert indicators(picture, corners + 100, cells.shape, 255.0) is None


NAMES = ["symbol_contrast", "modulation", "cell_contrast", "axial_nonuniformity", "grid_nonuniformity"]


def test_a_step_tells_them_where_they_are_asked_for():
    picture, _, _ = symbol(51.0, 204.0)
    readings = read(picture.astype(np.uint8), f"readings = {[*NAMES, 'unused_correction']}".replace("'", '"'))
    assert readings["symbol_contrast"].value == pytest.approx(0.6, abs=0.01)
    assert readings["cell_contrast"].value == pytest.approx(0.75, abs=0.01)
    assert readings["unused_correction"].value == 1.0
    limited = read(picture.astype(np.uint8), "white = 204\nlimits.symbol_contrast = { lower = 0.7 }")
    assert limited["symbol_contrast"].verdict == "conforms"
    linear = read(
        np.pad(drawn("TIE-42", "Code128", 3), 20, constant_values=255), f"readings = {NAMES}".replace("'", '"')
    )
    assert {linear[name].reason.code for name in NAMES} == {"no_cells"}


def test_unused_correction_counts_the_codewords_that_were_repaired():
    # ISO/IEC 15415: UEC = 1 - 2t / (correctable); a 12 × 12 symbol has 7 check words, one wrong module spoils one word.
    cells = drawn("Hello", cell_px=1)
    assert cells.shape == (14, 14)
    spoiled = cells.copy()
    spoiled[8, 8] = 255 - spoiled[8, 8]
    picture = np.pad(spoiled.repeat(8, 0).repeat(8, 1), 20, constant_values=255)
    told_now = read(picture, 'readings = ["unused_correction"]')["unused_correction"]
    assert told_now.value == pytest.approx(1 - 2 / 7, abs=0.006)
