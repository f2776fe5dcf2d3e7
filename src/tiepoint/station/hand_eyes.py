"""Where a camera sits on a robot, from a table of poses and a photo at each: for command and page alike."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal, cast

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.tie_files import Photo

if TYPE_CHECKING:
    from tiepoint.foundation.frames import AngleConvention
    from tiepoint.targets.draw import Target
    from tiepoint.ties.camera import CameraModel
    from tiepoint.ties.hand_eye import HandEye
    from tiepoint.ties.hand_eye_slips import PoseTable

COLUMNS = ("x_mm", "y_mm", "z_mm", "a", "b", "c")
MOST_POSES = 500


def poses_of(text: str, angles: str, where: str) -> "PoseTable":
    """Return the flange's poses of a table's text; `where` names it, and `angles` says what a, b, c mean."""
    import numpy as np

    from tiepoint.documents.tables import read_numbers
    from tiepoint.foundation.frames import CONVENTIONS
    from tiepoint.ties.hand_eye_slips import PoseTable

    if angles not in CONVENTIONS:
        raise UnusableInput(f"--angles {angles!r} is not known; use one of {', '.join(CONVENTIONS)}")
    values = np.array(read_numbers(text, COLUMNS, where, MOST_POSES).values)
    return PoseTable(values[:, :3], values[:, 3:], cast("AngleConvention", angles))


def demand_plane_fits(eye: Literal["in-hand", "to-hand"], has_plane: bool) -> None:
    """Raise `UnusableInput` where a photo of the plane is given to an eye in the hand."""
    if has_plane and eye == "in-hand":
        raise UnusableInput(
            "--plane serves an eye that looks at the hand; in hand the target lies in the plane already"
        )


def hand_eye_of(
    typed: "PoseTable",
    photos: Sequence[Photo],
    target: "Target",
    *,
    eye: Literal["in-hand", "to-hand"],
    camera: "CameraModel | None" = None,
    plane: Photo | None = None,
) -> "tuple[HandEye, CameraModel]":
    """Return the hand-eye of poses and the photo taken at each, in that order, and the camera: given, or by the photos.

    `plane`: to hand, a photo of the target lying in the station's plane. Raises `UnusableInput` where they clash.
    """
    from tiepoint.targets.paper import print_scale
    from tiepoint.ties.hand_eye import hand_eye as solve
    from tiepoint.ties.hand_eye_views import target_poses
    from tiepoint.ties.views import camera_by_views, look

    demand_plane_fits(eye, plane is not None)
    seen = [*photos, *([] if plane is None else [plane])]
    names, scale, count = [photo.name for photo in seen], print_scale(target), len(photos)
    sighted = [look(photo.grey, target, photo.name) for photo in seen]
    if camera is None:
        camera = camera_by_views(sighted[:count], names[:count], target.id, scale)
    found = target_poses(sighted, names, camera, scale, target.id)
    tie = solve(typed, found.only(range(count)), eye)
    if plane is not None:
        tie = tie.with_plane(found.uncertain(count), found.only([count]).region)
    return tie, camera
