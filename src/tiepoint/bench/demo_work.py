"""The demo's work, as an engineer would do it: from photographs and stated numbers to documents, without the truth."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.lengths import Bar
from tiepoint.documents.canonical import sha256
from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import Loaded, load_picture
from tiepoint.foundation.sources import Source, Value, measured
from tiepoint.model.reading import Reading
from tiepoint.model.shot import Shot
from tiepoint.recipe.recipe import read_recipe
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.targets.draw import Target
from tiepoint.targets.find import find_target
from tiepoint.targets.paper import print_scale
from tiepoint.ties.by_target import Setting, tie_by_target
from tiepoint.ties.camera import CameraModel, camera_to_document
from tiepoint.ties.document import to_document
from tiepoint.ties.length import Assumed, tie_by_length
from tiepoint.ties.pairs import tie_by_pairs
from tiepoint.ties.sensor import Sensor
from tiepoint.ties.tie import Tie
from tiepoint.ties.views import camera_by_photos

Array = NDArray[np.float64]

PAIRS = 12
"""So many points of the target are read off the picture by hand, to a tenth of a pixel."""
TILT_DEG, LENS_SHARE = 5.0, 0.03
"""What a person states of a camera set up by eye, and of its lens from the maker's sheet: at most so much."""
AROUND_MM = (35.0, 25.0)
"""Half the field, along x and y, round which a person takes them."""


@dataclass(frozen=True)
class Kept:
    """A tie and the hash of its document."""

    tie: Tie
    sha: str


@dataclass(frozen=True)
class Laid:
    """A bar in a photo: its certified length, and its two ends as they were clicked, (2, 2) px."""

    name: str
    certified_mm: float
    u_mm: float
    width_mm: float
    ends_px: Array


def laid(bar: Bar, ends_px: Array) -> Laid:
    """Return a bar as its certificate has it, with its ends (2, 2) as they were clicked."""
    return Laid(bar.name, bar.certified_mm, bar.u_mm, bar.width_mm, ends_px)


def keep(tie: Tie, path: Path) -> Kept:
    """Write a tie's document and return it with its hash."""
    content = to_document(tie)
    write_document(path, "tie", content)
    return Kept(tie, sha256(content))


def distance_value(distance_mm: float, u_mm: float) -> Value:
    """Return the camera's distance from the table, as it was measured once for the station."""
    return measured(
        distance_mm, Source("station:distance", "Distance of the camera, as measured", "B", u_mm, "station")
    )


def height_value(what: str, height_mm: float, u_mm: float) -> Value:
    """Return a height above the table, as a gauge told it."""
    return measured(height_mm, Source(f"height:{what}", f"Height of the {what}", "B", u_mm, "station"))


def tie_from_target(
    photo: Path, target: Target, distance: Value | None = None, camera: CameraModel | None = None
) -> Tie:
    """Return the tie by target of one photo; the distance need not be stated where the camera is known."""
    loaded = load_picture(photo)
    setting = Setting(
        scale=print_scale(target),
        distance=distance,
        camera=camera,
        target_id=target.id,
        photos=(loaded.described().pixels_sha256,),
        # The whole sensor: shots of which only a window is read out can be related to it.
        sensor=Sensor(*loaded.size, offset_px=(0, 0)),
    )
    return tie_by_target([loaded.grey], target, setting)


def camera_from_views(photos: Sequence[Path], target: Target) -> CameraModel:
    """Return the camera that several photos of the target in different leans show."""
    pictures = [load_picture(photo).grey for photo in photos]
    return camera_by_photos(pictures, target, tuple(photo.name for photo in photos))


def keep_camera(camera: CameraModel, path: Path) -> None:
    """Write a camera document."""
    write_document(path, "camera", camera_to_document(camera))


def tie_from_length(photo: Path, bar: Laid) -> Tie:
    """Return the tie of one bar's certified length between its two ends."""
    loaded = load_picture(photo)
    source = Source(f"certificate:{bar.name}", "The known length", "B", bar.u_mm, "instrument")
    (ax, ay), (bx, by) = bar.ends_px.tolist()
    made = tie_by_length(
        loaded.grey,
        (ax, ay),
        (bx, by),
        measured(bar.certified_mm, source),
        sensor=Sensor(*loaded.size),
        assumed=Assumed(TILT_DEG, LENS_SHARE),
        photos=(loaded.described().pixels_sha256,),
    )
    return made.tie


def pairs_from_target(photo: Path, target: Target) -> Array:
    """Return pairs (n, 4) as a person would type them: corners to 0.1 px, and their places by the measured print.

    A person takes points round the place where the parts will lie.
    """
    seen = find_target(load_picture(photo).grey, target)
    scale = print_scale(target).value
    middle = np.array(target.size_mm) / 2
    near = np.flatnonzero((np.abs(seen.plane_mm - middle) <= AROUND_MM).all(axis=1))
    far = near[_spread(seen.plane_mm[near], min(PAIRS, len(near)))]
    return np.column_stack([np.round(seen.px[far], 1), np.round(seen.plane_mm[far] * scale, 2)])


def tie_from_pairs(table: Array, size_px: tuple[int, int]) -> Tie:
    """Return the tie by pairs of a table (n, 4) of pixels and mm."""
    return tie_by_pairs(table[:, :2], table[:, 2:], sensor=Sensor(*size_px)).tie


def _spread(places: Array, count: int) -> NDArray[np.int64]:
    """Return the numbers of so many places, each the farthest from those before it."""
    chosen = [0]
    distance = np.hypot(*(places - places[0]).T)
    while len(chosen) < count:
        chosen.append(int(np.argmax(distance)))
        distance = np.minimum(distance, np.hypot(*(places - places[chosen[-1]]).T))
    return np.array(chosen)


def bar_readings(photo: Path, bars: Sequence[Laid], tie: Tie) -> list[Reading]:
    """Return the length of every bar in a photo, read through a tie from edge to edge."""
    steps = [_bar_step(bar, tie) for bar in bars]
    recipe = read_recipe({"format": "tiepoint/recipe/1", "name": "known lengths", "step": steps})
    return list(run(Job(recipe, tie), _seen(photo, load_picture(photo))).record.readings)


def _bar_step(bar: Laid, tie: Tie) -> dict[str, Any]:
    start, end = tie.map(bar.ends_px).xy_mm
    region = {
        "centre": [float(v) for v in (start + end) / 2],
        "size": [bar.certified_mm + 5.0, bar.width_mm - 2.5],
        "angle_deg": math.degrees(math.atan2(end[1] - start[1], end[0] - start[0])),
    }
    step = {"name": bar.name, "kind": "width", "polarity": "rising", "readings": ["width"]}
    return {**step, "region": {"rectangle": region}}


def _seen(photo: Path, loaded: Loaded) -> Seen:
    picture = loaded.described()
    shot = Shot(f"{photo.stem}-{picture.pixels_sha256[:12]}", (picture,))
    return Seen(shot, {picture.role: loaded.grey}, {picture.role: Sensor(*loaded.size)})
