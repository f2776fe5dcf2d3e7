"""The demo's robot is proved: tool point, touches, repeatability, hand-eye, each held to what the bench alone knows.

Everything is measured as a person would: the pin in photographs, touched points and flange poses as the controller
shows them, arrivals by a tracker beside the cell. The tables that a command can read again are left in the folder.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.cell import FLANGE_FROM_CAMERA, Cell
from tiepoint.bench.demo_bench import BEGIN, DemoBench
from tiepoint.bench.demo_picks import Setup
from tiepoint.bench.eye import camera_from_plane
from tiepoint.bench.robot import Robot, typed
from tiepoint.documents.files import write_atomic
from tiepoint.documents.pictures import load_picture, save_png
from tiepoint.foundation.frames import AngleConvention, Pose3
from tiepoint.foundation.sources import Values, stack
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.features import PointFeature
from tiepoint.recipe.recipe import read_recipe
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.report.robot_story import HandEyeProof, PoseProof, RobotStory, ToolProof, TouchProof
from tiepoint.studies.pose import Cycles, repeatability, study_pose
from tiepoint.targets.draw import Target
from tiepoint.targets.paper import print_scale
from tiepoint.ties.camera import CameraModel
from tiepoint.ties.hand_eye import hand_eye
from tiepoint.ties.hand_eye_slips import PoseTable
from tiepoint.ties.hand_eye_views import target_poses
from tiepoint.ties.rotation_centre import rotation_centre
from tiepoint.ties.sensor import Sensor
from tiepoint.ties.tie import Tie
from tiepoint.ties.touch import check_touches, touch_points
from tiepoint.ties.views import look

Array = NDArray[np.float64]
Place = Callable[[str], Path]

ZYX: AngleConvention = "zyx-intrinsic-deg"
WRONG_TOOL_MM = (0.42, -0.31, 0.0)
"""By how much the controller's tool point is wrong, before it is found."""
TURNS_DEG = (0.0, 60.0, 120.0, 180.0, 240.0, 300.0)
PIN_AT_MM, PIN_MM = (110.0, 85.0), 6.0
TOUCHES, TOLERANCE_MM = 8, 1.0
POSES_MM = ((110.0, 85.0, 60.0), (40.0, 30.0, 20.0), (180.0, 30.0, 100.0), (180.0, 140.0, 20.0), (40.0, 140.0, 100.0))
CYCLES, U_TRACKER_MM = 30, 0.005
DRAWS = 20_000
FINE = 15


@dataclass(frozen=True)
class Views:
    """Photographs of a target on the table, numbered from 1, and the camera that they show: it rides on the robot."""

    bench: DemoBench
    photos: tuple[Path, ...]
    target: Target
    camera: CameraModel


def prove_robot(setup: Setup, views: Views) -> RobotStory:
    """Return what four experiments say of the cell's robot, beside the truth."""
    place, cell = setup.place, setup.cell
    return RobotStory(
        tool=_tool_point(place, cell, setup.tie),
        touch=_touched(place, cell, setup.robot.tie),
        poses=_repeated(place, cell),
        eye=_hand_eye(place, cell, views),
    )


def _table(path: Path, head: str, rows: Sequence[Sequence[object]], decimals: int) -> None:
    lines = [",".join(f"{v:.{decimals}f}" if isinstance(v, float) else str(v) for v in row) for row in rows]
    write_atomic(path, ("\n".join([head, *lines]) + "\n").encode())


def _taken(k: int) -> str:
    """Return when the k-th row of a table was taken, in the demo's own time: after the order, before the acceptance."""
    return (BEGIN + timedelta(hours=1, seconds=15 * k)).strftime("%Y-%m-%dT%H:%M:%SZ")


# --- the tool point ------------------------------------------------------------------------------------------------


