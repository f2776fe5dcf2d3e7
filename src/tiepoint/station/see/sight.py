"""All that is told of one picture while camera, lens and lamps are set, in one call."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusablePicture
from tiepoint.station.see.aim import Aim, aim_of, seen_target
from tiepoint.station.see.light import (
    Evenness,
    Exposure,
    evenness_by_picture,
    evenness_by_target,
    exposure_of,
)
from tiepoint.station.see.sharpness import Place, sharpness_of
from tiepoint.targets.draw import Target
from tiepoint.vision.full_scale import full_scale
from tiepoint.vision.strips import as_grey

SMALLEST_PX = 96


@dataclass(frozen=True, slots=True)
class Sight:
    """What a picture of `size` (width, height) shows: five places, exposure, evenness, and a target if one is seen."""

    size: tuple[int, int]
    places: tuple[Place, ...]
    exposure: Exposure
    evenness: Evenness
    aim: Aim | None = None


def sight_of(
    picture: NDArray[Any],
    targets: Sequence[Target] = (),
    *,
    bits: int | None = None,
    distance_mm: float | None = None,
) -> Sight:
    """Return how a grey picture (rows, cols) looks: uint8, uint16 or float32.

    `targets`: printed ones that may be in view, of which the first that is seen counts. `bits`: of the sensor, where
    the camera states them. `distance_mm`: of the camera from what it sees, where it is known. Raises `UnusablePicture`
    for what is no grey picture of at least 96 × 96 px.
    """
    grey = as_grey(picture)
    height, width = grey.shape
    if min(width, height) < SMALLEST_PX:
        raise UnusablePicture(f"the picture has {width} × {height} px; to be looked at it needs {SMALLEST_PX} each way")
    full = full_scale([grey], bits)
    sighting = seen_target(grey, targets)
    aim = None if sighting is None else aim_of(sighting, (width, height), distance_mm)
    even = None if sighting is None else evenness_by_target(sighting.px, sighting.light)
    if even is None or (even.value is None and not math.isfinite(full)):
        even = evenness_by_picture(grey)
    return Sight((width, height), sharpness_of(grey, full), exposure_of(grey, full), even, aim)
