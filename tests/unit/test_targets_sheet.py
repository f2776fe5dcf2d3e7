"""Sheets at true scale: PDFs are rasterised by PDFium and measured there, without asking the code that drew them."""

import math
import re
from xml.etree import ElementTree

import cv2
import numpy as np
import pypdfium2
import pytest

from tiepoint.foundation.errors import UnusableInput
from tiepoint.targets.draw import new_target
from tiepoint.targets.sheet import PAPERS_MM, pdf, svg

MM_PER_POINT = 25.4 / 72


class Printed:
    """A page as PDFium fills it: `dark` (h, w) from 0 to 1, and its true scale in px per mm along x and y.

    Opened from bytes alone: the scale comes from the page's own size. PDFium stretches a page to whole pixels,
    which counts at 0.02 %. `crop_mm`: what is cut off left, bottom, right, top.
    """

    def __init__(self, data, px_per_mm, crop_mm=(0, 0, 0, 0)):
        with pypdfium2.PdfDocument(data) as document:
            assert len(document) == 1
            scale = px_per_mm * MM_PER_POINT
            points = document[0].get_size()
            crop = tuple(side / MM_PER_POINT for side in crop_mm)
            grey = document[0].render(scale=scale, crop=crop, grayscale=True).to_numpy().astype(float)
        self.dark = 1 - grey.reshape(grey.shape[0], grey.shape[1]) / 255
        self.x, self.y = (math.ceil(side * scale) / (side * MM_PER_POINT) for side in points)


def page_mm(data):
    with pypdfium2.PdfDocument(data) as document:
        return tuple(side * MM_PER_POINT for side in document[0].get_size())


def longest_run(dark):
    """Return row, first and last column of the longest horizontal dark run."""
    best = (0, 0, 0)
    for row, line in enumerate(dark):
        ends = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(int), [0]])))
        for first, end in zip(ends[::2], ends[1::2], strict=True):
            if end - first > best[2] - best[1]:
                best = (row, first, end)
    return best


def bar_px(picture):
    """Return the distance of the end lines' middles of the longest horizontal bar, in px."""
    row, first, end = longest_run(picture > 0.5)
    beside = row
    while picture[beside, (first + end) // 2] > 0.02:
        beside -= 1
    tick, reach = picture[beside - 1], 2 * (row - beside) + 4  # beside the bar only its end lines are dark
    middles = []
    for at in (first, end):
        near = np.arange(max(at - reach, 0), at + reach)
        middles.append((near * tick[near]).sum() / tick[near].sum())
    return middles[1] - middles[0]


@pytest.mark.parametrize("pattern", ["charuco", "checker", "dots"])
@pytest.mark.parametrize(
    ("pitch", "paper", "px_per_mm"), [(10, "A4", 12), (10, None, 12), (0.25, None, 400), (70, None, 4)]
)
def test_bars_have_their_length_on_the_page(pattern, pitch, paper, px_per_mm):
    target = new_target(pattern, pitch, 17, 12)
    data = pdf(target, paper)
    # A fingernail is looked at closely: all that is not within 8 mm of the pattern is cut off.
    crop = (0, 0, 0, 0) if pitch > 1 else closely(data, target)
    page = Printed(data, px_per_mm, crop)
    assert bar_px(page.dark) / page.x == pytest.approx(target.bar_x_mm, abs=0.3 / px_per_mm)
    assert bar_px(page.dark.T) / page.y == pytest.approx(target.bar_y_mm, abs=0.3 / px_per_mm)


def closely(data, target):
    """Return what to cut off so that only the pattern and its bars remain, from a first look at the whole page."""
    page = Printed(data, 60)
    row, first, end = longest_run(page.dark > 0.3)  # the bar along x
    height, width = page.dark.shape
    around = 0.5 * target.pitch_mm
    left = first / page.x - around - 2 * target.pitch_mm
    return (
        left,
        (height - row) / page.y - around,
        (width - end) / page.x - around,
        row / page.y - 1.5 * target.bar_x_mm,
    )


def test_squares_have_their_pitch_on_the_page():
    page = Printed(pdf(new_target("checker", 10, 17, 12, marked=False), "A3"), 20)
    picture = page.dark
    _, top, bottom = longest_run(picture.T > 0.5)  # the bar along y: its middle is between two rows of squares
    rows = (top + bottom) // 2 + np.array([-100, 100])
    steps = [np.diff(np.flatnonzero(np.diff((picture[row] > 0.5).astype(int)))) / page.x for row in rows]
    # Eighteen edges where the first square is dark, each 10 mm from the next to a pixel of 0.05 mm; so are all
    # of them together.
    wide = max((s[s > 9] for s in steps), key=len)[-17:]
    assert len(wide) == 17
    assert np.abs(wide - 10).max() <= 0.051
    assert wide.sum() == pytest.approx(10 * len(wide), abs=0.051)


def test_dots_have_their_pitch_and_radius_on_the_page():
    page = Printed(pdf(new_target("dots", 10, 9, 7, marked=False), "A4"), 20)
    picture = page.dark
    _, _, stats, middles = cv2.connectedComponentsWithStats((picture > 0.5).astype(np.uint8))
    round_ones = (np.abs(stats[:, 4] - np.pi * 50**2) < 60) & (stats[:, 2] < 110)
    assert round_ones.sum() == 63
    places = middles[round_ones] / (page.x, page.y)
    x = np.sort(places[:, 0]).reshape(9, 7).mean(axis=1)
    np.testing.assert_allclose(np.diff(x), 10, atol=0.01)


def test_markers_on_the_page_are_read_by_opencv():
    target = new_target("charuco", 10, 7, 5)
    picture = (255 * (1 - Printed(pdf(target), 10).dark)).astype(np.uint8)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50))
    _, ids, _ = detector.detectMarkers(picture)
    assert sorted(ids.ravel().tolist()) == list(range(17))


