"""What See says of a picture, against the renderer's exact scene, closed forms, and scikit-image as a witness."""

import math
from dataclasses import replace

import numpy as np
import pytest
from skimage.measure import blur_effect

from tiepoint.bench.demo_bench import demo_target
from tiepoint.bench.see_camera import SeeCamera, Turned, blur_of
from tiepoint.bench.station import BenchStation, View
from tiepoint.foundation.errors import UnusablePicture
from tiepoint.render.photo import Exposure
from tiepoint.render.sensor import Light
from tiepoint.station.see.light import CELLS, cells_of, evenness_by_picture, exposure_of, flicker_of, in_step
from tiepoint.station.see.sharpness import NAMES, WIDTH_OF_SIGMA
from tiepoint.station.see.sight import sight_of
from tiepoint.station.see.table import SeeTable
from tiepoint.station.see.told import account_of, numbers_of

TARGET = demo_target()
NO_FLICKER = flicker_of([])


def photo(blur=0.8, tilt=0.0, azimuth=0.0, light=None, size=(1224, 1024), seed=3, distortion=-2.5):
    """Return a photograph of the target and the station that took it."""
    view = View(tilt_deg=tilt, azimuth_deg=azimuth, roll_deg=0)
    exposure = Exposure(blur, light or Light(0.9, falloff=0.04))
    station = BenchStation(view, width_px=size[0], height_px=size[1], pixel_um=6.9, distortion_percent=distortion)
    station = replace(station, exposure=exposure)
    return station.photograph_target(TARGET, seed).picture


def width_of(blur):
    """Return the 10 to 90 % width of an edge through a Gaussian of σ and a pixel (variance 1/12), a closed form."""
    return WIDTH_OF_SIGMA * math.sqrt(blur**2 + 1 / 12)


@pytest.mark.parametrize("blur", [0.45, 0.6, 0.8, 1.0, 1.5, 2.0, 2.5])
def test_edge_widths_are_those_of_the_lens(blur):
    for place in sight_of(photo(blur)).places:
        assert place.width_px is not None, place
        assert abs(place.width_px - width_of(blur)) < place.u95_px, place
        assert place.edges >= 3


def test_a_width_is_the_distance_from_10_to_90_per_cent_of_the_edge_that_was_seen():
    for place in sight_of(photo(1.2)).places:
        profile = np.array(place.profile)
        rise = [np.interp(level, np.maximum.accumulate(profile), np.arange(len(profile))) for level in (0.1, 0.9)]
        # Bins of half a pixel widen it by little.
        assert (rise[1] - rise[0]) * place.step_px == pytest.approx(place.width_px, rel=0.12)


def test_sharpness_falls_as_skimage_has_it():
    blurs = (0.5, 0.8, 1.2, 1.8, 2.5)
    pictures = [photo(blur) for blur in blurs]
    ours = [np.median([p.width_px for p in sight_of(one).places]) for one in pictures]
    theirs = [blur_effect(one) for one in pictures]  # Crété-Roffet et al. 2007, SPIE 6492
    assert np.all(np.diff(ours) > 0)
    assert np.all(np.diff(theirs) > 0)


def test_where_there_is_no_edge_that_is_said():
    rng = np.random.default_rng(1)
    even = np.clip(rng.normal(120, 3, (600, 800)), 0, 255).astype(np.uint8)
    sight = sight_of(even, [TARGET])
    assert [p.width_px for p in sight.places] == [None] * 5
    assert {p.reason for p in sight.places} == {"there is no clear edge"}
    account = account_of(sight, NO_FLICKER, SeeTable())
    assert account.says == "Sharpness cannot be told: there is no clear edge anywhere in the picture."
    assert not account.good


def test_one_corner_with_an_edge_is_told_alone():
    picture = np.full((600, 900), 60, np.uint8)
    picture[40:160, 660:820] = 200  # steps of one pixel
    told = {p.name: p for p in sight_of(picture).places}
    # A box pixel alone: σ = 1/√12; the strip's Gaussian is not narrower than what a pixel lets it see.
    assert told["upper right"].width_px < 1.6
    assert all(told[name].width_px is None for name in NAMES if name != "upper right")


@pytest.mark.parametrize(("tilt", "azimuth"), [(0.9, 45.0), (1.5, 200.0), (4.0, 90.0), (0.0, 0.0)])
def test_a_lean_is_that_of_the_camera(tilt, azimuth):
    aim = sight_of(photo(tilt=tilt, azimuth=azimuth), [TARGET], distance_mm=400.0).aim
    assert abs(aim.lean_deg - tilt) < max(aim.u95_deg, 0.02)
    assert aim.u95_deg < 0.15 * tilt + 0.1
    if tilt:
        # The camera stands on that side, so the other one is farther; y runs down in a picture.
        away = -math.cos(math.radians(azimuth)), math.sin(math.radians(azimuth))
        assert np.dot(away, aim.farther) > 0.99
    assert aim.corners_seen == 4


