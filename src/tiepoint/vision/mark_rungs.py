"""Preparations of a picture for reading a mark: what each does, and how it is written. `mark_ladder` has their order.

Readers of codes are made for print: flat cells with sharp edges, some pixels wide. A mark on metal has dots that stand
apart, on ground with a grain of its own. Each rung of the ladder takes away one difference: too many pixels a cell
(shrink), or too few (enlarge), grain (smooth), gaps between dots (join), light that falls off across the part (even);
or it has the picture read as a lattice of dots. All are deterministic.
"""

import re
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]

FIRST = ""
"""The name under which the picture that the step looks at goes; others by their role, light or relief name."""

_WORD = re.compile(r"(shrink|enlarge|smooth|join_dark|join_bright|even)(\d{1,2}(?:\.\d{1,2})?)?")


@dataclass(frozen=True)
class Rung:
    """One preparation.

    `shrink`: pixels per prepared pixel, along each side. `smooth`: standard deviation of the blur, in prepared pixels.
    `join_dark`, `join_bright`: side of the disc, in prepared pixels, by which dark (bright) dots are made to touch.
    `even`: side of the neighbourhood, in prepared pixels, whose mean and spread are made the same everywhere; 0 leaves
    the picture as it is. `dots`: read it as a lattice of bright or dark dots, not as print. `picture`: which one of the
    shot.
    """

    shrink: float = 1.0
    smooth: float = 0.0
    join_dark: int = 0
    join_bright: int = 0
    even: int = 0
    dots: Literal["", "bright", "dark"] = ""
    picture: str = FIRST

    def __str__(self) -> str:
        told = [
            f"shrink{self.shrink:g}" if self.shrink > 1 else "",
            f"enlarge{1 / self.shrink:g}" if self.shrink < 1 else "",
            f"even{self.even}" if self.even else "",
            f"smooth{self.smooth:g}" if self.smooth else "",
            f"join_dark{self.join_dark}" if self.join_dark else "",
            f"join_bright{self.join_bright}" if self.join_bright else "",
            f"dots_{self.dots}" if self.dots else "",
        ]
        words = " ".join(filter(None, told)) or "plain"
        return f"{self.picture}: {words}" if self.picture else words


def read_rung(written: str) -> Rung | None:
    """Return the preparation that its words name, as in `sunken: shrink2 smooth1`; None where they name none."""
    picture, colon, words = written.rpartition(":")
    told: dict[str, float] = {}
    dots: Literal["", "bright", "dark"] = ""
    for word in words.split():
        match = _WORD.fullmatch(word)
        if word in ("plain", "dots_bright", "dots_dark"):
            dots = {"dots_bright": "bright", "dots_dark": "dark"}.get(word, dots)  # type: ignore[assignment]
            continue
        if match is None or match[2] is None or match[1] in told:
            return None
        told[match[1]] = float(match[2])
    if not words.split() or ("shrink" in told and "enlarge" in told):
        return None
    shrink = told.get("shrink", 1.0) / told.get("enlarge", 1.0) if told.get("enlarge", 1.0) else 0.0
    sides = [int(told.get(word, 0)) for word in ("join_dark", "join_bright", "even")]
    if not (1 / 4 <= shrink <= 32 and told.get("smooth", 0) <= 20 and max(sides) <= 99 and min(sides) >= 0):
        return None
    join_dark, join_bright, even = sides
    where = picture.strip() if colon else FIRST
    return Rung(shrink, told.get("smooth", 0.0), join_dark, join_bright, even, dots, where)


def prepare(picture: NDArray[Any], rung: Rung) -> Picture:
    """Return a grey picture (rows, columns) of any depth, prepared: 8 bits, 0 to 255 over all but its extremes."""
    work = shrunk(eight_bits(picture), rung.shrink)
    if rung.even:
        work = _evened(work, rung.even)
    if rung.smooth:
        work = cv2.GaussianBlur(work, (0, 0), rung.smooth).astype(np.uint8, copy=False)
    if rung.join_dark:
        work = np.asarray(cv2.erode(work, _disc(rung.join_dark)), np.uint8)
    if rung.join_bright:
        work = np.asarray(cv2.dilate(work, _disc(rung.join_bright)), np.uint8)
    return np.ascontiguousarray(work, np.uint8)


def shrunk(picture: NDArray[Any], factor: float) -> NDArray[Any]:
    """Return a picture with `factor` times fewer pixels along each side (fewer than 1: enlarged), by area."""
    if factor == 1.0:
        return picture
    rows, cols = picture.shape
    size = (max(round(cols / factor), 1), max(round(rows / factor), 1))
    way = cv2.INTER_AREA if factor > 1 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(picture, size, interpolation=way))


def eight_bits(picture: NDArray[Any]) -> Picture:
    """Return a picture of 8 bits as it is, any other stretched between its 0.5 % and 99.5 % points."""
    if picture.dtype == np.uint8:
        return np.asarray(picture, np.uint8)
    is_whole = picture.dtype == np.uint16
    work = picture if is_whole else np.nan_to_num(np.asarray(picture, np.float32), posinf=0.0, neginf=0.0)
    step = max(len(work) // 128, 1)
    low, high = np.percentile(work[::step, ::step], (0.5, 99.5)).tolist()
    if not high > low:
        return np.zeros(picture.shape, np.uint8)
    if is_whole:
        # Both saturate, so that nothing wraps round.
        return np.asarray(cv2.convertScaleAbs(cv2.subtract(work, round(low)), alpha=255.0 / (high - low)), np.uint8)
    return np.asarray(np.clip((work - low) * (255.0 / (high - low)), 0, 255), np.uint8)


def px_each(picture: NDArray[Any], prepared: Picture) -> tuple[float, float]:
    """Return how many pixels of a picture, along x and along y, one of its prepared picture stands for.

    These are not quite `shrink`: a picture has whole pixels.
    """
    return picture.shape[1] / prepared.shape[1], picture.shape[0] / prepared.shape[0]


def _evened(picture: Picture, side: int) -> Picture:
    """Return a picture whose mean is 128 and whose spread is 48 in every neighbourhood of some pixels a side.

    The spread is bounded from below by a third of the whole picture's, so that an empty ground stays empty.
    """
    work = picture.astype(np.float32)
    mean = cv2.blur(work, (side, side))
    square = cv2.blur(work * work, (side, side))
    spread = np.sqrt(np.maximum(square - mean * mean, 0))
    least = max(float(np.median(spread)) / 3, 1.0)
    return np.asarray(np.clip(128 + 48 * (work - mean) / np.maximum(spread, least), 0, 255), np.uint8)


def _disc(side: int) -> NDArray[np.uint8]:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), np.uint8)
