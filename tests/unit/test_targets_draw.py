"""What is printed: counted, measured by area, and laid beside OpenCV's own board."""

import math
import re

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from tiepoint.foundation.errors import UnusableInput
from tiepoint.targets.draw import (
    LARGE_DOT_SHARE,
    bar_length,
    bars,
    check,
    dark_squares,
    discs,
    identified,
    markers,
    new_target,
    own_lengths,
    points,
    shapes,
)


def area(polygon):
    x, y = polygon.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2


def pixels(target, px_per_pitch, margin=0):
    """Rasterise the pattern (its bars cut off) with OpenCV: dark 0, light 255, row 0 on top."""
    scale = px_per_pitch / target.pitch_mm
    width, height = (round(side * scale) for side in target.size_mm)
    picture = np.full((height, width), 255, np.uint8)
    for polygon in shapes(target).polygons:
        low, high = np.round(polygon.min(axis=0) * scale), np.round(polygon.max(axis=0) * scale)
        if (low < 0).any():
            continue
        (x0, y0), (x1, y1) = low.astype(int), high.astype(int)
        picture[height - y1 : height - y0, x0:x1] = 0
    return picture


@pytest.mark.parametrize("pattern", ["charuco", "checker", "dots"])
def test_every_polygon_runs_counter_clockwise_and_has_an_area(pattern):
    for polygon in shapes(new_target(pattern, 10, 7, 5)).polygons:
        assert area(polygon) > 0


def test_checker_is_half_dark():
    # Closed form: of 7 × 5 squares of 10 mm, 18 are dark where the corner is dark; marks are three discs.
    target = new_target("checker", 10, 7, 5)
    squares = [p for p in shapes(target).polygons if p.min() >= 0]
    assert sum(map(area, squares)) == pytest.approx(18 * 100)
    assert discs(target).shape == (3, 3)


