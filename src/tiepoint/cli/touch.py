"""`tiepoint touch`: prove a robot's tie on points that it was not made from."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tiepoint.cli.answer import Answer, Json, group, help_alone, present, table
from tiepoint.cli.load import demand_like, load_robot
from tiepoint.cli.study_data import Kept, KeptIn, OfRobot, keep
from tiepoint.cli.typed import if_typed, not_negative_mm, positive_mm

if TYPE_CHECKING:
    from tiepoint.ties.tie import Tie
    from tiepoint.ties.touch import CheckedPoint, TouchCheck, TouchPoint

RobotTie = Annotated[
    Path,
    typer.Argument(
        metavar="ROBOT.json", help="The robot's tie by `tiepoint tie pairs`, or by `tiepoint tie hand-eye`."
    ),
]

app = group("touch")


@app.callback(invoke_without_command=True)
def _touch(context: typer.Context) -> None:
    """Prove a robot's tie on points that it was not made from."""
    help_alone(context)


@app.command()
def sheet(
    tie_file: RobotTie,
    out: Annotated[Path, typer.Option("--out", metavar="SHEET.pdf", help="Where the sheet is written.")],
    points: Annotated[int, typer.Option("--points", metavar="N", help="How many points, 3 to 12.")] = 6,
    pitch: Annotated[
        str | None,
        typer.Option("--pitch", metavar="LENGTH", help="Take the points from the corners of a target of this pitch."),
    ] = None,
    tolerance: Annotated[
        str | None, typer.Option("--tolerance", metavar="LENGTH", help="No sheet if the tie is not good for ± this.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Write a sheet of points to touch: where they lie, what the robot should show, and room for what it shows.

    The points are none of those that the tie was made from; they are spread over its region. With --pitch they are
    corners of the target in the plane, so that each has a mark. There is no sheet for a tie that is not good: one
    with a flag that forbids (such as what looks like a typing error in its pairs), or not good for --tolerance (exit
    code 1).

    Touch in reduced-speed manual mode with the enabling device in hand (ISO 10218), local rules first. tiepoint never
    starts a motion.

    \b
      tiepoint touch sheet robot.json --pitch 10mm --tolerance 0.3mm --out touch.pdf
    """
    from tiepoint.ties.touch import refusal, touch_points

    tie = load_robot(tie_file)
    asked = if_typed(positive_mm, "--tolerance", tolerance)
    apart = if_typed(positive_mm, "--pitch", pitch)
    demand_like(out, b"%PDF-", "PDF")
    if (said := refusal(tie, asked)) is not None:
        present(Answer({"out": None, "good": False, "points": [], "sentences": [said]}, (said,), False), as_json)
    chosen = touch_points(tie, points, apart)
    _write(out, tie, chosen, asked)
    document = {"out": str(out), "good": True, "points": [_point_document(p) for p in chosen], "sentences": []}
    present(Answer(document, tuple(_point_lines(chosen)), hints=(f"The sheet is in {out}.",)), as_json)


def _write(out: Path, tie: "Tie", points: "tuple[TouchPoint, ...]", tolerance_mm: float | None) -> None:
    from tiepoint.documents.files import write_atomic
    from tiepoint.report.touch_sheet import touch_sheet

    write_atomic(out, touch_sheet(tie, points, tolerance_mm))


def _point_document(point: "TouchPoint") -> dict[str, Any]:
    return {
        "number": point.number,
        "plane_mm": list(point.plane_mm),
        "robot_mm": list(point.robot_mm),
        "U95_mm": point.U_mm,
    }


def _point_lines(points: "tuple[TouchPoint, ...]") -> Iterator[str]:
    from tiepoint.cli.told import figures

    yield "Reduced-speed manual mode, enabling device in hand (ISO 10218), local rules first. Nothing moves by this."
    rows = [
        (str(p.number), *(f"{v:.2f}" for v in (*p.plane_mm, *p.robot_mm)), f"± {figures(p.U_mm)} mm") for p in points
    ]
    yield from table([("point", "plane x", "plane y", "robot x", "robot y", ""), *rows], frozenset({0, 1, 2, 3, 4}))


@app.command()
def check(
    tie_file: RobotTie,
    touched: Annotated[
        Path,
        typer.Argument(
            metavar="MEASURED.csv", help="from_x, from_y: the place in the plane; to_x, to_y: what the robot showed."
        ),
    ],
    tolerance: Annotated[
        str, typer.Option("--tolerance", metavar="LENGTH", help="How far off a place may be at most.")
    ],
    u: Annotated[
        str | None,
        typer.Option(
            "--u",
            metavar="LENGTH",
            help="Standard uncertainty of one coordinate of a touch; else the tie's own scatter.",
        ),
    ] = None,
    station: KeptIn = None,
    of: OfRobot = None,
    as_json: Json = False,
) -> None:
    """Judge a robot's tie by points that were touched: each error, what they share, and what may be behind it.

    MEASURED.csv has a row for each point, in mm. Points that the tie was made from, and points outside its region, do
    not count. Good is a tie of which three points or more are within the tolerance, the touching's own uncertainty
    taken off, and none is not; the exit code is 1 otherwise.

    \b
      tiepoint touch check robot.json touched.csv --tolerance 0.3mm --u 0.05mm
    """
    from tiepoint.documents.canonical import sha256
    from tiepoint.documents.files import kind_of, read_document, read_text
    from tiepoint.station.touched import touch_of

    tie = load_robot(tie_file)
    tie_sha = sha256(read_document(tie_file, kind_of(tie_file) or "tie"))
    asked = positive_mm("--tolerance", tolerance)
    u_mm = if_typed(not_negative_mm, "--u", u)
    found, document = touch_of(tie, tie_sha, read_text(touched), asked, u_mm, str(touched))
    hints = keep("touch", document, Kept(station, touched, of))
    present(Answer(document, tuple(_lines(found)), found.good, hints), as_json)


def _lines(found: "TouchCheck") -> Iterator[str]:
    yield from found.sentences
    yield from table([("row", "error x", "error y", "length", ""), *map(_row, found.points)], frozenset({0, 1, 2, 3}))


def _row(p: "CheckedPoint") -> tuple[str, ...]:
    from tiepoint.cli.told import verdict

    said = p.why if p.verdict is None else verdict(p.verdict)
    if p.error_mm is None or p.size_mm is None:
        return str(p.row), "", "", "", said
    return str(p.row), f"{p.error_mm[0]:+.3f}", f"{p.error_mm[1]:+.3f}", f"{p.size_mm:.3f} mm", said
