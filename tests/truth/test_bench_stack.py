"""Stacked scenes against the painting twin, closed forms, and scenes without overlap."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tiepoint.bench.place import Place
from tiepoint.bench.plate import NOMINAL, VARIANTS
from tiepoint.bench.scatter import BACK, CELL_LOOK, LaidPlate, laid_with_middle, plate_sheets
from tiepoint.render.camera import UnrenderableScene, orthographic, perspective, with_brown_corner
from tiepoint.render.integral import irradiance
from tiepoint.render.outline import disc, rectangle, rounded
from tiepoint.render.scene import Cylinder, Lay, Piece, Scene, Sheet
from tiepoint.render.stack import outline_shares
from tiepoint.render.twin import painted


def sheet(outline, grey, lay=None, holes=(), lets_through=0.0):
    return Sheet((Piece(outline, grey, 0.0, holes=holes, lets_through=lets_through),), lay or Lay())


def stack(*sheets, ground=0.2):
    return Scene(ground, sheets, stacked=True)


def straight_down(width=64, height=48):
    """One px per mm; plane (x, −y) is pixel (x, y)."""
    return orthographic(width, height)


def down(outline):
    return outline.moved(30.0, -24.0)


@pytest.mark.parametrize("apart", [2.0, 9.0, 17.0])
def test_hidden_share_of_two_discs_is_an_arc(apart):
    # Closed form: of two circles of radius r whose centres stand d apart, each has acos(d/2r)/π within the other.
    r = 10.0
    scene = stack(sheet(down(disc(0, 0, r)), 0.5), sheet(down(disc(apart, 0, r)), 0.8))
    below, above = outline_shares(scene, straight_down(), (0, 1))
    assert below.length_mm == pytest.approx(2 * math.pi * r)
    assert below.hidden == pytest.approx(math.acos(apart / (2 * r)) / math.pi, abs=1e-12)
    assert above.hidden == 0.0


def test_hidden_share_of_two_rectangles_counts_openings():
    # A 20 × 10 rectangle (edges 60) with a disc of radius 2 (edge 4π); the other covers its right 8 mm and the disc.
    below = sheet(down(rectangle(0, 0, 20, 10)), 0.5, holes=(down(disc(16, 5, 2)),))
    above = sheet(down(rectangle(12, -3, 40, 13)), 0.8)
    share = outline_shares(stack(below, above), straight_down(100), (0,))[0]
    assert share.hidden == pytest.approx((8 + 10 + 8 + 4 * math.pi) / (60 + 4 * math.pi), abs=1e-12)


def test_what_lies_beyond_the_picture_is_outside_unless_it_is_hidden():
    # Pixel −0.5 is the picture's left border: of a rectangle from −10.5 to 29.5, 10 mm of either long side and one end.
    lying = sheet(rectangle(-10.5, -30, 29.5, -10), 0.5)
    bare = outline_shares(stack(lying), straight_down(), (0,))[0]
    assert bare.outside == pytest.approx((10 + 10 + 20) / 120, abs=0.01)
    lid = sheet(rectangle(-20, -40, -0.5, 0), 0.8)
    covered = outline_shares(stack(lying, lid), straight_down(), (0,))[0]
    assert covered.hidden == pytest.approx((10 + 10 + 20) / 120, abs=1e-12)
    assert covered.outside == 0.0


def test_a_veil_hides_nothing():
    scene = stack(sheet(down(disc(0, 0, 9)), 0.5), sheet(down(disc(4, 0, 9)), 0.0, lets_through=0.5))
    assert outline_shares(scene, straight_down(), (0,))[0].hidden == 0.0


def test_the_light_of_overlapping_discs_is_that_of_their_areas():
    # Closed form: the lens of two circles, 2r²·acos(d/2r) − d/2·√(4r² − d²); blur keeps the light.
    r, d, ground = 9.3, 7.1, 0.2
    below, above, veil = 0.5, 0.9, 0.4
    lens = 2 * r**2 * math.acos(d / (2 * r)) - d / 2 * math.sqrt(4 * r**2 - d**2)
    area = math.pi * r**2
    first, second = down(disc(0.37, 0.21, r)), down(disc(0.37 + d, 0.21, r))
    solid = irradiance(stack(sheet(first, below), sheet(second, above)), straight_down(), 0.8).astype(float)
    expected = (area - lens) * (below - ground) + area * (above - ground)
    assert (solid - ground).sum() == pytest.approx(expected, rel=2e-5)
    shaded = irradiance(stack(sheet(first, below), sheet(second, 0.0, lets_through=veil)), straight_down(), 0.8)
    expected = (area - lens) * (below - ground) + (area - lens) * (veil - 1) * ground + lens * (veil * below - ground)
    assert (shaded.astype(float) - ground).sum() == pytest.approx(expected, rel=2e-5)


def test_the_later_sheet_lies_on_top_and_openings_show_what_is_below():
    low, high = sheet(down(rectangle(-20, -15, 20, 15)), 0.5), sheet(down(disc(0, 0, 12)), 0.9)
    ring = sheet(down(disc(0, 0, 12)), 0.9, holes=(down(disc(0, 0, 6)),))
    camera = straight_down()
    centre = [
        float(irradiance(stack(*order), camera, 0.8)[24, 30]) for order in ((low, high), (high, low), (low, ring))
    ]
    assert centre == pytest.approx([0.9, 0.5, 0.5], abs=1e-6)


def test_a_stack_equals_the_painted_twin():
    # The twin paints in order on a fine grid and knows nothing of cuts. Tilt, lens, heights, openings, a veil, holes.
    camera = perspective(66, 48, 264.0).aimed((30, 20), distance_mm=300.0, tilt_deg=25.0, roll_deg=4.0)
    camera = with_brown_corner(camera, -3.0)
    corners = np.array([[25.0, 10], [50, 12], [48, 34], [20, 30]])
    lower = Sheet(
        (Piece(disc(22, 20, 14), 0.8, 0, holes=(disc(18, 20, 4),)), Piece(rectangle(22, 12, 30, 28), 0.3, 0.8)),
        Lay(z_mm=3.0),
    )
    upper = sheet(rounded(corners, 3.0), 0.6, Lay(z_mm=9.0, angle_deg=7.0), holes=(disc(33, 20, 5),))
    scene = stack(sheet(disc(36, 22, 14), 0.02, lets_through=0.5), lower, upper)
    fast = irradiance(scene, camera, 0.8)
    coarse, fine = (painted(scene, camera, 0.8, m) - fast for m in (2, 6))
    # As for scenes without overlap: the twin's grid errs by m^(−3/2), 0.19 from m = 2 to 6.
    assert np.sqrt((fine**2).mean()) < 0.25 * np.sqrt((coarse**2).mean())
    assert np.abs(fine).max() < 0.02


@pytest.mark.parametrize("over", [False, True])
def test_a_plate_on_a_plate_equals_the_painted_twin(over):
    camera = perspective(90, 66, 264.0).aimed((40, 25), distance_mm=300.0, tilt_deg=12.0)
    lower = LaidPlate(NOMINAL, Place(2.0, 3.0, 4.0, 3.0))
    upper = laid_with_middle(VARIANTS["long"], np.array([55.0, 30.0]), 70.0, 6.0, over)
    scene = Scene(0.2, plate_sheets(lower) + plate_sheets(upper), stacked=True)
    fast = irradiance(scene, camera, 0.8)
    coarse, fine = (painted(scene, camera, 0.8, m) - fast for m in (2, 6))
    assert np.sqrt((fine**2).mean()) < 0.25 * np.sqrt((coarse**2).mean())
    assert np.abs(fine).max() < 0.03


def test_plates_that_do_not_touch_look_as_each_does_alone():
    camera = perspective(300, 220, 600.0).aimed((60, 45), distance_mm=300.0, tilt_deg=20.0)
    plates = [laid_with_middle(NOMINAL, np.array([x, 45.0]), a, 3.0) for x, a in ((20.0, 100.0), (95.0, -17.0))]
    alone = [irradiance(Scene(0.2, plate_sheets(p), stacked=True), camera, 0.8) for p in plates]
    both = irradiance(Scene(0.2, plate_sheets(plates[0]) + plate_sheets(plates[1]), stacked=True), camera, 0.8)
    # Where one stands the other's picture is bare ground, so the pictures add.
    assert both == pytest.approx(alone[0] + alone[1] - np.float32(0.2), abs=1e-5)
    assert np.abs(alone[0] - 0.2).max() > 0.3


def test_a_stacked_sheet_alone_equals_the_scene_without_overlap():
    camera = perspective(120, 90, 500.0).aimed((5, 4), distance_mm=300.0, tilt_deg=20.0)
    body = (Piece(disc(4, 3, 8), 0.8, 0.2), Piece(rectangle(0, 0, 6, 5), 0.3, 0.8))
    lying = (Sheet(body, Lay(2.0, 1.0, 30.0, 4.0)),)
    assert irradiance(Scene(0.2, lying, stacked=True), camera, 0.8) == pytest.approx(
        irradiance(Scene(0.2, lying), camera, 0.8), abs=1e-6
    )


def test_no_row_of_a_crowded_picture_is_left_open():
    # Rings that did not close would leave a streak: right of everything the ground must be bare.
    rng = np.random.default_rng(5)
    for _ in range(60):
        things = []
        for _ in range(12):
            x, y, r = rng.uniform(10, 40), rng.uniform(-60, -10), rng.uniform(2, 9)
            form = (
                disc(0, 0, r) if rng.random() < 0.5 else rounded(np.array([[-r, -r], [r, -r], [r, r], [-r, r]]), r / 2)
            )
            through = float(rng.choice([0.0, 0.0, 0.6]))
            hole = (disc(0, 0, r / 3),) if rng.random() < 0.5 else ()
            lay = Lay(float(x), float(y), float(rng.uniform(0, 360)))
            things.append(sheet(form, float(rng.uniform(0.1, 0.9)) * (through == 0), lay, hole, through))
        picture = irradiance(stack(*things), straight_down(80, 72), 0.8)
        assert picture[:, 62:] == pytest.approx(0.2, abs=2e-4)


def test_a_touch_finer_than_the_chords_leaves_no_row_open():
    # A bar whose long side reaches 0.001 mm into a rounded corner, with the middle of that side where it does so.
    r = 5.4
    corner = rounded(np.array([[-20.0, -20], [0, -20], [0, 0], [-20, 0]]), r)
    for degrees in (41.0, 45.0, 48.7):
        n = np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])
        at = np.array([-r, -r]) + (r - 0.001) * n + (30.0, -24.0)
        bar = sheet(rectangle(-10, 0, 10, 3), 0.9, Lay(float(at[0]), float(at[1]), degrees - 90.0))
        picture = irradiance(stack(sheet(corner.moved(30, -24), 0.6), bar), straight_down(70), 0.8)
        assert picture[:, 52:] == pytest.approx(0.2, abs=1e-4)


def test_a_turned_plate_mirrors_the_picture():
    camera = straight_down(90, 70)
    up, over = LaidPlate(NOMINAL, Place(12.0, -35.0)), LaidPlate(NOMINAL, Place(12.0, -35.0), turned_over=True)
    look = replace(CELL_LOOK, face=BACK, flange=BACK)
    above, below = (irradiance(Scene(0.2, plate_sheets(p, look, None), stacked=True), camera, 0.8) for p in (up, over))
    # Row 35 is the part's x axis: one lies above it, the other below, bores and slot at mirrored places.
    assert above[1:70] == pytest.approx(below[1:70][::-1], abs=1e-6)
    assert np.abs(above - below).max() > 0.4


@pytest.mark.parametrize("lay", [Lay(bow=Cylinder(0.5, 20.0)), Lay(scale_x=1.01), Lay(scale_x=-1.0, scale_y=-1.0)])
def test_a_bowed_or_stretched_sheet_is_refused(lay):
    with pytest.raises(UnrenderableScene, match="cannot be part of a stack"):
        irradiance(stack(sheet(disc(5, -5, 3), 0.5, lay)), straight_down(), 0.8)
