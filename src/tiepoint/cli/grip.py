"""`tiepoint grip`: teach a grip from a part that the robot holds, show what a shot gives, find where a tool turns."""

import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast, get_args

import typer

from tiepoint.cli.answer import Answer, Json, group, help_alone, hint_at, present
from tiepoint.cli.load import read_columns
from tiepoint.cli.options import RecipeTie, VariantsFile, VariantShown
from tiepoint.cli.typed import ANGLES, not_negative_mm
from tiepoint.documents.tables import plain_number
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.foundation.frames import AngleConvention
    from tiepoint.model.record import Grip
    from tiepoint.recipe.held import HeldGrip
    from tiepoint.recipe.runner import Job, Outcome
    from tiepoint.ties.rotation_centre import RotationCentre

RecipeFile = Annotated[Path, typer.Argument(metavar="RECIPE.toml", help="The recipe with the [[grip]].")]

app = group("grip")


@app.callback(invoke_without_command=True)
def _grip(context: typer.Context) -> None:
    """Teach and show where a robot grips a part."""
    help_alone(context)


@app.command()
def show(
    recipe: RecipeFile,
    shot: Annotated[Path, typer.Argument(metavar="SHOT", help="A picture, or a folder with shot.json.")],
    at_count: Annotated[
        int | None, typer.Option("--at-count", metavar="N", help="Tell the grips at this later count of the belt.")
    ] = None,
    tie: RecipeTie = None,
    variants: VariantsFile = None,
    variant: VariantShown = None,
    as_json: Json = False,
) -> None:
    """Show the grips that a shot gives: place and turn in the robot's frame with ±, or why there is none.

    A grip outside its envelope is refused. Exit code 1 where any part is not gripped. What is shown moves nothing:
    tiepoint never starts a motion and is no safety device. Try a new grip at reduced speed, with the enabling device in
    hand (ISO 10218), local rules first.

    \b
      tiepoint grip show recipes/pick.toml shots/0001.png
      tiepoint grip show recipes/pick.toml shots/0002 --at-count 48200
    """
    job, outcome = _ran(recipe, shot, tie, variants, variant, at_count)
    if not job.arms:
        raise UnusableInput(f"{recipe} has no [[grip]]; write one, or let `tiepoint grip teach` fill it")
    if at_count is not None and not any(arm.belt for arm in job.arms):
        raise UnusableInput("--at-count is for parts on a belt, and no grip of the recipe names one")
    grips = outcome.record.grips
    good = all(grip.robot_from_grip is not None for grip in grips)
    from tiepoint.documents.canonical import plain

    document = {"shot": outcome.record.shot.id, "grips": [plain(grip) for grip in grips]}
    present(Answer(document, tuple(_shown(grips)), good), as_json)


def _shown(grips: "tuple[Grip, ...]") -> Iterator[str]:
    from tiepoint.cli.told import grip_line

    for grip in grips:
        yield grip_line(grip) + ("" if grip.count is None else f", at count {grip.count}")


@app.command()
def teach(
    recipe: RecipeFile,
    grip: Annotated[str, typer.Argument(metavar="GRIP", help="The name of the grip.")],
    shot: Annotated[Path, typer.Argument(metavar="SHOT", help="A shot of the part where the robot then held it.")],
    held: Annotated[
        str, typer.Option("--held", metavar="X,Y,Z", help="Where the controller shows the tool holding the part, mm.")
    ],
    deg: Annotated[str, typer.Option("--deg", metavar="A,B,C", help="Its angles there, in degrees.")],
    u: Annotated[str, typer.Option("--u", metavar="LENGTH", help="Standard uncertainty of the tool's place by hand.")],
    angles: Annotated[
        str, typer.Option("--angles", metavar="CONVENTION", help=f"What A, B, C mean: {ANGLES}.")
    ] = "zyx-intrinsic-deg",
    u_turn: Annotated[
        float, typer.Option("--u-turn", metavar="DEG", help="Standard uncertainty of its turn, in degrees.")
    ] = 0.0,
    tie: RecipeTie = None,
    variants: VariantsFile = None,
    variant: VariantShown = None,
    as_json: Json = False,
) -> None:
    """Teach a grip: hold one part by hand where a shot saw it.

    Take the shot; then, without moving the part, jog the tool over it as it is to be gripped, and type the pose that
    the controller shows. The recipe's [[grip]] of that name gets offset, turn, z and their u; comments stay. Jog at
    reduced speed, with the enabling device in hand (ISO 10218), local rules first; tiepoint never starts a motion.

    \b
      tiepoint grip teach recipes/pick.toml jaws taught.png --held 412.31,80.12,-45.02 --deg 178.2,0,180 --u 0.2mm
    """
    from tiepoint.foundation.frames import AngleConvention, Pose3, worked_pose
    from tiepoint.recipe import held as lessons
    from tiepoint.ties.grip import stated_pose

    if angles not in get_args(AngleConvention):
        raise UnusableInput(f"--angles {angles!r} is not known; use one of {', '.join(get_args(AngleConvention))}")
    if not (math.isfinite(u_turn) and u_turn >= 0):
        raise UnusableInput(f"--u-turn is {u_turn:g}; give 0 or more degrees")
    convention = cast("AngleConvention", angles)
    pose = Pose3.from_angles(_three("--held", held), _three("--deg", deg), convention)
    u_mm = not_negative_mm("--u", u)
    job, outcome = _ran(recipe, shot, tie, variants, variant, None)
    arm = lessons.arm_named(job, grip)
    by_hand = stated_pose(pose, u_mm, math.radians(u_turn), f"held:{grip}", f'Hand that held "{grip}"')
    taught = lessons.teach_grip(job, arm, outcome, by_hand)
    revision = lessons.keep_grip(recipe, grip, taught, job.recipe.head.mm_per_unit)
    document = {
        "grip": grip, "offset_mm": list(taught.offset_mm), "z_mm": taught.z_mm, "turn_deg": taught.turn_deg,
        "pointing": taught.pointing, "u_mm": taught.u_mm, "u_deg": taught.u_deg, "revision": revision,
    }  # fmt: skip
    taken = f"Angles were taken as {worked_pose(convention)}."
    present(Answer(document, tuple(_taught(grip, taught, revision)), hints=(taken,)), as_json)


