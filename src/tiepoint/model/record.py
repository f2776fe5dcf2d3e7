"""A record: one part's readings, its verdict, and the hashes of all that made it."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from tiepoint.foundation.reasons import Reason
from tiepoint.model.decide import Verdict, overall
from tiepoint.model.reading import Reading
from tiepoint.model.shot import RobotPose, Shot


@dataclass(frozen=True, slots=True)
class Grip:
    """A pose for the gripper in the robot's frame, or the reason why there is none.

    `U`: half-widths of the 95 % intervals of x, y, z (mm) and turn (deg). `turn_deg`: the turn about the robot's z to
    be commanded, counted on past ±180° where the wrist may go there. `age_s`: of the shot, where the caller knew it.
    `count`: of the belt, at which the part lies there; None where the part lies still.
    """

    name: str
    robot_from_grip: RobotPose | None
    U: tuple[float, ...] | None
    inside_envelope: bool
    reason: Reason | None = None
    turn_deg: float | None = None
    age_s: float | None = None
    count: int | None = None


@dataclass(frozen=True)
class Record:
    """What the station says of one part. `prev_sha` and `sha` chain it to the ledger once it is committed.

    `notes` are sentences that belong to every reader of the record (no guard band, another tie than the
    recipe's). `timings` are seconds by step name, to measure and to judge.
    """

    station: str
    seq: int
    shot: Shot
    recipe_sha: str
    tie_shas: tuple[str, ...]
    software: str
    readings: tuple[Reading, ...]
    verdict: Verdict
    variant: str | None = None
    lights_sha: str | None = None
    grips: tuple[Grip, ...] = ()
    notes: tuple[str, ...] = ()
    timings: Mapping[str, float] = field(default_factory=dict)
    prev_sha: str | None = None
    sha: str | None = None

    def __post_init__(self) -> None:
        due = overall([r.verdict for r in self.readings])
        if self.verdict != due:
            raise ValueError(f"the record says {self.verdict} where its readings make it {due}")
