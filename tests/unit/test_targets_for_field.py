"""Which target fills a field: what a person would check of it with a rule and with the picture."""

import pytest

from tiepoint.foundation.errors import UnusableInput
from tiepoint.targets.for_field import for_field

PICTURES = {
    "4:3": ((104.0, 78.0), (1920, 1440)),
    "16:9": ((160.0, 90.0), (1920, 1080)),
    "square": ((50.0, 50.0), (2048, 2048)),
    "upright": ((78.0, 104.0), (1440, 1920)),
    "strip": ((400.0, 50.0), (4096, 512)),
    "small": ((3.2, 2.4), (640, 480)),
    "large": ((2400.0, 1800.0), (2448, 2048)),
}


@pytest.mark.parametrize(("field", "size"), PICTURES.values(), ids=PICTURES)
def test_a_charuco_reaches_beyond_the_field_in_squares_that_are_seen_large(field, size):
    found = for_field(field, size)
    width, height = found.target().size_mm
    assert width >= 1.1 * field[0] - 1e-9
    assert height >= 1.1 * field[1] - 1e-9
    # The width of a square by the coarser direction of the picture; 60 px, as docs/how-to/print-a-target.md says.
    assert found.pitch_px == pytest.approx(found.pitch_mm * min(size[0] / field[0], size[1] / field[1]))
    assert found.pitch_px >= 60
    # Of common practice for a lens's distortion: a grid of some ten by six points or more, all over the picture.
    assert min(field) / found.pitch_mm >= 6
    assert max(field) / found.pitch_mm >= 10


def test_the_pitch_is_a_fifteenth_of_the_longer_side_or_the_next_round_one():
    # Worked by hand: 1.1 · 104 mm / 16 = 7.15 mm, and 7.5 mm is the next; 114.4 mm take 16 of them, 85.8 mm 12.
    assert (found := for_field((104, 78), (1920, 1440))).pitch_mm == 7.5
    assert (found.columns, found.rows) == (16, 12)
    assert found.bar_x_mm == found.target().bar_x_mm == 120


def test_a_strip_has_enough_rows_as_long_as_its_squares_are_seen():
    # Worked by hand: 1.1 · 50 mm / 9 = 6.1 mm, 62.6 px at 10.24 px/mm; the next round pitch is 7.5 mm.
    assert for_field((400, 50), (4096, 512)).pitch_mm == 7.5
    # Of half the pixels 60 px are 11.7 mm: the squares are no smaller for the sake of rows.
    assert for_field((400, 50), (2048, 256)).pitch_mm == 12.5


@pytest.mark.parametrize("pattern", ["checker", "dots"])
@pytest.mark.parametrize(("field", "size"), PICTURES.values(), ids=PICTURES)
def test_what_must_be_seen_whole_lies_within_the_field(pattern, field, size):
    width, height = for_field(field, size, pattern).target().size_mm
    assert 0.7 * field[0] < width <= 0.92 * field[0]
    assert 0.7 * field[1] < height <= 0.92 * field[1]


@pytest.mark.parametrize(
    ("field", "size", "pattern", "says"),
    [
        ((0, 10), (640, 480), "charuco", "the width of the field is 0 mm; give more than 0"),
        ((10, float("nan")), (640, 480), "charuco", "the height of the field is nan mm"),
        ((10, 10), (40, 30), "dots", "too coarse for a dots that lies in 10 × 10 mm whole; take a charuco"),
        ((1e5, 1e5), (640, 480), "charuco", "even squares of 1000 mm would be 4.8 px wide; take a smaller field"),
    ],
)
def test_a_field_that_no_target_suits_is_said_so(field, size, pattern, says):
    with pytest.raises(UnusableInput) as refused:
        for_field(field, size, pattern)
    assert says in str(refused.value)
