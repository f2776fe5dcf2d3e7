"""How sharp a picture is at five places: the width of the edges that are there.

An edge's width is the distance in which it rises from 10 to 90 % of its step (ISO 12233 has it so), of the Gaussian
that `vision` fits to it: 2·Φ⁻¹(0.9)·σ = 2.563·σ, with σ the whole blur of lens and pixel. The steepest places of each
ninth are tried, since what is soft by itself (a bevel, a shadow) is wider than the lens made it. Where edges are too
wide for a strip, the picture is halved and looked at again; a pixel's own width of 1/√12 is then taken off, and put on
again at full size.
"""

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from tiepoint.vision.full_scale import full_scale
from tiepoint.vision.strips import CODES, EdgeSearch, StripEdges, edges_in_strips

Array = NDArray[np.float64]
Picture = NDArray[Any]

WIDTH_OF_SIGMA = 2 * float(scipy.special.ndtri(0.9))
"""From 10 to 90 %, over σ."""
PIXEL_VARIANCE = 1 / 12
STRIP_PX, ACROSS_PX = 24.0, 9.0
WIDEST_SIGMA = 1.7
"""Of a strip's blur, in its own px: beyond, its ends are no longer level."""
MOST_HALVINGS = 3
CELL_PX = (20, 12, 8, 8)
"""Of which one place each is tried, by how often the picture was halved."""
AROUND = 7
"""Px on each side of a place by which it is told whether an edge is straight there."""
TRIED, FEWEST = 24, 3
NEARLY = 0.4
"""Of the steepest: what is flatter is tried no more."""
LEAST_CONTRAST = 0.03
"""Of full scale: what is fainter is texture."""
STRAIGHT = 0.8
CLEAR = 0.6
"""Of the largest step that was measured."""
SHAPE = 0.03
"""Of a width (95 %): an edge is no Gaussian's, has others beside it, and the steepest were chosen."""
UNSURE = 0.3
"""Of a width: edges that differ so much are not of one lens, and tell nothing of it."""
ALIKE = 0.04
"""Of a width: edges that differ less are as wide, for a ticket to stand at."""
BIN_PX = 0.5
BINS = 24

NAMES = ("middle", "upper left", "upper right", "lower left", "lower right")
_NINTHS = ((1, 1), (0, 0), (2, 0), (0, 2), (2, 2))
NO_EDGE = "there is no clear edge"
SATURATED = "its edges are saturated"


@dataclass(frozen=True, slots=True)
class Place:
    """One of five places: the box (x, y, width, height) px that was looked at, and the width of the edges in it.

    `width_px`: the median of `edges` edges, `u95_px` its expanded uncertainty (95 %) by their scatter. `at` (x, y) px
    and `towards_deg` (0 right, 90 down): an edge of that width, from dark to light; `profile`: its grey, 0 to 1, every
    `step_px` across it, the edge in the middle. All None or empty where there is no edge, and `reason` says so.
    """

    name: str
    box: tuple[int, int, int, int]
    width_px: float | None = None
    u95_px: float | None = None
    edges: int = 0
    at: tuple[float, float] | None = None
    towards_deg: float | None = None
    profile: tuple[float, ...] = ()
    step_px: float = BIN_PX
    reason: str = ""


