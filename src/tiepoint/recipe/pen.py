"""What an overlay is drawn with: lines, dimensions, text and marks, each over a dark halo, as parts of an SVG."""

from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from tiepoint.model.decide import Verdict
from tiepoint.recipe.marks_content import on_page

Array = NDArray[np.float64]

INK, HALO = "#ffffff", "#06100d"
COLOUR: dict[Verdict | None, str] = {
    None: INK,
    "conforms": "#5db8f2",
    "rejected": "#ff8a3d",
    "undecided": "#ffc63f",
    "unread": "#d9dcda",
}
"""Okabe-Ito hues, lightened to stand on a dark halo over any picture."""


class Pen:
    """Collects parts; `unit` is the length in px that line widths are multiples of."""

    def __init__(self, unit: float) -> None:
        self.unit = unit
        self.parts: list[str] = []

    def line(self, points: Array, colour: str, width: float, *, dash: str = "", opacity: float = 1.0) -> None:
        """Draw a line through points (n, 2)."""
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

    def cross(self, place: Array, colour: str) -> None:
        """Draw a cross at a place (2,)."""
        for arm in 6 * self.unit * np.array([[[-1.0, 0.0], [1.0, 0.0]], [[0.0, -1.0], [0.0, 1.0]]]):
            self.line(place + arm, colour, 1.4)

    def dimension(self, ends: Array, colour: str) -> None:
        """Draw a dimension between two places (2, 2): a line with an arrow head and a stop at each end."""
        self.line(ends, colour, 1.5)
        away = ends[1] - ends[0]
        length = float(np.hypot(*away))
        if not length > 1e-6:
            return
        d = away / length
        normal, head = np.array([-d[1], d[0]]), min(7 * self.unit, length / 3)
        for tip, back in ((ends[0], d), (ends[1], -d)):
            wings = [tip + head * back + s * 0.4 * head * normal for s in (1.0, -1.0)]
            self.line(np.array([wings[0], tip, wings[1]]), colour, 1.5)
            self.line(np.array([tip - 4 * self.unit * normal, tip + 4 * self.unit * normal]), colour, 1.1)

    def text(self, text: str, x: float, y: float, size: float) -> None:
        """Write text; (x, y) is the start of its base line."""
        words = escape(on_page(text))
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:.1f}" fill="{INK}" stroke="{HALO}" '
            f'stroke-width="{0.28 * size:.1f}" paint-order="stroke" stroke-linejoin="round">{words}</text>'
        )

    def mark(self, verdict: Verdict | None, x: float, y: float, r: float) -> None:
        """Draw the mark of a verdict about (x, y): a disc, a diamond, a half disc or a ring, on a dark ground."""
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
