"""A mark as a reader saw it, and the two readers: zxing-cpp for every kind, libdmtx as a second one for Data Matrix."""

import math
import re
import warnings
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.vision.mark_kinds import KINDS, formats_of, kind_of
from tiepoint.vision.mark_place import MarkPlace

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

HALF_PX = 0.5
"""zxing-cpp counts from the outer corner of the first pixel, this project from its centre (found on drawn symbols)."""


@dataclass(frozen=True)
class MarkSeen:
    """One symbol.

    `content`: its raw bytes; `text`: these as characters. `is_gs1`: FNC1 stands in first place. `corners` (4, 2): the
    outline in px, from the symbol's own upper left clockwise as it would be read. `cells`: rows and columns, None where
    the kind has none. `unused`: the share of the error correction that was not needed, None where there is none.
    `is_whole`: decoded; otherwise a symbol was found and not decoded. `drawn`: the cells as they were sampled, where
    the reader sampled them itself, as a clean symbol. `place`: where its lattice lies; None where none was fitted.
    """

    kind: str
    content: bytes
    text: str
    is_gs1: bool
    corners: Array
    cells: tuple[int, int] | None
    unused: float | None
    is_whole: bool = True
    drawn: Picture | None = field(default=None, repr=False, compare=False)
    place: MarkPlace | None = field(default=None, repr=False, compare=False)

    @property
    def centre(self) -> Array:
        """The middle of the outline (2,)."""
        return np.asarray(self.corners.mean(axis=0))

    @property
    def cell_px(self) -> float | None:
        """The mean side of a cell in px; None where the kind has none."""
        if self.cells is None:
            return None
        rows, cols = self.cells
        sides = np.hypot(*(np.roll(self.corners, -1, axis=0) - self.corners).T)
        return float((sides[0] + sides[2]) / (2 * cols) + (sides[1] + sides[3]) / (2 * rows)) / 2

    def moved(self, scale: tuple[float, float], shift: tuple[float, float] = (0.0, 0.0)) -> "MarkSeen":
        """Return the mark scaled along x and y about the corner of the first pixel, then shifted."""
        by, away = np.array(scale), np.array(shift)
        place = None if self.place is None else self.place.moved(by, away)
        return replace(self, corners=(self.corners + HALF_PX) * by - HALF_PX + away, place=place)


def see(picture: Picture, kinds: Iterable[str] = (), with_damaged: bool = False) -> list[MarkSeen]:
    """Return all marks of some kinds (all, without any) that zxing-cpp finds in a picture (rows, columns).

    `with_damaged`: also symbols that were found and could not be decoded.
    """
    import zxingcpp

    found = zxingcpp.read_barcodes(
        picture, formats_of(kinds), try_downscale=False, text_mode=zxingcpp.TextMode.Plain, return_errors=with_damaged
    )
    seen = [_seen(barcode) for barcode in found]
    return [mark for mark in seen if mark is not None and (mark.content or not mark.is_whole)]


def _seen(barcode: "zxingcpp.Barcode") -> MarkSeen | None:  # type: ignore[name-defined]  # noqa: F821
    kind = kind_of(barcode.format.name)
    if kind is None:
        return None
    at = barcode.position
    corners = np.array([[p.x, p.y] for p in (at.top_left, at.top_right, at.bottom_right, at.bottom_left)], float)
    extra = barcode.extra or {}
    unused = extra.get("UEC")
    return MarkSeen(
        kind=kind.name,
        content=barcode.bytes,
        text=barcode.text,
        is_gs1=barcode.content_type.name == "GS1",
        corners=corners - HALF_PX,
        cells=_cells(kind.name, str(extra.get("Version", ""))),
        unused=float(unused) if unused is not None and kind.guard == "correction" else None,
        is_whole=barcode.error is None,
    )


_SIZE = re.compile(r"R?(\d+)x(\d+)", re.ASCII)


def _cells(kind: str, version: str) -> tuple[int, int] | None:
    """Return rows and columns of a symbol by its version: `24x24` (Data Matrix), `R11x27`, `7` (QR) or `M2`."""
    size = _SIZE.fullmatch(version)
    if kind in ("data_matrix", "rmqr") and size is not None:
        return int(size[1]), int(size[2])
    if kind == "qr" and version.isdigit():
        return (17 + 4 * int(version),) * 2
    if kind == "micro_qr" and version[:1] == "M" and version[1:].isdigit():
        return (9 + 2 * int(version[1:]),) * 2
    return None


@cache
def _second() -> Callable[..., Any] | None:
    """Return libdmtx's reader; None where it is not installed."""
    try:
        # What its own import deprecates is no fault of ours.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from pylibdmtx.pylibdmtx import decode
    # Without the shared library the import fails as the platform likes.
    except Exception:
        return None
    return decode  # type: ignore[no-any-return]


MOST_MS = 3000
"""A patch of a few hundred pixels a side takes libdmtx some milliseconds; only a machine that stands still reaches
this: what is read must not depend on a clock."""
SCAN_PX = 12
"""Distance of the lines along which it looks for a side."""


def read_again(picture: Picture, mark: MarkSeen) -> bytes | None:
    """Return what libdmtx reads at the place of a Data Matrix; None where it reads nothing or is not there.

    It is given the mark alone, laid flat with six pixels a cell and a margin of three cells; of dots the cells as they
    were sampled, since it looks for solid sides.
    """
    decode = _second()
    if decode is None or mark.cells is None:
        return None
    flat = flattened(picture, mark.corners, mark.cells, 6, 3) if mark.drawn is None else mark.drawn
    if flat is None:
        return None
    read = decode(flat, max_count=1, timeout=MOST_MS, gap_size=SCAN_PX, min_edge=6 * min(mark.cells) // 2)
    return bytes(read[0].data) if read else None


def flattened(
    picture: Picture, corners: Array, cells: tuple[int, int], cell_px: int, margin_cells: int
) -> Picture | None:
    """Return a mark laid flat, its own upper left first; None where its outline has no area."""
    rows, cols = cells
    margin = margin_cells * cell_px
    size = (cols * cell_px + 2 * margin, rows * cell_px + 2 * margin)
    to = np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]], np.float32) * cell_px + margin - HALF_PX
    area = abs(float(np.sum(corners[:, 0] * np.roll(corners[:, 1], -1) - corners[:, 1] * np.roll(corners[:, 0], -1))))
    if not (math.isfinite(area) and area > 16):
        return None
    matrix = cv2.getPerspectiveTransform(corners.astype(np.float32), to)
    return np.asarray(
        cv2.warpPerspective(picture, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.uint8
    )


def is_guarded(mark: MarkSeen, least_unused: float) -> bool:
    """Whether one reading of a mark is enough: its own error correction has some left, or its check characters hold.

    Reed-Solomon with all of its correction used up accepts a wrong word most easily; a symbology without check
    characters accepts any that looks well-formed.
    """
    guard = KINDS[mark.kind].guard
    return guard == "check" or (guard == "correction" and (mark.unused is None or mark.unused >= least_unused))
