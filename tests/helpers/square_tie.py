"""A camera square over the plane, whose pixels are millimetres without any doubt but that of a print's scale."""

import numpy as np

from tiepoint.foundation.sources import Source
from tiepoint.ties.tie import PARAMETERS, Sensor, Tie


def square_tie(scale: float, cols: int, rows: int, u_scale: float = 0.0) -> Tie:
    """Return x = scale·u, y = scale·(rows − 1 − v), with a print scale known to `u_scale`."""
    H = np.array([[scale, 0, 0], [0, -scale, scale * (rows - 1)], [0, 0, 1]])
    column = np.concatenate([H[:2].ravel(), np.zeros(len(PARAMETERS) - 6)])
    region = np.array([[0, 0], [cols - 1, 0], [cols - 1, rows - 1], [0, rows - 1.0]])
    sources = (Source("rule 12", "scale of the rule", "B", u_scale, "instrument"),) if u_scale else ()
    return Tie(
        "exact", "target", "image", "plane", "projective", H, region, sources=sources,
        factor=column[:, None] if u_scale else np.zeros((len(PARAMETERS), 0)), sensor=Sensor(cols, rows),
    )  # fmt: skip
