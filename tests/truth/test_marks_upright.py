"""Dots whose rows run along the picture's own: the lattice has a frequency in the very first column of the spectrum."""

import cv2
import numpy as np
import pytest
from tests.helpers.dotted_marks import cells_of

from tiepoint.vision.mark_dots import see_dots

TEXT = "TIEPOINT 42"


def upright(turn_deg, step_px=7.0):
    """Return TEXT (zxing-cpp's cells) as bright dots on metal that is brushed along x, turned about its middle."""
    cells = cells_of(TEXT, force_square=True)
    rng = np.random.default_rng(5)
    rows, columns = np.nonzero(cells)
    turn = np.deg2rad(turn_deg)
    own = step_px * (np.stack([columns, rows], 1) - (len(cells) - 1) / 2)
    places = own @ [[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]] + 120
    y, x = np.mgrid[:240, :240]
    picture = cv2.GaussianBlur(rng.normal(0, 1, (240, 240)), (0, 0), sigmaX=40, sigmaY=1.2) * 60
    for px, py in places:
        picture += 60 * np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * 1.8**2))
    return np.clip(90 + picture + rng.normal(0, 3, picture.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("turn_deg", [0.0, 0.1, -0.3, 0.8, 90.0, 90.2, 180.0, 45.0])
def test_a_mark_along_the_rows_of_the_picture_is_read(turn_deg):
    assert [mark.text for mark in see_dots(upright(turn_deg), True)] == [TEXT]
