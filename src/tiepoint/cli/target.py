"""`tiepoint target`: draw a printed target, or describe one that others printed, and say what its print measured."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from tiepoint.cli.answer import Answer, Json, group, help_alone, present
from tiepoint.cli.load import demand_like, demand_own
from tiepoint.cli.typed import positive_mm
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.targets.draw import Target

app = group("target")


@app.callback(invoke_without_command=True)
def _target(context: typer.Context) -> None:
    """Draw targets, describe those that others printed, and say what the print measured."""
    help_alone(context)


Pattern = Annotated[
    Literal["charuco", "checker", "dots"],
    typer.Option(
        "--pattern",
        metavar="charuco|checker|dots",
        help="charuco may overfill the picture; checker and dots must lie in it whole.",
    ),
]
Pitch = Annotated[
    str, typer.Option("--pitch", metavar="LENGTH", help="From one square, or dot, to the next: a square's side.")
]
Columns = Annotated[
    int,
    typer.Option(
        "--columns",
        metavar="N",
        help="Along the lower edge. charuco, checker: squares, dark and light ones, one more than inner corners. dots: "
        "dots.",
    ),
]
Rows = Annotated[int, typer.Option("--rows", metavar="N", help="Along the left edge, counted likewise.")]
Material = Annotated[
    Literal["paper", "film", "glass", "steel", "aluminium"] | None,
    typer.Option(
        "--material",
        metavar="NAME",
        help="What bears it: paper, film, glass, steel or aluminium; without it paper, or what was said before.",
    ),
]


@app.command()
def draw(
    pattern: Pattern,
    pitch: Pitch,
    columns: Columns,
    rows: Rows,
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
    from tiepoint.documents.files import write_together
    from tiepoint.station.printed_targets import files_of
    from tiepoint.targets import sheet
    from tiepoint.targets.document import to_document
    from tiepoint.targets.draw import new_target

    _demand_unmeasured(out / "target.json")
    demand_like(out / "target.pdf", b"%PDF-", "PDF")
    demand_like(out / "target.svg", b"<svg", "SVG")
    target = new_target(pattern, positive_mm("--pitch", pitch), columns, rows)
    page, content = sheet.page(target, paper), to_document(target)
    files = {out / name: data for name, data in files_of(target, paper).items()}
    write_together(files)
    width, height = target.size_mm
    lines = (
        f"Print {out / 'target.pdf'} at 100 %: {columns} × {rows} of {target.pitch_mm:g} mm make "
        f"{width:g} × {height:g} mm, on a page of {page.width_mm:.0f} × {page.height_mm:.0f} mm.",
        f"Then measure the bars, nominally {target.bar_x_mm:g} mm along the lower edge and {target.bar_y_mm:g} mm "
        "along the left one, with `tiepoint target measure`.",
    )
    present(Answer({"files": [str(path) for path in files], "target": content}, lines), as_json)


def _demand_unmeasured(path: Path) -> None:
    """Refuse to replace what is no target, or one whose bars were measured: that print could never be used again."""
    from tiepoint.documents.files import read_document
    from tiepoint.foundation.errors import TiepointError

    demand_own(path, "target")
    if not path.is_file():
        return
    try:
        measured = read_document(path, "target").get("measured")
    except TiepointError:  # empty, or of a newer version
        return
    if measured is not None:
        raise UnusableInput(f"{path} holds the measurement of a print; choose another folder, or delete it")


@app.command()
def describe(
    pattern: Pattern,
    pitch: Pitch,
    columns: Columns,
    rows: Rows,
    out: Annotated[Path, typer.Option("--out", metavar="TARGET.json", help="Where the description is written.")],
    family: Annotated[
        str | None,
        typer.Option("--family", metavar="NAME", help="charuco: its family of markers, as in 6x6_250."),
    ] = None,
    marker: Annotated[
        str | None,
        typer.Option("--marker", metavar="LENGTH", help="charuco: a marker's side, its dark border included."),
    ] = None,
    first_id: Annotated[
        int | None,
        typer.Option("--first-id", metavar="N", help="charuco: the number of its top left marker; without it 0."),
    ] = None,
    dot: Annotated[
        str | None,
        typer.Option("--dot", metavar="LENGTH", help="dots: a dot's diameter; without it half the pitch."),
    ] = None,
    white_first: Annotated[
        bool, typer.Option("--white-first", help="charuco, checker: the top left square is white, not dark.")
    ] = False,
    marked: Annotated[
        bool, typer.Option("--marked", help="checker, dots: it bears the mark at its origin that `target draw` makes.")
    ] = False,
    bar_x: Annotated[
        str | None,
        typer.Option("--bar-x", metavar="LENGTH", help="Nominal length of its ruler bar along x, where it has one."),
    ] = None,
    bar_y: Annotated[
        str | None, typer.Option("--bar-y", metavar="LENGTH", help="Nominal length of its ruler bar along y.")
    ] = None,
    material: Material = None,
    as_json: Json = False,
) -> None:
    """Describe a target that was printed elsewhere: write its target.json.

    Hold it so that the origin is at the lower left: a charuco with its first marker in the top row. Boards of OpenCV
    from 4.6 on begin with a dark square at the top left; older charucos with an even number of rows begin with a white
    one. Without ruler bars the pattern itself is measured, and the answer says from where to where.

    \b
      tiepoint target describe --pattern checker --pitch 30mm --columns 10 --rows 7 --out board.json
      tiepoint target describe --pattern charuco --pitch 40mm --columns 5 --rows 7 --family 6x6_250 --marker 20mm --out board.json
      tiepoint target describe --pattern dots --pitch 12mm --columns 11 --rows 9 --dot 6mm --out grid.json
    """  # noqa: E501  # an example is copied whole
    from tiepoint.documents.files import write_document
    from tiepoint.targets.document import to_document
    from tiepoint.targets.draw import new_target, own_lengths
    from tiepoint.targets.paper import borne_by

    _demand_unmeasured(out)
    given = {"--family": family, "--marker": marker, "--first-id": first_id, "--dot": dot}
    _check_parts(pattern, {**given, "--white-first": white_first or None, "--marked": marked or None})
    pitch_mm, bars = positive_mm("--pitch", pitch), _bars(bar_x, bar_y)
    side = marker if pattern == "charuco" else dot
    target = new_target(
        pattern,
        pitch_mm,
        columns,
        rows,
        family=_family(family),
        share=_share("--marker" if pattern == "charuco" else "--dot", side, pattern, pitch_mm),
        first_dark=not white_first,
        marked=marked,
        first_id=first_id or 0,
        bars_mm=bars or own_lengths(pattern, pitch_mm, columns, rows),
    )
    target = borne_by(target, material or target.material)
    content = to_document(target)
    write_document(out, "target", content)
    lines = tuple(_described(target, has_bars=bars is not None))
    present(Answer(content, lines, hints=(f"The description is in {out}.",)), as_json)


_PARTS = {
    "charuco": ("--family", "--marker", "--first-id", "--white-first"),
    "checker": ("--white-first", "--marked"),
    "dots": ("--dot", "--marked"),
}
_NEEDED = {"charuco": ("--family", "--marker")}


def _check_parts(pattern: str, given: dict[str, object]) -> None:
    """Raise `UnusableInput` for an option that does not belong to the pattern, or one that it needs and lacks."""
    for name, value in given.items():
        if value is not None and name not in _PARTS[pattern]:
            raise UnusableInput(f"{name} does not belong to a {pattern}; it takes {', '.join(_PARTS[pattern])}")
        if value is None and name in _NEEDED.get(pattern, ()):
            raise UnusableInput(f"a {pattern} needs {' and '.join(_NEEDED[pattern])}: they are what it is known by")


def _family(name: str | None) -> str | None:
    """Return a family of markers as a target names it; `DICT_6X6_250` is taken too."""
    from tiepoint.targets.draw import FAMILIES

    if name is None:
        return None
    plain = name.lower().removeprefix("dict_")
    if plain not in FAMILIES:
        raise UnusableInput(f"--family is {name}, which is not known; use one of {', '.join(FAMILIES)}")
    return plain


def _share(option: str, side: str | None, pattern: str, pitch_mm: float) -> float | None:
    """Return a marker's side, or a dot's radius, over the pitch."""
    if side is None:
        return None
    share = positive_mm(option, side) / pitch_mm
    if share >= 1:
        raise UnusableInput(f"{option} is {side} and the pitch {pitch_mm:g} mm: it must be smaller than the pitch")
    return share if pattern == "charuco" else share / 2


def _bars(bar_x: str | None, bar_y: str | None) -> tuple[float, float] | None:
    if bar_x is None and bar_y is None:
        return None
    if bar_x is None or bar_y is None:
        raise UnusableInput("one ruler bar stands without the other; give both --bar-x and --bar-y, or neither")
    return positive_mm("--bar-x", bar_x), positive_mm("--bar-y", bar_y)


def _described(target: "Target", *, has_bars: bool) -> Iterator[str]:
    """Yield what was described, to be compared with the board in hand, and how its print is measured."""
    x, y = target.bar_x_mm, target.bar_y_mm
    counted = f"{target.columns} × {target.rows}"
    if target.pattern == "dots":
        yield f"It has {counted} dots, {target.pitch_mm:g} mm from one to the next."
        ends = (
            "from the left edge of its first dot to the left edge of its last one ({x})",
            "lower edges likewise ({y})",
        )
    else:
        inner = f"{target.columns - 1} × {target.rows - 1}"
        first = "dark" if target.layout.first_dark else "white"
        yield f"It has {counted} squares of {target.pitch_mm:g} mm, {inner} inner corners; the top left one is {first}."
        ends = (
            "in a row that begins with a dark square, from that square's left edge to the last dark one's ({x})",
            "in such a column from lower edge to lower edge ({y})",
        )
    if has_bars:
        yield f"Measure its bars, nominally {x:g} mm and {y:g} mm, with `tiepoint target measure`."
        return
    along_x, along_y = (end.format(x=f"nominally {x:g} mm", y=f"nominally {y:g} mm") for end in ends)
    yield (
        f"It has no ruler bars. Measure along x {along_x}, and along y {along_y}; tell `tiepoint target measure` as if "
        "these were bars."
    )


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
    material: Material = None,
    as_json: Json = False,
) -> None:
    """Say what the ruler bars of the print measured, with what, and how sure you are.

    Read from an edge of one end line to the same edge of the other: ink spreads to both sides.
    Both axes are corrected by it; what is left uncertain becomes a source of every tie that this print makes. The
    print is not traceable unless the instrument is.

    \b
      tiepoint target measure target/target.json --bar-x 199.4mm --bar-y 139.7mm --u 0.1mm --with "rule no 12"
    """
    from tiepoint.cli.load import load_target
    from tiepoint.cli.told import plain
    from tiepoint.documents.files import write_document
    from tiepoint.station.ledger_chain import utc_now
    from tiepoint.station.printed_targets import told_scale
    from tiepoint.targets.document import to_document
    from tiepoint.targets.paper import apply_measure, borne_by, exchange_goes_unseen

    if not with_.strip():
        raise typer.BadParameter("--with is empty; name the rule or the calliper")
    lengths = positive_mm("--bar-x", bar_x), positive_mm("--bar-y", bar_y), positive_mm("--u", u)
    target = load_target(target_file)
    target = apply_measure(borne_by(target, material or target.material), *lengths, with_, utc_now())
    content = to_document(target)
    write_document(target_file, "target", content)
    *lines, last = [plain(sentence) for sentence in told_scale(target)]
    warning = (last,) if exchange_goes_unseen(target) else ()
    said = tuple(lines) if warning else (*lines, last)
    present(Answer(content, said, hints=(*warning, f"Noted in {target_file}.")), as_json)