def sharpness_of(picture: Picture, full: float | None = None) -> tuple[Place, ...]:
    """Return the five places of a grey picture (rows, cols), uint8, uint16 or float32; it saturates at `full`."""
    limit = full_scale([picture]) if full is None else full
    scale = limit if math.isfinite(limit) else 1.0
    boxes = dict(zip(NAMES, _boxes(picture.shape), strict=True))
    found: dict[str, Place] = {}
    blinded: set[str] = set()
    small = picture
    for halvings in range(MOST_HALVINGS + 1):
        rest = {name: box for name, box in boxes.items() if name not in found}
        if not rest:
            break
        if halvings:
            small = cv2.resize(small, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        if min(small.shape) < 4 * STRIP_PX:
            break
        now, too_bright = _at_level(picture, small, halvings, rest, limit, LEAST_CONTRAST * scale)
        found |= now
        blinded |= too_bright
    why = {name: SATURATED if name in blinded else NO_EDGE for name in NAMES}
    return tuple(found.get(name, Place(name, boxes[name], reason=why[name])) for name in NAMES)


def _boxes(shape: tuple[int, ...]) -> list[tuple[int, int, int, int]]:
    height, width = shape[:2]
    xs, ys = [[round(k * side / 3) for k in range(4)] for side in (width, height)]
    return [(xs[i], ys[j], xs[i + 1] - xs[i], ys[j + 1] - ys[j]) for i, j in _NINTHS]


def _at_level(
    picture: Picture, small: Picture, halvings: int, boxes: dict[str, tuple[int, int, int, int]],
    limit: float, contrast: float,
) -> tuple[dict[str, Place], set[str]]:  # fmt: skip
    """Return the places whose edges fit into strips of a picture that was halved so often; and whose are saturated."""
    factor = 2**halvings
    tried = {name: _steepest(small, tuple(v // factor for v in box), CELL_PX[halvings]) for name, box in boxes.items()}
    rows = np.concatenate([*tried.values(), np.zeros((0, 4))])
    if not len(rows):
        return {}, set()
    search = EdgeSearch(saturation=limit, least_contrast=contrast)
    told = edges_in_strips(small, rows[:, :2], rows[:, 2:], STRIP_PX, ACROSS_PX, search)
    sure = told.ok & ~told.flagged("saturated") & ~told.flagged("clipped")
    alone = sure & ~told.flagged("more_than_one_edge")
    bright = told.flagged("saturated") | (told.code == CODES.index("saturated"))
    found, blinded, first = {}, set(), 0
    for name, mine in tried.items():
        part = np.arange(first, first + len(mine))
        first += len(mine)
        good = part[alone[part]] if alone[part].sum() >= FEWEST else part[sure[part]]
        # What fine detail leaves when it is blurred together looks like a sharper edge, and is fainter than those.
        good = good[told.contrast[good] > CLEAR * told.contrast[good].max(initial=0.0)]
        if len(good) < FEWEST <= bright[part].sum():
            blinded.add(name)
        if len(good) >= FEWEST and float(np.median(told.blur_whole[good])) < WIDEST_SIGMA:
            place = _place(picture, told, good, factor, name, boxes[name])
            if (place.u95_px or 0.0) < UNSURE * (place.width_px or 0.0):
                found[name] = place
    return found, blinded


def _steepest(small: Picture, box: tuple[int, ...], cell: int) -> Array:
    """Return the steepest straight places of a box (k, 4): x, y in px, and which way they rise.

    One of each square of `cell` px, as far from the picture's border as a strip needs.
    """
    margin = int(STRIP_PX * 0.75)
    x0, y0 = max(box[0], margin), max(box[1], margin)
    x1, y1 = min(box[0] + box[2], small.shape[1] - margin), min(box[1] + box[3], small.shape[0] - margin)
    columns, rows = (x1 - x0) // cell, (y1 - y0) // cell
    if columns < 1 or rows < 1:
        return np.zeros((0, 4))
    # With what is around it, so that the ways of all places are known.
    part = small[y0 - AROUND : y0 + rows * cell + AROUND, x0 - AROUND : x0 + columns * cell + AROUND]
    smooth = cv2.GaussianBlur(part, (0, 0), 1.0)
    gx, gy = (cv2.Sobel(smooth, cv2.CV_32F, *way, ksize=3, scale=1 / 8) for way in ((1, 0), (0, 1)))
    steep = (gx * gx + gy * gy)[AROUND:-AROUND, AROUND:-AROUND]
    cells = steep.reshape(rows, cell, columns, cell).swapaxes(1, 2).reshape(rows * columns, -1)
    best = cells.argmax(axis=1)
    most = np.sqrt(cells[np.arange(len(cells)), best])
    order = np.argsort(-most)[: 2 * TRIED]
    low, high = np.quantile(smooth[:: max(len(smooth) // 64, 1)], (0.01, 0.99))
    # A step as high as all that is there rises so steeply in its middle, as blurred as it may be for a strip (and σ 1
    # of the smoothing besides); where nothing does, it is wider, and what looks like an edge is what is left of others.
    if len(order) < FEWEST or most[order[FEWEST - 1]] < (high - low) / math.sqrt(2 * math.pi * (WIDEST_SIGMA**2 + 1)):
        return np.zeros((0, 4))
    order = order[most[order] > NEARLY * max(float(most[order[0]]), 1e-9)]
    down, right = np.divmod(best[order], cell)
    row, column = np.divmod(order, columns)
    found = []
    for x, y in zip((column * cell + right).tolist(), (row * cell + down).tolist(), strict=True):
        window = slice(y, y + 2 * AROUND + 1), slice(x, x + 2 * AROUND + 1)
        way = _way(gx[window], gy[window])
        if way is not None:
            found.append((x0 + x, y0 + y, *way))
    return np.array(found[:TRIED], float).reshape(-1, 4)


def _way(gx: Picture, gy: Picture) -> tuple[float, float] | None:
    """Return the one way in which all around a place rises (structure tensor); None at a corner."""
    xx, yy, xy = float(np.sum(gx * gx)), float(np.sum(gy * gy)), float(np.sum(gx * gy))
    if not math.hypot(xx - yy, 2 * xy) > STRAIGHT * (xx + yy):
        return None
    angle = 0.5 * math.atan2(2 * xy, xx - yy)
    way = math.cos(angle), math.sin(angle)
    rises = way[0] * float(gx.sum()) + way[1] * float(gy.sum())
    return way if rises >= 0 else (-way[0], -way[1])


def _place(
    picture: Picture, told: StripEdges, good: NDArray[np.int64], factor: int, name: str, box: tuple[int, int, int, int]
) -> Place:
    lens = np.maximum(told.blur_whole[good] ** 2 - PIXEL_VARIANCE, 0.0) * factor**2
    widths = WIDTH_OF_SIGMA * np.sqrt(lens + PIXEL_VARIANCE)
    middle = float(np.median(widths))
    # A pixel of a picture that was halved covers several, whose middle lies half a pixel further on.
    points = (told.point[good] + 0.5) * factor - 0.5
    # Of those that are as wide as is told, the one nearest to the box's middle: so that it stays where it is from
    # picture to picture.
    away = np.hypot(*(points - [box[0] + box[2] / 2, box[1] + box[3] / 2]).T)
    off = np.abs(widths - middle)
    alike = off <= max(ALIKE * middle, float(off.min()))
    chosen = int(np.argmin(np.where(alike, away, np.inf)))
    x, y = points[chosen]
    normal = told.normal[good[chosen]] * told.polarity[good[chosen]]
    profile, step = _profile(picture, np.array([x, y]), normal, middle)
    return Place(
        name, box, middle, _u95(widths), len(good), (float(x), float(y)),
        math.degrees(math.atan2(normal[1], normal[0])), profile, step,
    )  # fmt: skip


def _u95(widths: Array) -> float:
    """Return the expanded uncertainty of a median, by the scatter of the widths (of a normal law: √(π/2) of a mean's).

    By the median deviation: a few edges that are wide by themselves do not count.
    """
    n = len(widths)
    sigma = 1.4826 * float(np.median(np.abs(widths - np.median(widths))))
    t = float(scipy.special.stdtrit(n - 1, 0.975))
    by_scatter = t * math.sqrt(math.pi / 2) * sigma / math.sqrt(n)
    return math.hypot(by_scatter, SHAPE * float(np.median(widths)))


def _profile(picture: Picture, at: Array, normal: Array, width_px: float) -> tuple[tuple[float, ...], float]:
    """Return the grey across an edge (0 to 1), of the picture's own pixels, sorted by how far they lie from it."""
    step = max(BIN_PX, width_px / 8)
    reach, across = step * BINS / 2, max(ACROSS_PX, width_px) / 2
    side = math.ceil(math.hypot(reach, across)) + 1
    x0, y0 = int(at[0]) - side, int(at[1]) - side
    x1, y1 = int(at[0]) + side + 1, int(at[1]) + side + 1
    x0, y0, x1, y1 = max(x0, 0), max(y0, 0), min(x1, picture.shape[1]), min(y1, picture.shape[0])
    y, x = np.mgrid[y0:y1, x0:x1]
    s = (x - at[0]) * normal[0] + (y - at[1]) * normal[1]
    aside = np.abs(-(x - at[0]) * normal[1] + (y - at[1]) * normal[0])
    near = (np.abs(s) < reach) & (aside <= across)
    which = ((s[near] + reach) / step).astype(int)
    count = np.bincount(which, minlength=BINS)[:BINS]
    total = np.bincount(which, picture[y0:y1, x0:x1][near].astype(float), BINS)[:BINS]
    # Of an edge along the pixels every other bin may stay empty.
    full = np.flatnonzero(count)
    if len(full) < BINS / 3:
        return (), step
    grey = np.interp(np.arange(BINS), full, total[full] / count[full])
    low, high = float(grey[:3].mean()), float(grey[-3:].mean())
    return tuple(np.round((grey - low) / max(high - low, 1e-9), 3).tolist()), step
