"""`tiepoint study`: experiments that prove a station or a robot."""

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tiepoint.cli.answer import Json, group, help_alone, table
from tiepoint.cli.study_data import Kept, KeptIn, OfRobot, Picture, answer, demand_drawing, untold
from tiepoint.cli.study_design import design
from tiepoint.cli.study_proofs import agreement, capability, lengths
from tiepoint.cli.study_values import linearity, rr, stability, type1
from tiepoint.cli.typed import ANGLES, if_typed, positive_mm

if TYPE_CHECKING:
    from tiepoint.studies.pose import PoseFigures, PoseStudy

app = group("study")
for _command in (design, type1, rr, linearity, stability, lengths, agreement, capability):
    app.command()(_command)


@app.callback(invoke_without_command=True)
def _study(context: typer.Context) -> None:
    """Prove a station or a robot by an experiment."""
    help_alone(context)


@app.command()
def pose(
    data: Annotated[
        Path, typer.Argument(metavar="DATA", help="A table (CSV, .xlsx) with x_mm, y_mm and what else was measured.")
    ],
    angles: Annotated[
        str | None,
        typer.Option("--angles", metavar="CONVENTION", help=f"What the columns a, b, c mean: {ANGLES}."),
    ] = None,
    u: Annotated[
        str | None, typer.Option("--u", metavar="LENGTH", help="Standard uncertainty of one measured coordinate.")
    ] = None,
    most_ap: Annotated[
        str | None, typer.Option("--most-ap", metavar="LENGTH", help="The accuracy AP that is asked for, at most.")
    ] = None,
    most_rp: Annotated[
        str | None, typer.Option("--most-rp", metavar="LENGTH", help="The repeatability RP that is asked for, at most.")
    ] = None,
    picture: Picture = None,
    station: KeptIn = None,
    of: OfRobot = None,
    as_json: Json = False,
) -> None:
    """Tell how accurately and how repeatably a robot reaches a pose, in the manner of ISO 9283.

    DATA has a row for each cycle, in the order in which they were made: x_mm, y_mm, and as far as they are known
    z_mm, a, b, c (with --angles) or turn_deg; pose, a name or a number, where there are several; and what was
    commanded, in commanded_x_mm, commanded_y_mm and so on, without which accuracy is not told. Measure the attained
    poses from outside: the robot's own display shows what it believes.

    With --most-ap or --most-rp the exit code is 1 unless the upper end of the 95 % interval keeps the limit.

    Let the robot move by its own programme, with nobody in its space; tiepoint never starts a motion.

    \b
      tiepoint study pose cycles.csv --u 0.005mm --most-rp 0.05mm --picture cycles.svg
      tiepoint study pose cycles.csv --angles zyx-intrinsic-deg --json
    """
    from tiepoint.documents.grid import read_grid
    from tiepoint.report.pose_picture import pose_picture
    from tiepoint.station.study_tables import XYZ, cycles
    from tiepoint.studies.pose import study_pose

    demand_drawing(picture)
    u_mm = if_typed(positive_mm, "--u", u)
    limits = if_typed(positive_mm, "--most-ap", most_ap), if_typed(positive_mm, "--most-rp", most_rp)
    study = study_pose(cycles(read_grid(data, XYZ[:2]), angles), u_mm=u_mm, most_ap_mm=limits[0], most_rp_mm=limits[1])
    draw = partial(pose_picture, study, *limits)
    answer(study, "pose", _lines(study), picture, draw, as_json, Kept(station, data, of))


# --- the answer ----------------------------------------------------------------------------------------------------


def _lines(study: "PoseStudy") -> Iterator[str]:
    yield from table([("pose", "cycles", "AP mm", "RP mm", "AP turn °", "RP turn °"), *map(_row, study.poses)])
    yield untold(study.checks)


def _row(p: "PoseFigures") -> tuple[str, ...]:
    from tiepoint.studies.figure import told

    ap = "not commanded" if p.ap is None else told(p.ap)
    turn_ap = ", ".join(f"{v:.3g}" for v in p.turn_ap_deg) or "–"
    turn_rp = ", ".join(f"{f.value:.3g}" for f in p.turn_rp_deg) or "–"
    return p.name, str(p.n), ap, told(p.rp), turn_ap, turn_rp
