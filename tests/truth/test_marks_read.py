"""Marks read: against zxing-cpp's writer for every kind that it creates, and real dot marks on machined metal."""

import csv

import cv2
import numpy as np
import pytest
import zxingcpp
from tests.helpers.dotted_marks import dotted_mark
from tests.helpers.mark_scenes import drawn, on_ground, read

from tiepoint.vision.mark_dots import _lattices, _response, see_dots
from tiepoint.vision.mark_kinds import KINDS, kind_of
from tiepoint.vision.mark_ladder import ladder
from tiepoint.vision.mark_read import MarkRequest, read_marks
from tiepoint.vision.mark_rungs import Rung, prepare, read_rung
from tiepoint.vision.mark_seen import _second, read_again, see

SAMPLES = {
    "aztec": ("Aztec", "tiepoint 42", "tiepoint 42"),
    "codabar": ("Codabar", "A12345B", "A12345B"),
    "code_32": ("Code32", "12345678", "A123456788"),
    "code_39": ("Code39", "TIE-42", "TIE-42"),
    "code_93": ("Code93", "TIE-42", "TIE-42"),
    "code_128": ("Code128", "Tie point 42", "Tie point 42"),
    "data_matrix": ("DataMatrix", "tiepoint 42", "tiepoint 42"),
    "databar": ("DataBarOmni", "0950110153000", "0109501101530003"),
    "dx_film_edge": ("DXFilmEdge", "0123-1", "123-1"),
    "ean_8": ("EAN8", "1234567", "12345670"),
    "ean_13": ("EAN13", "950110153000", "9501101530003"),
    "itf": ("ITF", "0950110153", "0950110153"),
    "maxicode": ("MaxiCode", "tiepoint 42", "tiepoint 42"),
    "micro_pdf417": ("MicroPDF417", "tiepoint 42", "tiepoint 42"),
    "micro_qr": ("MicroQRCode", "TIE42", "TIE42"),
    "pdf417": ("PDF417", "tiepoint 42", "tiepoint 42"),
    "pzn": ("PZN", "1234567", "-12345678"),
    "qr": ("QRCode", "tiepoint 42", "tiepoint 42"),
    "rmqr": ("RMQRCode", "TIE42", "TIE42"),
    "telepen": ("Telepen", "Tie 42", "Tie 42"),
    "upc_a": ("UPCA", "01234567890", "0012345678905"),
    "upc_e": ("UPCE", "0123456", "0012345000065"),
}
"""By kind: the writer's name, what it is given, what must be read (check digits added, as each standard has it)."""


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_read_back_and_named(kind):
    name, given, must = SAMPLES[kind]
    symbol = drawn(given, name, 4)
    picture = on_ground(symbol, (symbol.shape[0] + 60, symbol.shape[1] + 60), (30, 30))
    told = read(picture, f'symbology = "{kind}"\nreadings = ["symbology"]')
    assert (told["symbology"].text, told["content"].text) == (kind, must)


def test_every_format_that_can_be_read_has_a_kind():
    readable = zxingcpp.barcode_formats_list(zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.AllReadable))
    # EAN/UPC is a family, and OtherBarcode a collection of what has no name of its own.
    assert [f.name for f in readable if kind_of(f.name) is None] == ["EANUPC", "OtherBarcode"]


def test_all_dot_marks_on_machined_metal_are_read_and_none_misread(photos):
    folder = photos / "marks" / "metal_dots"
    with (folder / "truth.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 5
    for row in rows:
        picture = cv2.imread(str(folder / row["file"]), cv2.IMREAD_GRAYSCALE)
        told = read(picture, 'symbology = "data_matrix"\nreadings = ["preparation"]')
        assert told["content"].text == row["text"], told["content"].reason
        # Pinned, the same preparation alone reads it again.
        pinned = read(picture, f'symbology = "data_matrix"\npreparation = "{told["preparation"].text}"')
        assert pinned["content"].text == row["text"]


def test_the_photo_of_several_codes_that_the_second_reader_carries():
    # The test picture of pylibdmtx's wheel holds two symbols (its own tests name them).
    from importlib.resources import files

    import pylibdmtx.tests

    path = files(pylibdmtx.tests) / "datamatrix.png"
    picture = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_GRAYSCALE)
    told = read(picture, 'symbology = "data_matrix"')
    assert told["content"].reason.code == "marks_several"
    texts = {mark.text for mark in see(prepare(picture, Rung()), ("data_matrix",))}
    assert texts == {"Stegosaurus", "Plesiosaurus"}


