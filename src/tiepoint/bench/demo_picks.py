"""The demo's second station: plates lie anywhere among other things, are found by their shape, and picked by a robot.

The work is done with what a person has: photographs, a few touched points, one plate gripped by hand. The truth of the
cell only says afterwards how far off each grip was.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.cell import Cell, PartTruth
from tiepoint.bench.plate import Plate
from tiepoint.bench.printing import Rule, print_target
from tiepoint.bench.scatter import BARE, Crowd, laid_with_middle
from tiepoint.bench.station import BenchStation, View
from tiepoint.documents.files import write_atomic, write_document
from tiepoint.documents.pictures import save_png
from tiepoint.foundation.frames import Pose3
from tiepoint.foundation.sources import Source, Value, measured
from tiepoint.model.record import Grip, Record
from tiepoint.recipe.features import PartFeature
from tiepoint.recipe.overlay import overlay_svg
from tiepoint.recipe.records import records_jsonl, sealed
from tiepoint.recipe.runner import run
from tiepoint.recipe.shots import load_shot
from tiepoint.recipe.station import Prepared, prepare, seen_of
from tiepoint.recipe.teach import keep_lesson, step_to_teach, teach_shot
from tiepoint.report.look import data_uri
from tiepoint.report.story import Pick, PickStory
from tiepoint.targets.draw import new_target
from tiepoint.ties.by_target import Setting, tie_by_target
from tiepoint.ties.document import to_document
from tiepoint.ties.grip import PlanarRobot, part_in_robot, taught_offset
from tiepoint.ties.pairs import tie_by_pairs
from tiepoint.ties.tie import Tie
from tiepoint.ties.uncertain_pose import UncertainPose
from tiepoint.ties.uncertain_pose import exact as exactly

Array = NDArray[np.float64]
Place = Callable[[str], Path]

CROWD = Crowd(wanted=(3, 4), covered_share=0.25, clutter_count=(6, 14), lamp=(0.5, 1.6), blur_px=(0.7, 1.4))
MIDDLE_MM = (110.0, 85.0)
PLATE_MM, U_PLATE_MM = 3.0, 0.02
U_HAND_MM, U_HAND_DEG = 0.08, 0.1
"""How well a plate is gripped by hand for teaching."""
U_PLANE_Z_MM = 1.0
SAME_MM = 15.0
"""A grip belongs to the plate whose own grip is nearer than this."""
PLAIN = 0.97
"""A plate of which so much is seen is plain to see, and shall be picked."""
DRAWN_SHOTS = 3
MOST_SHOTS = 60

RECIPE = """# Plates for the robot: found by their shape wherever they lie, gripped behind the slot.
format = "tiepoint/recipe/1"
name = "pick plates"
unit = "mm"
tie = "../ties/cell.json"
height = {height}
u_height = {u_height}

[[step]]
name = "plate"
kind = "find"
least_share = 0.7
most = 8
limits.count = {{ lower = 1 }}

[step.taught]
region.rectangle = {{ centre = {centre}, size = [64, 44], angle_deg = {angle} }}
origin = {origin}
angle_deg = {angle}
"""
GRIP = """
# A plate that lies face down, or one of another variant, may show as much of the outline as a good one that is partly
# hidden. Where its bores lie, and how large they are, tells them apart: by one alone a longer plate would pass.
[[step]]
name = "bore A"
kind = "circle"
in = "plate"
region.ring = {{ centre = [10, 12], inner = 1.2, outer = 3.3 }}
limits.diameter = {{ nominal = 4.5, plus = 0.4, minus = 0.4 }}
limits.x = {{ nominal = 10, plus = 0.5, minus = 0.5 }}
limits.y = {{ nominal = 12, plus = 0.5, minus = 0.5 }}

[[step]]
name = "bore B"
kind = "circle"
in = "plate"
region.ring = {{ centre = [48, 12], inner = 1.9, outer = 4.1 }}
limits.diameter = {{ nominal = 6, plus = 0.4, minus = 0.4 }}
limits.x = {{ nominal = 48, plus = 0.5, minus = 0.5 }}
limits.y = {{ nominal = 12, plus = 0.5, minus = 0.5 }}

