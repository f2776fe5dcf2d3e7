"""An overlay: the picture with what each step sought, what it found, its value and its verdict, as one SVG.

Nothing is said by colour alone: conforms is a disc, rejected a diamond, undecided a half disc, unread a ring.
Sizes are in thousandths of the shown width, so that the drawing looks the same over any camera's picture.
"""

import base64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import forbidding, in_short
from tiepoint.model.decide import Verdict
from tiepoint.model.reading import Reading
from tiepoint.recipe.marks_content import on_page
from tiepoint.recipe.outlines import brackets, region_px
from tiepoint.recipe.pen import COLOUR, INK, Pen
from tiepoint.recipe.places import Places, View
from tiepoint.recipe.runner import Outcome, Trace
from tiepoint.recipe.wording import said_flags, said_value

Array = NDArray[np.float64]
Level = Literal["everything", "undecided", "unread", "rejected"]

LEVELS: tuple[Level, ...] = ("everything", "undecided", "unread", "rejected")
"""From where on something is drawn; unread lies between undecided and rejected."""
RANK: dict[Verdict | None, int] = {None: 0, "conforms": 0, "undecided": 1, "unread": 2, "rejected": 3}

FACE = "'Fira Sans Condensed','DejaVu Sans Condensed','Roboto Condensed','Arial Narrow',system-ui,sans-serif"

TEXT = 12.5
"""Size of the text, in thousandths of the shown width."""
LETTER = 0.5
"""Mean width of a letter over its size, of a condensed face."""
MARGIN = 0.16
"""What is shown around everything that was sought and found, as a share of its larger extent."""


@dataclass(frozen=True)
class _Label:
    """What is written beside a step: `lines` of text, `at` (2,) or beside it; `line` (n, 2) is what they belong to."""

    lines: tuple[str, ...]
    at: Array
    line: Array
    is_dimension: bool = False

    @property
    def is_steep(self) -> bool:
        """Whether the dimension runs up and down, so that its label belongs beside it."""
        run, rise = np.abs(self.line[-1] - self.line[0])
        return self.is_dimension and bool(rise > run)


def verdict_of(readings: Iterable[Reading]) -> Verdict | None:
    """Return the gravest verdict among readings, as far as any was judged; unread too where a value is missing."""
    verdicts: list[Verdict | None] = [r.verdict if r.was_read else "unread" for r in readings]
    return max(verdicts, key=lambda v: (RANK[v], v is not None), default=None)


def drawn(trace: Trace, level: Level, solo: str | None) -> bool:
    """Whether a step is drawn: `solo` draws one step alone, whatever the level."""
    if solo is not None:
        return trace.step.name == solo
    return RANK[verdict_of(trace.readings)] >= LEVELS.index(level)


def overlay_svg(
    outcome: Outcome,
    picture: NDArray[Any],
    *,
    role: str | None = None,
    level: Level = "everything",
    solo: str | None = None,
    link: str | None = None,
    whole: bool = False,
    most_px: int = 1600,
) -> str:
    """Return the overlay of one picture (rows, columns) as an SVG document.

    It shows all that was sought and found, with a margin, or the `whole` picture. The picture is embedded, scaled
    down to `most_px` at most; with `link` it is referred to by that address instead. `role`: which picture of the shot,
    the first by default.
    """
    role = role or outcome.record.shot.pictures[0].role
    height, width = picture.shape[:2]
    traces = [t for t in outcome.traces if t.role == role]
    extent = [] if whole else [line for t in traces for line in (*region_px(t), *_found_px(t))]
    view = View.around(extent, (width, height), MARGIN)
    draw = _Drawing(view)
    kept = [t for t in traces if drawn(t, level, solo)]
    for trace in kept:
        draw.region(trace)
    for trace in kept:
        draw.found(trace)
    for trace in sorted(kept, key=lambda t: -RANK[verdict_of(t.readings)]):
        draw.label(trace)
    draw.headline(outcome.record.verdict)
    x, y, w, h = (0, 0, width, height) if link else (view.x, view.y, view.width, view.height)
    source = link or f"data:image/jpeg;base64,{base64.b64encode(jpeg(picture[y : y + h, x : x + w], most_px)).decode()}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{view.x - 0.5} {view.y - 0.5} {view.width} {view.height}" '
        f'font-family="{FACE}" font-weight="500" role="img" aria-label="{_attribute(_summary(outcome))}">\n'
        f'<image x="{x - 0.5}" y="{y - 0.5}" width="{w}" height="{h}" href="{_attribute(source)}"/>\n'
        + "\n".join(draw.pen.parts)
        + "\n</svg>\n"
    )


def jpeg(picture: NDArray[Any], most_px: int, quality: int = 88) -> bytes:
    """Return a picture (rows, columns[, 3]) as JPEG for looking at, scaled down to `most_px` along its longer side."""
    import cv2

    scale = most_px / max(picture.shape[:2])
    small = picture
    if scale < 1:
        size = (round(picture.shape[1] * scale), round(picture.shape[0] * scale))
        small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    if small.dtype != np.uint8:
        top = max(float(small.max()), 1.0)
        small = np.asarray(np.clip(small * (255.0 / top), 0, 255), np.uint8)
    if small.ndim == 3:
        small = cv2.cvtColor(small, cv2.COLOR_RGB2BGR)
    _, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return data.tobytes()


