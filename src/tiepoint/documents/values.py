"""Values as documents tell them."""

import math

from tiepoint.foundation.sources import Value


def value_document(value: Value, factor: float = 1.0) -> dict[str, float | None]:
    """Return a value as JSON types, multiplied into the unit that it is told in; infinite `dof` are null."""
    dof = value.dof if math.isfinite(value.dof) else None
    return {"value": factor * value.value, "u": factor * value.u, "dof": dof, "U95": factor * value.U95}