[[grip]]
name = "plate"
in = "plate"
needs = ["bore A", "bore B"]
offset = {offset}
turn_deg = {turn}
z = 0.0
u_offset = {u_offset}
u_turn_deg = {u_turn}
robot = "../ties/robot.json"
plane_z = {plane_z}
u_plane_z = {u_plane_z}
envelope = {{ x = {x}, y = {y}, z = {z}, turn_deg = [-190, 190] }}
"""


@dataclass(frozen=True)
class Setup:
    """What the work rests on: the cell, its camera's tie and the robot's, and where named files are to be written."""

    cell: Cell
    place: Place
    tie: Tie
    robot: PlanarRobot


def set_up(place: Place, tell: Callable[[str], None], *, seed: int) -> Setup:
    """Return the cell of a seed with both ties; `place` returns where a named file is to be written."""
    cell = Cell(seed, _station(), crowd=CROWD)
    tell("Tying the cell's camera, and the robot by twelve touched points.")
    return Setup(cell, place, _camera_tie(cell, place), _robot_tie(cell, place))


def pick_plates(setup: Setup, tell: Callable[[str], None], *, plates: int) -> PickStory:
    """Find and pick plates until so many were picked."""
    tell("Teaching one plate's shape and its grip.")
    prepared = taught(setup)
    tell(f"Finding and picking {plates} plates among other things.")
    return _picked(setup, prepared, plates)


def _station() -> BenchStation:
    view = View(MIDDLE_MM, 700.0, 4.0, 40.0, 3.0)
    return BenchStation(view, width_px=1920, height_px=1440, pixel_um=4.4)


def _camera_tie(cell: Cell, place: Place) -> Tie:
    """Tie the cell's camera by a measured target as large as the field, for the recipe to read."""
    target = new_target("charuco", 16.0, 17, 13)
    printed = print_target(target, cell.seed, rule=Rule("glass scale no 4", 2e-5, 0.015, 0.005))
    told = replace(target, measured=printed.measured("2026-01-05T07:30:00Z"))
    photo = cell.station.photograph_target(printed, cell.seed + 1).picture
    save_png(place("shots/cell-target.png"), photo)
    rng = np.random.default_rng([cell.seed, 71])
    away = float(cell.station.camera.centre_mm[2]) + 3.0 * float(rng.standard_normal())
    distance = measured(away, Source("cell:distance", "Distance of the cell's camera", "B", 3.0, "station"))
    tie = tie_by_target([photo], told, Setting(distance=distance))
    write_document(place("ties/cell.json"), "tie", to_document(tie))
    return tie


def _robot_tie(cell: Cell, place: Place) -> PlanarRobot:
    """Return the tie plane → robot by touched points of the target's grid, as the controller showed them."""
    x, y = np.meshgrid([16.0, 90.0, 165.0, 240.0], [16.0, 100.0, 190.0])
    plane = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    touched = cell.robot.touch(plane, np.random.default_rng([cell.seed, 72]))
    shown = np.round(touched.shown_mm, 2)
    rows = [f"{a:g},{b:g},{p:.2f},{q:.2f}" for (a, b, _), (p, q, _) in zip(plane, shown, strict=True)]
    write_atomic(place("ties/robot-pairs.csv"), ("from_x,from_y,to_x,to_y\n" + "\n".join(rows) + "\n").encode())
    tie = tie_by_pairs(plane[:, :2], shown[:, :2], from_frame="plane", to_frame="robot", model="rigid").tie
    write_document(place("ties/robot.json"), "tie", to_document(tie))
    z = Source("plane-z:robot", "Height of the plane in the robot's frame", "B", U_PLANE_Z_MM, "station")
    return PlanarRobot(tie, Value(float(shown[:, 2].mean()), {z: 1.0}))


def taught(setup: Setup) -> Prepared:
    """Return the recipe with the shape of one plate that lies alone, its grip, and what the grip needs."""
    cell = setup.cell
    alone = laid_with_middle(Plate(), np.array(MIDDLE_MM), 20.0, PLATE_MM)
    shot = Cell(cell.seed, cell.station, crowd=BARE, robot=cell.robot).shot_of([alone], 900)
    path = setup.place("shots/cell-taught.png")
    save_png(path, shot.picture)
    corner = [round(alone.pose.x_mm, 1), round(alone.pose.y_mm, 1)]
    recipe = setup.place("recipes/pick-plates.toml")
    setup.place("recipes/pick-plates.plate.shape.json")
    text = RECIPE.format(height=PLATE_MM, u_height=U_PLATE_MM, centre=list(MIDDLE_MM), angle=20.0, origin=corner)
    write_atomic(recipe, text.encode())
    loaded = load_shot(path)
    job = prepare(recipe).job(None)
    step = step_to_teach(job.recipe, "plate")
    keep_lesson(recipe, step, teach_shot(job, step, seen_of(loaded)), {"shot": loaded.shot.id})
    prepared = prepare(recipe)
    outcome = run(prepared.job(None), seen_of(loaded))
    feature = outcome.traces[0].result.feature
    assert isinstance(feature, PartFeature)
    grip = _hand_grip(setup, feature, cell.true_grip(alone))
    write_atomic(recipe, (recipe.read_text(encoding="utf-8") + grip).encode())
    return prepare(recipe)


