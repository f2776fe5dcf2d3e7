"""Relief in millimetres after a known step: pads of the bench, whose heights are exact, teach and are read."""

import math
import tomllib

import numpy as np
import pytest

from tiepoint.bench.marked_station import lights_toml
from tiepoint.recipe.lights import read_lights
from tiepoint.render.relief import Finish, Item, surface
from tiepoint.render.relief_lamps import lamp
from tiepoint.render.relief_photo import ReliefExposure, overhead, take
from tiepoint.render.relief_shapes import Strokes
from tiepoint.render.sensor import PlainSensor
from tiepoint.vision.relief import relief_of
from tiepoint.vision.relief_lights import Ground
from tiepoint.vision.relief_step import Step, read_step

MM_PER_PX = 0.05
TO_PLANE = np.array([[MM_PER_PX, 0.0, -MM_PER_PX * 119.5], [0.0, -MM_PER_PX, MM_PER_PX * 69.5]])
TOP_MM, FEATURE_PX = 2.0, 8.0
HIGH = ((-0.95, 0.95), (-1.5, 1.5))


def ring(elevation_deg):
    return [lamp(side, 90.0 * k, elevation_deg) for k, side in enumerate("enws")]


STATED = read_lights(tomllib.loads(lights_toml(ring(45.0)))).lights(TO_PLANE)


def pictures_of(height_mm, flank_mm, elevation_deg, blur_px=0.7):
    """Grey values, without noise worth it, of a pad in the middle of a face of 12 × 7 mm."""
    sight = overhead(240, 140, MM_PER_PX, fine=3)
    pad = Item(Strokes((np.array([[0.0, -3.0], [0.0, 3.0]]),), TOP_MM, flank_mm, height_mm))
    face = surface(sight.grid(), [pad], Finish(0.5))
    camera = ReliefExposure(blur_px, 1.0, 0.0, PlainSensor(noise_share=1e-4, bits=16), 3)
    shot = take(face, sight, ring(elevation_deg), camera, np.random.default_rng(0))
    assert shot.truth.height_mm.max() == pytest.approx(height_mm, abs=1e-6)
    return [picture / 257 for picture in shot.pictures]


def relief(clean, rng):
    noisy = [np.clip(np.rint(v + rng.normal(0, 1.5, v.shape)), 0, 255).astype(np.uint8) for v in clean]
    return relief_of(noisy, STATED, plane_from_image=TO_PLANE, feature_px=FEATURE_PX)


def low_beside(flank_mm):
    return ((-5.9, -TOP_MM / 2 - flank_mm - 0.05), (-1.5, 1.5))


@pytest.mark.parametrize("elevation_deg", [45.0, 47.0])
def test_a_pad_of_half_a_millimetre_teaches_to_read_one_of_a_fifth(elevation_deg):
    reference, part = pictures_of(0.5, 1.2, elevation_deg), pictures_of(0.2, 0.6, elevation_deg)
    step = Step(low_beside(1.2), HIGH, 0.5, 0.001)
    within, factors, errors = 0, [], []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        scale = relief(reference, rng).scale_from(step)
        told = relief(part, rng).scaled(scale)
        read = read_step(told.relief, told.used, told.ground, low_beside(0.6), HIGH, FEATURE_PX)
        u = math.hypot(read.u, read.step * scale.u / scale.factor)
        within += abs(read.step - 0.2) <= 2 * u
        factors.append(scale.factor)
        errors.append(read.step - 0.2)
        assert u < 0.005
        assert told.relief_unit == "mm"
    # At 95 % and 20 seeds fewer than 17 happen once in 60 (binomial).
    assert within >= 17
    assert abs(np.mean(errors)) < 0.0015
    # Lamps at 47° stated at 45° make every slope tan 45°/tan 47° of what it is (Woodham's closed form).
    closed = math.tan(math.radians(elevation_deg)) / math.tan(math.radians(45))
    assert np.mean(factors) == pytest.approx(closed, rel=0.005)


@pytest.fixture(scope="module")
def found():
    return relief(pictures_of(0.5, 1.2, 45.0), np.random.default_rng(3))


@pytest.mark.parametrize(
    ("low", "high", "height_mm", "said"),
    [
        (((-6.5, -2.3), (-1.5, 1.5)), HIGH, 0.5, "low or high leaves the picture"),
        (((-5.9, -0.5), (-1.5, 1.5)), HIGH, 0.5, "low and high overlap"),
        (((-5.9, -2.3), (0.5, 1.5)), HIGH, 0.5, "for less than 24 px of an edge"),
        (((-3.0, -2.3), (-1.5, 1.5)), ((-0.5, 0.5), (-1.5, 1.5)), 0.5, "too narrow, 14 px and 20 px"),
        (HIGH, low_beside(1.2), 0.5, "as if high were below low: exchange them"),
        (((-5.9, -4.7), (-1.5, 1.5)), ((-4.6, -3.5), (-1.5, 1.5)), 0.5, "the step reads as"),
        (low_beside(1.2), HIGH, 5.0, "where 5 mm are stated, which no lamp explains"),
    ],
)
def test_a_step_that_cannot_be_is_refused_in_a_clause(found, low, high, height_mm, said):
    told = found.scale_from(Step(low, high, height_mm, 0.001))
    assert isinstance(told, str)
    assert said in told


def test_a_step_stated_too_loosely_scales_nothing(found):
    assert "is stated to 0.4 mm: take a higher one" in found.scale_from(Step(low_beside(1.2), HIGH, 0.5, 0.2))


def test_a_flank_that_lamps_do_not_reach_is_refused(found):
    lost = found.used.copy()
    lost[:, 80:90] = 0
    assert "too few lamps" in read_step(found.relief, lost, found.ground, low_beside(1.2), HIGH, FEATURE_PX)


def test_a_step_is_read_from_either_side_whichever_way_the_picture_lies(found):
    z, used, ground = found.relief, found.used, found.ground
    left, across = low_beside(1.2), HIGH[1]
    one = read_step(z, used, ground, left, HIGH, FEATURE_PX)
    other = read_step(z, used, ground, ((-left[0][1], -left[0][0]), across), HIGH, FEATURE_PX)
    assert one.step == pytest.approx(0.5, abs=2 * one.u)
    assert other.step == pytest.approx(0.5, abs=2 * other.u)
    # np.rot90 takes the pixel (239 - y, x) to (x, y): the same places on the plane, seen by a camera that was turned.
    turn, begin = np.array([[0.0, -1.0], [1.0, 0.0]]), np.array([239.0, 0.0])
    turned = Ground(ground.matrix @ turn, ground.matrix @ begin + ground.origin, "mm")
    again = read_step(np.rot90(z), np.rot90(used), turned, left, HIGH, FEATURE_PX)
    assert again.step == pytest.approx(one.step, abs=1e-9)
    # The plane's axes exchanged: an edge along x.
    exchanged = Ground(ground.matrix[::-1], ground.origin[::-1], "mm")
    along = read_step(z, used, exchanged, left[::-1], HIGH[::-1], FEATURE_PX)
    assert along.step == pytest.approx(one.step, abs=1e-9)
