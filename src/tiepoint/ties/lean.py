"""A surface that leans a little against the plane it is measured in, by an angle of which only the size is known.

A part that lies on a burr or a chip leans: its rotation is a small vector (a, b, 0) along the plane's axes, and what
lies at p stands z = a·(y − y₀) − b·(x − x₀) above the plane. Seen from a projection centre Z above its foot F, that
shows at p + (p − F)·z/Z (the homography between two planes; Hartley & Zisserman, Multiple View Geometry, ch. 13, to
first order). From above nothing of it is seen but heights; a camera that leans sees the part sheared, hence turned.
Parallel rays that lean by a tangent τ to the plane's normal show it at p + τ·z; upright ones show nothing of it. A tie
tells how far they lean at most, but not to which side (`ties.move.lean_of_rays`): the shift has no mean, and its u is
that of z times the most that τ can be.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import Source, Values, merge_columns
from tiepoint.ties.move import is_telecentric, lean_of_rays
from tiepoint.ties.page import STATE_IT
from tiepoint.ties.tie import Tie, matrix_columns
from tiepoint.ties.uncertain_pose import UncertainPose

Array = NDArray[np.float64]

MOST_RAD = math.radians(10.0)
"""Of a lean's u: past this, first order says little."""


@dataclass(frozen=True)
class Shift:
    """How what stands z above the plane shows beside its place: the true place is (p, 1) + `by`·z, homogeneous.

    `by` (3,) in 1 and 1/mm; `turns`: the two sources by which z comes about.
    """

    by: Array
    turns: tuple[Source, Source]


@dataclass(frozen=True)
class Lean:
    """Two sources, turns about the plane's x and y (rad). Each part leans about its own origin, at its stated height.

    What is told of the plane at large leans about `middle_mm`. `shifts`: one for a camera whose place is known, which
    follows the two sources themselves; two for parallel rays, along two directions, of which the side is not known.
    """

    sources: tuple[Source, Source]
    middle_mm: tuple[float, float]
    shifts: tuple[Shift, ...]

    def tied(self, tie: Tie) -> Tie:
        """Return the tie with the lean among its sources: p follows it by its shifts."""
        x, y = self.middle_mm
        # z at a place, as a row: of a turn about x, then about y.
        rises = np.array([[0.0, 1.0, -y], [-1.0, 0.0, x]])
        columns = [matrix_columns(shift.by[None, :, None] * rises[:, None, :] @ tie.matrix) for shift in self.shifts]
        sources, factor = merge_columns((*tie.sources, *self._turns), np.hstack([tie.factor, *columns]))
        # It is no longer the tie that was moved: a second move would lose the lean.
        return replace(tie, sources=sources, factor=factor, before=None)

    @property
    def _turns(self) -> tuple[Source, ...]:
        return tuple(turn for shift in self.shifts for turn in shift.turns)

    def of_part(self, part: Values) -> Values:
        """Return a part's pose (x, y in mm, angle) as it follows a lean about its own origin, not about the middle.

        As its origin rises so does all of it; how large it is beside the camera's distance is not asked.
        """
        x, y = part.value[:2].tolist()
        rises = np.array([y - self.middle_mm[1], self.middle_mm[0] - x])
        back = np.zeros((3, 2 * len(self.shifts)))
        for k, shift in enumerate(self.shifts):
            back[:2, 2 * k : 2 * k + 2] = np.outer(shift.by[2] * part.value[:2] - shift.by[:2], rises)
        sources, c = merge_columns((*part.sources, *self._turns), np.hstack([part.c, back]))
        return Values(part.value, c, sources)

    def on(self, pose: UncertainPose, turn_rad: float = 0.0) -> UncertainPose:
        """Return the pose a_from_part with the lean about its origin; `turn_rad`: of the plane's +x in a."""
        c, s = math.cos(turn_rad), math.sin(turn_rad)
        columns = np.zeros((6, 2))
        columns[:2] = [[c, -s], [s, c]]
        sources, merged = merge_columns((*pose.sources, *self.sources), np.hstack([pose.c, columns]))
        return UncertainPose(pose.pose, sources, merged)


def lean_of(tie: Tie, u_rad: float, whose: str) -> Lean:
    """Return how a surface that a tie sees may lean; `whose` names what the statement is about.

    Raises `UnusableInput` for a u that is none, and where the tie does not know where its camera stands.
    """
    if not 0 < u_rad <= MOST_RAD:
        raise UnusableInput(
            f"the u of the lean is {math.degrees(u_rad):g}°; give more than 0 and at most {math.degrees(MOST_RAD):g}°"
        )
    x, y = (Source(f"lean:{whose}:{axis}", "Lean of the part's surface", "B", u_rad, "part") for axis in "xy")
    middle = tie.map(tie.valid_region, with_sources=False).xy_mm.mean(axis=0)
    at = (float(middle[0]), float(middle[1]))
    if is_telecentric(tie):
        along, tangents = lean_of_rays(tie)
        return Lean((x, y), at, tuple(_of_rays(whose, n, along[:, n] * tangents[n], u_rad) for n in (0, 1)))
    if tie.distance_mm is None or tie.foot_mm is None:
        raise UnusableInput(
            "the tie does not know where its camera stands, so what a leaning part does to a place cannot be told. "
            f"{STATE_IT}"
        )
    return Lean((x, y), at, (Shift(np.array([*tie.foot_mm, 1.0]) / tie.distance_mm, (x, y)),))


def _of_rays(whose: str, n: int, tangent: Array, u_rad: float) -> Shift:
    label = "Lean of the part's surface, seen by rays that lean"
    x, y = (Source(f"lean:{whose}:{axis}:rays-{'xy'[n]}", label, "B", u_rad, "part") for axis in "xy")
    return Shift(np.array([*tangent, 0.0]), (x, y))