def _hand_grip(setup: Setup, part: PartFeature, exact: Pose3 | None) -> str:
    """Return the grip's table: where the robot held the taught plate, in the taught plate's frame."""
    assert exact is not None
    rng = np.random.default_rng([setup.cell.seed, 74])
    dx, dy = U_HAND_MM * rng.standard_normal(2)
    robot = setup.cell.robot
    turn = U_HAND_DEG * float(rng.standard_normal())
    off = Pose3.from_angles((float(dx), float(dy), 0.0), (turn, 0.0, 0.0), "zyx-intrinsic-deg")
    flange = robot.shown(exact @ off @ robot.true_flange_from_tool.inverse(), rng)
    held = flange @ robot.flange_from_tool
    surface = Source("height:pick plates", "Height of the part's surface", "B", U_PLATE_MM, "station")
    height = measured(PLATE_MM, surface)
    there = part_in_robot(part.pose, setup.robot, height)
    assert isinstance(there, UncertainPose)
    offset = taught_offset(there, exactly(held))
    x, y, _ = offset.pose.translation_mm
    # What the hand, the arm and both ties left open where the plate was taught is in the offset for good.
    u = float(np.sqrt(np.mean([offset.position[k].u ** 2 for k in (0, 1)]) + U_HAND_MM**2))
    at = held.translation_mm
    plane_z = float(setup.robot.z_at_plane.value)
    return GRIP.format(
        offset=[round(float(x), 3), round(float(y), 3)],
        turn=round(math.degrees(offset.turn.value), 3),
        u_offset=round(u, 3),
        u_turn=U_HAND_DEG,
        plane_z=round(plane_z, 2),
        u_plane_z=U_PLANE_Z_MM,
        x=[round(float(at[0])) - 260, round(float(at[0])) + 260],
        y=[round(float(at[1])) - 260, round(float(at[1])) + 260],
        z=[round(plane_z) - 10, round(plane_z) + 20],
    )


def _picked(setup: Setup, prepared: Prepared, plates: int) -> PickStory:
    picks: list[Pick] = []
    records: list[Record] = []
    pictures: list[tuple[str, str]] = []
    missed = shown = wrong = 0
    for number in range(MOST_SHOTS):
        if len(picks) >= plates:
            break
        shot = setup.cell.shot(number)
        path = setup.place(f"shots/cell/{number + 1:02}.png")
        save_png(path, shot.picture)
        loaded = load_shot(path)
        outcome = run(prepared.job(None), seen_of(loaded), seq=number + 1)
        records.append(sealed(outcome.record))
        left = list(shot.parts)
        for grip in outcome.record.grips:
            if grip.robot_from_grip is None:
                continue
            part = _nearest(left, grip)
            if part is None or not part.laid.wanted:
                wrong += 1
                continue
            left.remove(part)
            if len(picks) < plates:
                picks.append(_pick(setup.cell, part, grip, number * 100 + len(picks)))
        reachable = [p for p in shot.parts if p.laid.wanted and p.seen > PLAIN]
        shown += len(reachable)
        missed += sum(p in left for p in reachable)
        if number < DRAWN_SHOTS:
            name, pixels = f"overlays/cell-{number + 1:02}.svg", loaded.pictures["picture"].pixels
            write_atomic(setup.place(name), overlay_svg(outcome, pixels, whole=True).encode())
            small = overlay_svg(outcome, pixels, whole=True, most_px=800).encode()
            pictures.append((name, data_uri(small, "image/svg+xml")))
    write_atomic(setup.place("records-cell.jsonl"), records_jsonl(records).encode())
    return PickStory(tuple(picks), len(records), shown, missed, wrong, tuple(pictures))


def _nearest(parts: list[PartTruth], grip: Grip) -> PartTruth | None:
    """Return the plate, wanted or not, over which a grip was told; None where there is none."""
    assert grip.robot_from_grip is not None
    at = np.array(grip.robot_from_grip.position_mm)[:2]
    best, least = None, SAME_MM
    for part in parts:
        where = part.robot_from_grip
        if where is None:
            continue
        away = float(np.hypot(*(where.translation_mm[:2] - at)))
        if away < least:
            best, least = part, away
    return best


def _pick(cell: Cell, part: PartTruth, grip: Grip, number: int) -> Pick:
    assert grip.robot_from_grip is not None
    assert grip.U is not None
    pose = Pose3(*grip.robot_from_grip.position_mm, grip.robot_from_grip.quaternion)
    closed = cell.pick(part.laid, pose, number)
    return Pick(
        error_mm=(closed.error_mm[0], closed.error_mm[1]),
        U_mm=(grip.U[0], grip.U[1]),
        turn_deg=closed.turn_deg,
        U_turn_deg=grip.U[3],
        seen=part.seen,
    )
