"""Does the stated 95 % ellipse of a grip hold where the grip truly is, in the robot's frame?

Every station is made anew, and draws what its sources state. Real, that is the product's own: the tie by target (from
its corners on), its move to the part's height, the robot's tie by pairs or the hand-eye, the part's frame from two
places or from its outline, the grip with its ellipse, turn and z; and the bench's robot, which is touched with, and
which goes where it was told. Shortcuts: no picture is drawn. The target's corners, the part's places and its outline
are projected exactly and get Gaussian noise in px, of the size that they state; the poses of a hand-eye's photos get
the covariance that they state, and one error of scale that they share; points that are touched lie where the plane has
them.

Counted is what the gripper does: the tool is sent to the told pose, arrives with the robot's own error, and its place
beside the grip of the part as it really lies is compared with the ellipse. Each station counts once in each row.

    python proofs/grips.py [--stations 2000] [--seed 0] [--minutes 25]
"""

import argparse
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from common import on_all_cores, write_result
from numpy.typing import NDArray
from scipy import special

from tiepoint.bench.eye import Eye, camera_from_plane, eye_set, spread_views
from tiepoint.bench.printing import print_target
from tiepoint.bench.robot import OVER, Robot, smooth_map, typed
from tiepoint.bench.station import BenchStation, View
from tiepoint.foundation.errors import TiepointError
from tiepoint.foundation.frames import AngleConvention, Pose3
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, Values, measured
from tiepoint.recipe.beside import TaughtShape
from tiepoint.recipe.features import PointFeature
from tiepoint.recipe.grips import GripTable, arm_of
from tiepoint.recipe.ground import PlaneGround
from tiepoint.recipe.steps import find
from tiepoint.render.camera import project
from tiepoint.render.scene import Cylinder, Lay
from tiepoint.targets.draw import new_target, points
from tiepoint.targets.paper import SWELLING_HALF, print_scale
from tiepoint.ties.by_target import FLATNESS_MM, Setting, tie_by_corners
from tiepoint.ties.camera import CAMERA_PARAMETERS, CameraModel
from tiepoint.ties.family import Corners
from tiepoint.ties.grip import PlacedGrip, PlanarRobot, SpaceRobot, place_grip
from tiepoint.ties.hand_eye import hand_eye
from tiepoint.ties.hand_eye_fit import moved
from tiepoint.ties.hand_eye_slips import PoseTable
from tiepoint.ties.hand_eye_views import TargetPoses
from tiepoint.ties.lean import lean_of
from tiepoint.ties.move import PRINCIPAL_HALF_WIDTH_PX, move
from tiepoint.ties.pairs import tie_by_pairs
from tiepoint.ties.repeat import Sighted
from tiepoint.ties.tie import Lens, Tie
from tiepoint.vision.seek_model import FoundShape, Pose, SeenEdges

Array = NDArray[np.float64]

ROOMS = ("foundation", "targets", "ties", "recipe", "vision")
CLAIM = (
    "Of the stated 95 % ellipses of the grip in the robot's plane, and of the stated 95 % intervals of its turn and "
    "its z, 93 to 97 % hold where the gripper really went: met where the whole band lies within, not met where all of "
    "it lies outside, else not shown."
)
WIDTH, HEIGHT = 1224, 1024
FIELD = (120.0, 90.0)
U_DISTANCE_MM = 5.0
U_CAMERA = (4.0, 3.0, 3.0)
"""Of a camera document: focal length, principal point, in px."""
U_PLANE_Z_MM = 0.2
TOOL_MM = 120.0
MOST = 0.6
"""A group of sources dominates an ellipse where it has more than this share of its variance."""
ZYX: AngleConvention = "zyx-intrinsic-deg"
MIDDLE = np.array([27.0, 21.0, 0.0])
SPREAD = np.array([4e-4, 4e-4, 4e-4, 0.008, 0.008, 0.08])
"""sd of a target's pose as a camera sees it: rad about its axes, mm along them at its middle; most along the view."""
U_SCALE = 3e-4
VIEWS = 12
EYES: tuple[Eye, ...] = ("to-hand", "in-hand")


