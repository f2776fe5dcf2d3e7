"""`tiepoint study`: experiments that prove a station or a robot."""

import math
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from tiepoint.cli.answer import Json, group, help_alone, table
from tiepoint.cli.study_data import Kept, KeptIn, Of, Picture, answer, demand_drawing, untold
from tiepoint.cli.study_design import design
from tiepoint.cli.study_proofs import agreement, capability, lengths
from tiepoint.cli.study_values import linearity, rr, stability, type1
from tiepoint.cli.typed import ANGLES, positive_mm
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.foundation.frames import Pose3
    from tiepoint.studies.figure import Figure
    from tiepoint.studies.pose import Cycles, PoseFigures, PoseStudy

XYZ = ("x_mm", "y_mm", "z_mm")
ABC = ("a", "b", "c")

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
        Path, typer.Argument(metavar="DATA.csv", help="One row for each cycle: x_mm, y_mm and what else was measured.")
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
    of: Of = None,
    as_json: Json = False,
) -> None:
    """Tell how accurately and how repeatably a robot reaches a pose, in the manner of ISO 9283.

    DATA.csv has a row for each cycle, in the order in which they were made: x_mm, y_mm, and as far as they are known
    z_mm, a, b, c (with --angles) or turn_deg; pose, a name or a number, where there are several; and what was
    commanded, in commanded_x_mm, commanded_y_mm and so on, without which accuracy is not told. Measure the attained
    poses from outside: the robot's own display shows what it believes.

    With --most-ap or --most-rp the exit code is 1 unless the upper end of the 95 % interval keeps the limit.

    Let the robot move by its own programme, with nobody in its space; tiepoint never starts a motion.

    \b
      tiepoint study pose cycles.csv --u 0.005mm --most-rp 0.05mm --picture cycles.svg
      tiepoint study pose cycles.csv --angles zyx-intrinsic-deg --json
    """
    from tiepoint.report.pose_picture import pose_picture
    from tiepoint.studies.pose import study_pose

    demand_drawing(picture)
    limits = [None if t is None else positive_mm(o, t) for o, t in (("--most-ap", most_ap), ("--most-rp", most_rp))]
    u_mm = None if u is None else positive_mm("--u", u)
    study = study_pose(_read(data, angles), u_mm=u_mm, most_ap_mm=limits[0], most_rp_mm=limits[1])
    draw = partial(pose_picture, study, *limits)
    answer(study, "pose", _lines(study), picture, draw, as_json, Kept(station, data, of))


# --- the table -----------------------------------------------------------------------------------------------------


def _read(path: Path, angles: str | None) -> "list[Cycles]":
    from tiepoint.documents.files import read_text
    from tiepoint.documents.tables import column_names, read_names, read_numbers

    text = read_text(path)
    there = column_names(text, ("x_mm", "y_mm"), str(path))
    columns = _wanted(there, angles, str(path))
    rows = [dict(zip(columns, row, strict=True)) for row in read_numbers(text, columns, str(path)).values]
    names = read_names(text, "pose", str(path)) if "pose" in there else ("1",) * len(rows)
    groups: dict[str, list[dict[str, float]]] = {}
    for name, row in zip(names, rows, strict=True):
        groups.setdefault(_alike(name), []).append(row)
    return [_cycles(name, group, angles, path) for name, group in groups.items()]


def _alike(name: str) -> str:
    """Return one spelling of a pose's name: 1 and 1.0 are the same pose."""
    from tiepoint.documents.tables import plain_number

    number = plain_number(name)
    return name if number is None else f"{number:.12g}"


def _wanted(there: tuple[str, ...], angles: str | None, where: str) -> tuple[str, ...]:
    """Return the columns to be read: what is needed, and what the table holds besides."""
    from tiepoint.foundation.frames import CONVENTIONS

    if angles is not None and angles not in CONVENTIONS:
        raise UnusableInput(f"--angles {angles!r} is not known; use one of {', '.join(CONVENTIONS)}")
    places = [name for name in XYZ if name in there or name != "z_mm"]
    turns: list[str] = []
    if any(name in there for name in ABC):
        if angles is None:
            raise UnusableInput(f"{where} holds a, b, c; say with --angles what they mean: {', '.join(CONVENTIONS)}")
        turns = list(ABC)
    elif angles is not None:
        raise UnusableInput(f"--angles is given, but {where} has no columns a, b, c; add them or leave it out")
    elif "turn_deg" in there:
        turns = ["turn_deg"]
    commanded: list[str] = []
    for names in (places, turns):
        told = [f"commanded_{name}" for name in names]
        commanded += told if any(name in there for name in told) else []
    return (*places, *turns, *commanded)


def _cycles(name: str, rows: list[dict[str, float]], angles: str | None, path: Path) -> "Cycles":
    import numpy as np

    from tiepoint.studies.pose import Cycles, cycles_of

    places = [key for key in XYZ if key in rows[0]]
    xyz = [[row[key] for key in places] for row in rows]
    to = _commanded(rows, places, name, path)
    if angles is not None:
        poses = [_pose(row, "", angles) for row in rows]
        turns = _commanded(rows, list(ABC), name, path)
        return cycles_of(name, xyz, to, poses, None if turns is None else _pose(rows[0], "commanded_", angles))
    if "turn_deg" not in rows[0]:
        return cycles_of(name, xyz, to)
    turn = _commanded(rows, ["turn_deg"], name, path)
    about = rows[0]["turn_deg"] if turn is None else turn[0]
    small = np.array([[math.remainder(row["turn_deg"] - about, 360.0)] for row in rows])
    return Cycles(name, np.array(xyz), None if to is None else np.array(to), small, turn is not None)


def _commanded(rows: list[dict[str, float]], names: list[str], pose: str, path: Path) -> list[float] | None:
    """Return what was commanded, one and the same in all rows of a pose."""
    keys = [f"commanded_{name}" for name in names]
    if keys[0] not in rows[0]:
        return None
    for key in keys:
        if len(values := {row[key] for row in rows}) > 1:
            a, b = sorted(values)[:2]
            raise UnusableInput(
                f"{path}: {key} is {a:g} and {b:g} within pose {pose}; tell the poses apart in a column pose"
            )
    return [rows[0][key] for key in keys]


def _pose(row: dict[str, float], prefix: str, angles: str) -> "Pose3":
    from tiepoint.foundation.frames import AngleConvention, Pose3

    return Pose3.from_angles((0, 0, 0), [row[prefix + key] for key in ABC], cast("AngleConvention", angles))


# --- the answer ----------------------------------------------------------------------------------------------------


def _lines(study: "PoseStudy") -> Iterator[str]:
    yield from table([("pose", "cycles", "AP mm", "RP mm", "AP turn °", "RP turn °"), *map(_row, study.poses)])
    yield untold(study.checks)


def _row(p: "PoseFigures") -> tuple[str, ...]:
    ap = "not commanded" if p.ap is None else _told(p.ap)
    turn_ap = ", ".join(f"{v:.3g}" for v in p.turn_ap_deg) or "–"
    turn_rp = ", ".join(f"{f.value:.3g}" for f in p.turn_rp_deg) or "–"
    return p.name, str(p.n), ap, _told(p.rp), turn_ap, turn_rp


def _told(figure: "Figure") -> str:
    return f"{figure.value:.3g} ({figure.low:.3g} to {figure.high:.3g})"
