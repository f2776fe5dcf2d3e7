"""Grips: a pose fixed to a part, carried into the robot's frame with all that is not known about it.

With P = robot_from_part and O = part_from_grip, the grip is T = P·O. O is typed, drawn, or taught from one part that
was picked by hand, O = P₀⁻¹·T₀, so that T = P·P₀⁻¹·T₀; a part that was gripped a little off and seen again is placed
by O = T⁻¹·Part, T′ = Goal·O⁻¹. All four carry their sources by id: what the taught part and the next one have in
common, the robot's tie first of all, cancels as far as they lie in the same place and the same way round.

A grip's frame has its +x along the jaws' turn and its +z along the tool, `pointing` up (out of the plane) or down into
it. z is above the part's own frame, which stands at the part's height above the station's reference plane.
"""

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.frames import Pose2, Pose3
from tiepoint.foundation.reasons import Reason, forbidding, in_short
from tiepoint.foundation.sources import Source, Value, Values, constant, effective_dof, merge_columns, stack
from tiepoint.ties.grip_envelope import Envelope, choose_turn, refusal
from tiepoint.ties.lean import Lean
from tiepoint.ties.tie import Tie, inside_convex
from tiepoint.ties.uncertain_pose import UncertainPose, lifted, planar

Array = NDArray[np.float64]
Pointing = Literal["up", "down"]

_LEVER_MM = 10.0
"""Over this length a tie's turn is taken at a part; any short one does."""
_DOWN = Pose3(0.0, 0.0, 0.0, (0.0, 1.0, 0.0, 0.0))


@dataclass(frozen=True)
class PlanarRobot:
    """A tie plane → robot by pairs. `z_at_plane`: where the station's reference plane lies along the robot's z."""

    tie: Tie
    z_at_plane: Value = field(default_factory=lambda: constant(0.0))

    def __post_init__(self) -> None:
        if (said := planar_robot_refusal(self.tie)) is not None:
            raise UnusableInput(said)
        if flags := forbidding(self.tie.flags):
            raise UnusableInput(
                f"the robot's tie is not one to move by, since its ± may not hold ({in_short(flags)}); make it again"
            )


def planar_robot_refusal(tie: Tie) -> str | None:
    """Return why a tie cannot be one of the plane to a robot, in a sentence; None where it can."""
    if tie.from_frame != "plane" or tie.to_frame != "robot":
        return (
            f"the robot's tie leads from {tie.from_frame} to {tie.to_frame}; a grip needs one from the plane to the "
            "robot (tie pairs --from plane --to robot)"
        )
    if float(np.linalg.det(tie.matrix[:2, :2])) * tie.matrix[2, 2] <= 0:
        return "the robot's tie is mirrored: it would turn every part the wrong way; type the pairs again"
    return None


@dataclass(frozen=True)
class SpaceRobot:
    """A 6-DoF tie of the station's plane to the robot; `region` (k, 2): convex polygon of the plane where it holds.

    `scatter_mm`, `scatter_rad`: of the robot's own flange, along and about each axis, as the tie has found it.
    """

    robot_from_plane: UncertainPose
    region: Array | None = None
    scatter_mm: float = 0.0
    scatter_rad: float = 0.0


Robot = PlanarRobot | SpaceRobot


@dataclass(frozen=True)
class Ellipse:
    """A 95 % region of (x, y): semi-axes in mm, long one first, and the long one's angle from the robot's +x.

    The factor is √(2·F(0.95; 2, ν)): one residual variance with ν degrees of freedom scales the whole matrix, so
    its shape is known and its size is not; for ν = ∞ it is 2.448 (JCGM 102:2011, 6.5.2 and table 1, from memory).
    """

    major_mm: float
    minor_mm: float
    angle_rad: float
    covariance: Array
    factor: float
    dof: float

    def holds(self, offsets_mm: ArrayLike) -> NDArray[np.bool_]:
        """Return which offsets (n, 2) from the centre lie within the ellipse."""
        d = np.atleast_2d(np.asarray(offsets_mm, float))
        axis = np.array([math.cos(self.angle_rad), math.sin(self.angle_rad)])
        along, across = d @ axis, d @ np.array([-axis[1], axis[0]])
        tiny = np.finfo(float).tiny
        reach = (along / max(self.major_mm, tiny)) ** 2 + (across / max(self.minor_mm, tiny)) ** 2
        return np.asarray(reach <= 1.0)


