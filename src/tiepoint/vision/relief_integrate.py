"""Slopes to relief: the surface whose steps from pixel to pixel come closest, in least squares, to what slopes say.

Poisson's equation with free borders, solved by the cosine transform (Simchony, Chellappa and Shao, IEEE PAMI 12, 1990).
We depart from it in the slope on the face between two pixels: (−s₋₁ + 13·s₀ + 13·s₁ − s₂)/24 is its mean over the way
from one to the other to fourth order, where (s₀ + s₁)/2 is so to second order. At a border, where one of
the four is missing, the latter serves.
"""

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tiepoint.vision.relief_kernels import FAST

Picture = NDArray[np.float32]


def integrate(slope_x: Picture, slope_y: Picture, matrix: NDArray[Any] | None = None) -> Picture:
    """Return the relief (rows, cols) f32, of mean 0, of slopes along the plane's x and y.

    `matrix` (2, 2) takes a step in pixels (x right, y down) to one on the plane; None: 1 px, y up. The relief is in the
    matrix's unit. What is common to the whole border, a tilt, is kept: free borders take nothing for level.
    """
    from scipy import fft

    step = np.array([[1.0, 0.0], [0.0, -1.0]]) if matrix is None else np.asarray(matrix, float)
    (a, b), (c, d) = (tuple(np.float32(v) for v in column) for column in step.T)
    spread = np.empty_like(slope_x)
    divergence(slope_x, slope_y, a, b, c, d, spread)
    spectrum = fft.dctn(spread, type=2, overwrite_x=True)
    rows, cols = slope_x.shape
    _divide(spectrum, *(_eigenvalues(n) for n in (rows, cols)))
    return np.asarray(fft.idctn(spectrum, type=2, overwrite_x=True), np.float32)


def _eigenvalues(n: int) -> Picture:
    """Return those of the second difference with free ends: 4·sin²(πk/2n)."""
    return np.asarray(4 * np.sin(np.pi * np.arange(n) / (2 * n)) ** 2, np.float32)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _divide(spectrum, along_y, along_x):  # type: ignore[no-untyped-def]  # numba infers
    rows, cols = spectrum.shape
    spectrum[0, 0] = np.float32(0.0)
    for x in range(1, cols):
        spectrum[0, x] /= -along_x[x]
    for y in range(1, rows):
        of_row = along_y[y]
        for x in range(cols):
            spectrum[y, x] /= -(of_row + along_x[x])


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def divergence(slope_x, slope_y, a, b, c, d, out):  # type: ignore[no-untyped-def]  # numba infers
    """Write what the faces of each pixel give off: a step right rises a·p + b·q, a step down c·p + d·q."""
    rows, cols = slope_x.shape
    far, near, half = np.float32(-1.0 / 24.0), np.float32(13.0 / 24.0), np.float32(0.5)
    right = np.empty(cols, np.float32)
    above = np.zeros(cols, np.float32)
    for y in range(rows):
        p, q = slope_x[y], slope_y[y]
        for x in range(cols):
            right[x] = a * p[x] + b * q[x]
        line = out[y]
        if y + 1 == rows:
            for x in range(cols):
                line[x] = -above[x]
        elif y == 0 or y + 2 == rows:
            p1, q1 = slope_x[y + 1], slope_y[y + 1]
            for x in range(cols):
                face = half * (c * (p[x] + p1[x]) + d * (q[x] + q1[x]))
                line[x] = face - above[x]
                above[x] = face
        else:
            p0, q0, p1, q1, p2, q2 = (
                slope_x[y - 1], slope_y[y - 1], slope_x[y + 1], slope_y[y + 1], slope_x[y + 2], slope_y[y + 2],
            )  # fmt: skip
            for x in range(cols):
                face = c * (far * (p0[x] + p2[x]) + near * (p[x] + p1[x])) + d * (
                    far * (q0[x] + q2[x]) + near * (q[x] + q1[x])
                )
                line[x] = face - above[x]
                above[x] = face
        _faces_along(right, line)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _faces_along(step, line):  # type: ignore[no-untyped-def]  # numba infers
    """Add to a line, of five pixels or more, what the faces between neighbours along it give off."""
    cols = step.shape[0]
    far, near, half = np.float32(-1.0 / 24.0), np.float32(13.0 / 24.0), np.float32(0.5)
    first, last = half * (step[0] + step[1]), half * (step[cols - 2] + step[cols - 1])
    line[0] += first
    line[cols - 1] -= last
    line[1] += near * (step[1] + step[2]) + far * (step[0] + step[3]) - first
    for x in range(2, cols - 2):
        # Of two faces with four values each, most cancel.
        line[x] += far * (step[x + 2] - step[x - 2]) + (near - far) * (step[x + 1] - step[x - 1])
    line[cols - 2] += last - (near * (step[cols - 3] + step[cols - 2]) + far * (step[cols - 4] + step[cols - 1]))
