"""A tie's height above the reference plane, with what is not known of it, and where the camera stands."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import Value
from tiepoint.ties.page import standpoints
from tiepoint.ties.tie import Tie

Array = NDArray[np.float64]


def with_height(tie: Tie, height: Value, middle_px: tuple[float, float], distance: Value | None) -> Tie:
    """Return a tie from the image with its height and, where stated, the camera's distance.

    A plane that lies higher than stated is seen larger about the foot of the camera: mm grow by (P − F)/Z. Where
    the distance is not known it is assumed short, so that u is not too small, and a note says so.
    """
    if distance is not None and not distance.value > 0:
        raise UnusableInput(f"the distance of the camera is {distance.value:g} mm; give more than 0")
    tie = replace(tie, height_mm=height.value, u_height_mm=height.u)
    terms = list(height.terms.items())
    if distance is None and not terms:
        return tie
    size = tie.sensor.size_px if tie.sensor is not None else _seen_size(tie.valid_region)
    stand = standpoints(tie.matrix, middle_px, size, None if distance is None else distance.value)[0]
    if distance is not None:
        tie = replace(tie, distance_mm=distance.value, u_distance_mm=distance.u, foot_mm=stand.foot_mm)
    if not terms:
        return tie
    if distance is None:
        note = f"The height's u was budgeted with a distance of {stand.distance_mm:.0f} mm, which rests on {stand.how}."
        tie = replace(tie, notes=(*tie.notes, note))
    x, y = stand.foot_mm
    about = np.array([[1.0, 0.0, -x], [0.0, 1.0, -y], [0.0, 0.0, 0.0]]) / stand.distance_mm
    return tie.then(np.eye(3), [s for s, _ in terms], np.stack([c * about for _, c in terms]))


def _seen_size(region: Array) -> tuple[int, int]:
    """Return how wide and high the points lie, where the picture's own size is not known."""
    width, height = np.ceil(region.max(axis=0) - region.min(axis=0))
    return int(width), int(height)
