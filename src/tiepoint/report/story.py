"""What a summary tells: plain data gathered from a job whose truth is known, and what can be counted in it."""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import scipy

from tiepoint.foundation.sources import BudgetRow
from tiepoint.model.decide import Limits, Verdict
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.report.report_link import ReportLink
from tiepoint.report.robot_story import RobotStory
from tiepoint.report.tie_picture import TieView
from tiepoint.targets.draw import Target

if TYPE_CHECKING:
    from tiepoint.report.face_story import FaceStory


@dataclass(frozen=True, slots=True)
class Check:
    """A value with its ± beside the truth; `place` says where, `height_mm` at which height.

    What was not read has NaN for both, and says why in `reason`: it covers nothing.
    """

    place: str
    height_mm: float
    true: float
    value: float
    U: float
    reason: str = ""

    @classmethod
    def of(cls, place: str, height_mm: float, true: float, reading: Reading) -> Self:
        """Return a reading beside its truth."""
        if reading.value is None or reading.U95 is None:
            said = reading.reason.sentence if reading.reason else "There is no interval."
            return cls(place, height_mm, true, math.nan, math.nan, said)
        return cls(place, height_mm, true, reading.value, reading.U95)

    @property
    def is_read(self) -> bool:
        """Whether there is a value."""
        return math.isfinite(self.value)

    @property
    def error(self) -> float:
        """Value less truth."""
        return self.value - self.true

    @property
    def covers(self) -> bool:
        """Whether value ± U holds the truth."""
        return abs(self.error) <= self.U


@dataclass(frozen=True, slots=True)
class PrintScale:
    """One axis of the print: the bar's nominal and measured length with u of the rule; true scale and the one found.

    `U_scale` is for the day of the photograph: reading, rule, and what the paper may have swollen since.
    """

    axis: str
    nominal_mm: float
    measured_mm: float
    u_mm: float
    true_scale: float
    U_scale: float

    @property
    def check(self) -> Check:
        """The scale with its ± beside the truth."""
        return Check(f"along {self.axis}", 0.0, self.true_scale, self.measured_mm / self.nominal_mm, self.U_scale)


@dataclass(frozen=True)
class TieStory:
    """The tie that the plates rest on: its map, its words, its numbers. Lengths in mm.

    `good` over the `share` of its region for `tolerance_mm`.
    """

    view: TieView
    photo_uri: str
    tolerance_mm: float
    good: bool
    share: float
    sentences: tuple[str, ...]
    budget: tuple[BudgetRow, ...]
    budget_at: str
    done: str
    to_do: str
    title_block: tuple[tuple[str, str], ...]
    unseen_n: int
    unseen_rms_mm: float
    u_unseen_rms_mm: float
    unseen_p95_mm: float
    unseen_max_mm: float
    unseen_px: float | None
    unseen_how: str
    covered_share: float | None
    truth_rms_mm: float


@dataclass(frozen=True, slots=True)
class OtherTie:
    """Another way to tie the same camera: what it rested on, a length it read, and what it cannot know."""

    how: str
    rests_on: str
    check: Check
    says: str


@dataclass(frozen=True)
class Plate:
    """One part: its record, the truth of every reading by id, and its overlay (file in the folder, picture)."""

    number: int
    record: Record
    truth: Mapping[str, float]
    overlay_href: str
    picture_uri: str

    @property
    def good(self) -> bool:
        """Whether every judged quantity truly lies within its limits."""
        return all(within(self.truth[r.id], r.limits) for r in self.record.readings if r.limits and r.id in self.truth)


@dataclass(frozen=True, slots=True)
class HandLine:
    """One line of a calculation by hand: what, how (`0.0002 · 28.00 mm`), and the resulting u in mm."""

    what: str
    how: str
    u_mm: float


@dataclass(frozen=True)
class HandCalculation:
    """A reading's u worked out again from first principles, beside what its record says; `said`: why they differ."""

    plate: int
    reading: Reading
    budget: tuple[BudgetRow, ...]
    truth: float
    lines: tuple[HandLine, ...]
    said: str = ""

    @property
    def u_mm(self) -> float:
        """The root of the sum of squares."""
        return math.sqrt(sum(line.u_mm**2 for line in self.lines))


@dataclass(frozen=True, slots=True)
class FileEntry:
    """A file that the job left: path in the folder, bytes, hash of the file, what it is."""

    path: str
    size_bytes: int
    sha256: str
    what: str


