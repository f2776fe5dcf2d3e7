"""Grips of a recipe: what a gripper is to do with a found part, told in the robot's frame or refused with a reason."""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Literal, Self, cast

import numpy as np
from pydantic import Field, model_validator

from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.foundation.frames import AngleConvention, Pose2, Pose3
from tiepoint.foundation.reasons import Reason, forbidding, in_short
from tiepoint.foundation.sources import Value, Values
from tiepoint.model.reading import Reading
from tiepoint.model.record import Grip
from tiepoint.model.shot import RobotPose, Shot
from tiepoint.recipe.context import StepResult
from tiepoint.recipe.features import PartFeature
from tiepoint.recipe.tables import Name, NotNegative, Number, Point, Table, said, said_names
from tiepoint.ties.belt import Belt
from tiepoint.ties.grip import (
    PlacedGrip,
    PlanarRobot,
    Robot,
    SpaceRobot,
    drawn_offset,
    place_grip,
    stated_pose,
    typed_offset,
)
from tiepoint.ties.grip_envelope import Envelope, box
from tiepoint.ties.hand_eye import HandEye
from tiepoint.ties.lean import Lean
from tiepoint.ties.uncertain_pose import UncertainPose, lifted

STILL = lifted(Pose2(0.0, 0.0, 0.0))
LEVEL_MM, LEVEL_DEG = 0.2, 0.05
"""How far from its plane a camera on the flange may be: twice what robots repeat to (common practice)."""
Range = Annotated[tuple[Number, Number], Field(strict=False)]


