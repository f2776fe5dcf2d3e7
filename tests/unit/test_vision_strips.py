"""What edges in strips promise besides precision: which edge, reasons, flags, input, and independence of the frame."""

import math
import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tiepoint.foundation.errors import UnusableInput, UnusablePicture
from tiepoint.foundation.reasons import FLAGS, REASONS
from tiepoint.vision.strips import CODES, EdgeSearch, edges_in_strips
from tiepoint.vision.strips import FLAGS as STRIP_FLAGS

exact = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "exact_edges.py")))


def bars(*places, rows=40, cols=200, w=1.0, low=40.0, high=220.0, sigma=2.0, seed=0):
    """A picture that changes between dark and bright at the places, beginning dark, with noise."""
    picture = np.full((rows, cols), float(low))
    for k, place in enumerate(places):
        step = exact.straight_edge(rows, cols, place, 0, 0.0, w, 0, high - low)
        picture += step if k % 2 == 0 else -step
    return exact.seen_by_camera(picture, sigma, np.random.default_rng(seed))


def one(picture, x=100.0, y=20.0, angle=0.0, length=120, width=15, **asked):
    return edges_in_strips(picture, np.array([[x, y]]), np.array([angle]), length, width, EdgeSearch(**asked))


# Which edge


def test_polarity_chooses_between_the_sides_of_a_bar():
    picture = bars(80.3, 120.7)
    assert one(picture, polarity="rising").point[0, 0] == pytest.approx(80.3, abs=0.05)
    assert one(picture, polarity="falling").point[0, 0] == pytest.approx(120.7, abs=0.05)
    back = one(picture, angle=math.pi, polarity="rising")
    assert back.point[0, 0] == pytest.approx(120.7, abs=0.05)
    assert back.rising[0]
    assert back.polarity[0] == 1


def test_which_chooses_among_equal_edges():
    picture = bars(60.0, 80.0, 100.0, 120.0, 140.0)
    assert one(picture, of_several="nearest", polarity="rising").point[0, 0] == pytest.approx(60, abs=0.05)
    assert one(picture, of_several="farthest", polarity="rising").point[0, 0] == pytest.approx(140, abs=0.05)
    first = one(picture, of_several="nearest")
    assert first.point[0, 0] == pytest.approx(60, abs=0.05)
    assert first.flags(0) == ("more_than_one_edge",)
    assert first.flagged("more_than_one_edge")[0]


def test_the_clearest_edge_is_taken_and_a_faint_one_is_no_rival():
    strong, faint = bars(130.2, high=200, sigma=0), bars(70.0, low=40, high=85, sigma=0)
    picture = exact.seen_by_camera(strong.astype(float) + faint - 40, 2.0, np.random.default_rng(1))
    for of_several in ("clearest", "nearest"):
        edge = one(picture, of_several=of_several)
        assert edge.point[0, 0] == pytest.approx(130.2, abs=0.05)
        assert not edge.flagged("more_than_one_edge")[0]
    near = one(picture, of_several="nearest", polarity="rising", length=100, x=75)
    assert near.point[0, 0] == pytest.approx(70, abs=0.2)


@pytest.mark.parametrize("gap", [9.0, 12.0, 30.0])
def test_a_neighbouring_edge_does_not_pull(gap):
    errors = []
    for k in range(20):
        picture = bars(95.3, 95.3 + gap, seed=k)
        errors.append(one(picture, polarity="rising").point[0, 0] - 95.3)
    assert abs(np.mean(errors)) < 0.01


def test_a_least_contrast_can_be_asked_for():
    picture = bars(100.0, low=40, high=90)
    assert one(picture, least_contrast=45).ok[0]
    assert one(picture, least_contrast=55).reason == ("no_edge",)


# Reasons and flags


def test_reasons_and_flags_are_registered():
    assert all(code in REASONS for code in CODES[1:])
    assert all(flag in FLAGS for flag in STRIP_FLAGS)


def test_a_plain_field_has_no_edge():
    edge = one(np.full((40, 200), 120, np.uint8))
    assert edge.reason == ("no_edge",)
    assert np.isnan(edge.position[0])
    assert edge.most_common_reason() == "no_edge"


