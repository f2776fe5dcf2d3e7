"""Places of a picture as the robot's numbers, and back: by a tie image → plane and one plane → robot, with their ±."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tiepoint.foundation.sources import Value
    from tiepoint.ties.grip_envelope import Envelope
    from tiepoint.ties.tie import Tie

Px = tuple[float, float]

CAUTION: Final = (
    "tiepoint never starts a motion, and is no safety device. Make first moves in reduced-speed manual mode with the "
    "enabling device in hand (ISO 10218); where people and the robot share a place, local rules come first."
)
_AHEAD_MM: Final = 20.0
_LEAST_SHARE: Final = 0.02
"""Of what a picture shows of the plane: where a robot's tie holds in less, it was hardly made for this plane."""


@dataclass(frozen=True, slots=True)
class RobotPlace:
    """A place: its pixel, one ahead of it in the direction of its turn, and the robot's x, y (mm) and turn (rad).

    Without a value (`x` None) `says` why.
    """

    at_px: Px
    ahead_px: Px
    x: "Value | None"
    y: "Value | None"
    turn: "Value | None"
    says: str


def robot_axes(plane: "Tie", robot: "Tie", step_mm: float) -> tuple[Px, Px, Px]:
    """Return where the robot's +x and +y point in the picture: a place in the tie's region, and a step along each."""
    import numpy as np

    demand_robot(plane, robot)
    middle = robot.map(plane.map(_middle(plane)[None]).xy_mm).xy_mm[0]
    ends = middle + step_mm * np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    told = plane.to_image(robot.to_image(ends)).tolist()
    return (told[0][0], told[0][1]), (told[1][0], told[1][1]), (told[2][0], told[2][1])


def place_seen(plane: "Tie", robot: "Tie", at_px: Px, towards_px: Px | None) -> RobotPlace:
    """Return a place of the picture as the robot's numbers; it is turned towards another, or along the robot's +x."""
    import numpy as np

    from tiepoint.foundation.reasons import Reason
    from tiepoint.foundation.sources import constant, stack
    from tiepoint.ties.grip import PlanarRobot, part_in_robot
    from tiepoint.ties.probe import probe

    demand_robot(plane, robot)
    (seen,) = probe(plane, [at_px]).points
    if seen.x is None or seen.y is None:
        return RobotPlace(at_px, towards_px or at_px, None, None, None, _sentence(seen.reason))
    here = np.array([seen.x.value, seen.y.value])
    ahead = _along_x(robot, here) if towards_px is None else plane.map(np.array([towards_px])).xy_mm[0]
    dx, dy = (ahead - here).tolist()
    part = stack([seen.x, seen.y, constant(math.atan2(dy, dx))])
    told = part_in_robot(part, PlanarRobot(robot))
    tip = plane.to_image((here + _AHEAD_MM * np.array([dx, dy]) / math.hypot(dx, dy))[None])[0].tolist()
    if isinstance(told, Reason):
        return RobotPlace(at_px, (tip[0], tip[1]), None, None, None, _sentence(told))
    return RobotPlace(at_px, (tip[0], tip[1]), told.position[0], told.position[1], told.turn, "")


def place_typed(plane: "Tie", robot: "Tie", x_mm: float, y_mm: float, turn_rad: float) -> RobotPlace:
    """Return where the robot's numbers lie in the picture, told as `place_seen` tells it."""
    import numpy as np

    demand_robot(plane, robot)
    here = np.array([x_mm, y_mm])
    ends = np.stack([here, here + _AHEAD_MM * np.array([math.cos(turn_rad), math.sin(turn_rad)])])
    (ax, ay), (bx, by) = plane.to_image(robot.to_image(ends)).tolist()
    size = plane.sensor.size_px if plane.sensor is not None else (math.inf, math.inf)
    if not (-0.5 <= ax <= size[0] - 0.5 and -0.5 <= ay <= size[1] - 0.5):
        raise UnusableInput(f"the robot's ({x_mm:g}, {y_mm:g}) mm lies outside the picture; type a place that is seen")
    return place_seen(plane, robot, (ax, ay), (bx, by))


