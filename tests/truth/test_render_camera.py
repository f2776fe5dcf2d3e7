"""The simulated camera against OpenCV, equations of its sources, and published arithmetic."""

import math

import cv2
import numpy as np
import pytest
from scipy import optimize

from tiepoint.foundation.errors import PoorGeometry
from tiepoint.render.camera import (
    Camera,
    UnrenderableScene,
    corner_distortion_percent,
    orthographic,
    perspective,
    project,
    unproject,
    visible,
    with_brown_corner,
    with_division_corner,
)
from tiepoint.render.lenses import BrownLens, DivisionLens, FisheyeLens, TelecentricLens
from tiepoint.render.scene import Cylinder, Dome, Lay, seen_on_sheet

RNG = np.random.default_rng(20)
POINTS = np.column_stack([RNG.uniform(-60, 60, 40), RNG.uniform(-50, 50, 40), RNG.uniform(-5, 5, 40)])
LENSES = [
    BrownLens(),
    BrownLens(-0.2, 0.05, -0.01, 0.003, -0.002),
    DivisionLens(-0.07, 1600.0, (11.0, -7.0)),
    DivisionLens(0.05, 1600.0, (3.0, 2.0)),
    FisheyeLens(),
]


def camera_with(lens, focal=2500.0):
    camera = Camera(2448, 2048, (focal, focal * 1.002), (1231.7, 1017.2), lens)
    return camera.aimed((3.0, -2.0), distance_mm=180.0, tilt_deg=17.0, azimuth_deg=130.0, roll_deg=-5.0)


def matrix_of(camera):
    (fx, fy), (cx, cy) = camera.focal_px, camera.principal_px
    return np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])


def test_brown_lens_equals_opencv():
    # Witness: cv2.projectPoints.
    lens = LENSES[1]
    camera = camera_with(lens)
    turn, _ = cv2.Rodrigues(camera.rotation)
    coefficients = np.array([lens.k1, lens.k2, lens.p1, lens.p2, lens.k3])
    expected, _ = cv2.projectPoints(POINTS, turn, camera.translation_mm, matrix_of(camera), coefficients)
    assert np.abs(project(camera, POINTS) - expected[:, 0]).max() < 1e-9


def test_fisheye_equals_opencv():
    # Witness: cv2.fisheye.projectPoints without coefficients, which is r = f·θ.
    camera = camera_with(FisheyeLens())
    turn, _ = cv2.Rodrigues(camera.rotation)
    expected, _ = cv2.fisheye.projectPoints(
        POINTS[:, None], turn, camera.translation_mm, matrix_of(camera), np.zeros((4, 1))
    )
    assert np.abs(project(camera, POINTS) - expected[:, 0]).max() < 1e-9


def test_division_lens_obeys_its_equation():
    # Fitzgibbon, CVPR 2001: u = d/(1 + κ|d|²/ρ²); d found by bisection.
    lens = DivisionLens(-0.07, 1600.0, (11.0, -7.0))
    ideal = project(camera_with(BrownLens()), POINTS)
    seen = project(camera_with(lens), POINTS)
    centre = np.array([1231.7 + 11.0, 1017.2 - 7.0])
    for u, d in zip(ideal - centre, seen - centre, strict=True):
        size = np.hypot(*u)
        root = optimize.brentq(lambda r, size=size: r / (1 - 0.07 * r * r / 1600.0**2) - size, 0, 3000, xtol=1e-12)
        assert np.abs(d - u / size * root).max() < 1e-8


@pytest.mark.parametrize("lens", LENSES, ids=lambda lens: type(lens).__name__)
def test_unproject_undoes_project(lens):
    camera = camera_with(lens)
    back = unproject(camera, project(camera, POINTS), POINTS[:, 2])
    assert np.abs(back - POINTS).max() < 1e-9


def test_telecentric_camera_does_not_see_height():
    camera = Camera(640, 480, (20.0, 20.0), (319.5, 239.5), TelecentricLens())
    camera = camera.aimed((5.0, 6.0), distance_mm=200.0, tilt_deg=10.0, azimuth_deg=70.0)
    assert np.abs(unproject(camera, project(camera, POINTS), POINTS[:, 2]) - POINTS).max() < 1e-9
    straight = camera.aimed((5.0, 6.0), distance_mm=200.0)
    assert np.abs(project(straight, POINTS) - project(straight, POINTS * (1, 1, 0))).max() < 1e-10


def test_orthographic_pixels_are_the_plane_upside_down():
    camera = orthographic(64, 48)
    assert project(camera, np.array([[0.0, 0.0, 0.0], [12.25, -7.5, 3.0]])).tolist() == [[0, 0], [12.25, 7.5]]


@pytest.mark.parametrize("percent", [-10.0, -2.0, 4.0])
def test_corner_distortion_is_what_was_asked(percent):
    camera = perspective(2448, 2048, 3000.0)
    for made in (with_brown_corner(camera, percent), with_brown_corner(camera, percent, p1=1e-3, p2=-2e-3)):
        assert corner_distortion_percent(made) == pytest.approx(percent, abs=1e-6)
    assert corner_distortion_percent(with_division_corner(camera, percent)) == pytest.approx(percent, abs=1e-9)


