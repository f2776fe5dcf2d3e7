"""Teach a grip from one part that the robot holds where a shot saw it; the recipe is edited as text.

O = P₀⁻¹·T₀: where the tool is, in the frame of the part as it was seen. What both ties, the hand and the arm left open
there is in the offset for good, and is written beside it as its u. Where the next part lies at the same place the ties'
share cancels in truth; written as a number it does not, so that the grip states rather too much than too little.
"""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import tomlkit

from tiepoint.documents.files import read_text, write_atomic
from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import Reason, forbidding, in_short
from tiepoint.recipe.features import PartFeature
from tiepoint.recipe.grips import Arm, robot_at
from tiepoint.recipe.runner import Job, Outcome
from tiepoint.recipe.tables import said_names
from tiepoint.ties.grip import part_in_robot, taught_offset
from tiepoint.ties.uncertain_pose import UncertainPose

MOST_LEAN_DEG = 2.0
"""A grip of a recipe stands square to the part; a hand does not stand it squarer than this."""


@dataclass(frozen=True)
class HeldGrip:
    """A taught grip in mm and degrees: `offset` in the part's frame, `z` above it, its turn, and standard u of both."""

    offset_mm: tuple[float, float]
    z_mm: float
    turn_deg: float
    pointing: Literal["down", "up"]
    u_mm: float
    u_deg: float
    lean_deg: float


def arm_named(job: Job, name: str) -> Arm:
    """Return the grip of that name; `UnusableInput` where there is none."""
    for arm in job.arms:
        if arm.table.name == name:
            return arm
    known = said_names([arm.table.name for arm in job.arms])
    raise UnusableInput(f'no grip of the recipe is named "{name}"; there are {known}')


def teach_grip(job: Job, arm: Arm, outcome: Outcome, held: UncertainPose) -> HeldGrip:
    """Return the grip of a part that the robot holds at `held` (robot_from_grip), where the shot saw it.

    Raises `UnusableInput` where the shot does not tell where the part lies, or the tool leans.
    """
    (trace,) = [t for t in outcome.traces if t.step.name == arm.table.in_]
    feature = trace.result.feature
    if not isinstance(feature, PartFeature):
        why = trace.result.failed.sentence if trace.result.failed else "It gave no frame."
        raise UnusableInput(f'the find "{arm.table.in_}" found no part in the shot: {why}')
    if doubts := forbidding(f for reading in trace.readings for f in reading.flags):
        raise UnusableInput(f"the part's place in the shot may not hold ({in_short(doubts)}); take another")
    robot = robot_at(arm, outcome.record.shot)
    part = feature.pose if job.lean is None else job.lean.of_part(feature.pose)
    there = robot if isinstance(robot, Reason) else part_in_robot(part, robot, job.height, job.lean)
    if isinstance(there, Reason):
        raise UnusableInput(f"the part cannot be placed in the robot's frame: {there.sentence}")
    offset = taught_offset(there, held)
    up = float(offset.pose.rotation[2, 2])
    lean = math.degrees(math.acos(min(abs(up), 1.0)))
    if lean > MOST_LEAN_DEG:
        raise UnusableInput(
            f"the tool leans by {lean:.1f}° against the part; a grip stands square to it (within {MOST_LEAN_DEG:g}°): "
            "check the angles and their convention, or hold the part again"
        )
    x, y, z = offset.pose.translation_mm.tolist()
    u = math.sqrt(sum(offset.position[k].variance for k in (0, 1)) / 2)
    pointing: Literal["down", "up"] = "down" if up < 0 else "up"
    turn = offset.turn
    return HeldGrip((x, y), z, math.degrees(turn.value), pointing, u, math.degrees(turn.u), lean)


def keep_grip(recipe_path: Path, name: str, held: HeldGrip, unit: float) -> int:
    """Write a taught grip into its table of the recipe, and return the recipe's new revision. Comments stay."""
    text = tomlkit.parse(read_text(recipe_path))
    grips: Any = text["grip"]
    (table,) = [grip for grip in grips if grip["name"] == name]
    table["offset"] = [round(v / unit, 4) for v in held.offset_mm]
    table["turn_deg"] = round(held.turn_deg, 3)
    table.pop("towards", None)
    table["z"] = round(held.z_mm / unit, 4)
    table["pointing"] = held.pointing
    table["u_offset"] = round(held.u_mm / unit, 4)
    table["u_turn_deg"] = round(held.u_deg, 4)
    revision = int(text.get("revision", 1)) + 1
    text["revision"] = revision
    write_atomic(recipe_path, tomlkit.dumps(text).encode())
    return revision