def test_a_lean_of_a_camera_whose_distance_nobody_states_has_a_wide_interval():
    aim = sight_of(photo(tilt=1.0, azimuth=30.0), [TARGET]).aim
    assert abs(aim.lean_deg - 1.0) < aim.u95_deg
    assert aim.how == "an assumption"


def test_how_much_of_the_field_a_target_fills():
    # By the pinhole: mm times focal length over distance, of 1224 × 1024 px of 6.9 µm.
    aim = sight_of(photo(distortion=0.0), [TARGET], distance_mm=400.0).aim
    px_per_mm = 25.0 / 400.0 / 6.9e-3
    share = (120 * px_per_mm) * (90 * px_per_mm) / (1224 * 1024)
    assert aim.fills == pytest.approx(share, rel=0.002)
    assert 1 / aim.mm_per_px == pytest.approx(px_per_mm, rel=0.001)


def test_saturated_and_black_are_counted_and_outlined():
    picture = np.full((400, 600), 120, np.uint8)
    picture[50:150, 400:560] = 255
    picture[300:, :120] = 1
    told = exposure_of(picture, 255.0)
    assert told.saturated == pytest.approx(100 * 160 / 240_000)
    assert told.black == pytest.approx(100 * 120 / 240_000)
    assert sum(told.curve) == pytest.approx(1, abs=1e-4)
    x, y = np.array(told.saturated_at[0]).T
    assert (x.min(), x.max(), y.min(), y.max()) == pytest.approx((400, 559, 50, 149), abs=4)
    assert len(told.black_at) == 1


def test_twelve_bits_in_sixteen_saturate_at_4095():
    picture = np.full((200, 300), 900, np.uint16)
    picture[:20] = 4095
    sight = sight_of(picture, bits=12)
    assert sight.exposure.full == 4095
    assert sight.exposure.saturated == pytest.approx(0.1)


@pytest.mark.parametrize("falloff", [0.0, 0.1, 0.25])
def test_evenness_by_a_target_is_that_of_the_lamp(falloff):
    light = Light(0.85, gradient_x=0.1, falloff=falloff)
    even = sight_of(photo(light=light), [TARGET], distance_mm=400.0).evenness
    aim = sight_of(photo(light=light), [TARGET], distance_mm=400.0).aim
    # The closed form of the lamp over the area that the target's inner corners cover.
    (x0, y0), (x1, y1) = np.min(aim.outline, axis=0), np.max(aim.outline, axis=0)
    pitch = (x1 - x0) / 12
    half = math.hypot(1224, 1024) / 2
    xs, ys = np.meshgrid(np.linspace(x0 + pitch, x1 - pitch, 11), np.linspace(y0 + pitch, y1 - pitch, 8))
    x, y = (xs - 611.5) / half, (ys - 511.5) / half
    lit = 1 + 0.1 * x - falloff * (x**2 + y**2)
    assert even.by == "target"
    assert even.value == pytest.approx(lit.min() / lit.max(), abs=0.012 + even.u95)


def test_evenness_of_a_white_sheet():
    x = np.linspace(-1, 1, 600) * np.ones((400, 1))
    sheet = (200 * (1 - 0.3 * x**2)).astype(np.uint8)
    even = evenness_by_picture(sheet)
    # The brightest tenth of the outermost sixteenth lies at its inner edge, x = ±7/8.
    assert even.value == pytest.approx(1 - 0.3 * (7 / 8) ** 2, abs=0.01)
    assert even.u95 is None


# --- flicker: a mains-modulated lamp, integrated over the exposure in closed form ------------------------------------


def lit_series(modulation, hz=100.0, exposure_s=1e-3, period_s=0.0837, n=48, jitter_s=0.0, seed=5, moving=False):
    """Return cells and times of pictures under 1 + m·sin(2πft); their amplitude is m·sinc(f·t) over the exposure."""
    rng = np.random.default_rng(seed)
    times = np.arange(n) * period_s + rng.uniform(0, jitter_s or 1e-12, n)
    half = math.pi * hz * exposure_s
    gain = math.sin(half) / half
    series = []
    for k, at in enumerate(times):
        level = 130 * (1 + modulation * gain * math.sin(2 * math.pi * hz * at + half))
        picture = rng.normal(level, 2.0, (240, 320))
        if moving:
            picture[:, (11 * k) % 320 : (11 * k) % 320 + 60] = 40
        series.append(cells_of(np.clip(picture, 0, 255).round().astype(np.uint8), 255.0))
    return series, list(times), modulation * gain


@pytest.mark.parametrize("modulation", [0.004, 0.02, 0.1])
@pytest.mark.parametrize("moving", [False, True])
def test_flicker_is_the_amplitude_of_the_lamp(modulation, moving):
    series, times, truth = lit_series(modulation, moving=moving)
    told = flicker_of(series, times)
    assert abs(told.value - truth) < told.u95
    assert told.u95 < 0.5 * truth
    assert told.hz == 100.0


