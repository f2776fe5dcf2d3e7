"""An overlay: the picture with what each step sought, what it found, its value and its verdict, as one SVG.

Nothing is said by colour alone: conforms is a disc, rejected a diamond, undecided a half disc, unread a ring.
Sizes are in thousandths of the picture's width, so that the drawing looks the same over any camera's picture.
"""

import base64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from tiepoint.model.decide import Verdict
from tiepoint.model.reading import Reading
from tiepoint.recipe.outlines import brackets, region_px
from tiepoint.recipe.runner import Outcome, Trace
from tiepoint.recipe.wording import said_value

Array = NDArray[np.float64]
Level = Literal["everything", "undecided", "unread", "rejected"]

LEVELS: tuple[Level, ...] = ("everything", "undecided", "unread", "rejected")
"""From where on something is drawn; unread lies between undecided and rejected."""
RANK: dict[Verdict | None, int] = {None: 0, "conforms": 0, "undecided": 1, "unread": 2, "rejected": 3}

INK, HALO = "#ffffff", "#06100d"
COLOUR: dict[Verdict | None, str] = {
    None: INK,
    "conforms": "#5db8f2",
    "rejected": "#ff8a3d",
    "undecided": "#ffc63f",
    "unread": "#d9dcda",
}
"""Okabe-Ito hues, lightened to stand on a dark halo over any picture."""
FACE = "'Fira Sans Condensed','DejaVu Sans Condensed','Roboto Condensed','Arial Narrow',system-ui,sans-serif"

TEXT = 12.5
"""Size of the text, in thousandths of the picture's width."""
LETTER = 0.5
"""Mean width of a letter over its size, of a condensed face."""


@dataclass(frozen=True)
class _Label:
    """What is written beside a step: `lines` of text, `at` (2,) or beside it; `line` (n, 2) is what they belong to."""

    lines: tuple[str, ...]
    at: Array
    line: Array
    centred: bool = False


