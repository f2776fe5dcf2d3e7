"""What the routes of See take and answer, as their documentation tells it."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from tiepoint.web.acts import Why
from tiepoint.web.eyes import SourceKind

SourceId = Annotated[str, Field(min_length=1, max_length=200, examples=["camera:top"])]
Pair = tuple[float, float]


class SourceTold(BaseModel):
    """Where pictures come from; `why_not`: why it cannot be looked at now, or empty."""

    id: str
    name: str
    kind: SourceKind
    why_not: str


class Agreed(BaseModel):
    """What a picture is to be like: `[see]` of station.toml. Shares are of 1."""

    model_config = ConfigDict(extra="forbid")

    width_px: float = Field(gt=0, le=1000)
    saturated: float = Field(ge=0, le=1)
    black: float = Field(ge=0, le=1)
    evenness: float = Field(ge=0, le=1)
    flicker: float = Field(ge=0, le=1)
    lean_deg: float = Field(gt=0, le=90)
    fills: float = Field(ge=0, le=1)


class NumberTold(BaseModel):
    """A number as it is written: `value` ± `pm` (U at 95 %) in `unit`, as `held`, and beside what was agreed.

    `outside`: it is beyond `limit`; `changed`: it is not as held. The plain `number` and `u95` are for drawing.
    """

    name: str
    says: str
    value: str
    pm: str
    unit: str
    number: float | None
    u95: float | None
    limit: float
    bound: Literal["at most", "at least"]
    outside: bool
    held: str
    held_number: float | None
    changed: bool
    reason: str


class PlaceTold(BaseModel):
    """One of five places: its box, the edge that stands for it (`at`, px), and the grey across it, 0 to 1."""

    name: str
    box: tuple[int, int, int, int]
    at: Pair | None
    towards_deg: float | None
    width_px: float | None
    edges: int
    profile: list[float]
    step_px: float
    reason: str
    held_width_px: float | None


class LightTold(BaseModel):
    """The grey curve (shares from 0 to `full`), and outlines of what is saturated and black, in px."""

    full: float
    mean: float
    saturated: float
    black: float
    curve: list[float]
    saturated_at: list[list[Pair]]
    black_at: list[list[Pair]]
    across: list[float]
    down: list[float]
    even_by: str
    trace: list[float]
    flicker_reason: str


class AimTold(BaseModel):
    """A target in the field: outline in px, its share, and the lean; `farther`: towards where it is farther away."""

    outline: list[Pair]
    fills: float
    corners_seen: int
    mm_per_px: float
    lean_deg: float
    u95_deg: float
    farther: Pair
    distance_mm: float
    how: str
    says: str


class LookTold(BaseModel):
    """What the newest picture told."""

    picture: str
    size: tuple[int, int]
    name: str
    taken_utc: str
    per_s: float
    pictures: int
    places: list[PlaceTold]
    light: LightTold
    aim: AimTold | None
    held_aim: AimTold | None
    numbers: list[NumberTold]
    good: bool
    says: str
    to_do: list[str]
    lately: list[list[float | None]]


class BenchTold(BaseModel):
    """What is turned at the bench: the distance in focus, f-number, the lean and its direction, the room's light."""

    focus_mm: float
    f_number: float
    lean_deg: float
    towards_deg: float
    room: float


class SetTold(BaseModel):
    """What is set at the camera; None where it does not say. `can`: which of exposure, gain and lamps can be set."""

    exposure_s: float | None
    gain: float | None
    lamps: dict[str, float]
    can: list[str]
    bench: BenchTold | None


class LiveTold(BaseModel):
    """The live picture of a place. `number`: of the newest picture; `look`: what it told, None where none is newer."""

    source: str
    number: int
    link: Literal["joined", "waiting", "away"]
    link_says: str
    on_duty: bool
    set: SetTold
    look: LookTold | None


class HeldTold(BaseModel):
    """What was held as accepted, when, by whom and why; `changed`: what in the newest picture is not as held."""

    at_utc: str
    who: str
    why: str
    camera: str
    entry: int
    watch: str


class SeeTold(BaseModel):
    """Where pictures come from, what was agreed, and what was held; `held_fault`: why that cannot be read."""

    sources: list[SourceTold]
    on_duty: bool
    agreed: Agreed
    held: HeldTold | None
    held_fault: str


class BenchTurn(BaseModel):
    """What is turned at the bench; what is left out stays."""

    model_config = ConfigDict(extra="forbid")

    focus_mm: float | None = None
    f_number: float | None = None
    lean_deg: float | None = None
    towards_deg: float | None = None
    room: float | None = None


class Set(BaseModel):
    """What is to be set at a camera; what is left out stays. `lamps`: their currents, 0 to 1."""

    model_config = ConfigDict(extra="forbid")

    source: SourceId
    exposure_s: float | None = Field(None, gt=0, le=1000)
    gain: float | None = Field(None, ge=0, le=1000)
    lamps: dict[Annotated[str, Field(max_length=200)], Annotated[float, Field(ge=0, le=1)]] = Field({}, max_length=64)
    bench: BenchTurn | None = None


class Hold(BaseModel):
    """Hold the pictures of a place as accepted, and why."""

    model_config = ConfigDict(extra="forbid")

    source: SourceId
    why: Why


class Holding(BaseModel):
    """What was held, and what the watch holds every shot against from now on."""

    held: HeldTold
    shots: int
    watched: list[str]
    not_watched: list[str]
