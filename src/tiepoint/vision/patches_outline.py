"""The line that surrounds a patch: crossings of a level between neighbouring pixels, in their order along it."""

from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]

WITHIN = 0.01
"""How near to its plateau a pixel still says where an edge is, as a share of the step."""

SMOOTHING = 4
"""So often the turn of an outline is averaged with that of its neighbours: over a pixel to each side."""


@dataclass(frozen=True)
class Outline:
    """n crossings of a level, loop after loop: `loop` (n,) counts them; the patch lies always on the same side.

    `points` (n, 2) px, each between two pixels `pixels` (n, 2, as running numbers) on the way `step` (n, 2) from the
    first, which belongs to the patch, to the second. `by_pixels` (n, 2): how far the crossing moves along `step` with a
    grey level more in either pixel, `by_level` (n,): with one more in the level. All zero where the patch is cut.
    `blur_px` (n,): of the edge there, along the step; NaN where it is not known. `cut` (n,): where the patch goes on
    beyond what may be looked at.
    """

    points: Array
    step: Array
    pixels: Ints
    by_pixels: Array
    by_level: Array
    blur_px: Array
    cut: Bools
    loop: Ints

    def __len__(self) -> int:
        return len(self.points)

    def shifted(self, x: float, y: float) -> "Outline":
        """Return the same outline in a picture in which its own starts at (x, y)."""
        return replace(self, points=self.points + np.array([x, y]))

    def neighbours(self) -> tuple[Ints, Ints]:
        """Return for each crossing (n,) which one comes before it in its loop, and which after it."""
        index = np.arange(len(self))
        starts = np.flatnonzero(np.r_[True, self.loop[1:] != self.loop[:-1]])
        ends = np.r_[starts[1:], len(self)] - 1
        before, after = index - 1, index + 1
        before[starts], after[ends] = ends, starts
        return before, after


def drawn_in_by_curvature(line: Outline, blur_px: float) -> Array:
    """Return how far the points (n, 2) of an outline lie inside of the edge that it stands for: px, vectors outwards.

    Behind a blur w the middle of an edge of curvature κ is seen κw²/2 towards the middle of its curve, and the chords
    of length h between its points cut off an area of κh³/12. Both follow the turn of the outline, which is averaged
    over some points along it. As ∮κ ds is 2π whatever the form, the area gains π·w² and 2π·Σh³/(12·Σh) in all.
    """
    before, after = line.neighbours()
    ahead = line.points[after] - line.points
    chord = np.hypot(ahead[:, 0], ahead[:, 1])
    back = ahead[before]
    turn = np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], np.einsum("ni,ni->n", back, ahead))
    span = (chord + chord[before]) / 2.0
    for _ in range(SMOOTHING):
        turn, span = (0.25 * v[before] + 0.5 * v + 0.25 * v[after] for v in (turn, span))
    along = line.points[after] - line.points[before]
    # A loop runs clockwise as seen, so that what is to its left as seen in a picture is outside.
    normal = np.column_stack([along[:, 1], -along[:, 0]]) / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    by_chords = float(np.sum(chord**3) / np.sum(chord)) / 12.0
    return np.asarray((turn / np.maximum(span, 1e-9) * (blur_px**2 / 2.0 + by_chords))[:, None] * normal)


