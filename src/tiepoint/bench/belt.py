"""A belt: parts ride along one direction, and an encoder counts the way."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.place import Place

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Belt:
    """A belt that moves by `mm_per_count` towards `direction_deg` (counter-clockwise from plane +x).

    Parts lie `pitch_mm` apart along it, each off by up to `along_mm` along and `across_mm` across the belt.
    `middle_mm` is the point of the plane that part 0 would pass at count 0 were it not off.
    """

    mm_per_count: float = 0.05
    direction_deg: float = 3.0
    pitch_mm: float = 100.0
    along_mm: float = 8.0
    across_mm: float = 6.0
    middle_mm: tuple[float, float] = (60.0, 45.0)

    @property
    def way(self) -> Array:
        """The unit vector (2,) along which parts move, in the plane."""
        return np.array([math.cos(math.radians(self.direction_deg)), math.sin(math.radians(self.direction_deg))])

    def carried(self, place: Place, counts: float) -> Place:
        """Return where something lies `counts` later: shifted, not turned."""
        x, y = counts * self.mm_per_count * self.way
        return replace(place, x_mm=place.x_mm + float(x), y_mm=place.y_mm + float(y))

    def count_of(self, number: int) -> int:
        """Return the count at which part `number` is nearest to the middle, were it not off."""
        return round(number * self.pitch_mm / self.mm_per_count)

    def middle_of(self, number: int, count: float, rng: np.random.Generator) -> Array:
        """Return the place (2,) of part `number`'s middle at a count; its own offset is drawn from `rng`."""
        along, across = rng.uniform(-1, 1, 2) * (self.along_mm, self.across_mm)
        along += count * self.mm_per_count - number * self.pitch_mm
        x, y = self.way
        return np.asarray(self.middle_mm + along * self.way + across * np.array([-y, x]))

    def numbers_within(self, count: float, reach_mm: float) -> range:
        """Return the numbers of the parts whose middle may lie within `reach_mm` of the belt's middle point."""
        centre, spare = count * self.mm_per_count / self.pitch_mm, (reach_mm + self.along_mm) / self.pitch_mm
        return range(math.ceil(centre - spare), math.floor(centre + spare) + 1)
