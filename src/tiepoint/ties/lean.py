"""A surface that leans a little against the plane it is measured in, by an angle of which only the size is known.

A part that lies on a burr or a chip leans: its rotation is a small vector (a, b, 0) along the plane's axes, and what
lies at p stands z = a·(y − y₀) − b·(x − x₀) above the plane. Seen from a projection centre Z above its foot F, that
shows at p + (p − F)·z/Z (the homography between two planes; Hartley & Zisserman, Multiple View Geometry, ch. 13, to
first order). From above nothing of it is seen but heights; a camera that leans sees the part sheared, hence turned.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import Source, Values, merge_columns
from tiepoint.ties.move import is_telecentric
from tiepoint.ties.page import STATE_IT
from tiepoint.ties.tie import Tie, matrix_columns
from tiepoint.ties.uncertain_pose import UncertainPose

Array = NDArray[np.float64]

MOST_RAD = math.radians(10.0)
"""Of a lean's u: past this, first order says little."""


@dataclass(frozen=True)
class Lean:
    """Two sources, turns about the plane's x and y (rad). Each part leans about its own origin, at its stated height.

    What is told of the plane at large leans about `middle_mm`. `foot_mm` and `distance_mm` of the camera; None where
    its rays are parallel, which stand upright as `ties.move` takes them.
    """

    sources: tuple[Source, Source]
    middle_mm: tuple[float, float]
    foot_mm: tuple[float, float] | None
    distance_mm: float

    def tied(self, tie: Tie) -> Tie:
        """Return the tie with the lean among its sources: p follows it by −(p − F)·z/Z."""
        if self.foot_mm is None:
            return tie
        (x, y), foot = self.middle_mm, np.array([*self.foot_mm, 1.0])
        # z at a place, as a row: of a turn about x, then about y.
        rises = np.array([[0.0, 1.0, -y], [-1.0, 0.0, x]])
        d_M = foot[None, :, None] * rises[:, None, :] / self.distance_mm
        columns = np.hstack([tie.factor, matrix_columns(d_M @ tie.matrix)])
        sources, factor = merge_columns((*tie.sources, *self.sources), columns)
        return replace(tie, sources=sources, factor=factor)

    def of_part(self, part: Values) -> Values:
        """Return a part's pose (x, y in mm, angle) as it follows a lean about its own origin, not about the middle.

        As its origin rises so does all of it; how large it is beside the camera's distance is not asked.
        """
        if self.foot_mm is None:
            return part
        x, y = part.value[:2].tolist()
        rises = np.array([y - self.middle_mm[1], self.middle_mm[0] - x])
        back = np.zeros((3, 2))
        back[:2] = np.outer(part.value[:2] - self.foot_mm, rises) / self.distance_mm
        sources, c = merge_columns((*part.sources, *self.sources), np.hstack([part.c, back]))
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
    label = "Lean of the part's surface"
    x, y = (Source(f"lean:{whose}:{axis}", label, "B", u_rad, "part") for axis in "xy")
    middle = tie.map(tie.valid_region, with_sources=False).xy_mm.mean(axis=0)
    at = (float(middle[0]), float(middle[1]))
    if is_telecentric(tie):
        return Lean((x, y), at, None, math.inf)
    if tie.distance_mm is None or tie.foot_mm is None:
        raise UnusableInput(
            "the tie does not know where its camera stands, so what a leaning part does to a place cannot be told. "
            f"{STATE_IT}"
        )
    return Lean((x, y), at, tie.foot_mm, tie.distance_mm)
