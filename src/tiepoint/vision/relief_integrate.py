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


def integrate(slope_x: Picture, slope_y: Picture, matrix: NDArray[Any] | None = None, factor: float = 1.0) -> Picture:
    """Return the relief (rows, cols) f32, of mean 0, of slopes along the plane's x and y.

    `matrix` (2, 2) takes a step in pixels (x right, y down) to one on the plane; None: 1 px, y up. The relief is in the
    matrix's unit, times `factor`. What is common to the whole border, a tilt, is kept: free borders take nothing for
    level.
    """
    from scipy import fft

    step = np.array([[1.0, 0.0], [0.0, -1.0]]) if matrix is None else np.asarray(matrix, float)
    (a, b), (c, d) = (tuple(np.float32(v) for v in column) for column in step.T)
    spread = np.empty_like(slope_x)
    divergence(slope_x, slope_y, a, b, c, d, spread)
    spectrum = fft.dctn(spread, type=2, overwrite_x=True)
    rows, cols = slope_x.shape
    _divide(spectrum, *(_eigenvalues(n) / np.float32(factor) for n in (rows, cols)))
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
    right = np.empty(cols, np.float32)
    above = np.zeros(cols, np.float32)
    down = np.zeros((4, cols), np.float32)  # of four rows, each by its number modulo 4
    for y in range(2):
        _combined(slope_x[y], slope_y[y], c, d, down[y])
    for y in range(rows):
        if y + 2 < rows:
            _combined(slope_x[y + 2], slope_y[y + 2], c, d, down[(y + 2) % 4])
        if y + 1 == rows:
            _last_faces(above, out[y])
        elif y == 0 or y + 2 == rows:
            _faces_of_two(down[y % 4], down[(y + 1) % 4], above, out[y])
        else:
            _faces_of_four(down[(y + 3) % 4], down[y % 4], down[(y + 1) % 4], down[(y + 2) % 4], above, out[y])
        _combined(slope_x[y], slope_y[y], a, b, right)
        _faces_along(right, out[y])


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _combined(p, q, a, b, out):  # type: ignore[no-untyped-def]  # numba infers
    for x in range(out.shape[0]):
        out[x] = a * p[x] + b * q[x]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _last_faces(above, line):  # type: ignore[no-untyped-def]  # numba infers
    for x in range(line.shape[0]):
        line[x] = -above[x]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _faces_of_two(here, next_, above, line):  # type: ignore[no-untyped-def]  # numba infers
    for x in range(line.shape[0]):
        face = np.float32(0.5) * (here[x] + next_[x])
        line[x] = face - above[x]
        above[x] = face


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _faces_of_four(before, here, next_, after, above, line):  # type: ignore[no-untyped-def]  # numba infers
    far, near = np.float32(-1.0 / 24.0), np.float32(13.0 / 24.0)
    for x in range(line.shape[0]):
        face = far * (before[x] + after[x]) + near * (here[x] + next_[x])
        line[x] = face - above[x]
        above[x] = face


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST, forceinline=True)
def _faces_along(step, line):  # type: ignore[no-untyped-def]  # numba infers
    """Add to a line, of five pixels or more, what the faces between neighbours along it give off."""
    cols = step.shape[0]
    far, near, half = np.float32(-1.0 / 24.0), np.float32(13.0 / 24.0), np.float32(0.5)
    first, last = half * (step[0] + step[1]), half * (step[cols - 2] + step[cols - 1])
    line[0] += first
    line[cols - 1] -= last
    line[1] += near * (step[1] + step[2]) + far * (step[0] + step[3]) - first
    # Of two faces with four values each, most cancel. Slices, so that the loop is one of vectors: indices that might be
    # negative are not.
    one, two, four, five, inner = step[:-4], step[1:-3], step[3:-1], step[4:], line[2:-2]
    for k in range(inner.shape[0]):
        inner[k] += far * (five[k] - one[k]) + (near - far) * (four[k] - two[k])
    line[cols - 2] += last - (near * (step[cols - 3] + step[cols - 2]) + far * (step[cols - 4] + step[cols - 1]))
