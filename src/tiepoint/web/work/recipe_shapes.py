"""What the recipe page sends and is told."""

from typing import Annotated, Any, Literal

from pydantic import Base64Bytes, BaseModel, ConfigDict, Field

from tiepoint.model.decide import Verdict
from tiepoint.station.recipes.edits import Edit
from tiepoint.station.recipes.forms import Field as FormField
from tiepoint.station.recipes.forms import KindTold
from tiepoint.web.refused import Told
from tiepoint.web.work.graticule import Graticule

Named = Annotated[str, Field(min_length=1, max_length=200)]
Sha = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Place = Annotated[list[float], Field(min_length=2, max_length=2)]
Line = list[Place]


class _Sent(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class RecipeInShort(BaseModel):
    """A draft of a recipe: its path in the station's folder, the hash of its bytes, or why it cannot be read."""

    path: str = Field(examples=["recipes/plate.toml"])
    name: str
    revision: int
    steps: int
    sha: str
    fault: str


class VariantInShort(BaseModel):
    """A variant, and the drafts that measure it, as far as the table says."""

    name: str
    recipes: list[str]


class RecipesTold(BaseModel):
    """All drafts, the ties that a new one may rest on, the robots of its grips, and the variants of the station."""

    recipes: list[RecipeInShort]
    ties: list[str]
    robots: list[str]
    variants: list[VariantInShort]
    unit: Literal["mm", "in"]


class CardTold(BaseModel):
    """The step card: every kind of step in the order of what it gives, and the keys of a recipe's head, of an edge
    definition and of a grip. `relief`: the pictures that are made of a shot under several lamps.
    """

    kinds: list[KindTold]
    head: list[FormField]
    edge: list[FormField]
    grip: list[FormField]
    relief: list[str]


class NewRecipe(_Sent):
    """A recipe is begun: its name, the tie that it measures through (none: in the image alone), its unit, and the
    height of the measured surface above the plane with its standard uncertainty, both or neither.
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    tie: Named | None = None
    unit: Literal["mm", "in"] = "mm"
    height: Annotated[float, Field(ge=-1e4, le=1e4)] | None = None
    u_height: Annotated[float, Field(ge=0, le=1e3)] | None = None


class ShotInShort(BaseModel):
    """A shot that can be worked on: `ref` names it, `folder` is where it lies."""

    ref: str
    name: str
    folder: str


class ShotsTold(BaseModel):
    """Shots of the station's folders, and below which kept ones of the archive are named."""

    shots: list[ShotInShort]
    folders: list[str]


class Working(_Sent):
    """What is worked on: a recipe, a shot, and the variant where the station has any."""

    recipe: Named
    shot: Named
    variant: Named | None = None


class Try(Working):
    """Judge a draft on a shot. `edit`: as if this had been done; `text`: as if the file said this.

    `unit`: in which lengths are told, the recipe's own without it. `selected`: the step whose handles are told. `live`:
    while a hand moves a region: only the steps that come out anew are told, and a newer request takes the place of one
    that still waits.
    """

    edit: Edit | None = None
    text: Annotated[str, Field(max_length=60_000)] | None = None
    selected: Annotated[str, Field(max_length=80)] | None = None
    unit: Literal["mm", "in"] | None = None
    live: bool = False


class Change(Working):
    """Edit a draft. `sha`: of the file as the page last saw it."""

    sha: Sha
    edit: Edit


class StrokeSent(_Sent):
    """A line in the picture that is painted over, or laid open again."""

    points_px: list[Place] = Field(min_length=1, max_length=4000)
    radius_px: Annotated[float, Field(gt=0, le=2000)]
    erase: bool = False


class Paint(Working):
    """Paint over a step's region, or take its mask away."""

    sha: Sha
    step: Named
    strokes: list[StrokeSent] = Field([], max_length=200)
    clear: bool = False


class Teach(_Sent):
    """Teach a step from shots: a find from one, others from several that are good."""

    recipe: Named
    sha: Sha
    step: Named
    shots: list[Named] = Field(min_length=1, max_length=500)
    variant: Named | None = None


class Outline(_Sent):
    """Teach a find from a drawing in DXF, of one `layer` if named; without a `step` a new find is made."""

    recipe: Named
    sha: Sha
    file: Annotated[str, Field(min_length=1, max_length=120, examples=["plate.dxf"])]
    drawing: Base64Bytes
    step: Named | None = None
    layer: Annotated[str, Field(max_length=200)] | None = None
    variant: Named | None = None


class Folder(_Sent):
    """Run a draft over all shots of a folder of the station, or over the last so many kept ones (`kept`)."""

    recipe: Named
    folder: Named | None = None
    kept: Annotated[int, Field(ge=1, le=2000)] | None = None
    variant: Named | None = None


class Edited(BaseModel):
    """An edit was done: the file's hash now, and the step to look at."""

    sha: str
    step: str | None
    number: int
    says: str


class LargestTold(BaseModel):
    """The source that makes most of a reading's variance, and its share."""

    label: str
    percent: int


class ReadingTold(BaseModel):
    """A reading as it is written, and as numbers for its strip. `why`: why it is not said to conform."""

    id: str
    quantity: str
    operator: str | None
    value: str
    pm: str
    unit: str
    number: float | None
    U95: float | None
    lower: float | None
    upper: float | None
    expected: str | None
    verdict: Verdict | None
    why: str
    flags: str
    largest: LargestTold | None


class HandleTold(BaseModel):
    """A place in the picture to take a region by."""

    name: str
    role: Literal["corner", "side", "middle", "turn", "size", "point", "between", "origin", "axis"]
    at: Place


class AffineTold(BaseModel):
    """x' = a x + c y + e, y' = b x + d y + f, as SVG writes it."""

    a: float
    b: float
    c: float
    d: float
    e: float
    f: float


class HandTold(BaseModel):
    """A region as a hand moves it before the station has answered: its numbers, with its `kind` and with y up, in the
    recipe's unit (image: px), and the affine map into the picture that is nearest about it.
    """

    shape: dict[str, Any]
    map: AffineTold


class MaskTold(BaseModel):
    """What a mask hides: its outlines in the picture, and how much of the region's box."""

    lines: list[Line]
    percent: float


class StepTold(BaseModel):
    """A step on the shot: its readings, and all that is drawn of it, in picture pixels.

    `region`: where it looks; `marks`: the same as short marks; `found`: what was found; `taught`: where it learns.
    """

    name: str
    verdict: Verdict | None
    readings: list[ReadingTold]
    fault: str
    doubts: str
    role: str
    region: list[Line]
    marks: list[Line]
    found: list[Line]
    at: Place | None
    dimension: Line | None
    axes: list[Place] | None
    shape: str | None
    handles: list[HandleTold]
    hand: HandTold | None
    taught: list[Line]
    size: str
    mask: MaskTold | None


class DraftStep(BaseModel):
    """A step as the draft writes it, whether it can be run or not."""

    name: str
    kind: str
    frame: str
    gives: str | None
    table: dict[str, Any]


class GripTold(BaseModel):
    """A grip on the shot: where the gripper is to go, or why nowhere; and its middle and a place along its +x."""

    name: str
    good: bool
    says: str
    line: Line


class PictureTold(BaseModel):
    """A picture of the shot, whose tiles lie below `url`."""

    role: str
    light: str | None
    width: int
    height: int
    url: str


class ShotTold(BaseModel):
    """The shot that is worked on."""

    ref: str
    id: str
    part_id: str | None
    pictures: list[PictureTold]


class JudgedTold(BaseModel):
    """A draft judged on a shot. `fault`: why it cannot be; then nothing is judged, and the draft stands in `draft`.

    `sha`: of the file as it is. `is_partial`: only steps that came out anew are told. `ms`: what all steps take.
    `grid`: where the plane lies.
    """

    recipe: str
    sha: str
    head: dict[str, Any]
    draft: list[DraftStep]
    grip_tables: list[dict[str, Any]]
    shot: ShotTold | None
    fault: Told | None
    verdict: Verdict | None
    says: str
    notes: list[str]
    steps: list[StepTold]
    grips: list[GripTold]
    is_partial: bool
    ms: float
    grid: Graticule | None


class RanTold(BaseModel):
    """A shot of a folder that was run: its verdict, why it does not conform, and where its picture is in small."""

    ref: str
    name: str
    verdict: Verdict
    was: Verdict | None
    why: str
    ms: float
    thumb: str


class FolderTold(BaseModel):
    """What came of a folder: the gravest first. `counts`: by verdict."""

    ran: list[RanTold]
    counts: dict[str, int]


class TaughtTold(BaseModel):
    """What was taught, in sentences, and the file's hash now."""

    lines: list[str]
    sha: str
