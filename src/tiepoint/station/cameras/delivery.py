"""What a camera delivers for one trigger, and what every camera can be asked: trigger, acquire, data.

A camera is started, told of triggers (where it waits for any), and asked for what it delivered until it is stopped. It
never judges: what is incomplete, repeated, late or out of order says so by its `status`, and is no result.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

from numpy.typing import NDArray

from tiepoint.model.shot import Flip, RobotPose, ShotStatus

Link = Literal["joined", "waiting", "away"]
"""Of a camera or a wire: there; not heard of yet; lost."""


@dataclass(frozen=True, slots=True)
class Trigger:
    """What is known of a part before it is seen. `taken_mono_ns`: when it was triggered, by the monotonic clock."""

    id: str
    taken_mono_ns: int
    part_id: str | None = None
    variant: str | None = None
    encoder_count: int | None = None
    robot_from_flange: RobotPose | None = None


@dataclass(frozen=True, slots=True)
class Frame:
    """One picture as the camera gave it.

    `data`: the bytes of a picture file, where the camera gave one, called `name`; else `pixels`, (rows, cols) or
    (rows, cols, 3) RGB, uint8 or uint16. `counter`: the camera's own count of frames. `bits`: of the sensor, where it
    is stated.
    """

    role: str
    name: str
    data: bytes | None = None
    pixels: NDArray[Any] | None = None
    light: str | None = None
    bits: int | None = None
    counter: int | None = None
    exposure_s: float | None = None
    gain: float | None = None
    roi_offset: tuple[int, int] = (0, 0)
    binning: tuple[int, int] = (1, 1)
    flip: Flip = "none"

    def __post_init__(self) -> None:
        if (self.data is None) == (self.pixels is None):
            raise ValueError("a frame has either data or pixels")


@dataclass(frozen=True)
class Delivery:
    """What came of one trigger: its frames, each of its own role, and how far they can be trusted.

    `why`: in a clause, what is wrong with it where `status` is not `complete`. `trigger`: the id of the trigger that it
    answers, "" where there was none. `token`: whatever the camera needs to know it by when it is let go.
    """

    id: str
    camera: str
    frames: tuple[Frame, ...]
    taken_utc: str
    taken_mono_ns: int
    status: ShotStatus = "complete"
    why: str = ""
    part_id: str | None = None
    variant: str | None = None
    encoder_count: int | None = None
    robot_from_flange: RobotPose | None = None
    temperature_c: float | None = None
    trigger: str = ""
    token: Any = None


@dataclass(frozen=True, slots=True)
class Setting:
    """What of a camera can be set from the station; None leaves it as it is. `lamps`: their currents, 0 to 1."""

    exposure_s: float | None = None
    gain: float | None = None
    lamps: Mapping[str, float] = field(default_factory=dict)


class Camera(Protocol):
    """One camera, called by several threads: `take` by one of its own, `trigger` by those of wires, and `done` and
    `link` by the writer's. `start` comes before all of them; `set` and `stop` may come from any.
    """

    @property
    def name(self) -> str:
        """By what station.toml calls it."""
        ...

    @property
    def link(self) -> tuple[Link, str]:
        """Whether it is there, and since when or why not, in a clause."""
        ...

    def start(self) -> None:
        """Begin to take pictures; `UnusableInput` where that cannot be begun at all."""
        ...

    def trigger(self, trigger: Trigger) -> None:
        """Take a picture of a part now, or expect the one that it was triggered for; never blocks.

        What comes of it is a delivery in any case, an incomplete one where no picture comes.
        """
        ...

    def take(self, timeout_s: float) -> Delivery | None:
        """Return what was delivered next, None where nothing was within that time; never raises for a lost camera."""
        ...

    def done(self, delivery: Delivery) -> None:
        """Let go of a delivery: its record is in the ledger, and its pictures are kept or need not be."""
        ...

    def set(self, setting: Setting) -> Setting:
        """Set what can be set, and return what is then set; `UnusableInput` where a value cannot be."""
        ...

    def stop(self) -> None:
        """Stop, and let go of the device; `take` returns None at once from then on."""
        ...
