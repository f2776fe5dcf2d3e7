"""A look's own parts: the way from pixels into a part's frame and back, and strips laid across the picture."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, Values
from tiepoint.recipe.context import Context
from tiepoint.recipe.features import PartFeature
from tiepoint.recipe.ground import ImageGround, PlaneGround
from tiepoint.recipe.layout import Box, around, over_box
from tiepoint.recipe.part import PartGround
from tiepoint.recipe.schema import SoughtTable
from tiepoint.ties.lens import Lens
from tiepoint.ties.tie import PARAMETERS, Field, Tie

PX = np.array([[310.0, 120.0], [40.5, 400.25], [600.0, 333.0]])
SHIFT, SCALE, BOW = (Source(name, name, "B", 0.01, "tie") for name in ("shift", "scale", "bow"))
NOISE, OWN = (Source(name, name, "A", 0.01, "pixel") for name in ("noise", "own"))
POSES = ((12.0, 7.0, 0.4), (-3.0, 5.0, -1.1))
BY_POSE = (np.array([[1.0, 0.2], [0.5, -0.3], [0.01, 0.02]]), np.array([[0.3, -0.4], [0.1, 0.9], [-0.03, 0.01]]))


def tie(shift: float = 0.0, scale: float = 0.0) -> Tie:
    """A tie with a lens, perspective and a field; how its matrix moves with two sources is exact."""
    H = np.array([[0.05, 0.002, -3.0], [0.001, -0.05, 20.0], [1e-5, -2e-5, 1.0]])
    d_shift, d_scale = np.zeros((3, 3)), np.zeros((3, 3))
    d_shift[0], d_scale[:2] = H[2], H[:2]
    factor = np.zeros((len(PARAMETERS), 2))
    factor[:9] = np.column_stack([d_shift.ravel(), d_scale.ravel()])
    bow = Field(BOW, 2, (320.0, 240.0), 320.0, np.arange(12.0).reshape(6, 2))
    region = np.array([[0, 0], [639, 0], [639, 479], [0, 479]], float)
    lens = Lens(-0.03, 0.01, 322.0, 238.0, 400.0, p1=1e-3)
    H = H + shift * d_shift + scale * d_scale
    return Tie("t", "target", "image", "plane", "m", H, region, lens, (SHIFT, SCALE), factor, (bow,))


def part_in_a_part(used: Tie, poses=POSES) -> PartGround:
    """A frame of a part that was found in the frame of another one; both share a source of the tie."""
    one = PartFeature(Values(np.array(poses[0]), BY_POSE[0], (SCALE, NOISE)))
    two = PartFeature(Values(np.array(poses[1]), BY_POSE[1], (NOISE, OWN)))
    return PartGround(PartGround(PlaneGround(used), one, "one"), two, "two")


def moved(changes: dict[Source, float]) -> PartGround:
    """The same frame after each cause has moved what follows it."""
    both = []
    for pose, by, sources in zip(POSES, BY_POSE, ((SCALE, NOISE), (NOISE, OWN)), strict=True):
        both.append(np.array(pose) + by @ [changes.get(source, 0.0) for source in sources])
    return part_in_a_part(tie(changes.get(SHIFT, 0.0), changes.get(SCALE, 0.0)), both)


def test_a_place_in_a_part_of_a_part_is_seen_where_it_was():
    ground = part_in_a_part(tie())
    assert ground.sight.to_px(ground.way.map(PX).xy_mm) == pytest.approx(PX, abs=1e-8)
    # Rigid motions one after the other, in complex numbers.
    z = PlaneGround(tie()).way.map(PX).xy_mm @ (1, 1j)
    for x, y, angle in POSES:
        z = (z - (x + 1j * y)) * np.exp(-1j * angle)
    assert ground.way.map(PX).xy_mm @ (1, 1j) == pytest.approx(z, abs=1e-12)


@pytest.mark.parametrize("source", [SHIFT, SCALE, NOISE, OWN], ids=lambda source: source.id)
def test_a_place_in_a_part_of_a_part_follows_each_cause_as_differences_show(source):
    h, way = 1e-6, part_in_a_part(tie()).way
    shown = (moved({source: h}).way.map(PX).xy_mm - moved({source: -h}).way.map(PX).xy_mm) / (2 * h)
    mapped = way.map(PX)
    assert mapped.d_sources[:, :, mapped.sources.index(source)] == pytest.approx(shown, abs=1e-7)


def test_a_field_displaces_by_its_polynomial_turned_into_the_part():
    mapped = part_in_a_part(tie()).way.map(PX)
    turn = sum(angle for _, _, angle in POSES)
    c, s = math.cos(turn), math.sin(turn)
    expected = tie().fields[0].at(PX) @ np.array([[c, -s], [s, c]])
    assert mapped.d_sources[:, :, mapped.sources.index(BOW)] == pytest.approx(expected, abs=1e-12)


def test_a_place_moves_with_its_pixel_as_differences_show():
    way, h = part_in_a_part(tie()).way, 1e-4
    for axis, step in enumerate(h * np.eye(2)):
        shown = (way.map(PX + step).xy_mm - way.map(PX - step).xy_mm) / (2 * h)
        assert way.map(PX).d_px[:, :, axis] == pytest.approx(shown, abs=1e-9)


@pytest.mark.parametrize("turned", [False, True])
def test_what_lies_outside_the_valid_region_is_told_whichever_way_its_corners_run(turned):
    used = tie()
    used = replace(used, valid_region=used.valid_region[::-1]) if turned else used
    px = np.array([[0.0, 0.0], [639.0, 200.0], [639.1, 200.0], [320.0, -0.1]])
    assert used.map(px).inside.tolist() == [True, True, False, False]


def context_of(ground) -> Context:
    return Context(SoughtTable(name="s", kind="line"), None, ground, 1.0, (), None, "s")


def test_strips_over_a_box_lie_side_by_side_and_cross_it():
    box = Box(np.array([300.0, -200.0]), np.array([0.6, 0.8]), 25.0, 60.0)
    strips = over_box(context_of(ImageGround()), box, "either")
    assert (len(strips.boxes), strips.length_px, strips.width_px) == (15, pytest.approx(50.0), pytest.approx(8.0))
    # In the image y runs down.
    assert strips.directions / 50 == pytest.approx(np.tile([0.6, -0.8], (15, 1)))
    along = (strips.centres - (300.0, 200.0)) @ (-0.8, -0.6)
    assert along == pytest.approx((np.arange(15) - 7) * 8.0)
    one = over_box(context_of(ImageGround()), box, "either", is_one=True)
    assert one.boxes == pytest.approx(np.array([[300.0, 200.0, 30.0, -40.0]]))
    assert one.width_px == pytest.approx(120.0)


def test_strips_of_a_full_circle_have_one_opposite_to_each():
    strips = around(context_of(ImageGround()), np.array([80.0, -90.0]), (10.0, 20.0), (0.0, math.tau), "either", True)
    half = len(strips.boxes) // 2
    assert len(strips.boxes) == 2 * half == 30  # 15·2π px round its middle, 3 px each, and even
    assert strips.directions[:half] == pytest.approx(-strips.directions[half:])
    assert np.hypot(*(strips.centres - (80.0, 90.0)).T) == pytest.approx(15.0)


def test_where_the_picture_shows_no_such_place_there_are_no_strips():
    # The lens of a pincushion shows nothing beyond r² = ρ²/(4κ).
    used = replace(tie(), lens=Lens(0.3, 0.0, 320.0, 240.0, 100.0))
    box = Box(np.array([1e4, 1e4]), np.array([1.0, 0.0]), 1.0, 1.0)
    assert over_box(context_of(PlaneGround(used)), box, "either") == Reason("outside_picture")
    assert around(context_of(PlaneGround(used)), box.centre, (1.0, 2.0), (0.0, 1.0), "either") == Reason(
        "outside_picture"
    )
