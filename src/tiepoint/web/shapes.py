"""What the API answers with, as its documentation tells it."""

from typing import Any, Literal

from pydantic import BaseModel, Field

from tiepoint.model.decide import Verdict

Sha = str


class CameraTold(BaseModel):
    """A camera of the station."""

    name: str
    says: str = ""


class StationTold(BaseModel):
    """What the station is. `variants`, `recipes`: the accepted copy that is run for each, by its hash."""

    name: str
    unit: Literal["mm", "in"]
    says: str
    software: str
    cameras: list[CameraTold]
    variants: dict[str, Sha]
    recipes: dict[str, Sha]


class StateTold(BaseModel):
    """What duty is doing, by its own last word.

    `state`: *off duty*, *warming*, *not released*, *on duty*, *fault*, or *not known* where the last word is stale.
    `next`: what to do about a fault. `fresh`: whether it is of the last seconds. `seq`: the last part's entry. `links`:
    *joined*, *waiting*, *away*.
    """

    state: str
    fresh: bool
    says: str
    fault: str
    next: str
    since_utc: str | None
    written_utc: str | None
    seq: int
    waiting: int
    tie_overdue: bool
    counts: dict[str, int]
    links: dict[str, str]


class AlarmTold(BaseModel):
    """An alarm of the watch that is on: what changed, since when, and what to do."""

    name: str
    says: str
    since_utc: str
    next: str


class Alarms(BaseModel):
    """The alarms that are on."""

    alarms: list[AlarmTold]


class RecordInShort(BaseModel):
    """A record in a list. `not_conforming`: ids of readings that do not conform; `why`: of the first of them."""

    seq: int
    written_utc: str
    verdict: Verdict
    part_id: str | None
    shot: str
    taken_utc: str | None
    status: str
    variant: str | None
    recipe_sha: Sha
    not_conforming: list[str]
    why: str


class Records(BaseModel):
    """Records, newest first. `next`: ask with `before` set to it for those before; null where there are no more."""

    records: list[RecordInShort]
    next: int | None


class File(BaseModel):
    """A kept file; `preview` where it is a picture."""

    name: str
    sha256: Sha
    href: str
    preview: str | None


class CauseOf(BaseModel):
    """A cause of a ±: its standard uncertainty in the reading's unit, and its share of the variance."""

    label: str
    u: str
    share: float


class Written(BaseModel):
    """A reading as it is written for a person: value and ± (U at 95 %) to the same place, limits in words."""

    value: str
    pm: str
    limits: str


class WrittenWhole(Written):
    """The same with what the ± is made of, largest first; `says`: how it comes from the standard uncertainty."""

    unit: str
    causes: list[CauseOf]
    says: str


class RecordTold(BaseModel):
    """A record whole: `record` is the document tiepoint/record/1, in the entry of that number and hash.

    `readings`: as they are written, in the record's order. `files`: those that were kept; empty where none were, or
    not yet.
    """

    seq: int
    sha: Sha
    prev_sha: Sha
    written_utc: str
    record: dict[str, Any]
    readings: list[WrittenWhole]
    files: list[File]


class CountTold(BaseModel):
    """How many records of a recipe and a variant ("" for none) have a verdict; `since`: of which minute or day."""

    recipe_sha: Sha
    variant: str
    verdict: Verdict
    count: int
    since: str | None = None


class Counts(BaseModel):
    """Counts, by minute or day where that was asked for."""

    counts: list[CountTold]


class EntryTold(BaseModel):
    """An entry of the ledger: an act of a person, or what happened to the duty."""

    seq: int
    written_utc: str
    kind: str
    body: dict[str, Any]


class Entries(BaseModel):
    """Entries, newest first. `next`: as of records."""

    entries: list[EntryTold]
    next: int | None


class StudyTold(BaseModel):
    """A kept study. `fault`: why it is not as it was kept; `replaced`: since which entry what made it is not run."""

    seq: int
    written_utc: str
    kind: str
    of: str | None
    good: bool | None
    who: str
    fault: str | None
    replaced: int | None


class Studies(BaseModel):
    """All studies that were kept, in the order of the ledger."""

    studies: list[StudyTold]


class Figure(BaseModel):
    """A figure with the ends of its interval."""

    name: str
    value: float
    low: float
    high: float
    unit: str


class Requirement(BaseModel):
    """A requirement and whether it is shown: `why` in a sentence, by which figure of which study (its entry)."""

    id: str
    by: str
    of: str | None
    state: Literal["shown", "not shown", "not tried"]
    why: str
    agreed: int
    figure: Figure | None
    study: int | None
    more: int | None


class Requirements(BaseModel):
    """The requirements that were agreed, and in a sentence how far they are shown."""

    says: str
    requirements: list[Requirement]


class SessionTold(BaseModel):
    """Who asks. `csrf`: what a page sends with every write in the header X-CSRF-Token; null without a login."""

    name: str
    role: str
    csrf: str | None


class Login(BaseModel):
    """A person's name and password."""

    name: str = Field(min_length=1, max_length=40)
    password: str = Field(min_length=1, max_length=200)


class Key(BaseModel):
    """The key by which the person at this machine is let in, once."""

    key: str = Field(min_length=1, max_length=200)


class Taken(BaseModel):
    """A shot was handed over; what becomes of it is told as a record. `id`: its own."""

    id: str
