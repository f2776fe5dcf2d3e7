"""Saturation of cameras of 8 to 16 bits: what is overexposed is told alike whatever the depth, and never conforms.

The authority is the same scene, in closed form, through a sensor of 8 bits: a finer scale shows no more of what is cut
off.
"""

import runpy
import tomllib
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.recipe import read_recipe
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.ties.tie import Sensor
from tiepoint.vision.colour import Scale, patch_of
from tiepoint.vision.full_scale import full_scale, scale_end
from tiepoint.vision.relief import relief_of
from tiepoint.vision.relief_lights import Light, Lights, from_angles
from tiepoint.vision.seek import seek
from tiepoint.vision.seek_model import Pose
from tiepoint.vision.seek_teach import teach
from tiepoint.vision.strips import edges_in_strips

HELPERS = Path(__file__).parents[1] / "helpers"
scenes = SimpleNamespace(**runpy.run_path(str(HELPERS / "shape_scenes.py")))

HEAD = 'format = "tiepoint/recipe/1"\nname = "bright"\n'
DEPTHS = [(8, "low"), (10, "low"), (10, "high"), (12, "low"), (12, "high"), (14, "low"), (14, "high"), (16, "low")]
ROWS, COLS, RADIUS = 200, 260, 40.0


def deep(light: np.ndarray, bits: int, end: str = "low") -> np.ndarray:
    """Return light (255: what fills the sensor) as a sensor of some bits delivers it, in the low or high bits of 16."""
    top = 2**bits - 1
    levels = np.clip(np.rint(light * (top / 255)), 0, top).astype(np.uint16)
    return levels.astype(np.uint8) if bits == 8 else levels << (16 - bits if end == "high" else 0)


def disc(level: float, blur: float = 3.0) -> np.ndarray:
    """A disc of 80 px, as bright as `level`; seen with some noise."""
    t = np.linspace(0, 2 * np.pi, 721)[:-1]
    light = np.full((ROWS, COLS), 60.0)
    scenes.put(light, [np.column_stack([130 + RADIUS * np.cos(t), 100 + RADIUS * np.sin(t)])], level, blur)
    return light + np.random.default_rng(1).normal(0, 1.0, light.shape)


def record(text: str, grey: np.ndarray, bits: int = 16, colour: np.ndarray | None = None):
    size = grey.shape[1], grey.shape[0]
    shot = Shot("shot", (Picture("picture", "", size, bits, "Mono16"),))
    seen = Seen(shot, {"picture": grey}, {"picture": Sensor(*size)}, {} if colour is None else {"picture": colour})
    return run(Job(read_recipe(tomllib.loads(HEAD + text)), None), seen).record


CIRCLE = (
    '[[step]]\nname = "disc"\nkind = "circle"\nin = "image"\n'
    "region.ring = { centre = [130, 100], inner = 25, outer = 60 }\nlimits.diameter = { lower = 1, upper = 200 }\n"
)
PATCHES = (
    '[[step]]\nname = "disc"\nkind = "patches"\nin = "image"\nshade = "brighter"\n'
    "region.rectangle = { centre = [130, 100], size = [200, 160] }\nlimits.count = { lower = 1, upper = 1 }\n"
)
BEAD = (
    '[[step]]\nname = "bar"\nkind = "bead"\nin = "image"\nlooks = "bright"\n'
    "region.path = { points = [[20, 100], [240, 100]], width = 80 }\nlimits.gaps = { upper = 0 }\n"
)


def bar(level: float) -> np.ndarray:
    light = np.full((ROWS, COLS), 60.0)
    scenes.put(light, [np.array([(5.0, 88), (255, 88), (255, 112), (5, 112)])], level, 1.5)
    return light + np.random.default_rng(2).normal(0, 1.0, light.shape)


def told(made) -> tuple:
    one = made.readings[0]
    return made.verdict, one.reason.code if one.reason else None, "saturated" in one.flags


@pytest.mark.parametrize(("bits", "end"), DEPTHS)
@pytest.mark.parametrize(
    ("step", "scene"), [(CIRCLE, disc), (PATCHES, disc), (BEAD, bar)], ids=["circle", "patches", "bead"]
)
def test_what_is_overexposed_is_told_as_with_8_bits_and_never_conforms(step, scene, bits, end):
    assert told(record(step, deep(scene(200.0), bits, end))) == ("conforms", None, False)
    for level in (285.0, 500.0):
        one = told(record(step, deep(scene(level), bits, end)))
        assert one[0] in ("unread", "undecided")
        assert one == told(record(step, deep(scene(level), 8)))