@dataclass(frozen=True)
class Drawn:
    """What one station drew. `own`: whether the robot's own error is stated, or taken from its tie. `has_camera`:
    whether a camera document tells where the lens stands, or a distance that someone measured. `u_lean_deg`: of the
    part's surface, about x and about y.
    """

    seed: int
    robot: str
    tilt_deg: float
    is_sparse: bool
    pairs: int
    touch_mm: float
    find_px: float
    by_shape: bool
    height_mm: float
    u_height_mm: float
    own: str
    has_camera: bool
    u_lean_deg: float


@dataclass(frozen=True)
class Outcome:
    """Whether the ellipse, the turn's and z's interval held, and the strata to which the station belongs."""

    ellipse: bool
    turn: bool
    z: bool
    strata: tuple[str, ...]
    refused: str = ""


def station(seed: int) -> Outcome:
    """Return what became of one simulated station."""
    rng = np.random.default_rng([11, seed])
    drawn = _drawn(rng, seed)
    try:
        return _gripped(rng, drawn)
    except TiepointError as refused:
        return Outcome(False, False, False, (), type(refused).__name__)


def _drawn(rng: np.random.Generator, seed: int) -> Drawn:
    low, high = ((0.0, 5.0), (5.0, 15.0), (15.0, 25.0))[seed // 4 % 3]
    robot = EYES[seed // 4 % 2] if seed % 4 == 3 else "pairs"
    few = seed % 4 == 0
    return Drawn(
        seed=seed,
        robot=robot,
        tilt_deg=float(rng.uniform(low, high)),
        is_sparse=seed % 5 == 4,
        pairs=int(rng.integers(4, 7)) if few else int(rng.integers(9, 13)),
        touch_mm=float(np.exp(rng.uniform(math.log(0.01), math.log(0.3)))),
        find_px=float(np.exp(rng.uniform(math.log(0.02), math.log(1.0)))),
        by_shape=bool(rng.integers(2)),
        height_mm=float(rng.uniform(0.5, 25.0)),
        u_height_mm=float(rng.uniform(0.02, 0.3)),
        own="tie" if robot == "pairs" and seed % 4 == 2 else "stated",
        has_camera=bool(rng.integers(2)),
        u_lean_deg=float(rng.uniform(0.1, 0.5)) if rng.uniform() < 1 / 3 else 0.0,
    )


# --- camera and part -----------------------------------------------------------------------------------------------


def _bench(rng: np.random.Generator, drawn: Drawn) -> BenchStation:
    distance, azimuth, roll = rng.uniform(430, 520), rng.uniform(0, 360), rng.uniform(-12, 12)
    view = View((62.0, 46.0), float(distance), drawn.tilt_deg, float(azimuth), float(roll))
    off_x, off_y = (float(v) for v in rng.uniform(-PRINCIPAL_HALF_WIDTH_PX, PRINCIPAL_HALF_WIDTH_PX, 2))
    bend = float(rng.uniform(-6, 3))
    return BenchStation(
        view, width_px=WIDTH, height_px=HEIGHT, pixel_um=6.9, distortion_percent=bend, off_centre_px=(off_x, off_y)
    )


def _tie(rng: np.random.Generator, bench: BenchStation, drawn: Drawn) -> Tie:
    """Return the tie of a printed, measured target whose corners were seen with noise, its page bowed and swollen."""
    pitch, columns, rows = (20.0, 6, 5) if drawn.is_sparse else (10.0, 12, 9)
    target = new_target("checker", pitch, columns, rows)
    printed = print_target(target, drawn.seed)
    told = replace(target, measured=printed.measured("2026-01-01T00:00:00Z"))
    swollen = 1 + rng.uniform(-SWELLING_HALF, SWELLING_HALF, 2)
    ids, nominal = points(target)
    sag = float(rng.uniform(-FLATNESS_MM, FLATNESS_MM))
    width, height = target.size_mm
    along, span = ((0.0, width), (90.0, height))[int(rng.integers(2))]
    bow = Cylinder(sag, span, along, (width / 2, height / 2))
    lay = Lay(scale_x=printed.scale_x * swollen[0], scale_y=printed.scale_y * swollen[1], bow=bow)
    noise = float(np.exp(rng.uniform(math.log(0.01), math.log(0.1))))
    px = project(bench.camera, lay.place(np.asarray(nominal, float))) + noise * rng.standard_normal((len(ids), 2))
    corners = Corners(np.asarray(nominal, float), px, np.tile(noise**2 * np.eye(2), (len(ids), 1, 1)), (WIDTH, HEIGHT))
    true = float(bench.camera.centre_mm[2])
    distance = measured(
        true + U_DISTANCE_MM * float(rng.standard_normal()),
        Source("camera/distance", "Distance", "B", U_DISTANCE_MM, "station"),
    )
    setting = Setting(scale=print_scale(told), target_id=target.id, photos=(f"photo-{drawn.seed}",), distance=distance)
    return tie_by_corners([Sighted(np.asarray(ids), corners)], setting)


def _camera(rng: np.random.Generator, bench: BenchStation) -> CameraModel:
    """Return the camera's document, its focal length and principal point known as well as a dozen photos tell."""
    camera = bench.camera
    true = np.array([camera.focal_px[0], *camera.principal_px])
    focal, x, y = (true + np.array(U_CAMERA) * rng.standard_normal(3)).tolist()
    sources = tuple(Source(f"camera#{k}", "Camera", "A", u, "station") for k, u in enumerate(U_CAMERA))
    factor = np.zeros((len(CAMERA_PARAMETERS), 3))
    for k, name in enumerate(("focal", "cx", "cy")):
        factor[CAMERA_PARAMETERS.index(name), k] = 1.0
    lens = Lens(0.0, 0.0, x, y, math.hypot(WIDTH, HEIGHT) / 2)
    return CameraModel("camera", (WIDTH, HEIGHT), focal, lens, sources, factor, "", 0.0, 1.0, math.inf)


def _found(rng: np.random.Generator, bench: BenchStation, tie: Tie, drawn: Drawn, part: Pose3) -> Values:
    """Return the part's frame as the station finds it: by its outline, or by two places."""
    way = _by_shape if drawn.by_shape else _by_places
    return way(rng, bench, tie, drawn, part)


def _seen(bench: BenchStation, part: Pose3, places: Array) -> Array:
    """Return where the camera sees places (n, 2) of the part's surface, in px."""
    return project(bench.camera, part.apply(np.column_stack([places, np.zeros(len(places))])))


def _by_places(rng: np.random.Generator, bench: BenchStation, tie: Tie, drawn: Drawn, part: Pose3) -> Values:
    """Return the frame of two holes: the origin in the first, +x towards the second."""
    px = _seen(bench, part, np.array([[0.0, 0.0], [float(rng.uniform(15, 25)), 0.0]]))
    px += drawn.find_px * rng.standard_normal((2, 2))
    there = tie.map(px)
    if not there.inside.all():
        raise TiepointError("outside the tie")
    features = []
    for k in (0, 1):
        noise = tuple(Source(f"edges:hole-{k}#{n}", "Edge noise", "A", drawn.find_px, "pixel") for n in "xy")
        c = np.hstack([there.d_sources[k], there.d_px[k]])
        features.append(PointFeature(Values(there.xy_mm[k], c, (*there.sources, *noise))))
    pose = find.frame_of(tuple(features))
    assert isinstance(pose, Values)
    return pose


def _outline() -> tuple[Array, Array]:
    """Return 72 places (n, 2) about an ellipse and the normals there; the part's origin is not in its middle."""
    t = np.linspace(0, math.tau, 72, endpoint=False)
    normals = np.column_stack([np.cos(t) / 18, np.sin(t) / 12])
    places = np.column_stack([18 * np.cos(t) + 9.0, 12 * np.sin(t) + 4.0])
    return places, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def _by_shape(rng: np.random.Generator, bench: BenchStation, tie: Tie, drawn: Drawn, part: Pose3) -> Values:
    """Return the frame of an outline fitted to its edges on the ground; their scatter tells its covariance."""
    places, normals = _outline()
    # Across the edge alone is there anything to see: noise along it does nothing.
    px = _seen(bench, part, places) + drawn.find_px * rng.standard_normal((len(places), 2))
    ground = tie.map(px).xy_mm
    pose = np.array([part.x_mm, part.y_mm, 0.0])
    pose[2] = math.atan2(part.rotation[1, 0], part.rotation[0, 0])
    for _ in range(4):
        c, s = math.cos(pose[2]), math.sin(pose[2])
        turn = np.array([[c, -s], [s, c]])
        at, across = places @ turn.T + pose[:2], normals @ turn.T
        arm = at - pose[:2]
        jacobian = np.column_stack([across, across[:, 1] * arm[:, 0] - across[:, 0] * arm[:, 1]])
        off = np.sum(across * (ground - at), axis=1)
        sensitivity = np.linalg.pinv(jacobian)
        pose += sensitivity @ off
    rest = off - jacobian @ (sensitivity @ off)
    cov = np.zeros((4, 4))
    cov[:3, :3] = sensitivity @ sensitivity.T * float(rest @ rest) / (len(places) - 3)
    seen = np.ones(len(places), bool)
    edges = SeenEdges(at, across, px, off, seen, np.vstack([sensitivity, np.zeros(len(places))]))
    found = FoundShape(Pose(*pose.tolist()), cov, 1.0, 0.0, (), True, False, 0.0, 1.0, (), edges)
    # As the step that finds by shape tells it.
    context: Any = SimpleNamespace(ground=PlaneGround(tie), table=SimpleNamespace(name="part"))
    by_tie = find._by_tie(context, TaughtShape(None, "plane"), found, edges.sensitivity)
    if isinstance(by_tie, Reason):
        raise TiepointError("outside the tie")
    return find._part(context, found, "part", find._Causes(*by_tie, np.zeros(4))).pose


# --- the robot -----------------------------------------------------------------------------------------------------


def _arm(rng: np.random.Generator, drawn: Drawn) -> Robot:
    """Return the arm: flat over the plane for a tie by pairs, leaning up to some degrees for a hand-eye."""
    lean = (0.0, 0.0) if drawn.robot == "pairs" else rng.uniform(-4, 4, 2)
    angles = (float(rng.uniform(-180, 180)), float(lean[0]), float(lean[1]))
    place = (float(rng.uniform(300, 600)), float(rng.uniform(-300, 300)), float(rng.uniform(0, 60)))
    smooth = smooth_map(float(rng.uniform(0.05, 0.2)), drawn.seed) if drawn.own == "tie" else None
    return Robot(
        Pose3.from_angles(place, angles, ZYX),
        Pose3(0.0, 0.0, TOOL_MM),
        repeatability_mm=float(rng.uniform(0.005, 0.05)),
        repeatability_deg=float(rng.uniform(0.002, 0.02)),
        accuracy=smooth,
        touch_mm=drawn.touch_mm,
    )


def _by_pairs(rng: np.random.Generator, drawn: Drawn, arm: Robot) -> PlanarRobot:
    """Return the tie of touched points, as typed to a hundredth."""
    x, y = np.meshgrid(np.linspace(0, FIELD[0], 4), np.linspace(0, FIELD[1], 3))
    grid = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    # The corners first: few points are touched where they hold the most.
    order = [0, 11, 3, 8, *rng.permutation([1, 2, 4, 5, 6, 7, 9, 10]).tolist()]
    chosen = grid[order[: drawn.pairs]]
    shown = np.round(arm.touch(chosen, rng).shown_mm, 2)
    tie = tie_by_pairs(chosen[:, :2], shown[:, :2], from_frame="plane", to_frame="robot", model="rigid").tie
    z = arm.robot_from_plane.z_mm + U_PLANE_Z_MM * float(rng.standard_normal())
    return PlanarRobot(tie, measured(z, Source("plane-z", "Height of the plane", "B", U_PLANE_Z_MM, "station")))


def _noisy(rng: np.random.Generator, true: Sequence[Pose3]) -> TargetPoses:
    """Return target poses as a camera tells them: with `SPREAD`, and one error of scale that all of them share."""
    matrices = np.array([pose.matrix for pose in true])
    away = matrices[:, :3, :3] @ MIDDLE + matrices[:, :3, 3]
    shared = np.concatenate([np.zeros_like(away), away], axis=1)[:, :, None]
    errors = rng.standard_normal((len(true), 6)) * SPREAD + shared[:, :, 0] * U_SCALE * rng.standard_normal()
    at_middle = np.eye(4)
    at_middle[:3, 3] = MIDDLE
    off = [moved(t @ at_middle, e) @ np.linalg.inv(at_middle) for t, e in zip(matrices, errors, strict=True)]
    names = tuple(f"photo {k + 1}" for k in range(len(true)))
    covariance = np.tile(np.diag(SPREAD**2), (len(true), 1, 1))
    source = Source("hand-eye-scale", "Scale of the target's poses", "B", U_SCALE, "station")
    return TargetPoses(names, tuple(map(Pose3.from_matrix, off)), covariance, shared, (source,), MIDDLE)


def _by_hand_eye(rng: np.random.Generator, drawn: Drawn, arm: Robot, bench: BenchStation, eye: Eye) -> SpaceRobot:
    """Return what a hand-eye of twelve poses knows of the plane."""
    target = new_target("checker", 6.0, 9, 7)
    mount = Pose3.from_angles((42.0, -18.0, 65.0), (88.0, 2.0, -3.0), ZYX)
    views = spread_views((27.0, 21.0), VIEWS)
    shots = eye_set(eye, bench, arm, target, views, drawn.seed, mount=mount, pictures=False).shots
    rows = np.array([typed(shot.robot_from_flange, ZYX) for shot in shots])
    table = PoseTable(rows[:, :3], rows[:, 3:], ZYX)
    seen = [shot.camera_from_target for shot in shots]
    if eye == "in-hand":
        return hand_eye(table, _noisy(rng, seen), eye).robot
    photos = _noisy(rng, [*seen, camera_from_plane(bench.camera)])
    tied = hand_eye(table, photos.only(range(VIEWS)), eye)
    return tied.with_plane(photos.uncertain(VIEWS), None).robot


# --- the grip ------------------------------------------------------------------------------------------------------


def _gripped(rng: np.random.Generator, drawn: Drawn) -> Outcome:
    bench, arm = _bench(rng, drawn), _arm(rng, drawn)
    tie = _tie(rng, bench, drawn)
    source = Source("height:part", "Height of the part's surface", "B", drawn.u_height_mm, "station")
    height = measured(drawn.height_mm, source)
    at_part = move(tie, height, camera=_camera(rng, bench) if drawn.has_camera else None)
    true_height = drawn.height_mm + drawn.u_height_mm * float(rng.standard_normal())
    place = (float(rng.uniform(40, 80)), float(rng.uniform(32, 58)), true_height)
    lean = drawn.u_lean_deg * rng.standard_normal(2)
    part = Pose3.from_angles(place, (float(rng.uniform(-180, 180)), 0.0, 0.0), ZYX)
    part = part @ Pose3.from_angles((0, 0, 0), (float(lean[0]), float(lean[1]), 0.0), "rotvec-deg")
    leaning = lean_of(at_part, math.radians(drawn.u_lean_deg), "part") if drawn.u_lean_deg else None
    found = _found(rng, bench, leaning.tied(at_part) if leaning else at_part, drawn, part)
    if leaning:
        found = leaning.of_part(found)
    robot: Any
    if drawn.robot == "pairs":
        robot = _by_pairs(rng, drawn, arm)
    else:
        robot = _by_hand_eye(rng, drawn, arm, bench, "to-hand" if drawn.robot == "to-hand" else "in-hand")
    table = _table(rng, drawn, arm)
    asked = arm_of(table, robot, 1.0)
    placed = place_grip(found, asked.offset, asked.robot, asked.envelope, height=height, lean=leaning)
    if placed.pose is None:
        return Outcome(False, False, False, (), placed.reason.code if placed.reason else "")
    offset = Pose3.from_angles((*table.offset, table.z), (table.turn_deg, 0.0, 0.0), ZYX) @ OVER
    return _judged(drawn, placed, arm.go(placed.pose.pose, rng).tool, arm.robot_from_plane @ part @ offset, robot)


def _table(rng: np.random.Generator, drawn: Drawn, arm: Robot) -> GripTable:
    """Return the grip as a recipe has it: a typed offset, the tool down, and what the robot is said to do."""
    x, y, z, turn = (float(rng.uniform(low, high)) for low, high in ((-12, 12), (-12, 12), (0, 4), (-180, 180)))
    own: dict[str, Any] = {}
    if drawn.own == "stated":
        # A flange that turns by chance moves the tool's tip.
        u_mm = math.hypot(arm.repeatability_mm, TOOL_MM * math.radians(arm.repeatability_deg))
        own = {"u_robot": u_mm, "u_robot_turn_deg": arm.repeatability_deg}
    envelope = {"x": (-2000.0, 2000.0), "y": (-2000.0, 2000.0), "z": (-500.0, 500.0), "turn_deg": (-360.0, 360.0)}
    return GripTable.model_validate(
        {"name": "g", "in": "p", "offset": (x, y), "turn_deg": turn, "z": z, "robot": "r", "envelope": envelope, **own}
    )


def _judged(drawn: Drawn, placed: PlacedGrip, tool: Pose3, true: Pose3, robot: PlanarRobot | SpaceRobot) -> Outcome:
    """Return whether what is stated holds the gripper's real miss."""
    assert placed.pose is not None
    assert placed.ellipse is not None
    assert placed.U95 is not None
    miss = tool.translation_mm - true.translation_mm
    turns = [math.atan2(pose.rotation[1, 0], pose.rotation[0, 0]) for pose in (tool, true)]
    turn = math.remainder(turns[0] - turns[1], math.tau)
    return Outcome(
        bool(placed.ellipse.holds(miss[:2])[0]),
        abs(turn) <= placed.U95[3],
        abs(float(miss[2])) <= placed.U95[2],
        _strata(drawn, placed, robot),
    )


def _strata(drawn: Drawn, placed: PlacedGrip, robot: PlanarRobot | SpaceRobot) -> tuple[str, ...]:
    tilt = "0 to 5" if drawn.tilt_deg < 5 else "5 to 15" if drawn.tilt_deg < 15 else "15 to 25"
    height = "below 8" if drawn.height_mm < 8 else "8 to 16" if drawn.height_mm < 16 else "above 16"
    rows = [f"camera leaning {tilt}°", f"height {height} mm", "found by outline" if drawn.by_shape else "by two places"]
    if drawn.robot == "pairs":
        rows.append("robot tied by 4 to 6 pairs" if drawn.pairs < 7 else "robot tied by 9 to 12 pairs")
    else:
        rows.append(f"hand-eye, {'camera to hand' if drawn.robot == 'to-hand' else 'camera in hand'}")
    rows.append("lens known by a camera document" if drawn.has_camera else "lens known by a distance")
    if drawn.u_lean_deg:
        rows.append("part leaning, as stated")
    rows.append(f"robot's own error {'stated' if drawn.own == 'stated' else 'taken from its tie'}")
    return (*rows, _dominant(placed, robot))


def _dominant(placed: PlacedGrip, robot: PlanarRobot | SpaceRobot) -> str:
    """Return which group of sources has most of the ellipse's variance."""
    assert placed.pose is not None
    theirs = robot.tie.all_sources if isinstance(robot, PlanarRobot) else robot.robot_from_plane.sources
    shares = {"find": 0.0, "robot": 0.0, "camera's tie": 0.0}
    position = placed.pose.position
    for source, by in zip(position.sources, np.sum(position.c[:2] ** 2, axis=0), strict=True):
        is_robot = source in theirs or source.id.startswith("robot:")
        group = "find" if source.id.startswith("edges:") else "robot" if is_robot else "camera's tie"
        shares[group] += float(by) * source.u**2
    most = max(shares, key=lambda k: shares[k])
    return f"most of it from the {most}" if shares[most] > MOST * sum(shares.values()) else "from all alike"


# --- the table -----------------------------------------------------------------------------------------------------


def share(what: str, held: Sequence[bool]) -> dict[str, Any]:
    """Return a row with its 95 % Clopper-Pearson interval."""
    hits, n = sum(held), len(held)
    low = float(special.betaincinv(hits, n - hits + 1, 0.025)) if hits else 0.0
    high = float(special.betaincinv(hits + 1, n - hits, 0.975)) if hits < n else 1.0
    return {"what": what, "n": n, "percent": 100 * hits / n, "low": 100 * low, "high": 100 * high}


def rows_of(done: Sequence[Outcome]) -> list[dict[str, Any]]:
    """Return the rows: ellipse, turn and z of all, and the ellipse of every stratum."""
    told: tuple[tuple[str, Callable[[Outcome], bool]], ...] = (
        ("ellipse", lambda o: o.ellipse), ("turn", lambda o: o.turn), ("z", lambda o: o.z)
    )  # fmt: skip
    table = [share(f"{what}, all stations", [held(o) for o in done]) for what, held in told]
    for name in sorted({name for o in done for name in o.strata}):
        mine = [o for o in done if name in o.strata]
        table += [share(f"{what}, {name}", [held(o) for o in mine]) for what, held in told]
    return table


def main() -> None:
    """Run the proof and keep its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--stations", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=0, help="the first")
    parser.add_argument("--minutes", type=float, default=25.0)
    parser.add_argument("--dry", action="store_true", help="print, write nothing")
    asked = parser.parse_args()
    # One station here too: what this process has loaded is what the result's hash stands for.
    station(asked.seed)
    every = on_all_cores(station, range(asked.seed, asked.seed + asked.stations), "stations", asked.minutes)
    done = [o for o in every if not o.refused]
    refused = sorted(o.refused for o in every if o.refused)
    table = rows_of(done)
    counts = {name: refused.count(name) for name in dict.fromkeys(refused)}
    notes = [
        "From and to: Clopper-Pearson 95 % on stations.",
        f"Of {len(every)} stations {len(done)} gripped; refused, by reason: {counts}.",
        f"Most of it from one group of sources: more than {100 * MOST:.0f} % of the ellipse's variance.",
    ]
    lines = [f"{r['what']:58} {r['n']:5} {r['percent']:7.2f} {r['low']:7.2f} {r['high']:7.2f}" for r in table]
    print("\n".join([*lines, *notes]))
    if not asked.dry:
        print(write_result("grips", ROOMS, Path(__file__).resolve(), {"claim": CLAIM, "table": table, "notes": notes}))


if __name__ == "__main__":
    main()
