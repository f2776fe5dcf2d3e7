"""The close-up of the marked face: what it bears is what its truth says, and one lamp alone does not show it."""

import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest
import zxingcpp

from tiepoint.bench.marked import (
    BEAD_BOX_MM,
    BEAD_CORNER_MM,
    BEAD_OVERLAP_MM,
    FACE_DEFECTS,
    FACE_MM,
    OPEN_MM,
    bead_length_mm,
    bead_path,
    marked_face,
)
from tiepoint.bench.marked_station import SIDES, MarkedStation, close_up, lights_toml, side_lamps
from tiepoint.bench.marked_symbols import Peening, envelope, peened, square_symbol
from tiepoint.foundation.errors import UnusableInput
from tiepoint.render.relief_grid import grid_over
from tiepoint.render.relief_letters import GAP, LETTERS, UNITS, lettering
from tiepoint.render.relief_paths import along


@pytest.fixture(scope="module")
def shot():
    return MarkedStation().photograph(marked_face(17, 4, "bead with a gap"), 3)


def small(**more):
    """The station with a camera that sees the middle of the face alone."""
    return MarkedStation(replace(close_up(), width_px=120, height_px=90), **more)


def test_the_symbol_says_what_iso_15434_asks_for():
    # Format 06: "[)>" RS "06" GS, fields with data identifiers apart by GS, RS EOT (ISO/IEC 15434, from memory).
    face = marked_face(231, 9)
    assert face.content == f"[)>\x1e06\x1d1PTP-40-118\x1d1T{face.lot}\x1dS00231\x1e\x04"
    # zxing-cpp reads its own modules, drawn as squares; it knows the envelope by itself.
    drawn = np.kron(np.pad(np.where(face.symbol.modules, 0, 255), 3, constant_values=255), np.ones((6, 6)))
    (read,) = zxingcpp.read_barcodes(drawn.astype(np.uint8))
    assert read.bytes == face.content.encode()
    assert read.content_type == zxingcpp.ContentType.ISO15434


def test_a_symbol_has_its_solid_sides_below_and_on_the_left():
    # ISO/IEC 16022 (from memory): the left and the lower side are solid, the other two change from module to module.
    modules = square_symbol(envelope("1PABC-12", "S0001"))
    assert modules[:, 0].all()
    assert modules[-1].all()
    assert (modules[0, ::2] == 1).all()
    assert (modules[0, 1::2] == 0).all()
    assert (np.diff(modules[:, -1].astype(int)) != 0).all()


def test_dots_lie_where_their_modules_do():
    symbol = peened("TIEPOINT", 10.0, 5.0, Peening(pitch_mm=0.4), np.random.default_rng(0), angle_deg=90.0)
    size = len(symbol.modules)
    assert len(symbol.dots) == symbol.modules.sum()
    # Turned by 90°, what ran to the right runs up: the lower left module is the first of both solid sides.
    places = {(round(dot.x_mm, 6), round(dot.y_mm, 6)) for dot in symbol.dots}
    for k in range(size):
        assert (9.8, round(5.2 + 0.4 * k, 6)) in places
        assert (round(9.8 - 0.4 * k, 6), 5.2) in places
    assert symbol.corners_mm == pytest.approx(
        np.array([[10, 5], [10, 5 + 0.4 * size], [10 - 0.4 * size, 5 + 0.4 * size], [10 - 0.4 * size, 5]])
    )
    assert np.ptp([dot.depth_mm for dot in symbol.dots]) == 0


def test_peening_scatters_as_stated():
    content = envelope("1P" + "A1B2C3D4" * 8)
    wild = Peening(place_sd_mm=0.02, size_sd=0.1, depth_sd=0.2, missing=0.1)
    symbol = peened(content, 0, 0, wild, np.random.default_rng(1))
    dark = int(symbol.modules.sum())
    # Binomial: within four sd of a tenth missing.
    assert abs(len(symbol.dots) - 0.9 * dark) < 4 * math.sqrt(dark * 0.09)
    radii = np.array([dot.radius_mm for dot in symbol.dots]) / 0.12
    assert radii.std() == pytest.approx(0.1 * 0.985, rel=0.15)
    off = np.array([[dot.x_mm, dot.y_mm] for dot in symbol.dots]) / 0.3 - 0.5
    assert (off - np.round(off)).std() == pytest.approx(0.02 / 0.3, rel=0.1)
    with pytest.raises(UnusableInput, match="no square symbol holds"):
        square_symbol("x" * 4000)


