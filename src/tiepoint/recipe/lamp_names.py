"""Which lamp a picture's file name tells: `north.png` and `3-north.png` were taken under the lamp north."""

import re
from collections.abc import Sequence
from pathlib import PurePath

from tiepoint.recipe.tables import said_names, shown


def lights_named(names: Sequence[str], lights: Sequence[str]) -> tuple[str, ...] | None:
    """Return the light that each picture's name tells (`3-north.png`: north); None unless each tells one of its own.

    An id counts where neither letter nor digit is next to it, and not as a part of a longer one.
    """
    told = [_told_by(PurePath(name).stem.casefold(), lights) for name in names]
    return tuple(told) if sorted(told) == sorted(lights) else None


def _told_by(stem: str, lights: Sequence[str]) -> str:
    found = [one for one in lights if re.search(rf"(?<![^\W_]){re.escape(one.casefold())}(?![^\W_])", stem)]
    longest = [one for one in found if not any(one != other and one.casefold() in other.casefold() for other in found)]
    return longest[0] if len(longest) == 1 else ""


def order_fault(names: Sequence[str], lights: Sequence[str], where: str) -> str | None:
    """Return a sentence where the pictures' names tell the lights, and stand in another order than these."""
    told = lights_named(names, lights)
    if told is None or told == tuple(lights):
        return None
    k = next(k for k, (one, other) in enumerate(zip(told, lights, strict=True)) if one != other)
    return (
        f"{where} has {PurePath(names[k]).name} in the place of the light {shown(lights[k])}; name the pictures in the "
        f"order of the lights: {said_names(lights)}"
    )
