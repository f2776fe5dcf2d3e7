"""What `vision.relief` finds in the bench's pictures, beside what the bench put there: two rooms that share no code."""

import tomllib
from dataclasses import replace

import numpy as np
import pytest

from tiepoint.bench.marked_station import lights_toml
from tiepoint.recipe.lights import read_lights
from tiepoint.render.relief import Finish, Item, Lobe, surface
from tiepoint.render.relief_lamps import lamp
from tiepoint.render.relief_photo import ReliefExposure, overhead, take
from tiepoint.render.relief_shapes import Bead, Cap, Dent, Dot, Gap, Strokes
from tiepoint.render.sensor import PlainSensor
from tiepoint.vision.relief import relief_of

MM_PER_PX = 0.05
NEARLY_NOISELESS = PlainSensor(noise_share=1e-4, bits=16)


def four(away_mm=None, flat=False):
    return [lamp(side, 90.0 * k, 45.0, away_mm=away_mm, flat=flat) for k, side in enumerate("enws")]


def seen(lamps, finish=None, stated=None, blur_px=0.0):
    """Relief and truth of a face with one of everything, 15 × 11 mm, its slopes below 0.4."""
    items = [
        Cap(-4.0, 2.5, 1.6, 0.2),
        Cap(-4.0, -2.0, 1.6, -0.2),
        Dot(0.0, 3.0, 0.8, 0.1, 0.0, 0.1),
        Dent(0.0, -1.5, 0.6, 0.15),
        Strokes((np.array([[2.0, -3.5], [3.5, -1.0], [5.0, -3.5]]),), 0.4, 0.6, 0.1),
        Bead(np.array([[2.0, 2.5], [6.0, 2.5]]), 1.2, 0.08, gaps=(Gap(1.8, 0.4),)),
    ]
    sight = overhead(300, 220, MM_PER_PX, fine=3)
    face = surface(sight.grid(), [Item(shape) for shape in items], finish or Finish(0.5))
    shot = take(face, sight, lamps, ReliefExposure(blur_px, 1.0, 0.0, NEARLY_NOISELESS, 3), np.random.default_rng(1))
    document = read_lights(tomllib.loads(lights_toml(stated or lamps)))
    # The bench's frame has its origin in the middle of the picture, y up.
    to_plane = np.array([[MM_PER_PX, 0.0, -MM_PER_PX * 149.5], [0.0, -MM_PER_PX, MM_PER_PX * 109.5]])
    relief = relief_of(shot.pictures, document.lights(to_plane), plane_from_image=to_plane)
    return relief, shot.truth


def worst_share(found, truth, share=95):
    """The error that `share` % of the pixels stay below; the rest lie on creases, where a pixel holds two slopes."""
    return max(float(np.percentile(np.abs(a - b), share)) for a, b in zip(found, truth, strict=True))


@pytest.mark.parametrize(("away_mm", "flat"), [(None, False), (60.0, False), (60.0, True)])
def test_slopes_of_a_matte_face_are_those_that_are_there(away_mm, flat):
    relief, truth = seen(four(away_mm, flat))
    # Far, near, and near with an axis: noise of 1e-4 gives 0.0003 (Woodham's closed form: σ/ρ/√2·sin θ).
    assert worst_share((relief.slope_x, relief.slope_y), truth.slopes) < 2e-3
    assert worst_share((relief.albedo / np.median(relief.albedo),), (truth.albedo / 0.5,)) < 2e-3
    assert not relief.flags


def test_curvature_and_relief_have_the_signs_of_bumps_and_pits():
    relief, truth = seen(four())
    bump, pit = (109 - 50, 149 - 80), (109 + 40, 149 - 80)
    sphere = Cap(0, 0, 1.6, 0.2).sphere_mm
    # Both principal curvatures at a cap's top are 1/R; positive on a ridge.
    assert relief.curvature[bump] == pytest.approx(2 / sphere, rel=0.05)
    assert relief.curvature[pit] == pytest.approx(-2 / sphere, rel=0.05)
    height = relief.relief - np.median(relief.relief)
    assert height[bump] == pytest.approx(0.2, abs=0.02)
    assert height[pit] == pytest.approx(-0.2, abs=0.02)
    assert np.corrcoef(height.ravel(), truth.height_mm.ravel())[0, 1] > 0.99


def test_a_lamp_that_is_off_turns_slopes_by_the_closed_form():
    # g_x = (I₀ − I₁₈₀)/(2 cos 45°), g_z = ΣI/(4 sin 45°): one lamp of gain 1 + ε makes a flat face seem to lean by ε/2.
    lamps = four()
    dim = [replace(each, gain=1.02 if each.id == "e" else 1.0) for each in lamps]
    true, _ = seen(lamps)
    off, _ = seen(dim, stated=lamps)
    flat = (slice(100, 120), slice(5, 30))
    moved = float(np.median((off.slope_x - true.slope_x)[flat]))
    assert moved == pytest.approx(-0.02 / 2 / (1 + 0.02 / 4), rel=0.02)


def test_gloss_is_flagged_and_left_out():
    glossy, truth = seen(four(), Finish(0.4, 0.15, Lobe(0.12, 0.12)))
    trusting = worst_share((glossy.slope_x, glossy.slope_y), truth.slopes, 80)
    assert "glossy" in glossy.flags
    assert trusting < 0.02


def test_a_shining_face_that_lies_still_is_measured_and_motion_left_open():
    # Lamps disagree by tens of per cent wherever it is not flat, and no shift explains that.
    glossy, _ = seen(four(), Finish(0.3, 0.3, Lobe(0.12, 0.12)))
    assert "pictures_shifted" not in glossy.flags
    assert any("cannot be told whether the part moved" in note for note in glossy.notes)


def test_on_brushed_metal_that_shines_all_over_no_lamp_is_left_out_everywhere():
    # Its lobe is twice as wide across the brush as along it, so that the lamps of one axis outshine the others even
    # where the face is flat: no highlight, and slopes stay those of the face.
    brushed, truth = seen(four(), Finish(0.3, 0.18, Lobe(0.18, 0.36, 0.0)))
    assert "glossy" in brushed.flags
    assert any("on most pixels" in note for note in brushed.notes)
    assert float(np.mean(brushed.used == 15)) > 0.9
    assert worst_share((brushed.slope_x, brushed.slope_y), truth.slopes, 80) < 0.05
