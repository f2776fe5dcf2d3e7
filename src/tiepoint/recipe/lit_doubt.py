"""What speaks against the pictures of a shot being those of one part under each lamp in turn.

A lamp that did not burn, or blinds the camera, would be left out at every pixel, and a picture that was delivered twice
looks like flat ground under two lamps: relief could be computed all the same, and nothing on it would have been seen.
"""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusablePicture
from tiepoint.foundation.reasons import Reason
from tiepoint.vision.full_scale import full_scale
from tiepoint.vision.relief import planes_of
from tiepoint.vision.relief_lights import Lights

Pixels = NDArray[Any]

SOME = 100_000
DARK_SHARE = 0.05
"""Of the light of the brightest lamp: so little comes of one that did not burn, of noise and of daylight. A lamp at 5°
gives a flat part 0.12 of what one at 45° gives it."""
FULL_SHARE = 0.98
COARSE = 16


def doubt_of(pictures: Sequence[Pixels], lights: Lights, names: Sequence[str]) -> Reason | None:
    """Return why there is doubt about a shot; None where nothing speaks against it, or where its relief is refused.

    `pictures` as `relief_of` takes them, `names` the lamp that each goes by.
    """
    for k, picture in enumerate(pictures):
        twin = next((j for j in range(k) if _are_one(pictures[j], picture)), None)
        if twin is not None:
            return Reason("pictures_same", {"first": names[twin], "second": names[k]})
    try:
        planes = [_some(plane) for plane in planes_of(pictures, lights)]
    except UnusablePicture:
        return None
    return _full(planes, lights) or _dark(planes, lights)


def _are_one(a: Pixels, b: Pixels) -> bool:
    """Return whether two pictures are the same grain for grain, as no camera takes two; those without any are not."""
    if a.shape != b.shape or not np.array_equal(a[::COARSE, ::COARSE], b[::COARSE, ::COARSE]):
        return False
    return bool(a.min() != a.max()) and np.array_equal(a, b)


def _some(plane: Pixels) -> Pixels:
    step = max(1, math.isqrt(plane.size // SOME))
    return plane[::step, ::step]


def _full(planes: Sequence[Pixels], lights: Lights) -> Reason | None:
    top = full_scale(planes)
    full = [float(np.mean(plane >= top)) for plane in planes]
    if max(full) <= FULL_SHARE or min(full) > FULL_SHARE:
        return None
    k = int(np.argmax(full))
    return Reason("lamp_saturated", {"light": lights.ids[k], "share_percent": f"{100 * full[k]:.3g}"})


def _dark(planes: Sequence[Pixels], lights: Lights) -> Reason | None:
    light = np.array([float(np.mean(plane)) - lights.black_level for plane in planes])
    # As it was delivered, and for the lamp's strength: a lamp that is stated as weak may be weak.
    both = light, light / np.array([lamp.gain for lamp in lights.lights])
    if light.max() <= 0 or any(of.min() >= DARK_SHARE * of.max() for of in both):
        return None
    return Reason("lamp_dark", {"light": lights.ids[int(np.argmin(light))]})
