"""Why no mark was read: the first of the likely causes that the picture bears out, in a word that tells what to do."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.vision.mark_read import MarkRequest, MarksRead
from tiepoint.vision.mark_rungs import Picture, Rung, eight_bits, prepare, px_each
from tiepoint.vision.mark_seen import Array, MarkSeen, see

LEAST_CONTRAST = 12.0
"""Grey levels of 255: a mark below stands out no more than the rounding and noise of an 8 bit picture."""
LEAST_CELL_PX = 2.0
BLOCK = 16

_PLAIN = (Rung(), Rung(shrink=2, smooth=1))


@dataclass(frozen=True)
class Around:
    """A wider view of the same picture: `shift` (x, y) from its first pixel to the region's; `is_within` the region."""

    picture: NDArray[Any]
    shift: tuple[float, float]
    is_within: Callable[[Array], bool]


def why_unread(picture: NDArray[Any], read: MarksRead, request: MarkRequest, around: Around | None) -> Reason:
    """Return what kept the marks of a region's picture from being read."""
    if read.differing:
        return Reason("marks_differ")
    if read.unsure:
        return Reason("mark_unsure", {"kind": read.unsure[-1].kind})
    other = _of_another_kind(picture, request)
    if other is not None:
        return Reason("mark_other_kind", {"found": other, "sought": " or ".join(request.kinds)})
    if around is not None and _is_beside(around, request):
        return Reason("mark_cut", {"border": "region"})
    if read.damaged:
        return Reason("mark_damaged", {"kind": read.damaged[-1].kind})
    if read.is_spent:
        return Reason("mark_budget", {"tried": read.tried})
    return _by_look(eight_bits(picture), around)


def _of_another_kind(picture: NDArray[Any], request: MarkRequest) -> str | None:
    """Return the kind of a mark that is there and was not asked for."""
    if not request.kinds:
        return None
    marks = _seen(picture, (), request.is_within)
    return next((mark.kind for mark in marks if mark.kind not in request.kinds), None)


def _is_beside(around: Around, request: MarkRequest) -> bool:
    """Whether a mark that is sought lies across the region's border."""

    def is_across(mark: MarkSeen) -> bool:
        inside = [around.is_within(corner - around.shift) for corner in mark.corners]
        return any(inside) and not all(inside)

    return any(is_across(mark) for mark in _seen(around.picture, request.kinds, lambda _: True))


def _seen(picture: NDArray[Any], kinds: tuple[str, ...], is_within: Callable[[Array], bool]) -> list[MarkSeen]:
    made = [prepare(picture, rung) for rung in _PLAIN]
    found = [mark.moved(px_each(picture, one)) for one in made for mark in see(one, kinds)]
    return [mark for mark in found if is_within(mark.centre)]


def _by_look(picture: Picture, around: Around | None) -> Reason:
    """Return what the grey levels themselves say: too faint, cut by the border, too few pixels a cell, or nothing."""
    smooth = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.0), np.uint8)
    box = _busiest(smooth)
    # A small mark is too few of the pixels of a large region to show among all of them.
    levels = max(_contrast(smooth), 0.0 if box is None else _contrast(_cut(smooth, box)))
    if levels < LEAST_CONTRAST:
        return Reason("mark_faint", {"levels": round(levels)})
    if box is None:
        return Reason("mark_not_seen")
    left, top, width, height = box
    cell = _run_length(_cut(smooth, box))
    if cell < LEAST_CELL_PX:
        return Reason("mark_small", {"cell_px": f"{cell:.1f}", "least": f"{LEAST_CELL_PX:g}"})
    rows, cols = picture.shape
    touched = left == 0, top == 0, left + width >= cols, top + height >= rows
    if any(touched):
        return Reason("mark_cut", {"border": _border(touched, (rows, cols), around)})
    return Reason("mark_not_seen")


def _contrast(picture: Picture) -> float:
    low, high = np.percentile(picture, (2, 98)).tolist()
    return float(high - low)


def _cut(picture: Picture, box: tuple[int, int, int, int]) -> Picture:
    left, top, width, height = box
    return picture[top : top + height, left : left + width]


def _border(touched: tuple[bool, ...], shape: tuple[int, int], around: Around | None) -> str:
    """Return what ends at the touched sides (left, top, right, bottom): the region, where the wider view goes on."""
    if around is None:
        return "picture"
    (x, y), (rows, cols) = around.shift, around.picture.shape[:2]
    goes_on = x > 0, y > 0, cols - x > shape[1], rows - y > shape[0]
    return "region" if any(a and b for a, b in zip(touched, goes_on, strict=True)) else "picture"


def _busiest(picture: Picture) -> tuple[int, int, int, int] | None:
    """Return the box (left, top, width, height) of the largest stretch of many edges; None where they are everywhere.

    Edges that fill most of the picture are the grain of its surface and say nothing of a mark.
    """
    work = picture.astype(np.float32)
    edges = np.hypot(cv2.Sobel(work, -1, 1, 0), cv2.Sobel(work, -1, 0, 1))
    rows, cols = max(picture.shape[0] // BLOCK, 1), max(picture.shape[1] // BLOCK, 1)
    blocks = cv2.resize(edges, (cols, rows), interpolation=cv2.INTER_AREA)
    busy = (blocks > 0.4 * float(blocks.max())).astype(np.uint8)
    if busy.mean() > 0.6:
        return None
    _, _, boxes, _ = cv2.connectedComponentsWithStats(busy)
    if len(boxes) < 2:
        return None
    x, y, width, height, _ = (int(v) for v in boxes[1:][int(boxes[1:, 4].argmax())])
    right = picture.shape[1] if x + width == cols else (x + width) * BLOCK
    low = picture.shape[0] if y + height == rows else (y + height) * BLOCK
    return x * BLOCK, y * BLOCK, right - x * BLOCK, low - y * BLOCK


def _run_length(picture: Picture) -> float:
    """Return the shorter of the usual lengths of equal dark or bright pixels along rows and along columns."""
    level = (int(picture.min()) + int(picture.max())) / 2
    dark = picture < level
    lengths = []
    for lines in (dark, dark.T):
        changes = int(np.count_nonzero(lines[:, 1:] != lines[:, :-1]))
        lengths.append(lines.size / max(changes + len(lines), 1))
    return min(lengths)
