"""What one trigger delivered, and the geometry of the sensor that delivered it."""

from dataclasses import dataclass
from typing import Literal

ShotStatus = Literal["complete", "incomplete", "repeated", "late", "out_of_order"]
Flip = Literal["none", "x", "y", "xy"]


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture of a shot: where it came from, and the hash of its pixels (dtype, shape, data).

    `size` is (width, height) in px; `roi_offset` (x, y) in unbinned sensor px; `binning` (x, y).
    """

    role: str
    pixels_sha256: str
    size: tuple[int, int]
    bits: int
    pixel_format: str
    camera: str = ""
    light: str | None = None
    roi_offset: tuple[int, int] = (0, 0)
    binning: tuple[int, int] = (1, 1)
    flip: Flip = "none"
    exposure_s: float | None = None
    gain: float | None = None
    file: str | None = None


@dataclass(frozen=True, slots=True)
class RobotPose:
    """A pose as sent by a robot: position in mm and a unit quaternion (w, x, y, z)."""

    position_mm: tuple[float, float, float]
    quaternion: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Shot:
    """What one trigger delivered: one picture, or one per light. Times are UTC text (RFC 3339)."""

    id: str
    pictures: tuple[Picture, ...]
    taken_utc: str | None = None
    taken_mono_ns: int | None = None
    part_id: str | None = None
    variant: str | None = None
    encoder_count: int | None = None
    robot_from_flange: RobotPose | None = None
    temperature_c: float | None = None
    status: ShotStatus = "complete"