def _tool_point(place: Place, cell: Cell, tie: Tie) -> ToolProof:
    """Return the wrong tool point as six photographs of a turned pin show it."""
    wrong = replace(cell, robot=replace(cell.robot, tool_error_mm=WRONG_TOOL_MM))
    turning = wrong.turn_about_tool(PIN_AT_MM, TURNS_DEG, 1, pin_mm=PIN_MM)
    for k, photo in enumerate(turning.photos):
        save_png(place(f"shots/tool/turn-{TURNS_DEG[k]:.0f}.png"), photo.picture)
    seen = _pins([photo.picture for photo in turning.photos], tie)
    found = rotation_centre(seen, "tool", turns_rad=np.radians(TURNS_DEG))
    assert found.offset is not None
    places = seen.value.reshape(-1, 2) - found.centre.value
    return ToolProof(
        found_mm=(float(found.offset.value[0]), float(found.offset.value[1])),
        U_mm=(found.offset[0].U95, found.offset[1].U95),
        true_mm=WRONG_TOOL_MM[:2],
        pins_mm=tuple((float(x), float(y)) for x, y in places),
    )


def _pins(pictures: Sequence[NDArray[Any]], tie: Tie) -> Values:
    """Return x0, y0, x1, y1, … of the pin's end in photographs, as a recipe measures it."""
    ring = {"centre": list(PIN_AT_MM), "inner": PIN_MM / 2 - 2.0, "outer": PIN_MM / 2 + 2.0}
    step = {"name": "pin", "kind": "circle", "region": {"ring": ring}}
    recipe = read_recipe(
        {"format": "tiepoint/recipe/1", "name": "pin", "height": 0.0, "u_height": 0.05, "step": [step]}
    )
    found = []
    for k, picture in enumerate(pictures):
        size = (picture.shape[1], picture.shape[0])
        shot = Shot(f"turn-{k}", (Picture("picture", f"{k:064d}", size, 8, "Mono8"),))
        feature = run(Job(recipe, tie), Seen(shot, {"picture": picture}, {"picture": Sensor(*size)})).traces[0].result
        assert isinstance(feature.feature, PointFeature)
        found += [feature.feature.xy[0], feature.feature.xy[1]]
    return stack(found)


# --- the touch test ------------------------------------------------------------------------------------------------


def _touched(place: Place, cell: Cell, tie: Tie) -> TouchProof:
    """Return the touch test of the robot's tie, and how far the robot is off over its whole region."""
    points = np.array([point.plane_mm for point in touch_points(tie, TOUCHES)])
    on_plane = np.column_stack([points, np.zeros(len(points))])
    touched = cell.robot.touch(on_plane, np.random.default_rng([cell.seed, 81])).shown_mm
    shown = np.round(touched[:, :2], 2)
    rows = [[*map(float, (*a, *b)), _taken(k)] for k, (a, b) in enumerate(zip(points, shown, strict=True))]
    _table(place("robot/touched.csv"), "from_x,from_y,to_x,to_y,time", rows, 2)
    check = check_touches(tie, points, shown, TOLERANCE_MM)
    errors = [p.error_mm for p in check.points if p.error_mm is not None]
    return TouchProof(
        tolerance_mm=TOLERANCE_MM,
        plane_mm=tuple(p.plane_mm for p in check.points),
        errors_mm=tuple(errors),
        verdicts=tuple(p.verdict or "unread" for p in check.points),
        says=check.sentences[0],
        good=check.good,
        true_worst_mm=_worst(cell.robot, tie),
        region_mm=tuple((float(x), float(y)) for x, y in tie.valid_region),
    )


def _worst(robot: Robot, tie: Tie) -> float:
    """Return the largest true error of the tie over its region: where the controller would show a place, less that."""
    low, high = tie.valid_region.min(axis=0), tie.valid_region.max(axis=0)
    x, y = np.meshgrid(*(np.linspace(a, b, FINE) for a, b in zip(low, high, strict=True)))
    places = np.column_stack([x.ravel(), y.ravel()])
    mapped = tie.map(places, with_sources=False)
    places, said = places[mapped.inside], mapped.xy_mm[mapped.inside]
    exact = replace(robot, repeatability_mm=0.0, repeatability_deg=0.0, touch_mm=0.0)
    shown = exact.touch(np.column_stack([places, np.zeros(len(places))]), np.random.default_rng(0)).shown_mm
    return float(np.hypot(*(shown[:, :2] - said).T).max())