def test_light_that_is_steady_does_not_flicker():
    series, times, _ = lit_series(0.0)
    told = flicker_of(series, times)
    assert told.value < told.u95 < 0.001
    assert told.hz is None


def test_an_exposure_of_a_whole_swing_takes_flicker_away():
    # sinc(1) = 0: what the page advises is what the closed form says.
    series, times, truth = lit_series(0.3, exposure_s=0.01)
    assert truth == pytest.approx(0, abs=1e-12)
    assert flicker_of(series, times).value < 0.001


def test_pictures_in_step_with_the_mains_are_known():
    _, times, _ = lit_series(0.1, period_s=0.08)  # 8 swings of 100 Hz
    assert in_step(times, 100.0)
    _, times, _ = lit_series(0.1)
    assert not in_step(times, 100.0)


def test_flicker_needs_pictures_that_are_neither_black_nor_saturated():
    assert flicker_of([np.full((2, *CELLS), 100.0)] * 3).reason.startswith("3 pictures")
    assert "neither black nor saturated" in flicker_of([cells_of(np.full((240, 320), 255, np.uint8), 255.0)] * 9).reason


def test_a_band_that_one_picture_does_not_show_hides_no_flicker():
    # The closed form of a sine of 5 % over 40 pictures, whose first band something dark covers in one of them.
    steps = 1 + 0.05 * np.sin(2 * np.pi * 0.13 * np.arange(40))
    series = [np.full((2, *CELLS), 100.0 * one) for one in steps]
    series[7][:, 0] = np.nan
    assert flicker_of(series).value == pytest.approx(0.05, rel=0.1)


# --- what is said ----------------------------------------------------------------------------------------------------


def test_a_corner_that_is_soft_by_a_lean_is_said_so():
    # Truth of the bench: focused near the middle, wide open, leaning towards the lower left, so the upper right is far.
    turned = Turned(focus_mm=395.0, f_number=1.4, lean_deg=5.0, towards_deg=225.0, exposure_s=0.1e-3)
    picture = SeeCamera(turned).picture(turned, 0.0)
    truth = blur_of(turned)
    sight = sight_of(picture, [TARGET], distance_mm=400.0)
    # Under a lean the lens is of another blur at every place of a ninth. The steepest edges tell the width, so that it
    # lies between what the lens makes at its sharpest place there and what it makes at most of them.
    for place in sight.places:
        x, y, wide, high = place.box
        blur = truth[y : y + high, x : x + wide]
        sharpest, usual = width_of(float(blur.min())), width_of(float(np.median(blur)))
        assert sharpest - place.u95_px < place.width_px < usual + place.u95_px, place.name
    account = account_of(sight, NO_FLICKER, SeeTable())
    assert "upper right" in account.says
    assert "because the camera leans by 5.0°" in account.says
    # 100·tan 5° = 8.75
    assert account.to_do[0].startswith("Square the camera: lift the lower left of its bracket by 8.")


def test_a_sight_that_is_good_is_said_so():
    sight = sight_of(photo(), [TARGET], distance_mm=400.0)
    steady = replace(NO_FLICKER, value=0.002, pictures=8)
    account = account_of(sight, steady, SeeTable())
    assert account.good
    assert account.says == "Good. It is sharp at all five places, and the light is as agreed."
    assert not any(row.outside for row in numbers_of(sight, steady, SeeTable()))


def test_what_nothing_told_of_the_light_is_not_called_as_agreed():
    seen = account_of(sight_of(photo(), [TARGET], distance_mm=400.0), NO_FLICKER, SeeTable())
    assert not seen.good
    assert seen.says == "Good so far. It is sharp at all five places; its flicker is not told yet."
    # Without a target nothing says whether grey is the part's own or the light's.
    alone = account_of(sight_of(photo()), NO_FLICKER, SeeTable())
    assert not alone.good
    assert alone.says.endswith("its evenness and its flicker are not told yet.")


def test_a_reflection_is_said_with_its_place():
    picture = photo().copy()
    picture[60:300, 900:1150] = 255
    account = account_of(sight_of(picture, [TARGET], distance_mm=400.0), NO_FLICKER, SeeTable())
    assert "light at the upper right leaves 4." in account.says.lower()
    assert "Turn or lower the lamp until the hatching goes" in " ".join(account.to_do)


@pytest.mark.parametrize("shape", [(40, 40), (5, 600)])
def test_what_is_too_small_is_refused_in_a_sentence(shape):
    with pytest.raises(UnusablePicture, match="to be looked at it needs 96"):
        sight_of(np.zeros(shape, np.uint8))


def test_a_black_picture_is_no_crash():
    sight = sight_of(np.zeros((300, 400), np.uint8), [TARGET])
    assert sight.exposure.black == 1
    assert sight.evenness.value is None
    assert "black" in account_of(sight, NO_FLICKER, SeeTable()).says