@dataclass(frozen=True)
class PlacedGrip:
    """The gripper's pose in the robot's frame; None with a `reason` where it is refused or cannot be had.

    `would_be` is the pose that was refused, to be drawn and never sent. `turn` is the turn to be commanded: of all that
    grip alike, within the allowed range, the one nearest to home, counted on past ±180° where the range goes there.
    `age_s` is the shot's, as the caller stated it.
    """

    pose: UncertainPose | None
    reason: Reason | None = None
    would_be: UncertainPose | None = None
    commanded_turn_rad: float | None = None
    age_s: float | None = None
    inside_envelope: bool = False

    @property
    def values(self) -> Values | None:
        """X, y, z in mm and the commanded turn in rad, over their shared sources."""
        if self.pose is None or self.commanded_turn_rad is None:
            return None
        turn = Value(self.commanded_turn_rad, self.pose.turn.terms)
        position = self.pose.position
        return stack([position[0], position[1], position[2], turn])

    @property
    def U95(self) -> tuple[float, float, float, float] | None:
        """Half-widths of the 95 % intervals of x, y, z (mm) and turn (rad), each for itself."""
        if (values := self.values) is None:
            return None
        return values[0].U95, values[1].U95, values[2].U95, values[3].U95

    @cached_property
    def ellipse(self) -> Ellipse | None:
        """The 95 % ellipse of x and y."""
        return None if self.pose is None else ellipse_of(self.pose.position)


# --- what a grip is ------------------------------------------------------------------------------------------------


def typed_offset(
    x_mm: float, y_mm: float, turn_rad: float, z_mm: float = 0.0, pointing: Pointing = "up"
) -> UncertainPose:
    """Return part_from_grip as typed: where it lies in the part's frame, and its turn from the part's +x."""
    pose = lifted(Pose2(x_mm, y_mm, turn_rad), z_mm)
    return UncertainPose(pose @ _DOWN if pointing == "down" else pose)


def drawn_offset(
    middle_mm: ArrayLike, towards_mm: ArrayLike, z_mm: float = 0.0, pointing: Pointing = "up"
) -> UncertainPose:
    """Return part_from_grip as drawn in the part's frame: its middle, and a point in the direction of its +x."""
    a, b = np.asarray(middle_mm, float), np.asarray(towards_mm, float)
    if not np.isfinite([*a, *b]).all() or not math.hypot(*(b - a)) > 0:
        raise UnusableInput("a drawn grip needs two different points: its middle, and one that shows its turn")
    return typed_offset(float(a[0]), float(a[1]), math.atan2(*(b - a)[::-1]), z_mm, pointing)


def taught_offset(robot_from_part: UncertainPose, robot_from_grip: UncertainPose) -> UncertainPose:
    """Return part_from_grip, O = P₀⁻¹·T₀, from one part as it was seen and the pose in which the robot held it."""
    return robot_from_part.inverse() @ robot_from_grip


def held_offset(robot_from_grip: UncertainPose, robot_from_part: UncertainPose) -> UncertainPose:
    """Return grip_from_part, O = T⁻¹·Part, from a part as it was seen in the gripper."""
    return robot_from_grip.inverse() @ robot_from_part


def placing_pose(robot_from_goal: UncertainPose, grip_from_part: UncertainPose) -> UncertainPose:
    """Return robot_from_grip, T′ = Goal·O⁻¹, at which a part held with that offset lies in its goal."""
    return robot_from_goal @ grip_from_part.inverse()


