import math

import numpy as np
import pytest

from tiepoint.foundation.errors import UnusableInput
from tiepoint.render.camera import UnrenderableScene, orthographic, perspective
from tiepoint.render.integral import irradiance
from tiepoint.render.outline import along, band, disc, polygon, rectangle, rounded, sampled, slot
from tiepoint.render.photo import Exposure, photograph
from tiepoint.render.scene import Lay, Piece, Scene, Sheet, extent, target_sheet
from tiepoint.render.sensor import EmvaSensor, through_jpeg
from tiepoint.targets.draw import new_target, points, shapes

CAMERA = perspective(200, 160, 900.0).aimed((15.0, 12.0), distance_mm=150.0, tilt_deg=8.0)


@pytest.mark.parametrize(
    ("outline", "area"),
    [
        (rectangle(0, 0, 4, 3), 12.0),
        (polygon(np.array([[0.0, 0], [0, 3], [4, 0]])), -6.0),
        (disc(5, 6, 2), 4 * math.pi),
        (slot(1, 1, 4, 5, 2), 10 + math.pi),
        (rounded(np.array([[0.0, 0], [4, 0], [4, 3], [0, 3]]), 1.0), 12 - 4 + math.pi),
    ],
)
def test_areas_are_those_of_geometry(outline, area):
    assert outline.signed_area_mm2 == pytest.approx(area)
    x, y = sampled(outline, 400).T
    chords = 0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))
    assert chords == pytest.approx(area, rel=1e-4)


def test_moved_outline_keeps_its_area_and_turns_about_the_origin():
    moved = slot(1, 0, 4, 0, 1).moved(10, 20, math.pi / 2)
    assert moved.signed_area_mm2 == pytest.approx(slot(1, 0, 4, 0, 1).signed_area_mm2)
    assert sampled(moved, 1)[:, 1].mean() == pytest.approx(22.5)


def test_tangent_is_the_derivative_of_the_way():
    start, end = np.array([[0.0, 0.0]] * 3), np.array([[2.0, 1.0]] * 3)
    turn, t, h = np.array([0.0, 1.2, -2.5]), np.array([0.3, 0.6, 0.9]), 1e-6
    ahead, behind = (along(start, end, turn, t + s)[0] for s in (h, -h))
    assert along(start, end, turn, t)[1] == pytest.approx((ahead - behind) / (2 * h), abs=1e-8)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: disc(0, 0, 0.0), "radius of a disc is 0 mm; choose a length above 0"),
        (lambda: slot(1, 1, 1, 1, 2.0), "middle line is 0 mm"),
        (lambda: polygon(np.zeros((2, 2))), "three or more finite points"),
        (lambda: rounded(np.array([[0.0, 0], [4, 0], [4, 3], [0, 3]]), 1.6), "does not fit"),
        (lambda: rounded(np.array([[0.0, 0], [0, 3], [4, 3], [4, 0]]), 0.5), "does not fit"),
        (lambda: irradiance(Scene(0.5, ()), CAMERA, 0.1), "choose 0.3 px or more"),
        (lambda: extent([]), "nothing is drawn"),
        (lambda: through_jpeg(np.zeros((4, 4), np.uint16), 80), "8-bit sensor"),
        (lambda: perspective(10, 10, 10.0).aimed(distance_mm=-1.0), "choose a distance above 0"),
    ],
)
def test_impossible_input_is_told_in_a_sentence(make, words):
    with pytest.raises(UnusableInput, match=words):
        make()


def test_a_sheet_behind_the_camera_is_refused():
    scene = Scene(0.0, (Sheet((Piece(rectangle(-900, -900, 900, 900), 1.0, 0.0),)),))
    with pytest.raises(UnrenderableScene, match="behind the camera"):
        irradiance(scene, perspective(100, 80, 100.0).aimed(distance_mm=50.0, tilt_deg=60.0), 0.8)


def test_an_empty_scene_is_its_ground():
    assert (irradiance(Scene(0.25, (Sheet(()),)), CAMERA, 0.8) == np.float32(0.25)).all()


