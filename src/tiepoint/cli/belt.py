"""`tiepoint belt`: how far a belt goes in a count, and where to."""

import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from tiepoint.cli.answer import Answer, Json, present
from tiepoint.cli.load import demand_own, read_columns
from tiepoint.cli.typed import not_negative_mm, positive_mm
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.ties.belt import Belt


def belt(
    counts: Annotated[
        Path, typer.Argument(metavar="COUNTS.csv", help="One mark seen twice or more: the columns count, x_mm, y_mm.")
    ],
    wrap: Annotated[
        int | None, typer.Option("--wrap", metavar="N", help="Counts after which the counter begins anew, as in 65536.")
    ] = None,
    u: Annotated[
        str | None, typer.Option("--u", metavar="LENGTH", help="Standard uncertainty of one coordinate of a place.")
    ] = None,
    frame: Annotated[
        Literal["plane", "robot"],
        typer.Option(
            "--frame", metavar="plane|robot", help="Where x_mm and y_mm are: the plane, or the robot's frame."
        ),
    ] = "plane",
    distance: Annotated[
        str | None, typer.Option("--distance", metavar="LENGTH", help="Along the belt from the camera to the robot.")
    ] = None,
    pitch: Annotated[
        str | None, typer.Option("--pitch", metavar="LENGTH", help="From one part to the next along the belt.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="BELT.json", help="Where the belt is written.")] = None,
    as_json: Json = False,
) -> None:
    """Tell how far a belt goes in one count of its encoder, and in which direction.

    Put one mark on the belt, and take its place and the count twice or more while the belt carries it as far as the
    camera sees. A row that does not belong to the others is named, from four rows on, and nothing is made of it. With
    --distance it says how far off the way's length and its direction may be at the robot, and with --pitch too how many
    parts are under way at a time.

    \b
      tiepoint belt counts.csv --u 0.05mm --distance 900mm --pitch 100mm --out belt.json
    """
    from tiepoint.ties import belt as belts

    if out is not None:
        demand_own(out, "belt", counts)
    if pitch is not None and distance is None:
        raise UnusableInput("--pitch stands without --distance; give both to count the parts under way")
    far = None if distance is None else positive_mm("--distance", distance)
    apart = None if pitch is None else positive_mm("--pitch", pitch)
    u_mm = None if u is None else not_negative_mm("--u", u)
    belt_id, found = _made(counts, u_mm, wrap, frame)
    flying = None if far is None or apart is None else belts.parts_in_flight(far, apart)
    content = belts.to_document(found, belt_id)
    if out is not None:
        from tiepoint.documents.files import write_document

        write_document(out, "belt", content)
    said = {**_document(found, far, flying), "id": belt_id, "out": None if out is None else str(out)}
    hints = () if out is None else (f"The belt is in {out}.",)
    present(Answer(said, tuple(_lines(found, far, apart, flying)), hints=hints), as_json)


def _made(path: Path, u_mm: float | None, wrap: int | None, frame: str) -> "tuple[str, Belt]":
    """Return the belt of a table, and an id that the same rows always give."""
    from tiepoint.documents.canonical import sha256
    from tiepoint.ties.belt import belt_of

    rows = read_columns(path, ("count", "x_mm", "y_mm"), most_rows=10_000).values
    told = {"rows": [list(row) for row in rows], "u_mm": u_mm, "wrap": wrap, "frame": frame}
    belt_id = f"belt-{sha256(told)[:12]}"
    return belt_id, belt_of([r[0] for r in rows], [r[1:] for r in rows], belt_id, u_mm, wrap, frame)


def _aside(found: "Belt", distance_mm: float) -> tuple[float, float]:
    """Return the half-widths of the 95 % intervals of a place after a way: along the belt, and across."""
    x, y = found.velocity.value
    way = math.hypot(x, y)
    count = distance_mm / way
    along = found.velocity[0].times(x / way).plus(found.velocity[1], y / way)
    across = found.velocity[0].times(-y / way).plus(found.velocity[1], x / way)
    return along.U95 * count, across.U95 * count


def _document(found: "Belt", distance_mm: float | None, flying: int | None) -> dict[str, Any]:
    from tiepoint.documents.values import value_document

    at = None if distance_mm is None else _aside(found, distance_mm)
    return {
        "mm_per_count": value_document(found.mm_per_count),
        "direction_deg": value_document(found.direction_rad, math.degrees(1.0)),
        "frame": found.frame,
        "wrap": found.wrap,
        "rows": found.rows,
        "scatter_mm": found.scatter_mm,
        "distance_mm": distance_mm,
        "U95_at_distance_mm": None if at is None else {"along": at[0], "across": at[1]},
        "parts_in_flight": flying,
    }


def _lines(found: "Belt", distance_mm: float | None, pitch_mm: float | None, flying: int | None) -> Iterator[str]:
    from tiepoint.cli.told import figures, mm, plain
    from tiepoint.foundation.rounding import with_unit

    turn = found.direction_rad
    direction = plain(with_unit(math.degrees(turn.value), math.degrees(turn.U95), "°")).replace(" °", "°")
    yield f"The belt goes {mm(found.mm_per_count)} in a count, at {direction} from the {found.frame}'s +x."
    if found.scatter_mm is not None:
        yield f"{found.rows} rows scatter by {figures(found.scatter_mm)} mm about their line."
    else:
        yield "Two rows alone: whether the mark was taken rightly shows nowhere; see it once more."
    if distance_mm is not None:
        along, across = _aside(found, distance_mm)
        yield (
            f"After {distance_mm:g} mm a part is known to ±{figures(along)} mm along the belt and ±{figures(across)} "
            "mm across, by the belt alone; see the mark over a longer way to make both smaller."
        )
    if flying is not None:
        yield f"At a pitch of {pitch_mm:g} mm, {flying} parts are under way at a time: each keeps its own count."
