import math
from dataclasses import replace

import numpy as np
import pytest
from skimage.measure import points_in_poly

from tiepoint.bench import clutter
from tiepoint.bench.cell import Cell
from tiepoint.bench.place import Place
from tiepoint.bench.plate import CHARACTERISTICS, NOMINAL, VARIANTS, individual
from tiepoint.bench.robot import OVER
from tiepoint.bench.scatter import BARE, Crowd, LaidPlate, arranged, laid_with_middle
from tiepoint.bench.station import BenchStation, View
from tiepoint.bench.surface import hole_outline, outline_of, slot_outline
from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.frames import Pose2, Pose3
from tiepoint.render.camera import project
from tiepoint.render.outline import sampled
from tiepoint.targets.draw import new_target

SMALL = BenchStation(view=View(at_mm=(60.0, 45.0), tilt_deg=20.0), width_px=306, height_px=256, pixel_um=27.6)
"""An eighth of the pixels along each side, the same field."""
BOX = (-7.0, -12.0, 127.0, 102.0)


def cell(**changes):
    return replace(Cell(seed=4, station=SMALL), **changes)


def test_a_number_is_a_picture():
    a, b, c = cell().shot(3), cell().shot(3), cell().shot(4)
    assert (a.picture == b.picture).all()
    assert a.parts == b.parts
    assert not (a.picture == c.picture).all()
    assert not (a.picture == replace(cell(), seed=5).shot(3).picture).all()


def test_a_bare_cell_shows_one_plate_where_it_says():
    shot = cell(crowd=BARE).shot(1)
    (part,) = shot.parts
    assert part.seen == pytest.approx(1 - part.edge.outside)
    bore = project(shot.rendered.camera, np.array([[*part.laid.place.to_plane([[30.0, 5.0]])[0], 3.0]]))[0]
    x, y = np.rint(bore).astype(int)
    # Face 0.78 of 0.9 of full scale, less a little shading.
    assert shot.picture[y, x] == pytest.approx(0.78 * 0.9 * 255, abs=10)
    assert np.median(shot.picture) == pytest.approx(0.2 * 0.9 * 255, abs=10)


def test_length_of_the_edges_is_that_of_outline_bores_and_slot():
    plate = laid_with_middle(NOMINAL, np.array([60.0, 45.0]), 30.0, 3.0)
    (part,) = cell(crowd=BARE).shot_of([plate], 1).parts
    # Geometry: rounded rectangle 2·(60 + 40) − 8r + 2πr; two circles; a slot of 16 × 5.
    expected = 200 - 8 * 4 + 2 * math.pi * 4 + math.pi * (4.5 + 6.0) + 2 * 11 + 5 * math.pi
    assert part.edge.length_mm == pytest.approx(expected)


def test_a_given_plate_hides_the_lower_one():
    lower = laid_with_middle(NOMINAL, np.array([60.0, 45.0]), 0.0, 3.0)
    upper = laid_with_middle(NOMINAL, np.array([60.0, 45.0]), 0.0, 6.0)
    low, high = cell(crowd=BARE).shot_of([lower, upper], 1).parts
    assert high.edge.hidden == 0.0
    # Exactly on one another, bores show bores; tilted at 20°, the lower edge looks out on one side.
    assert 0.3 < low.edge.hidden < 1.0


def test_crowds_hold_what_was_asked():
    crowd = Crowd((2, 2), (1, 1), (1, 1), 1.0, hidden=(0.15, 0.3), clutter_count=(0, 0), bands=(0, 0))
    hidden = []
    for number in range(6):
        shot = replace(cell(crowd=crowd)).shot(number)
        below = [part for part in shot.parts if part.laid.place.height_mm == 3.0]
        assert sum(part.laid.turned_over for part in below) <= 1
        assert {part.laid.plate.variant for part in shot.parts} <= set(VARIANTS)
        assert 1 <= sum(part.laid.wanted for part in below) <= 2
        hidden += [part.edge.hidden for part in below if part.laid.wanted]
        assert 0.3 <= shot.lamp <= 3.0
        assert 0.7 <= shot.blur_px <= 2.0
    # Two upper pieces may share a plate below, and a slanting view moves edges: the median holds.
    assert 0.15 <= np.median(hidden) <= 0.3


def test_an_empty_shot_has_nothing_to_find():
    for number in range(5):
        shot = cell().empty_shot(number)
        assert not shot.wanted
        assert all(part.robot_from_grip is None for part in shot.parts)


def test_lamp_scales_the_light():
    plate = laid_with_middle(NOMINAL, np.array([60.0, 45.0]), 30.0, 3.0)
    dim, plain = (
        cell(crowd=replace(BARE, lamp=(lamp, lamp))).shot_of([plate], 1).picture.astype(float).mean()
        for lamp in (0.3, 1)
    )
    # The black level of 2 does not scale.
    assert (dim - 2) / (plain - 2) == pytest.approx(0.3, abs=0.005)


