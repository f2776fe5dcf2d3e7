"""Each lamp of a camera alone, one after the other, and a picture under each: a shot to look at on the page Light."""

from collections.abc import Callable, Mapping
from time import monotonic, monotonic_ns
from typing import TYPE_CHECKING, Final

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.delivery import Setting
from tiepoint.station.see.eye import Eye

if TYPE_CHECKING:
    from tiepoint.station.see.source import Seen

WAIT_S: Final = 20.0
SETTLED: Final = 2
"""Pictures until one is taken to be of the new light, where a camera does not say when it took them."""


def in_turn(
    eye: Eye,
    told: Callable[[int, int, str], None] = lambda *_: None,
    *,
    lit: Mapping[str, float] | None = None,
    wait_s: float = WAIT_S,
) -> "dict[str, Seen]":
    """Return a picture under each lamp alone, by the lamp's name; then all are as they were before.

    `told` is called before each lamp with how many are done, of how many, and which comes; what it raises ends it.
    `lit`: the currents that the lamps have now, where that is known otherwise than by what was set from here.
    Raises `UnusableInput` where the camera has no lamps that can be set, or no picture comes.
    """
    if not eye.means.lamps:  # it is opened when it is looked at
        eye.look(0 if eye.looked is None else eye.looked.number, wait_s)
    names = eye.means.lamps
    if not names:
        raise UnusableInput("this camera has no lamps that can be switched; name them in station.toml")
    before = {name: (eye.lamps if lit is None else lit).get(name, 0.0) for name in names}
    seen: dict[str, Seen] = {}
    try:
        for k, name in enumerate(names):
            told(k, len(names), name)
            eye.set(Setting(lamps={one: float(one == name) for one in names}))
            seen[name] = _next(eye, name, wait_s)
    finally:
        eye.set(Setting(lamps=before))
    return seen


def _next(eye: Eye, lamp: str, wait_s: float) -> "Seen":
    """Return the first picture that was taken after now."""
    since_ns, until = monotonic_ns(), monotonic() + wait_s
    number = eye.looked.number if eye.looked is not None else 0
    after = number
    while (left := until - monotonic()) > 0:
        looked = eye.look(after, left)
        if looked is None:
            break
        after, at_ns = looked.number, looked.seen.taken_mono_ns
        if at_ns >= since_ns or (at_ns == 0 and looked.number >= number + SETTLED):
            return looked.seen
    raise UnusableInput(f"no picture came under the lamp {lamp}: {eye.link[1]}; look at the camera, then try again")