def verdict_of(readings: Iterable[Reading]) -> Verdict | None:
    """Return the gravest verdict among readings, as far as any was judged; unread too where a value is missing."""
    verdicts: list[Verdict | None] = ["unread" if r.value is None else r.verdict for r in readings]
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
    most_px: int = 1600,
) -> str:
    """Return the overlay of one picture (rows, columns) as an SVG document.

    The picture is embedded, scaled down to `most_px` at most; with `link` it is referred to by that address instead.
    `role`: which picture of the shot, the first by default.
    """
    role = role or outcome.record.shot.pictures[0].role
    height, width = picture.shape[:2]
    draw = _Drawing(width, height)
    kept = [t for t in outcome.traces if t.role == role and drawn(t, level, solo)]
    for trace in kept:
        draw.region(trace)
    for trace in kept:
        draw.found(trace)
    for trace in sorted(kept, key=lambda t: -RANK[verdict_of(t.readings)]):
        draw.label(trace)
    draw.headline(outcome.record.verdict)
    source = link or f"data:image/jpeg;base64,{base64.b64encode(jpeg(picture, most_px)).decode()}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-0.5 -0.5 {width} {height}" font-family="{FACE}" '
        f'font-weight="500" role="img" aria-label="{_attribute(_summary(outcome))}">\n'
        f'<image x="-0.5" y="-0.5" width="{width}" height="{height}" href="{_attribute(source)}"/>\n'
        + "\n".join(draw.parts)
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
    """Collects the parts of one overlay; remembers where labels stand, so that none covers another."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self.unit = width / 1000
        self.parts: list[str] = []
        self.taken: list[tuple[float, float, float, float]] = []
        self.placeless: list[Trace] = []

    def region(self, trace: Trace) -> None:
        """Draw where something was sought."""
        verdict = verdict_of(trace.readings)
        dash = "3 2.5" if verdict == "unread" else ""
        for line in brackets(trace):
            self.line(line, COLOUR[verdict] if verdict == "unread" else INK, 1.1, dash=dash, opacity=0.85)

    def found(self, trace: Trace) -> None:
        """Draw what was found: its own line, and a dimension where the step measures one."""
        verdict = verdict_of(trace.readings)
        colour = COLOUR[verdict]
        for line in self._to_px(trace, trace.result.found):
            self.line(line, colour, 1.7)
        if trace.result.at is not None:
            for place in self._to_px(trace, (trace.result.at[None],)):
                for arm in 6 * self.unit * np.array([[[-1.0, 0.0], [1.0, 0.0]], [[0.0, -1.0], [0.0, 1.0]]]):
                    self.line(place + arm, colour, 1.4)
        if trace.result.dimension is not None:
            for line in self._to_px(trace, (trace.result.dimension,)):
                self.dimension(line, colour)

    def label(self, trace: Trace) -> None:
        """Write name, value and mark beside what was found, with a leader to it."""
        label = self._label(trace)
        if label is None:
            self.placeless.append(trace)
            return
        size, verdict = TEXT * self.unit, verdict_of(trace.readings)
        indent = 1.25 * size if verdict is not None else 0.0
        wide = max(len(t) for t in label.lines) * LETTER * size + indent
        tall = len(label.lines) * 1.2 * size
        x, y = self._free_place(label, wide, tall)
        title = "; ".join(_story(r) for r in trace.readings)
        self.parts.append(f"<g><title>{escape(title)}</title>")
        if not label.centred:
            self._leader(label.line, (x, y, wide, tall))
        if verdict is not None:
            self.mark(verdict, x + 0.5 * size, y + 0.62 * size, 0.42 * size)
        for k, text in enumerate(label.lines):
            self.text(text, x + indent, y + (0.95 + 1.2 * k) * size, size)
        self.parts.append("</g>")

    def _leader(self, line: Array, box: tuple[float, float, float, float]) -> None:
        """Draw a thin line from what was found to its label, unless they touch."""
        x, y, wide, tall = box
        nearest = np.clip(line, [x, y], [x + wide, y + tall])
        gaps = np.hypot(*(line - nearest).T)
        k = int(np.argmin(gaps))
        if gaps[k] > 4 * self.unit:
            self.line(np.array([line[k], nearest[k]]), INK, 0.9, opacity=0.9)

    def headline(self, verdict: Verdict) -> None:
        """Write the record's verdict in the corner, and below it the steps that have no place in the picture."""
        size = 20 * self.unit
        self.mark(verdict, 1.1 * size, 1.1 * size, 0.5 * size)
        self.text(verdict, 2.0 * size, 1.45 * size, size)
        for k, trace in enumerate(self.placeless):
            small, y = TEXT * self.unit, 2.6 * size + 1.4 * TEXT * self.unit * k
            told = verdict_of(trace.readings)
            if told is not None:
                self.mark(told, 1.1 * size, y - 0.33 * small, 0.42 * small)
            self.text(f"{trace.step.name}: {_short(trace.readings[0], False)}", 2.0 * size, y, small)

    def line(self, points: Array, colour: str, width: float, *, dash: str = "", opacity: float = 1.0) -> None:
        """Draw a line through points (n, 2) over its dark halo."""
        if len(points) < 2 or not np.isfinite(points).all():
            return
        path = "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points)
        lengths = " ".join(f"{float(d) * 2 * self.unit:.2f}" for d in dash.split())
        dashed = f' stroke-dasharray="{lengths}"' if dash else ""
        for ink, wide, alpha in ((HALO, width + 2.2, 0.7 * opacity), (colour, width, opacity)):
            self.parts.append(
                f'<path d="{path}" fill="none" stroke="{ink}" stroke-width="{wide * self.unit:.2f}" '
                f'stroke-opacity="{alpha:.2f}" stroke-linejoin="round"{dashed}/>'
            )

    def dimension(self, ends: Array, colour: str) -> None:
        """Draw a dimension between two places (2, 2): a line with an arrow head at each end."""
        self.line(ends, colour, 1.5)
        away = ends[1] - ends[0]
        length = float(np.hypot(*away))
        if length < 1e-6:
            return
        d = away / length
        normal, head = np.array([-d[1], d[0]]), min(7 * self.unit, length / 3)
        for tip, back in ((ends[0], d), (ends[1], -d)):
            wings = [tip + head * back + s * 0.4 * head * normal for s in (1.0, -1.0)]
            self.line(np.array([wings[0], tip, wings[1]]), colour, 1.5)
            self.line(np.array([tip - 4 * self.unit * normal, tip + 4 * self.unit * normal]), colour, 1.1)

    def text(self, text: str, x: float, y: float, size: float) -> None:
        """Write text with a dark halo; (x, y) is the start of its base line."""
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:.1f}" fill="{INK}" stroke="{HALO}" '
            f'stroke-width="{0.28 * size:.1f}" paint-order="stroke" stroke-linejoin="round">{escape(text)}</text>'
        )

    def mark(self, verdict: Verdict | None, x: float, y: float, r: float) -> None:
        """Draw the mark of a verdict about (x, y) on a dark ground."""
        colour = COLOUR[verdict]
        self.parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{1.55 * r:.1f}" fill="{HALO}" fill-opacity=".75"/>')
        if verdict == "rejected":
            d = 1.25 * r
            path = f"M{x:.1f} {y - d:.1f}L{x + d:.1f} {y:.1f}L{x:.1f} {y + d:.1f}L{x - d:.1f} {y:.1f}Z"
            self.parts.append(f'<path d="{path}" fill="{colour}"/>')
        elif verdict == "undecided":
            half = f"M{x:.1f} {y - r:.1f}A{r:.1f} {r:.1f} 0 0 0 {x:.1f} {y + r:.1f}Z"
            self.parts.append(f'<path d="{half}" fill="{colour}"/>')
            self._ring(x, y, r, colour, 0.25)
        elif verdict == "unread":
            self._ring(x, y, 0.85 * r, colour, 0.45)
        else:
            self.parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}" fill="{colour}"/>')

    def _ring(self, x: float, y: float, r: float, colour: str, width: float) -> None:
        self.parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}" fill="none" stroke="{colour}" '
            f'stroke-width="{width * r:.1f}"/>'
        )

    def _to_px(self, trace: Trace, lines: Sequence[Array]) -> list[Array]:
        return [] if trace.ground is None else [trace.ground.to_px(line) for line in lines]

    def _label(self, trace: Trace) -> _Label | None:
        """Return what is written beside a step, and the place in the picture that it belongs to."""
        always = {q.name for q in trace.step.kind.quantities if q.always}
        shown = [r for r in trace.readings if r.limits is not None]
        shown = shown or [r for r in trace.readings if r.quantity in always]
        lines = (trace.step.name, *(_short(r, len(shown) > 1) for r in shown))
        result, ground = trace.result, trace.ground
        if ground is not None and result.dimension is not None:
            ends = ground.to_px(result.dimension)
            return _Label(lines, ends.mean(axis=0), ends, centred=True)
        if ground is not None and result.at is not None:
            place = ground.to_px(result.at[None])
            return _Label(lines, place[0] + 8 * self.unit * np.array([1.0, 1.0]), place)
        solid = [p for p in (*self._to_px(trace, result.found), *region_px(trace)) if np.isfinite(p).all()]
        if not solid:
            return None
        return _Label(lines, np.array([solid[0][:, 0].max(), solid[0][:, 1].min()]), solid[0])

    def _free_place(self, label: _Label, wide: float, tall: float) -> tuple[float, float]:
        """Return the upper left corner for a label where it covers no other and stays in the picture."""
        gap = 6 * self.unit
        x, y = (float(v) for v in label.at)
        places = [
            (x + gap, y - tall - gap), (x + gap, y + gap), (x - wide - gap, y - tall - gap), (x - wide - gap, y + gap),
            (x - wide / 2, y + gap), (x - wide / 2, y - tall - gap),
        ]  # fmt: skip
        if label.centred:
            beside = [(x + gap, y - tall / 2), (x - wide - gap, y - tall / 2)]
            rise, run = np.abs(label.line[1] - label.line[0])[::-1]
            places = (beside if rise > run else places[4:]) + places[:4]
        places += [(px, py + k * tall) for k in (1, -1, 2, -2, 3, -3) for px, py in places[:2]]
        inside = [
            (min(max(px, 0.0), max(self.width - wide, 0.0)), min(max(py, 0.0), max(self.height - tall, 0.0)))
            for px, py in places
        ]
        best = min(range(len(inside)), key=lambda k: (self._covered(*inside[k], wide, tall), k))
        self.taken.append((*inside[best], wide, tall))
        return inside[best]

    def _covered(self, x: float, y: float, wide: float, tall: float) -> float:
        area = 0.0
        for ox, oy, ow, oh in self.taken:
            area += max(0.0, min(x + wide, ox + ow) - max(x, ox)) * max(0.0, min(y + tall, oy + oh) - max(y, oy))
        return area


def _short(reading: Reading, named: bool) -> str:
    words = said_value(reading) if reading.value is not None else "unread"
    return f"{reading.quantity} {words}" if named else words


def _story(reading: Reading) -> str:
    words = reading.reason.sentence if reading.reason else said_value(reading)
    verdict = f", {reading.verdict}" if reading.verdict else ""
    return f"{reading.name} {reading.quantity}: {words}{verdict}"


def _summary(outcome: Outcome) -> str:
    record = outcome.record
    return f"Shot {record.shot.id}: {record.verdict}. " + "; ".join(_story(r) for r in record.readings)


def _attribute(text: str) -> str:
    return escape(text, {'"': "&quot;"})
