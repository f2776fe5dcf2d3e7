"""Which pixels of the sensor a picture shows, and when one picture's pixels are another's.

A tie belongs to the sensor setting of its photos. A shot with another crop, binning or flip is translated
where that is provable from what both state, and refused otherwise.
"""

from dataclasses import dataclass

from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.shot import Picture


class OtherSensor(UnusableInput):
    """A shot was taken with another sensor setting than the tie, and no translation can be proved."""


@dataclass(frozen=True, slots=True)
class Sensor:
    """The setting of one picture.

    `width_px`, `height_px`: size of the delivered picture. `offset_px`: first sensor column and row shown,
    in unbinned sensor pixels, counted in the orientation in which the picture is delivered. `binning`:
    sensor pixels per picture pixel along x and y. `flip`: mirrored along x, along y. `whole_px`: size of the
    whole sensor. None: not stated, as in a plain picture file.
    """

    width_px: int
    height_px: int
    offset_px: tuple[int, int] | None = None
    binning: tuple[int, int] | None = None
    flip: tuple[bool, bool] | None = None
    whole_px: tuple[int, int] | None = None

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the delivered picture."""
        return self.width_px, self.height_px


@dataclass(frozen=True, slots=True)
class Placing:
    """Where a shot's pixels lie in the tie's picture: x_tie = scale·x_shot + shift, per axis."""

    scale: tuple[float, float] = (1.0, 1.0)
    shift_px: tuple[float, float] = (0.0, 0.0)

    @property
    def is_identity(self) -> bool:
        """Whether the shot's pixels are the tie's."""
        return self == Placing()


def place(shot: Sensor, tie: Sensor) -> Placing:
    """Return where the pixels of `shot` lie in pictures of `tie`.

    Pixel i of a picture with binning b and offset o covers sensor pixels o + b·i … o + b·i + b − 1, whose
    middle is o + b·i + (b − 1)/2. Raises `OtherSensor` where what is stated does not prove the relation.
    """
    if _same_as_far_as_stated(shot, tie):
        return Placing()
    if shot.offset_px is None or tie.offset_px is None:
        raise OtherSensor(
            f"the shot is {_said(shot)} and the tie was made on {_said(tie)}; without the sensor offset of both "
            "they cannot be related: take the shot as the tie's photo was taken, or make a tie for this setting"
        )
    scale, shift = zip(*(_axis(shot, tie, axis) for axis in (0, 1)), strict=True)
    return Placing((scale[0], scale[1]), (shift[0], shift[1]))


def _same_as_far_as_stated(shot: Sensor, tie: Sensor) -> bool:
    return shot.size_px == tie.size_px and all(
        (a if a is not None else default) == (b if b is not None else default)
        for a, b, default in (
            (shot.offset_px, tie.offset_px, (0, 0)),
            (shot.binning, tie.binning, (1, 1)),
            (shot.flip, tie.flip, (False, False)),
        )
    )


def _axis(shot: Sensor, tie: Sensor, axis: int) -> tuple[float, float]:
    """Return scale and shift along one axis."""
    bin_shot, bin_tie = (s.binning[axis] if s.binning else 1 for s in (shot, tie))
    assert shot.offset_px is not None
    assert tie.offset_px is not None
    start_shot = shot.offset_px[axis] + (bin_shot - 1) / 2
    start_tie = tie.offset_px[axis] + (bin_tie - 1) / 2
    flipped = (shot.flip[axis] if shot.flip else False) != (tie.flip[axis] if tie.flip else False)
    sign = 1.0
    if flipped:
        whole = _whole(shot, tie, axis)
        start_shot, sign = whole - 1 - start_shot, -1.0
    return sign * bin_shot / bin_tie, (start_shot - start_tie) / bin_tie


def _whole(shot: Sensor, tie: Sensor, axis: int) -> int:
    """Return the whole sensor's extent: stated, or shown by two uncropped pictures of the same span."""
    stated = {s.whole_px[axis] for s in (shot, tie) if s.whole_px is not None}
    if len(stated) == 1:
        return stated.pop()
    spans = {s.size_px[axis] * (s.binning[axis] if s.binning else 1) for s in (shot, tie)}
    uncropped = all(s.offset_px is not None and s.offset_px[axis] == 0 for s in (shot, tie))
    if not stated and uncropped and len(spans) == 1:
        return spans.pop()
    raise OtherSensor(
        f"the shot is {_said(shot)} and the tie was made on {_said(tie)}: a flipped picture can be related only "
        "where the size of the whole sensor is known; state it, or take the shot with the tie's flip"
    )


def _said(sensor: Sensor) -> str:
    words = [f"{sensor.width_px} × {sensor.height_px} px"]
    if sensor.offset_px is not None:
        words.append(f"offset {sensor.offset_px[0]}, {sensor.offset_px[1]}")
    if sensor.binning is not None and sensor.binning != (1, 1):
        words.append(f"binning {sensor.binning[0]} × {sensor.binning[1]}")
    if sensor.flip is not None and any(sensor.flip):
        words.append("flipped along " + " and ".join(n for n, f in zip("xy", sensor.flip, strict=True) if f))
    return ", ".join(words)


def sensor_of(picture: Picture, stated: bool) -> Sensor:
    """Return the sensor setting of a shot's picture.

    `stated` is False for a plain picture file: its offset, binning and flip are then defaults, which prove nothing.
    """
    if not stated:
        return Sensor(*picture.size)
    flip = ("x" in picture.flip, "y" in picture.flip)
    return Sensor(*picture.size, picture.roi_offset, picture.binning, flip)
