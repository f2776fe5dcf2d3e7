"""What the page Prove sends and is told of what was agreed: the order, its claims, and what is to be done for them."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from tiepoint.web.work.editing import StepTold

Line = Annotated[str, Field(max_length=400)]
Sha = Annotated[str | None, Field(max_length=64, pattern="^[0-9a-f]{64}$")]
_STRICT = ConfigDict(extra="forbid")


class CharacteristicDraft(BaseModel):
    """What the drawing asks of the part."""

    model_config = _STRICT

    name: Line
    reading: Line
    drawing: Line
    lower: float | None = None
    upper: float | None = None
    unit: Line = "mm"
    variants: list[Line] = Field([], max_length=1000)
    says: Line | None = None


class RequirementDraft(BaseModel):
    """What is to be shown, and by which study."""

    model_config = _STRICT

    id: Line
    says: Line
    by: Line
    of: Line | None = None
    most: float | None = None
    least: float | None = None
    unit: Line = "mm"
    figure: Line | None = None
    confidence: float = 0.95


class InfluenceDraft(BaseModel):
    """What acts on the station."""

    model_config = _STRICT

    name: Line
    tested: Line | None = None
    assumed: Line | None = None
    excluded: Line | None = None


class AgainDraft(BaseModel):
    """After a change, the tests that are repeated."""

    model_config = _STRICT

    change: Line
    tests: list[Line] = Field([], max_length=20)


class ControlDraft(BaseModel):
    """What is done for as long as the station is on duty."""

    model_config = _STRICT

    golden: list[Line] = Field([], max_length=100)
    every: Line | None = None
    alarms: list[Line] = Field([], max_length=100)
    again: list[AgainDraft] = Field([], max_length=100)


class SignatureDraft(BaseModel):
    """Who signs."""

    model_config = _STRICT

    role: Line
    name: Line | None = None


class OrderDraft(BaseModel):
    """`requirements.toml` as it is edited: what a station was ordered for."""

    model_config = _STRICT

    title: Line = ""
    customer: Line = ""
    supplier: Line | None = None
    scope: Line | None = None
    undecided: Line | None = None
    undecided_are: Line = "not-accepted"
    takt_s: float | None = None
    not_checked: list[Line] = Field([], max_length=100)
    characteristic: list[CharacteristicDraft] = Field([], max_length=200)
    requirement: list[RequirementDraft] = Field([], max_length=200)
    influence: list[InfluenceDraft] = Field([], max_length=200)
    control: ControlDraft = Field(default_factory=lambda: ControlDraft(golden=[], alarms=[], again=[]))
    signature: list[SignatureDraft] = Field([], max_length=20)


class OrderEdit(BaseModel):
    """The draft as the page wants it. `seen`: the hash of the file as the page last saw it, null where none was."""

    model_config = _STRICT

    seen: Sha
    order: OrderDraft


class OrderTold(BaseModel):
    """The draft of the requirements. `fault`: why it cannot be read; `changes`: what it changes of what was agreed."""

    there: bool
    sha: str | None
    fault: str
    order: OrderDraft | None
    changes: list[str]
    agreed_utc: str | None
    agreed_by: str
    step: StepTold | None = None


class Agree(BaseModel):
    """Why the draft is agreed on from now on."""

    model_config = _STRICT

    why: Annotated[str, Field(min_length=1, max_length=500)]


class ClaimTold(BaseModel):
    """A requirement with its state. `found`, `low`, `high`: the figure in words; `stale`: the study is out of date.

    `draft`: how the draft differs: "", "new", "changed" or "taken out"; `more`: parts that would show it.
    """

    id: str
    says: str
    by: str
    of: str | None
    asked: str
    drawing: str
    state: Literal["shown", "not shown", "not tried"]
    why: str
    name: str
    found: str
    low: str
    high: str
    unit: str
    study: int | None
    stale: bool
    draft: Literal["", "new", "changed", "taken out"]
    more: int | None


class ReadingTold(BaseModel):
    """A reading that an accepted recipe has, with its limits; `variant` null where the recipe has none."""

    id: str
    variant: str | None
    unit: str
    lower: float | None
    upper: float | None


class ToDoTold(BaseModel):
    """Something to do; `by`: what the page helps with it, `at`: the run sheet or the kind of study."""

    says: str
    why: str
    by: Literal["fill", "study", "design", "trial", "limits", "touch", "duty", "agree", "report", "look"]
    requirement: str | None
    at: str
    of: str | None
    gain: str
