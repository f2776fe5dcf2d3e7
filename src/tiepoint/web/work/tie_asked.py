"""What the page of ties sends, and what it is answered beside a tie itself."""

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from tiepoint.web.work.lengths import Typed, Unit
from tiepoint.web.work.tie_told import LengthTold, NumberTold, PointTold, TieInShort

Px = tuple[FiniteFloat, FiniteFloat]
PicturePath = Annotated[str, Field(min_length=1, max_length=300, examples=["pictures/tie/photo.png"])]
NewName = Annotated[str, Field(min_length=1, max_length=60)]
Sha = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Cell = Annotated[str, Field(max_length=60)]
Cells = Annotated[list[Cell], Field(min_length=4, max_length=4)]
Rows = Annotated[list[Cells], Field(max_length=1000)]
MOST_PHOTOS = 32
MOST_ASKED = 200


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Ties(BaseModel):
    """All documents of the station's `ties/`."""

    ties: list[TieInShort]


class Kept(_Body):
    """What every way keeps: `name` in `ties/`, `seen` of the file as the page saw it last (None: a new one).

    `size`: of the pictures that the tie is for, in px, where the station has several; photos of others are refused.
    """

    name: NewName
    seen: Sha | None = None
    unit: Unit = "mm"
    size: tuple[int, int] | None = None
    height: Typed = ""
    u_height: Typed = ""


class ByTarget(Kept):
    """Photos of one pose of a printed target. `target`: its document's path; `camera`: a document of `ties/`."""

    way: Literal["target"]
    photos: list[PicturePath] = Field(min_length=1, max_length=MOST_PHOTOS)
    target: Annotated[str, Field(max_length=200)]
    camera: NewName | None = None
    distance: Typed = ""
    u_distance: Typed = ""


class ByLength(Kept):
    """One known length between two pixels of a photo."""

    way: Literal["length"]
    photo: PicturePath
    start: Px
    end: Px
    length: Typed
    u: Typed = ""
    is_snapped: bool = True


class Pairs(_Body):
    """Points known on both sides, as they were typed. `photo`: the picture that pixels belong to, if any."""

    rows: Rows
    from_frame: Literal["image", "plane"] = "image"
    to_frame: Literal["plane", "robot"] = "plane"
    model: Literal["auto", "rigid", "similarity", "affine", "projective"] = "auto"
    pairs_unit: Literal["mm", "in", "um", "cm", "m"] = "mm"
    photo: PicturePath | None = None


class ByPairs(Kept, Pairs):
    """The same, to be kept as a tie."""

    way: Literal["pairs"]


class ByViews(_Body):
    """Photos of a target that leans in different ways: they tell the camera."""

    way: Literal["views"]
    name: NewName
    seen: Sha | None = None
    photos: list[PicturePath] = Field(min_length=1, max_length=MOST_PHOTOS)
    target: Annotated[str, Field(max_length=200)]


class ByHandEye(_Body):
    """The flange's poses as the text of a table (x_mm, y_mm, z_mm, a, b, c), and the photo taken at each, in its order.

    `eye`: the flange carries the camera, or the target; `plane`: to hand, a photo of the target lying in the plane.
    """

    way: Literal["hand-eye"]
    name: NewName
    seen: Sha | None = None
    poses: Annotated[str, Field(max_length=200_000)]
    photos: list[PicturePath] = Field(min_length=1, max_length=500)
    target: Annotated[str, Field(max_length=200)]
    eye: Literal["in-hand", "to-hand"]
    angles: Annotated[str, Field(max_length=40)]
    camera: NewName | None = None
    plane: PicturePath | None = None


Solve = Annotated[ByTarget | ByLength | ByPairs | ByViews | ByHandEye, Field(discriminator="way")]


class Solved(BaseModel):
    """What a job that ties comes to: the document's name, and the SHA-256 of its bytes."""

    name: str
    kind: Literal["tie", "camera", "robot"]
    seen: str
    sentences: list[str]


class Ask(_Body):
    """Pixels to ask for, and pairs of pixels between which a length is asked for."""

    points: list[Px] = Field([], max_length=MOST_ASKED)
    lengths: list[tuple[Px, Px]] = Field([], max_length=MOST_ASKED)
    unit: Unit = "mm"
    extrapolate: bool = False

    @model_validator(mode="after")
    def _asks(self) -> Self:
        if not self.points and not self.lengths:
            raise ValueError("asks for no point and no length")
        return self


class Answers(BaseModel):
    """One answer for each point and each length."""

    points: list[PointTold]
    lengths: list[LengthTold]


class Placed(_Body):
    """A pixel that a person placed, and the direction of the length that is measured, if any."""

    photo: PicturePath
    at: Px
    along: Px = (0.0, 0.0)


class SnappedTold(BaseModel):
    """What lies under a placed pixel, and where."""

    kind: Literal["crossing", "corner", "edge", "stroke", "hand"]
    x: float
    y: float
    says: str


class Pasted(_Body):
    """Text as a spreadsheet gives it."""

    text: Annotated[str, Field(max_length=60_000)]


class CellFault(BaseModel):
    """What is wrong with a cell: `row` from 1."""

    row: int
    column: str
    says: str


class PastedTold(BaseModel):
    """The rows of a pasted text with decimal points, and what cannot be read of them."""

    rows: list[list[str]]
    faults: list[CellFault]


class Mended(BaseModel):
    """What a cell would hold if it were mended: `row` from 1, `column` from 0."""

    row: int
    column: int
    text: str


class FindingTold(BaseModel):
    """What is wrong with pairs (`is_refused`), or worth knowing, and the cells that would mend it."""

    code: str
    rows: list[int]
    says: str
    is_refused: bool
    mends: list[Mended]


class PairRow(BaseModel):
    """How far a pair lies from where the others put it, as text in µm; empty where that is not known."""

    off: str
    is_refused: bool
    at: Px | None


class PairsTold(BaseModel):
    """What pairs come to. `says`: why there is no tie."""

    is_good: bool
    says: str
    model: str
    rows: list[PairRow]
    findings: list[FindingTold]
    faults: list[CellFault]


class AskRobot(_Body):
    """A place for the gripper: a pixel, and one towards which it is turned; or the robot's own numbers, as typed."""

    plane: NewName
    robot: NewName
    at: Px | None = None
    towards: Px | None = None
    x: Typed = ""
    y: Typed = ""
    turn: Typed = ""
    unit: Unit = "mm"
    envelope: "EnvelopeTyped | None" = None


class EnvelopeTyped(_Body):
    """Where the gripper may go, as typed, in the robot's frame; what is empty is not bounded. Turns in degrees."""

    x_from: Typed = ""
    x_to: Typed = ""
    y_from: Typed = ""
    y_to: Typed = ""
    turn_from: Typed = ""
    turn_to: Typed = ""


class RobotTold(BaseModel):
    """A place in both. `axes`: a place, and `axes_mm` from it along the robot's +x and +y; `says`: why no value.

    `beyond`: why the gripper may not go there by the envelope that was typed. `outline`: that envelope in px. `apart`:
    that the two ties do not belong to each other, as far as shows.
    """

    at: Px | None
    ahead: Px | None
    x: NumberTold | None
    y: NumberTold | None
    turn: NumberTold | None
    says: str
    axes: list[Px]
    axes_mm: float
    cautions: list[str]
    beyond: str = ""
    apart: str = ""
    outline: list[Px] = []
