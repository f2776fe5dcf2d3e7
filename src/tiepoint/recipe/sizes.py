"""One size from many edge points: the operators of ISO 14405-1, each as a linear form over the points."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Value
from tiepoint.recipe.context import Context
from tiepoint.recipe.shapes import FoundCircle

Array = NDArray[np.float64]
SizeOperator = Literal["least-squares"]


def diameter_of(context: Context, found: FoundCircle, operator: SizeOperator) -> Value | Reason:
    """Return the diameter of a found circle by an operator."""
    return found.values[2].times(2.0)
