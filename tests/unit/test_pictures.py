"""Picture files: every depth and colour gives the right grey, and what cannot be read is said before decoding."""

import io
import random
import struct
import warnings
import zlib
from pathlib import Path
from threading import Event, Thread, current_thread

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageFile

from tiepoint.documents import pictures
from tiepoint.documents.canonical import pixels_sha256
from tiepoint.documents.pictures import decode_picture, encode_png, load_picture, save_png
from tiepoint.foundation.errors import TiepointError, UnusablePicture

RNG = np.random.default_rng(7)
GREY8 = RNG.integers(0, 256, (20, 30), dtype=np.uint8)
GREY16 = RNG.integers(0, 65536, (20, 30), dtype=np.uint16)
RGB = RNG.integers(0, 256, (20, 30, 3), dtype=np.uint8)


@pytest.mark.parametrize("ending", ["png", "tif", "bmp"])
def test_eight_bit_grey_is_taken_as_it_is(tmp_path, ending):
    path = tmp_path / f"it.{ending}"
    Image.fromarray(GREY8).save(path)
    loaded = load_picture(path)
    assert (loaded.grey == GREY8).all()
    assert (loaded.bits, loaded.pixel_format, loaded.size) == (8, "Mono8", (30, 20))


@pytest.mark.parametrize("ending", ["png", "tif"])
def test_sixteen_bit_grey_keeps_all_its_bits(tmp_path, ending):
    path = tmp_path / f"it.{ending}"
    assert cv2.imwrite(str(path), GREY16)
    loaded = load_picture(path)
    assert loaded.grey.dtype == np.uint16
    assert (loaded.grey == GREY16).all()
    assert (loaded.bits, loaded.pixel_format) == (16, "Mono16")


def test_colour_becomes_luma_as_in_bt_601(tmp_path):
    # ITU-R BT.601-7, 2.5.1: 0.299 R + 0.587 G + 0.114 B. Pure red, green, blue and white of 255.
    pure = np.array([[[255, 0, 0], [0, 255, 0], [0, 0, 255], [255, 255, 255]]], np.uint8).repeat(2, 1).repeat(8, 0)
    path = tmp_path / "pure.png"
    Image.fromarray(pure).save(path)
    assert load_picture(path).grey[0, ::2].tolist() == [76, 150, 29, 255]
    Image.fromarray(RGB).save(path)
    due = cv2.cvtColor(RGB, cv2.COLOR_RGB2GRAY).astype(int)
    # OpenCV rounds its weights to 15 bits.
    assert abs(load_picture(path).grey.astype(int) - due).max() <= 1


@pytest.mark.parametrize("mode", ["RGBA", "LA", "P", "1", "CMYK"])
def test_other_kinds_of_pixels_are_read(tmp_path, mode):
    path = tmp_path / ("it.tif" if mode == "CMYK" else "it.png")
    image = Image.fromarray(GREY8).convert("RGB").convert(mode)
    image.save(path)
    due = np.asarray(image.convert("RGB").convert("L")).astype(int)
    loaded = load_picture(path)
    assert loaded.grey.dtype == np.uint8
    assert abs(loaded.grey.astype(int) - due).max() <= 1


def test_transparency_is_ignored(tmp_path):
    path = tmp_path / "it.png"
    Image.fromarray(np.dstack([RGB, np.zeros((20, 30), np.uint8)])).save(path)
    opaque = tmp_path / "opaque.png"
    Image.fromarray(RGB).save(opaque)
    assert (load_picture(path).grey == load_picture(opaque).grey).all()


def test_pixels_are_counted_as_stored_and_a_turned_view_is_noticed(tmp_path):
    path = tmp_path / "phone.jpg"
    exif = Image.Exif()
    exif[0x0112] = 6  # Exif 2.32, 4.6.4: the 0th row is the visual right-hand side
    Image.fromarray(GREY8).save(path, exif=exif, quality=95)
    turned = load_picture(path)
    assert (turned.shown_turned, turned.size) == (True, (30, 20))
    Image.fromarray(GREY8).save(path, quality=95)
    assert not load_picture(path).shown_turned
    assert (load_picture(path).grey == turned.grey).all()


