"""The run sheet of a design: what is put in when, with room for what was read. A4, as many pages as it takes.

Nothing here depends on the clock or the machine: the same design gives the same bytes.
"""

import io
from collections.abc import Sequence

from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from tiepoint.station.run_sheets import Runs
from tiepoint.station.words import counted
from tiepoint.studies.design import Design, Plan, Run

_WIDTH, _HEIGHT, _RIM, _ROW = 595.276, 841.89, 42.0, 17.0
_FACE, _BOLD = "Helvetica", "Helvetica-Bold"
_TALLEST = 110.0
"""Of what is said of one study: with less room it begins a page."""


def run_sheet(design: Design) -> bytes:
    """Return the sheet as a PDF: a page that says what for, then the runs of each study."""
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=(_WIDTH, _HEIGHT), invariant=1, pageCompression=1)
    canvas.setTitle(f"Run sheet of {design.characteristic}")
    canvas.setAuthor("tiepoint")
    _first(canvas, design)
    for plan in design.plans:
        _study(canvas, design, plan)
    canvas.save()
    return buffer.getvalue()


def sheet_on_paper(runs: Runs) -> bytes:
    """Return a sheet that a station keeps as a PDF: its runs in their order, with room for what is read."""
    rows = range(len(runs.cells.rows))
    trial = runs.column("trial") if "trial" in runs.cells.header else [""] * len(rows)
    columns = {name: runs.column(name) for name in runs.factors}
    told = [
        Run(
            k + 1,
            runs.table.study,
            runs.cell(k, runs.of_whom),
            tuple((name, cells[k]) for name, cells in columns.items()),
            int(trial[k]) if trial[k].isdecimal() else 1,
        )
        for k in rows
    ]
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=(_WIDTH, _HEIGHT), invariant=1, pageCompression=1)
    of = f" of {runs.table.of}" if runs.table.of else ""
    canvas.setTitle(f"Run sheet {runs.id}{of}")
    canvas.setAuthor("tiepoint")
    _pages(canvas, f"{runs.id}{_latin(of)}"[:60], told)
    canvas.save()
    return buffer.getvalue()


def _first(canvas: Canvas, design: Design) -> None:
    y = _HEIGHT - _RIM - 14
    canvas.setFont(_BOLD, 16)
    canvas.drawString(_RIM, y, f"Run sheet: {_latin(design.characteristic)}"[:70])
    y = _text(canvas, design.convention, y - 26)
    for sentence in design.sentences:
        y = _text(canvas, sentence, y - 4)
    for plan in design.plans:
        if y < _RIM + _TALLEST:
            canvas.showPage()
            y = _HEIGHT - _RIM
        y = _plan(canvas, plan, y - 14)
    canvas.setFont(_FACE, 10)
    canvas.drawString(_RIM, _RIM, "Criteria agreed on (date, names): ______________________________________________")
    canvas.showPage()


def _plan(canvas: Canvas, plan: Plan, y: float) -> float:
    canvas.setFont(_BOLD, 11)
    numbers = f"{counted(plan.parts, 'part')}, {counted(plan.loadings, 'loading')} each, {counted(plan.runs, 'run')}"
    canvas.drawString(_RIM, y, f"{plan.study}: {_latin(numbers)}, {plan.minutes:.0f} min")
    y -= 14
    for sentence in (f"{plan.why}.", f"Parts: {plan.which_parts}.", f"Conditions: {plan.conditions}."):
        y = _text(canvas, sentence[:1].upper() + sentence[1:], y)
    return y


def _text(canvas: Canvas, words: str, y: float) -> float:
    canvas.setFont(_FACE, 10)
    for line in simpleSplit(_latin(words), _FACE, 10, _WIDTH - 2 * _RIM):
        canvas.drawString(_RIM, y, line)
        y -= 13
    return y


def _study(canvas: Canvas, design: Design, plan: Plan) -> None:
    _pages(canvas, plan.study, design.of(plan.study))


def _pages(canvas: Canvas, title: str, runs: Sequence[Run]) -> None:
    room = int((_HEIGHT - 2 * _RIM - 50) // _ROW)
    pages = [runs[k : k + room] for k in range(0, len(runs), room)]
    for number, page in enumerate(pages, 1):
        canvas.setFont(_BOLD, 12)
        canvas.drawString(_RIM, _HEIGHT - _RIM - 12, f"{title}, page {number} of {len(pages)}")
        _rows(canvas, page)
        canvas.showPage()


def _rows(canvas: Canvas, runs: Sequence[Run]) -> None:
    names = [name for name, _ in runs[0].factors]
    heads = ["run", "part", *names, "time", "value or verdict, remarks"]
    places = [_RIM, _RIM + 40, *(_RIM + 150 + 85 * k for k in range(len(names)))]
    places += [places[-1] + (110 if not names else 85), places[-1] + (165 if not names else 140)]
    y = _HEIGHT - _RIM - 34
    canvas.setFont(_BOLD, 9)
    for x, head in zip(places, heads, strict=True):
        canvas.drawString(x, y, _latin(head)[:26])
    canvas.setFont(_FACE, 9.5)
    canvas.setLineWidth(0.4)
    for run in runs:
        y -= _ROW
        for x, told in zip(places, (str(run.number), run.part, *(level for _, level in run.factors)), strict=False):
            canvas.drawString(x, y, _latin(told)[:18])
        canvas.line(_RIM, y - 4, _WIDTH - _RIM, y - 4)


def _latin(words: str) -> str:
    """Return words in the letters of the sheet's face; others become question marks."""
    return words.encode("latin-1", "replace").decode("latin-1")
