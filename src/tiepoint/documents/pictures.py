"""Picture files to arrays: size checked before decoding, grey for measuring, one sentence on what cannot be read."""

import contextlib
import io
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from tiepoint.documents.canonical import pixels_sha256
from tiepoint.documents.files import name_of, read_bytes, reason_of, write_atomic
from tiepoint.documents.quiet import silence
from tiepoint.foundation.errors import UnusablePicture
from tiepoint.model.shot import Picture

MOST_PIXELS = 120_000_000
"""Pixels that are decoded at most; larger pictures are refused by their header."""
MOST_BYTES = 400_000_000
SMALLEST_SIDE_PX = 8
ORIENTATION, UPRIGHT = 0x0112, 1

GREY_WEIGHTS = (0.299, 0.587, 0.114)
"""Luma of ITU-R BT.601-7, 2.5.1."""

_DEEP = ("I;16", "I;16L", "I;16B", "I;16N", "I", "F")
_GREY = ("1", "L", "LA", "La")
_JPEG = ("JPEG", "MPO")
_PHOTOMETRIC = 262
"""Pillow's modes of more than 8 bits, and of grey."""
_BAND = 1024

TURNED = "asks viewers to turn it; here its pixels are counted as they are stored, not turned."
"""What is said of a photo whose file names an orientation, after the photo's name."""


@dataclass(frozen=True, slots=True)
class Header:
    """What a picture's file says of it: its size in px, bits and channels as decoded, and the file's format."""

    width: int
    height: int
    bits: int
    channels: int
    format: str


@dataclass(frozen=True)
class Loaded:
    """A decoded picture: `grey` (rows, columns) uint8 or uint16 for measuring, `pixels` as decoded.

    `shown_turned`: the file asks viewers to turn it (Exif 2.32, Orientation), so that what a person reads off in a
    viewer are other pixels than those stored, which are counted here. `frames`: how many pictures the file holds (an
    animation, the pages of a TIFF); this is the first.
    """

    path: Path
    pixels: NDArray[Any]
    grey: NDArray[Any]
    bits: int
    pixel_format: str
    shown_turned: bool = False
    frames: int = 1

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in px."""
        return int(self.grey.shape[1]), int(self.grey.shape[0])

    @property
    def hints(self) -> tuple[str, ...]:
        """What a person should know of the file, who may see something else in a viewer: sentences."""
        name, hints = name_of(self.path), []
        if self.shown_turned:
            hints.append(f"{name} {TURNED}")
        if self.frames > 1:
            hints.append(f"{name} holds {self.frames} pictures; the first was taken. Save the one that is meant alone.")
        return tuple(hints)

    def described(self, role: str = "picture") -> Picture:
        """Return what a record keeps of the picture."""
        return Picture(
            role, pixels_sha256(self.pixels), self.size, self.bits, self.pixel_format, file=name_of(self.path)
        )


def load_picture(path: Path, most_pixels: int = MOST_PIXELS) -> Loaded:
    """Decode a picture file (PNG, TIFF, JPEG, BMP, …). Colour becomes grey, transparency is ignored.

    Raises `UnusablePicture` where the file is no picture, is cut off, is too large or too small.
    """
    return decode_picture(read_bytes(path, MOST_BYTES), path, most_pixels)


def decode_picture(data: bytes, path: Path, most_pixels: int = MOST_PIXELS) -> Loaded:
    """Decode what a picture file holds, as `load_picture` does; `path`: what it is called in sentences."""
    if not data:
        raise _empty(path)
    with _opened(io.BytesIO(data), path, most_pixels) as image:
        _demand_photometric(image, path)
        pixels = _of_jpeg(data, image.mode) if image.format in _JPEG and image.mode in ("L", "RGB") else _decode(image)
        turned, frames = _is_shown_turned(image), _frames(image)
    return replace(picture_of(pixels, path), shown_turned=turned, frames=frames)


def picture_header(path: Path, most_pixels: int = MOST_PIXELS) -> Header:
    """Return what a picture's file says of it, without decoding it; `UnusablePicture` as `load_picture`."""
    with _file(path) as file, _opened(file, path, most_pixels) as image:
        width, height = image.size
        bits = 16 if image.mode in _DEEP else 8
        return Header(width, height, bits, 1 if image.mode in (*_DEEP, *_GREY) else 3, str(image.format or ""))


