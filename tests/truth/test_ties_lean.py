"""A leaning surface: every derivative against differences of exact projections through the bench's pinhole."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tiepoint.bench.station import BenchStation, View
from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.frames import Pose2, Pose3
from tiepoint.foundation.sources import Values, constant
from tiepoint.recipe.beside import TaughtShape
from tiepoint.recipe.features import PointFeature
from tiepoint.recipe.ground import PlaneGround
from tiepoint.recipe.steps import find
from tiepoint.render.camera import Camera, orthographic, project
from tiepoint.ties.grip import PlanarRobot, SpaceRobot, part_in_robot
from tiepoint.ties.lean import lean_of
from tiepoint.ties.pairs import tie_by_pairs
from tiepoint.ties.tie import Tie
from tiepoint.ties.uncertain_pose import exact
from tiepoint.vision.seek_model import FoundShape, Pose, SeenEdges

U = math.radians(0.3)
SMALL = 1e-5
"""rad: a lean so small that what is of second order does not show."""
HEIGHT = 12.0
ORIGIN, TURN = np.array([84.0, 38.0]), math.radians(35.0)


def seen_by_a_leaning_camera(tilt_deg: float = 20.0) -> tuple[BenchStation, Tie]:
    """Return a camera and its exact tie to the plane of z = HEIGHT: the homography of four points (from memory)."""
    view = View((62.0, 46.0), 480.0, tilt_deg, 65.0, 5.0)
    bench = BenchStation(view, width_px=1224, height_px=1024, pixel_um=6.9, distortion_percent=0.0)
    plane = np.array([[0, 0], [120, 0], [120, 90], [0, 90]], float)
    px = project(bench.camera, np.column_stack([plane, np.full(4, HEIGHT)]))
    rows = []
    for (u, v), (x, y) in zip(px, plane, strict=True):
        rows += [[u, v, 1, 0, 0, 0, -x * u, -x * v, -x], [0, 0, 0, u, v, 1, -y * u, -y * v, -y]]
    matrix = np.linalg.svd(np.array(rows))[2][-1].reshape(3, 3)
    x, y, z = bench.camera.centre_mm.tolist()
    tie = Tie("t", "target", "image", "plane", "perspective", matrix / matrix[2, 2], px, height_mm=HEIGHT,
              distance_mm=z - HEIGHT, foot_mm=(x, y))  # fmt: skip
    return bench, tie


def leaning_px(bench: BenchStation, pivot: np.ndarray, places: np.ndarray, lean: np.ndarray) -> np.ndarray:
    """Return what the camera sees of places (n, 2) of the plane whose surface leans about a pivot, exactly."""
    flat = np.column_stack([places - pivot, np.zeros(len(places))])
    turned = flat @ Rotation.from_rotvec([*lean, 0.0]).as_matrix().T
    return project(bench.camera, turned + np.array([*pivot, HEIGHT]))


def in_plane(places: np.ndarray) -> np.ndarray:
    return Pose2(*ORIGIN, TURN).apply(places)


@pytest.mark.parametrize("axis", [0, 1])
def test_a_place_follows_the_lean_as_exact_projection_has_it(axis):
    bench, tie = seen_by_a_leaning_camera()
    lean = lean_of(tie, U, "p")
    tied, places = lean.tied(tie), np.array([[10.0, 70.0], [84.0, 38.0], [110.0, 15.0]])
    by = SMALL * np.eye(2)[axis]
    both = [leaning_px(bench, np.array(lean.middle_mm), places, s * by) for s in (1, -1)]
    shown = (tie.map(both[0]).xy_mm - tie.map(both[1]).xy_mm) / (2 * SMALL)
    mapped = tied.map(project(bench.camera, np.column_stack([places, np.full(3, HEIGHT)])))
    column = mapped.sources.index(lean.sources[axis])
    # What the tie is off by where the surface leans is what it shows, and its source counts the true less the shown.
    assert mapped.d_sources[:, :, column] == pytest.approx(-shown, abs=2e-3)
    assert np.abs(shown).max() > 5.0  # mm a rad: half a tenth for half a degree


def by_places(bench, tied: Tie, lean_by: np.ndarray) -> Values:
    """The frame of two holes, 20 mm apart."""
    px = leaning_px(bench, ORIGIN, in_plane(np.array([[0.0, 0.0], [20.0, 0.0]])), lean_by)
    there = tied.map(px)
    pose = find.frame_of(tuple(PointFeature(Values(there.xy_mm[k], there.d_sources[k], there.sources)) for k in (0, 1)))
    assert isinstance(pose, Values)
    return pose


def by_outline(bench, tied: Tie, lean_by: np.ndarray) -> Values:
    """The frame of a longish outline, by a least-squares fit of its own."""
    t = np.linspace(0, math.tau, 90, endpoint=False)
    places = np.column_stack([18 * np.cos(t) + 9.0, 8 * np.sin(t) + 4.0])
    normals = np.column_stack([np.cos(t) / 18, np.sin(t) / 8])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    px = leaning_px(bench, ORIGIN, in_plane(places), lean_by)
    ground, pose = tied.map(px, with_sources=False).xy_mm, np.array([*ORIGIN, TURN])
    for _ in range(6):
        to = Pose2(*pose)
        at, across = to.apply(places), normals @ to.rotation.T
        arm = at - pose[:2]
        jacobian = np.column_stack([across, across[:, 1] * arm[:, 0] - across[:, 0] * arm[:, 1]])
        sensitivity = np.linalg.pinv(jacobian)
        pose = pose + sensitivity @ np.sum(across * (ground - at), axis=1)
    seen = np.ones(len(t), bool)
    edges = SeenEdges(at, across, px, np.zeros(len(t)), seen, np.vstack([sensitivity, np.zeros(len(t))]))
    shape = FoundShape(Pose(*pose), np.zeros((4, 4)), 1.0, 0.0, (), True, False, 0.0, 1.0, (), edges)
    context = SimpleNamespace(ground=PlaneGround(tied), table=SimpleNamespace(name="part"))
    sources, c = find._by_tie(context, TaughtShape(None, "plane"), shape, edges.sensitivity)
    return find._part(context, shape, "part", find._Causes(sources, c, np.zeros(4))).pose


# An outline whose size is held swallows a height by a shift of its middle, 10 mm from the origin: 10/470 of what the
# middle of the field, 24 mm away, rises with the lean. Of two places nothing is held.
@pytest.mark.parametrize(("found", "shift_mm"), [(by_places, 2e-3), (by_outline, 10 / 470 * 24)])
@pytest.mark.parametrize("axis", [0, 1])
def test_a_part_that_leans_about_its_own_origin_is_found_turned_as_its_sources_say(found, shift_mm, axis):
    bench, tie = seen_by_a_leaning_camera()
    lean = lean_of(tie, U, "p")
    tied, by = lean.tied(tie), SMALL * np.eye(2)[axis]
    shown = (found(bench, tied, by).value - found(bench, tied, -by).value) / (2 * SMALL)
    told = lean.of_part(found(bench, tied, np.zeros(2)))
    column = told.c[:, told.sources.index(lean.sources[axis])]
    assert column[2] == pytest.approx(-shown[2], abs=2e-3)
    assert column[:2] == pytest.approx(-shown[:2], abs=shift_mm)
    assert abs(shown[2]) > 0.01  # rad a rad


def test_from_above_a_leaning_part_is_not_seen_turned():
    bench, tie = seen_by_a_leaning_camera(0.0)
    lean = lean_of(tie, U, "p")
    below = Values(np.array([*tie.foot_mm, 0.0]), np.zeros((3, 0)), ())
    assert lean.of_part(below).c == pytest.approx(np.zeros((3, 2)), abs=1e-12)
    turn = by_places(bench, lean.tied(tie), np.zeros(2))[2]
    # 30 mm from the foot at 470 mm: 0.06 rad a rad at most.
    assert turn.u < 0.07 * U


@pytest.mark.parametrize("kind", ["pairs", "space"])
def test_the_grip_leans_with_the_part_in_the_robot_s_axes(kind):
    """The plane lies turned by 50° in the robot's frame: exact turns about the plane's axes are the truth."""
    turned = Pose3.from_angles((400.0, 100.0, 7.0), (50.0, 0.0, 0.0), "zyx-intrinsic-deg")
    grid = np.array([[x, y] for x in (0.0, 60.0, 120.0) for y in (0.0, 45.0, 90.0)])
    to = turned.apply(np.column_stack([grid, np.zeros(9)]))[:, :2]
    pairs = tie_by_pairs(grid, to, from_frame="plane", to_frame="robot", model="rigid").tie
    robot = SpaceRobot(exact(turned)) if kind == "space" else PlanarRobot(pairs, constant(7.0))
    lean = lean_of(seen_by_a_leaning_camera()[1], U, "p")
    part = Values(np.array([*ORIGIN, TURN]), np.zeros((3, 0)), ())
    placed = part_in_robot(part, robot, constant(HEIGHT), lean)
    for axis in (0, 1):
        flat = Pose3(*ORIGIN, HEIGHT) @ Pose3.from_angles((0, 0, 0), (math.degrees(TURN), 0, 0), "zyx-intrinsic-deg")
        about = np.degrees(SMALL) * np.eye(3)[axis]
        leant = turned @ Pose3(*ORIGIN, HEIGHT) @ Pose3.from_angles((0, 0, 0), about, "rotvec-deg")
        leant = leant @ Pose3(*ORIGIN, HEIGHT).inverse() @ flat
        omega = Rotation.from_matrix(leant.rotation @ (turned @ flat).rotation.T).as_rotvec() / SMALL
        column = placed.c[:, placed.sources.index(lean.sources[axis])]
        assert column == pytest.approx([*omega, 0, 0, 0], abs=1e-4)


def seen_by_rays_that_lean(lean_deg: float, towards_deg: float) -> tuple[Camera, Tie]:
    """Return a telecentric camera of 20 px a mm, whose rays lean, and its exact affine tie of the plane z = 0."""
    to = Rotation.from_euler("zyz", [-towards_deg, lean_deg, towards_deg], degrees=True).as_matrix()
    upright = orthographic(2001, 1501, 20.0)
    camera = replace(upright, rotation=upright.rotation @ to, principal_px=(1000.0, 750.0))
    plane = np.array([[-30.0, -20, 0], [30, -20, 0], [30, 20, 0], [-30, 20, 0]])
    px = project(camera, plane)
    flat = np.column_stack([plane[:3, :2], np.ones(3)]).T @ np.linalg.inv(np.column_stack([px[:3], np.ones(3)]).T)
    return camera, Tie("t", "target", "image", "plane", "affine", flat, px)


@pytest.mark.parametrize("towards_deg", [0.0, 37.0, 200.0])
@pytest.mark.parametrize("lean_deg", [0.0, 1.0, 5.0, 15.0])
def test_leaning_rays_show_a_leaning_surface_within_its_u(lean_deg, towards_deg):
    """The renderer's rays meet a surface that exact turns have leant, by angles drawn from what was stated."""
    camera, tie = seen_by_rays_that_lean(lean_deg, towards_deg)
    lean = lean_of(tie, U, "p")
    middle = np.array([*lean.middle_mm, 0.0])
    flat = np.array([[-25.0, -18.0, 0.0], [25.0, 12.0, 0.0]])
    leant = np.array(
        [Rotation.from_rotvec([*a, 0.0]).apply(flat - middle) + middle
         for a in np.random.default_rng(5).normal(0.0, U, (1000, 2))]
    )  # fmt: skip
    # How places show beside where they lie: what the rays' lean makes of their heights.
    off = tie.map(project(camera, leant.reshape(-1, 3))).xy_mm.reshape(-1, 2, 2) - leant[:, :, :2]
    mapped = lean.tied(tie).map(project(camera, flat))
    u = np.sqrt(np.sum((mapped.d_sources * [s.u for s in mapped.sources]) ** 2, axis=2))
    assert np.mean(np.abs(off) <= 1.96 * u, axis=0).min() >= 0.93
    if lean_deg >= 5:  # and it is told as no more than it may be, where it shows well
        assert np.hypot(*u.T) == pytest.approx(np.sqrt(np.mean(np.sum(off**2, axis=2), axis=0)), rel=0.1)


def test_a_part_below_leaning_rays_leans_about_its_own_origin():
    _, tie = seen_by_rays_that_lean(5.0, 37.0)
    lean = lean_of(tie, U, "p")
    tied, at = lean.tied(tie), tie.to_image([[14.0, -9.0]])
    mapped = tied.map(at)
    # Its origin lies at its stated height: whatever it leans by, nothing of that shows there.
    part = Values(np.array([*mapped.xy_mm[0], 0.0]), np.vstack([mapped.d_sources[0], np.zeros(4)]), mapped.sources)
    assert np.abs(part.c).max() > 0.5
    assert lean.of_part(part).c == pytest.approx(np.zeros((3, 4)), abs=1e-9)


def test_what_cannot_be_told_of_a_lean_is_one_sentence():
    _, tie = seen_by_a_leaning_camera()
    blind = Tie("t", "length", "image", "plane", "similarity", tie.matrix, tie.valid_region)
    with pytest.raises(UnusableInput, match="does not know where its camera stands"):
        lean_of(blind, U, "p")
    for wrong in (0.0, -0.1, math.nan, 1.0):
        with pytest.raises(UnusableInput, match="the u of the lean is"):
            lean_of(tie, wrong, "p")