def test_impossible_distortion_is_refused():
    with pytest.raises(UnrenderableScene, match="cannot give -60 %"):
        with_brown_corner(perspective(2448, 2048, 3000.0), -60.0)


def test_aimed_camera_looks_where_it_was_told():
    camera = perspective(2448, 2048, 7246.0).aimed(
        (30.0, -20.0), distance_mm=350.0, tilt_deg=22.0, azimuth_deg=65.0, roll_deg=0.0, height_mm=4.0
    )
    middle = project(camera, np.array([[30.0, -20.0, 4.0]]))[0]
    assert middle == pytest.approx(camera.principal_px, abs=1e-9)
    away = camera.centre_mm - (30.0, -20.0, 4.0)
    assert np.hypot.reduce(away) == pytest.approx(350.0)
    assert math.degrees(math.acos(away[2] / 350.0)) == pytest.approx(22.0)
    assert math.degrees(math.atan2(away[1], away[0])) == pytest.approx(65.0)
    assert np.linalg.det(camera.rotation) == pytest.approx(1.0)


def test_roll_turns_the_picture_counter_clockwise():
    straight = perspective(101, 101, 100.0).aimed(distance_mm=100.0)
    rolled = perspective(101, 101, 100.0).aimed(distance_mm=100.0, roll_deg=30.0)
    east = np.array([[10.0, 0.0, 0.0]])
    assert project(straight, east)[0] == pytest.approx([60.0, 50.0])
    assert project(rolled, east)[0] == pytest.approx([50 + 10 * math.cos(math.pi / 6), 50 - 5.0])


def test_height_enlarges_as_the_handbook_says():
    # ΔL = L·h/(Z − h): Z 400, h 12, L 50 → 1.546 mm; the scale goes from 0.045 to 0.04365 mm/px (computed).
    camera = perspective(2448, 2048, 400 / 0.045).aimed(distance_mm=400.0)
    ends = project(camera, np.array([[-25.0, 0, 12.0], [25.0, 0, 12.0]]))
    length_px = np.hypot(*(ends[1] - ends[0]))
    assert length_px * 0.045 - 50 == pytest.approx(1.546, abs=5e-4)
    assert 50 / length_px == pytest.approx(0.04365, abs=1e-8)


def test_bowed_paper_moves_points_as_the_handbook_says():
    # Flatness: lateral error ≈ h·r/Z, 0.5 mm·50/400 = 0.0625 mm (computed; to first order in h/Z).
    camera = perspective(2448, 2048, 7000.0).aimed(distance_mm=400.0)
    there = np.array([[50.0, 0.0]])
    lifted = Lay(z_mm=0.5).place(there)
    seen = unproject(camera, project(camera, lifted))
    assert seen[0, 0] - 50.0 == pytest.approx(0.0625, rel=0.002)


def test_cylinder_keeps_lengths_and_sags_as_stated():
    bow = Cylinder(2.0, 200.0, 25.0, (10.0, 5.0))
    way = np.array([math.cos(math.radians(25.0)), math.sin(math.radians(25.0))])
    s = np.linspace(-100, 100, 4001)
    bent = bow.bent(np.array([10.0, 5.0]) + s[:, None] * way)
    steps = np.sqrt((np.diff(bent, axis=0) ** 2).sum(axis=1))
    assert steps.sum() == pytest.approx(200.0, abs=1e-5)
    assert bent[2000, 2] == pytest.approx(2.0, rel=1e-3)
    assert bent[[0, -1], 2] == pytest.approx([0.0, 0.0], abs=1e-12)


@pytest.mark.parametrize("bow", [None, Cylinder(0.8, 150.0, 40.0), Dome(-0.6, 150.0, (5.0, 5.0))])
def test_general_inverse_finds_the_sheet(bow):
    camera = camera_with(LENSES[1])
    lay = Lay(1.0, -2.0, 33.0, 0.7, 0.997, 0.9985, bow)
    points = POINTS[:, :2] * 0.6
    assert np.abs(seen_on_sheet(camera, lay, project(camera, lay.place(points))) - points).max() < 1e-9


def test_what_folds_back_is_not_visible():
    camera = perspective(400, 300, 300.0, BrownLens(k1=-0.3)).aimed(distance_mm=100.0)
    assert camera.lens.fold_radius() == pytest.approx(1 / math.sqrt(0.9))
    # At twice the fold radius the polynomial is back near the middle; it is not seen there.
    folded = np.array([[100 * 1.8, 0.0, 0.0]])
    assert 0 < project(camera, folded)[0, 0] < 400
    assert visible(camera, np.array([[20.0, 0.0, 0.0], folded[0], [400.0, 0.0, 0.0]])).tolist() == [True, False, False]


def test_rays_that_miss_are_refused():
    camera = perspective(400, 300, 300.0).aimed(distance_mm=100.0, tilt_deg=70.0)
    with pytest.raises(PoorGeometry, match="tilt the camera less"):
        unproject(camera, np.array([[-300.0, 150.0], [700.0, 150.0]]))
    with pytest.raises(PoorGeometry, match="one-to-one"):
        unproject(perspective(4000, 300, 300.0, BrownLens(k1=-0.3)), np.array([[3999.0, 150.0]]))
    with pytest.raises(UnrenderableScene, match="behind the camera"):
        project(camera, np.array([[0.0, 0.0, 500.0]]))