def load_shown(path: Path, most_pixels: int = MOST_PIXELS) -> NDArray[np.uint8]:
    """Decode a picture file for the eye alone: (rows, columns) grey or (rows, columns, 3) RGB, of 8 bits.

    Of more bits the upper 8 of those that the picture uses are left. Large pictures come in bands, so that besides the
    outcome no more than the decoder's own copy is held. Raises `UnusablePicture` as `load_picture`, and where its
    values are none that a picture is measured in.
    """
    with _file(path) as file, _opened(file, path, most_pixels) as image:
        if image.mode in _DEEP:
            return shown_in_8_bits(picture_of(_decode(image), path).grey)
        is_grey = image.mode in _GREY
        image.load()
        width, height = image.size
        out = np.empty((height, width) if is_grey else (height, width, 3), np.uint8)
        for top in range(0, height, _BAND):
            out[top : top + _BAND] = _decode(image.crop((0, top, width, min(height, top + _BAND))))
        return out


def shown_in_8_bits(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    """Return the upper 8 of the bits that a picture (rows, columns[, 3]) of whole numbers uses."""
    if pixels.dtype == np.uint8:
        return pixels
    shift = min(16, max(8, int(pixels.max()).bit_length())) - 8
    out = np.empty(pixels.shape, np.uint8)
    for top in range(0, pixels.shape[0], _BAND):
        out[top : top + _BAND] = pixels[top : top + _BAND] >> shift
    return out


@contextlib.contextmanager
def _file(path: Path) -> Iterator[BinaryIO]:
    try:
        if not path.is_file():
            raise UnusablePicture(f"{path} is not there, or no file; look at its name")
        if path.stat().st_size == 0:
            raise _empty(path)
        with path.open("rb") as file:
            yield file
    except OSError as error:
        raise UnusablePicture(f"cannot read {path}: {reason_of(error)}") from error


@contextlib.contextmanager
def _opened(file: BinaryIO, path: Path, most_pixels: int) -> Iterator[Any]:
    """Open a picture of a size that is read; whatever a decoder raises on a damaged one becomes one sentence."""
    from PIL import Image, ImageFile, UnidentifiedImageError

    # Pillow's switches are those of all threads, so none is set for a while and put back: of two that decode at once,
    # the one that ends last puts back what the other had set. What a picture lacks is never made up, whoever asked.
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    silence(r"PIL\.")
    try:
        with Image.open(file) as image:
            _check_size(path, image.size, most_pixels)
            yield image
    except Image.DecompressionBombError as error:
        raise UnusablePicture(f"{path} is far too large; at most {most_pixels / 1e6:.0f} MP are read") from error
    except UnidentifiedImageError as error:
        if path.suffix.lower() in (".heic", ".heif"):
            raise UnusablePicture(
                f"{path} is as phones keep photos, which is not read here; have the phone take or send it as JPEG"
            ) from error
        raise UnusablePicture(
            f"{path} is not a picture that can be read, or its header is damaged; give a PNG, TIFF, JPEG or BMP"
        ) from error
    except UnusablePicture:
        raise
    # A damaged file makes a decoder raise almost anything; whatever it is, the file cannot be used.
    except Exception as error:
        said = f": {error}" if isinstance(error, (OSError, SyntaxError)) else "; save or fetch it once more"
        raise UnusablePicture(f"{path} cannot be decoded, it is cut off or damaged{said}") from error


def _empty(path: Path) -> UnusablePicture:
    return UnusablePicture(f"{path} is empty; it was perhaps not yet written to its end")


def encode_png(pixels: NDArray[Any]) -> bytes:
    """Return a PNG of a grey (h, w) or RGB (h, w, 3) picture, uint8 or uint16."""
    import cv2

    ordered = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    good, data = cv2.imencode(".png", ordered, [cv2.IMWRITE_PNG_COMPRESSION, 3])
    if not good:
        raise UnusablePicture("the picture could not be encoded as PNG")
    return data.tobytes()


def save_png(path: Path, pixels: NDArray[Any]) -> None:
    """Write a picture as PNG, whole or not at all."""
    write_atomic(path, encode_png(pixels))


def _check_size(path: Path, size: tuple[int, int], most_pixels: int) -> None:
    width, height = size
    if width * height > most_pixels:
        raise UnusablePicture(
            f"{path} has {width} × {height} px ({width * height / 1e6:.0f} MP); "
            f"at most {most_pixels / 1e6:.0f} MP are read"
        )
    if min(width, height) < SMALLEST_SIDE_PX:
        raise UnusablePicture(f"{path} has {width} × {height} px; nothing can be measured below {SMALLEST_SIDE_PX} px")


def _is_shown_turned(image: Any) -> bool:
    # What a camera wrote beside the pixels may be damaged in any way, and the pixels still good.
    with contextlib.suppress(Exception):
        return bool(image.getexif().get(ORIENTATION, UPRIGHT) != UPRIGHT)
    return False


def _frames(image: Any) -> int:
    # Behind a telephone's picture, in the same file, stand previews and maps of the same exposure.
    if image.format == "MPO":
        return 1
    with contextlib.suppress(Exception):
        return int(getattr(image, "n_frames", 1))
    return 1


def _decode(image: Any) -> NDArray[Any]:
    if image.mode in _DEEP:
        return np.asarray(image)
    if image.mode in ("1", "L"):
        return np.asarray(image.convert("L"))
    if image.mode in ("LA", "La"):
        return np.asarray(image.convert("LA"))[:, :, 0]
    return np.asarray(image.convert("RGB"))


def _of_jpeg(data: bytes, mode: str) -> NDArray[Any]:
    """Decode a JPEG of 8 bits, or raise where its data are damaged.

    A JPEG carries no checksum. Its decoder goes on where a code cannot be, shifted and of another brightness, and only
    warns; Pillow drops the warning, and half a bore was judged as one.
    """
    import simplejpeg

    grey = mode == "L"
    pixels = simplejpeg.decode_jpeg(data, colorspace="GRAY" if grey else "RGB", strict=True)
    return np.asarray(pixels[:, :, 0] if grey else pixels)


def _demand_photometric(image: Any, path: Path) -> None:
    """Refuse a TIFF that does not say whether 0 is black or white (TIFF 6.0, section 4: the field is required)."""
    if image.format == "TIFF" and _PHOTOMETRIC not in image.tag_v2:
        raise UnusablePicture(
            f"{path} does not say whether its 0 is black or white, so it is damaged or not written to its end; save or "
            "fetch it once more"
        )


def picture_of(pixels: NDArray[Any], path: Path) -> Loaded:
    """Return decoded pixels (rows, columns) or (rows, columns, 3) as a picture; `path`: what it is called by.

    Raises `UnusablePicture` where they are no grey values of 8 or 16 bit.
    """
    if pixels.ndim == 3:
        grey = np.rint(pixels.astype(np.float32) @ np.array(GREY_WEIGHTS, np.float32)).astype(np.uint8)
        return Loaded(path, pixels, grey, 8, "RGB8")
    if pixels.dtype == np.uint8:
        return Loaded(path, pixels, pixels, 8, "Mono8")
    if pixels.dtype.kind == "f" and not np.isfinite(pixels).all():
        raise UnusablePicture(f"{path} holds values that are not numbers; write it as 8 or 16 bit")
    low, high = float(pixels.min()), float(pixels.max())
    if low < 0 or high > 65535 or (pixels.dtype.kind == "f" and high <= 1.0):
        raise UnusablePicture(
            f"{path} holds values from {low:g} to {high:g}; only whole grey values of 8 or 16 bit can be measured in"
        )
    return Loaded(path, pixels, pixels.astype(np.uint16), 16, "Mono16")
