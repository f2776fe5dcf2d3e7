"""`tiepoint tie`: the ways to tie pixels to millimetres, and what can be asked of a tie."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from tiepoint.cli.answer import Json, group, help_alone
from tiepoint.cli.load import load_photo, read_columns
from tiepoint.cli.made import Height, Out, Tolerance, finish
from tiepoint.cli.probe import probe
from tiepoint.cli.typed import length_mm, not_negative_mm, point_px, positive_mm

if TYPE_CHECKING:
    from tiepoint.foundation.sources import Value

app = group("tie")
app.command()(probe)


@app.callback(invoke_without_command=True)
def _tie(context: typer.Context) -> None:
    """Tie pixels to millimetres, and ask a tie."""
    help_alone(context)


@app.command()
def length(
    photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="A picture file, or a shot's folder.")],
    start: Annotated[str, typer.Option("--from", metavar="X,Y", help="One end of the known length, in pixels.")],
    end: Annotated[str, typer.Option("--to", metavar="X,Y", help="Its other end.")],
    known: Annotated[str, typer.Option("--length", metavar="LENGTH", help="How long it is.")],
    out: Out,
    u: Annotated[str | None, typer.Option("--u", metavar="LENGTH", help="Standard uncertainty of that length.")] = None,
    height: Height = "0mm",
    tolerance: Tolerance = None,
    as_json: Json = False,
) -> None:
    """Tie by one known length in the picture.

    Each end is snapped to the edge or corner under it, and a length between two edges is taken square to them. One
    length knows the scale where it lies and nothing else: tilt, unequal axes and lens distortion are bounded, and
    the tie says how much they leave open elsewhere.

    \b
      tiepoint tie length photo.png --from 310,870 --to 1990,884 --length 84mm --u 0.02mm --out tie.json
    """
    from tiepoint.foundation.sources import constant
    from tiepoint.ties.length import tie_by_length

    seen = load_photo(photo)
    ends = point_px("--from", start), point_px("--to", end)
    made = tie_by_length(
        seen.grey,
        *ends,
        _known(positive_mm("--length", known), u, seen.sha),
        sensor=seen.sensor,
        height=constant(length_mm("--height", height)),
        photos=(seen.sha,),
    )
    turned = (
        f"{photo} asks viewers to turn it, and tiepoint counts pixels as stored: read --from and --to off a viewer "
        "that does not turn it."
    )
    finish(made.tie, out, tolerance, as_json, hints=(turned,) if seen.shown_turned else ())


def _known(mm: float, u: str | None, photo_sha: str) -> "Value | float":
    """Return the known length; without a u the tie assumes one and says so."""
    from tiepoint.foundation.sources import Source, measured

    if u is None:
        return mm
    source = Source(f"length:{photo_sha[:12]}:{mm:.9g}", "The known length", "B", not_negative_mm("--u", u), "tie")
    return measured(mm, source)


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
