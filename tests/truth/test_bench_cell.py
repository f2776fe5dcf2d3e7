"""The cell's shots, belt, picks and hand-eye sets as wholes, against closed forms, OpenCV and scikit-image.

What they are made of is held elsewhere: stacks in test_bench_stack, the robot in test_bench_robot.
"""

import math
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
import pytest
from skimage.measure import points_in_poly

from tiepoint.bench.cell import FLANGE_FROM_CAMERA, ROBOT_FROM_PLANE, Cell
from tiepoint.bench.plate import NOMINAL
from tiepoint.bench.robot import Robot
from tiepoint.bench.scatter import BARE, Crowd, arranged, laid_with_middle
from tiepoint.bench.station import BenchStation, View
from tiepoint.bench.worlds import World
from tiepoint.foundation.frames import Pose3
from tiepoint.render.integral import irradiance
from tiepoint.render.outline import sampled
from tiepoint.render.photo import Exposure
from tiepoint.render.scene import Scene, Sheet
from tiepoint.render.sensor import Light, PlainSensor
from tiepoint.render.stack import outline_shares
from tiepoint.render.twin import painted
from tiepoint.targets.draw import new_target

NO_LENS = World("no lens error", "a pinhole, for closed forms", lambda camera, percent: camera)
NOISELESS = Exposure(light=Light(0.9), sensor=PlainSensor(0.0, bits=16))
PINHOLE = BenchStation(
    view=View(tilt_deg=0.0, azimuth_deg=0.0, roll_deg=0.0),
    world=NO_LENS, width_px=306, height_px=256, pixel_um=27.6, exposure=NOISELESS,
)  # fmt: skip
FOCAL_PX = 25000 / 27.6
FULL = 65535
TARGET = new_target("checker", 6.0, 9, 7)


def grey(reflectance):
    return reflectance * 0.9 * FULL


@pytest.mark.parametrize("upper_is_turned", [True, False])
def test_the_later_plate_is_seen_and_the_earlier_one_through_its_bore(upper_is_turned):
    # A face has 0.78, a back 0.7. Same middle; the lower one is turned by 90° so that no opening meets another.
    lower = laid_with_middle(NOMINAL, np.array([60.0, 45.0]), 90.0, 3.0, not upper_is_turned)
    upper = laid_with_middle(NOMINAL, np.array([60.0, 45.0]), 0.0, 6.0, upper_is_turned)
    crowd = replace(BARE, shadow=None)
    shot = Cell(1, PINHOLE, crowd=crowd).shot_of([lower, upper], 1)
    above, below = (0.7, 0.78) if upper_is_turned else (0.78, 0.7)
    middle, bore = upper.middle_mm, upper.place.to_plane(mirrored_if(upper_is_turned, NOMINAL.bore_b))[0]
    assert lower.covers(bore[None]).all()
    assert at(shot, middle, 6.0) == pytest.approx(grey(above), abs=1)
    assert at(shot, bore, 6.0) == pytest.approx(grey(below), abs=1)


def mirrored_if(turned, hole):
    return np.array([[hole.x_mm, -hole.y_mm if turned else hole.y_mm]])


def at(shot, place, height):
    """Return the grey of the pixel that sees a place, by the pinhole: u = c + f·X/Z."""
    scale = FOCAL_PX / (400.0 - height)
    x = (306 - 1) / 2 + 9.3 + scale * (place[0] - 60.0)
    y = (256 - 1) / 2 - 6.1 - scale * (place[1] - 45.0)
    return float(shot.picture[round(y), round(x)])


def test_the_belt_moves_the_picture_by_its_counts():
    # Similar triangles: 600 counts of 0.05 mm move a face 3 mm above the belt by f·30/(400 − 3) px; the centre of its
    # light moves as much, whatever the plate looks like.
    cell = Cell(2, PINHOLE, crowd=replace(BARE, shadow=None))
    cell = replace(cell, belt=replace(cell.belt, pitch_mm=300.0))
    middle = cell.belt.count_of(5)
    centres = [centre_of_light(cell.belt_shot(middle + counts).picture) for counts in (-300, 300)]
    way = FOCAL_PX * 30.0 / 397.0
    direction = math.radians(3.0)
    assert centres[1] - centres[0] == pytest.approx([way * math.cos(direction), -way * math.sin(direction)], abs=1e-3)


