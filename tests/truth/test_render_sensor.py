"""The simulated sensor against EMVA 1288 (from memory) and closed forms of its noise."""

import math

import numpy as np
import pytest

from tiepoint.render.camera import orthographic
from tiepoint.render.outline import disc
from tiepoint.render.photo import Exposure, photograph
from tiepoint.render.scene import Piece, Scene, Sheet
from tiepoint.render.sensor import EmvaSensor, Grain, Light, PlainSensor, expose, through_jpeg

SIDE = 1000


def reading(sensor, share, seed=1):
    return expose(np.full((SIDE, SIDE), share, np.float32), sensor, np.random.default_rng(seed))


def test_emva_variance_and_snr_of_the_worked_example():
    # K 0.1, σ_d 5 e⁻, signal 100 DN → variance 10.333 DN², SNR 31.11 (formula from memory, figures computed).
    sensor = EmvaSensor(gain_dn_per_e=0.1, dark_noise_e=5.0, black_dn=0.0)
    constant, slope = sensor.noise
    variance = constant + 100.0 * slope + 1 / 12
    assert variance == pytest.approx(10.333, abs=5e-4)
    assert 100.0 / math.sqrt(variance) == pytest.approx(31.11, abs=5e-3)
    # And the pixels obey it: the sample variance of n Gaussian values has a relative sd of √(2/n).
    values = reading(sensor, 100 / 255)
    assert values.var() == pytest.approx(variance, rel=4 * math.sqrt(2 / SIDE**2))
    assert values.mean() == pytest.approx(100.0, abs=4 * math.sqrt(variance) / SIDE)


@pytest.mark.parametrize("bits", [8, 10, 12])
@pytest.mark.parametrize("mean_share", [0.05, 0.5, 0.9])
def test_photon_transfer_has_the_slope_of_the_gain(bits, mean_share):
    # EMVA 1288: σ² = K²σ_d² + 1/12 + K(µ − µ_dark).
    sensor = EmvaSensor(gain_dn_per_e=0.2, dark_noise_e=8.0, black_dn=5.0, bits=bits)
    values = reading(sensor, mean_share)
    top = 2**bits - 1
    mean = 5.0 + mean_share * (top - 5.0)
    expected = 0.2**2 * 8.0**2 + 1 / 12 + 0.2 * (mean - 5.0)
    assert values.dtype == (np.uint8 if bits == 8 else np.uint16)
    assert values.mean() == pytest.approx(mean, abs=4 * math.sqrt(expected) / SIDE)
    assert values.var() == pytest.approx(expected, rel=6 * math.sqrt(2 / SIDE**2))


def test_plain_noise_is_a_share_of_full_scale():
    values = reading(PlainSensor(noise_share=0.01, bits=12), 0.4)
    assert values.std() == pytest.approx(40.95, rel=0.005)
    assert abs(values.mean() - 0.4 * 4095) < 0.2


def test_quantisation_alone_rounds_to_the_nearest():
    share = (np.arange(0, 256, 0.25, dtype=np.float32) / 255).reshape(1, -1)
    got = expose(share, PlainSensor(noise_share=0.0), np.random.default_rng(0))[0]
    wanted = np.minimum(np.floor(np.arange(0, 256, 0.25) + 0.5), 255)
    # Exact halves may fall either way by a float32.
    halves = np.arange(0, 256, 0.25) % 1 == 0.5
    assert (got[~halves] == wanted[~halves]).all()
    assert np.abs(got[halves] - wanted[halves]).max() <= 1


def test_too_much_light_saturates_and_too_little_is_black():
    assert (reading(PlainSensor(), 1.2) == 255).all()
    assert (reading(EmvaSensor(bits=12), 1.5) == 4095).all()
    assert (reading(PlainSensor(), -0.1) == 0).all()


def test_heavy_tails_have_the_kurtosis_of_the_mixture():
    # A share ε of sd k·σ: E x⁴/(E x²)² = 3(1 + ε(k⁴ − 1))/(1 + ε(k² − 1))² (mixture of two Gaussians).
    sensor = PlainSensor(noise_share=0.02, bits=16, tail_share=0.02, tail_factor=6.0)
    values = reading(sensor, 0.5).astype(float)
    centred = values - values.mean()
    kurtosis = (centred**4).mean() / (centred**2).mean() ** 2
    expected = 3 * (1 + 0.02 * (6**4 - 1)) / (1 + 0.02 * (6**2 - 1)) ** 2
    assert kurtosis == pytest.approx(expected, rel=0.05)


def test_light_follows_its_formula():
    light = Light(0.8, 0.1, -0.05, 0.2)
    lit = light.on(np.ones((301, 401), np.float32))
    half = math.hypot(401, 301) / 2
    x, y = 200 / half, -150 / half
    assert lit[150, 200] == pytest.approx(0.8, rel=1e-6)
    assert lit[0, 400] == pytest.approx(0.8 * (1 + 0.1 * x - 0.05 * y - 0.2 * (x * x + y * y)), rel=1e-6)


def test_grain_has_the_stated_spread_and_no_shift():
    flat = np.full((400, 400), 0.5, np.float32)
    rough = Grain(0.01).on(flat, np.random.default_rng(3))
    assert (rough / 0.5).std() == pytest.approx(0.01, rel=1e-3)
    assert rough.mean() == pytest.approx(0.5, rel=1e-3)


def test_jpeg_of_high_quality_stays_near():
    # JPEG at 95 quantises with steps of about 2 to 10 DN: the sd over a smooth picture stays near one step.
    scene = Scene(0.1, (Sheet((Piece(disc(60, -50, 30), 0.8, 0.1),)),))
    exposure = Exposure(sensor=PlainSensor(noise_share=0.0))
    plain = photograph(scene, orthographic(128, 96), exposure, np.random.default_rng(0)).picture
    back = through_jpeg(plain, 95)
    difference = back.astype(float) - plain
    assert 0 < difference.std() < 2.0
    assert abs(difference.mean()) < 0.2