class EnvelopeTable(Table):
    """Where the gripper may go, in the robot's frame: `x`, `y` or an `outline` of x and y, and `z`, in the recipe's
    unit; `turn_deg`, which may be wider than one turn; `tilt_deg`, how far the tool may lean from the robot's z axis at
    most; `age_s`, how old a shot may be.
    """

    x: Range | None = None
    y: Range | None = None
    outline: Annotated[tuple[Point, ...], Field(strict=False, min_length=3, max_length=100)] | None = None
    z: Range
    turn_deg: Range = (-180.0, 180.0)
    tilt_deg: Annotated[float, Field(gt=0, le=180)] | None = None
    age_s: Annotated[float, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _bounded(self) -> Self:
        if (self.x is None) != (self.y is None) or (self.x is None) == (self.outline is None):
            raise said("", "bounds x and y neither way; give x and y, or an outline")
        for name in ("x", "y", "z", "turn_deg"):
            span = getattr(self, name)
            if span is not None and not span[0] < span[1]:
                raise said(name, f"runs from {span[0]:g} to {span[1]:g}; give the smaller first")
        return self

    def in_mm(self, unit: float) -> Envelope:
        """Return the envelope; `unit`: mm in the recipe's unit."""
        if self.outline is not None:
            polygon = np.array(self.outline) * unit
        else:
            assert self.x is not None
            assert self.y is not None
            polygon = box((self.x[0] * unit, self.x[1] * unit), (self.y[0] * unit, self.y[1] * unit))
        return Envelope(
            polygon_mm=polygon,
            z_mm=(self.z[0] * unit, self.z[1] * unit),
            most_tilt_rad=None if self.tilt_deg is None else math.radians(self.tilt_deg),
            turn_rad=(math.radians(self.turn_deg[0]), math.radians(self.turn_deg[1])),
            most_age_s=self.age_s,
        )


class FlangeTable(Table):
    """A pose of the robot's flange: `mm` along x, y and z, and `deg`, its angles in the convention of the hand-eye."""

    mm: Annotated[tuple[Number, Number, Number], Field(strict=False)]
    deg: Annotated[tuple[Number, Number, Number], Field(strict=False)]


class GripTable(Table):
    """A grip fixed to the part that the find `in` gives: `offset` of its middle in the part's frame, `turn_deg` of its
    +x from the part's, `z` above the part's surface, the tool `pointing` down into the plane or up out of it. A grip
    that is drawn says `towards` in place of `turn_deg`: a point in the direction of its +x, in the part's frame too.
    `u_offset`, `u_turn_deg`: standard uncertainties of offset and turn, as a grip that was taught by hand has them.

    `robot`: the file of the robot, seen from the recipe's folder: of a tie plane → robot, or of a hand-eye. Where the
    camera rides on the flange, `tied_at` is the pose of the flange at which the photo of the station's tie was taken;
    each shot then says where the flange was. `belt`: the file of the belt that carries the part; each shot then says at
    which count it was taken. `u_robot`, `u_robot_turn_deg`: standard
    uncertainties of where the robot goes when it is sent somewhere; by default what its tie leaves over at points that
    were not used, since a robot's own error is alike in neighbouring places and no fit averages it out, or the scatter
    of the flange that its hand-eye found: to that a long tool adds its length times the turn. `plane_z`:
    where the station's reference plane lies along the robot's z, with `u_plane_z`. `envelope`: where the gripper may
    go; outside of it a grip is refused. `home_turn_deg`: where the wrist would rather be; `alike`: how many turns of
    the gripper grip alike (2 for jaws that may be exchanged). Of all those the nearest to home is told.

    `needs`: steps in the frame of its find without which a part is not gripped. All that they read there must be read,
    without a flag that forbids conforming, and conform where it has limits: so a bore or a slot tells a part from one
    that lies face down, or from another variant, where the outline cannot. In the frame of every part but the one seen
    best they are measured for the grip alone, and stand in no reading.
    """

    name: Name
    in_: str = Field(alias="in")
    needs: Annotated[tuple[Name, ...], Field(strict=False, max_length=20)] = ()
    offset: Point = (0.0, 0.0)
    turn_deg: Number = 0.0
    towards: Point | None = None
    z: Number = 0.0
    pointing: Literal["down", "up"] = "down"
    u_offset: NotNegative = 0.0
    u_turn_deg: NotNegative = 0.0
    robot: str
    tied_at: FlangeTable | None = None
    belt: str | None = None
    u_robot: NotNegative | None = None
    u_robot_turn_deg: NotNegative | None = None
    plane_z: Number = 0.0
    u_plane_z: NotNegative = 0.0
    envelope: EnvelopeTable
    home_turn_deg: Number = 0.0
    alike: Annotated[int, Field(ge=1, le=12)] = 1

    @model_validator(mode="after")
    def _turned_once(self) -> Self:
        if self.towards is not None and "turn_deg" in self.model_fields_set:
            raise said("towards", "stands beside turn_deg, and each says how the grip is turned; take one of them out")
        if self.towards == self.offset:
            raise said("towards", "is the offset itself; give another point, in the direction of the grip's +x")
        return self


Lacks = Callable[[GripTable, PartFeature], Reason | None]
"""What a part does not show of all that its grip needs; None where it shows everything."""


@dataclass(frozen=True)
class Riding:
    """A camera on the flange: `tied_at`, robot_from_flange at the tie's photo; u of where a robot says it is.

    `u_mm` is of the flange's own point along each axis, `u_rad` of its turn about each axis through that point: as a
    hand-eye finds the scatter of a robot, and as ISO 9283 tells a pose's scatter, by a point and by angles about it.
    """

    tied_at: Pose3
    u_mm: float
    u_rad: float

    def said(self, pose: Pose3, source_id: str, label: str) -> UncertainPose:
        """Return robot_from_flange as the controller shows it, with how far it may be off."""
        return stated_pose(pose, self.u_mm, self.u_rad, source_id, label)


@dataclass(frozen=True)
class Arm:
    """A grip's table with the robot that it is told to; `offset` and `envelope` follow from it, in mm."""

    table: GripTable
    robot: Robot
    offset: UncertainPose
    envelope: Envelope
    riding: Riding | None = None
    belt: Belt | None = None


def riding_of(table: GripTable, eye: HandEye) -> Riding | None:
    """Return how the camera rides on the flange; None where it stands still. `UnusableInput` where that is not told."""
    if eye.eye == "to-hand":
        _demand_no_tied_at(table, "the camera of its hand-eye stands still")
        return None
    if table.tied_at is None:
        raise UnusableInput(
            f'the grip "{table.name}" states no tied_at, and the camera of its hand-eye rides on the flange; give the '
            "pose of the flange at which the photo of the tie was taken: tied_at = { mm = [x, y, z], deg = [a, b, c] }"
        )
    tied_at = Pose3.from_angles(table.tied_at.mm, table.tied_at.deg, cast(AngleConvention, eye.convention))
    return Riding(tied_at, eye.robot_mm, math.radians(eye.robot_deg))


def _demand_no_tied_at(table: GripTable, why: str) -> None:
    if table.tied_at is not None:
        raise UnusableInput(f'the grip "{table.name}" states tied_at, and {why}; leave it out')


def arm_of(table: GripTable, robot: Robot, unit: float, riding: Riding | None = None, belt: Belt | None = None) -> Arm:
    """Return a grip as it is asked of a robot; `unit`: mm in the recipe's unit."""
    if isinstance(robot, PlanarRobot):
        _demand_no_tied_at(table, "its robot is tied by pairs")
    x, y = (v * unit for v in table.offset)
    if table.towards is None:
        offset = typed_offset(x, y, math.radians(table.turn_deg), table.z * unit, table.pointing)
    else:
        offset = drawn_offset((x, y), np.array(table.towards) * unit, table.z * unit, table.pointing)
    about = f'Offset of the grip "{table.name}"'
    errors = (
        (*_own_error(table, robot, unit), f"robot:{table.robot}", "The robot's own error"),
        (table.u_offset * unit, math.radians(table.u_turn_deg), f"grip:{table.name}", about),
    )
    for u_mm, u_rad, source_id, label in errors:
        offset = offset @ stated_pose(STILL, u_mm, u_rad, source_id, label, planar_only=True)
    return Arm(table, robot, offset, table.envelope.in_mm(unit), riding, belt)


def grips_of(
    arms: tuple[Arm, ...],
    found: Mapping[str, tuple[StepResult, tuple[str, ...]]],
    height: Value | None,
    shot: Shot,
    age_s: float | None = None,
    at_count: int | None = None,
    lean: Lean | None = None,
    lacks: Lacks | None = None,
) -> tuple[Grip, ...]:
    """Return the grips of a shot: one for each part that a grip's find gave.

    `found`: the result and the flags of each find, by name. `height` of the part's surface above the station's plane,
    as the tie was moved there. A part whose place cannot be relied on is not gripped. `at_count`: the count of the
    belt for which the grips are told, by default that of the shot. `lean` of that surface, which the tie has too.
    `lacks`: what a part does not show of all that a grip needs.
    """
    seen = _Shared(shot, height, age_s, at_count, lean, lacks)
    return tuple(grip for arm in arms for grip in _grips(arm, *found[arm.table.in_], seen))


@dataclass(frozen=True)
class _Shared:
    """What all grips of a shot share."""

    shot: Shot
    height: Value | None
    age_s: float | None
    at_count: int | None
    lean: Lean | None
    lacks: Lacks | None


def _grips(arm: Arm, result: StepResult, flags: tuple[str, ...], seen: _Shared) -> list[Grip]:
    table, feature = arm.table, result.feature
    if not isinstance(feature, PartFeature):
        return [Grip(table.name, None, None, False, Reason("step_failed", {"step": table.in_}))]
    doubts = forbidding(flags)
    if doubts:
        return [Grip(table.name, None, None, False, Reason("grip_doubtful", {"says": in_short(doubts)}))]
    parts = (feature, *feature.others)
    names = [table.name if k == 0 else f"{table.name} #{k + 1}" for k in range(len(parts))]
    count = None if arm.belt is None else (seen.shot.encoder_count if seen.at_count is None else seen.at_count)
    return [_told(name, _wanted(arm, part, seen), count) for name, part in zip(names, parts, strict=True)]


def _wanted(arm: Arm, part: PartFeature, seen: _Shared) -> PlacedGrip:
    """Return the grip of a part that shows all that the grip needs; else the reason."""
    if arm.table.needs:
        assert seen.lacks is not None
        if (lacking := seen.lacks(arm.table, part)) is not None:
            return PlacedGrip(None, lacking, age_s=seen.age_s)
    return _placed(arm, part.pose, seen)


def _placed(arm: Arm, part: Values, seen: _Shared) -> PlacedGrip:
    home_rad, fold = math.radians(arm.table.home_turn_deg), arm.table.alike
    robot = robot_at(arm, seen.shot)
    if isinstance(robot, Reason):
        return PlacedGrip(None, robot, age_s=seen.age_s)
    carried = None
    if seen.lean is not None:
        part = seen.lean.of_part(part)
    if arm.belt is not None:
        then = seen.shot.encoder_count
        if then is None:
            return PlacedGrip(None, Reason("no_count"), age_s=seen.age_s)
        now = then if seen.at_count is None else seen.at_count
        if arm.belt.frame == "plane":
            part = arm.belt.advance(part, then, now)
        else:
            carried = arm.belt.travel(then, now)
    return place_grip(
        part, arm.offset, robot, arm.envelope, height=seen.height, lean=seen.lean, carried=carried,
        home_turn_rad=home_rad, fold=fold, age_s=seen.age_s,
    )  # fmt: skip


def robot_at(arm: Arm, shot: Shot) -> Robot | Reason:
    """Return the robot as its camera was placed at the shot; a reason where the station's tie does not hold there.

    The tie image → plane moves with a camera that rides on the flange: where that went by M in the robot's frame, what
    it takes for the plane lies at M·robot_from_plane. So it may move along the plane and turn about the plane's normal,
    and no more: higher, or leaning, it would see another plane. The robot is off at either photo: at the tie's in the
    same way for all shots, and at each shot once more.
    """
    if arm.riding is None or not isinstance(arm.robot, SpaceRobot):
        return arm.robot
    told = shot.robot_from_flange
    if told is None:
        return Reason("no_flange")
    flange = Pose3(*told.position_mm, told.quaternion)
    moved = flange @ arm.riding.tied_at.inverse()
    plane = arm.robot.robot_from_plane
    beside = plane.pose.inverse() @ moved @ plane.pose
    lean = math.degrees(math.acos(min(max(float(beside.rotation[2, 2]), -1.0), 1.0)))
    if abs(beside.z_mm) > LEVEL_MM or lean > LEVEL_DEG:
        detail = (
            f"its camera was {beside.z_mm:+.2f} mm along the plane's normal from where the tie was made, and leant by "
            f"{lean:.2f}° more; at most {LEVEL_MM:g} mm and {LEVEL_DEG:g}° are allowed"
        )
        return Reason("tie_refused", {"detail": detail})
    now = arm.riding.said(flange, f"{shot.id}/flange:{arm.table.robot}", "Where the flange was at the shot")
    then = arm.riding.said(arm.riding.tied_at, f"tied-at:{arm.table.robot}", "Where the flange was at the tie's photo")
    return replace(arm.robot, robot_from_plane=now @ then.inverse() @ plane)


def _own_error(table: GripTable, robot: Robot, unit: float) -> tuple[float, float]:
    """Return the standard uncertainty of where a robot that is sent somewhere goes: of x and y (mm), of turn (rad)."""
    u_mm, u_rad = _by_its_tie(robot)
    if table.u_robot is not None:
        u_mm = table.u_robot * unit
    if table.u_robot_turn_deg is not None:
        u_rad = math.radians(table.u_robot_turn_deg)
    return u_mm, u_rad


def _by_its_tie(robot: Robot) -> tuple[float, float]:
    """Return what a robot's tie shows of the robot's own error, along each axis (mm) and of a turn (rad).

    What a rigid fit leaves over at unseen points is a sample of it; half of its square is along each axis. Smooth over
    the field, it also turns the fit itself, by about as much as it leaves over across the spread of the points. A
    hand-eye has found the flange's scatter itself.
    """
    if isinstance(robot, SpaceRobot):
        return robot.scatter_mm, robot.scatter_rad
    if robot.tie.quality is None or robot.tie.residuals is None:
        return 0.0, 0.0
    points = robot.tie.residuals.plane_mm[robot.tie.residuals.used]
    reach = float(np.sqrt(np.mean(np.sum((points - points.mean(axis=0)) ** 2, axis=1))))
    rms = robot.tie.quality.rms_mm
    return rms / math.sqrt(2), rms / reach


def _told(name: str, placed: PlacedGrip, count: int | None) -> Grip:
    if placed.pose is None or placed.U95 is None or placed.commanded_turn_rad is None:
        return Grip(name, None, None, False, placed.reason, age_s=placed.age_s, count=count)
    x, y, z, turn = placed.U95
    pose = placed.pose.pose
    told = RobotPose((pose.x_mm, pose.y_mm, pose.z_mm), pose.quaternion)
    return Grip(
        name,
        told,
        (x, y, z, math.degrees(turn)),
        placed.inside_envelope,
        turn_deg=math.degrees(placed.commanded_turn_rad),
        age_s=placed.age_s,
        count=count,
    )


def first_lacking(needed: Iterable[tuple[str, Iterable[Reading]]]) -> Reason | None:
    """Return what is the first to be missing of steps, by name with their readings; None where nothing is."""
    for name, readings in needed:
        for reading in readings:
            if (said := _lacking(reading)) is not None:
                return Reason("need_not_met", {"detail": f'"{name}" {reading.quantity} {said}'})
    return None


def _lacking(reading: Reading) -> str | None:
    if not reading.was_read:
        return f"is not there ({reading.reason.sentence.rstrip('.') if reading.reason else 'unread'})"
    if doubts := forbidding(reading.flags):
        return f"may not hold ({in_short(doubts)})"
    if reading.text is not None and reading.verdict not in (None, "conforms"):
        return f"is {reading.verdict}"
    if reading.value is not None and reading.limits is not None and reading.verdict != "conforms":
        return f"of {reading.value:.4g} {reading.unit} is {reading.verdict}"
    return None


def demand_needs(table: GripTable, frames: Mapping[str, str], here: str) -> None:
    """Raise `UnusableDocument` unless what a grip needs lives in its find's frame; `frames`: of each step, by name."""
    mine = [name for name, frame in frames.items() if frame == table.in_]
    for name in table.needs:
        if name not in mine:
            known = said_names(mine) if mine else f'there is none; give a step in = "{table.in_}"'
            raise UnusableDocument(
                f'{here}needs names "{name}"; name steps that live in the frame of "{table.in_}" ({known})'
            )


def demand_find(table: GripTable, finds: Mapping[str, str], here: str) -> None:
    """Raise `UnusableDocument` unless a grip's find lives in the plane; `finds`: the frame of each find, by name."""
    if table.in_ not in finds:
        known = " and ".join(f'"{name}"' for name in finds) or "none"
        raise UnusableDocument(f'{here}in is "{table.in_}"; name a find of the recipe ({known})')
    if finds[table.in_] != "plane":
        raise UnusableDocument(
            f"{here}its find lives in the {finds[table.in_]}; a robot needs one that lives in the plane"
        )
