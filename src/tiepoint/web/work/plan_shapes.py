"""What the page Plan is told, and what it sends."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from tiepoint.web.work.graticule import Graticule

Typed = Annotated[
    dict[Annotated[str, Field(max_length=60)], Annotated[str, Field(max_length=200)]],
    Field(max_length=60, description="By key of plan.toml what was typed; an empty text takes a key out."),
]
Which = Literal["part", "target"]


class FieldTold(BaseModel):
    """A key of a plan: its label, the unit that stands beside it, and `usual`, what holds where it is left out."""

    key: str
    label: str
    unit: str
    needed: bool
    choices: list[str]
    usual: str


class LineTold(BaseModel):
    """A number of the plan as it is printed, with its ±, its arithmetic, and whose rule that is."""

    key: str
    group: str
    label: str
    value: str
    pm: str
    unit: str
    how: str
    source: str
    state: Literal["fine", "caution", "fault"]
    says: str
    chosen: bool


class ShareTold(BaseModel):
    """A cause, and its share of the variance."""

    label: str
    share: float


class TargetPlanned(BaseModel):
    """The target to print, in mm: for which field in its own plane, in how many px, `away_mm` from the lens."""

    width_mm: float
    height_mm: float
    width_px: int
    height_px: int
    away_mm: float
    pattern: str
    pitch_mm: float
    columns: int
    rows: int


class SheetTold(BaseModel):
    """The arithmetic. `verdict`: what it comes to, in sentences. `chosen`: by key, where nothing is stated.

    `target`: null where none suits the field.
    """

    good: bool
    verdict: list[str]
    lines: list[LineTold]
    budget: list[ShareTold]
    chosen: dict[str, str]
    target: TargetPlanned | None


class LookTold(BaseModel):
    """What was typed, worked out: `faults` by key where something cannot be used, and then no sheet."""

    faults: dict[str, str]
    sheet: SheetTold | None


class SizeTold(BaseModel):
    """A size as it was foreseen: nominal in mm, U and the largest true error in µm, as they are printed."""

    name: str
    nominal: str
    U: str
    error: str
    inside: str
    budget: list[ShareTold]
    reason: str


class KeptTold(BaseModel):
    """A size as plan.toml keeps it: nominal in mm, U and the largest true error in µm; empty where it was not read."""

    name: str
    nominal: str
    U: str
    error: str
    inside: str


class PredictedTold(BaseModel):
    """What was foreseen, as plan.toml keeps it. `is_current`: for what is asked now."""

    good: bool
    says: str
    is_current: bool
    sizes: list[KeptTold]


class PictureTold(BaseModel):
    """A picture of the planned camera; its tiles change with `sha`."""

    which: Which
    width: int
    height: int
    sha: str


class BesideTold(BaseModel):
    """One number predicted and measured, as they are printed; an empty text where it is not known."""

    what: str
    unit: str
    predicted: str
    measured: str
    where: str


class PlanTold(BaseModel):
    """The station's plan. `sha`: of plan.toml, None where there is none; `typed`: what it says, by key.

    `grid`: where the pictures lie in the target's frame, at the height of the part; None where they are of another.
    """

    sha: str | None
    typed: dict[str, str]
    fields: list[FieldTold]
    look: LookTold
    predicted: PredictedTold | None
    beside: list[BesideTold]
    pictures: list[PictureTold]
    grid: Graticule | None


class PlanWanted(BaseModel):
    """What was typed. `seen`: the hash of plan.toml as the page saw it, None where there was none."""

    model_config = ConfigDict(extra="forbid")

    typed: Typed
    seen: str | None = Field(None, max_length=64)


class ForeseenTold(BaseModel):
    """What was foreseen. `is_kept`: it stands in plan.toml; not where that was changed meanwhile."""

    good: bool
    never: bool
    sentences: list[str]
    sizes: list[SizeTold]
    target: str
    is_kept: bool