# --- accuracy and repeatability ------------------------------------------------------------------------------------


def _repeated(place: Place, cell: Cell) -> tuple[PoseProof, ...]:
    """Return AP and RP at five poses, each reached 30 times, beside those of the robot as it is."""
    rng = np.random.default_rng([cell.seed, 82])
    cycles, truth = [], []
    rows: list[tuple[object, ...]] = []
    for k, at in enumerate(POSES_MM):
        commanded = cell.robot.tool_over(*at)
        reached = np.array([cell.robot.go(commanded, rng).tool.translation_mm for _ in range(CYCLES)])
        told = reached + U_TRACKER_MM * rng.standard_normal(reached.shape)
        to = commanded.translation_mm
        cycles.append(Cycles(f"P{k + 1}", told, to))
        truth.append(_true_figures(cell.robot, commanded, rng))
        rows += [
            (f"P{k + 1}", *map(float, place_mm), *map(float, to), _taken(len(rows) + j))
            for j, place_mm in enumerate(told)
        ]
    head = "pose,x_mm,y_mm,z_mm,commanded_x_mm,commanded_y_mm,commanded_z_mm,time"
    _table(place("robot/cycles.csv"), head, rows, 3)
    study = study_pose(cycles, u_mm=U_TRACKER_MM)
    return tuple(PoseProof(p.name, p.ap, p.rp, *true) for p, true in zip(study.poses, truth, strict=True) if p.ap)


def _true_figures(robot: Robot, commanded: Pose3, rng: np.random.Generator) -> tuple[float, float]:
    """Return AP and RP of a pose as they are: without scatter, and over many draws of it.

    A flange that turns by chance moves the tool's tip by its arm.
    """
    still = replace(robot, repeatability_mm=0.0, repeatability_deg=0.0)
    ap = float(np.linalg.norm(still.go(commanded, rng).tool.translation_mm - commanded.translation_mm))
    arm = commanded.rotation @ robot.true_flange_from_tool.translation_mm
    shifts, turns = rng.standard_normal((2, DRAWS, 3))
    return ap, repeatability(
        robot.repeatability_mm * shifts + np.cross(math.radians(robot.repeatability_deg) * turns, arm)
    )


# --- the hand-eye --------------------------------------------------------------------------------------------------


def _hand_eye(place: Place, cell: Cell, views: Views) -> HandEyeProof:
    """Return the hand-eye of the camera that the views were taken with, as if it rode on the robot's flange."""
    rng = np.random.default_rng([cell.seed, 83])
    names = [photo.name for photo in views.photos]
    rows = []
    for n in range(1, len(names) + 1):
        camera_from_target = camera_from_plane(views.bench.view_station(n).camera)
        true = cell.robot.robot_from_plane @ camera_from_target.inverse() @ FLANGE_FROM_CAMERA.inverse()
        rows.append(np.round(typed(cell.robot.shown(true, rng), ZYX), 3))
    shown = np.array(rows)
    _table(place("robot/poses.csv"), "x,y,z,a,b,c", [[float(v) for v in row] for row in rows], 3)
    sighted = [look(load_picture(photo).grey, views.target, photo.name) for photo in views.photos]
    seen = target_poses(sighted, names, views.camera, print_scale(views.target), views.target.id)
    found = hand_eye(PoseTable(shown[:, :3], shown[:, 3:], ZYX), seen, "in-hand")
    U_mm, U_deg = found.half_widths(found.x)
    others = [s.unseen_mm for s in found.solutions[1:] if s.unseen_mm is not None]
    return HandEyeProof(
        poses=len(rows),
        found_mm=_three(found.x.pose),
        true_mm=_three(FLANGE_FROM_CAMERA),
        U_mm=U_mm,
        off_deg=math.degrees((found.x.pose.inverse() @ FLANGE_FROM_CAMERA).turn_rad),
        U_deg=U_deg,
        unseen_mm=found.unseen_mm,
        others_mm=(min(others), max(others)) if others else None,
    )


def _three(pose: Pose3) -> tuple[float, float, float]:
    x, y, z = pose.translation_mm.tolist()
    return x, y, z