def test_a_turned_plate_is_a_half_turn_about_its_x():
    up, over = (LaidPlate(NOMINAL, Place(20.0, 30.0, 25.0, 3.0), turned) for turned in (False, True))
    corner = np.array([[48.0, 12.0, 0.0]])
    assert up.plane_from_part.apply(corner)[0] == pytest.approx([*up.place.to_plane([[48.0, 12.0]])[0], 3.0])
    # The face lies on the belt, y runs the other way.
    assert over.plane_from_part.apply(corner)[0] == pytest.approx([*over.place.to_plane([[48.0, -12.0]])[0], 0.0])
    assert over.plane_from_part.rotation[2, 2] == pytest.approx(-1.0)
    assert not over.wanted


def test_covers_agrees_with_edges():
    for turned in (False, True):
        plate = laid_with_middle(NOMINAL, np.array([50.0, 40.0]), 33.0, 3.0, turned)
        assert plate.middle_mm == pytest.approx([50.0, 40.0])
        shrunk = plate.middle_mm + 0.999 * (plate.edge_mm - plate.middle_mm)
        assert plate.covers(shrunk).all()
        outline = np.array([[0.0, -1.0], [-1.0, 20.0], [61.0, 20.0], [30.0, 41.0]]) * (1, -1 if turned else 1)
        assert not plate.covers(plate.place.to_plane(outline)).any()


def test_edge_points_are_even():
    plate = laid_with_middle(NOMINAL, np.array([50.0, 40.0]), 0.0, 3.0)
    rings = [
        outline_of(NOMINAL),
        hole_outline(NOMINAL.bore_a),
        hole_outline(NOMINAL.bore_b),
        slot_outline(NOMINAL.slot),
    ]
    assert len(plate.edge_mm) == pytest.approx(263.8, abs=len(rings))


def test_variants_differ_in_what_they_say():
    assert set(VARIANTS) == {"standard", "long", "short pitch", "large bores", "handed"}
    for name, form in VARIANTS.items():
        assert form.variant == name
        assert form.truth["true position B"] == 0.0
        outlying = [k for k, v in form.truth.items() if not CHARACTERISTICS[k].conforms(v)]
        assert bool(outlying) == (name != "standard")
        made = individual(name, np.random.default_rng(1))
        assert made.variant == name
        assert made.width_mm == pytest.approx(form.width_mm, abs=0.1)


@pytest.mark.parametrize("kind", clutter.KINDS)
def test_clutter_is_of_its_kind_and_follows_its_seed(kind):
    a, b = (clutter.clutter(kind, 20, BOX, np.random.default_rng(3)) for _ in range(2))
    assert len(a) == 20
    assert [s.lay for s in a] == [s.lay for s in b]
    for thing in a:
        assert BOX[0] <= thing.lay.x_mm <= BOX[2]
        assert all(0 <= p.reflectance <= 1 for p in thing.pieces)


def test_openings_of_clutter_keep_apart_and_within():
    # A ring that left its body, or two that met, would be counted twice by the sum over edges.
    rng = np.random.default_rng(8)
    for _ in range(600):
        (body,) = clutter.bracket(rng)
        rings = [sampled(hole, 32) for hole in body.holes]
        outline = sampled(body.outline, 32)
        for k, ring in enumerate(rings):
            assert points_in_poly(ring, outline).all()
            assert not any(points_in_poly(ring, other).any() for n, other in enumerate(rings) if n != k)


def test_unknown_clutter_is_refused():
    with pytest.raises(UnusableInput, match="no clutter 'gravel'; choose one of hardware"):
        clutter.clutter("gravel", 1, BOX, np.random.default_rng(1))


def test_an_impossible_overlap_is_refused():
    crowd = Crowd((1, 1), covered_share=1.0, hidden=(0.999, 1.0))
    with pytest.raises(UnusableInput, match="ask for a wider range"):
        arranged(crowd, BOX, np.random.default_rng(1))


def test_a_stepped_shadow_lets_through_what_was_asked():
    steps = clutter.shadow(outline_of(NOMINAL), Place().lay, 0.4, penumbra_mm=2.0)
    assert np.prod([s.pieces[0].lets_through for s in steps]) == pytest.approx(0.4)
    assert np.ptp([s.lay.x_mm for s in steps]) == pytest.approx(1.5)


def test_the_belt_carries_its_parts():
    c = cell()
    before, after = (c.part_on_belt(3, count) for count in (5000, 7000))
    assert before.plate == after.plate
    way = np.subtract((after.place.x_mm, after.place.y_mm), (before.place.x_mm, before.place.y_mm))
    # 2000 counts of 0.05 mm at 3°.
    assert way == pytest.approx([100 * math.cos(math.radians(3)), 100 * math.sin(math.radians(3))])
    assert after.place.angle_deg == before.place.angle_deg
    assert c.belt.carried(before.place, 2000).lay.x_mm == pytest.approx(after.place.x_mm)


