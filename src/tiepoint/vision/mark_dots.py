"""Data Matrix of separate dots: read from the lattice on which the dots lie, not from edges that are not there.

A reader made for print follows the two solid sides of the symbol's border. On metal these are rows of dots with gaps,
as far apart as dots and grain are alike, and there is nothing to follow. But all dots of a mark lie on one lattice, and
the picture's spectrum adds them up, whatever they say. So: the lattice's two frequencies are the spikes in the spectrum
of a window of the dots' response, its phase follows from the Fourier coefficients there, and the lattice is fitted to
the dots in growing circles (affine, then projective, so that perspective is followed). Each cell is sampled, for how
bright it is and for how much it looks like a dot; the place and size of the symbol follow from its border (two solid
sides, two broken ones), and the cells are handed as a clean symbol to the decoder, whose error correction judges them.
"""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
import scipy.fft
from numba import njit
from numpy.typing import NDArray

from tiepoint.vision.mark_border import Place, places_of
from tiepoint.vision.mark_place import mapped, place_of_dots
from tiepoint.vision.mark_seen import Array, MarkSeen, Picture, see

Floats = NDArray[np.float32]

LEAST_STEP_PX, MOST_STEP_PX = 3.5, 16.0
"""Distance of dots in prepared pixels; other rungs shrink the picture."""
WINDOW = 128
SPECTRUM = 256
DOT_PX = 1.2
"""Standard deviation of the blur before curvatures are taken: dots of two pixels' radius answer best."""
MOST_WINDOWS = 40
MOST_LATTICES = 4
CLEAR = 9.0
"""A lattice that stands out so much (in logarithms of power, two spikes and their sums) is tried at once."""
FAINT = 7.5
"""A lattice that stands out less is not tried: grain and noise reach 7; of 144 marks that were read (the bench's peened
ones) none had less than 9."""
MOST_PLACES = 4
REACH = 36
"""Cells to each side of the window's middle that are sampled."""


@dataclass(frozen=True)
class Lattice:
    """`px_from_cell` (3, 3): where the middle of cell (u, v) lies in px; `score` of its periodicity."""

    px_from_cell: Array
    score: float


def see_dots(picture: Picture, is_bright: bool) -> list[MarkSeen]:
    """Return the Data Matrix of dots that a prepared picture shows, bright or dark on their ground; none without."""
    response = _response(picture, is_bright)
    dots = _dots(response)
    for lattice in _lattices(response):
        grown = _grown(dots, lattice)
        for cells in _sampled(picture, is_bright, response, grown):
            for place in itertools.islice(places_of(cells), MOST_PLACES):
                mark = _decoded(place, grown)
                if mark is not None:
                    return [_placed(mark, place, dots)]
    return []


def _response(picture: Picture, is_bright: bool) -> Floats:
    """Return how much each place looks like the middle of a dot: its curvature across the flattest direction.

    A dot is curved in every direction, the grain of a brushed surface in one alone.
    """
    work = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), DOT_PX)
    xx, yy, xy = (np.asarray(cv2.Sobel(work, -1, dx, dy), np.float32) for dx, dy in ((2, 0), (0, 2), (1, 1)))
    curved = _curved(xx, yy, xy, np.float32(-0.5 if is_bright else 0.5))
    spread = float(np.sqrt(np.mean(curved * curved)))
    return np.asarray(np.clip(curved * np.float32(1 / max(spread, 1e-3)), -1.0, 4.0), np.float32)


@njit(cache=True, nogil=True, error_model="numpy")
def _curved(xx: Floats, yy: Floats, xy: Floats, sign: np.float32) -> Floats:
    told = np.empty_like(xx)
    half = np.float32(0.5)
    for y in range(xx.shape[0]):
        for x in range(xx.shape[1]):
            a, b, c = xx[y, x], yy[y, x], xy[y, x]
            d = half * (a - b)
            told[y, x] = sign * (a + b) - math.sqrt(d * d + c * c)
    return told


# --- the lattice ---------------------------------------------------------------------------------------------------


def _lattices(response: Floats) -> Iterator[Lattice]:
    """Give the likeliest lattices: a clear one as soon as a window shows it, then the best of the others.

    Windows come by how much stands out in them, so that a mark that does costs one or two of them.
    """
    others: list[Lattice] = []
    given = 0
    for y, x in _windows(response):
        lattice = _lattice_in(response, y, x)
        if lattice is None or lattice.score < FAINT:
            continue
        if lattice.score >= CLEAR and given < MOST_LATTICES:
            given += 1
            yield lattice
        else:
            others.append(lattice)
    yield from sorted(others, key=lambda lattice: -lattice.score)[: MOST_LATTICES - given]


