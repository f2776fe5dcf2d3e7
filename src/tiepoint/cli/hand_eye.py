"""`tiepoint tie hand-eye`: where a camera sits on a robot, or stands before it."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from tiepoint.cli.answer import Answer, Json, present, table
from tiepoint.cli.load import demand_own, load_camera, load_photo, load_target, naming
from tiepoint.cli.options import TargetFile
from tiepoint.cli.typed import ANGLES
from tiepoint.foundation.errors import UnusableInput

if TYPE_CHECKING:
    from tiepoint.ties.hand_eye import HandEye


def hand_eye(
    poses: Annotated[
        Path, typer.Argument(metavar="POSES.csv", help="A table with x_mm, y_mm, z_mm, a, b, c: the flange's poses.")
    ],
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="The photo taken at each, in that order.")],
    target_file: TargetFile,
    eye: Annotated[
        Literal["in-hand", "to-hand"],
        typer.Option("--eye", metavar="in-hand|to-hand", help="The flange carries the camera, or the target."),
    ],
    angles: Annotated[
        str, typer.Option("--angles", metavar="CONVENTION", help=f"What the columns a, b, c mean: {ANGLES}.")
    ],
    out: Annotated[Path, typer.Option("--out", metavar="ROBOT.json", help="Where the robot's tie is written.")],
    camera: Annotated[
        Path | None,
        typer.Option(
            "--camera", metavar="CAMERA.json", help="The camera, as `tie views` found it; else from PHOTO...."
        ),
    ] = None,
    plane: Annotated[
        Path | None,
        typer.Option("--plane", metavar="PHOTO", help="To hand: a photo of the target lying in the station's plane."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Find where a camera sits on a robot, or stands before it.

    Move the robot to ten poses or more, take a photo of one target at each, and type what the controller shows for the
    flange (no tool). In hand the target lies still, in the station's plane; to hand the flange carries it. Lean the
    flange by 20 to 30 degrees about its x and its y axis, and turn it about its z axis: turns about one axis alone
    leave the answer open, and are refused with the pose to add.

    Inverted poses, another convention of angles, inches, radians and exchanged rows are named; nothing is repaired
    silently. Each pose is predicted once by the others, and OpenCV's five methods stand beside ours.

    Move in reduced-speed manual mode with the enabling device in hand (ISO 10218).

    \b
      tiepoint tie hand-eye poses.csv shots/*.png --target t.json --eye in-hand --angles zyx-intrinsic-deg --out r.json
    """
    from tiepoint.documents.files import read_text, write_document
    from tiepoint.foundation.frames import worked_pose
    from tiepoint.station.hand_eyes import demand_plane_fits, hand_eye_of, poses_of
    from tiepoint.ties.hand_eye_document import hand_eye_to_document

    demand_own(out, "robot", poses, *photos, target_file, camera, plane)
    demand_plane_fits(eye, plane is not None)
    typed, target = poses_of(read_text(poses), angles, str(poses)), load_target(target_file)
    if len(typed) != len(photos):
        raise UnusableInput(
            f"{poses} has {len(typed)} rows and {len(photos)} photos are named; give one for each row, in its order"
        )
    seen, lying = [load_photo(photo) for photo in photos], None if plane is None else load_photo(plane)
    with naming(target, target_file):
        tie, solved = hand_eye_of(typed, seen, target, eye=eye, camera=load_camera(camera), plane=lying)
    content = hand_eye_to_document(tie)
    write_document(out, "robot", content)
    taken = f"Angles were taken as {worked_pose(typed.convention)}."
    hints = (
        *(hint for photo in (*seen, *([lying] if lying else [])) for hint in photo.hints),
        *solved.notes,
        taken,
        f"The robot's tie is in {out}.",
    )
    present(Answer(_document(tie, content, out), tuple(_lines(tie)), hints=hints), as_json)


def _document(tie: "HandEye", content: dict[str, Any], out: Path) -> dict[str, Any]:
    names = (
        "id",
        "eye",
        "robot_mm",
        "robot_deg",
        "dof",
        "unseen_mm",
        "unseen_deg",
        "rows",
        "solutions",
        "flags",
        "notes",
    )
    poses = {k: {n: v for n, v in content[k].items() if n != "factor"} for k in ("x", "y")}
    return {"out": str(out), **{n: content[n] for n in names}, **poses, "sentences": list(tie.sentences)}


def _lines(tie: "HandEye") -> Iterator[str]:
    from tiepoint.cli.told import figures
    from tiepoint.foundation.reasons import FLAGS

    for sentence, pose in zip(tie.sentences, (tie.x, tie.y), strict=True):
        mm, deg = tie.half_widths(pose)
        yield f"{sentence}; ± {figures(mm)} mm and ± {figures(deg)}° at most along and about an axis"
    if tie.unseen_mm is not None and tie.unseen_deg is not None:
        n = sum(row.used for row in tie.rows)
        yield (
            f"Poses that the fit did not use are {figures(tie.unseen_mm)} mm and {figures(tie.unseen_deg)}° off "
            f"(rms of {n}, at the target's middle)."
        )
    cells = [
        (f"{r.row}", r.photo, _told(r.unseen_mm), _told(r.unseen_deg), "" if r.used else "left out") for r in tie.rows
    ]
    yield from table([("pose", "photo", "unseen mm", "unseen °", ""), *cells], frozenset({0, 2, 3}))
    ways = [(s.name, _told(s.unseen_mm), _told(s.unseen_deg)) for s in tie.solutions]
    yield "The same poses by other methods (OpenCV), each at poses that it has not seen:"
    yield from table([("method", "unseen mm", "unseen °"), *ways], frozenset({1, 2}))
    if tie.robot_from_plane is None:
        yield "Where the station's plane lies is not known yet: --plane takes a photo of the target lying in it."
    elif tie.eye == "to-hand":
        yield tie.robot_from_plane.pose.sentence("robot", "plane")
    yield from (FLAGS[code].sentence for code in tie.flags)
    yield from tie.notes


def _told(value: float | None) -> str:
    from tiepoint.cli.told import figures

    return "–" if value is None else figures(value)
