"""Lamps named: against the flat reference, and from a shot as far as its slopes let tell one from another."""

import numpy as np
import pytest

from tiepoint.vision.relief_lamps import against_flat, from_shot

IDS = ("east", "north", "west", "south")
ELEVATION = np.radians(45)
LAMPS = np.array(
    [
        (np.cos(ELEVATION) * np.cos(a), np.cos(ELEVATION) * np.sin(a), np.sin(ELEVATION))
        for a in np.radians([0, 90, 180, 270])
    ]
)


def plate(gains=(1, 1, 1, 1), near=True, sigma=1.5, seed=0):
    """Return a flat plate under four lamps 200 mm out and up (Lambert and the inverse square), or far away."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.linspace(-40, 40, 200), np.linspace(30, -30, 150))
    out = []
    for k, lamp in enumerate(LAMPS):
        place = 283 * lamp
        light = place[2] / ((x - place[0]) ** 2 + (y - place[1]) ** 2 + place[2] ** 2) ** 1.5 if near else 0 * x + 1
        light = 130 * gains[k] * light / light[75, 100]
        out.append(np.clip(np.rint(light + rng.normal(0, sigma, x.shape)), 0, 255).astype(np.uint8))
    return out


@pytest.mark.parametrize("near", [True, False])
@pytest.mark.parametrize("change", [-0.01, 0.01])
@pytest.mark.parametrize("which", [0, 1])
def test_a_lamp_that_is_one_percent_off_is_named_against_the_flat_reference(near, change, which):
    gains = [1.0] * 4
    gains[which] += change
    # The exposure was changed as well: what all lamps share is no lamp's fault.
    (found,) = against_flat(plate([0.9 * g for g in gains], near, seed=1), plate(near=near, seed=2), IDS)
    assert (found.ids, found.kind) == ((IDS[which],), "dim" if change < 0 else "bright")
    assert found.change == pytest.approx(change, abs=0.002)
    assert f"The lamp {IDS[which]} gives" in found.sentence


@pytest.mark.parametrize("seed", range(5))
def test_lamps_that_are_as_before_are_not_named(seed):
    assert against_flat(plate(seed=10 + seed), plate(seed=20 + seed), IDS) == ()


def test_a_dead_lamp_and_exchanged_ones_are_named():
    (dead,) = against_flat(plate((1, 1, 0.001, 1), seed=3), plate(seed=4), IDS)
    assert (dead.ids, dead.kind) == (("west",), "dark")
    now = plate(seed=5)
    now[0], now[1] = now[1], now[0]
    (exchanged,) = against_flat(now, plate(seed=6), IDS)
    assert (exchanged.ids, exchanged.kind) == (("east", "north"), "exchanged")
    assert exchanged.sentence == "The lamps east and north are exchanged."


def part(slopes, gain, which, sigma=1.0):
    """Return a matte part with a ball's slopes up to `slopes`, or flat, one lamp's light times `gain`."""
    rng = np.random.default_rng(7)
    x, y = np.meshgrid(np.linspace(-1, 1, 200), np.linspace(1, -1, 150))
    p, q = slopes * x, slopes * y
    n = np.stack([-p, -q, np.ones_like(p)]) / np.sqrt(1 + p**2 + q**2)
    pictures = [170 * np.tensordot(lamp, n, 1) * (gain if k == which else 1) for k, lamp in enumerate(LAMPS)]
    return [np.rint(p + rng.normal(0, sigma, p.shape)).astype(np.uint8) for p in pictures]


@pytest.mark.parametrize("which", range(4))
def test_where_slopes_vary_a_shot_alone_names_its_lamp(which):
    found = from_shot(part(0.5, 0.97, which), LAMPS, IDS, 1.04)
    assert found.ids == (IDS[which],)
    assert found.change == pytest.approx(-0.03, abs=0.003)


def test_on_a_flat_part_it_is_one_of_these():
    # One lamp up, its opposite up, or either neighbour down leave the same c·v on a flat plate: by hand.
    found = from_shot(part(0.0, 0.97, 0), LAMPS, IDS, 1.04)
    assert found.ids == IDS
    assert found.sentence.startswith("One of the lamps east, north, west, south shines otherwise")


@pytest.mark.parametrize("sigma", [0.5, 1.5, 3.0])
@pytest.mark.parametrize("gain", [0.97, 0.99, 1.03])
@pytest.mark.parametrize("slopes", [0.0, 0.1])
def test_the_lamp_that_differs_is_among_those_blamed_at_any_noise(sigma, gain, slopes):
    # A lamp's grey has its noise in common with the c·v that it is to explain, which pulled all towards a dimmer one.
    noise = float(np.hypot(sigma, np.sqrt(1 / 12)))
    for which in range(4):
        found = from_shot(part(slopes, gain, which, sigma), LAMPS, IDS, noise)
        assert IDS[which] in found.ids, found
        if slopes == 0.0:
            assert found.ids == IDS


def test_lamps_that_are_right_are_not_blamed():
    assert from_shot(part(0.5, 1.0, 0), LAMPS, IDS, 1.04) is None
    assert from_shot(part(0.0, 1.0, 0), LAMPS, IDS, 1.04) is None
