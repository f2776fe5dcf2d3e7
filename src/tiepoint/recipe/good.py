"""What good pictures taught a `compare`, as it is kept beside the recipe: a document, and its levels as a TIFF.

The TIFF holds 32-bit numbers that any viewer of such files shows: the mean of the good pictures, and below it their
spread (NaN where nothing was looked at).
"""

import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from tiepoint.documents.canonical import pixels_sha256
from tiepoint.documents.files import read_bytes
from tiepoint.documents.pictures import MOST_BYTES, MOST_PIXELS
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.once import cached_property
from tiepoint.recipe.tables import shown
from tiepoint.vision.compare_learn import Learnt

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

MOST_LEVEL = 1e7
"""No grey level, slope or height of a picture, and no spread of them, is larger."""
MOST_SPREADS = 1e6


@dataclass(frozen=True)
class Good:
    """What was learnt, over the box of a region: `size`, its width and height in ground units.

    `ground`: `plane` (mm) or `image` (px). `is_levelled`: gain and offset were taken out. `floor`: the least spread
    that was stated, None without.
    """

    learnt: Learnt
    ground: str
    size: tuple[float, float]
    is_levelled: bool
    floor: float | None = None

    @cached_property
    def known(self) -> dict[Any, Any]:
        """What a step worked out of it once, for all shots."""
        return {}

    @cached_property
    def looked(self) -> Bools:
        """Which places were looked at (rows, cols)."""
        return np.isfinite(self.learnt.spread)

    @property
    def levels(self) -> Floats:
        """Mean and spread, one below the other (2·rows, cols)."""
        return np.vstack([self.learnt.mean, self.learnt.spread])

    def to_plain(self, file: str, taught_from: list[str]) -> dict[str, Any]:
        """Return the content of a `tiepoint/good/1` document whose levels stand in a file."""
        learnt = self.learnt
        return {
            "ground": self.ground,
            "size": list(self.size),
            "levelled": self.is_levelled,
            "pictures": learnt.count,
            "maxima": list(learnt.maxima),
            "edge_px": learnt.edge_px,
            "taught_from": taught_from,
            "levels": {"file": file, "pixels_sha256": pixels_sha256(self.levels)},
            **({} if self.floor is None else {"floor": self.floor}),
        }


def good_from(content: Mapping[str, Any], folder: Path) -> Good:
    """Return what a document beside a recipe tells; raises `UnusableDocument` where it does not hold together."""
    levels = content.get("levels")
    if not isinstance(levels, Mapping) or not _is_file_name(levels.get("file")):
        raise UnusableDocument("levels is not known; it names the file of the levels, and its pixels_sha256")
    pixels = _read_tiff(folder / levels["file"])
    if pixels_sha256(pixels) != levels.get("pixels_sha256"):
        raise UnusableDocument(f"{levels['file']} is not the file that was taught with it; teach again")
    ground = content.get("ground")
    if ground not in ("plane", "image"):
        raise UnusableDocument(f'ground is {shown(ground)}; use "plane" or "image"')
    count = _number(content, "pictures", 1, 1e6)
    maxima = content.get("maxima")
    if not isinstance(maxima, list) or len(maxima) not in (0, count) or not all(map(_is_maximum, maxima)):
        raise UnusableDocument(
            f"maxima is not known; it holds a number from 0 to {MOST_SPREADS:g} for each picture, or none"
        )
    size = content.get("size")
    if not isinstance(size, list) or len(size) != 2 or not all(_is_number(v) and v > 0 for v in size):
        raise UnusableDocument("size is not known; it holds a width and a height")
    rows = len(pixels) // 2
    mean, spread = pixels[:rows], pixels[rows:]
    within = np.abs(mean) <= MOST_LEVEL
    if len(pixels) % 2 or not within.all() or not (spread[~np.isnan(spread)] > 0).all():
        raise UnusableDocument(f"{levels['file']} does not hold a mean and a spread above zero; teach again")
    if (spread > MOST_LEVEL).any():
        raise UnusableDocument(f"{levels['file']} holds a spread above {MOST_LEVEL:g}; teach again")
    if not isinstance(content.get("levelled"), bool):
        raise UnusableDocument(f"levelled is {shown(content.get('levelled'))}; it is true or false")
    learnt = Learnt(mean, spread, int(count), tuple(map(float, maxima)), _number(content, "edge_px", 0, 100))
    floor = _number(content, "floor", 0, 1e6) if "floor" in content else None
    return Good(learnt, str(ground), (float(size[0]), float(size[1])), bool(content["levelled"]), floor)


def tiff_bytes(levels: Floats) -> bytes:
    """Return a picture of 32-bit numbers (rows, cols) as TIFF."""
    from PIL import Image

    data = io.BytesIO()
    Image.fromarray(levels).save(data, "TIFF", compression="tiff_deflate")
    return data.getvalue()


def _read_tiff(path: Path) -> Floats:
    from PIL import Image

    data = read_bytes(path, MOST_BYTES)
    try:
        with Image.open(io.BytesIO(data), formats=["TIFF"]) as image:
            if image.mode != "F" or image.width * image.height > MOST_PIXELS or min(image.size) < 16:
                raise UnusableDocument(f"{path} is not a picture of 32-bit numbers as teaching writes it; teach again")
            return np.asarray(image, np.float32)
    except UnusableDocument:
        raise
    # A damaged file makes a decoder raise almost anything; whatever it is, the file cannot be used.
    except Exception as error:
        raise UnusableDocument(f"{path} cannot be decoded, it is cut off or damaged; teach again") from error


def _number(content: Mapping[str, Any], key: str, low: float, high: float) -> float:
    value = content.get(key)
    if not _is_number(value) or not low <= cast(float, value) <= high:
        raise UnusableDocument(f"{key} is {shown(value)}; it is a number from {low:g} to {high:g}")
    return float(cast(float, value))


def _is_file_name(value: Any) -> bool:
    return isinstance(value, str) and value not in ("", ".", "..") and not {"/", "\\", ":", "\0"} & set(value)


def _is_maximum(value: Any) -> bool:
    return _is_number(value) and 0 <= cast(float, value) <= MOST_SPREADS


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
