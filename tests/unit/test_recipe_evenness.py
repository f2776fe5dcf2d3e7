"""Edges that look different on different sides: the test is Student's and Fisher's, the pictures are rendered."""

import math
import tomllib
from functools import cache

import numpy as np
import pytest
from scipy import stats

from tiepoint.bench.station import BenchStation, View
from tiepoint.bench.surface import Look
from tiepoint.bench.worlds import WORLDS
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.context import EdgeLook
from tiepoint.recipe.evenness import ALIKE_DEG, LEAST_PX, Unevenness, unevenness
from tiepoint.recipe.recipe import read_recipe
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.render.camera import project
from tiepoint.render.outline import band, disc, polygon
from tiepoint.render.photo import Exposure
from tiepoint.render.scene import Lay, Piece, Scene, Sheet
from tiepoint.render.sensor import Light, PlainSensor
from tiepoint.ties.sensor import Sensor

FLAG = "edge_differs_by_side"


def restless(n: int) -> np.ndarray:
    """Return noise (n,) whose neighbours are never alike and of which nothing lies far out."""
    return 0.02 * (-1.0) ** np.arange(n) * (1 + np.arange(n) % 5 / 5)


def facing(angles_deg: np.ndarray) -> np.ndarray:
    return np.column_stack([np.cos(np.radians(angles_deg)), np.sin(np.radians(angles_deg))])


def side(blur: np.ndarray, towards_deg: float) -> EdgeLook:
    return EdgeLook(blur, facing(np.full(len(blur), towards_deg)), is_straight=True)


def ring(blur: np.ndarray) -> EdgeLook:
    return EdgeLook(blur, facing(np.arange(len(blur)) * 360 / len(blur)), is_straight=False)


def test_two_sides_of_a_bar_are_compared_by_students_test():
    one, other = 1.00 + restless(16), 1.02 + restless(23)
    told = unevenness([side(one, 20.0), side(other, 200.0)])
    assert told.px == pytest.approx(abs(one.mean() - other.mean()) / 2)
    # Two groups with one variance: F over one direction is t² (SciPy's two-sample test as the witness).
    assert told.p == pytest.approx(stats.ttest_ind(one, other).pvalue, rel=1e-9)


def test_a_circle_is_compared_with_itself_by_fishers_test():
    n = 40
    angles = np.radians(np.arange(n) * 360 / n)
    noise = restless(n)
    blur = 0.9 + 0.012 * np.cos(angles) - 0.005 * np.sin(angles) + noise
    told = unevenness([ring(blur)])
    # Evenly spaced all round, the design is orthogonal: a = 2/n·Σ b·ν, and it takes n·a²/2 off the sum of squares.
    a = 2 / n * np.array([blur @ np.cos(angles), blur @ np.sin(angles)])
    explained = n / 2 * a @ a
    # Of the noise, waves up to the third are taken off: their power is that of the discrete Fourier transform.
    power = np.abs(np.fft.rfft(blur)) ** 2 * 2 / n
    left = power[4:-1].sum() + power[-1] / 2
    assert told.px == pytest.approx(np.hypot(*a))
    assert told.p == pytest.approx(stats.f.sf(explained / 2 / (left / (n - 7)), 2, n - 7), rel=1e-9)


def test_what_two_circles_share_is_found_with_more_certainty_than_in_one():
    n = 30
    wave = 0.02 * np.cos(np.radians(np.arange(n) * 360 / n + 50))
    one, other = ring(0.8 + wave + restless(n)), ring(1.3 + wave + restless(n))
    both = unevenness([one, other])
    assert both.p < unevenness([one]).p ** 1.5
    assert both.px == pytest.approx(unevenness([one]).px)


def looks_of(rng: np.random.Generator) -> list[EdgeLook]:
    """Return a disc, a bar and an arc without a difference, each with a blur and a noise of its own."""
    noise = rng.uniform(0.01, 0.05, 3)
    bar = rng.uniform(0.6, 1.4)
    sides = [side(rng.normal(bar, noise[1], 15), towards) for towards in (3.0, 184.0)]
    arc = EdgeLook(rng.normal(rng.uniform(0.6, 1.4), noise[2], 20), facing(np.linspace(10, 130, 20)), False)
    return [ring(rng.normal(rng.uniform(0.6, 1.4), noise[0], 36)), *sides, arc]