@dataclass(frozen=True)
class Story:
    """All that a summary tells."""

    title: str
    where: str
    job: str
    target: Target
    target_svg: str
    target_href: str
    print_scales: tuple[PrintScale, ...]
    tie: TieStory
    others: tuple[OtherTie, ...]
    lengths: tuple[Check, ...]
    lengths_said: str
    plates: tuple[Plate, ...]
    recipe_toml: str
    hand: HandCalculation
    files: tuple[FileEntry, ...]
    cautions: tuple[str, ...]
    software: str
    took_s: float
    picks: "PickStory | None" = None
    robot: RobotStory | None = None
    face: "FaceStory | None" = None
    acceptance: ReportLink | None = None

    @property
    def readings(self) -> tuple[tuple[Plate, Reading], ...]:
        """Every reading of every plate."""
        return tuple((plate, reading) for plate in self.plates for reading in plate.record.readings)


@dataclass(frozen=True, slots=True)
class Coverage:
    """How many of how many intervals cover the truth, and between which counts 95 in 100 such sets lie.

    `unread` more gave no value, and so no interval.
    """

    covered: int
    n: int
    low: int
    high: int
    unread: int = 0

    @property
    def as_expected(self) -> bool:
        """Whether the count is not below what honest 95 % intervals give."""
        return self.covered >= self.low

    @property
    def above(self) -> bool:
        """Whether more intervals hold than independent ones would."""
        return self.covered > self.high


WHY_ABOVE = (
    "All of them share one tie, so they hold together or miss together: here more hold than independent ones would."
)
"""What is said where `Coverage.above`; that it is above is no merit and no fault."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What was decided, beside what is true: counts of plates by (truly good, verdict)."""

    counts: Mapping[tuple[bool, Verdict], int]

    def of(self, good: bool | None, verdict: Verdict) -> int:
        """Return the count for plates truly good, truly bad, or either (None)."""
        return sum(n for (is_good, said), n in self.counts.items() if said == verdict and good in (None, is_good))

    @property
    def escapes(self) -> int:
        """Bad plates that passed."""
        return self.of(False, "conforms")

    @property
    def false_rejects(self) -> int:
        """Good plates that were rejected."""
        return self.of(True, "rejected")

    @property
    def n(self) -> int:
        """All plates."""
        return sum(self.counts.values())


def within(value: float, limits: Limits | None) -> bool:
    """Return whether a value lies within limits; open ones always hold."""
    if limits is None:
        return True
    above = limits.lower is None or value >= limits.lower
    return above and (limits.upper is None or value <= limits.upper)


def outcome(plates: Iterable[Plate]) -> Outcome:
    """Count what was decided beside what is true."""
    return Outcome(Counter((plate.good, plate.record.verdict) for plate in plates))


def coverage(checks: Sequence[Check]) -> Coverage:
    """Count the intervals that cover; the band is the central 95 % of a binomial with p = 0.95."""
    n = sum(c.is_read for c in checks)
    low, high = (int(scipy.stats.binom.ppf(p, n, 0.95)) for p in (0.025, 0.975)) if n else (0, 0)
    return Coverage(sum(c.covers for c in checks), n, low, high, len(checks) - n)


def reading_checks(story: Story) -> tuple[Check, ...]:
    """Return every reading that has a known truth, as a check."""
    return tuple(
        Check.of(f"plate {plate.number}, {reading.name}", 0.0, plate.truth[reading.id], reading)
        for plate, reading in story.readings
        if reading.id in plate.truth
    )


@dataclass(frozen=True)
class Pick:
    """One plate that was gripped: how far the jaws closed from the taught grip, beside what was stated.

    `error_mm` along and across the part, `U_mm` the half-widths of the 95 % intervals of x and y, `seen` the share of
    its edges that the picture showed.
    """

    error_mm: tuple[float, float]
    U_mm: tuple[float, float]
    turn_deg: float
    U_turn_deg: float
    seen: float

    @property
    def beside_mm(self) -> float:
        """The distance of the jaws from the taught grip."""
        return math.hypot(*self.error_mm)

    @property
    def holds(self) -> int:
        """How many of its three intervals hold the truth."""
        within = [abs(e) <= U for e, U in zip(self.error_mm, self.U_mm, strict=True)]
        return sum(within) + (abs(self.turn_deg) <= self.U_turn_deg)


@dataclass(frozen=True)
class PickStory:
    """What became of picking: the picks, the shots it took, plates that were plain to see (`shown`), those of them that
    were `missed`, grips told `wrong` (over anything else), and `pictures` of what was found: file and data URI.
    """

    picks: tuple[Pick, ...]
    shots: int
    shown: int
    missed: int
    wrong: int
    pictures: tuple[tuple[str, str], ...]