def outline_of(
    grey: Array, belongs: Bools, usable: Bools, level: float, plateaus: tuple[float, float] | None
) -> Outline:
    """Return the outline of the pixels that belong to one patch (rows, columns), none of them at the border.

    They lie on one side of the `level`, their neighbours on the other. `usable` (rows, columns): which pixels may be
    looked at; against others the line runs half-way. A pixel's distance from the edge follows from its grey by the
    error function between the `plateaus` (inside, outside): for a straight edge behind a Gaussian blur that is exact at
    any angle. Without plateaus it is taken as linear.
    """
    first, way, loop = _follow(np.ascontiguousarray(belongs))
    cols = grey.shape[1]
    dx, dy = _STEPS[way].T
    second = first + dy * cols + dx
    a, b = grey.ravel()[first], grey.ravel()[second]
    step = np.column_stack([dx, dy]).astype(float)
    cut = ~usable.ravel()[second]
    t, by_pixels, by_level, blur = _linear(a, b, level) if plateaus is None else _by_error(a, b, level, plateaus)
    t = np.where(cut, 0.5, t)
    by_pixels[cut], by_level = 0.0, np.where(cut, 0.0, by_level)
    points = np.column_stack([first % cols, first // cols]) + t[:, None] * step
    blur = np.where(cut, np.nan, blur)
    return Outline(points, step, np.column_stack([first, second]), by_pixels, by_level, blur, cut, loop)


_STEPS = np.array([[1, 0], [0, 1], [-1, 0], [0, -1]])


def _linear(a: Array, b: Array, level: float) -> tuple[Array, Array, Array, Array]:
    d = np.where(a == b, 1e-300, b - a)
    t = np.clip((level - a) / d, 0.0, 1.0)
    return t, np.column_stack([-(1.0 - t) / d, -t / d]), 1.0 / d, np.full(len(a), np.nan)


def _by_error(a: Array, b: Array, level: float, plateaus: tuple[float, float]) -> tuple[Array, Array, Array, Array]:
    """Return place, its derivatives and the blur along the step, with z = Φ⁻¹ of the share of the plateau inside."""
    inner, outer = plateaus
    height = inner - outer
    shares = [np.clip((grey - outer) / height, WITHIN, 1.0 - WITHIN) for grey in (a, b, np.array([level]))]
    za, zb, zl = (special.ndtri(q) for q in shares)
    fall = np.maximum(za - zb, 1e-9)
    t = np.clip((za - zl) / fall, 0.0, 1.0)
    # dz/dgrey = 1/(height·φ(z)); what is drawn in to the plateau says nothing any more.
    slope_a, slope_b, slope_l = (
        np.where((q > WITHIN) & (q < 1 - WITHIN), np.sqrt(2 * np.pi) * np.exp(0.5 * z * z) / height, 0.0)
        for q, z in zip(shares, (za, zb, zl), strict=True)
    )
    by_pixels = np.column_stack([(1.0 - t) * slope_a, t * slope_b]) / fall[:, None]
    return t, by_pixels, -slope_l / fall, 1.0 / fall


@njit(cache=True, nogil=True, error_model="numpy")
def _follow(belongs: Bools) -> tuple[Ints, Ints, Ints]:
    """Return the crossings around the pixels that belong, (n,) each: the pixel's number, which way out, which loop.

    Ways are right, down, left, up. Pixels that touch at a corner belong together, so a loop goes on across it.
    """
    rows, cols = belongs.shape
    seen = np.zeros((rows, cols, 4), np.bool_)
    dx, dy = np.array([1, 0, -1, 0]), np.array([0, 1, 0, -1])
    most = 4 * np.sum(belongs)
    first, way, loop = np.empty(most, np.int64), np.empty(most, np.int64), np.empty(most, np.int64)
    n, loops = 0, 0
    for i in range(1, rows - 1):
        for j in range(1, cols - 1):
            if not belongs[i, j]:
                continue
            for d in range(4):
                if seen[i, j, d] or belongs[i + dy[d], j + dx[d]]:
                    continue
                y, x, w = i, j, d
                while not seen[y, x, w]:
                    seen[y, x, w] = True
                    first[n], way[n], loop[n] = y * cols + x, w, loops
                    n += 1
                    e = (w + 1) % 4
                    if belongs[y + dy[w] + dy[e], x + dx[w] + dx[e]]:
                        y, x, w = y + dy[w] + dy[e], x + dx[w] + dx[e], (w + 3) % 4
                    elif belongs[y + dy[e], x + dx[e]]:
                        y, x = y + dy[e], x + dx[e]
                    else:
                        w = e
                loops += 1
    return first[:n], way[:n], loop[:n]
