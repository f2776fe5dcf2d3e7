"""What fixed places of a picture look like: how bright, how sharp, how much is saturated, and where its edges are."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.vision.strips import EdgeSearch, edges_in_strips

Array = NDArray[np.float64]

BLACK = 0.01
"""Share of full scale below which a pixel counts as black: what is there is drowned in the camera's own offset."""


@dataclass(frozen=True, slots=True)
class PatchLook:
    """A patch: mean `grey`, shares of `saturated` and `black` pixels, and `sharpness` in 1/px.

    Sharpness is the rms slope (Sobel) over the standard deviation of the grey values: another gain or offset leaves it
    as it is, blur lowers it. None where the patch is even, so that nothing in it can be sharp.
    """

    grey: float
    saturated: float
    black: float
    sharpness: float | None


@dataclass(frozen=True, slots=True)
class EdgeLooks:
    """Edges of k strips: `along` (k,) px from each strip's centre in its direction, `u` (k,) and `blur` (k,) px.

    NaN where a strip has no edge.
    """

    along: Array
    u: Array
    blur: Array


def look_at_patch(grey: NDArray[np.generic], full: float) -> PatchLook:
    """Return the look of a patch (rows, cols), at least 3 × 3, of a picture that saturates at `full`."""
    pixels = grey.astype(np.float32)
    spread = float(pixels.std())
    sharpness = None
    if spread > 0:
        slopes = [cv2.Sobel(pixels, cv2.CV_32F, *way, ksize=3, scale=1 / 8)[1:-1, 1:-1] for way in ((1, 0), (0, 1))]
        sharpness = float(np.sqrt(np.mean(slopes[0] ** 2 + slopes[1] ** 2))) / spread
    return PatchLook(
        float(pixels.mean(dtype=np.float64)),
        float(np.mean(pixels >= full)),
        float(np.mean(pixels <= BLACK * full)),
        sharpness,
    )


def look_at_edges(
    grey: NDArray[np.generic], places: Array, ways: Array, length_px: float, width_px: float
) -> EdgeLooks:
    """Return the edges of strips at `places` (k, 2) px, crossed in the directions `ways` (k, 2)."""
    found = edges_in_strips(grey, places, ways, length_px, width_px, EdgeSearch())
    return EdgeLooks(
        np.where(found.ok, found.position, np.nan),
        np.where(found.ok, found.u, np.nan),
        np.where(found.ok, found.blur_whole, np.nan),
    )
