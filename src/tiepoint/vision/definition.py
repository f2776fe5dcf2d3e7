"""The edge that is meant against the edge that is seen: bevel, burr, blooming, the side that the light comes from.

Such causes shift every edge of a part towards its bright or its dark side, by much the same amount everywhere. So
they are one source, common to all edges, with a sign for each: +1 where the side along the normal is the brighter
one, −1 where the darker. In a width between opposite polarities the shift counts twice; between equal ones it cancels.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import Scope, Source

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class EdgeDefinition:
    """How far the seen edges lie towards the light: `bias`, known with the standard uncertainty `u`, in one unit.

    The bias is what the shift is known to be (0 where nothing is known). The unit (px or mm) is the caller's, the same
    as that of the points. `cause` is named in the budget.
    """

    u: float
    bias: float = 0.0
    cause: str = "edge definition"
    scope: Scope = "station"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.bias) and self.u >= 0 and math.isfinite(self.u)):
            raise UnusableInput(f"an edge definition of {self.bias:g} ± {self.u:g} cannot be used; give finite lengths")

    def source(self, prefix: str) -> Source:
        """Return the one source that all edges of a part share; `prefix` makes its id global."""
        return Source(f"{prefix}:edge-definition", self.cause, "B", self.u, self.scope)

    def corrected(self, points: Array, normals: Array, light: Array) -> Array:
        """Return points (n, 2) moved back by the bias; `light` (n,): +1 where the side along the normal is brighter."""
        return np.asarray(points - self.bias * light[:, None] * normals)


def shift_coefficients(sensitivity: Array, light: Array) -> Array:
    """Return how each parameter of a fit moves with a common shift towards the light: M·light, (p,).

    `sensitivity` (p, n) as fits give it; `light` (n,) is +1 where the side along the fit's own normal is the brighter.
    """
    return np.asarray(sensitivity @ light)