@pytest.mark.parametrize("ending", ["gif", "tif", "png"])
def test_a_file_of_several_pictures_is_noticed(tmp_path, ending):
    path = tmp_path / f"it.{ending}"
    Image.fromarray(GREY8).save(path, save_all=True, append_images=[Image.fromarray(255 - GREY8)])
    loaded = load_picture(path)
    assert loaded.frames == 2
    assert (loaded.grey == GREY8).all()
    assert loaded.hints == (f"it.{ending} holds 2 pictures; the first was taken. Save the one that is meant alone.",)
    Image.fromarray(GREY8).save(path)
    assert load_picture(path).hints == ()


def png_of(width: int, height: int) -> bytes:
    """Return the header of a PNG of that size, with a single row of data."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    data = zlib.compress(bytes(width + 1))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def test_a_picture_of_121_mp_is_refused_by_its_header(tmp_path, monkeypatch):
    path = tmp_path / "large.png"
    path.write_bytes(png_of(11_000, 11_000))

    def decoded(_):
        raise AssertionError("it was decoded")

    monkeypatch.setattr(pictures, "_decode", decoded)
    with pytest.raises(UnusablePicture, match=r"11000 × 11000 px \(121 MP\); at most 120 MP are read"):
        load_picture(path)


def test_a_picture_that_pillow_takes_for_an_attack_is_refused_in_a_sentence(tmp_path):
    path = tmp_path / "vast.png"
    path.write_bytes(png_of(14_000, 14_000))  # 196 MP; Pillow's own limit is 179
    with pytest.raises(UnusablePicture, match=r"vast\.png is far too large; at most 120 MP are read"):
        load_picture(path)


def float_tiff(value: float) -> bytes:
    out = io.BytesIO()
    Image.fromarray(np.full((16, 16), value, np.float32)).save(out, "TIFF")
    return out.getvalue()


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is empty"),
        (
            b"hello, I am a letter",
            "is not a picture that can be read, or its header is damaged; give a PNG, TIFF, JPEG or BMP",
        ),
        (b"%PDF-1.4 and so on", "is not a picture"),
        (encode_png(GREY8)[:-200], "cut off or damaged"),
        (encode_png(GREY8)[:40], "its header is damaged"),
        (encode_png(np.zeros((1, 1), np.uint8)), "1 × 1 px; nothing can be measured below 8 px"),
        (png_of(7, 4000), "7 × 4000 px; nothing can be measured"),
        (float_tiff(np.nan), "values that are not numbers"),
        (float_tiff(-3.0), "values from -3 to -3"),
        (float_tiff(0.5), "only whole grey values"),
        (float_tiff(1e6), "only whole grey values"),
    ],
    ids=["empty", "text", "pdf", "cut", "head only", "one pixel", "narrow", "nan", "negative", "0 to 1", "large"],
)
def test_what_cannot_be_measured_in_is_refused_in_a_sentence(tmp_path, data, said):
    path = tmp_path / "it.png"
    path.write_bytes(data)
    with pytest.raises(UnusablePicture) as caught:
        load_picture(path)
    assert said in str(caught.value)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_damaged_picture_gives_a_picture_or_a_sentence(tmp_path_factory, data):
    whole = bytearray(encode_png(GREY8))
    for _ in range(data.draw(st.integers(1, 4))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(whole)))
    path = tmp_path_factory.mktemp("pictures") / "it.png"
    path.write_bytes(bytes(whole[:cut]))
    try:
        loaded = load_picture(path)
    except TiepointError:
        return
    assert loaded.grey.ndim == 2


@pytest.mark.parametrize("pixels", [GREY8, GREY16, RGB], ids=["grey8", "grey16", "rgb"])
def test_a_written_png_holds_the_same_pixels(tmp_path, pixels):
    path = tmp_path / "it.png"
    save_png(path, pixels)
    loaded = load_picture(path)
    assert (loaded.pixels == pixels).all()
    described = loaded.described("top")
    assert described.pixels_sha256 == pixels_sha256(pixels)
    assert (described.role, described.size, described.file) == ("top", (30, 20), "it.png")


@pytest.mark.parametrize(("mode", "shape"), [("L", (300, 401)), ("RGB", (300, 401, 3))])
@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_has_the_pixels_that_pillow_decodes(mode, shape, progressive):
    pixels = cv2.GaussianBlur(np.random.default_rng(3).integers(0, 256, shape, dtype=np.uint8), (0, 0), 2)
    out = io.BytesIO()
    Image.fromarray(pixels, mode).save(out, "JPEG", quality=90, progressive=progressive)
    loaded = decode_picture(out.getvalue(), Path("photo.jpg"))
    with Image.open(out) as image:
        assert np.array_equal(loaded.pixels, np.asarray(image))


def test_no_jpeg_is_taken_whose_lower_rows_a_damage_has_moved():
    pixels = cv2.GaussianBlur(np.random.default_rng(3).integers(0, 256, (480, 640), dtype=np.uint8), (0, 0), 2)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=90)
    whole, taken, refused = out.getvalue(), [], []
    begin, chance = whole.index(b"\xff\xda") + 12, random.Random(5)
    for _ in range(200):
        turned = bytearray(whole)
        turned[chance.randrange(begin, len(whole) - 2)] ^= 1 << chance.randrange(8)
        try:
            taken.append(alike(pixels, decode_picture(bytes(turned), Path("photo.jpg")).grey))
        except UnusablePicture:
            with Image.open(io.BytesIO(turned)) as image:  # as a viewer shows it
                refused.append(alike(pixels, np.asarray(image)))
    # A JPEG has no checksum (ITU-T T.81): most bits change a few values, which nobody can tell. Those that move all
    # that comes behind them leave too few codes or too many.
    assert min(taken) > 0.6
    assert len(refused) > 20
    assert np.mean(np.array(refused) < 0.6) > 0.9


def alike(pixels, grey):
    """Return how the lower rows of two pictures correlate."""
    return float(
        np.corrcoef(pixels[-48:-8].ravel().astype(float), grey[-48:-8].ravel() + 1e-9 * np.arange(40 * 640))[0, 1]
    )


def test_a_tiff_that_does_not_say_what_its_0_is_is_refused():
    out = io.BytesIO()
    Image.fromarray(np.full((20, 30), 200, np.uint8)).save(out, "TIFF")
    data = out.getvalue()
    at = data.index(struct.pack("<HH", 262, 3))  # PhotometricInterpretation, of the type SHORT (TIFF 6.0, section 8)
    damaged = data[:at] + struct.pack("<H", 262 ^ 0x4000) + data[at + 2 :]
    with pytest.raises(UnusablePicture, match="black or white"):
        decode_picture(damaged, Path("photo.tif"))
    assert decode_picture(data, Path("photo.tif")).grey[0, 0] == 200


def test_a_photo_as_phones_keep_it_is_refused_with_what_the_phone_can_do(tmp_path):
    path = tmp_path / "IMG_0001.HEIC"
    path.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(500))
    with pytest.raises(UnusablePicture, match="have the phone take or send it as JPEG"):
        load_picture(path)


def test_two_that_decode_at_once_leave_the_filters_of_warnings_as_they_were(monkeypatch):
    data = encode_png(GREY8)
    decode_picture(data, Path("first.png"))
    before, limit = list(warnings.filters), Image.MAX_IMAGE_PIXELS
    real, inside, go = pictures._decode, [Event(), Event()], [Event(), Event()]

    def slow(image):
        k = int(current_thread().name)
        inside[k].set()
        assert go[k].wait(30)
        return real(image)

    monkeypatch.setattr(pictures, "_decode", slow)
    found = {}
    threads = [
        Thread(target=lambda k=k: found.update({k: decode_picture(data, Path(f"{k}.png"))}), name=f"{k}")
        for k in range(2)
    ]
    for k in range(2):
        threads[k].start()
        assert inside[k].wait(30)
    # The one that began first ends first, while the other is at it: put back one after the other, this leaked.
    for k in range(2):
        go[k].set()
        threads[k].join(30)
    assert all((found[k].grey == GREY8).all() for k in range(2))
    assert (list(warnings.filters), Image.MAX_IMAGE_PIXELS) == (before, limit)


def test_what_pillow_warns_of_is_not_printed_and_no_fault(tmp_path):
    # Pillow warns of a palette with an alpha for each of its colours, wherever it is turned to RGB.
    path = tmp_path / "palette.png"
    Image.fromarray(RGB).convert("P").save(path, transparency=bytes(range(256)))
    with Image.open(path) as image, pytest.warns(UserWarning, match="Palette images with Transparency"):
        due = np.asarray(image.convert("RGB"))
    assert (load_picture(path).pixels == due).all()


def test_what_is_missing_of_a_picture_is_not_made_up_whoever_asked_for_it(tmp_path, monkeypatch):
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    path = tmp_path / "cut.bmp"
    Image.fromarray(GREY8).save(path)
    path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(UnusablePicture, match="cut off or damaged"):
        load_picture(path)