def test_a_strip_beyond_the_picture_says_so():
    picture = bars(100.0)
    for x, y in ((-80.0, 20.0), (100.0, 400.0), (1e5, -1e5)):
        edge = one(picture, x=x, y=y)
        assert edge.reason == ("outside_picture",)
        assert edge.flagged("clipped")[0]


def test_a_strip_cut_by_the_border_is_measured_and_flagged():
    edge = one(bars(100.0), y=3.0)
    assert edge.ok[0]
    assert edge.flags(0) == ("clipped",)
    assert edge.position[0] == pytest.approx(0, abs=0.05)
    assert not one(bars(100.0)).flagged("clipped")[0]


def test_saturation_is_flagged_and_then_refused():
    whole = one(bars(100.2, low=60, high=320))
    assert whole.reason == ("saturated",)
    assert whole.saturated_share[0] > 0.25
    some = one(bars(100.2, low=60, high=250.5, sigma=2.55))
    assert some.ok[0]
    assert some.flagged("saturated")[0]
    # Where the sensor ends can be told; a float picture has no end of its own.
    assert one(bars(100.2), saturation=210).reason == ("saturated",)
    assert one(bars(100.2).astype(np.float32) * 2).ok[0]


def test_low_contrast_is_flagged():
    edge = one(bars(100.2, low=100, high=115, sigma=3.0))
    assert edge.ok[0]
    assert "low_contrast" in edge.flags(0)


def test_broken_float_pixels_give_no_number():
    picture = bars(100.2).astype(np.float32)
    picture[18:22, 98:103] = np.nan
    edge = one(picture)
    assert not edge.ok[0]
    assert np.isnan(edge.position[0])


def test_a_pattern_that_is_no_edge_is_told():
    rng = np.random.default_rng(2)
    blotches = (rng.random((40, 200)) > 0.5) * 180.0 + 40
    edges = edges_in_strips(blotches.astype(np.uint8), np.tile([100.0, 20.0], (50, 1)), rng.uniform(0, 6, 50), 30, 8)
    assert edges.ok.mean() < 0.1


# Input


def test_vectors_and_angles_say_the_same():
    picture = bars(100.2)
    by_angle = one(picture, angle=0.1)
    by_vector = edges_in_strips(
        picture, np.array([[100.0, 20.0]]), np.array([[2 * math.cos(0.1), 2 * math.sin(0.1)]]), 120, 15
    )
    np.testing.assert_allclose(by_vector.point, by_angle.point)
    np.testing.assert_allclose(by_vector.normal, by_angle.normal)


def test_no_strips_give_no_edges():
    edges = edges_in_strips(bars(100.0), np.zeros((0, 2)), np.zeros(0), 60, 15)
    assert len(edges) == 0
    assert edges.most_common_reason() == ""


def test_many_strips_are_measured_as_one_by_one():
    picture, rng = bars(100.2), np.random.default_rng(3)
    centres = np.column_stack([rng.uniform(95, 105, 1100), rng.uniform(10, 30, 1100)])
    angles = rng.uniform(-0.2, 0.2, 1100)
    together = edges_in_strips(picture, centres, angles, 60, 9)
    for k in (0, 511, 512, 1099):
        alone = edges_in_strips(picture, centres[k : k + 1], angles[k : k + 1], 60, 9)
        assert alone.position[0] == together.position[k]
        assert alone.u[0] == together.u[k]


def test_views_and_other_float_types_are_accepted():
    picture = bars(100.2)
    wide = np.zeros((40, 400), np.uint8)
    wide[:, ::2] = picture
    np.testing.assert_array_equal(one(wide[:, ::2]).position, one(picture).position)
    np.testing.assert_allclose(one(picture.astype(np.float64)).position, one(picture).position, atol=1e-6)


@pytest.mark.parametrize(
    ("picture", "said"),
    [
        (np.zeros((4, 4, 3), np.uint8), "grey picture of rows"),
        (np.zeros((0, 4), np.uint8), "grey picture of rows"),
        (np.zeros((4, 4), np.int32), "int32"),
        (np.zeros((4, 4), bool), "bool"),
    ],
)
def test_pictures_that_cannot_be_read(picture, said):
    with pytest.raises(UnusablePicture, match=said):
        one(picture)


