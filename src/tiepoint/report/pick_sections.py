"""The section of the summary on picking: where each grip closed, beside what was stated of it."""

import math

import numpy as np

from tiepoint.foundation.rounding import HOLD, fixed
from tiepoint.report import svg, tables
from tiepoint.report.page_parts import block, esc, heading, note, say, sheet
from tiepoint.report.story import PickStory, Story
from tiepoint.station.words import counted

SIZE = 320.0
"""Width and height of the drawing of grips."""


def picks_section(story: Story) -> str:
    """How plates that lie anywhere were found and gripped; nothing where no robot was at work."""
    told = story.picks
    if told is None or not told.picks:
        return ""
    return sheet(
        "picks",
        f"{counted(len(told.picks), 'plate')} picked by a robot",
        "found by their shape, among other things",
        block(
            f'<div class="columns"><div>{_said(told)}{block(_table(told))}</div><figure>{_drawing(told)}</figure></div>'
        ),
        block(_pictures(told)),
    )


def _said(told: PickStory) -> str:
    holds, n = sum(p.holds for p in told.picks), 3 * len(told.picks)
    wrong = f"{told.wrong} grips were on other things" if told.wrong else "Nothing else was gripped"
    left = (
        "every plate that was plain to see was picked"
        if not told.missed
        else f"{told.missed} of {told.shown} plates that were plain to see were left for a later photograph"
    )
    return (
        say(f"<strong>{wrong}, and {left}.</strong> {holds} of {n} stated intervals cover what the gripper really did.")
        + note(
            "Plates lie at any angle, on one another, turned over or of another variant, among screws and washers, "
            "under a lamp that changes and throws shadows. A turned plate shares most of its outline with a good one, "
            "so a plate is only gripped where both of its bores lie, and are as large, as they should. All grips share "
            "one taught grip and one robot tie, so they err together; a robot's own error, as large as its tie leaves "
            "over at unseen points, is part of what is stated."
        )
        + note(
            "First moves and touch tests are made in reduced-speed manual mode, enabling device in hand (ISO 10218), "
            "by those who may. tiepoint never starts a motion."
        )
    )


def _table(told: PickStory) -> str:
    beside = np.array([p.beside_mm for p in told.picks])
    turn = np.array([abs(p.turn_deg) for p in told.picks])
    U = np.array([math.hypot(*p.U_mm) / math.sqrt(2) for p in told.picks])
    rows = [
        ("Beside the taught grip, rms", f"{fixed(float(np.sqrt(np.mean(beside**2))), 2)}{HOLD}mm"),
        ("the largest", f"{fixed(float(beside.max()), 2)}{HOLD}mm"),
        ("stated for x and y (95 %)", f"±{HOLD}{fixed(float(np.median(U)), 2)}{HOLD}mm"),
        ("Turn, the largest error", f"{fixed(float(turn.max()), 2)}°"),
        ("stated for the turn (95 %)", f"±{HOLD}{fixed(float(np.median([p.U_turn_deg for p in told.picks])), 2)}°"),
        ("Photographs that it took", str(told.shots)),
    ]
    cells = [(tables.name(what), tables.Cell(said, "n")) for what, said in rows]
    return heading("Grips against the truth") + tables.table((("What", ""), ("Value", "n")), cells)


def _drawing(told: PickStory) -> str:
    """Return where the jaws closed, seen from the taught grip: a point a plate, and the square of what is stated.

    What is stated holds for each axis by itself: of points in a plane, a circle of that radius would hold fewer.
    """
    U = float(np.median([math.hypot(*p.U_mm) / math.sqrt(2) for p in told.picks]))
    reach = 1.15 * max(U, max(p.beside_mm for p in told.picks))
    scale = SIZE / 2 / reach
    middle = SIZE / 2
    axes = svg.element("path", class_="base", d=f"M0 {middle:g}H{SIZE:g}M{middle:g} 0V{SIZE:g}")
    corner, side = round(middle - U * scale, 1), round(2 * U * scale, 1)
    stated = svg.element("rect", class_="contour", x=corner, y=corner, width=side, height=side)
    points = [
        svg.element(
            "circle",
            class_="m-unread",
            cx=round(middle + p.error_mm[0] * scale, 1),
            cy=round(middle - p.error_mm[1] * scale, 1),
            r=3,
        )
        for p in told.picks
    ]
    words = (
        f"Errors of {len(told.picks)} grips along and across the part; the square: ± {U:.2f} mm, for each by itself."
    )
    drawing = svg.drawing(SIZE, SIZE, axes, stated, *points, class_="picks", role="img", aria_label=words)
    return drawing + f"<figcaption>{esc(words)}</figcaption>"


def _pictures(told: PickStory) -> str:
    items = "".join(
        f'<figure><a href="{esc(file)}"><img src="{picture}" alt="What was found among other things"></a></figure>'
        for file, picture in told.pictures
    )
    return f'{heading("What was found", "open a picture to see it large")}<div class="columns charts">{items}</div>'