def _windows(response: Floats) -> list[tuple[int, int]]:
    """Return the first rows and columns of windows over the picture, those with the most that stands out first."""
    rows, cols = (
        sorted({*range(0, max(size - WINDOW, 0) + 1, WINDOW // 2), max(size - WINDOW, 0)}) for size in response.shape
    )
    tops = cv2.integral(np.square(np.maximum(response - 1.5, 0)))
    low, right = (
        np.minimum(np.array(first) + WINDOW, size) for first, size in zip((rows, cols), response.shape, strict=True)
    )
    sums = tops[low][:, right] - tops[rows][:, right] - tops[low][:, cols] + tops[rows][:, cols]
    order = np.argsort(-sums, axis=None, kind="stable")[:MOST_WINDOWS]
    return [(rows[k // len(cols)], cols[k % len(cols)]) for k in order.tolist()]


def _lattice_in(response: Floats, y: int, x: int) -> Lattice | None:
    window = response[y : y + WINDOW, x : x + WINDOW]
    rows, cols = window.shape
    hann = np.outer(np.hanning(rows + 2)[1:-1], np.hanning(cols + 2)[1:-1])
    weight = hann * (window - window.mean())
    told = _frequencies(_prominence(weight))
    if told is None:
        return None
    frequency, score = told
    middle = (np.array([cols, rows]) - 1) / 2
    ys, xs = np.arange(rows) - middle[1], np.arange(cols) - middle[0]
    turns = [np.exp(-2j * np.pi * k[1] * ys) @ weight @ np.exp(-2j * np.pi * k[0] * xs) for k in frequency]
    basis = np.linalg.inv(frequency)
    origin = basis @ (-np.angle(turns) / (2 * np.pi)) + middle + (x, y)
    return Lattice(np.vstack([np.column_stack([basis, origin]), [0, 0, 1]]), score)


def _prominence(weight: Array) -> Floats:
    """Return by how much each frequency stands out from its neighbourhood, in logarithms of the power.

    Rows are frequencies along y, zero in the middle; columns along x from zero up. The grain of a surface fills whole
    regions, a lattice gives single spikes at its own frequency and its multiples.
    """
    turned = scipy.fft.rfft2(weight.astype(np.float32), (SPECTRUM, SPECTRUM))
    power = np.fft.fftshift(np.square(turned.real) + np.square(turned.imag), axes=0)
    told = cv2.log(cv2.blur(power, (3, 3)) + 1e-3)
    return np.asarray(told - cv2.blur(told, (31, 31)), np.float32)


def _frequencies(prominence: Floats) -> tuple[Array, float] | None:
    """Return the two frequencies of the lattice as rows (2, 2), cycles a pixel, and how clear they are."""
    spikes = _spikes(prominence)
    pairs = []
    for k, a in enumerate(spikes):
        for b in spikes[k + 1 :]:
            size_a, size_b = math.hypot(*a), math.hypot(*b)
            cross = (a[0] * b[1] - a[1] * b[0]) / (size_a * size_b)
            if abs(cross) >= 0.8 and 0.7 < size_a / size_b < 1.43:
                pairs.append(np.array([a, b if cross > 0 else -b]))
    if not pairs:
        return None
    both = np.array(pairs)
    mixed = np.stack([both[:, 0] + both[:, 1], both[:, 0] - both[:, 1]], axis=1)
    heights = _heights(prominence, np.hstack([both, mixed]).reshape(-1, 2)).reshape(-1, 4)
    scores = 2 * heights[:, :2].min(axis=1) + heights[:, 2:].sum(axis=1) / 2
    best = int(scores.argmax())
    return pairs[best], float(scores[best])


def _spikes(prominence: Floats) -> Array:
    """Return the frequencies (n, 2) of the highest spikes, one of each pair ±, cycles a pixel."""
    half = SPECTRUM // 2
    # A lattice along the picture's rows has a spike in the first column: it needs neighbours on the other side, and
    # there each frequency is the opposite of one on this side.
    beyond = np.roll(prominence[::-1, 2:0:-1], 1, axis=0)
    wide = np.ascontiguousarray(np.hstack([beyond, prominence]))
    top = (wide == cv2.dilate(wide, np.ones((5, 5), np.uint8))) & (wide > 1.0)
    ys, xs = np.nonzero(top[1:-1, 2:-1])
    ys, xs = ys + 1, xs + 2
    sizes = np.hypot(xs - 2, ys - half) / SPECTRUM
    inside = (sizes > 1 / MOST_STEP_PX) & (sizes < 1 / LEAST_STEP_PX)
    ys, xs = ys[inside], xs[inside]
    order = np.argsort(-wide[ys, xs], kind="stable")[:14]
    found = [_summit(wide, x, y) for x, y in zip(xs[order].tolist(), ys[order].tolist(), strict=True)]
    return np.array(found).reshape(-1, 2) - [2 / SPECTRUM, 0.0]


def _summit(prominence: Floats, x: int, y: int) -> tuple[float, float]:
    """Return the frequency at the top of the parabolas through a maximum and its neighbours."""

    def top(low: float, mid: float, high: float) -> float:
        bend = low - 2 * mid + high
        return 0.5 * (low - high) / bend if bend < 0 else 0.0

    here = float(prominence[y, x])
    across = top(float(prominence[y, x - 1]), here, float(prominence[y, x + 1]))
    down = top(float(prominence[y - 1, x]), here, float(prominence[y + 1, x]))
    return (x + across) / SPECTRUM, (y + down) / SPECTRUM - 0.5


def _heights(prominence: Floats, frequencies: Array) -> Floats:
    upright = frequencies * np.where(frequencies[:, :1] < 0, -1, 1)
    places = np.array([0, SPECTRUM // 2]) + upright * SPECTRUM
    told = cv2.remap(prominence, places[:, :1].astype(np.float32), places[:, 1:].astype(np.float32), cv2.INTER_LINEAR)
    return np.asarray(told, np.float32).ravel()


# --- grown over the mark -------------------------------------------------------------------------------------------


def _grown(dots: Array, lattice: Lattice) -> Lattice:
    """Return the lattice fitted to the dots (n, 2) around its start, in growing circles: affine, then projective."""
    return replace(lattice, px_from_cell=_grow(dots, lattice.px_from_cell))


@njit(cache=True, nogil=True)
def _grow(dots: Array, start: Array) -> Array:
    """Return the matrix (3, 3) from cells to px that dots (n, 2) around its start bear out."""
    matrix = start
    step = math.sqrt(abs(start[0, 0] * start[1, 1] - start[0, 1] * start[1, 0]))
    distance = np.hypot(dots[:, 0] - start[0, 2], dots[:, 1] - start[1, 2])
    whole, near = np.empty(dots.shape), np.empty(dots.shape)
    radius = 6.0
    while radius < 60 and len(dots) >= 12:
        back = np.linalg.inv(matrix)
        count = 0
        for i in range(len(dots)):
            if distance[i] < radius * step:
                x, y = dots[i]
                w = back[2, 0] * x + back[2, 1] * y + back[2, 2]
                u = (back[0, 0] * x + back[0, 1] * y + back[0, 2]) / w
                v = (back[1, 0] * x + back[1, 1] * y + back[1, 2]) / w
                if math.hypot(u - np.rint(u), v - np.rint(v)) < 0.28:
                    whole[count, 0], whole[count, 1] = np.rint(u), np.rint(v)
                    near[count] = dots[i]
                    count += 1
        if count >= 8:
            if _is_one_row(whole[:count]):
                break  # the dots of one row tell nothing of the way across it
            matrix = _fitted(whole[:count], near[:count], radius > 12 and count >= 40)
        radius *= 1.4
    return matrix


@njit(cache=True, nogil=True)
def _is_one_row(cells: Array) -> bool:
    """Whether whole places (n, 2) lie on one line: their sums are whole numbers, so that zero is zero."""
    x, y = cells[:, 0] - cells[0, 0], cells[:, 1] - cells[0, 1]
    n = len(cells)
    xx, yy, xy = (
        n * (x * x).sum() - x.sum() ** 2,
        n * (y * y).sum() - y.sum() ** 2,
        n * (x * y).sum() - x.sum() * y.sum(),
    )
    return bool(xx * yy - xy * xy <= 0)


def _dots(response: Floats) -> Array:
    """Return the places (n, 2) px of the tops of the response that stand out."""
    ys, xs = _tops(response)

    def shift(low: Floats, mid: Floats, high: Floats) -> Floats:
        bend = np.minimum(low - 2 * mid + high, -1e-6)
        return np.asarray(np.clip(0.5 * (low - high) / bend, -0.5, 0.5), np.float32)

    here = response[ys, xs]
    dx = shift(response[ys, xs - 1], here, response[ys, xs + 1])
    dy = shift(response[ys - 1, xs], here, response[ys + 1, xs])
    return np.column_stack([xs + dx, ys + dy]).astype(float)


@njit(cache=True, nogil=True)
def _tops(response: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return rows and columns (n,) of the pixels that stand out and none of whose eight neighbours is higher."""
    rows, cols = response.shape
    ys, xs = np.empty(rows * cols // 2 + 1, np.int64), np.empty(rows * cols // 2 + 1, np.int64)
    count = 0
    for y in range(1, rows - 1):
        for x in range(1, cols - 1):
            here = response[y, x]
            if here > 0.8 and here >= response[y, x - 1] and here >= response[y, x + 1]:
                above = max(response[y - 1, x - 1], response[y - 1, x], response[y - 1, x + 1])
                below = max(response[y + 1, x - 1], response[y + 1, x], response[y + 1, x + 1])
                if here >= above and here >= below and count < len(ys):
                    ys[count], xs[count] = y, x
                    count += 1
    return ys[:count], xs[:count]


@njit(cache=True, nogil=True)
def _fitted(cells: Array, px: Array, is_projective: bool) -> Array:
    """Return the matrix that takes cells (n, 2) to px (n, 2) in least squares.

    A projective one by the linear equations of its eight numbers, in coordinates about the middle and of unit size: the
    view is nearly affine, so that their weights are nearly alike.
    """
    mx, my, size = px[:, 0].mean(), px[:, 1].mean(), max(px.std(), 1.0)
    cx, cy, spread = cells[:, 0].mean(), cells[:, 1].mean(), max(cells.std(), 1.0)
    at = (px - np.array([mx, my])) / size
    own = (cells - np.array([cx, cy])) / spread
    back = np.array([[size, 0, mx], [0, size, my], [0, 0, 1.0]])
    to = np.array([[1 / spread, 0, -cx / spread], [0, 1 / spread, -cy / spread], [0, 0, 1.0]])
    return np.asarray(back @ _relation(own, at, is_projective) @ to)


@njit(cache=True, nogil=True)
def _relation(own: Array, at: Array, is_projective: bool) -> Array:
    """Return the matrix (3, 3) that takes places to places, both (n, 2), affine or projective."""
    k = 8 if is_projective else 6
    normal, right, row = 1e-9 * np.eye(k), np.zeros(k), np.zeros(k)
    for i in range(len(own)):
        x, y = own[i]
        for way in range(2):
            row[:] = 0
            row[3 * way], row[3 * way + 1], row[3 * way + 2] = x, y, 1
            if is_projective:
                row[6], row[7] = -at[i, way] * x, -at[i, way] * y
            for a in range(k):
                right[a] += row[a] * at[i, way]
                for b in range(k):
                    normal[a, b] += row[a] * row[b]
    numbers = np.zeros(9)
    numbers[8] = 1
    numbers[:k] = np.linalg.solve(normal, right)
    return numbers.reshape(3, 3)


def _sampled(picture: Picture, is_bright: bool, response: Floats, lattice: Lattice) -> Iterator[Floats]:
    """Give how bright (or dark) every cell is against its surroundings, then how much it looks like a dot.

    Each (2·REACH + 1, the same), rows along v; outside the picture there is no dot.
    """
    count = np.arange(-REACH, REACH + 1)
    u, v = np.meshgrid(count, count)
    places = mapped(lattice.px_from_cell, np.column_stack([u.ravel(), v.ravel()])).astype(np.float32)
    step = math.sqrt(abs(float(np.linalg.det(lattice.px_from_cell[:2, :2]))))
    work = picture.astype(np.float32)
    side = 2 * round(2.5 * step) + 1
    band = cv2.GaussianBlur(work, (0, 0), 0.15 * step) - cv2.blur(work, (side, side))
    for values in (band if is_bright else -band, response):
        low = float(values.min())
        told = cv2.remap(
            values, places[:, :1], places[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=low
        )
        yield np.asarray(told, np.float32).reshape(u.shape)


# --- decoded -------------------------------------------------------------------------------------------------------


def _decoded(place: Place, lattice: Lattice) -> MarkSeen | None:
    """Return the mark that the cells of a place decode to."""
    dark = place.cells
    drawn = np.full((6 * dark.shape[0] + 36, 6 * dark.shape[1] + 36), 255, np.uint8)
    drawn[18:-18, 18:-18] = np.where(dark, 0, 255).repeat(6, axis=0).repeat(6, axis=1)
    seen = [mark for mark in see(drawn, ("data_matrix",)) if mark.cells == dark.shape]
    if not seen:
        return None
    return replace(seen[0], corners=mapped(lattice.px_from_cell, place.corners - REACH - 0.5), drawn=drawn)


def _placed(mark: MarkSeen, place: Place, dots: Array) -> MarkSeen:
    """Return a mark with its lattice fitted to its own dots alone."""
    fitted = place_of_dots(dots, mark.corners, place.cells)
    return mark if fitted is None else replace(mark, corners=fitted.corners, place=fitted)
