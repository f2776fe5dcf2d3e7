"""A part that moves between the pictures of a shot: shifts found against the truth of rendered closed-form scenes."""

import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tiepoint.foundation.reasons import Reason
from tiepoint.vision.relief import relief_of
from tiepoint.vision.relief_lights import Light, Lights, field_of, ground_of
from tiepoint.vision.relief_motion import find_motion, registered

scenes = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "lit_scenes.py")))
SHAPE = (240, 320)
LAMPS = scenes.directions()
LIGHTS = Lights(tuple(Light(str(k), tuple(d)) for k, d in enumerate(LAMPS)))
FIELD = field_of(LIGHTS, SHAPE, ground_of(SHAPE))
SLIGHT = ((0, 0), (0.2, 0), (0.1, 0.15), (-0.2, 0.1))
STEADY = ((0, 0), (6.3, -2.2), (12.1, -4.7), (18.6, -7.1))


def taken(kind, shifts, **options):
    return scenes.pictures(kind, SHAPE, LAMPS, shifts, fine=2, **options)


@pytest.mark.parametrize("kind", ["dots", "print", "printed dots"])
def test_a_shift_of_a_fifth_of_a_pixel_is_found_to_a_twentieth(kind):
    # Peened dots of 4 px, a print without relief, and both: 8 bits, noise 1.5 grey levels of some 120.
    motion = find_motion(taken(kind, SLIGHT), FIELD, 1.53, 255)
    assert motion.shifts_px == pytest.approx(np.array(SLIGHT), abs=0.05)
    assert np.all(np.abs(motion.shifts_px - SLIGHT) < 4 * motion.u_px + 0.01)
    assert motion.moved
    assert motion.told


@pytest.mark.parametrize("kind", ["dots", "print"])
def test_a_part_that_lies_still_is_not_said_to_have_moved(kind):
    motion = find_motion(taken(kind, [(0, 0)] * 4), FIELD, 1.53, 255)
    assert not motion.moved
    assert np.abs(motion.shifts_px).max() < 0.05


def test_what_broad_dents_cannot_tell_is_in_the_uncertainty():
    # On even ground a shift of each picture across its lamp's direction changes, to first order, nothing that no
    # surface could show, nor the slopes' curl: neither normal equations nor noise's own gradients may hide that.
    errors = []
    for seed in range(6):
        motion = find_motion(taken("dented", [(0, 0)] * 4, seed=seed), FIELD, 1.53, 255)
        assert not motion.moved
        errors.append((motion.shifts_px / np.where(motion.u_px > 0, motion.u_px, 1))[1:].ravel())
    # Of a standard uncertainty that holds the mean is 1; before noise was accounted for it was 18.
    assert np.mean(np.square(errors)) < 2.5


def test_gloss_is_told_from_motion_by_what_the_shifts_explain():
    # Highlights pull dots by some tenths of a pixel towards the lamps; a long way is seen in spite of them.
    still = find_motion(taken("printed dots", [(0, 0)] * 4, gloss=0.8), FIELD, 1.53, 255)
    assert not still.moved
    assert np.all(np.abs(still.shifts_px) < 4 * still.u_px + 0.01)
    moving = find_motion(taken("printed dots", STEADY, gloss=0.3), FIELD, 1.53, 255)
    assert moving.moved
    assert moving.shifts_px == pytest.approx(np.array(STEADY), abs=0.5)


def test_highlights_that_lie_towards_each_lamp_are_no_motion():
    motion = find_motion(taken("dots", [(0, 0)] * 4, gloss=0.3), FIELD, 1.53, 255)
    assert not motion.moved


def test_pictures_are_laid_upon_one_another_and_the_relief_says_so():
    still, moving = (relief_of(taken("printed dots", shifts), LIGHTS) for shifts in ([(0, 0)] * 4, STEADY))
    blurred = relief_of(taken("printed dots", STEADY), LIGHTS, register=False)
    inner = (slice(30, -30), slice(30, -30))
    assert still.flags == ()
    assert moving.flags == ("pictures_shifted",)
    assert moving.notes[0].startswith("The part moved by up to 20 px between the pictures")

    def off(relief):
        return float(np.std(relief.slope_x[inner] - still.slope_x[inner]))

    assert off(moving) < 0.02 < 0.2 < off(blurred)
    assert not moving.used[:20].any()


def test_what_cannot_be_laid_upon_one_another_is_refused_with_the_shift():
    # Farther than any two pictures may lie apart and be laid upon one another again.
    found = relief_of(taken("print", [(0, 0), (16, 0), (32, 0), (48, 0)]), LIGHTS)
    assert isinstance(found, Reason)
    assert (found.code, found.params["shift_px"]) == ("part_moved", 48)


def test_lanczos_moves_a_picture_by_a_fraction_of_a_pixel():
    # A band-limited picture is known between its pixels: a sine of 8 px moved by 0.3 px.
    x = np.arange(200)
    wave = [np.tile(100 + 50 * np.sin(2 * np.pi * (x - s) / 8), (60, 1)).astype(np.float32) for s in (0, 0.3)]
    motion = find_motion(taken("print", [(0, 0)] * 4), FIELD, 1.53)
    moved = type(motion)(np.array([(0, 0), (0.3, 0)]), np.eye(2), np.zeros((2, 2)))
    (_, laid), border = registered(wave, moved)
    assert np.abs(laid - wave[0])[5:-5, 5:-5].max() < 0.5
    assert border == 4
