"""What is told of a robot that was proved: four experiments, each beside its truth."""

import math
from dataclasses import dataclass

from tiepoint.studies.figure import Figure

Pair = tuple[float, float]
Triple = tuple[float, float, float]


@dataclass(frozen=True)
class ToolProof:
    """A wrong tool point: found and true, along the flange's x and y, with U; `pins_mm`: the pin about the centre."""

    found_mm: Pair
    U_mm: Pair
    true_mm: Pair
    pins_mm: tuple[Pair, ...]

    @property
    def holds(self) -> bool:
        """Whether both intervals hold the truth."""
        return all(abs(f - t) <= U for f, t, U in zip(self.found_mm, self.true_mm, self.U_mm, strict=True))


@dataclass(frozen=True)
class TouchProof:
    """A touch test: where, by how much each is off, its verdicts; `true_worst_mm`: the worst place of the region.

    `region_mm`: the polygon of the plane in which the tie holds.
    """

    tolerance_mm: float
    plane_mm: tuple[Pair, ...]
    errors_mm: tuple[Pair, ...]
    verdicts: tuple[str, ...]
    says: str
    good: bool
    true_worst_mm: float
    region_mm: tuple[Pair, ...]


@dataclass(frozen=True)
class PoseProof:
    """AP and RP of one pose with their intervals, and as the robot truly is, in mm."""

    name: str
    ap: Figure
    rp: Figure
    true_ap: float
    true_rp: float

    @property
    def holds(self) -> int:
        """How many of both intervals hold the truth."""
        pairs = ((self.ap, self.true_ap), (self.rp, self.true_rp))
        return sum(figure.low <= true <= figure.high for figure, true in pairs)


@dataclass(frozen=True)
class HandEyeProof:
    """Where the camera sits on the flange, found and true; U of the widest axis; errors at poses that were left out.

    `others_mm`: the same of OpenCV's methods, the best and the worst.
    """

    poses: int
    found_mm: Triple
    true_mm: Triple
    U_mm: float
    off_deg: float
    U_deg: float
    unseen_mm: float | None
    others_mm: Pair | None

    @property
    def off_mm(self) -> float:
        """How far it is off."""
        return math.dist(self.found_mm, self.true_mm)


@dataclass(frozen=True)
class RobotStory:
    """All four."""

    tool: ToolProof
    touch: TouchProof
    poses: tuple[PoseProof, ...]
    eye: HandEyeProof
