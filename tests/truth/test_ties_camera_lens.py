"""A tie behind a camera document keeps that document's lens: against the exact camera that rendered the corners."""

import numpy as np

from tiepoint.foundation.sources import Source
from tiepoint.render.camera import perspective, project, unproject, with_division_corner
from tiepoint.targets.draw import new_target, points
from tiepoint.ties.by_target import Setting, tie_by_corners
from tiepoint.ties.camera import CameraModel
from tiepoint.ties.family import Corners
from tiepoint.ties.lens import Lens
from tiepoint.ties.repeat import Sighted

WIDTH, HEIGHT, FOCAL_PX = 1600, 1200, 4000.0


def seen_by_exact_camera():
    """A camera with 2.5 % of barrel distortion at its corner, its division lens measured off its own rays."""
    camera = with_division_corner(perspective(WIDTH, HEIGHT, FOCAL_PX), -2.5).aimed((60.0, 45.0), tilt_deg=9.0)
    cx, cy = (WIDTH - 1) / 2, (HEIGHT - 1) / 2
    rho = float(np.hypot(cx, cy))
    # u = x/(1 + κ·r²/ρ²) (Fitzgibbon 2001): κ from one ray through the picture's corner, r = ρ there.
    straight = camera.lens.straighten(np.array([[0.0, 0.0]]), camera.frame)[0] * FOCAL_PX
    lens = Lens(rho / float(np.hypot(*straight)) - 1, 0.0, cx, cy, rho)
    factor = np.zeros((1 + lens.vector.size, 1))
    factor[0, 0] = 1.0
    source = Source("camera:focal", "focal length", "A", 1.0, "instrument")
    return camera, CameraModel("exact", (WIDTH, HEIGHT), FOCAL_PX, lens, (source,), factor, "κ", 0.01, 1.0, 100.0)


def test_a_tie_behind_a_camera_document_keeps_its_lens():
    camera, document = seen_by_exact_camera()
    ids, plane = points(new_target("charuco", 10.0, 12, 9))
    px = project(camera, np.column_stack([plane, np.zeros(len(plane))]))
    corners = Corners(plane, px, np.tile(1e-4 * np.eye(2), (len(px), 1, 1)), (WIDTH, HEIGHT))
    tie = tie_by_corners([Sighted(ids, corners)], Setting(camera=document, flatness_mm=0.0))
    assert tie.lens is not None
    grid = np.stack(np.meshgrid(np.linspace(300, 1300, 9), np.linspace(250, 950, 7)), axis=2).reshape(-1, 2)
    mapped = tie.map(grid)
    off = mapped.xy_mm - unproject(camera, grid)[:, :2]
    # Without the lens the corners of this grid would be 0.5 mm off.
    assert np.abs(off[mapped.inside]).max() < 2e-5
    assert mapped.inside.all()
