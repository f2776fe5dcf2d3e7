import math
from dataclasses import replace

import numpy as np
import pytest

from tiepoint.bench.plate import CHARACTERISTICS, DEFECTS, NOMINAL, Hole, Lot, Plate, Scratch, make_lot
from tiepoint.bench.surface import Look, bend_edge, outline_of, plate_sheet
from tiepoint.render.camera import perspective
from tiepoint.render.integral import irradiance
from tiepoint.render.outline import rounded
from tiepoint.render.scene import Lay, Scene
from tiepoint.render.twin import painted


def test_nominal_plate_has_the_nominal_values():
    assert NOMINAL.truth == {name: c.nominal for name, c in CHARACTERISTICS.items()}
    assert NOMINAL.conforms


def test_truth_of_a_leaning_plate_follows_from_its_edges():
    # Closed forms: the edges' own directions and distances from their corner points.
    plate = Plate(width_mm=59.9, angle_deg=91.0, bore_b=Hole(48.1, 11.9, 6.02))
    (lower_left, lower_right), (upper_left, _) = plate.at_height(0.0), plate.at_height(40.0)
    along = (upper_left - lower_left) / np.hypot(*(upper_left - lower_left))
    assert math.degrees(math.atan2(along[1], along[0])) == pytest.approx(91.0)
    across = np.array([along[1], -along[0]])
    assert (lower_right - lower_left) @ across == pytest.approx(59.9)
    assert plate.truth["bore distance"] == pytest.approx(math.hypot(38.1, 0.1))
    assert plate.truth["true position B"] == pytest.approx(2 * math.hypot(0.1, 0.1))
    # Parallel edges: a parallelogram of width × height/sin… keeps area width·height/sin(angle).
    sharp = outline_of(replace(plate, corner_radius_mm=1e-9))
    assert sharp.signed_area_mm2 == pytest.approx(59.9 * 40 / math.sin(math.radians(91.0)))


def test_lot_has_its_share_of_defects_and_good_plates_conform():
    lot = make_lot(25, 3)
    assert len(lot) == 25
    assert sum(bool(p.defects) for p in lot) == 8
    assert {d for p in lot for d in p.defects} == set(DEFECTS)
    assert all(p.conforms for p in lot if not p.defects)
    wrong = {p.defects[0]: p for p in lot if p.defects}
    assert not wrong["bore A oversize"].conforms
    assert not wrong["bore B shifted"].conforms
    assert not wrong["slot too wide"].conforms
    assert not wrong["plate too narrow"].conforms
    assert not wrong["edges out of square"].conforms
    assert wrong["bore A borderline"].conforms
    assert not wrong["bore B borderline"].conforms
    assert wrong["slot borderline"].conforms


def test_lot_follows_its_seed():
    assert make_lot(6, 11) == make_lot(6, 11)
    assert make_lot(6, 11) != make_lot(6, 12)
    assert not any(p.defects for p in make_lot(6, 11, Lot(defect_share=0.0)))


def test_spread_is_that_of_the_lot():
    diameters = np.array([p.bore_a.diameter_mm for p in make_lot(2000, 1, Lot(defect_share=0.0))])
    # Clipped at 2.5 sd the sd falls by 1.5 % (integral of the clipped normal); the sample's own sd is 1.6 %.
    assert diameters.std() == pytest.approx(0.015 * 0.985, rel=0.07)
    assert diameters.mean() == pytest.approx(4.5, abs=4 * 0.015 / math.sqrt(2000))


def test_scratches_keep_clear_of_what_is_measured():
    scratches = [s for p in make_lot(200, 5) for s in p.scratches]
    assert scratches
    for s in scratches:
        for x, y in ((s.x0_mm, s.y0_mm), (s.x1_mm, s.y1_mm)):
            assert 17 < x < 41
            assert 3 < y < 20


def test_a_bevel_is_bright_towards_the_lamp():
    look = Look(bevel_mm=0.2, lamp_azimuth_deg=90.0)
    facing, averted, aside = (look.bevelled(np.array(n, float)) for n in ((0, 1), (0, -1), (1, 0)))
    assert averted < aside < facing
    # Lambert for a 45° bevel and a lamp 60° high: (sin45·cos60 + cos45·sin60)/sin60 of the face's 0.78.
    assert facing == pytest.approx(0.78 * (0.5 + math.sqrt(3) / 2) * math.sqrt(0.5) / (math.sqrt(3) / 2))


def test_every_piece_of_a_plate_lies_inside_its_outer_edge():
    plate = make_lot(1, 4)[0]
    plate = replace(plate, scratches=(Scratch(25, 10, 27, 12, 0.05, -0.2),))
    for bevel in (0.0, 0.15):
        pieces = plate_sheet(plate, Lay(), Look(bevel_mm=bevel)).pieces
        whole = pieces[0].outline.points
        for piece in pieces[1:]:
            assert (piece.outline.points >= whole.min(axis=0) - 1e-9).all()
            assert (piece.outline.points <= whole.max(axis=0) + 1e-9).all()


def test_the_bend_is_no_edge_of_the_face():
    corners = np.concatenate([NOMINAL.at_height(0.0), NOMINAL.at_height(31.0)[::-1]])
    face = rounded(corners, (4.0, 4.0, 0.0, 0.0))
    k = bend_edge(face, NOMINAL)
    assert face.points[k][1] == pytest.approx(31.0)
    assert face.ends[k][1] == pytest.approx(31.0)


def test_plate_picture_equals_the_painted_twin():
    # The sum of pieces is right only if each says truly what lies beneath it; the twin paints and does not ask.
    plate = replace(make_lot(3, 2)[1], scratches=(Scratch(22, 8, 36, 15, 0.9, -0.25),))
    camera = perspective(66, 48, 264.0).aimed((30.0, 20.0), distance_mm=300.0, tilt_deg=12.0, roll_deg=4.0)
    look = Look(bevel_mm=1.2)
    scene = Scene(look.ground, (plate_sheet(plate, Lay(z_mm=3.0), look),))
    fast = irradiance(scene, camera, 0.8)
    coarse, fine = (painted(scene, camera, 0.8, m) - fast for m in (2, 6))
    # As in the renderer's own test: the twin's grid errs by m^(−3/2), 0.19 from m = 2 to 6.
    assert np.sqrt((fine**2).mean()) < 0.25 * np.sqrt((coarse**2).mean())
    assert np.abs(fine).max() < 0.02