def test_noise_alone_alarms_as_rarely_as_is_stated():
    rng = np.random.default_rng(20)
    told = [unevenness(looks_of(rng)) for _ in range(1500)]
    p = np.sort([t.p for t in told])
    # p is uniform where there is nothing: Kolmogorov and Smirnov's distance has the 99.9 % point 1.95/√n; estimated
    # weights and the correlation length cost a little of that exactness.
    assert np.max(np.abs(p - (np.arange(1500) + 0.5) / 1500)) < 1.95 / math.sqrt(1500) + 0.02
    # Of 1500 draws one alarm in 10,000 gives two or more in 1 % of runs.
    assert sum(t.p < 1e-4 for t in told) < 2


def test_a_few_scratched_points_are_no_difference():
    rng = np.random.default_rng(3)
    blur = rng.normal(1.0, 0.02, 48)
    blur[5:8] = (3.0, 2.5, 4.0)
    assert not unevenness([ring(blur)]).is_certain


def test_texture_that_neighbours_share_counts_as_few_points():
    rng = np.random.default_rng(4)
    # Every value stands for four points, so F is four times too large. Where p is exp(-F) (many points, two
    # directions), 0.01^(1/4) = 32 % would alarm at p < 0.01. The correlation length is itself estimated, from 120
    # points: it takes most of that off and not all.
    blurs = [np.repeat(rng.normal(1.0, 0.03, 30), 4) for _ in range(300)]
    alarms = sum(unevenness([ring(blur)]).p < 0.01 for blur in blurs)
    assert alarms < 0.32 * 300 / 4


def test_edges_that_run_different_ways_are_not_compared():
    """Motion and astigmatism blur an upright edge and a level one differently, and no bevel is needed for that."""
    upright, level = side(1.0 + restless(20), 0.0), side(1.5 + restless(20), 90.0)
    assert unevenness([upright, level]) is None
    near = side(1.5 + restless(20), 180.0 + ALIKE_DEG - 1)
    assert unevenness([upright, near]).is_certain


@pytest.mark.parametrize(
    "looks",
    [[], [side(restless(0), 0.0)], [side(1 + restless(30), 0.0)], [side(1 + restless(4), a) for a in (0.0, 180.0)]],
    ids=["none", "no points", "one side", "too few points"],
)
def test_where_edges_cannot_tell_there_is_no_answer(looks):
    assert unevenness(looks) is None


def test_a_certain_difference_that_the_pixel_grid_explains_is_no_warning():
    assert not Unevenness(LEAST_PX * 0.99, 1e-30).is_certain
    assert not Unevenness(1.0, 2e-4).is_certain
    assert Unevenness(LEAST_PX, 1e-5).is_certain


def test_edges_without_any_noise_can_still_be_told_apart():
    assert unevenness([side(np.full(20, 1.0), 0.0), side(np.full(20, 1.1), 180.0)]).is_certain
    assert not unevenness([side(np.full(20, 1.0), 0.0), side(np.full(20, 1.0), 180.0)]).is_certain


STATION = BenchStation(
    View((20.0, 16.0), 400.0, 2.0),
    width_px=400,
    height_px=320,
    pixel_um=6.25,
    exposure=Exposure(0.9, Light(0.88), PlainSensor(0.005)),
)
"""0.1 mm/px: a bevel of 0.12 mm is a pixel wide."""
DISCS, BAR = ((9.0, 20.0), (30.0, 20.0)), np.array([[12.0, 5.0], [16.0, 5.0], [16.0, 12.0], [12.0, 12.0]])


