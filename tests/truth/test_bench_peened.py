"""Scenes of peened symbols on which readers are judged: that they are what they say, whatever reads them."""

import math

import numpy as np
import pytest
import zxingcpp

from tiepoint.bench.peened import Variety, symbol_scene, symbols
from tiepoint.render.camera import project

PLAIN = Variety(
    pitch_px=(9.0, 9.0),
    depth=(0.15, 0.15),
    radius=(0.4, 0.4),
    place_sd=(0.0, 0.0),
    missing=(0.0, 0.0),
    worn_share=0.0,
    dirty_share=0.0,
    scratched_share=0.0,
    dented_share=0.0,
    lettered_share=0.0,
    tilt_deg=(20.0, 20.0),
    blur_px=(0.5, 0.5),
    grey=(0.3, 0.3),
    albedo=(0.4, 0.4),
    gloss=(0.0, 0.0),
    brushed_share=0.0,
    mottle_sd=(0.0, 0.0),
    elevation_deg=(45.0, 45.0),
    far_share=1.0,
    gain_sd=0.0,
    moved_share=0.0,
    gain_dn_per_e=(0.01, 0.01),
)


def varied(**changes):
    return Variety(**{**PLAIN.__dict__, **changes})


def modules_px(scene):
    """Return the pixels nearest to the middles of all modules, (n·n, 2), row by row from the symbol's upper side."""
    size = len(scene.symbol.modules)
    row, column = np.indices((size, size)).reshape(2, -1)
    origin, along, _, up = scene.symbol.corners_mm
    share_x, share_y = (column + 0.5) / size, (size - row - 0.5) / size
    flat = origin + np.outer(share_x, along - origin) + np.outer(share_y, up - origin)
    seen = project(scene.shot.truth.sight.camera, np.column_stack([flat, np.zeros(len(flat))]))
    return np.rint(seen).astype(int)


def test_scenes_follow_from_seed_and_number():
    first, second = symbols(2, 5)
    again, other_seed = symbol_scene(1, 5), symbol_scene(1, 6)
    assert all((a == b).all() for a, b in zip(second.pictures, again.pictures, strict=True))
    assert again.content == second.content
    assert len({first.content, second.content, other_seed.content}) == 3
    assert (first.number, second.number) == (0, 1)
    for scene in (first, second):
        assert len(scene.pictures) == len(scene.lamps) == 4
        assert scene.pictures[0].size <= 1_000_000
        assert all(lamp.gain == 1.0 for lamp in scene.lamps)


@pytest.mark.parametrize("number", range(6))
def test_what_is_drawn_lies_in_its_range(number):
    traits = symbol_scene(number, 40).factors
    variety = Variety()
    for name in ("pitch_px", "depth", "radius", "blur_px", "grey", "tilt_deg", "elevation_deg", "mottle_sd", "missing"):
        low, high = getattr(variety, name)
        assert low <= traits[name] <= high
    assert traits["away_mm"] == 0 or variety.near_mm[0] <= traits["away_mm"] <= variety.near_mm[1]


@pytest.mark.parametrize("number", range(3))
def test_dots_are_where_the_modules_are_said_to_be(number):
    scene = symbol_scene(number, 3, PLAIN)
    # Pixel means at the middles of modules: a pit of 0.06 mm there, 15 % about that, or the bare face.
    at = modules_px(scene)
    size = scene.traits.modules
    deep = (scene.shot.truth.height_mm[at[:, 1], at[:, 0]] < -0.025).reshape(size, size)
    assert (deep == scene.symbol.modules).all()
    drawn = np.kron(np.pad(np.where(deep, 0, 255), 3, constant_values=255), np.ones((6, 6))).astype(np.uint8)
    (read,) = zxingcpp.read_barcodes(drawn)
    assert read.bytes == scene.content.encode()
    # The corners go round counter-clockwise as seen, y down, from where the solid sides meet.
    corners = scene.corners_px
    turned = np.roll(corners, -1, axis=0)
    assert (corners[:, 0] * turned[:, 1] - corners[:, 1] * turned[:, 0]).sum() < 0
    steps = np.hypot(*(turned - corners).T) / size
    # Under a slant of 20° the sides shrink by up to 6 %, and nearer ones grow.
    assert steps.min() > 0.9 * 9 * math.cos(math.radians(20))
    assert steps.max() < 1.1 * 9
    assert scene.mm_per_px == pytest.approx(0.4 / 9, rel=0.08)


def test_the_bare_face_has_the_grey_asked_for():
    scene = symbol_scene(2, 8, PLAIN)
    corner = np.mean([picture[:20, :20].mean() for picture in scene.pictures])
    # 0.3 of full scale, 1 % of stray light upon it.
    assert corner == pytest.approx(0.303 * 255, rel=0.02)


def test_pictures_move_as_stated():
    # Lucas and Kanade 1981: Δ = −∇I·s by least squares. Under far lamps of one elevation a stained face looks the same.
    still = {"depth": (1e-4, 1e-4), "mottle_sd": (0.3, 0.3), "tilt_deg": (0.0, 0.0)}
    scene = symbol_scene(0, 12, varied(**still, moved_share=1.0, moved_px=(0.4, 0.4)))
    first, last = (np.asarray(scene.pictures[k], float) for k in (0, 3))
    down, right = np.gradient((first + last) / 2)
    shift, *_ = np.linalg.lstsq(np.column_stack([right.ravel(), down.ravel()]), (first - last).ravel(), rcond=None)
    assert math.hypot(*shift) == pytest.approx(0.4, abs=0.03)


@pytest.mark.parametrize(
    ("changes", "means"),
    [
        ({"missing": (0.2, 0.2)}, lambda s: len(s.symbol.dots) < 0.9 * s.symbol.modules.sum()),
        ({"worn_share": 1.0, "worn": (0.3, 0.3)}, lambda s: min(d.depth_mm for d in s.symbol.dots) < 0.01),
        ({"scratched_share": 1.0}, lambda s: s.traits.scratches >= 1),
        ({"dented_share": 1.0}, lambda s: s.traits.dents >= 1),
        ({"lettered_share": 1.0}, lambda s: s.traits.lettered),
        ({"far_share": 0.0}, lambda s: not s.lamps[0].far),
        ({"gain_sd": 0.05}, lambda s: np.ptp([p[:20, :20].mean() for p in s.pictures]) > 1),
    ],
)
def test_every_factor_reaches_the_scene(changes, means):
    plain, changed = symbol_scene(1, 7, PLAIN), symbol_scene(1, 7, varied(**changes))
    assert means(changed)
    assert not means(plain)
    assert any((a != b).any() for a, b in zip(plain.pictures, changed.pictures, strict=True))


def test_dirt_darkens_the_pits_alone():
    plain, dirty = (symbol_scene(1, 7, v) for v in (PLAIN, varied(dirty_share=1.0, dirt=(0.3, 0.3))))
    at = modules_px(dirty)
    dark = dirty.symbol.modules.ravel()
    ratio = (dirty.shot.truth.albedo / plain.shot.truth.albedo)[at[:, 1], at[:, 0]]
    assert ratio[dark] == pytest.approx(0.3, abs=0.01)
    assert ratio[~dark] == pytest.approx(1.0, abs=0.01)
