"""From a tie to the arrays that its map draws."""

import numpy as np
from numpy.typing import NDArray

from tiepoint.report.tie_picture import TieView
from tiepoint.ties.tie import Tie

Array = NDArray[np.float64]

ACROSS = 97
"""Samples over the picture's width: contours are smooth at any size that a page shows."""


def samples(size_px: tuple[int, int], across: int = ACROSS) -> tuple[int, int]:
    """Return how many columns and rows of samples a map takes, the first and last on the picture's border."""
    width, height = size_px
    return across, max(3, round(across * height / width))


def view_of(tie: Tie, size_px: tuple[int, int], U_um: Array, limit_mm: float | None) -> TieView:
    """Return what the map draws of a tie over a photo of `size_px` (width, height).

    `U_um` (m, n): U at 95 % in µm at evenly spread samples from border to border, beyond the tie's region too;
    `limit_mm`: up to which it is good enough. Arrows are the errors of points that the fit did without, where the
    tie has them.
    """
    rows, columns = U_um.shape
    x_px, y_px = (np.linspace(-0.5, n - 0.5, k) for n, k in zip(size_px, (columns, rows), strict=True))
    grid = np.stack(np.meshgrid(x_px, y_px), axis=2).reshape(-1, 2)
    plane = tie.map(grid).xy_mm
    points, residual_px, residual_um = _residuals(tie)
    return TieView(
        size_px=size_px,
        x_px=x_px,
        y_px=y_px,
        x_mm=plane[:, 0].reshape(rows, columns),
        y_mm=plane[:, 1].reshape(rows, columns),
        U_um=np.asarray(U_um, float),
        points_px=points,
        residual_px=residual_px,
        residual_um=residual_um,
        unseen=np.ones(len(points), bool),
        limit_um=None if limit_mm is None else 1000 * limit_mm,
        region_px=tie.valid_region,
    )


def _residuals(tie: Tie) -> tuple[Array, Array, Array]:
    """Return points (k, 2), their unseen errors as seen in the picture (k, 2) in px, and in the plane (k,) in µm."""
    if tie.residuals is None or tie.from_frame != "image":
        return np.empty((0, 2)), np.empty((0, 2)), np.empty(0)
    used = tie.residuals.used
    points, error_mm = tie.residuals.points[used], tie.residuals.unseen_mm[used]
    error_px = np.asarray(np.linalg.solve(tie.map(points).d_px, error_mm[:, :, None])[:, :, 0], float)
    return points, error_px, np.asarray(1000 * np.hypot(error_mm[:, 0], error_mm[:, 1]))
