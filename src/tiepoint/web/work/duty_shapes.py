"""What the page Duty is told."""

from pydantic import BaseModel

from tiepoint.model.decide import Verdict
from tiepoint.web.shapes import File, RecordInShort, Sha
from tiepoint.web.work.graticule import Graticule


class TrendPoint(BaseModel):
    """A reading of an earlier part; `value` and `U95` null where it was not read."""

    seq: int
    value: float | None
    U95: float | None
    verdict: Verdict | None


class ReadingNow(BaseModel):
    """A reading of the last part: as it is written, as numbers, and the trend of the last 32 parts that had it."""

    id: str
    name: str
    quantity: str
    kind: str
    step: str
    unit: str
    written: str
    pm: str
    limits: str
    value: float | None
    U95: float | None
    lower: float | None
    upper: float | None
    verdict: Verdict | None
    why: str
    trend: list[TrendPoint]


class YieldTold(BaseModel):
    """A share with its interval at 95 % (Clopper and Pearson); `value` null of no part."""

    value: float | None
    low: float
    high: float
    n: int


class FirstReason(BaseModel):
    """A first reason why parts did not conform: `reading` is "" where nobody looked at the shot."""

    reading: str
    says: str
    verdict: Verdict
    parts: int


class TimesTold(BaseModel):
    """From taken to written in the ledger, of the last `n` parts."""

    p50_ms: float
    p99_ms: float
    n: int


class RunTold(BaseModel):
    """What is run for a variant ("" where there are none), as accepted; `used`: by the last part."""

    variant: str
    accepted_sha: Sha
    recipe: str
    recipe_sha: Sha
    used: bool


class LinkTold(BaseModel):
    """A camera, a lamp of one or a wire: *joined*, *waiting* or *away*, and what there is to say of it."""

    name: str
    what: str
    state: str
    says: str


class DetectionTold(BaseModel):
    """How many painted defects were found today; `at_least`: its bound at 95 %. `defect` null: copies without one."""

    defect: str | None
    found: int
    shown: int
    at_least: float
    at_most: float
    wanted: float | None
    day: str


class Missed(BaseModel):
    """A record that did not conform, and a picture of it where one is kept."""

    record: RecordInShort
    picture: str | None


class DutyNow(BaseModel):
    """What a station is doing. `since`: from when on yield, counts and reasons are; null: from the beginning.

    `causes_of`: the last so many parts that did not conform, of `causes_among`.
    """

    seq: int
    since: str | None
    last: RecordInShort | None
    files: list[File]
    readings: list[ReadingNow]
    counts: dict[Verdict, int]
    yielded: YieldTold
    causes: list[FirstReason]
    causes_of: int
    causes_among: int
    per_minute: float | None
    times: TimesTold | None
    deadline_ms: int
    runs: list[RunTold]
    links: list[LinkTold]
    detection: list[DetectionTold]
    not_conforming: list[Missed]


class StepDrawn(BaseModel):
    """A step over a picture, in px; `rank` 0 to 3: conforms or not judged, undecided, unread, rejected."""

    name: str
    kind: str
    picture: str
    verdict: Verdict | None
    rank: int
    readings: list[str]
    sought: list[list[tuple[float, float]]]
    found: list[list[tuple[float, float]]]
    at: list[tuple[float, float]]
    dimension: list[tuple[float, float]]
    label: list[str]
    label_at: tuple[float, float] | None


class SheetDrawn(BaseModel):
    """A picture of the shot, its kept `file`, its size in px, and the plane it shows, null where that is not known."""

    picture: str
    file: str
    width: int
    height: int
    plane: Graticule | None


class DrawingTold(BaseModel):
    """A record drawn by the copy that judged it. `same`: whether that said again what the record says; `says`: why not.

    Points are (x, y) in px of the picture, pixel centres at whole numbers.
    """

    seq: int
    same: bool
    says: str
    sheets: list[SheetDrawn]
    steps: list[StepDrawn]
