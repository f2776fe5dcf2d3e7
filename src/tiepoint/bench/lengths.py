"""Gauge bars of certified length, laid out to verify a tie in the manner of ISO 10360-7 (from memory)."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.place import Place
from tiepoint.render.camera import UnrenderableScene

Array = NDArray[np.float64]

BAR_WIDTH_MM = 6.0


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar: true length, what its certificate says with its standard uncertainty, and where its middle lies."""

    name: str
    true_mm: float
    certified_mm: float
    u_mm: float
    place: Place
    width_mm: float = BAR_WIDTH_MM

    @property
    def corners_mm(self) -> Array:
        """The corners (4, 2) in the plane frame."""
        x, y = self.true_mm / 2, self.width_mm / 2
        return self.place.to_plane(np.array([[-x, -y], [x, -y], [x, y], [-x, y]]))


def verification_bars(
    centre_mm: tuple[float, float],
    field_mm: tuple[float, float],
    lengths_mm: Sequence[float],
    seed: int,
    *,
    turned: bool = False,
    height_mm: float = 0.0,
    u_mm: float = 0.0005,
) -> tuple[Bar, ...]:
    """Return five bars, in the middle and towards the corners of a field; along x, or along y if `turned`.

    Lengths are taken in turn from `lengths_mm`; each bar errs from its certificate within its `u_mm`, and lies
    up to 4° off its axis, as a person would lay it. Two calls (turned and not), at two heights each, give the
    positions, orientations and heights that a verification asks for.
    """
    rng = np.random.default_rng(seed)
    width, height = field_mm
    bars = []
    for k, (right, up) in enumerate(((0, 0), (-1, -1), (1, -1), (-1, 1), (1, 1))):
        length = float(lengths_mm[k % len(lengths_mm)])
        along, across = (height, width) if turned else (width, height)
        # As far out as the bar's own length allows, turned by its few degrees.
        free = np.array([(along - length) / 2 - 1, (across - BAR_WIDTH_MM - 0.08 * length) / 2 - 1])
        if free.min() < 0:
            raise UnrenderableScene(f"a bar of {length:g} mm does not fit the field; choose shorter lengths")
        shift = (free[::-1] if turned else free) * (right, up)
        angle = (90.0 if turned else 0.0) + float(rng.uniform(-4, 4))
        place = Place(centre_mm[0] + float(shift[0]), centre_mm[1] + float(shift[1]), angle, height_mm)
        true = length + u_mm * float(rng.standard_normal())
        bars.append(Bar(f"bar {k + 1}", true, length, u_mm, place))
    check_apart(bars)
    return tuple(bars)


def check_apart(bars: Sequence[Bar]) -> None:
    """Raise `UnrenderableScene` where two bars overlap: they could not lie so."""
    for k, one in enumerate(bars):
        for other in bars[k + 1 :]:
            if not _apart(one, other):
                raise UnrenderableScene(
                    f"{one.name} and {other.name} overlap; choose shorter lengths or a larger field"
                )


def _apart(one: Bar, other: Bar) -> bool:
    """Return whether some side of either rectangle separates the two."""
    for angle in (one.place.angle_deg, one.place.angle_deg + 90, other.place.angle_deg, other.place.angle_deg + 90):
        way = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
        first, second = one.corners_mm @ way, other.corners_mm @ way
        if first.max() < second.min() or second.max() < first.min():
            return True
    return False