class _Drawing:
    """One overlay in the making."""

    def __init__(self, view: View) -> None:
        self.view, self.unit = view, view.unit
        self.pen, self.places = Pen(view.unit), Places(view)
        self.placeless: list[Trace] = []

    def region(self, trace: Trace) -> None:
        """Draw where something was sought."""
        verdict = verdict_of(trace.readings)
        unread = verdict == "unread"
        for line in brackets(trace):
            self.pen.line(line, COLOUR[verdict] if unread else INK, 1.1, dash="3 2.5" if unread else "", opacity=0.85)

    def found(self, trace: Trace) -> None:
        """Draw what was found: its own line, and a dimension where the step measures one."""
        colour = COLOUR[verdict_of(trace.readings)]
        for line in _to_px(trace, trace.result.outlines):
            self.pen.line(line, colour, 1.7)
            self.places.keep_clear(line)
        for place in _to_px(trace, _maybe(trace.result.at)):
            self.pen.cross(place, colour)
        for line in _to_px(trace, _maybe(trace.result.dimension)):
            self.pen.dimension(line, colour)
            self.places.keep_clear(line)

    def label(self, trace: Trace) -> None:
        """Write name, value and mark beside what was found, with a leader to it."""
        label = _label(trace)
        if label is None:
            self.placeless.append(trace)
            return
        size, verdict = TEXT * self.unit, verdict_of(trace.readings)
        indent = 1.25 * size if verdict is not None else 0.0
        wide = max(len(t) for t in label.lines) * LETTER * size + indent
        tall = len(label.lines) * 1.2 * size
        x, y = self.places.free(label.at, wide, tall, label.is_steep)
        title = "; ".join(_story(r) for r in trace.readings)
        self.pen.parts.append(f"<g><title>{escape(on_page(title))}</title>")
        self._leader(label.line, (x, y, wide, tall))
        if verdict is not None:
            self.pen.mark(verdict, x + 0.5 * size, y + 0.62 * size, 0.42 * size)
        for k, text in enumerate(label.lines):
            self.pen.text(text, x + indent, y + (0.95 + 1.2 * k) * size, size)
        self.pen.parts.append("</g>")

    def headline(self, verdict: Verdict) -> None:
        """Write the record's verdict in the corner, and below it the steps that have no place in the picture."""
        size, left, top = 20 * self.unit, self.view.x, self.view.y
        self.pen.mark(verdict, left + 1.1 * size, top + 1.1 * size, 0.5 * size)
        self.pen.text(verdict, left + 2.0 * size, top + 1.45 * size, size)
        for k, trace in enumerate(self.placeless):
            small, y = TEXT * self.unit, top + 2.6 * size + 1.4 * TEXT * self.unit * k
            told = verdict_of(trace.readings)
            if told is not None:
                self.pen.mark(told, left + 1.1 * size, y - 0.33 * small, 0.42 * small)
            self.pen.text(f"{trace.step.name}: {_short(trace.readings[0], False)}", left + 2.0 * size, y, small)

    def _leader(self, line: Array, box: tuple[float, float, float, float]) -> None:
        """Draw a thin line from what was found to its label, unless they are beside each other."""
        x, y, wide, tall = box
        nearest = np.clip(line, [x, y], [x + wide, y + tall])
        gaps = np.hypot(*(line - nearest).T)
        k = int(np.argmin(gaps))
        if gaps[k] > 9 * self.unit:
            self.pen.line(np.array([line[k], nearest[k]]), INK, 0.9, opacity=0.9)


def _to_px(trace: Trace, lines: Sequence[Array]) -> list[Array]:
    """Return lines of the ground (n, 2) in pixels; those that the picture cannot show are left out."""
    if trace.ground is None:
        return []
    return [px for line in lines if np.isfinite(px := trace.ground.sight.to_px(np.atleast_2d(line))).all()]


def _maybe(line: Array | None) -> tuple[Array, ...]:
    return () if line is None else (line,)


def _found_px(trace: Trace) -> list[Array]:
    result = trace.result
    return _to_px(trace, (*result.outlines, *_maybe(result.at), *_maybe(result.dimension)))


def _label(trace: Trace) -> _Label | None:
    """Return what is written beside a step, and the place in the picture that it belongs to."""
    always = {q.name for q in trace.step.kind.quantities if q.always}
    shown = [r for r in trace.readings if r.limits is not None]
    shown = shown or [r for r in trace.readings if r.quantity in always]
    lines = (trace.step.name, *(_short(r, len(shown) > 1) for r in shown), *_doubts(shown))
    result = trace.result
    for ends in _to_px(trace, _maybe(result.dimension)):
        # A dimension's label may stand anywhere along it.
        return _Label(lines, ends.mean(axis=0), np.linspace(ends[0], ends[1], 25), is_dimension=True)
    for place in _to_px(trace, _maybe(result.at)):
        return _Label(lines, place[0], place)
    for line in (*_to_px(trace, result.outlines), *region_px(trace)):
        if np.isfinite(line).all():
            return _Label(lines, np.array([line[:, 0].max(), line[:, 1].min()]), line)
    return None


def _doubts(readings: Iterable[Reading]) -> tuple[str, ...]:
    """Return the line on flags with which nothing conforms, where there are any."""
    against = forbidding(f for r in readings for f in r.flags)
    return (in_short(against),) if against else ()


def _short(reading: Reading, named: bool) -> str:
    words = said_value(reading) if reading.was_read else "unread"
    return f"{reading.quantity} {words}" if named else words


def _story(reading: Reading) -> str:
    unread = not reading.was_read and reading.reason
    words = unread.sentence if unread else said_value(reading)
    verdict = f", {reading.verdict}" if reading.verdict else ""
    flags = f" ({said_flags(reading)})" if reading.flags else ""
    return f"{reading.name} {reading.quantity}: {words}{verdict}{flags}"


def _summary(outcome: Outcome) -> str:
    record = outcome.record
    return f"Shot {record.shot.id}: {record.verdict}. " + "; ".join(_story(r) for r in record.readings)


def _attribute(text: str) -> str:
    return escape(on_page(text), {'"': "&quot;"})
