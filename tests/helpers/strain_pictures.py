"""Pictures that are none, or not what they say: random bytes, cut off, bits turned, headers that claim huge sizes."""

import io
import random
import struct
import warnings
import zlib

import numpy as np
from PIL import Image

MM_PER_PX = 0.05


def rotten(png: bytes, chance: random.Random) -> bytes:
    """Return a picture file that is damaged in one of many ways, made of a whole PNG."""
    data = _as(png, chance.choice(("PNG", "JPEG", "TIFF")))
    way = chance.randrange(4)
    if way == 0:
        return data[: chance.choice((0, 4, 16, 100))] + chance.randbytes(chance.randrange(1, 3000))
    if way == 1:
        return data[: chance.randrange(len(data))]
    if way == 2:
        turned = bytearray(data)
        for _ in range(chance.choice((1, 1, 8, 100))):
            turned[chance.randrange(len(turned))] ^= 1 << chance.randrange(8)
        return bytes(turned)
    return _huge(chance)


def _as(png: bytes, kind: str) -> bytes:
    if kind == "PNG":
        return png
    out = io.BytesIO()
    with Image.open(io.BytesIO(png)) as image:
        image.save(out, kind)
    return out.getvalue()


def _huge(chance: random.Random) -> bytes:
    """Return a whole file of a few bytes whose header claims up to 65,535 or 2^31 − 1 px a side."""
    side = chance.choice((20_000, 65_500))
    if chance.random() < 0.5:
        side = chance.choice((20_000, 65_500, 2**31 - 1))
        chunks = ((b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)), (b"IDAT", zlib.compress(bytes(9999))))
        packed = ((kind + body) for kind, body in (*chunks, (b"IEND", b"")))
        return b"\x89PNG\r\n\x1a\n" + b"".join(
            struct.pack(">I", len(one) - 4) + one + struct.pack(">I", zlib.crc32(one)) for one in packed
        )
    # JPEG, ITU-T T.81: the frame header's lines and samples, 2 bytes each, behind SOF0's length and precision.
    jpeg = bytearray(_as_jpeg())
    at = jpeg.index(b"\xff\xc0") + 5
    jpeg[at : at + 4] = struct.pack(">HH", side, side)
    return bytes(jpeg)


def _as_jpeg() -> bytes:
    out = io.BytesIO()
    Image.new("L", (64, 64), 128).save(out, "JPEG")
    return out.getvalue()


def shows(data: bytes, diameter_mm: float, within_mm: float) -> bool:
    """Return whether a picture, as another reader decodes it, shows a bore of that size: by the area that is dark."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with Image.open(io.BytesIO(data)) as image:
                grey = np.asarray(image.convert("L"), float)
        except Exception:
            return False
    if grey.shape != (480, 640):
        return False
    # Dark is 50 and bright 200. A JPEG whose brightness was damaged shows the bore's edge where it is all the same, so
    # what is darker than the middle of both is counted, and not how dark it is (the area of a disc).
    dark = int((grey[180:300, 240:360] < 125).sum())
    return abs(2 * np.sqrt(dark / np.pi) * MM_PER_PX - diameter_mm) < within_mm
