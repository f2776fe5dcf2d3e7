"""`tiepoint tie`: the ways to tie pixels to millimetres, and what can be asked of a tie."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from tiepoint.cli.answer import Answer, Json, group, help_alone, present, table
from tiepoint.cli.load import demand_own, load_camera, load_photo, load_target, load_tie, naming, read_columns
from tiepoint.cli.made import Height, Out, Tolerance, finish
from tiepoint.cli.options import CameraFile, TargetFile
from tiepoint.cli.probe import TieFile, probe
from tiepoint.cli.typed import if_typed, length_mm, not_negative_mm, point_px, positive_mm
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station import tying

if TYPE_CHECKING:
    from tiepoint.foundation.sources import Value
    from tiepoint.targets.draw import Target
    from tiepoint.ties.camera import CameraModel

Distance = Annotated[
    str | None, typer.Option("--distance", metavar="LENGTH", help="From the lens to the plane of the tie.")
]
UDistance = Annotated[str | None, typer.Option("--u-distance", metavar="LENGTH", help="Its standard uncertainty.")]

app = group("tie")
app.command()(probe)


@app.callback(invoke_without_command=True)
def _tie(context: typer.Context) -> None:
    """Tie pixels to millimetres, and ask a tie."""
    help_alone(context)


@app.command("target")
def by_target(
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO...", help="A photo of the target; several repeat the same pose.")
    ],
    target_file: TargetFile,
    out: Out,
    camera: CameraFile = None,
    height: Height = "0mm",
    distance: Distance = None,
    u_distance: UDistance = None,
    tolerance: Tolerance = None,
    as_json: Json = False,
) -> None:
    """Tie by a photo of a printed target.

    The lens model is the simplest that the corners support. Each corner is predicted once by the others, and that
    error, not the fit's own, is what the tie states. With --tolerance it says whether it is good for that, and what
    would help most. How far the lens stands from the target need not be exact: it serves the bow of the page and
    `tie move`.

    TARGET.json is written by `tiepoint target draw`; for a board that was printed elsewhere, a chessboard of a
    library say, `tiepoint target describe` writes it.

    \b
      tiepoint tie target photo.png --target target/target.json --tolerance 0.05mm --out tie.json
    """
    from tiepoint.foundation.sources import constant

    demand_own(out, "tie", *photos, target_file, camera)
    target, seen = load_target(target_file), [load_photo(photo) for photo in photos]
    up, away = constant(length_mm("--height", height)), _distance(seen[0].sha[:12], distance, u_distance)
    with naming(target, target_file):
        tie = tying.by_target(seen, target, height=up, distance=away, camera=load_camera(camera))
    hints = tuple(hint for photo in seen for hint in photo.hints)
    finish(tie, out, tolerance, as_json, hints=(*hints, *_not_measured(target_file, target)))


def _not_measured(target_file: Path, target: "Target") -> tuple[str, ...]:
    """Return what to do about a print whose bars nobody measured."""
    if target.measured is not None:
        return ()
    return (
        "The bars were not measured, so ± takes a print at 100 %, and whether it is one is not known. Nominally they "
        f"are {target.bar_x_mm:g} mm along the lower edge and {target.bar_y_mm:g} mm along the left one; say what they "
        f"are: tiepoint target measure {target_file} --bar-x … --bar-y … --u … --with …",
    )


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

    demand_own(out, "tie", photo)
    seen = load_photo(photo)
    ends = point_px("--from", start), point_px("--to", end)
    mm, u_mm = positive_mm("--length", known), if_typed(not_negative_mm, "--u", u)
    up = constant(length_mm("--height", height))
    tie = tying.by_length(seen, ends, tying.known_length(mm, u_mm, seen.sha), height=up).tie
    turned = "Read --from and --to off a viewer that does not turn it."
    hints = (*seen.hints, turned) if seen.is_shown_turned else seen.hints
    finish(tie, out, tolerance, as_json, hints=hints)


@app.command()
def pairs(
    table: Annotated[Path, typer.Argument(metavar="PAIRS.csv", help="A table with from_x, from_y, to_x, to_y.")],
    out: Out,
    unit: Annotated[str, typer.Option("--unit", metavar="UNIT", help="The unit of lengths in the table: mm, in, um.")],
    from_frame: Annotated[
        Literal["image", "plane"],
        typer.Option("--from", metavar="image|plane", help="Where from_x, from_y are: pixels, or the plane."),
    ] = "image",
    to_frame: Annotated[
        Literal["plane", "robot"],
        typer.Option("--to", metavar="plane|robot", help="Where to_x, to_y are: the plane, or the robot's frame."),
    ] = "plane",
    model: Annotated[
        Literal["auto", "rigid", "similarity", "affine", "projective"],
        typer.Option(
            "--model",
            metavar="auto|rigid|similarity|affine|projective",
            help="What may lie between the two; auto takes what leaves least at unseen points.",
        ),
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

    demand_own(out, "tie", table)
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


@app.command()
def views(
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO...", help="Photos of the target, held at different angles.")
    ],
    target_file: TargetFile,
    out: Annotated[Path, typer.Option("--out", metavar="CAMERA.json", help="Where the camera is written.")],
    as_json: Json = False,
) -> None:
    """Find the whole camera from several views of a target.

    Lean the target by 20 to 40 degrees in different directions, eight times or more, and fill the picture. A view that
    does not belong to the others is named and left out. The camera serves `tie target` and `tie move`.

    \b
      tiepoint tie views views/*.png --target target/target.json --out camera.json
    """
    from tiepoint.documents.files import write_document
    from tiepoint.ties.camera import camera_to_document
    from tiepoint.ties.views import camera_by_photos

    demand_own(out, "camera", *photos, target_file)
    target, seen = load_target(target_file), [load_photo(photo) for photo in photos]
    with naming(target, target_file):
        camera = camera_by_photos([photo.grey for photo in seen], target, [photo.name for photo in seen])
    content = camera_to_document(camera)
    write_document(out, "camera", content)
    names = ("id", "model", "focal_px", "rms_px", "chi2_per_dof", "dof", "size_px", "views", "flags", "notes")
    document = {"out": str(out), "u_focal_px": camera.u_focal_px, "bad_views": list(camera.bad_views)}
    told = {**document, **{name: content[name] for name in names}}
    hints = (*(hint for photo in seen for hint in photo.hints), f"The camera is in {out}.")
    present(Answer(told, tuple(_camera_lines(camera)), hints=hints), as_json)


def _camera_lines(camera: "CameraModel") -> Iterator[str]:
    from tiepoint.cli.told import figures, plain
    from tiepoint.foundation.rounding import with_unit
    from tiepoint.foundation.sources import coverage_factor

    U = coverage_factor(0.975, camera.dof) * camera.u_focal_px
    yield f"Focal length {plain(with_unit(camera.focal_px, U, 'px'))}; model {camera.model}."
    used = [view for view in camera.views if not view.bad]
    yield f"{len(used)} views agree within {figures(camera.rms_px)} px (rms of their corners)."
    for bad in camera.bad_views:
        yield f"{bad} does not belong to the others, and was left out."
    rows = [("view", "corners", "rms px", "left out", "tilt", "distance", "")]
    rows += [
        (
            view.photo,
            str(view.corners),
            figures(view.rms_px),
            figures(view.left_out_rms_px),
            f"{view.tilt_deg:.0f}°",
            f"{view.distance_mm:.0f} mm",
            "bad" if view.bad else "",
        )
        for view in camera.views
    ]
    yield from table(rows, frozenset({1, 2, 3, 4, 5}))
    yield from camera.notes


@app.command()
def move(
    tie_file: TieFile,
    height: Annotated[str, typer.Option("--height", metavar="LENGTH", help="Height of the plane to move to.")],
    u_height: Annotated[str, typer.Option("--u-height", metavar="LENGTH", help="Its standard uncertainty.")],
    out: Out,
    camera: CameraFile = None,
    distance: Distance = None,
    u_distance: UDistance = None,
    as_json: Json = False,
) -> None:
    """Move a tie to another height.

    A part whose upper face lies 12 mm above the target's plane, 400 mm from the lens, is seen 3 % larger: more than
    anything else at most stations. Where neither the camera nor its distance is known, this is refused.

    \b
      tiepoint tie move tie.json --height 12mm --u-height 0.1mm --camera camera.json --out tie-12mm.json
      tiepoint tie move tie.json --height 12mm --u-height 0.1mm --distance 400mm --u-distance 5mm --out tie-12mm.json
    """
    from tiepoint.ties.move import move as move_tie

    demand_own(out, "tie", tie_file, camera)
    tie = load_tie(tie_file)
    u = not_negative_mm("--u-height", u_height)
    to = tying.stated(f"height:{tie.id}:{height}", "Height of the plane", length_mm("--height", height), u)
    moved = move_tie(tie, to, camera=load_camera(camera), distance=_distance(tie.id, distance, u_distance))
    finish(moved, out, None, as_json)


def _distance(of: str, distance: str | None, u_distance: str | None) -> "Value | None":
    if distance is None:
        if u_distance is not None:
            raise UnusableInput("--u-distance stands without --distance; give both")
        return None
    if u_distance is None:
        raise UnusableInput("--distance stands without its uncertainty; give --u-distance too")
    mm, u = positive_mm("--distance", distance), not_negative_mm("--u-distance", u_distance)
    return tying.stated_distance(of, mm, u)
