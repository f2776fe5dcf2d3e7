"""The section of the summary on faces under several lamps: one picture before and after, and what was read of each."""

from html import escape

import numpy as np

from tiepoint.foundation.rounding import value_and_pm
from tiepoint.recipe.overlay import jpeg
from tiepoint.recipe.pen import COLOUR, Pen
from tiepoint.report import charts, look, tables
from tiepoint.report.face_story import Drawn, Face, FaceStory, Shown
from tiepoint.report.page_parts import block, esc, heading, note, say, scroll, sheet
from tiepoint.report.story import Story
from tiepoint.station.words import counted

MOST_PX, QUALITY = 1000, 80
TEXT_SHARE = 0.032
"""Height of the words over a picture, as a share of its width: they can be read on a phone."""


def face_section(story: Story) -> str:
    """What was read from relief, and not from one lamp; nothing where no face was looked at."""
    told = story.face
    if told is None or told.one_lamp is None or told.relief is None:
        return ""
    pictures = "".join(_picture(one, told) for one in (told.one_lamp, told.relief))
    return sheet(
        "face",
        f"{counted(len(told.faces), 'face')} read from relief",
        f"lot {told.lot}, a code of dots, a bead, scratches and dents",
        f'<div class="wide">{block(_said(told), f"""<div class="columns seen">{pictures}</div>""")}'
        f"{block(_table(told))}</div>",
    )


# ---------- in sentences ----------


def _said(told: FaceStory) -> str:
    return say(f"<strong>{read_sentence(told)}</strong> {outcome_sentences(told)}") + note(
        "Letters 14\N{NO-BREAK SPACE}µm high, dots 13\N{NO-BREAK SPACE}µm deep, all of the metal's own grey, among "
        "stains and brush marks: under one lamp nothing of it stands out. A lamp from each side, one picture each, "
        "tells how each place is inclined, and stains fall out. In the picture of one lamp alone marks are sought at "
        "their known place, with every "
        f"preparation for up to {told.mpx:g} million pixels; in relief one pinned preparation is enough."
    )


def read_sentence(told: FaceStory) -> str:
    """Return how many marks were read from relief, and how many from one lamp."""
    n, (codes, lots) = len(told.faces), told.by_relief
    return f"{_of(codes, n)} codes and {_of(lots, n)} lot numbers are read from relief, {_by_one_lamp(told)}."


def outcome_sentences(told: FaceStory) -> str:
    """Return what was misread, and whether the verdicts are right."""
    return f"{_misread(told)} {_verdicts(told)}"


def _of(count: int, n: int) -> str:
    return f"{count} of {n}"


def _by_one_lamp(told: FaceStory) -> str:
    codes, lots = told.read_by(told.best_lamp)
    if not codes + lots:
        return "and none of them from any single lamp"
    return f"and {counted(codes, 'code')} and {counted(lots, 'lot number')} from the best single lamp, {told.best_lamp}"


def _misread(told: FaceStory) -> str:
    return "Nothing is misread." if not told.misread else f"{counted(told.misread, 'mark')} misread."


def _verdicts(told: FaceStory) -> str:
    bad = sum(not face.is_good for face in told.faces)
    if not told.wrong:
        return f"Every verdict is right: {len(told.faces) - bad} conform, and {bad} with something wrong are rejected."
    wrong = ", ".join(f"face {face.number} is {face.record.verdict}" for face in told.faces if not face.is_right)
    return f"{counted(told.wrong, 'verdict')} not as the truth asks for: {wrong}."


# ---------- the table ----------


def _table(told: FaceStory) -> str:
    head = (
        ("Face", ""),
        ("In truth", ""),
        ("Verdict", ""),
        ("Code", ""),
        ("Lot number", ""),
        ("On the face", ""),
        ("From one lamp", ""),
        ("Gap in the bead, mm", "val"),
        ("", "pm"),
        ("in truth", "n"),
    )
    rows = [_row(face) for face in told.faces]
    return heading("Face by face", "a number opens the drawing") + scroll(tables.table(head, rows))


def _row(face: Face) -> tuple[tables.Cell, ...]:
    number = f'<a href="{esc(face.overlay_href)}">{face.number}</a>'
    value, pm = ("no value", "") if not face.gap.is_read else value_and_pm(face.gap.value, face.gap.U or None)
    true = value_and_pm(face.gap.true, face.gap.U or None)[0] if face.gap.true else "0"
    serial = "unread" if face.code.text is None else face.code.text.partition("␝S")[2].partition("␞")[0]
    return (
        tables.Cell(number, head=True),
        tables.words(", ".join(face.defects) or "good"),
        tables.Cell(charts.verdict(face.record.verdict)),
        tables.words(f"no. {serial}" if face.code.is_read else serial),
        tables.words(face.lot.text or "unread"),
        tables.words("; ".join(face.blemishes) or "nothing"),
        tables.words(_one_lamp(face)),
        tables.Cell(value, "val"),
        tables.Cell(pm, "pm"),
        tables.Cell(true, "n"),
    )


def _one_lamp(face: Face) -> str:
    """Return what any of the lamps gave by itself."""
    codes = [lamp for lamp, (code, _) in face.by_lamp.items() if code.is_read]
    lots = [lamp for lamp, (_, lot) in face.by_lamp.items() if lot.is_read]
    told = [f"{what} ({', '.join(lamps)})" for what, lamps in (("code", codes), ("lot", lots)) if lamps]
    return ", ".join(told) or "unread"


# ---------- the pictures ----------


def _picture(shown: Shown, told: FaceStory) -> str:
    rows, cols = shown.pixels.shape
    data = look.data_uri(jpeg(shown.pixels, MOST_PX, QUALITY), "image/jpeg")
    pen = Pen(cols / 500)
    for one in shown.drawn:
        for line in one.lines:
            pen.line(line, COLOUR[one.verdict], 1.2, dash="3 2.5" if one.verdict == "unread" else "")
    for one in shown.drawn:
        _write(pen, one, (cols, rows))
    number = told.faces[told.shown].number
    words = f"Face {number}. {shown.says}: " + "; ".join(one.words for one in shown.drawn if one.words) + "."
    return (
        f'<figure><svg viewBox="-0.5 -0.5 {cols} {rows}" role="img" aria-label="{escape(words)}">'
        f'<image x="-0.5" y="-0.5" width="{cols}" height="{rows}" href="{data}"/>{"".join(pen.parts)}</svg>'
        f"<figcaption>{esc(shown.says)}</figcaption></figure>"
    )


def _write(pen: Pen, one: Drawn, size: tuple[int, int]) -> None:
    """Write what was read below its place, within the picture."""
    if one.at is None or not one.words:
        return
    text = TEXT_SHARE * size[0]
    wide = (len(one.words) * 0.5 + 1.3) * text
    x = float(np.clip(one.at[0], 0.4 * text, max(size[0] - wide, 0.4 * text)))
    y = float(np.clip(one.at[1] + 1.05 * text, text, size[1] - 0.5 * text))
    pen.mark(one.verdict, x + 0.45 * text, y - 0.33 * text, 0.36 * text)
    pen.text(one.words, x + 1.15 * text, y, text)