def centre_of_light(picture):
    # The ground as it was rounded: 0.3 of 65 535 over the whole field would draw the centre by 0.004 px.
    light = picture.astype(float) - np.median(picture)
    y, x = np.indices(picture.shape)
    return np.array([(light * x).sum(), (light * y).sum()]) / light.sum()


def test_picks_scatter_about_the_taught_grip_as_rayleigh_says():
    # Of Gaussian σ along x and y the mean distance is σ·√(π/2), its root mean square σ·√2 (Rayleigh's distribution).
    cell = Cell(3, robot=Robot(ROBOT_FROM_PLANE, repeatability_mm=0.02, repeatability_deg=0.01), crowd=BARE)
    # The tool point stands 120 mm before the flange: turns of the wrist move it as well.
    sideways = math.hypot(0.02, 120.0 * math.radians(0.01))
    laid = laid_with_middle(NOMINAL, np.array([60.0, 45.0]), 77.0, 3.0)
    grasps = [cell.pick(laid, cell.true_grip(laid), number) for number in range(2000)]
    beside, turn = np.array([g.beside_mm for g in grasps]), np.array([g.turn_deg for g in grasps])
    # Relative sd of a mean over 2000 is 1.2 %, of an sd 1.6 %.
    assert beside.mean() == pytest.approx(sideways * math.sqrt(math.pi / 2), rel=0.04)
    assert math.sqrt((beside**2).mean()) == pytest.approx(sideways * math.sqrt(2), rel=0.04)
    assert turn.std() == pytest.approx(0.01, rel=0.06)
    errors = np.array([g.error_mm for g in grasps])
    assert np.abs(errors.mean(axis=0)).max() < 4 * sideways / math.sqrt(2000)
    # Picks of neighbouring numbers know nothing of one another.
    assert abs(np.corrcoef(errors[1:, 0], errors[:-1, 0])[0, 1]) < 4 / math.sqrt(2000)


@pytest.mark.parametrize("eye", ["in-hand", "to-hand"])
def test_motions_of_hand_and_eye_are_the_same_screw(eye):
    # Chen 1991: A·X = X·B only where A and B turn by the same angle and shift alike along their axes. No mount needed.
    cell = Cell(4, robot=Robot(ROBOT_FROM_PLANE), crowd=BARE)
    taken = cell.eye_set(eye, TARGET, 9, pictures=False)
    turns = []
    for a, b in pairwise(taken.shots):
        if eye == "in-hand":
            hand = a.robot_from_flange.inverse() @ b.robot_from_flange
            seen = a.camera_from_target @ b.camera_from_target.inverse()
        else:
            hand = b.robot_from_flange @ a.robot_from_flange.inverse()
            seen = b.camera_from_target @ a.camera_from_target.inverse()
        assert screw(hand) == pytest.approx(screw(seen), abs=1e-9)
        turns.append(screw(hand)[0])
    assert min(turns) > math.radians(5)


def screw(pose):
    """Return the angle (rad) of a motion, and its shift along the axis (mm)."""
    vector = cv2.Rodrigues(pose.rotation)[0].ravel()
    angle = float(np.linalg.norm(vector))
    return angle, float(vector @ pose.translation_mm) / angle


def test_the_pixels_of_a_hand_eye_set_lead_to_the_mount_by_opencv_alone():
    cell = Cell(5, PINHOLE, robot=Robot(ROBOT_FROM_PLANE), crowd=BARE)
    taken = cell.eye_set("in-hand", TARGET, 6)
    matrix = np.array([[FOCAL_PX, 0, 152.5 + 9.3], [0, FOCAL_PX, 127.5 - 6.1], [0, 0, 1]])
    eyes = []
    for shot in taken.shots:
        truth = shot.rendered.truth
        found, turn, shift = cv2.solvePnP(truth.xyz_mm, truth.px, matrix, None, flags=cv2.SOLVEPNP_IPPE)
        assert found
        turn, shift = cv2.solvePnPRefineLM(truth.xyz_mm, truth.px, matrix, None, turn, shift)
        eyes.append((cv2.Rodrigues(turn)[0], shift))
    hands = [shot.robot_from_flange for shot in taken.shots]
    rotation, shift = cv2.calibrateHandEye(
        [h.rotation for h in hands], [h.translation_mm for h in hands],
        [turn for turn, _ in eyes], [shift for _, shift in eyes], method=cv2.CALIB_HAND_EYE_PARK,
    )  # fmt: skip
    assert np.abs(rotation - FLANGE_FROM_CAMERA.rotation).max() < 1e-5
    assert shift.ravel() == pytest.approx(FLANGE_FROM_CAMERA.translation_mm, abs=2e-3)


