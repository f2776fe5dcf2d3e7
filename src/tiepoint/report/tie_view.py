"""From a tie to the arrays that its map draws."""

import numpy as np
from numpy.typing import NDArray

from tiepoint.report.tie_picture import TieView
from tiepoint.ties.tie import Tie

Array = NDArray[np.float64]

ACROSS = 97
"""Samples over the picture's width: contours are smooth at any size that a page shows."""


def sample_px(size_px: tuple[int, int], across: int = ACROSS) -> tuple[Array, Array]:
    """Return columns (n,) and rows (m,) of samples, the first and last on the picture's border."""
    width, height = size_px
    down = max(3, round(across * height / width))
    return np.linspace(-0.5, width - 0.5, across), np.linspace(-0.5, height - 0.5, down)


def view_of(tie: Tie, size_px: tuple[int, int], U_mm: Array, limit_mm: float | None) -> TieView:
    """Return what the map draws of a tie over a photo of `size_px` (width, height).

    `U_mm` (m, n): U at 95 % at the samples of `sample_px`, also beyond the tie's region; `limit_mm`: up to which
    it is good enough. Arrows are the errors of points that the fit did without, where the tie has them.
    """
    x_px, y_px = sample_px(size_px)
    grid = np.stack(np.meshgrid(x_px, y_px), axis=2).reshape(-1, 2)
    shape = (len(y_px), len(x_px))
    plane = tie.map(grid).xy_mm
    points, residual_px, residual_um = _residuals(tie)
    return TieView(
        size_px=size_px,
        x_px=x_px,
        y_px=y_px,
        x_mm=plane[:, 0].reshape(shape),
        y_mm=plane[:, 1].reshape(shape),
        U_um=1000 * np.asarray(U_mm, float).reshape(shape),
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
