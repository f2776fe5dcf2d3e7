"""What the page Prove sends and is told of studies, run sheets, trials and reports, and all that it shows at once."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from tiepoint.station.run_sheets import RunsTable
from tiepoint.web.work.editing import StepTold
from tiepoint.web.work.prove_order_shapes import ClaimTold, Line, OrderTold, ReadingTold, ToDoTold

Cell = Annotated[str, Field(max_length=200)]
Share = Annotated[float, Field(gt=0, lt=1)]
Above0 = Annotated[float, Field(gt=0, le=1e7)]
Study = Literal["type1", "rr", "linearity", "stability", "lengths", "agreement", "capability", "pose", "trial"]
_STRICT = ConfigDict(extra="forbid")


# --- studies ---------------------------------------------------------------------------------------------------------


class StudyShort(BaseModel):
    """A kept study in a list. `says`: its first sentence; `stale`: why it is out of date, "" where it is not."""

    seq: int
    kind: str
    name: str
    of: str | None
    good: bool | None
    written_utc: str
    who: str
    says: str
    stale: str
    fault: str | None


class FigureTold(BaseModel):
    """A figure in words; `unit` beside the numbers, `asked` what was asked for."""

    name: str
    value: str
    low: str
    high: str
    unit: str
    asked: str
    told: str


class CheckTold(BaseModel):
    """What was taken for granted; `holds` null where the data cannot tell."""

    name: str
    holds: bool | None
    says: str


class PictureTold(BaseModel):
    """A picture of a study: where it is given, its title, and a caption in a sentence."""

    href: str
    name: str
    title: str
    caption: str


class WrongTold(BaseModel):
    """A part that a trial judged wrongly; `picture` null where none was kept."""

    part: str
    truth: str
    kind: str
    verdict: Literal["conforms", "rejected", "undecided", "unread"]
    says: str
    where: str
    picture: str | None


class StudyTold(StudyShort):
    """A kept study with what it found."""

    sentences: list[str]
    convention: str
    figures: list[FigureTold]
    checks: list[CheckTold]
    pictures: list[PictureTold]
    wrong: list[WrongTold]
    left_over: int
    file: str
    data: str | None
    command: str | None
    recipe: str
    sha: str


# --- designs and run sheets ------------------------------------------------------------------------------------------


class DesignWanted(BaseModel):
    """What is to be designed, as `tiepoint study design` takes it. `tolerance` in `unit`; null: parts are judged."""

    model_config = _STRICT

    of: Annotated[str, Field(min_length=1, max_length=200)]
    tolerance: Above0 | None = None
    unit: Line = "mm"
    takt_s: Above0 | None = None
    handling_s: Above0 | None = None
    factors: dict[Line, list[Cell]] = Field({}, max_length=4)
    block: Line | None = None
    most_escapes: Share | None = None
    most_false: Share | None = None
    seed: Annotated[int, Field(ge=0, le=2**31)] = 1


class StudyPlanTold(BaseModel):
    """One study of a design."""

    study: str
    name: str
    parts: int
    loadings: int
    conditions: str
    runs: int
    minutes: float
    why: str
    which_parts: str


class DesignTold(BaseModel):
    """The studies that prove a characteristic."""

    plans: list[StudyPlanTold]
    sentences: list[str]
    convention: str


class Begin(BaseModel):
    """Begin a run sheet of one study of a design. `asked`: as the file of a run sheet has it under [asked].

    `reading`: what is taken from records; the characteristic unless given. `poses`, `measured`: of a robot's poses.
    """

    model_config = _STRICT

    study: Study
    wanted: DesignWanted
    asked: dict[str, Any] = Field({}, max_length=40)
    reading: Line | None = None
    poses: list[Cell] = Field([], max_length=20)
    measured: list[Literal["x_mm", "y_mm", "z_mm", "a", "b", "c"]] = Field([], max_length=6)


class RunTold(BaseModel):
    """A run: what is put in (`part`), under which `factors`, and what stands there (`cells`)."""

    run: int
    part: str
    factors: dict[str, str]
    trial: str
    label: str
    cells: dict[str, str]
    known: dict[str, str]
    record: str
    shot: str
    time: str
    remarks: str
    is_open: bool


class SheetShort(BaseModel):
    """A run sheet in a list. `out_of_date`: why it is, "" where it is not."""

    id: str
    study: str
    name: str
    of: str | None
    runs: int
    taken: int
    minutes_left: float | None
    begun_utc: str
    by: str
    out_of_date: str
    fault: str


class OptionTold(BaseModel):
    """What may be asked of a study. `value`: as it stands, in `unit`, "" where nothing is stated; `usual`: then."""

    name: str
    value: str
    usual: str
    unit: str
    choices: list[str]


class SheetTold(SheetShort):
    """A run sheet with its runs in their order. `fills`: columns to be filled in; `asks`: known of each part."""

    sha: str
    table: RunsTable
    fills: list[str]
    asks: list[str]
    parts: dict[str, dict[str, str]]
    takes_records: bool
    options: list[OptionTold]
    rows: list[RunTold]
    next: int | None
    step: StepTold | None = None
    caution: str = ""


class Fill(BaseModel):
    """What was read in a run, by column, and `was`: what the page last saw there. All empty: open again."""

    model_config = _STRICT

    cells: dict[Line, Cell] = Field(max_length=12)
    was: dict[Line, Cell] | None = Field(None, max_length=12)


class FromRecord(BaseModel):
    """The record that a run is filled in from; null: the newest that is not on the sheet. `kind`: of a trial's part."""

    model_config = _STRICT

    record: Annotated[int, Field(ge=1, le=2**62)] | None = None
    kind: Cell = ""
    was: dict[Line, Cell] | None = Field(None, max_length=12)