def test_an_overexposed_disc_reads_too_large_and_says_so():
    # With 12 bits in the low end of 16 it read too large by many u, and conformed.
    made = record(CIRCLE, deep(disc(300.0, 2.0), 12)).readings[0]
    assert made.verdict in ("unread", "undecided")
    edges = edges_in_strips(deep(disc(285.0), 12), np.array([[170.0, 100.0]]), np.array([0.0]), 40, 5)
    assert edges.saturated_share[0] > 0.1
    assert edges.flagged("saturated")[0] or edges.reason[0] == "saturated"


@pytest.mark.parametrize(("bits", "end"), DEPTHS)
def test_a_find_and_a_colour_tell_it(bits, end):
    dim, bright = (deep(bracket(level), bits, end) for level in (180.0, 300.0))
    taught = teach(dim, np.ones(dim.shape, bool), Pose(*AT))
    assert "saturated" not in seek(dim, taught).found[0].flags
    assert "saturated" in seek(bright, taught).found[0].flags
    rgb = np.stack([deep(np.full((40, 40), level), bits, end) for level in (300.0, 150.0, 100.0)], axis=-1)
    looked = np.ones((40, 40), bool)
    assert patch_of(rgb, looked, Scale(full=full_scale([rgb]))).cut_off == 1.0
    below = np.stack([deep(np.full((40, 40), level), bits, end) for level in (200.0, 150.0, 100.0)], axis=-1)
    assert patch_of(below, looked, Scale(full=full_scale([below]))).cut_off == 0.0


AT = (125.0, 100.0, 0.2)


def bracket(level: float) -> np.ndarray:
    light = np.full((ROWS, COLS), 60.0)
    scenes.put(light, scenes.placed([0.5 * loop for loop in scenes.bracket()], *AT), level, 0.8)
    return light + np.random.default_rng(3).normal(0, 1.0, light.shape)


@pytest.mark.parametrize(("bits", "end"), DEPTHS)
def test_relief_leaves_out_the_lamp_that_is_saturated(bits, end):
    # A plane of slopes 0.15 and −0.1; by hand, three lamps tell it exactly.
    lights = Lights(tuple(Light(f"{k}", from_angles(90 * k, 45)) for k in range(4)))
    n = np.array([-0.15, 0.1, 1.0]) / np.sqrt(1.0325)
    pictures = [deep(np.full((60, 80), 180.0 * np.dot(one.direction, n)), bits, end) for one in lights.lights]
    pictures[1][10:30, 10:30] = deep(np.full((20, 20), 300.0), bits, end)
    found = relief_of(pictures, lights, noise=0.5 * pictures[0].max() / 255, register=False)
    assert (found.used[12:28, 12:28] == 0b1101).all()
    assert found.slope_x[20, 20] == pytest.approx(0.15, abs=0.012)


# Which full scale it is


@pytest.mark.parametrize(("bits", "end"), DEPTHS)
def test_the_full_scale_is_known_where_it_is_reached(bits, end):
    bright = deep(np.linspace(0, 300, 5000).reshape(50, 100), bits, end)
    assert full_scale([bright]) == bright.max()
    assert full_scale([deep(np.full((50, 100), 80.0), bits, end), bright]) == bright.max()
    assert full_scale([bright.astype(np.float32)]) == np.inf


def test_what_is_stated_wins():
    grey = np.full((20, 20), 900, np.uint16)
    grey[3, 4] = 1023
    assert full_scale([grey]) == 1023
    assert full_scale([grey], 12) == 4095
    # A file says 16 of every camera, and a shot that states nothing says 8.
    assert full_scale([grey], 16) == full_scale([grey], 8) == 1023
    assert full_scale([grey << 4], 12) == 65535 - 15
    assert full_scale([(grey << 6) | (grey >> 4)], 10) == 65535
    assert full_scale([np.full((20, 20), 900, np.uint16)]) == 65535
    assert full_scale([np.full((20, 20), 3, np.uint8)]) == 255


def test_contrast_counts_by_what_is_stated_and_not_by_what_is_reached():
    grey = np.full((20, 20), 4095, np.uint16)
    assert scale_end(grey) == scale_end(grey, 16) == 65535
    assert scale_end(grey, 12) == 4095
    assert scale_end(grey.astype(np.float32)) == 1


def test_one_pixel_that_reads_a_full_scale_by_chance_does_no_harm():
    # A dim picture of 16 bits, whose one brightest pixel, on the disc, reads what 14 bits are full at.
    grey = deep(disc(200.0), 14)
    grey[100, 150] = 16383
    assert full_scale([grey]) == 16383
    for step in (CIRCLE, PATCHES):
        assert told(record(step, grey)) == ("conforms", None, False)