@cache
def pixels(bevel_mm: float, seed: int = 1) -> np.ndarray:
    """Return two dark discs and a dark bar on a light part, their edges bevelled."""
    outlines = [*(disc(*at, 3.0) for at in DISCS), polygon(BAR)]
    pieces = [Piece(outline, 0.06, 0.8) for outline in outlines]
    if bevel_mm > 0:
        look = Look(face=0.8)
        pieces += [Piece(q, look.bevelled(n), 0.8) for o in outlines for q, n in band(o, -bevel_mm)]
    return STATION.photograph(Scene(0.8, (Sheet(tuple(pieces), Lay()),)), seed).picture


def recipe_text(more: str = "") -> str:
    at = project(STATION.camera, np.array([[*DISCS[0], 0.0], [*DISCS[1], 0.0], [14.0, 8.5, 0.0]]))
    text = 'format = "tiepoint/recipe/1"\nname = "discs"\n'
    for name, (x, y) in zip("AB", at, strict=False):
        text += f'[[step]]\nname = "{name}"\nkind = "circle"\nin = "image"\n'
        text += f"region = {{ ring = {{ centre = [{x:.1f}, {y:.1f}], inner = 18, outer = 42 }} }}\n"
        text += "limits.diameter = { lower = 55, upper = 65 }\n"
    text += '[[step]]\nname = "apart"\nkind = "distance"\nbetween = ["A", "B"]\n'
    text += '[[step]]\nname = "bar"\nkind = "width"\nin = "image"\n'
    text += f"region = {{ rectangle = {{ centre = [{at[2, 0]:.1f}, {at[2, 1]:.1f}], size = [70, 40] }} }}\n"
    return text + more


def record(picture: np.ndarray, more: str = "", **others: np.ndarray) -> Record:
    pictures = {"picture": picture, **others}
    shown = tuple(Picture(role, "", (400, 320), 8, "Mono8") for role in pictures)
    seen = Seen(Shot("shot", shown), pictures, {role: Sensor(400, 320) for role in pictures})
    return run(Job(read_recipe(tomllib.loads(recipe_text(more))), None), seen).record


def flagged(made: Record) -> list[str]:
    return [r.id for r in made.readings if FLAG in r.flags]


@pytest.mark.parametrize("seed", range(8))
def test_sharp_edges_are_silent(seed):
    assert flagged(record(pixels(0.0, seed))) == []


@pytest.mark.parametrize("seed", range(4))
def test_bevelled_edges_flag_every_reading_that_rests_on_them(seed):
    made = record(pixels(WORLDS["bevelled edges"].bevel_mm, seed))
    assert flagged(made) == ["A.diameter", "B.diameter", "apart.distance", "bar.width"]
    assert all(r.value is not None for r in made.readings)
    # Where edges look different, one edge definition does not hold for all: no ± of theirs is sure to hold.
    assert [r.verdict for r in made.readings] == ["undecided", "undecided", None, None]
    assert made.readings[0].reason.params["flags"] == FLAG
    assert made.verdict == "undecided"


def test_a_picture_with_sharp_edges_is_not_warned_of_for_another_with_bevels():
    ring_ = recipe_text().split("region = ")[1].split("\n")[0]
    more = f'[[step]]\nname = "C"\nkind = "circle"\nin = "image"\npicture = "other"\nregion = {ring_}\n'
    more += '[[step]]\nname = "A to C"\nkind = "distance"\nbetween = ["A", "C"]\n'
    bevelled, sharp = pixels(0.12), pixels(0.0)
    assert flagged(record(sharp, more, other=bevelled)) == ["C.diameter", "A to C.distance"]
    assert "C.diameter" not in flagged(record(bevelled, more, other=sharp))
    assert "A to C.distance" in flagged(record(bevelled, more, other=sharp))


def test_what_has_no_value_has_no_warning():
    blank = pixels(0.12).copy()
    blank[:, 220:] = blank[5, 220:].mean()
    made = record(blank)
    assert flagged(made) == ["A.diameter", "bar.width"]
    assert [r.id for r in made.readings if r.value is None] == ["B.diameter", "apart.distance"]


def test_the_record_is_the_same_every_time():
    assert record(pixels(0.12)) == record(pixels(0.12))
