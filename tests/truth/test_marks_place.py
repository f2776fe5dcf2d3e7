"""Where a code lies, against symbols drawn by area at known poses: errors divided by the stated u."""

import math

import cv2
import numpy as np
from tests.helpers.mark_scenes import drawn, read

SUB = 16
"""Sub-pixels a cell that symbols are drawn with, before they are shrunk by area."""


def placed(text, cell_px, angle_deg, at, seed):
    """Return a picture (rows, columns) of a symbol whose middle lies at a place (x, y), turned counter-clockwise."""
    cells = drawn(text, cell_px=1, force_square=True)
    big = cells.repeat(SUB, 0).repeat(SUB, 1)
    scale, angle = cell_px / SUB, math.radians(angle_deg)
    turn = scale * np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    middle = (np.array(big.shape[::-1]) - 1) / 2
    way = np.column_stack([turn, np.array(at) - turn @ middle])
    # Drawn four times as large and shrunk by area, so that a pixel is the mean of what it covers.
    way = 4 * way + np.array([[0, 0, 1.5], [0, 0, 1.5]])
    large = cv2.warpAffine(big, way, (800, 800), flags=cv2.INTER_LINEAR, borderValue=255)
    small = cv2.resize(large, (200, 200), interpolation=cv2.INTER_AREA).astype(float)
    noise = np.random.default_rng(seed).normal(0, 3, small.shape)
    return np.clip(50 + 0.55 * cv2.GaussianBlur(small, (0, 0), 0.7) + noise, 0, 255).astype(np.uint8)


def test_the_pose_of_a_code_holds_within_its_u():
    rng = np.random.default_rng(20)
    over_u = []
    for k in range(40):
        at, angle, cell = 99.5 + rng.uniform(-5, 5, 2), rng.uniform(-180, 180), rng.uniform(3.5, 6.5)
        picture = placed(f"PLACE{k:03d}", cell, angle, at, k)
        told = read(picture, 'symbology = "data_matrix"\npreparation = "plain"\nreadings = ["x", "y", "angle"]')
        if told["x"].value is None:
            continue
        turn = math.remainder(told["angle"].value - angle, 360)
        over_u.append(
            [(told["x"].value - at[0]) / told["x"].u, (told["y"].value - at[1]) / told["y"].u, turn / told["angle"].u]
        )
    over_u = np.array(over_u)
    assert len(over_u) >= 35
    # Stated with some reserve (print may be larger than its cells), and not with a wide one.
    rms = np.sqrt(np.mean(over_u**2, axis=0))
    assert (rms > 0.3).all(), rms
    assert (rms < 1.1).all(), rms
    assert np.abs(np.mean(over_u, axis=0)).max() < 0.5