def beyond(place: RobotPlace, envelope: "Envelope") -> str:
    """Return why the gripper may not go to a place, in a sentence; nothing where it may, or where it has no value."""
    from tiepoint.foundation.frames import Pose3
    from tiepoint.ties.grip_envelope import choose_turn, refusal

    if place.x is None or place.y is None or place.turn is None:
        return ""
    turn = place.turn.value
    pose = Pose3(place.x.value, place.y.value, 0.0, (math.cos(turn / 2), 0.0, 0.0, math.sin(turn / 2)))
    return _sentence(refusal(pose, choose_turn(turn, 0.0, envelope.turn_rad), turn, envelope, None))


def outline_px(plane: "Tie", robot: "Tie", envelope: "Envelope") -> list[Px]:
    """Return the outline of an envelope in the picture, as far as it has one; a side has so many points as it bends.

    What lies far beyond the tie's region is drawn at three times its size: farther off a picture may have no place.
    """
    import numpy as np

    if envelope.polygon_mm is None:
        return []
    region = robot.map(plane.map(plane.valid_region, with_sources=False).xy_mm, with_sources=False).xy_mm
    low, high = region.min(axis=0), region.max(axis=0)
    near = np.clip(envelope.polygon_mm, low - (high - low), high + (high - low))
    corners = np.vstack([near, near[:1]])
    steps = np.linspace(0, 1, 16, endpoint=False)[None, :, None]
    sides = (corners[:-1, None] + steps * (corners[1:] - corners[:-1])[:, None]).reshape(-1, 2)
    told = plane.to_image(robot.to_image(sides))
    return [(x, y) for x, y in told.round(2).tolist()] if np.isfinite(told).all() else []


def apart(plane: "Tie", robot: "Tie") -> str:
    """Return, in a sentence, that a robot's tie holds in next to nothing of what the picture shows; else nothing.

    A table whose sides are exchanged, or whose sides are both in another unit, fits as well as the right one does.
    """
    import numpy as np

    from tiepoint.foundation.rounding import MINUS
    from tiepoint.ties.tie import inside_convex

    demand_robot(plane, robot)
    low, high = plane.valid_region.min(axis=0), plane.valid_region.max(axis=0)
    px = np.stack(np.meshgrid(*np.linspace(low, high, 60).T), axis=-1).reshape(-1, 2)
    shown = plane.map(px[inside_convex(plane.valid_region, px)], with_sources=False).xy_mm
    if inside_convex(robot.valid_region, shown).mean() >= _LEAST_SHARE:
        return ""

    def ends(places: "NDArray[np.float64]") -> str:
        (left, bottom), (right, top) = places.min(axis=0), places.max(axis=0)
        return f"x {left:z.0f} to {right:z.0f}, y {bottom:z.0f} to {top:z.0f} mm".replace("-", MINUS)

    return (
        f"The robot's tie was made at places of the plane of {ends(robot.valid_region)}, and the picture shows "
        f"{ends(shown)}: the sides of its table may be exchanged, or its places be in another unit, or in the frame of "
        "another plane. Do not move by it; make it again by pairs, from this plane to the robot."
    )


def demand_robot(plane: "Tie", robot: "Tie") -> None:
    """Raise `UnusableInput` where two ties do not lead from the picture to the robot."""
    from tiepoint.ties.grip import planar_robot_refusal

    if plane.from_frame != "image" or plane.to_frame != "plane":
        raise UnusableInput("the plane's tie does not lead from the picture to the plane; choose one that does")
    if (said := planar_robot_refusal(robot)) is not None:
        raise UnusableInput(said)


def _along_x(robot: "Tie", here: "NDArray[np.float64]") -> "NDArray[np.float64]":
    """Return a place of the plane that lies from another one along the robot's +x."""
    import numpy as np

    there = robot.map(here[None]).xy_mm[0] + [_AHEAD_MM, 0.0]
    return np.asarray(robot.to_image(there[None])[0])


def _middle(plane: "Tie") -> "NDArray[np.float64]":
    middle: NDArray[np.float64] = plane.valid_region.mean(axis=0)
    return middle


def _sentence(reason: object) -> str:
    from tiepoint.foundation.reasons import Reason

    return reason.sentence if isinstance(reason, Reason) else ""
