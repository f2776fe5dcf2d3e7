"""`tiepoint tie`: the ways to tie pixels to millimetres, and what can be asked of a tie."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from tiepoint.cli.answer import Json, group, help_alone
from tiepoint.cli.load import read_columns
from tiepoint.cli.made import Height, Out, Tolerance, finish
from tiepoint.cli.probe import probe
from tiepoint.cli.typed import length_mm

app = group("tie")
app.command()(probe)


@app.callback(invoke_without_command=True)
def _tie(context: typer.Context) -> None:
    """Tie pixels to millimetres, and ask a tie."""
    help_alone(context)


@app.command()
def pairs(
    table: Annotated[Path, typer.Argument(metavar="PAIRS.csv", help="A table with from_x, from_y, to_x, to_y.")],
    out: Out,
    unit: Annotated[str, typer.Option("--unit", metavar="UNIT", help="The unit of lengths in the table: mm, in, um.")],
    from_frame: Annotated[
        Literal["image", "plane"], typer.Option("--from", help="Where from_x, from_y are: pixels, or the plane.")
    ] = "image",
    to_frame: Annotated[
        Literal["plane", "robot"], typer.Option("--to", help="Where to_x, to_y are: the plane, or the robot's frame.")
    ] = "plane",
    model: Annotated[
        Literal["auto", "rigid", "similarity", "affine", "projective"],
        typer.Option("--model", help="What may lie between the two; auto takes what leaves least at unseen points."),
    ] = "auto",
    height: Height = "0mm",
    tolerance: Tolerance = None,
    as_json: Json = False,
) -> None:
    """Tie by points that are known in both frames, typed or touched.

    Exchanged axes, an inch for a millimetre, a wrong sign, mirrored sets, exchanged and mistyped rows are named with
    their row and with what would repair them; nothing is repaired silently. Each point is predicted once by the
    others, and that error is what the tie states.

    For a robot: touch the points in reduced-speed manual mode with the enabling device in hand (ISO 10218). A tie
    that is not good means no move.

    \b
      tiepoint tie pairs pairs.csv --unit mm --tolerance 0.2mm --out tie.json
      tiepoint tie pairs touched.csv --unit mm --from plane --to robot --out robot.json
    """
    from tiepoint.foundation.sources import constant
    from tiepoint.ties.pairs import tie_by_pairs

    numbers = read_columns(table, ("from_x", "from_y", "to_x", "to_y"), most_rows=1000)
    made = tie_by_pairs(
        [row[:2] for row in numbers.values],
        [row[2:] for row in numbers.values],
        from_frame=from_frame,
        to_frame=to_frame,
        model=model,
        height=constant(length_mm("--height", height)),
        unit=unit,
        texts=numbers.texts,
    )
    finish(made.tie, out, tolerance, as_json, hints=tuple(f.sentence for f in made.diagnosis.findings))
