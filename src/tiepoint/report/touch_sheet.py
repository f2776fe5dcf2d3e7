"""The sheet of a touch test: a map and a table of points in the robot's frame, room for what was shown, and cautions.

One page of A4. Nothing here depends on the clock or the machine: the same tie gives the same bytes.
"""

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from tiepoint.ties.tie import Tie
from tiepoint.ties.touch import TouchPoint

Array = NDArray[np.float64]

CAUTIONS = (
    "Local rules and the risk assessment of the cell come first. This sheet moves nothing: tiepoint never starts a "
    "motion.",
    "Reduced-speed manual mode, enabling device in hand, nobody else in the robot's space (ISO 10218).",
    "The sheet knows x and y only. Stay well above, go over the point, then come down slowly; keep the tool's "
    "orientation as it was when the tie was made.",
    "Where the tip comes down elsewhere than on the mark, do not go on by these numbers: touch the mark, and write "
    "down what the robot shows.",
)
"""What is said above the table, where the hand goes to the robot."""

_WIDTH, _HEIGHT, _RIM = 595.276, 841.89, 42.0
_MAP_TALL = 268.0
_ROW = 19.0
_FACE, _BOLD = "Helvetica", "Helvetica-Bold"
_COLUMNS = (("point", 26.0), ("plane x", 84.0), ("plane y", 136.0), ("robot x", 196.0), ("robot y", 256.0),
            ("± (95 %)", 312.0), ("shown x", 332.0), ("shown y", 424.0))  # fmt: skip


@dataclass(frozen=True)
class _Frame:
    """From the robot's mm to points of the page: `scale` points per mm about `middle` (mm), drawn at `centre`."""

    scale: float
    middle: Array
    centre: tuple[float, float]

    def at(self, mm: Array) -> Array:
        """Return page points (n, 2)."""
        return np.asarray((np.atleast_2d(mm) - self.middle) * self.scale + self.centre)


def touch_sheet(tie: Tie, points: Sequence[TouchPoint], tolerance_mm: float | None = None) -> bytes:
    """Return the sheet as a PDF of one page."""
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=(_WIDTH, _HEIGHT), invariant=1, pageCompression=1)
    canvas.setTitle(f"Touch test of tie {tie.id}")
    canvas.setAuthor("tiepoint")
    top = _head(canvas, tie, tolerance_mm)
    top = _cautions(canvas, top)
    top = _table(canvas, points, top)
    _map(canvas, tie, points, top)
    _foot(canvas)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _head(canvas: Canvas, tie: Tie, tolerance_mm: float | None) -> float:
    y = _HEIGHT - _RIM - 14
    canvas.setFont(_BOLD, 16)
    canvas.drawString(_RIM, y, "Touch test")
    canvas.setFont(_FACE, 10)
    asked = "" if tolerance_mm is None else f", asked for ±{tolerance_mm:g} mm"
    canvas.drawString(_RIM + 96, y, f"of tie {tie.id}: plane to robot, {tie.model}{asked}")
    y -= 18
    canvas.drawString(_RIM, y, "Robot, tool number:")
    _line(canvas, _RIM + 96, y, 150)
    canvas.drawString(_RIM + 258, y, "Date, name:")
    _line(canvas, _RIM + 316, y, _WIDTH - 2 * _RIM - 316)
    return y - 14


def _line(canvas: Canvas, x: float, y: float, length: float) -> None:
    canvas.setLineWidth(0.5)
    canvas.line(x, y - 2, x + length, y - 2)


def _cautions(canvas: Canvas, top: float) -> float:
    width = _WIDTH - 2 * _RIM
    lines = [(k, line) for said in CAUTIONS for k, line in enumerate(simpleSplit(said, _FACE, 9.5, width - 32))]
    tall = 13.0 * len(lines) + 24
    canvas.setLineWidth(1.2)
    canvas.rect(_RIM, top - tall, width, tall)
    canvas.setFont(_BOLD, 10)
    canvas.drawString(_RIM + 8, top - 14, "Before a hand goes to the robot")
    canvas.setFont(_FACE, 9.5)
    for row, (k, line) in enumerate(lines):
        y = top - 28 - 13.0 * row
        if k == 0:
            canvas.drawString(_RIM + 8, y, "\N{BULLET}")
        canvas.drawString(_RIM + 20, y, line)
    return top - tall - 14


