"""At which grey a picture saturates: a camera of 10 to 14 bits delivers 16, and clips far below what those can hold.

A sensor of b bits stands in the low bits of a pixel (it clips at 2^b − 1) or in the high ones (2^16 − 2^(16 − b)); from
memory, common practice of cameras. Nothing in the pixels says which. But a clipped picture reaches its full scale
exactly, and goes no higher: where the brightest pixel reads a usual full scale, that is taken to be it. One pixel of
another picture may read so by chance; it then is one saturated pixel, and what is flagged goes by their share.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

BITS = (8, 10, 12, 14, 16)
FULL_SCALES = frozenset({2**bits - 1 for bits in BITS} | {65536 - 2 ** (16 - bits) for bits in BITS[1:]})
"""What a saturated pixel reads, of cameras of 8 to 16 bits, in the low bits or in the high ones."""


def full_scale(pictures: Sequence[NDArray[Any]], bits: int | None = None) -> float:
    """Return the grey from which on pixels are saturated, of pictures that one camera took in one setting.

    `bits`: as stated of the camera. uint8 saturates at 255. uint16: by what is stated; without, at the usual full scale
    that the brightest pixel of all reads, else at 65535, which none reaches. Infinity for computed (float) pictures.
    """
    kinds = {picture.dtype.type for picture in pictures}
    if kinds == {np.uint8}:
        return 255.0
    if kinds != {np.uint16}:
        return np.inf
    most = max(int(picture.max()) for picture in pictures)
    if (stated := _stated(bits, most)) is not None:
        return stated
    return float(most) if most in FULL_SCALES else 65535.0


def scale_end(picture: NDArray[Any], bits: int | None = None) -> float:
    """Return the upper end of a picture's scale, by which contrast and colour count: 1 for floats.

    By what is stated, or by the type; by what pixels reach, one part would be counted otherwise than the next.
    """
    if picture.dtype == np.uint16 and _is_telling(bits):
        return full_scale([picture], bits)
    return float(np.iinfo(picture.dtype).max) if np.issubdtype(picture.dtype, np.integer) else 1.0


def _is_telling(bits: int | None) -> bool:
    # Every file of 16 bits says 16, whatever camera it is of, and 8 stands where nothing was stated.
    return bits is not None and 8 < bits < 16


def _stated(bits: int | None, most: int) -> float | None:
    """Return the full scale of a stated sensor: of its low bits, of its high ones, or stretched over all."""
    if bits is None or not _is_telling(bits):
        return None
    return float(next(top for top in (2**bits - 1, 65536 - 2 ** (16 - bits), 65535) if most <= top))
