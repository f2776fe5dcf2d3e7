"""`tiepoint tie probe`: ask a tie where pixels lie, or how long something is."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tiepoint.cli.answer import Answer, Json, hint_at, present, table
from tiepoint.cli.load import load_tie, read_columns
from tiepoint.cli.typed import Point, points_px
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.ties.probe import Probe, ProbedLength, ProbePoint
    from tiepoint.ties.tie import Tie

TieFile = Annotated[Path, typer.Argument(metavar="TIE.json", help="A tie, as `tiepoint tie …` wrote it.")]


def probe(
    tie_file: TieFile,
    more: Annotated[
        list[str] | None, typer.Argument(metavar="X,Y", help="Further points after --at or --length.")
    ] = None,
    at: Annotated[
        list[str] | None, typer.Option("--at", metavar="X,Y", help="The pixel to ask for; several may follow.")
    ] = None,
    points: Annotated[
        Path | None, typer.Option("--points", metavar="POINTS.csv", help="Pixels from a table with the columns x, y.")
    ] = None,
    length: Annotated[
        tuple[str, str] | None,
        typer.Option("--length", metavar="X,Y X,Y", help="How far two pixels are apart; further pairs may follow."),
    ] = None,
    extrapolate: Annotated[
        bool, typer.Option("--extrapolate", help="Answer outside the valid region too, and flag it.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Ask a tie where pixels lie, or how long something is.

    The ± is the tie's own: it takes the pixels that you type as exact. Outside the region in which the tie was
    shown to hold there is no value (exit code 1), unless you ask for it.

    \b
      tiepoint tie probe tie.json --at 1224,1024
      tiepoint tie probe tie.json --at 1224,1024 310,870
      tiepoint tie probe tie.json --length 310,870 1990,884
    """
    from tiepoint.documents.pictures import TURNED

    tie = load_tie(tie_file)
    for note in tie.notes:
        if note.endswith(TURNED):
            hint_at(note)
    if length is not None and at is None and points is None:
        present(_lengths(tie, _pairs([*length, *(more or [])]), extrapolate), as_json)
    if at is not None and length is None and points is None:
        present(_points(tie, points_px("--at", [*at, *(more or [])]), extrapolate), as_json)
    if points is not None and not (at or length or more):
        px = [(x, y) for x, y in read_columns(points, ("x", "y")).values]
        present(_points(tie, px, extrapolate), as_json)
    raise UnusableInput("give one of --at X,Y, --points POINTS.csv or --length X,Y X,Y")


def _pairs(texts: list[str]) -> list[tuple[Point, Point]]:
    if len(texts) % 2:
        raise UnusableInput(
            f"--length: a length has two ends, and {len(texts)} points were given; add one or leave one"
        )
    ends = points_px("--length", texts)
    return list(zip(ends[::2], ends[1::2], strict=True))


def _points(tie: "Tie", px: list[Point], extrapolate: bool) -> Answer:
    from tiepoint.ties.probe import probe as ask

    answers = ask(tie, px, extrapolate=extrapolate)
    good = all(p.x is not None for p in answers.points)
    return Answer(answers.document(), tuple(_point_lines(tie, answers)), good)


def _point_lines(tie: "Tie", answers: "Probe") -> Iterator[str]:
    from tiepoint.cli.told import budget_lines

    yield f"In the frame {answers.frame}, at a height of {answers.height_mm:g} mm:"
    yield from table([_point_row(p, answers.unit) for p in answers.points])
    worst = max((v for p in answers.points for v in (p.x, p.y) if v is not None), key=lambda v: v.u, default=None)
    if worst is not None:
        yield from budget_lines(worst, answers.unit)
    yield from _of_tie(tie)


def _point_row(point: "ProbePoint", unit: str) -> tuple[str, ...]:
    from tiepoint.cli.told import mm

    place = f"{point.px[0]:.10g},{point.px[1]:.10g} px"
    if point.x is None or point.y is None:
        return place, "no value:", point.reason.sentence if point.reason else ""
    return place, f"x {mm(point.x, unit)}", f"y {mm(point.y, unit)}{_flagged(point.flags)}"


def _lengths(tie: "Tie", pairs: list[tuple[Point, Point]], extrapolate: bool) -> Answer:
    from tiepoint.ties.probe import length as ask

    answers = [ask(tie, a, b, extrapolate=extrapolate) for a, b in pairs]
    document: dict[str, Any] = {"lengths": [answer.document() for answer in answers]}
    lines = [line for pair, answer in zip(pairs, answers, strict=True) for line in _length_lines(pair, answer)]
    lines += _of_tie(tie)
    return Answer(document, tuple(lines), all(answer.value is not None for answer in answers))


def _length_lines(pair: tuple[Point, Point], answer: "ProbedLength") -> Iterator[str]:
    from tiepoint.cli.told import budget_lines, mm

    ends = " to ".join(f"{x:.10g},{y:.10g} px" for x, y in pair)
    if answer.value is None:
        yield f"{ends}: no value: {answer.reason.sentence if answer.reason else ''}"
        return
    yield f"{ends}: {mm(answer.value, answer.unit)}{_flagged(answer.flags)}"
    yield from budget_lines(answer.value, answer.unit)


def _flagged(flags: tuple[str, ...]) -> str:
    from tiepoint.foundation.reasons import in_short

    return f" ({in_short(flags)})" if flags else ""


def _of_tie(tie: "Tie") -> Iterator[str]:
    """Yield what the tie's flags say of every answer."""
    from tiepoint.foundation.reasons import FLAGS

    yield from (f"The tie: {FLAGS[code].sentence}" for code in tie.flags)