@pytest.mark.parametrize("number", range(6))
def test_hidden_shares_of_a_crowd_are_those_of_rays_through_polygons(number):
    # Witness: points along the plate's edges, each looked at from the camera's centre; scikit-image says which polygons
    # of later sheets the ray meets. It knows nothing of chords, cuts or windings.
    crowd = Crowd((2, 2), (1, 1), (1, 1), 1.0, hidden=(0.1, 0.4))
    cell = Cell(6, replace(PINHOLE, view=View(tilt_deg=22.0, azimuth_deg=70.0)), crowd=crowd)
    drawn = arranged(crowd, cell.field_mm, np.random.default_rng(number))
    camera = cell.station.camera
    shares = outline_shares(Scene(0.2, drawn.sheets, stacked=True), camera, drawn.numbers)
    for laid, share, place in zip(drawn.plates, shares, drawn.numbers, strict=True):
        xyz = np.column_stack([laid.edge_mm, np.full(len(laid.edge_mm), laid.place.height_mm)])
        covered = np.zeros(len(xyz), bool)
        for later in drawn.sheets[place + 1 :]:
            covered |= meets(later, xyz, camera.centre_mm)
        # Some 260 points of 1 mm: each place where cover begins or ends is off by up to half of one.
        assert share.hidden == pytest.approx(covered.mean(), abs=4 / len(xyz))
    assert max(share.hidden for share in shares) > 0.1


def meets(sheet: Sheet, xyz, centre):
    body = sheet.pieces[0]
    if body.lets_through > 0:
        return np.zeros(len(xyz), bool)
    height = sheet.lay.z_mm + body.z_mm
    way = xyz - centre
    points = (xyz + way * ((height - xyz[:, 2]) / way[:, 2])[:, None])[:, :2]

    def ring(outline):
        fine = sampled(outline, 64)
        return sheet.lay.place(fine)[:, :2]

    inside = points_in_poly(points, ring(body.outline))
    for hole in body.holes:
        inside &= ~points_in_poly(points, ring(hole))
    return inside


def test_a_drawn_crowd_equals_the_painted_twin():
    crowd = Crowd((1, 1), (1, 1), (1, 1), 1.0, clutter_count=(8, 8), bands=(1, 1), weave_contrast=(0.0, 0.0))
    station = BenchStation(view=View(tilt_deg=18.0), width_px=51, height_px=43, pixel_um=165.6)
    cell = Cell(7, station, crowd=crowd)
    drawn = arranged(crowd, cell.field_mm, np.random.default_rng(7))
    scene = Scene(0.2, drawn.sheets, stacked=True)
    fast = irradiance(scene, station.camera, 0.8)
    coarse, fine = (painted(scene, station.camera, 0.8, m) - fast for m in (2, 6))
    # As for hand-made stacks: the twin's grid errs by m^(−3/2), 0.19 from m = 2 to 6.
    assert np.sqrt((fine**2).mean()) < 0.25 * np.sqrt((coarse**2).mean())
    assert np.abs(fine).max() < 0.03


def test_an_exact_pick_stays_exact_after_the_belt_has_moved():
    cell = Cell(8, robot=Robot(ROBOT_FROM_PLANE), crowd=BARE, station=PINHOLE)
    count = cell.belt.count_of(3)
    part = next(p for p in cell.belt_shot(count).parts if p.edge.outside < 0.2)
    later = cell.carried(part, 4000)
    grasp = cell.pick(later.laid, later.robot_from_grip, 1)
    assert grasp.error_mm == pytest.approx((0, 0, 0), abs=1e-9)
    # The pose of the picture itself misses by the belt's way: 4000 counts of 0.05 mm.
    assert cell.pick(later.laid, part.robot_from_grip, 1).beside_mm == pytest.approx(200.0, abs=1e-9)
    # The same, by matrices: the grip is robot ← plane ← part ← grip, shifted in the plane.
    x, y = 200.0 * math.cos(math.radians(3)), 200.0 * math.sin(math.radians(3))
    plane_from_robot = ROBOT_FROM_PLANE.inverse()
    carried = ROBOT_FROM_PLANE @ Pose3(x, y, 0.0) @ plane_from_robot @ part.robot_from_grip
    assert np.abs(carried.matrix - later.robot_from_grip.matrix).max() < 1e-9
