"""`text`: one line of printed, stamped or engraved text, restricted by what may stand there."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Annotated, Any

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator

from tiepoint.foundation.reasons import Reason, flag
from tiepoint.foundation.sources import constant
from tiepoint.recipe.context import Array, Context, Outlined, Said, StepResult, Told, corners
from tiepoint.recipe.kinds import Quantity, StepKind
from tiepoint.recipe.marks_content import Message, shown
from tiepoint.recipe.marks_expected import ExpectedTable, MarkTable, judged
from tiepoint.recipe.marks_form import Form, Piece
from tiepoint.recipe.regions import RectangleRegion
from tiepoint.recipe.tables import said
from tiepoint.recipe.tables import shown as quoted
from tiepoint.vision.mark_rungs import FIRST, Rung, eight_bits, read_rung
from tiepoint.vision.mark_text import LINE_PX, MOST_LONG, TEXT_RUNGS, LineSeen, alike, prepared, resolved, see_line

EDGE_PX = 0.5
LEAST_CONTRAST = 12.0
INVERTED = "inverted"


class TextTable(MarkTable):
    """`region`: a rectangle around one line of text, with little more than a letter's width of ground on each side; the
    line runs along its own x, from left to right. `expected`: what it must say. Spaces do not count, in what is read
    or in what is expected: how wide a gap is, the reader cannot tell.

    `characters`: those that may occur, as taught by looking at good parts; a character that cannot occur is taken for
    the only one that looks like it and can (0 and O, 1 and I), and the reading says so. `least_score`: how sure the
    reader must be of every character, 0 to 1. `preparation`: read with this one alone, as the reading `preparation`
    tells it. `also`: pictures of the shot to try beside `picture`; those that it does not have are passed over.
    """

    region: RectangleRegion
    characters: Annotated[str, Field(min_length=1, max_length=500)] | None = None
    least_score: Annotated[float, Field(ge=0.3, le=1.0)] = 0.8
    preparation: str | None = None
    also: Annotated[tuple[str, ...], Field(strict=False, max_length=16)] = ("sunken", "raised")

    @field_validator("preparation")
    @classmethod
    def _readable(cls, written: str | None) -> str | None:
        if written is not None and _rung_of(written) is None:
            raise said("", f'is {quoted(written)}; use words as in "smooth1.5" or "raised: even41 inverted"')
        return written

    @field_validator("mask")
    @classmethod
    def _no_mask(cls, mask: str | None) -> str | None:
        if mask is not None:
            raise said("", "stands in a text step, which looks at its line as a whole; take it out, or turn the region")
        return mask

    @field_validator("expected")
    @classmethod
    def _no_field(cls, expected: ExpectedTable | None) -> ExpectedTable | None:
        if expected is not None and expected.field is not None:
            raise said("field", "stands in a text step; a line of text is no message with fields")
        return expected


@dataclass(frozen=True)
class _Read:
    """A line, and the preparation that showed it."""

    line: LineSeen
    preparation: str


def run(context: Context) -> StepResult:
    """Read the line."""
    table = context.table
    assert isinstance(table, TextTable)
    if context.picture is None:
        return StepResult({})
    box = corners(table.region.rectangle, context.ground.frame, context.unit)
    places = context.ground.sight.to_px(box)
    rows, cols = context.picture.shape
    # NaN, where the picture shows no such place, is within no bounds.
    if not ((places >= -EDGE_PX) & (places <= [cols - 1 + EDGE_PX, rows - 1 + EDGE_PX])).all():
        return StepResult.without(Reason("outside_picture"))
    wide, high = _sides(places)
    if wide > MOST_LONG * high:
        return StepResult.without(Reason("text_long", {"times": math.ceil(wide / high), "most": MOST_LONG}))
    read = _read(context, table, places)
    if isinstance(read, Reason):
        return StepResult.without(read)
    content = _judged(table, read.line.text, context.part_id)
    told: dict[str, Told] = {
        "content": content,
        "least_score": constant(read.line.least_score),
        "preparation": Said(read.preparation),
    }
    flags = (flag("read_as_alike"),) if read.line.resolved else ()
    return StepResult(told, found=(Outlined((np.vstack([box, box[:1]]),), flags),), at=box.mean(axis=0))


# --- seen ----------------------------------------------------------------------------------------------------------


def _read(context: Context, table: TextTable, places: Array) -> _Read | Reason:
    """Return the line that the first preparation with a sound reading shows; the reason of the best one without."""
    best: tuple[float, Reason] | None = None
    for rung, is_inverted, picture in _prepared(context, table, places):
        line = _fitted(see_line(picture), table)
        reason = _doubt(line, table)
        if reason is None:
            return _Read(line, f"{rung} {INVERTED}" if is_inverted else str(rung))
        if best is None or line.least_score > best[0]:
            best = line.least_score, reason
    first = _laid(context.picture, places) if context.picture is not None else None
    if first is not None and _contrast(first) < LEAST_CONTRAST:
        return Reason("mark_faint", {"levels": round(_contrast(first))})
    return best[1] if best is not None else Reason("text_not_seen")


def _prepared(context: Context, table: TextTable, places: Array) -> Iterator[tuple[Rung, bool, NDArray[np.uint8]]]:
    """Give the line in every picture and preparation, as it is and inverted."""
    pinned = None if table.preparation is None else _rung_of(table.preparation)
    rungs = [replace(rung, picture=name) for name in (FIRST, *table.also) for rung in TEXT_RUNGS]
    for rung in rungs if pinned is None else [pinned[0]]:
        picture = context.picture if rung.picture == FIRST else context.others(rung.picture)
        if context.picture is None or picture is None or isinstance(picture, Reason):
            continue
        if picture.shape != context.picture.shape:
            continue
        both = prepared(_laid(picture, places), rung)
        for is_inverted in (False, True) if pinned is None else (pinned[1],):
            yield rung, is_inverted, both[is_inverted]


def _rung_of(written: str) -> tuple[Rung, bool] | None:
    """Return a preparation by its words, and whether it is inverted."""
    is_inverted = written.endswith(f" {INVERTED}")
    rung = read_rung(written.removesuffix(f" {INVERTED}"))
    return None if rung is None or rung.dots else (rung, is_inverted)


def _sides(places: Array) -> tuple[float, float]:
    """Return how wide and high the region with these corners (4, 2) is in the picture, px."""
    low_left, low_right, up_right, up_left = places
    high = (np.hypot(*(up_left - low_left)) + np.hypot(*(up_right - low_right))) / 2
    wide = (np.hypot(*(low_right - low_left)) + np.hypot(*(up_right - up_left))) / 2
    return float(wide), float(high)


def _laid(picture: NDArray[Any], places: Array) -> NDArray[np.uint8]:
    """Return the region of a picture laid flat and upright; `places` (4, 2): its lower left corner first, px."""
    wide, high = _sides(places)
    # As many pixels as the picture has, within what the recogniser can use.
    scale = min(1.0, 3 * LINE_PX / max(high, 1.0))
    rows, cols = max(round(high * scale), 4), min(max(round(wide * scale), 4), 6000)
    to = np.array([[0, rows - 1], [cols - 1, rows - 1], [cols - 1, 0], [0, 0]], np.float32)
    matrix = cv2.getPerspectiveTransform(places.astype(np.float32), to)
    left, top = np.floor(places.min(axis=0)).astype(int).clip(0)
    right, low = np.ceil(places.max(axis=0)).astype(int) + 1
    grey = eight_bits(picture[top:low, left:right])
    matrix = matrix @ np.array([[1, 0, left], [0, 1, top], [0, 0, 1.0]])
    return np.asarray(
        cv2.warpPerspective(grey, matrix, (cols, rows), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE), np.uint8
    )


def _contrast(picture: NDArray[np.uint8]) -> float:
    low, high = np.percentile(cv2.GaussianBlur(picture, (0, 0), 1.0), (2, 98)).tolist()
    return float(high - low)


# --- restricted ----------------------------------------------------------------------------------------------------


def _without_spaces(form: Form) -> Form:
    return Form(form.written, tuple(p for p in form.pieces if p.allowed != frozenset(" ")))


def _fitted(line: LineSeen, table: TextTable) -> LineSeen:
    """Return a line whose characters were taken for alike ones where only those may stand."""
    form = table.expected.as_form if table.expected else None
    pieces = None if form is None else _without_spaces(form).places(len(line.letters))
    allowed = [_may(table.characters, None if pieces is None else pieces[k]) for k in range(len(line.letters))]
    return resolved(line, allowed)


def _may(characters: str | None, piece: Piece | None) -> Callable[[str], bool]:
    return lambda c: (characters is None or c in characters) and (piece is None or piece.allows(c))


def _doubt(line: LineSeen, table: TextTable) -> Reason | None:
    """Return why a line is not believed; None where it is."""
    if not line.letters:
        return Reason("text_not_seen")
    text = line.text
    if line.least_score < table.least_score:
        score = math.floor(100 * line.least_score) / 100
        return Reason("text_unsure", {"text": shown(text), "score": f"{score:g}", "least": f"{table.least_score:g}"})
    strange = "" if table.characters is None else "".join(sorted({c for c in text if c not in table.characters}))
    if strange:
        return Reason("text_strange", {"text": shown(text), "characters": shown(strange)})
    expected = table.expected
    form = None if expected is None else expected.as_form
    if form is not None and not _without_spaces(form).matches(text):
        return Reason("text_not_built_so", {"text": shown(text)})
    return None


# --- judged --------------------------------------------------------------------------------------------------------


def _judged(table: TextTable, text: str, part_id: str | None) -> Said | Reason:
    """Return the text with its verdict; a reason where it differs only in what looks alike."""
    expected = table.expected
    message = Message(text, "plain")
    if expected is None or expected.form is not None:
        told = judged(expected, message, part_id)
        # A form's own spaces do not count; whether it is built so was looked at before.
        return replace(told, verdict="conforms", reason=None) if isinstance(told, Said) and expected else told
    texts = [t.replace(" ", "") for t in expected.texts(part_id) or ()]
    told = judged(expected, message, part_id)
    if isinstance(told, Reason):
        return told
    if text in texts:
        return replace(told, verdict="conforms", reason=None)
    if any(len(t) == len(text) and all(a in alike(b) for a, b in zip(t, text, strict=True)) for t in texts):
        return Reason("text_alike", {"text": shown(text)})
    return told


STEP = StepKind(
    kind="text",
    says="One line of text: printed, stamped or engraved, compared with what it must say.",
    table=TextTable,
    quantities=(
        Quantity("content", "text", "what the line says, without its spaces", always=True),
        Quantity("least_score", "number", "how sure the reader is of its least sure character, 0 to 1"),
        Quantity("preparation", "text", "which preparation read it, as the key preparation takes it"),
    ),
    run=run,
)