def test_letters_stand_on_their_line_and_are_as_high_as_asked():
    for letter in LETTERS.replace(" ", ""):
        points = np.vstack(lettering(letter, 3.0, 2.0, 6.0))
        assert points[:, 0].min() >= 3.0 - 0.01
        # One after it stands so far from it as any letter does.
        after = np.vstack(lettering(2 * letter, 3.0, 2.0, 6.0))[len(points) :]
        assert points[:, 0].max() <= after[0, 0] - points[0, 0] + 3.0 - GAP * 6.0 / UNITS + 0.01
        if letter.isalnum():
            assert points[:, 1].max() == pytest.approx(8.0, abs=0.05)
            assert points[:, 1].min() == pytest.approx(2.0, abs=0.41 if letter == "Q" else 0.05)
    # No two letters are the same.
    drawn = {tuple(np.vstack(lettering(letter, 0, 0, 6)).round(3).ravel()) for letter in LETTERS.replace(" ", "")}
    assert len(drawn) == len(LETTERS) - 1
    upright, turned = (np.vstack(lettering("K7", 1.0, 1.0, 2.0, angle)) - 1.0 for angle in (0.0, 90.0))
    assert turned == pytest.approx(np.column_stack([-upright[:, 1], upright[:, 0]]))
    with pytest.raises(UnusableInput, match="no strokes are known for 'a'"):
        lettering("a", 0, 0, 1)


def test_the_bead_runs_once_round():
    # A rectangle with rounded corners: 2(w + h) − (8 − 2π)r; twelve chords a corner are short by 7e-4 of it.
    x0, y0, x1, y1 = BEAD_BOX_MM
    round_length = 2 * (x1 - x0 + y1 - y0) - (8 - 2 * math.pi) * BEAD_CORNER_MM
    assert bead_length_mm() == pytest.approx(round_length, abs=0.01)
    ends = along(bead_path(), np.array([0.0, bead_length_mm(), bead_length_mm() + BEAD_OVERLAP_MM]))
    assert ends[0] == pytest.approx(ends[1])
    assert ends[2] - ends[0] == pytest.approx([BEAD_OVERLAP_MM, 0.0])


def test_good_faces_conform_and_no_face_with_a_defect_does():
    for serial in range(1, 34):
        assert marked_face(serial, 6).conforms
        for kind in FACE_DEFECTS:
            face = marked_face(serial, 6, kind)
            assert face.defects == (kind,)
            assert face.lot == marked_face(1, 6).lot
            assert not face.conforms
            assert (face.lot_text != face.lot) == (kind == "stamp of another lot")
            assert marked_face(serial, 6, kind) == face


@pytest.mark.parametrize("defect", list(FACE_DEFECTS))
def test_what_is_wrong_lies_where_it_can_be_seen(defect):
    for seed in range(30):
        face = marked_face(1, seed, defect)
        places = [gap.start_mm for gap in face.gaps] + [gap.end_mm for gap in face.gaps] + [b.at_mm for b in face.blobs]
        for place in along(bead_path(), np.array(places)) if places else ():
            # On a straight side: one coordinate is that of the bead's rectangle.
            assert np.isclose(place[[0, 1, 0, 1]], BEAD_BOX_MM).any()
        for blemish in face.blemishes:
            assert OPEN_MM[0] < blemish.x_mm < OPEN_MM[2]
            assert OPEN_MM[1] < blemish.y_mm < OPEN_MM[3]
        for item in face.items():
            x0, y0, x1, y1 = item.shape.box_mm
            assert FACE_MM[0] < x0 < x1 < FACE_MM[2]
            assert FACE_MM[1] < y0 < y1 < FACE_MM[3]
    assert face.defects == (defect,)


def test_gaps_are_true_on_the_face():
    face = marked_face(3, 11, "bead with a gap")
    (gap,) = face.gaps
    assert face.truth["longest bead gap"] == gap.length_mm
    grid = grid_over(FACE_MM, 0.02)
    heights = face.bead.on(grid).z_mm
    places = along(bead_path(), np.arange(gap.start_mm - 2, gap.end_mm + 2, 0.002))
    columns, rows = (places[:, 0] - grid.left_mm) / 0.02, (grid.top_mm - places[:, 1]) / 0.02
    missing = heights[np.rint(rows).astype(int), np.rint(columns).astype(int)] == 0
    assert missing.sum() * 0.002 == pytest.approx(gap.length_mm, abs=0.04)


def test_the_shot_shows_dots_and_bead_in_their_places(shot):
    heights = shot.shot.truth.height_mm
    rows, columns = heights.shape
    assert (columns, rows) == (1360, 900)
    symbol = shot.face.symbol
    dots = np.array([[dot.x_mm, dot.y_mm] for dot in symbol.dots])
    px = shot.px(dots)
    for x, y in px[::7]:
        a, b = round(y), round(x)
        near = -heights[a - 4 : a + 5, b - 4 : b + 5]
        weights = np.clip(near - near.min(), 0, None)
        at = (
            np.array([(weights.sum(0) * np.arange(9)).sum(), (weights.sum(1) * np.arange(9)).sum()]) / weights.sum() - 4
        )
        # The metal's own texture and the rim leave the weighted middle of a dot within half a pixel.
        assert np.abs(at + np.array([b - x, a - y])).max() < 0.5
    top = shot.px(along(bead_path(), np.arange(20.0, 30.0, 0.5)))
    if not any(gap.start_mm < 31 and gap.end_mm > 19 for gap in shot.face.gaps):
        on_top = heights[np.rint(top[:, 1]).astype(int), np.rint(top[:, 0]).astype(int)]
        assert on_top == pytest.approx(0.17, abs=0.02)