class Known(BaseModel):
    """What is known of a part: its reference, or the known length."""

    model_config = _STRICT

    part: Cell
    column: Line
    value: Cell


class RecordShort(BaseModel):
    """A record of the station that may fill a run; `run`: which it fills already."""

    seq: int
    part: str | None
    verdict: Literal["conforms", "rejected", "undecided", "unread"]
    value: str
    unit: str
    taken_utc: str
    run: str | None


class RecordsTold(BaseModel):
    """The newest records, the newest first."""

    records: list[RecordShort]


class AskOfSheet(BaseModel):
    """What is asked of the study of a sheet, by name, each as it was typed; "" takes it back."""

    model_config = _STRICT

    asked: dict[Line, Cell] = Field(max_length=20)


class MakeStudy(BaseModel):
    """Make the study of a run sheet and keep it. `asked` takes the place of what the sheet has under [asked]."""

    model_config = _STRICT

    asked: dict[str, Any] | None = Field(None, max_length=40)
    as_far: bool = False


# --- the trial, the report, the whole page ---------------------------------------------------------------------------


class TrialWanted(BaseModel):
    """A trial of a recipe (as accepted, or a draft) on labelled shots: a table of labels or a folder of the station."""

    model_config = _STRICT

    recipe: Line
    labels: Line
    variant: Line | None = None
    tuning: list[Line] = Field([], max_length=20)
    most_escapes: Share | None = None
    most_false: Share | None = None


class TrialChoices(BaseModel):
    """What can be tried: drafts and accepted copies of recipes, tables and folders of labels, variants."""

    recipes: list[str]
    labels: list[str]
    variants: list[str]


class LabelTold(BaseModel):
    """A shot of the trial with its label: good, bad, or "" for none yet; `kind`: the class of a bad part."""

    model_config = _STRICT

    shot: Cell
    part: Cell = ""
    label: Literal["good", "bad", ""]
    kind: Cell = ""


class LabelsTold(BaseModel):
    """The labels that were given, and the table that holds them; `absent`: labelled shots that are there no more."""

    table: str
    absent: list[str]
    labels: list[LabelTold]


class ReportWanted(BaseModel):
    """How many records are worked out again for the report, and how many judged shots it shows."""

    model_config = _STRICT

    sample: Annotated[int, Field(ge=0, le=1000)] = 20
    pictures: Annotated[int, Field(ge=0, le=100)] = 12


class ReportTold(BaseModel):
    """A report that was made: its files by where they are given."""

    name: str
    made_utc: str
    pdf: str
    html: str
    bytes: int


class ProveTold(BaseModel):
    """All that the page shows at once. `says`: in a sentence, how far what was agreed is shown."""

    says: str
    shown: int
    not_shown: int
    not_tried: int
    order: OrderTold
    claims: list[ClaimTold]
    deviations: list[str]
    studies: list[StudyShort]
    sheets: list[SheetShort]
    readings: list[ReadingTold]
    to_do: list[ToDoTold]
    reports: list[ReportTold]
    kinds: dict[str, str]
    figures: dict[str, list[str]]
    tests: list[str]
