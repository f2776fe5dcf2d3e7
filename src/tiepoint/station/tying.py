"""The ways of tying a picture to a plane, from files that were read to a tie: what commands and pages both call."""

from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.tie_files import Photo, warned
from tiepoint.station.words import sentence

if TYPE_CHECKING:
    from tiepoint.foundation.sources import Value
    from tiepoint.targets.draw import Target
    from tiepoint.ties.camera import CameraModel
    from tiepoint.ties.length import LengthTie
    from tiepoint.ties.snap import Snapped
    from tiepoint.ties.tie import Tie


def by_target(
    photos: Sequence[Photo],
    target: "Target",
    *,
    height: "Value",
    distance: "Value | None" = None,
    camera: "CameraModel | None" = None,
    unit: str = "mm",
) -> "Tie":
    """Return the tie of photos of one pose of a printed target; a photo that viewers turn is noted in it."""
    from tiepoint.ties.by_target import Setting, tie_by_target

    setting = Setting(
        height=height,
        distance=distance,
        camera=camera,
        sensor=photos[0].sensor if photos else None,
        photos=tuple(photo.sha for photo in photos),
        unit=unit,
    )
    demand_one_size(photos)
    return warned(tie_by_target([photo.grey for photo in photos], target, setting), photos)


def demand_one_size(photos: Sequence[Photo]) -> None:
    """Raise `UnusableInput` where photos of one pose are of different sizes: they are of different cameras."""
    for photo in photos[1:]:
        if photo.sensor.size_px != photos[0].sensor.size_px:
            a, b = photos[0].sensor.size_px, photo.sensor.size_px
            raise UnusableInput(
                f"{photo.name} has {b[0]} × {b[1]} px and {photos[0].name} {a[0]} × {a[1]}; photos of one pose are "
                "all of one size, so leave out what another camera or setting took"
            )


def by_length(
    photo: Photo,
    ends: tuple[tuple[float, float], tuple[float, float]],
    known: "Value | float",
    *,
    height: "Value",
    is_snapped: bool = True,
    unit: str = "mm",
) -> "LengthTie":
    """Return the tie of one known length (mm) between two pixels of a photo, each snapped to what is under it."""
    from dataclasses import replace

    from tiepoint.ties.length import tie_by_length

    made = tie_by_length(
        photo.grey,
        *ends,
        known,
        snap_to_features=is_snapped,
        sensor=photo.sensor,
        height=height,
        unit=unit,
        photos=(photo.sha,),
    )
    return replace(made, tie=warned(made.tie, [photo]))


def known_length(mm: float, u_mm: float | None, photo_sha: str) -> "Value | float":
    """Return the known length of a photo; without a u the tie assumes one and says so."""
    from tiepoint.foundation.sources import Source, measured

    if u_mm is None:
        return mm
    return measured(mm, Source(f"length:{photo_sha[:12]}:{mm:.9g}", "The known length", "B", u_mm, "tie"))


def stated(source_id: str, label: str, mm: float, u_mm: float) -> "Value":
    """Return a length of the station that somebody stated, with its standard uncertainty."""
    from tiepoint.foundation.sources import Source, measured

    return measured(mm, Source(source_id, label, "B", u_mm, "station"))


def stated_height(of: str, mm: float, u_mm: float) -> "Value":
    """Return the height of a plane, which is exact where nobody stated a u; `of`: whose it is."""
    from tiepoint.foundation.sources import constant

    return stated(f"height:{of}:{mm:g}mm", "Height of the plane", mm, u_mm) if u_mm > 0 else constant(mm)


def stated_distance(of: str, mm: float, u_mm: float) -> "Value":
    """Return how far the lens stands from the plane; `of`: whose distance it is."""
    return stated(f"distance:{of}", "Distance of the camera", mm, u_mm)


def snapped(photo: Photo, at: tuple[float, float], along: tuple[float, float] | None = None) -> "tuple[Snapped, str]":
    """Return what lies under a point that a person placed, and that in a sentence; the point itself where nothing does.

    `along`: the direction of the length that is measured; without one an edge is looked for in x and in y, and the
    nearer one is taken.
    """
    import numpy as np

    from tiepoint.foundation.errors import NothingFound
    from tiepoint.ties.snap import placed_by_hand, snap

    ways = [along] if along is not None and any(along) else [(1.0, 0.0), (0.0, 1.0)]
    found, says = [], ""
    for way in ways:
        try:
            found.append(snap(photo.grey, at, np.array(way, float)))
        except NothingFound as error:
            says = str(error)
    if not found:
        by_hand = placed_by_hand(at)
        return by_hand, sentence(says)
    nearest = min(found, key=lambda one: one.moved_px)
    return nearest, nearest.sentence("here")


@cache
def warm() -> "Tie":
    """Tie a drawing of a small target, so that all that tying takes is loaded and compiled before a person waits."""
    import cv2
    import numpy as np

    from tiepoint.targets.draw import new_target, shapes
    from tiepoint.ties.by_target import tie_by_target

    target, per_mm, rim = new_target("charuco", 10, 7, 6), 6.0, 30
    width, height = (round(mm * per_mm) + 2 * rim for mm in target.size_mm)
    picture = np.full((height, width), 230, np.uint8)
    for polygon in shapes(target).polygons:
        corners = np.column_stack([polygon[:, 0] * per_mm + rim, height - rim - polygon[:, 1] * per_mm])
        cv2.fillConvexPoly(picture, np.rint(16 * corners).astype(np.int32), 30, cv2.LINE_AA, 4)
    return tie_by_target([cv2.GaussianBlur(picture, (0, 0), 0.8)], target)