def _table(canvas: Canvas, points: Sequence[TouchPoint], top: float) -> float:
    canvas.setFont(_FACE, 9.5)
    canvas.drawString(
        _RIM, top - 8, "All in mm. Touch the mark at each place of the plane, and write what the robot shows."
    )
    y = top - 26
    canvas.setFont(_BOLD, 9)
    for name, x in _COLUMNS[:-2]:
        canvas.drawRightString(_RIM + x, y, name)
    for name, x in _COLUMNS[-2:]:
        canvas.drawString(_RIM + x, y, name)
    right = _WIDTH - _RIM
    canvas.setLineWidth(0.8)
    canvas.line(_RIM, y - 5, right, y - 5)
    canvas.setFont(_FACE, 10)
    for point in points:
        y -= _ROW
        cells = (
            str(point.number), *(f"{v:.2f}" for v in (*point.plane_mm, *point.robot_mm)), f"{point.U_mm:.2f}"
        )  # fmt: skip
        for (_, x), cell in zip(_COLUMNS, cells, strict=False):
            canvas.drawRightString(_RIM + x, y, cell)
        canvas.setLineWidth(0.4)
        for _, x in _COLUMNS[-2:]:
            canvas.rect(_RIM + x, y - 5, 84, _ROW - 3)
    return y - 20


def _map(canvas: Canvas, tie: Tie, points: Sequence[TouchPoint], top: float) -> None:
    region = tie.map(tie.valid_region).xy_mm
    tall = min(_MAP_TALL, top - _RIM - 40)
    low, high = region.min(axis=0), region.max(axis=0)
    scale = float(min((_WIDTH - 2 * _RIM - 60) / (high[0] - low[0]), (tall - 40) / (high[1] - low[1])))
    frame = _Frame(scale, (low + high) / 2, (_WIDTH / 2 + 20, top - tall / 2))
    canvas.setLineWidth(0.7)
    outline = canvas.beginPath()
    for k, (x, y) in enumerate(frame.at(region)):
        (outline.lineTo if k else outline.moveTo)(float(x), float(y))
    outline.close()
    canvas.drawPath(outline, stroke=1, fill=0)
    if tie.residuals is not None:
        for x, y in frame.at(tie.residuals.plane_mm):
            canvas.line(x - 3, y, x + 3, y)
            canvas.line(x, y - 3, x, y + 3)
    canvas.setFont(_BOLD, 9)
    for point in points:
        x, y = frame.at(np.array(point.robot_mm))[0]
        canvas.circle(x, y, 3.2, stroke=1, fill=0)
        # Towards the middle, so that no number crosses the outline.
        (canvas.drawString if x < frame.centre[0] else canvas.drawRightString)(
            x + (5 if x < frame.centre[0] else -5), y + (3 if y < frame.centre[1] else -9), str(point.number)
        )
    _axes(canvas, top - tall)
    canvas.setFont(_FACE, 8.5)
    key = "Circles: points to touch. Crosses: points that the tie was made from. Line: where the tie holds."
    canvas.drawString(_RIM, top - tall - 16, key)


def _axes(canvas: Canvas, bottom: float) -> None:
    """Draw the robot's x and y, in whose frame the map stands."""
    x, y, long = _RIM + 4, bottom + 6, 34.0
    canvas.setLineWidth(1.0)
    canvas.line(x, y, x + long, y)
    canvas.line(x, y, x, y + long)
    canvas.line(x + long, y, x + long - 5, y + 2.5)
    canvas.line(x + long, y, x + long - 5, y - 2.5)
    canvas.line(x, y + long, x - 2.5, y + long - 5)
    canvas.line(x, y + long, x + 2.5, y + long - 5)
    canvas.setFont(_FACE, 9)
    canvas.drawString(x + long + 3, y - 3, "x robot")
    canvas.drawString(x - 3, y + long + 4, "y robot")


def _foot(canvas: Canvas) -> None:
    canvas.setFont(_FACE, 8.5)
    said = (
        "Then type plane x, plane y, shown x and shown y into a table whose first line is from_x,from_y,to_x,to_y,",
        "and judge it: tiepoint touch check ROBOT.json MEASURED.csv --tolerance LENGTH",
    )
    for k, line in enumerate(said):
        canvas.drawString(_RIM, _RIM - 12 * k, line)