def stated_pose(
    pose: Pose3, u_mm: float, u_rad: float, source_id: str, label: str, planar_only: bool = False
) -> UncertainPose:
    """Return a pose with a standard uncertainty of each coordinate and of each turn, all independent.

    Serves a pose that was taught by hand, a robot's repeatability (composed as a pose near the identity), or a fixture.
    `planar_only`: x, y and the turn about z alone.
    """
    for name, u in (("u of a position", u_mm), ("u of a turn", u_rad)):
        if not (math.isfinite(u) and u >= 0):
            raise UnusableInput(f"the {name} is {u:g}; give 0 or more")
    rows = [(2, "turn", u_rad), (3, "x", u_mm), (4, "y", u_mm)]
    if not planar_only:
        rows = [(0, "roll", u_rad), (1, "pitch", u_rad), *rows, (5, "z", u_mm)]
    kept = [row for row in rows if row[2] > 0]
    c = np.zeros((6, len(kept)))
    for k, (place, _, _) in enumerate(kept):
        c[place, k] = 1.0
    return UncertainPose(pose, tuple(Source(f"{source_id}:{name}", label, "B", u, "station") for _, name, u in kept), c)


# --- where it is ---------------------------------------------------------------------------------------------------


def part_in_robot(
    part: Values, robot: Robot, height: Value | None = None, lean: Lean | None = None
) -> UncertainPose | Reason:
    """Return robot_from_part of a part's x, y (mm) and angle (rad) in the plane; a reason where the tie does not hold.

    `height`: of the part's frame above the station's reference plane, with the sources by which the tie image → plane
    was moved there: the same error then moves x, y and z together. `lean` of the part, which `part` has been given too
    (`Lean.of_part`): it then turns what is seen and the grip together.
    """
    if len(part) != 3:
        raise UnusableInput(f"a part's pose has x, y and an angle, not {len(part)} numbers")
    above = height or constant(0.0)
    if not (np.isfinite(part.value).all() and math.isfinite(above.value)):
        return Reason("not_a_number")
    if isinstance(robot, SpaceRobot):
        if robot.region is not None and not inside_convex(robot.region, part.value[None, :2])[0]:
            return Reason("outside_tie")
        flat = planar(part[0], part[1], part[2], above)
        return robot.robot_from_plane @ (flat if lean is None else lean.on(flat))
    told = _by_plane(part, robot, above)
    if lean is None or isinstance(told, Reason):
        return told
    return lean.on(told, told.turn.value - float(part.value[2]))


def _by_plane(part: Values, robot: PlanarRobot, above: Value) -> UncertainPose | Reason:
    """Return robot_from_part by a planar tie: its place there, and where a point ahead of it on its +x axis goes."""
    angle = float(part.value[2])
    ahead = _LEVER_MM * np.array([math.cos(angle), math.sin(angle)])
    mapped = robot.tie.map(np.stack([part.value[:2], part.value[:2] + ahead]))
    if not mapped.inside[0]:
        return Reason("outside_tie")
    d_ahead = part.c[:2] + np.outer([-ahead[1], ahead[0]], part.c[2])
    by_part = np.vstack([mapped.d_px[0] @ part.c[:2], mapped.d_px[1] @ d_ahead])
    rows = np.hstack([by_part, mapped.d_sources.reshape(4, -1)])
    sources, c = merge_columns((*part.sources, *mapped.sources), rows)
    dx, dy = mapped.xy_mm[1] - mapped.xy_mm[0]
    d_angle = (dx * (c[3] - c[1]) - dy * (c[2] - c[0])) / (dx**2 + dy**2)
    found = Values(np.array([*mapped.xy_mm[0], math.atan2(dy, dx)]), np.vstack([c[:2], d_angle]), sources)
    return planar(found[0], found[1], found[2], robot.z_at_plane.plus(above))


def place_grip(
    part: Values,
    offset: UncertainPose,
    robot: Robot,
    envelope: Envelope,
    *,
    height: Value | None = None,
    lean: Lean | None = None,
    carried: Values | None = None,
    home_turn_rad: float = 0.0,
    fold: int = 1,
    age_s: float | None = None,
) -> PlacedGrip:
    """Return the grip `offset` (part_from_grip) of a part in the robot's frame, or the reason why there is none.

    `part`: x, y (mm) and angle (rad) in the plane, over shared sources; `height` and `lean` as for `part_in_robot`.
    `carried`: how far a belt has taken it since, along the robot's x and y (mm), where that is not in `part` already.
    `fold`: how many turns of the gripper grip alike (1, 2 for jaws that may be exchanged, …). `home_turn_rad`: where
    the wrist would rather be, such as where it is now.
    """
    seen = part_in_robot(part, robot, height, lean)
    if isinstance(seen, Reason):
        return PlacedGrip(None, seen, age_s=age_s)
    if carried is not None:
        seen = _carried(carried) @ seen
    if not _reaches(seen @ offset, robot):
        return PlacedGrip(None, Reason("outside_tie"), seen @ offset, age_s=age_s)
    return judged(seen @ offset, envelope, home_turn_rad, fold, age_s)