def four_lamp_curvature(pictures):
    """Slopes by the closed form of four lamps at 45° (Woodham 1980), their divergence over about a dot's size."""
    east, north, west, south = (np.asarray(p, float) for p in pictures)
    mean = (east + north + west + south) / 4 + 1
    slope_x, slope_y = -(east - west) / (2 * mean), -(north - south) / (2 * mean)

    def smooth(field):
        kernel = np.exp(-0.5 * (np.arange(-7, 8) / 2.5) ** 2)
        for axis in (0, 1):
            field = np.apply_along_axis(np.convolve, axis, field, kernel / kernel.sum(), "same")
        return field

    return -(np.gradient(smooth(slope_x), axis=1) - np.gradient(smooth(slope_y), axis=0))


def apart(field, shot):
    """How far dots stand out at the middles of their modules: difference of the means in pooled sd."""
    symbol = shot.face.symbol
    size = len(symbol.modules)
    row, column = np.indices((size, size))
    at = shot.px(0.3 * np.column_stack([column.ravel() + 0.5, size - row.ravel() - 0.5]) + symbol.corners_mm[0])
    values = field[np.rint(at[:, 1]).astype(int), np.rint(at[:, 0]).astype(int)].astype(float)
    dark = symbol.modules.ravel()
    return abs(values[dark].mean() - values[~dark].mean()) / math.sqrt((values[dark].var() + values[~dark].var()) / 2)


def test_one_lamp_hides_the_marks_and_four_show_them(shot):
    single = [apart(picture, shot) for picture in shot.shot.pictures]
    x0, y0 = np.floor(shot.px(np.array([[18.0, 13.5]]))[0]).astype(int)
    x1, y1 = np.ceil(shot.px(np.array([[28.0, 4.5]]))[0]).astype(int)
    part = (slice(y0, y1), slice(x0, x1))
    inset = four_lamp_curvature([picture[part] for picture in shot.shot.pictures])
    whole = np.zeros(shot.shot.pictures[0].shape)
    whole[part] = inset
    assert max(single) < 1.0
    assert apart(whole, shot) > 4.0
    assert not any(zxingcpp.read_barcodes(picture) for picture in shot.shot.pictures)


def test_a_shot_follows_its_seeds():
    face = marked_face(5, 2)
    same = [small().photograph(face, 8).shot.pictures[1] for _ in range(2)]
    assert (same[0] == same[1]).all()
    assert (small().photograph(face, 9).shot.pictures[1] != same[0]).any()
    moved = small().photograph(face, 8, shifts_px=[(0, 0), (0.4, 0), (0, 0), (0, 0)]).shot.pictures
    assert (moved[1] != same[0]).any()
    assert small().photograph(face, 8).place.angle_deg != 0


def test_the_flat_card_is_even_under_far_lamps_and_uneven_under_near_ones():
    far = small(lamps=side_lamps(away_mm=None)).photograph_flat(1).pictures
    near = small(lamps=side_lamps(away_mm=60.0)).photograph_flat(1).pictures
    # 1.5 · 0.5 · sin 45° of full scale, and 1 % of stray light.
    assert np.mean(far[0]) == pytest.approx(255 * 1.5 * 0.5 * math.sin(math.radians(45)) * 1.01, rel=0.01)
    sides = [picture[:, -20:].mean() / picture[:, :20].mean() for picture in (far[0], near[0], near[2])]
    assert sides[0] == pytest.approx(1.0, abs=0.01)
    # Nearer by 2.1 mm of 60 on one side: (r/r′)⁴ for a flat LED and a level face.
    assert sides[1] > 1.05
    assert sides[2] < 0.95


def test_lights_toml_says_where_the_lamps_are():
    near = tomllib.loads(lights_toml(side_lamps(), ("flat-east.png", "flat-north.png")))
    assert near["format"] == "tiepoint/lights/1"
    assert [light["id"] for light in near["light"]] == list(SIDES)
    assert near["flat"]["pictures"] == ["flat-east.png", "flat-north.png"]
    # 140 mm at 45°: three LEDs over 50° of arc have their mean at (1 + 2·cos 25°)/3 of the radius.
    x, y, z = near["light"][0]["position_mm"]
    radius = 140 * math.cos(math.radians(45))
    assert x - 29.5 == pytest.approx(radius * (1 + 2 * math.cos(math.radians(25))) / 3, abs=1e-3)
    assert (y, z) == (pytest.approx(11.5), pytest.approx(radius, abs=1e-3))
    assert near["light"][0]["aim_mm"] == [29.5, 11.5, 0.0]
    assert math.cos(math.radians(near["light"][0]["half_angle_deg"])) == pytest.approx(0.5)
    far = tomllib.loads(lights_toml(side_lamps(away_mm=None, leds=1)))
    assert [light["azimuth_deg"] for light in far["light"]] == pytest.approx([0, 90, 180, 270], abs=1e-3)
    assert [light["elevation_deg"] for light in far["light"]] == pytest.approx([45.0] * 4, abs=1e-3)
    assert "flat" not in far
