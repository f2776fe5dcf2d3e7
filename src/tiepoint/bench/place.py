"""Where something lies on the bench: a turn and a shift in the plane, and a height."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.render.scene import Lay

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Place:
    """The pose of a frame in the plane frame: its origin, the direction of its +x, its height."""

    x_mm: float = 0.0
    y_mm: float = 0.0
    angle_deg: float = 0.0
    height_mm: float = 0.0

    @property
    def lay(self) -> Lay:
        """The same pose for the renderer."""
        return Lay(self.x_mm, self.y_mm, self.angle_deg, self.height_mm)

    def to_plane(self, xy_mm: Array) -> Array:
        """Return points (n, 2) of the placed frame in the plane frame."""
        return np.asarray(np.atleast_2d(xy_mm) @ self._turn.T + (self.x_mm, self.y_mm))

    def from_plane(self, xy_mm: Array) -> Array:
        """Return points (n, 2) of the plane frame in the placed frame."""
        return np.asarray((np.atleast_2d(xy_mm) - (self.x_mm, self.y_mm)) @ self._turn)

    @property
    def _turn(self) -> Array:
        c, s = math.cos(math.radians(self.angle_deg)), math.sin(math.radians(self.angle_deg))
        return np.array([[c, -s], [s, c]])
