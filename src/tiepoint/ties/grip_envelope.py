"""Where a gripper may go: a stated envelope, and of all turns that grip alike the one that is nearest to home."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.frames import Pose3
from tiepoint.foundation.reasons import Reason

Array = NDArray[np.float64]
Range = tuple[float, float]

_HAIR = 1e-9
"""What rounding may add to a turn at the end of its range."""


@dataclass(frozen=True)
class Envelope:
    """What a grip must stay inside, in the robot's frame; what is None is not bounded.

    `polygon_mm` (k, 2): of x and y, convex or not. `most_tilt_rad`: of the tool from the robot's z axis, whichever way
    it points. `turn_rad`: from, to; it may be wider than one turn. `most_age_s`: of the shot.
    """

    polygon_mm: Array | None = None
    z_mm: Range | None = None
    most_tilt_rad: float | None = None
    turn_rad: Range = (-math.pi, math.pi)
    most_age_s: float | None = None

    def __post_init__(self) -> None:
        for name, span in (("z", self.z_mm), ("turn", self.turn_rad)):
            if span is not None and not (np.isfinite(span).all() and span[0] < span[1]):
                raise UnusableInput(
                    f"the envelope's {name} runs from {span[0]:g} to {span[1]:g}; give the smaller first"
                )
        for name, most in (("tilt", self.most_tilt_rad), ("age", self.most_age_s)):
            if most is not None and not (math.isfinite(most) and most > 0):
                raise UnusableInput(f"the envelope's largest {name} is {most:g}; give more than 0")
        if self.polygon_mm is not None:
            _check_polygon(self.polygon_mm)


def box(x_mm: Range, y_mm: Range) -> Array:
    """Return the polygon (4, 2) of a box in x and y."""
    for name, (low, high) in (("x", x_mm), ("y", y_mm)):
        if not low < high:
            raise UnusableInput(f"the envelope's {name} runs from {low:g} to {high:g}; give the smaller first")
    return np.array([[x_mm[0], y_mm[0]], [x_mm[1], y_mm[0]], [x_mm[1], y_mm[1]], [x_mm[0], y_mm[1]]])


def choose_turn(turn_rad: float, home_rad: float, allowed_rad: Range, fold: int = 1) -> float | None:
    """Return the equivalent of a turn that is nearest to home within a range; None where none is in it.

    Equivalent are the turns that differ by a whole number of 1/`fold` turns. The result is not wrapped: with a range of
    ±360° and home at 350° a turn of 10° becomes 370° if that is allowed, so that the wrist never goes the long way.
    """
    if fold < 1:
        raise UnusableInput(f"a gripper's symmetry is {fold}-fold; give 1 for none, 2 where the jaws may be exchanged")
    if not (math.isfinite(turn_rad) and math.isfinite(home_rad)):
        raise UnusableInput(f"a turn of {turn_rad:g} with home at {home_rad:g} is no number")
    step = math.tau / fold
    low, high = allowed_rad
    first = math.ceil((low - _HAIR - turn_rad) / step)
    last = math.floor((high + _HAIR - turn_rad) / step)
    if last < first:
        return None
    return turn_rad + step * min(max(round((home_rad - turn_rad) / step), first), last)


def refusal(
    pose: Pose3, chosen_rad: float | None, turn_rad: float, envelope: Envelope, age_s: float | None
) -> Reason | None:
    """Return why a grip may not be gone to; None where it may."""
    if envelope.most_age_s is not None and age_s is not None and not age_s <= envelope.most_age_s:
        return Reason("too_old", {"age_s": round(age_s, 3), "most_s": envelope.most_age_s})
    said = _outside(pose, chosen_rad, turn_rad, envelope)
    return None if said is None else Reason("outside_envelope", {"detail": said})


def _outside(pose: Pose3, chosen_rad: float | None, turn_rad: float, envelope: Envelope) -> str | None:
    if envelope.polygon_mm is not None and not inside_polygon(envelope.polygon_mm, (pose.x_mm, pose.y_mm)):
        return f"x {pose.x_mm:.1f}, y {pose.y_mm:.1f} mm lies outside its outline"
    if envelope.z_mm is not None and not envelope.z_mm[0] <= pose.z_mm <= envelope.z_mm[1]:
        return f"z is {pose.z_mm:.1f} mm where {envelope.z_mm[0]:g} to {envelope.z_mm[1]:g} mm is allowed"
    tilt = tilt_of(pose)
    if envelope.most_tilt_rad is not None and tilt > envelope.most_tilt_rad:
        return f"the tool would lean by {math.degrees(tilt):.1f}°, more than {math.degrees(envelope.most_tilt_rad):g}°"
    if chosen_rad is None:
        low, high = (math.degrees(v) for v in envelope.turn_rad)
        return f"no turn that grips like {math.degrees(turn_rad):.1f}° lies within {low:g}° to {high:g}°"
    return None


def tilt_of(pose: Pose3) -> float:
    """Return the angle (rad, 0 to π/2) of a tool from the robot's z axis, whichever way it points."""
    x, y, z = pose.rotation[:, 2]
    return math.atan2(math.hypot(x, y), abs(z))


def inside_polygon(polygon: ArrayLike, point: tuple[float, float]) -> bool:
    """Whether a point lies in a polygon (k, 2), convex or not; its border is inside."""
    a = np.asarray(polygon, float)
    b = np.roll(a, -1, axis=0)
    x, y = point
    edge, away = b - a, np.array([x, y]) - a
    area = edge[:, 0] * away[:, 1] - edge[:, 1] * away[:, 0]
    along = np.einsum("ni,ni->n", edge, away) / np.einsum("ni,ni->n", edge, edge)
    on_border = (np.abs(area) <= _HAIR * np.hypot(*edge.T)) & (along >= 0) & (along <= 1)
    crosses = (a[:, 1] > y) != (b[:, 1] > y)
    right = crosses & ((area > 0) == (edge[:, 1] > 0))
    return bool(on_border.any() or right.sum() % 2)


def _check_polygon(polygon: Array) -> None:
    if polygon.ndim != 2 or polygon.shape[1:] != (2,) or len(polygon) < 3 or not np.isfinite(polygon).all():
        raise UnusableInput("the envelope's outline is no polygon; give at least three corners x, y in mm")
    if (np.hypot(*(polygon - np.roll(polygon, 1, axis=0)).T) == 0).any():
        raise UnusableInput("the envelope's outline has a corner twice in a row; give each once")
