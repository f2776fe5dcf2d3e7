"""`code`: what a printed or marked code says, and where it lies."""

from typing import Annotated, Any, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import BeforeValidator, Field, field_validator, model_validator

from tiepoint.foundation.reasons import Reason, flag
from tiepoint.foundation.sources import constant
from tiepoint.recipe.context import Context, Outlined, Said, StepResult, Told
from tiepoint.recipe.features import PlaceFeature
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.marks_content import Message, parse, shown
from tiepoint.recipe.marks_expected import MarkTable, judged
from tiepoint.recipe.marks_look import Look, look
from tiepoint.recipe.marks_place import pose_of
from tiepoint.recipe.regions import AreaRegion
from tiepoint.recipe.tables import said, said_names
from tiepoint.recipe.tables import shown as quoted
from tiepoint.vision.mark_indicators import indicators
from tiepoint.vision.mark_kinds import KINDS
from tiepoint.vision.mark_ladder import ladder
from tiepoint.vision.mark_read import MarkRequest, MarksRead, read_marks
from tiepoint.vision.mark_rungs import FIRST, read_rung
from tiepoint.vision.mark_seen import MarkSeen
from tiepoint.vision.mark_stop import why_unread

INDICATORS = ("symbol_contrast", "modulation", "cell_contrast", "axial_nonuniformity", "grid_nonuniformity")


def _one_or_more(raw: Any) -> Any:
    return [raw] if isinstance(raw, str) else raw