def test_half_a_degree_of_direction_is_seven_millimetres():
    # Closed form: 2·800·sin(0.25°) = 6.98 mm.
    belt = cell().belt
    wrong = replace(belt, direction_deg=belt.direction_deg + 0.5)
    a, b = (each.carried(Place(), 800 / belt.mm_per_count) for each in (belt, wrong))
    assert math.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm) == pytest.approx(6.98, abs=0.005)


def test_a_belt_shot_shows_its_part_at_its_count():
    c = cell(crowd=BARE)
    count = c.belt.count_of(7)
    shot = c.belt_shot(count)
    assert shot.encoder_count == count
    inside = [part for part in shot.parts if part.edge.outside < 0.1]
    assert [part.plate for part in inside] == [c.part_on_belt(7, count).plate]
    later = c.carried(inside[0], 400)
    there = c.part_on_belt(7, count + 400).place
    assert (later.laid.place.x_mm, later.laid.place.y_mm) == pytest.approx((there.x_mm, there.y_mm))
    assert later.robot_from_grip == c.true_grip(later.laid)


def test_belt_runs_through_zero():
    c = cell()
    assert c.part_on_belt(-1, 0).plate != c.part_on_belt(1, 0).plate
    assert [n for n, _ in c.riding(-c.belt.count_of(5))] == [n - 10 for n, _ in c.riding(c.belt.count_of(5))]


def exact(**changes):
    c = cell(crowd=BARE)
    return replace(c, robot=replace(c.robot, repeatability_mm=0.0, repeatability_deg=0.0, accuracy=None, **changes))


def test_an_exact_robot_closes_where_it_was_told():
    c = exact()
    laid = laid_with_middle(NOMINAL, np.array([60.0, 45.0]), 77.0, 3.0)
    grasp = c.pick(laid, c.true_grip(laid), 1)
    assert grasp.error_mm == pytest.approx((0, 0, 0), abs=1e-9)
    assert (grasp.turn_deg, grasp.tilt_deg) == pytest.approx((0, 0), abs=1e-9)


def test_a_wrong_command_is_told_in_the_part_frame():
    c = exact()
    laid = laid_with_middle(NOMINAL, np.array([60.0, 45.0]), 77.0, 3.0)
    robot_from_part = c.robot.robot_from_plane @ laid.plane_from_part
    off = Pose3.from_angles((30.0, 6.0, 1.0), (5.0, 0.0, 0.0), "zyx-intrinsic-deg")
    grasp = c.pick(laid, robot_from_part @ off @ OVER, 1)
    # The taught grip lies at (29, 8, 0).
    assert grasp.error_mm == pytest.approx((1.0, -2.0, 1.0))
    assert grasp.turn_deg == pytest.approx(5.0)
    assert grasp.tilt_deg == pytest.approx(0.0, abs=1e-6)
    assert grasp.beside_mm == pytest.approx(math.sqrt(5))


def test_a_planar_command_stands_upright_in_the_robot_frame():
    c = exact()
    laid = laid_with_middle(NOMINAL, np.array([60.0, 45.0]), 20.0, 3.0)
    grip = c.true_grip(laid)
    along = grip.rotation[:, 0]
    grasp = c.pick(laid, Pose2(grip.x_mm, grip.y_mm, math.atan2(along[1], along[0])), 1)
    assert np.hypot(*grasp.error_mm[:2]) < 1e-9
    # What is left is the plane's own tilt in the robot's frame: acos(cos 0.4°·cos 0.3°) = 0.5°.
    assert grasp.tilt_deg == pytest.approx(0.5, abs=1e-3)


def test_a_wrong_tool_point_shows_in_turns_about_it():
    c = exact(tool_error_mm=(0.6, -0.8, 0.0))
    turning = c.turn_about_tool((60.0, 45.0), [0, 60, 120, 180, 240, 300], 1, pin_mm=0.0)
    away = np.hypot(*(turning.pin_mm - turning.centre_mm).T)
    assert away == pytest.approx(np.full(6, 1.0))
    assert turning.pin_mm.mean(axis=0) == pytest.approx([60.0, 45.0])
    right = exact().turn_about_tool((60.0, 45.0), [0, 90, 180], 1)
    assert right.pin_mm == pytest.approx(np.tile([60.0, 45.0], (3, 1)))
    assert len(right.photos) == 3
    assert np.hypot(*(right.photos[0].truth["pin"] - right.photos[2].truth["pin"])) < 1e-6


@pytest.mark.parametrize("eye", ["in-hand", "to-hand"])
def test_an_eye_set_with_pictures_shows_the_target(eye):
    taken = cell().eye_set(eye, new_target("checker", 6.0, 9, 7), 3)
    for shot in taken.shots:
        assert shot.rendered is not None
        assert shot.rendered.truth.seen.all()
        # The picture's points are those of the pose that is stated.
        points = shot.camera_from_target.apply(shot.rendered.truth.xyz_mm)
        f, centre = SMALL.camera.focal_px[0], np.array(SMALL.camera.principal_px)
        ideal = centre + f * points[:, :2] / points[:, 2:]
        assert np.abs(ideal - shot.rendered.truth.px).max() < 8.0
