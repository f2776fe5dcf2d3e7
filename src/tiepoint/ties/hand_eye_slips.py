"""What goes wrong with a hand-eye before any arithmetic: how the poses were typed, and which poses there are.

A table that was typed otherwise than it is read (inverted, under another angle convention, in another unit, against
photos in another order) fits no X and Y. Each such reading is tried as a table of its own and scored as the typed one
is, by its least median error; one that leaves a quarter or less is told. Nothing is repaired: only the robot's display
knows what was meant.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.frames import CONVENTIONS, AngleConvention, Pose3
from tiepoint.ties.hand_eye_fit import Eye, rotation_vectors
from tiepoint.ties.hand_eye_start import start
from tiepoint.ties.hand_eye_views import TargetPoses

Array = NDArray[np.float64]

FEWEST = 4
FEWEST_TO_JUDGE = 6
"""With fewer rows half of them fit many tables by chance."""
_BETTER = 4.0
_NO_TURN_DEG = 3.0
_ONE_AXIS_DEG = 3.0
_INCH, _METRE = 25.4, 1000.0


@dataclass(frozen=True)
class PoseTable:
    """Poses robot_from_flange as the controller shows them: `xyz_mm` (n, 3), `angles_deg` (n, 3), their convention."""

    xyz_mm: Array
    angles_deg: Array
    convention: AngleConvention

    def __len__(self) -> int:
        return len(self.xyz_mm)

    @property
    def matrices(self) -> Array:
        """robot_from_flange as matrices (n, 4, 4)."""
        rows = zip(self.xyz_mm, self.angles_deg, strict=True)
        return np.array([Pose3.from_angles(xyz, abc, self.convention).matrix for xyz, abc in rows])


@dataclass(frozen=True)
class Reading:
    """Another way to read the table: `code`, what was then typed (`said`), the A of it (n, 4, 4), and its score."""

    code: str
    said: str
    a: Array
    score_mm: float = math.inf


def as_a(flanges: Array, eye: Eye) -> Array:
    """Return the A of A·X·B = Y: robot_from_flange for an eye in hand, flange_from_robot for one that looks at it."""
    return flanges if eye == "in-hand" else inverted(flanges)


def inverted(poses: Array) -> Array:
    """Return poses (n, 4, 4) the other way."""
    out = np.tile(np.eye(4), (len(poses), 1, 1))
    out[:, :3, :3] = np.swapaxes(poses[:, :3, :3], 1, 2)
    out[:, :3, 3] = -np.einsum("nji,nj->ni", poses[:, :3, :3], poses[:, :3, 3])
    return out


def demand_turns(flanges: Array, seen: TargetPoses) -> None:
    """Raise `PoorGeometry` with the pose to add where the poses are too few, never turn, or turn about one axis.

    How much they turn is taken from the photos, which no typing error spoils; about what, from the flange.
    """
    n = len(seen)
    if n < FEWEST:
        raise PoorGeometry(
            f"a hand-eye needs at least {FEWEST} poses, not {n}; ten to fifteen are good. Add poses in which the "
            "flange is leaned by 20 to 30° about its x axis, about its y axis, and turned about its z axis"
        )
    sizes = _turns(inverted(seen.matrices))[0]
    if sizes[2] < _NO_TURN_DEG:
        raise PoorGeometry(
            f"the poses hardly turn ({sizes[2]:.1f}° rms between two of them), so where the camera sits cannot be told "
            "from where the robot's base is. Add poses in which the flange is leaned by 20 to 30° about its x axis, "
            "about its y axis, and turned about its z axis"
        )
    if sizes[1] < _ONE_AXIS_DEG:
        common = _turns(flanges)[1][:, 2]
        common = np.round(common * np.sign(common[np.argmax(np.abs(common))]), 2) + 0.0
        lean = "xyz"[int(np.argmin(np.abs(common)))]
        raise PoorGeometry(
            f"all poses turn about nearly one axis, ({', '.join(f'{v:.2f}' for v in common)}) in the flange's "
            f"frame (about others only {sizes[1]:.1f}° rms), and along it the answer can slide. Add two poses in which "
            f"the flange is leaned by 20 to 30° about its own {lean} axis, one each way"
        )


def _turns(poses: Array) -> tuple[Array, Array]:
    """Return how much poses turn against each other about three axes (rms in degrees, rising), and the axes (3, 3)."""
    i, j = np.triu_indices(len(poses), 1)
    vectors = rotation_vectors(np.swapaxes(poses[j, :3, :3], 1, 2) @ poses[i, :3, :3])
    sizes, axes = np.linalg.eigh(vectors.T @ vectors / len(vectors))
    return np.degrees(np.sqrt(np.maximum(sizes, 0.0))), axes


def demand_typed_well(table: PoseTable, seen: TargetPoses, eye: Eye, typed_mm: float) -> None:
    """Raise `UnusableInput` naming the reading (or readings) that fits where the table as typed does not."""
    if len(table) < FEWEST_TO_JUDGE:
        return
    fitting = [r for r in _scored(table, seen, eye) if r.score_mm * _BETTER < typed_mm]
    if not fitting:
        return
    best = min(r.score_mm for r in fitting)
    told = [r for r in fitting if r.score_mm < 2 * best]
    raise UnusableInput(
        f"the poses do not fit the photos as they are typed (half of them are off by {typed_mm:.2g} mm or more), and "
        f"would, within {best:.2g} mm, if {'; or if '.join(r.said for r in told)}. Nothing was repaired: look at the "
        "robot's own display, and type what it shows"
    )


def _scored(table: PoseTable, seen: TargetPoses, eye: Eye) -> Iterator[Reading]:
    b = seen.matrices
    for reading in readings(table, eye):
        found = start(reading.a, b, seen.middle_mm, seen.lever_mm)
        yield Reading(reading.code, reading.said, reading.a, found.score)


def readings(table: PoseTable, eye: Eye) -> Iterator[Reading]:
    """Yield the other ways in which the table may have been meant."""
    typed, other_eye = table.matrices, "to-hand" if eye == "in-hand" else "in-hand"
    turned_round = (
        "each were inverted: either the table holds flange_from_robot where robot_from_flange is wanted, or the eye "
        f"is {other_eye} and not {eye} (the numbers cannot tell these two apart; look whether it is the camera or the "
        "target that the flange carries)"
    )
    yield Reading("inverted", turned_round, as_a(inverted(typed), eye))
    for convention in get_args(AngleConvention):
        if convention == table.convention:
            continue
        other = PoseTable(table.xyz_mm, table.angles_deg, convention).matrices
        said = f"the angles are {convention} ({CONVENTIONS[convention]})"
        yield Reading("convention", said, as_a(other, eye))
        yield Reading("convention, inverted", f"{said}, and {turned_round}", as_a(inverted(other), eye))
    for factor, unit in ((_INCH, "inches"), (_METRE, "metres")):
        scaled = typed.copy()
        scaled[:, :3, 3] *= factor
        yield Reading("unit", f"x, y and z are in {unit} and not in mm", as_a(scaled, eye))
    for one, other_axis in ((0, 1), (1, 2), (0, 2)):
        exchanged = typed.copy()
        exchanged[:, [one, other_axis], 3] = typed[:, [other_axis, one], 3]
        said = f"the columns {'xyz'[one]} and {'xyz'[other_axis]} are exchanged"
        yield Reading("columns", said, as_a(exchanged, eye))
    in_degrees = PoseTable(table.xyz_mm, np.degrees(table.angles_deg), table.convention)
    yield Reading("radians", "the angles are in radians and not in degrees", as_a(in_degrees.matrices, eye))
    for code, order, said in (
        ("reversed", np.arange(len(table))[::-1], "the photos stand in the reverse order of the poses"),
        ("late", np.roll(np.arange(len(table)), 1), "each photo belongs to the pose one row above it"),
        ("early", np.roll(np.arange(len(table)), -1), "each photo belongs to the pose one row below it"),
    ):
        yield Reading(code, said, as_a(typed[order], eye))
