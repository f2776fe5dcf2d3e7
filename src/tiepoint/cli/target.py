"""`tiepoint target`: draw a printed target, and say what its print measured."""

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from tiepoint.cli.answer import Answer, Json, group, help_alone, present
from tiepoint.cli.typed import positive_mm

if TYPE_CHECKING:
    from tiepoint.targets.draw import Target

app = group("target")


@app.callback(invoke_without_command=True)
def _target(context: typer.Context) -> None:
    """Draw printed targets, and say what the print measured."""
    help_alone(context)


@app.command()
def draw(
    pattern: Annotated[
        Literal["charuco", "checker", "dots"],
        typer.Option(
            "--pattern",
            metavar="charuco|checker|dots",
            help="charuco may overfill the picture; checker and dots must lie in it whole.",
        ),
    ],
    pitch: Annotated[str, typer.Option("--pitch", metavar="LENGTH", help="From one square, or dot, to the next.")],
    columns: Annotated[int, typer.Option("--columns", metavar="N", help="Squares, or dots, along the lower edge.")],
    rows: Annotated[int, typer.Option("--rows", metavar="N", help="Squares, or dots, along the left edge.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="The folder for the three files.")],
    paper: Annotated[
        str | None,
        typer.Option(
            "--paper", metavar="NAME", help="A paper such as A4 or letter; without it the page fits the target."
        ),
    ] = None,
    as_json: Json = False,
) -> None:
    """Draw a target as true-scale PDF and SVG, and write its target.json.

    Print it at 100 % and measure both ruler bars afterwards: printers scale a little, and differently along and
    across. Choose a pitch that is at least 20 px wide in the picture, and enough of them to fill it.

    \b
      tiepoint target draw --pattern charuco --pitch 10mm --columns 17 --rows 12 --paper A4 --out target
      tiepoint target draw --pattern dots --pitch 0.5mm --columns 20 --rows 15 --out small
    """
    from tiepoint.documents.files import document_bytes, write_together
    from tiepoint.targets import sheet
    from tiepoint.targets.document import to_document
    from tiepoint.targets.draw import new_target

    target = new_target(pattern, positive_mm("--pitch", pitch), columns, rows)
    page, content = sheet.page(target, paper), to_document(target)
    files = {
        out / "target.pdf": sheet.pdf(target, paper),
        out / "target.svg": sheet.svg(target, paper).encode(),
        out / "target.json": document_bytes("target", content),
    }
    write_together(files)
    width, height = target.size_mm
    lines = (
        f"Print {out / 'target.pdf'} at 100 %: {columns} × {rows} of {target.pitch_mm:g} mm make "
        f"{width:g} × {height:g} mm, on a page of {page.width_mm:.0f} × {page.height_mm:.0f} mm.",
        f"Then measure the bars, nominally {target.bar_x_mm:g} mm along the lower edge and {target.bar_y_mm:g} mm "
        "along the left one, with `tiepoint target measure`.",
    )
    present(Answer({"files": [str(path) for path in files], "target": content}, lines), as_json)


@app.command()
def measure(
    target_file: Annotated[Path, typer.Argument(metavar="TARGET.json", help="The target's document; it is renewed.")],
    bar_x: Annotated[
        str, typer.Option("--bar-x", metavar="LENGTH", help="What the bar along the lower edge measured.")
    ],
    bar_y: Annotated[str, typer.Option("--bar-y", metavar="LENGTH", help="What the bar along the left edge measured.")],
    u: Annotated[str, typer.Option("--u", metavar="LENGTH", help="Standard uncertainty of one of these lengths.")],
    with_: Annotated[
        str, typer.Option("--with", metavar="NAME", help="What they were measured with: the same name, the same rule.")
    ],
    as_json: Json = False,
) -> None:
    """Say what the ruler bars of the print measured, with what, and how sure you are.

    Read from the middle of one end line to the middle of the other; left edge to left edge is the same length, and
    easier to read.
    Both axes are corrected by it; what is left uncertain becomes a source of every tie that this print makes. The
    print is not traceable unless the instrument is.

    \b
      tiepoint target measure target/target.json --bar-x 199.4mm --bar-y 139.7mm --u 0.1mm --with "rule no 12"
    """
    from tiepoint.cli.load import load_target
    from tiepoint.documents.files import write_document
    from tiepoint.targets.document import to_document
    from tiepoint.targets.paper import apply_measure

    if not with_.strip():
        raise typer.BadParameter("--with is empty; name the rule or the calliper")
    when = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    lengths = positive_mm("--bar-x", bar_x), positive_mm("--bar-y", bar_y), positive_mm("--u", u)
    target = apply_measure(load_target(target_file), *lengths, with_, when)
    content = to_document(target)
    write_document(target_file, "target", content)
    present(Answer(content, tuple(_measured(target)), hints=(f"Noted in {target_file}.",)), as_json)


def _measured(target: "Target") -> list[str]:
    from tiepoint.cli.told import figures, plain
    from tiepoint.report.figures import with_unit
    from tiepoint.targets.paper import print_scale

    scale = print_scale(target)
    lines = []
    for k, (axis, bar) in enumerate((("x", target.bar_x_mm), ("y", target.bar_y_mm))):
        off = scale[k]
        per_cent = plain(with_unit(100 * abs(off.value - 1), 100 * off.U95, "%"))
        way = "larger" if off.value > 1 else "smaller"
        lines.append(
            f"Along {axis} the print is {per_cent} {way} than drawn: over {bar:g} mm that is "
            f"{figures(abs(off.value - 1) * bar)} mm, and it is now corrected."
        )
    return lines