@pytest.mark.parametrize(
    ("centres", "directions", "length", "width", "said"),
    [
        (np.zeros((2, 3)), np.zeros(2), 60, 15, "centres have the shape"),
        (np.zeros((2, 2)), np.zeros(3), 60, 15, "directions have the shape"),
        (np.zeros((2, 2)), np.zeros((2, 2)), 60, 15, "direction 0 has no length"),
        (np.full((2, 2), np.nan), np.zeros(2), 60, 15, "not a finite place"),
        (np.zeros((1, 2)), np.zeros(1), 3, 15, "choose 8 to"),
        (np.zeros((1, 2)), np.zeros(1), 60, 0.5, "choose 1 to"),
        (np.zeros((1, 2)), np.zeros(1), math.nan, 15, "cannot be used"),
    ],
)
def test_strips_that_cannot_be_used(centres, directions, length, width, said):
    with pytest.raises(UnusableInput, match=said):
        edges_in_strips(bars(100.0), centres, directions, length, width)


# The frame does not matter


@settings(max_examples=25, deadline=None)
@given(
    angle=st.floats(-math.pi, math.pi),
    place=st.floats(-3, 3),
    w=st.floats(0.6, 2.0),
    quarter=st.integers(0, 3),
)
@example(angle=1.1875, place=0.0, w=0.75, quarter=1)
@example(angle=math.atan2(4, 3), place=0.0, w=1.0, quarter=1)
def test_a_turned_picture_gives_a_turned_answer(angle, place, w, quarter):
    size = 101
    picture = exact.straight_edge(size, size, 50, 50, angle, w).astype(np.float32)
    d = np.array([math.cos(angle), math.sin(angle)])
    centre = 50 - place * d
    found = edges_in_strips(picture, centre[None], np.array([angle]), 60, 11)
    assert found.position[0] == pytest.approx(place, abs=2e-3)
    turned, c, v = picture, centre, d
    for _ in range(quarter):
        # A quarter turn from x towards y about the picture's centre: (x, y) → (size − 1 − y, x).
        turned, c, v = np.rot90(turned, -1), np.array([size - 1 - c[1], c[0]]), np.array([-v[1], v[0]])
    again = edges_in_strips(turned, c[None], v[None], 60, 11)
    # The same pixels in the same bins, so the same sums: rounding is all that may differ (seen: 1e-15 px). In the first
    # example the centre pixel stands on the border of two bins; were rounding to choose between them, the fit would
    # begin 0.04 px away and stop 1.3e-5 px away. In the second one many pixels stand on borders (then: 5e-5 px).
    assert again.position[0] == pytest.approx(found.position[0], abs=1e-9)
    assert again.blur[0] == pytest.approx(found.blur[0], abs=1e-9)


def test_the_other_way_round_is_the_same_edge():
    picture = bars(100.2)
    forth, back = one(picture), one(picture, angle=math.pi)
    assert back.position[0] == pytest.approx(-forth.position[0], abs=1e-3)
    assert back.rising[0] != forth.rising[0]
    np.testing.assert_allclose(back.point, forth.point, atol=1e-3)


def test_shared_noise_draws_unequal_estimates_together_and_leaves_true_differences():
    picture = bars(100.2, rows=400)
    centres = np.column_stack([np.full(100, 100.0), np.arange(100) * 3.7 + 10])
    asked = (centres, np.zeros(100), 40, 3)
    edges = edges_in_strips(picture, *asked, EdgeSearch(robust=False))
    shared = edges_in_strips(picture, *asked, EdgeSearch(robust=False, is_one_shape=True))
    assert np.std(shared.noise) < 0.6 * np.std(edges.noise)
    assert np.mean(shared.noise) == pytest.approx(np.mean(edges.noise), rel=0.03)
    assert (shared.dof > 1.5 * edges.dof).all()
    noisy = picture.copy()
    noisy[200:] = bars(100.2, rows=200, sigma=8.0)
    mixed = edges_in_strips(noisy, *asked, EdgeSearch(robust=False, is_one_shape=True))
    assert np.median(mixed.noise[60:]) > 2.5 * np.median(mixed.noise[:45])
    few = [
        edges_in_strips(picture, centres[:3], np.zeros(3), 40, 3, EdgeSearch(is_one_shape=shared))
        for shared in (False, True)
    ]
    assert few[0].u.tolist() == few[1].u.tolist()
