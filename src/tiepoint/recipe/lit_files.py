"""Pictures under several lamps as files: taken in the order of the lights, and what is made of them to look at."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.documents.pictures import Loaded, load_picture
from tiepoint.foundation.errors import UnusableInput, UnusablePicture
from tiepoint.recipe.lamp_names import order_fault
from tiepoint.recipe.lights import LightsDocument
from tiepoint.recipe.lit import plane_of, roles_of
from tiepoint.recipe.shots import load_shot
from tiepoint.ties.sensor import Sensor
from tiepoint.ties.tie import Tie
from tiepoint.vision.relief import planes_of
from tiepoint.vision.relief_lamps import LampFinding, against_flat
from tiepoint.vision.relief_lights import Lights

AMPLE = 0.999
"""Share of the values that a viewable picture shows between black and white."""


def taken(images: Sequence[Path], document: LightsDocument) -> list[Loaded]:
    """Return the pictures in the order of the lights: files, or one folder with a shot.

    Raises `UnusableInput` or `UnusablePicture` where they are not as many as the lights ask for, or not alike.
    """
    if len(images) == 1 and images[0].is_dir():
        shot = load_shot(images[0], document.each)
        roles = roles_of(document, shot.shot.pictures)
        missing = [role for role in roles if role not in shot.pictures]
        if missing:
            raise UnusableInput(
                f'{images[0]} holds no picture under the light "{missing[0]}", which {document.where} names; add it, '
                "or name the pictures one by one"
            )
        return _alike([shot.pictures[role] for role in roles], document)
    if (fault := order_fault([path.name for path in images], document.each, "IMAGE...")) is not None:
        raise UnusableInput(fault)
    return _alike([load_picture(path) for path in images], document)


def _alike(loaded: list[Loaded], document: LightsDocument) -> list[Loaded]:
    wanted = len(document.exposures)
    if len(loaded) != wanted:
        raise UnusableInput(
            f"{len(loaded)} {'picture was' if len(loaded) == 1 else 'pictures were'} given where {document.where} asks "
            f"for {wanted}; give one {'an exposure' if wanted < len(document.table.light) else 'a lamp'}, in its order"
        )
    first = loaded[0]
    for one in loaded[1:]:
        if (one.size, one.bits) != (first.size, first.bits):
            raise UnusablePicture(
                f"{one.path} has {one.size[0]} × {one.size[1]} px of {one.bits} bits where {first.path.name} has "
                f"{first.size[0]} × {first.size[1]} px of {first.bits}; take all pictures of a shot alike"
            )
    return loaded


def placed(tie: Tie, first: Loaded) -> tuple[NDArray[np.float64], float]:
    """Return the tie's plane as an affine map (2, 3) of the pictures' pixels, and its height in mm."""
    there = tie.for_sensor(Sensor(*first.size))
    return plane_of(there, first.grey.shape), there.height_mm


def pixels(one: Loaded, by_channel: bool) -> NDArray[Any]:
    """Return a picture as relief takes it: in colour where lamps are told apart by it."""
    return one.pixels if by_channel else one.grey


def lamps_differ(loaded: Sequence[Loaded], lamps: Lights, document: LightsDocument) -> tuple[LampFinding, ...]:
    """Return how a shot of the flat plate differs from the flat reference.

    Raises `UnusableInput` where the lights name none.
    """
    if document.flat is None:
        raise UnusableInput(
            f"a shot of the plate is compared with [flat], which {document.where} does not name; take it first"
        )
    shot = planes_of([pixels(one, lamps.by_channel) for one in loaded], lamps)
    return against_flat(shot, planes_of(document.flat, lamps), lamps.ids, lamps.black_level)


def viewable(name: str, picture: NDArray[Any]) -> NDArray[np.uint8]:
    """Return 8 bits: confidence from 0 to 1, what has a sign about middle grey, all else from its least."""
    if picture.dtype == np.uint16:
        return np.asarray(picture >> 8, np.uint8)
    step = max(1, int(np.sqrt(picture.size / 100_000)))
    some = picture[::step, ::step]
    if name == "confidence":
        low, high = 0.0, 1.0
    elif name in ("slope_x", "slope_y", "curvature"):
        high = float(np.quantile(np.abs(some), AMPLE))
        low = -high
    else:
        low, high = (float(v) for v in np.quantile(some, [1 - AMPLE, AMPLE]))
    return np.asarray(np.clip((picture - low) / max(high - low, 1e-12) * 255, 0, 255).round(), np.uint8)
