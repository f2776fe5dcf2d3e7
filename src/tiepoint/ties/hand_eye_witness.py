"""OpenCV's five ways to solve A·X = X·B, on the same poses and judged in the same way: at poses they have not seen."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.ties.hand_eye_fit import Rows, rotation_vectors
from tiepoint.ties.hand_eye_start import best_target

Array = NDArray[np.float64]

WAYS = {
    "Tsai": cv2.CALIB_HAND_EYE_TSAI,
    "Park": cv2.CALIB_HAND_EYE_PARK,
    "Horaud": cv2.CALIB_HAND_EYE_HORAUD,
    "Andreff": cv2.CALIB_HAND_EYE_ANDREFF,
    "Daniilidis": cv2.CALIB_HAND_EYE_DANIILIDIS,
}


@dataclass(frozen=True)
class Method:
    """A way to solve, its X (4, 4), and its rms errors at left-out poses in mm and rad; NaN where it did not solve."""

    name: str
    x: Array
    unseen_mm: float
    unseen_rad: float


def side_by_side(rows: Rows) -> tuple[Method, ...]:
    """Return every method of OpenCV on the rows, each pose predicted once by the others."""
    return tuple(_judged(rows, name) for name in WAYS)


def solved_by(rows: Rows, name: str) -> Array:
    """Return the X (4, 4) of one method; NaN where it does not solve."""
    a, b = rows.a, rows.b
    try:
        r, t = cv2.calibrateHandEye(
            list(a[:, :3, :3]), list(a[:, :3, 3]), list(b[:, :3, :3]), list(b[:, :3, 3]), method=WAYS[name]
        )
    except cv2.error:
        return np.full((4, 4), np.nan)
    x = np.eye(4)
    x[:3, :3], x[:3, 3] = r, np.ravel(t)
    return x


def _judged(rows: Rows, name: str) -> Method:
    missed = []
    for k in range(len(rows)):
        others = np.arange(len(rows)) != k
        x = solved_by(rows.only(others), name)
        if not np.isfinite(x).all():
            missed.append(np.full(6, np.nan))
            continue
        y = best_target(rows.a[others], rows.b[others], x, rows.middle_mm)
        here = rows.a[k] @ x @ rows.b[k]
        turn = rotation_vectors((here[:3, :3] @ y[:3, :3].T)[None])[0]
        missed.append(np.concatenate([turn, (here - y)[:3, :3] @ rows.middle_mm + (here - y)[:3, 3]]))
    squares = np.square(missed)
    turn_rad, shift_mm = (float(np.sqrt(v.sum(axis=1).mean())) for v in (squares[:, :3], squares[:, 3:]))
    return Method(name, solved_by(rows, name), shift_mm, turn_rad)