def test_the_way_a_ring_runs_does_not_matter():
    ring = np.array([[10.0, -10], [30, -12], [22, -30]])
    pictures = [
        irradiance(Scene(0.1, (Sheet((Piece(polygon(p), 0.9, 0.1),)),)), orthographic(48, 40), 0.8)
        for p in (ring, ring[::-1])
    ]
    assert np.abs(pictures[0] - pictures[1]).max() < 1e-6


def test_target_photo_tells_where_every_point_is():
    target = new_target("charuco", 5.0, 6, 5)
    ids, nominal = points(target)
    lay = Lay(1.0, 2.0, 5.0, 0.5, 0.998, 1.001)
    names = tuple(f"corner {k}" for k in ids)
    sheet = target_sheet(shapes(target), lay=lay, margin_mm=3.0, point_names=names, points_mm=nominal)
    shot = photograph(Scene(0.3, (sheet,)), CAMERA, Exposure(), np.random.default_rng(5))
    assert shot.picture.shape == (160, 200)
    assert shot.picture.dtype == np.uint8
    assert len(shot.truth.names) == len(nominal)
    assert shot.truth["corner 3"].tolist() == shot.truth.px[3].tolist()
    assert shot.truth.seen.any()
    assert shot.truth.xyz_mm[:, 2] == pytest.approx(0.5)


def test_points_without_names_are_called_by_number():
    sheet = Sheet((), Lay(), (), np.array([[1.0, 2.0], [3.0, 4.0]]))
    shot = photograph(Scene(0.3, (sheet,)), CAMERA, Exposure(), np.random.default_rng(5))
    assert shot.truth.names == ("0", "1")


def test_same_seed_same_picture_and_another_seed_another():
    scene = Scene(0.4, (Sheet((Piece(disc(15, 12, 5), 0.9, 0.4),)),))
    exposure = Exposure(sensor=EmvaSensor(bits=12))
    first, again, other = (photograph(scene, CAMERA, exposure, np.random.default_rng(s)).picture for s in (1, 1, 2))
    assert (first == again).all()
    assert (first != other).any()


def test_a_relaid_sheet_keeps_its_prepared_edges():
    sheet = Sheet((Piece(disc(15, 12, 5), 0.9, 0.4),))
    moved = sheet.laid(Lay(x_mm=2.0))
    assert moved.edges is sheet.edges
    assert moved.lay.x_mm == 2.0


def test_sharp_and_round_corners_may_mix():
    quad = rounded(np.array([[0.0, 0], [4, 0], [4, 3], [0, 3]]), [1.0, 1.0, 0.0, 0.0])
    assert quad.signed_area_mm2 == pytest.approx(12 - 2 * (1 - math.pi / 4))
    assert len(quad.points) == 6


def test_band_covers_the_ring_between_the_edge_and_its_parallel():
    # Closed forms: a ring π(R² − r²), and the inner strip of a rounded rectangle.
    outside = list(band(disc(0, 0, 2.0), -0.5))
    assert sum(abs(quad.signed_area_mm2) for quad, _ in outside) == pytest.approx(math.pi * (2.5**2 - 2.0**2))
    corners = np.array([[0.0, 0], [8, 0], [8, 6], [0, 6]])
    inside = list(band(rounded(corners, 1.0), 0.25))
    smaller = rounded(np.array([[0.25, 0.25], [7.75, 0.25], [7.75, 5.75], [0.25, 5.75]]), 0.75)
    expected = rounded(corners, 1.0).signed_area_mm2 - smaller.signed_area_mm2
    assert sum(abs(quad.signed_area_mm2) for quad, _ in inside) == pytest.approx(expected)
    # Normals point away from the strip: into the hole of the disc, out of the rectangle.
    assert all(n @ quad.points[:2].mean(axis=0) < 0 for quad, n in outside)
    assert all(n @ (quad.points[:2].mean(axis=0) - (4, 3)) > 0 for quad, n in inside)