def judged(
    robot_from_grip: UncertainPose, envelope: Envelope, home_turn_rad: float = 0.0, fold: int = 1,
    age_s: float | None = None,
) -> PlacedGrip:  # fmt: skip
    """Return a pose in the robot's frame, turned to what is nearest to home, inside the envelope or refused.

    Serves poses from `placing_pose` as well. Raises `UnusableInput` for a `fold` below 1.
    """
    turn = robot_from_grip.turn.value
    chosen = choose_turn(turn, home_turn_rad, envelope.turn_rad, fold)
    aimed = robot_from_grip if chosen is None else _turned(robot_from_grip, chosen - turn)
    reason = refusal(aimed.pose, chosen, turn, envelope, age_s)
    if reason is not None or chosen is None:
        return PlacedGrip(None, reason, aimed, age_s=age_s)
    # On a tilted plane the turn of an equivalent grip is not the sum to the last digit: unwrap what it really is.
    commanded = chosen + math.remainder(aimed.turn.value - chosen, math.tau)
    return PlacedGrip(aimed, None, None, commanded, age_s, True)


def _carried(by: Values) -> UncertainPose:
    """Return the shift by x and y (mm) in the robot's frame, as a pose to be composed from the left."""
    c = np.zeros((6, len(by.sources)))
    c[3:5] = by.c[:2]
    x, y = by.value[:2].tolist()
    return UncertainPose(Pose3(x, y, 0.0), by.sources, c)


def _turned(pose: UncertainPose, by_rad: float) -> UncertainPose:
    """Return a grip turned about its own z so that its turn, seen from above, changes by that."""
    if abs(math.remainder(by_rad, math.tau)) < 1e-12:
        return pose
    sign = 1.0 if pose.pose.rotation[2, 2] >= 0 else -1.0
    return pose @ UncertainPose(lifted(Pose2(0.0, 0.0, sign * by_rad)))


def _reaches(robot_from_grip: UncertainPose, robot: Robot) -> bool:
    """Whether the grip's own place, not its part's alone, is where the tie holds."""
    xyz = robot_from_grip.pose.translation_mm
    if isinstance(robot, PlanarRobot):
        return bool(inside_convex(robot.tie.valid_region, robot.tie.to_image(xyz[None, :2]))[0])
    if robot.region is None:
        return True
    on_plane = robot.robot_from_plane.pose.inverse().apply(xyz[None])[:, :2]
    return bool(inside_convex(robot.region, on_plane)[0])


def ellipse_of(position: Values) -> Ellipse:
    """Return the 95 % ellipse of the first two of `position`."""
    scaled = position.c[:2] * np.array([s.u for s in position.sources])
    covariance = np.asarray(scaled @ scaled.T)
    variances, axes = np.linalg.eigh(covariance)
    dof = _joint_dof(position, np.sum(scaled**2, axis=0))
    factor = math.sqrt(-2 * math.log(0.05) if math.isinf(dof) else 2 * float(special.fdtri(2.0, dof, 0.95)))
    minor, major = factor * np.sqrt(np.maximum(variances, 0.0))
    return Ellipse(float(major), float(minor), math.atan2(axes[1, 1], axes[0, 1]), covariance, factor, dof)


def _joint_dof(position: Values, variances: Array) -> float:
    """Return the effective degrees of freedom of x and y together: of the trace, ensemble by ensemble."""
    groups: dict[str, tuple[float, float]] = {}
    for source, variance in zip(position.sources, variances, strict=True):
        before, dof = groups.get(source.ensemble, (0.0, math.inf))
        groups[source.ensemble] = (before + float(variance), min(dof, source.dof))
    return effective_dof(groups.values())