class CodeTable(MarkTable):
    """`region`: where the middle of the code lies; the whole picture without one. `symbology`: which kind, or a list;
    every known kind without it. `expected`: what the code must say.

    `preparation`: read with this one alone, in the words in which the reading `preparation` tells it; without it, the
    ladder of all of them is climbed until one gives a sound reading. `also`: pictures of the shot that the ladder may
    use beside `picture`, by role, light or relief name; those that a shot does not have are passed over. `budget`: how
    many million prepared pixels may be looked at. `both_readers`: a Data Matrix must be read alike by both readers.
    `white`: the grey level that a white reference shows under this light, by which contrast counts; the upper end of
    the camera's scale by default, as far as the shot states its bits, else of the picture's.
    """

    region: AreaRegion | None = None
    symbology: Annotated[
        tuple[str, ...], BeforeValidator(_one_or_more), Field(strict=False, json_schema_extra={"examples": ["qr"]})
    ] = ()
    preparation: str | None = None
    also: Annotated[tuple[str, ...], Field(strict=False, max_length=16)] = ("curvature", "sunken", "raised")
    budget: Annotated[float, Field(gt=0, le=10_000)] = 60.0
    white: Annotated[float, Field(gt=0, le=1e6)] | None = None
    both_readers: bool = False

    @field_validator("symbology")
    @classmethod
    def _known(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        unknown = [name for name in names if name not in KINDS]
        if unknown:
            raise said("", f"is {quoted(unknown[0])}; use {said_names(KINDS)}")
        return names

    @field_validator("preparation")
    @classmethod
    def _readable(cls, written: str | None) -> str | None:
        if written is not None and read_rung(written) is None:
            raise said("", f'is {quoted(written)}; use words as in "shrink2 smooth1" or "sunken: dots_bright"')
        return written

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.mask is not None and self.region is None:
            raise said("mask", "covers the box of a region, and none is stated; give the region it was painted over")
        if self.both_readers and self.symbology != ("data_matrix",):
            raise said("both_readers", 'goes with symbology = "data_matrix", the kind that both readers know')
        return self


def run(context: Context) -> StepResult:
    """Read the code."""
    table = context.table
    assert isinstance(table, CodeTable)
    if context.picture is None:
        return StepResult({})
    seen = look(context, table.region)
    if isinstance(seen, Reason):
        return StepResult.without(seen)
    request = _request(context, table, seen)
    read = _read(context, table, seen, request)
    mark = _only(context.picture, seen, read, request)
    if isinstance(mark, Reason):
        return StepResult.without(mark)
    if table.both_readers and not read.by_second:
        return StepResult.without(Reason("mark_unsure", {"kind": mark.kind}))
    return _told(context, mark.moved((1.0, 1.0), (seen.left, seen.top)), read)


def _request(context: Context, table: CodeTable, seen: Look) -> MarkRequest:
    expected = table.expected
    return MarkRequest(
        table.symbology,
        None
        if expected is None
        else lambda mark: isinstance(s := _judged(context, mark), Said) and s.verdict == "conforms",
        seen.is_within,
        with_second=table.preparation is None or table.both_readers,
        budget_px=round(table.budget * 1e6),
    )


def _read(context: Context, table: CodeTable, seen: Look, request: MarkRequest) -> MarksRead:
    pinned = None if table.preparation is None else read_rung(table.preparation)
    rungs = ladder(table.also) if pinned is None else (pinned,)

    def picture(name: str) -> NDArray[Any] | None:
        other = context.picture if name == FIRST else context.others(name)
        if (
            other is None
            or isinstance(other, Reason)
            or context.picture is None
            or other.shape != context.picture.shape
        ):
            return None
        return seen.cut(other)

    return read_marks(picture, request, rungs)


def _only(picture: NDArray[Any], seen: Look, read: MarksRead, request: MarkRequest) -> MarkSeen | Reason:
    """Return the only mark; a reason without one, or with several."""
    if len(read.marks) > 1:
        return Reason("marks_several", {"count": len(read.marks)})
    if not read.marks:
        return why_unread(seen.cut(picture), read, request, seen.around(picture))
    return read.marks[0]


def _message(mark: MarkSeen) -> Message:
    return parse(mark.text, mark.is_gs1, mark.kind)


def _judged(context: Context, mark: MarkSeen) -> Said | Reason:
    assert isinstance(context.table, CodeTable)
    return judged(context.table.expected, _message(mark), context.part_id)


def _told(context: Context, mark: MarkSeen, read: MarksRead) -> StepResult:
    assert read.rung is not None
    message = _message(mark)
    pose = pose_of(context, mark, read.rung)
    flags = [flag("content_faulty")] if message.faults else []
    if read.by_second is False:
        flags.append(flag("read_once"))
    told: dict[str, Told] = {
        "content": _judged(context, mark),
        "symbology": Said(mark.kind),
        "preparation": Said(str(read.rung)),
        "bytes": Said(mark.content.hex(" ")),
        "fields": Said(_fields(message)),
        "unused_correction": Reason("no_correction") if mark.unused is None else constant(mark.unused),
        "cell": Reason("no_cells") if mark.cell_px is None else constant(mark.cell_px),
    }
    if context.asks(*INDICATORS):
        told |= _indicators(context, mark)
    feature = None
    if isinstance(pose, Reason):
        told |= dict.fromkeys(("x", "y", "angle"), pose)
    else:
        feature = PlaceFeature(pose)
        told |= {**context.coordinates(feature), "angle": pose[2]}
    outline = context.ground.way.map(mark.corners, with_sources=False).xy_mm
    found = Outlined((np.vstack([outline, outline[:1]]),), tuple(flags))
    return StepResult(told, feature, found=(found,), at=outline.mean(axis=0))


def _indicators(context: Context, mark: MarkSeen) -> dict[str, Told]:
    """Return the process indicators of a mark in the picture that the step looks at."""
    table, picture = context.table, context.picture
    assert isinstance(table, CodeTable)
    assert picture is not None
    if mark.cells is None:
        return dict.fromkeys(INDICATORS, Reason("no_cells"))
    white = table.white or context.scale_end
    seen = indicators(picture, mark.corners, mark.cells, white, _aspect(context, mark))
    if seen is None:
        return dict.fromkeys(INDICATORS, Reason("no_two_levels"))
    return {name: constant(getattr(seen, name)) for name in INDICATORS}


def _aspect(context: Context, mark: MarkSeen) -> float:
    """Return how much taller than wide a square of the ground looks where the mark lies, along the mark's own sides."""
    there = context.ground.way.map(mark.corners, with_sources=False).xy_mm
    px, ground = [np.hypot(*(np.roll(at, -1, axis=0) - at).T) for at in (mark.corners, there)]
    wide, tall = (px[k] + px[k + 2] for k in (0, 1))
    return float(tall / wide * (ground[0] + ground[2]) / (ground[1] + ground[3]))


def _fields(message: Message) -> str:
    """Return the fields of a message as `(01)09501101530003 (10)AB`; the whole text of one that has none."""
    if not message.fields:
        return shown(message.text)
    return " ".join(f"({shown(f.identifier)}){shown(f.value)}" for f in message.fields)


STEP = StepKind(
    kind="code",
    says="What a printed or marked code says, compared with what it must say, and where it lies.",
    table=CodeTable,
    quantities=(
        Quantity("content", "text", "what the code says, separators shown as ␝␞␄", always=True),
        Quantity("symbology", "text", "which kind of code it is"),
        Quantity("fields", "text", "the fields of a GS1 or ISO/IEC 15434 message"),
        Quantity("bytes", "text", "the content as bytes, in hexadecimal"),
        Quantity("preparation", "text", "which preparation read it, as the key preparation takes it"),
        Quantity("x", "length", "of its middle"),
        Quantity("y", "length", "of its middle"),
        Quantity("angle", "angle", "from its own left to its right, counter-clockwise from +x"),
        Quantity("cell", "number", "pixels a cell"),
        Quantity("unused_correction", "number", "share of the error correction that was not needed, 0 to 1"),
        Quantity(
            "symbol_contrast", "number", "brightest less darkest cell, as a share of white; an indicator, no grade"
        ),
        Quantity("modulation", "number", "how far the weakest cell is from the middle level, 0 to 1; an indicator"),
        Quantity("cell_contrast", "number", "mean bright less mean dark cell, over the bright one; an indicator"),
        Quantity("axial_nonuniformity", "number", "difference of a cell's sides, over their mean; an indicator"),
        Quantity("grid_nonuniformity", "number", "how far cells stand off their grid, in cells; an indicator"),
    ),
    run=run,
    gives="place",
)