def test_marks_lie_in_light_squares_clear_of_the_corners():
    for rows in (7, 8):
        target = new_target("checker", 10, 9, rows)
        light = ~dark_squares(target)
        for x, y, radius in discs(target):
            assert light[int(y // 10), int(x // 10)]
            assert (x % 10, y % 10) == (5, 5)
            assert radius < 2


@pytest.mark.parametrize("size", [(5, 7), (6, 8), (8, 5)])
@pytest.mark.parametrize("legacy", [False, True])
def test_charuco_is_what_opencv_draws(size, legacy):
    # Witness: OpenCV's board; with an even number of rows its legacy layout has a light first square.
    columns, rows = size
    first_dark = not (legacy and rows % 2 == 0)
    target = new_target("charuco", 20, columns, rows, family="6x6_250", share=0.5, first_dark=first_dark)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    board = cv2.aruco.CharucoBoard(size, 20.0, 10.0, dictionary)
    board.setLegacyPattern(legacy)
    theirs = board.generateImage((columns * 160, rows * 160), marginSize=0)
    # A pixel at the rim of a cell may fall either way.
    assert np.mean(theirs != pixels(target, 160)) < 0.005


def test_marker_corners_are_those_of_opencv():
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50)
    board = cv2.aruco.CharucoBoard((7, 5), 10.0, 7.0, dictionary)
    found = markers(new_target("charuco", 10, 7, 5))
    theirs = np.array(board.getObjPoints())[:, :, :2]  # y down from the top left corner
    assert found.ids.tolist() == board.getIds().ravel().tolist()
    np.testing.assert_allclose(found.corners_mm, theirs * [1, -1] + [0, 50], atol=1e-5)


@pytest.mark.parametrize(
    ("pattern", "count", "first"), [("charuco", 24, 10.0), ("checker", 24, 10.0), ("dots", 35, 5.0)]
)
def test_points_count_from_the_origin_row_by_row(pattern, count, first):
    ids, places = points(new_target(pattern, 10, 7, 5))
    assert ids.tolist() == list(range(count))
    assert places[0].tolist() == [first, first]
    assert places[1].tolist() == [first + 10, first]
    assert places[-1].tolist() == ([60.0, 40.0] if pattern != "dots" else [65.0, 45.0])


def test_large_dots_stand_at_the_origin_and_only_there():
    target = new_target("dots", 10, 6, 5)
    large = discs(target)[:, 2] == LARGE_DOT_SHARE * 10
    assert np.flatnonzero(large).tolist() == [0, 1, 2, 6]
    assert not (discs(new_target("dots", 10, 6, 5, marked=False))[:, 2] > 2.5).any()


def test_bars_are_true_to_their_nominal_length_and_outside_of_the_pattern():
    target = new_target("checker", 10, 17, 12)
    one, line, other = bars(target)[:3]
    assert other.mean(axis=0)[0] - one.mean(axis=0)[0] == pytest.approx(170)
    assert line[:, 1].max() < 0
    low, line, high = bars(target)[3:]
    assert high.mean(axis=0)[1] - low.mean(axis=0)[1] == pytest.approx(120)
    assert line[:, 0].max() < 0
    assert max(polygon.max(axis=0)[0] for polygon in bars(target)[3:]) < 0


@pytest.mark.parametrize(
    ("extent", "bar"), [(170, 170), (199.9, 190), (87.6, 85), (49, 49), (10, 10), (0.3, 0.3), (2.04, 2), (1234, 1230)]
)
def test_bars_have_round_lengths(extent, bar):
    assert bar_length(extent) == bar


def test_id_follows_what_is_printed():
    one = new_target("charuco", 10, 7, 5)
    assert one.id == new_target("charuco", 10.0, 7, 5).id
    others = [
        new_target("charuco", 10, 5, 7),
        new_target("charuco", 11, 7, 5),
        new_target("checker", 10, 7, 5),
        new_target("charuco", 10, 7, 5, first_dark=False),
        new_target("charuco", 10, 7, 5, family="6x6_250"),
    ]
    assert len({one.id, *(other.id for other in others)}) == 6


def test_small_family_is_enough_for_few_markers():
    assert new_target("charuco", 10, 7, 5).layout.family == "5x5_50"
    assert new_target("charuco", 10, 17, 12).layout.family == "5x5_250"
    assert new_target("charuco", 10, 40, 40).layout.family == "5x5_1000"


@pytest.mark.parametrize(
    ("ask", "sentence"),
    [
        (("stars", 10, 7, 5), "the pattern 'stars' is not known; use one of charuco, checker, dots"),
        (("checker", 0, 7, 5), "a pitch of 0 mm cannot be printed; choose 0.001 mm to 1000 mm"),
        (("checker", -1, 7, 5), "a pitch of -1 mm cannot be printed"),
        (("checker", math.nan, 7, 5), "a pitch of nan mm cannot be printed"),
        (("checker", 0.0009, 7, 5), "a pitch of 0.0009 mm cannot be printed"),
        (("checker", 1001, 7, 5), "a pitch of 1001 mm cannot be printed"),
        (("charuco", 10, 0, 5), "0 × 5 squares are too few for a charuco target"),
        (("dots", 10, 5, -3), "5 × -3 dots are too few for a dots target; choose at least 4 columns and 3 rows"),
        (("checker", 10, 7.5, 5), "columns is 7.5; give a whole number of squares"),
        (("dots", 10, 7, math.nan), "rows is nan; give a whole number of dots"),
        (("checker", 10, 3, 5), "3 × 5 squares are too few for a checker target; choose at least 4 columns and 4 rows"),
        (("dots", 10, 201, 5), "201 × 5 dots are more than can be found again; choose at most 200 columns and rows"),
        (("charuco", 10, 50, 50), "50 × 50 squares need 1250 markers and the family 5x5_1000 has 1000"),
    ],
)
def test_nonsense_is_refused_in_a_sentence(ask, sentence):
    with pytest.raises(UnusableInput, match=re.escape(sentence)):
        new_target(*ask)


@settings(deadline=None)
@given(
    pattern=some.sampled_from(["charuco", "checker", "dots"]),
    pitch_mm=some.one_of(some.floats(), some.floats(0.001, 1000), some.integers()),
    counts=some.tuples(*[some.one_of(some.integers(), some.integers(0, 210), some.floats())] * 2),
    share=some.one_of(some.none(), some.floats(), some.floats(0, 1)),
    bars_mm=some.one_of(some.none(), some.tuples(some.floats(), some.floats())),
)
def test_whatever_is_asked_for_gives_a_finite_target_or_a_sentence(pattern, pitch_mm, counts, share, bars_mm):
    try:
        target = new_target(pattern, pitch_mm, *counts, share=share, bars_mm=bars_mm)
    except UnusableInput:
        return
    assert len(points(target)[0]) >= 4
    assert np.isfinite(points(target)[1]).all()
    assert np.isfinite(discs(target)).all()
    assert all(np.isfinite(bar).all() for bar in bars(target))
    assert check(target) is target


@pytest.mark.parametrize("pattern", ["charuco", "dots"])
@pytest.mark.parametrize("share", [0.0, -0.2, math.nan, math.inf])
def test_a_share_of_nothing_is_no_request_for_the_usual_one(pattern, share):
    with pytest.raises(UnusableInput, match="of the pitch are not usable"):
        new_target(pattern, 10, 7, 5, share=share)


@pytest.mark.parametrize(
    ("pattern", "variant"),
    [
        ("charuco", "5x5_50"),
        ("charuco", "9x9_50:0.7:dark-first"),
        ("charuco", "5x5_50:x:dark-first"),
        ("checker", "marked"),
        ("checker", "marked:pink-first"),
        ("dots", "marked:nan:0"),
        ("dots", "bold:0.25"),
    ],
)
def test_variant_must_belong_to_the_pattern(pattern, variant):
    with pytest.raises(UnusableInput, match="does not belong to a"):
        check(identified(pattern, 10, 7, 5, variant, 70, 50))


@pytest.mark.parametrize("variant", ["marked:nan", "marked:0.3", "plain:0.5", "plain:0.01"])
def test_dots_must_be_dots(variant):
    with pytest.raises(UnusableInput, match="of the pitch are not usable"):
        check(identified("dots", 10, 7, 5, variant, 70, 50))


@pytest.mark.parametrize("share", [0.1, 1.2, math.nan])
def test_markers_must_fit_their_squares(share):
    with pytest.raises(UnusableInput, match="of the pitch are not usable"):
        check(identified("charuco", 10, 7, 5, f"5x5_50:{share}:dark-first", 70, 50))


def test_markers_are_numbered_from_the_first_that_was_printed():
    target = new_target("charuco", 40, 5, 7, family="6x6_250", share=0.5, first_id=35)
    assert target.variant == "6x6_250:0.5:dark-first:35"
    # 5 × 7 squares hold 17 markers (OpenCV's tutorial board).
    assert markers(target).ids.tolist() == list(range(35, 52))
    assert markers(new_target("charuco", 40, 5, 7)).ids[0] == 0


@pytest.mark.parametrize("variant", ["6x6_250:0.5:dark-first:x", "6x6_250:0.5:dark-first:1:2", "6x6_250:0.5"])
def test_a_variant_with_other_parts_is_refused(variant):
    with pytest.raises(UnusableInput, match="does not belong to a charuco"):
        check(identified("charuco", 40, 5, 7, variant, 200, 280))


@pytest.mark.parametrize(
    ("pattern", "counts", "steps"),
    [("checker", (10, 7), (8, 6)), ("checker", (9, 4), (8, 2)), ("charuco", (3, 3), (2, 2)), ("dots", (9, 6), (8, 5))],
)
def test_a_pattern_without_bars_is_measured_over_whole_steps(pattern, counts, steps):
    # Counted by hand: dark squares of one row lie two apart, dots one.
    assert own_lengths(pattern, 12.0, *counts) == (12 * steps[0], 12 * steps[1])
