"""What the page Evidence is told, and what it sends."""

from pydantic import BaseModel, ConfigDict, Field

from tiepoint.web.shapes import Figure


class SeriesTold(BaseModel):
    """A reading of a variant ("" for none) in a unit; `limits_since`: the first record with these limits."""

    id: int
    reading: str
    variant: str
    unit: str
    lower: float | None
    upper: float | None
    limits_since: int
    parts: int
    first: int
    last: int


class AllSeries(BaseModel):
    """All series. `behind`: entries of the ledger that were not read for them yet; `of` all of them."""

    series: list[SeriesTold]
    behind: int
    of: int


class BucketTold(BaseModel):
    """Neighbouring parts, `first` to `last`: `n` of them, `missing` without a value, `against` that do not conform."""

    first: int
    last: int
    n: int
    missing: int
    against: int
    low: float | None
    high: float | None
    mean: float | None


class Tick(BaseModel):
    """When a record was written."""

    seq: int
    written_utc: str


class SpreadTold(BaseModel):
    """How `n` values spread: mean, s, Pp and Ppk (ISO 22514-2) with their intervals at 95 %; null where not told."""

    n: int
    mean: Figure
    s: Figure
    pp: Figure | None
    ppk: Figure | None
    says: str


class SeriesSeen(BaseModel):
    """A part of a series, thinned to its least and greatest in each bucket, and the spread of all its values."""

    series: SeriesTold
    first: int
    last: int
    buckets: list[BucketTold]
    ticks: list[Tick]
    spread: SpreadTold | None
    says: str
    behind: int


class Capability(BaseModel):
    """A kept study of capability: Q of the measuring system and process (ISO 22514-7), each with its interval."""

    study: int
    written_utc: str
    q_ms: Figure | None
    q_mp: Figure | None
    good: bool | None
    replaced: int | None
    says: list[str]


class Capabilities(BaseModel):
    """The studies of capability that were kept of a reading, newest first."""

    studies: list[Capability]


class Verify(BaseModel):
    """What to look through: `head`: a hash that was told elsewhere; `sample`: records to be worked out again."""

    model_config = ConfigDict(extra="forbid")

    head: str | None = Field(None, pattern="^[0-9a-f]{64}$")
    sample: int = Field(20, ge=0, le=10_000)


class Verified(BaseModel):
    """What was found: `good` where nothing is missing or altered and every record that was tried came out as it was."""

    good: bool
    entries: int
    head: str
    head_known: bool | None
    copies: int
    agreed: int
    studies: int
    kept: int
    expired: int
    recomputed: int
    same: int
    faults: list[str]
    more_faults: int
    notes: list[str]