@pytest.mark.skipif(_second() is None, reason="libdmtx is not installed")
def test_the_second_reader_agrees_on_messages_with_separators():
    picture = on_ground(drawn("[)>\x1e06\x1d1PABC-12\x1dS0001\x1e\x04"))
    (mark,) = see(picture, ("data_matrix",))
    assert read_again(picture, mark) == mark.content


def test_separate_dots_are_read_where_print_readers_see_nothing():
    # Composites of dents under four lamps, gaps between the dots; plain zxing-cpp reads none of these in any light.
    asked, rungs = MarkRequest(("data_matrix",)), [Rung(dots="bright"), Rung(shrink=2, dots="bright")]
    found = 0
    for seed in range(8):
        mark = dotted_mark(seed, cell_px=7.0, noise=1.5, blur=0.7, depth=0.5, texture=0.01, damage=0.0)
        assert not any(see(light, ("data_matrix",)) for light in mark.lights)
        read_now = read_marks(lambda _, mark=mark: mark.sunken, asked, rungs)
        for seen in read_now.marks:
            assert seen.text == mark.text
            assert np.abs(seen.corners - mark.corners).max() < 0.25 * mark.cell_px
            found += 1
    assert found == 8


@pytest.mark.parametrize(("rows", "count", "pitch"), [(1, 14, 8), (1, 28, 7), (2, 14, 8)])
def test_rows_of_dots_are_no_mark_and_hide_none(rows, count, pitch):
    # Few rows of dots, as of a knurl or of holes, have a period along them alone.
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:120, :300]
    ground = np.full((120, 300), 120.0)
    for row, k in np.ndindex(rows, count):
        ground += 80 * np.exp(-((x - 30 - k * pitch) ** 2 + (y - 60 - row * pitch) ** 2) / 8)
    picture = np.clip(ground + rng.normal(0, 1, ground.shape), 0, 255).astype(np.uint8)
    assert see_dots(picture, True) == []
    mark = dotted_mark(0, cell_px=7.0, noise=1.5, blur=0.7, depth=0.5, texture=0.01, damage=0.0)
    wide = max(picture.shape[1], mark.sunken.shape[1])
    beside = np.full((picture.shape[0] + mark.sunken.shape[0], wide), 120, np.uint8)
    beside[: picture.shape[0], : picture.shape[1]] = picture
    beside[picture.shape[0] :, : mark.sunken.shape[1]] = prepare(mark.sunken, Rung())
    assert [seen.text for seen in see_dots(beside, True)] == [mark.text]


def test_the_words_of_every_rung_name_it_again():
    for rung in (*ladder(("sunken", "lamp 1")), Rung(shrink=1.5, join_dark=3, even=21)):
        assert read_rung(str(rung)) == rung
    for words in ("", "shrink", "shrink0", "blur3", "shrink2 shrink3", "shrink2 enlarge2", "shrink2;", "sunken:"):
        assert read_rung(words) is None


def test_texture_alone_is_never_read():
    rng = np.random.default_rng(7)
    for _ in range(3):
        noise = cv2.GaussianBlur(rng.normal(size=(128, 128)), (0, 0), rng.uniform(0.6, 3))
        picture = np.clip(128 + 45 * noise / noise.std(), 0, 255).astype(np.uint8)
        assert read_marks(lambda _, picture=picture: picture, MarkRequest(("data_matrix",)), ladder()).marks == ()


def test_no_lattice_is_tried_where_there_is_none():
    # Trying one costs as much as looking for them all. Of 144 peened symbols that dots gave none stood out less than 9.
    rng = np.random.default_rng(3)
    brushed = cv2.GaussianBlur(rng.normal(size=(400, 400)), (0, 0), sigmaX=12, sigmaY=0.8)
    for ground in (rng.normal(120, 2, (400, 400)), 128 + 35 * brushed / brushed.std()):
        picture = np.clip(ground, 0, 255).astype(np.uint8)
        assert list(_lattices(_response(picture, True))) == []
    shown = prepare(dotted_mark(3, cell_px=7.0, noise=1.5, blur=0.7, depth=0.5).sunken, Rung())
    assert next(_lattices(_response(shown, True))).score > 9
