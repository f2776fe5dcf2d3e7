"""Whether a picture file is written to its end. Files are made by Pillow, OpenCV and tifffile, which know nothing of
this check; a file that it calls whole is one that Pillow decodes."""

import io
import struct

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from tiepoint.station.cameras.whole import what_is_missing

GREY = np.random.default_rng(1).integers(0, 255, (60, 80), np.uint8)
DEEP = GREY.astype(np.uint16) * 200
COLOUR = np.dstack([GREY, GREY[::-1], GREY[:, ::-1]])


def by_pillow(pixels, kind, **more):
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, kind, **more)
    return file.getvalue()


def by_opencv(pixels, ending):
    good, data = cv2.imencode(ending, pixels)
    assert good
    return data.tobytes()


def by_tifffile(pixels, **more):
    file = io.BytesIO()
    tifffile.imwrite(file, pixels, **more)
    return file.getvalue()


def with_thumbnail():
    exif = Image.Exif()
    exif[0x010E] = "x" * 200 + "\xff\xd9"
    return by_pillow(COLOUR, "JPEG", exif=exif)


FILES = {
    "png": by_pillow(GREY, "PNG"),
    "png 16": by_opencv(DEEP, ".png"),
    "jpeg": by_pillow(COLOUR, "JPEG", quality=95),
    "jpeg progressive": by_pillow(COLOUR, "JPEG", progressive=True),
    "jpeg with more in its header": with_thumbnail(),
    "jpeg opencv": by_opencv(COLOUR, ".jpg"),
    "tiff": by_pillow(GREY, "TIFF"),
    "tiff lzw": by_pillow(GREY, "TIFF", compression="tiff_lzw"),
    "tiff opencv": by_opencv(DEEP, ".tiff"),
    "tiff tiles": by_tifffile(GREY, tile=(16, 16)),
    "tiff big": by_tifffile(GREY, bigtiff=True),
    "tiff motorola": by_tifffile(DEEP, byteorder=">", rowsperstrip=7),
    "bmp": by_pillow(COLOUR, "BMP"),
    "pgm": by_opencv(GREY, ".pgm"),
    "ppm": by_pillow(COLOUR, "PPM"),
}


def missing(data):
    return what_is_missing(io.BytesIO(data))


@pytest.mark.parametrize("kind", FILES)
def test_a_whole_file_lacks_nothing(kind):
    assert missing(FILES[kind]) == ""


@pytest.mark.parametrize("kind", FILES)
def test_no_file_that_pillow_cannot_decode_for_its_length_is_called_whole(kind):
    data = FILES[kind]
    for length in (*range(40), *range(40, len(data), max(1, len(data) // 400)), *range(len(data) - 40, len(data))):
        if missing(data[:length]) == "":
            # A few formats end in bytes that hold nothing (TIFF's directory padding): then all pixels must be there.
            whole, cut = Image.open(io.BytesIO(data)), Image.open(io.BytesIO(data[:length]))
            assert np.array_equal(np.asarray(whole), np.asarray(cut)), length


@pytest.mark.parametrize("kind", FILES)
def test_a_file_that_was_given_its_size_before_its_content_is_not_whole(kind):
    data = FILES[kind]
    for share in (0, 0.01, 0.1, 0.5, 0.9):
        written = int(len(data) * share)
        filled = data[:written] + bytes(len(data) - written)
        if kind.startswith(("png", "jpeg")) or written < 8:
            assert missing(filled) != "", (kind, share)


def test_a_jpeg_that_was_filled_up_with_zeros_or_has_more_behind_it_is_whole():
    assert missing(FILES["jpeg"] + bytes(3000)) == ""
    assert missing(FILES["jpeg"] + b"a map of depths, as telephones add") == ""


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"\x89PN", "first bytes"),
        (b"GIF89a....", "begins as no PNG"),
        (b"#!/bin/sh\n", "begins as no PNG"),
        (b"BM", "header"),
        (b"P5\n# " + b"a" * 5000, "header"),
        (b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", 65535) + bytes(100), "damaged"),
        (b"II*\0" + struct.pack("<IH", 8, 1) + struct.pack("<HHIII", 273, 4, 2**32 - 1, 0, 0), "damaged"),
        (b"II*\0" + struct.pack("<IH", 8, 1) + struct.pack("<HHIII", 256, 4, 1, 5, 0), "names no data"),
    ],
)
def test_what_is_no_picture_says_why(data, words):
    assert words in missing(data)


def test_any_bytes_are_answered():
    rng = np.random.default_rng(3)
    for data in FILES.values():
        for _ in range(60):
            broken = bytearray(data)
            for at in rng.integers(0, min(len(data), 400), 5):
                broken[at] = rng.integers(256)
            assert isinstance(missing(bytes(broken)), str)