def test_there_are_no_hairlines_between_what_touches():
    # A marker's border is one dark frame: along it no pixel may be lighter than black.
    target = new_target("charuco", 10, 5, 4)
    picture = Printed(pdf(target), 37.3).dark
    filled = cv2.morphologyEx((picture > 0.5).astype(np.uint8), cv2.MORPH_ERODE, np.ones((5, 5), np.uint8))
    assert picture[filled > 0].min() > 0.999


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_page_is_the_paper_turned_as_it_fits(paper):
    short, long = PAPERS_MM[paper]
    target = new_target("checker", short / 25, 14, 9)
    sides = page_mm(pdf(target, paper))
    assert sides == (pytest.approx(long, abs=0.01), pytest.approx(short, abs=0.01))


def test_page_can_be_over_a_metre_or_a_fingernail():
    assert max(page_mm(pdf(new_target("charuco", 90, 14, 10)))) > 1260
    width, height = new_target("checker", 0.2, 10, 8).size_mm
    assert (width, height) == (2.0, 1.6)


def test_too_small_a_paper_is_refused_with_a_larger_one():
    with pytest.raises(UnusableInput, match=r"needs \d+ × \d+ mm and A4 has 210 × 297 mm; choose A3"):
        pdf(new_target("charuco", 12, 20, 14), "A4")
    with pytest.raises(UnusableInput, match="leave the paper out for a page that fits"):
        svg(new_target("charuco", 90, 14, 10), "A0")
    with pytest.raises(UnusableInput, match="the paper 'napkin' is not known; use one of A0, A1"):
        pdf(new_target("charuco", 10, 7, 5), "napkin")


@pytest.mark.parametrize("pattern", ["charuco", "checker", "dots"])
def test_same_target_same_bytes(pattern):
    one, other = (new_target(pattern, 10, 7, 5) for _ in range(2))
    assert pdf(one, "A4") == pdf(other, "a4")
    assert svg(one) == svg(other)
    assert b"/CreationDate (D:2000" in pdf(one) or b"CreationDate" not in pdf(one)


def words_of(data):
    with pypdfium2.PdfDocument(data) as document:
        return document[0].get_textpage().get_text_bounded()


@pytest.mark.parametrize("pattern", ["charuco", "checker", "dots"])
def test_page_says_what_it_is_and_how_to_print_it(pattern):
    target = new_target(pattern, 10, 17, 12)
    for words in (words_of(pdf(target)), svg(target)):
        assert target.id in words
        assert "Print at 100 %" in words
        assert "170 mm from line to line" in words
        assert "120 mm from line to line" in words


def test_svg_is_in_millimetres_and_as_dark_as_it_should_be():
    target = new_target("checker", 10, 7, 5, marked=False)
    root = ElementTree.fromstring(svg(target, "A4"))
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("297mm", "210mm", "0 0 297 210")
    path = root.find("{http://www.w3.org/2000/svg}path").get("d")
    polygons = [np.array(re.findall(r"([\d.]+) ([\d.]+)", part), float) for part in path.split("z") if part]
    squares = [p for p in polygons if len(p) == 4 and np.allclose(np.ptp(p, axis=0), 10, atol=1e-6)]
    assert len(squares) == 18
    corner = np.concatenate(squares).min(axis=0)
    assert np.ptp(np.concatenate(squares), axis=0) == pytest.approx([70, 50], abs=1e-5)
    # Upright: the first square, top left, is dark.
    assert any(np.allclose(p.min(axis=0), corner) for p in squares)


def test_svg_draws_dots_as_circles():
    target = new_target("dots", 10, 5, 4, marked=False)
    path = ElementTree.fromstring(svg(target)).find("{http://www.w3.org/2000/svg}path").get("d")
    assert len(re.findall(r"A2\.5 2\.5 0 1 0 ", path)) == 2 * 20