def _taught(name: str, taught: "HeldGrip", revision: int) -> Iterator[str]:
    x, y = taught.offset_mm
    yield (
        f"{name}: at ({x:.3f}, {y:.3f}) mm in the part's frame, turned by {taught.turn_deg:.2f}°, {taught.z_mm:.2f} mm "
        f"above it, pointing {taught.pointing}; standard u {taught.u_mm:.2g} mm and {taught.u_deg:.2g}°."
    )
    if taught.lean_deg > 0.2:
        yield f"The tool leant by {taught.lean_deg:.1f}° against the part; the grip is written square to it."
    yield f"The recipe is now revision {revision}."


@app.command()
def centre(
    views: Annotated[
        Path,
        typer.Argument(metavar="VIEWS.csv", help="One mark on the turned tool: x_mm, y_mm and, if known, turn_deg."),
    ],
    u: Annotated[
        str | None, typer.Option("--u", metavar="LENGTH", help="Standard uncertainty of one coordinate of a place.")
    ] = None,
    with_turns: Annotated[
        bool, typer.Option("--turns", help="Read turn_deg too: then the mark's place on the tool is told as well.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Find the point about which a tool turns, from three or more views of a mark on it.

    Let the robot turn the tool about its own point, and see where a mark on it lies each time. Without turns the mark's
    circle tells its centre. With them it is told, too, where the mark lies from there along the flange's x and y: if
    the mark is the tool's very tip, that is by how much the tool point in the controller is wrong.

    \b
      tiepoint grip centre views.csv --u 0.02mm --turns
    """
    import numpy as np

    from tiepoint.ties.rotation_centre import rotation_centre

    names = ("x_mm", "y_mm", "turn_deg") if with_turns else ("x_mm", "y_mm")
    values = np.array(read_columns(views, names, most_rows=1000).values)
    turns = np.radians(values[:, 2]) if with_turns else None
    u_mm = None if u is None else not_negative_mm("--u", u)
    found = rotation_centre(values[:, :2], views.stem, turns_rad=turns, u_mm=u_mm)
    present(Answer(_centre_document(found), (found.sentence,)), as_json)


def _centre_document(found: "RotationCentre") -> dict[str, Any]:
    offset = found.offset
    return {
        "centre_mm": found.centre.value.tolist(),
        "U_mm": [found.centre[k].U95 for k in (0, 1)],
        "arm_mm": found.arm.value,
        "offset_mm": None if offset is None else offset.value.tolist(),
        "U_offset_mm": None if offset is None else [offset[k].U95 for k in (0, 1)],
        "rms_mm": found.rms_mm,
        "span_deg": math.degrees(found.span_rad),
    }


def _ran(
    recipe: Path, shot: Path, tie: Path | None, variants: Path | None, variant: str | None, at_count: int | None
) -> "tuple[Job, Outcome]":
    from tiepoint.recipe import station
    from tiepoint.recipe.runner import run
    from tiepoint.recipe.shots import load_shot

    prepared = station.prepare(recipe, tie_path=tie, variants_path=variants, variant=variant)
    for sentence in prepared.warnings:
        hint_at(sentence)
    loaded = load_shot(shot)
    for hint in loaded.hints:
        hint_at(hint)
    job = prepared.job(loaded.shot.variant)
    return job, run(job, station.seen_of(loaded), at_count=at_count)


def _three(option: str, text: str) -> tuple[float, float, float]:
    numbers = [plain_number(part) for part in text.split(",")]
    known = [n for n in numbers if n is not None]
    if len(numbers) != 3 or len(known) != 3:
        raise UnusableInput(f"{option} is {text[:60]!r}; type three numbers with commas between, as in 412.3,80.1,-45")
    return known[0], known[1], known[2]
