"""Comparing with good pictures: SciPy and OpenCV as witnesses, known shifts, and how often good pictures alarm."""

import cv2
import numpy as np
import pytest
from scipy.ndimage import affine_transform, map_coordinates
from scipy.stats import binom
from skimage import data

from tiepoint.foundation.errors import UnusableInput
from tiepoint.vision.compare import Grid, Pattern, align, beyond, resample, sampled
from tiepoint.vision.compare_learn import ENOUGH, further, learn, odd_ones, threshold

# Photos that scikit-image carries: a brick wall and a page of print (public domain), Greek coins (Brooklyn Museum).
# They are softened as by a lens, since their own grain is that of one picture and no part's.
BASES = {
    "brick": cv2.GaussianBlur(data.brick()[:300, :300].astype(np.float32), (0, 0), 0.9),
    "coins": cv2.GaussianBlur(data.coins()[:300, :380].astype(np.float32), (0, 0), 0.9),
    "page": cv2.GaussianBlur(data.page()[:, :384].astype(np.float32), (0, 0), 0.9),
}


def grid_over(base: np.ndarray, margin: int = 16) -> Grid:
    rows, cols = base.shape
    return Grid(rows - 2 * margin, (cols - 2 * margin) // 16 * 16, lambda places: places + margin)


def shown(base: np.ndarray, rng: np.random.Generator, move=(0.0, 0.0, 0.0), noise=2.0, dtype=np.uint8) -> np.ndarray:
    """Return a base moved and turned about its middle, with noise; +x and +y move it right and down."""
    x, y, turn = move
    back = np.array(
        [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
    )  # rows first: where a pixel came from
    middle = (np.array(base.shape) - 1) / 2
    # Cubic splines between pixels: OpenCV's warping knows 32 parts of a pixel only.
    moved = affine_transform(base, back, middle - back @ (middle + np.array([y, x])), order=3, mode="mirror")
    moved = moved + rng.normal(0, noise, moved.shape)
    return moved.astype(np.float32) if dtype is np.float32 else np.clip(np.rint(moved), 0, 255).astype(dtype)


def good_one(base: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return a picture of a good part: it lies a little off, its print is a little softer or harder, and the light and
    its evenness vary; noise grows with the level."""
    rows, cols = base.shape
    harder = cv2.GaussianBlur(base, (0, 0), 1.5) - cv2.GaussianBlur(base, (0, 0), 0.7)
    even = cv2.resize(rng.normal(0, 1.5, (4, 4)).astype(np.float32), (cols, rows), interpolation=cv2.INTER_CUBIC)
    made = (base + rng.normal(0, 0.15) * harder) * rng.normal(1, 0.01) + even
    x, y, turn = rng.uniform(-0.7, 0.7), rng.uniform(-0.7, 0.7), rng.normal(0, 5e-4)
    way = cv2.getRotationMatrix2D((cols / 2, rows / 2), np.degrees(turn), 1.0)
    way[:, 2] += x, y
    made = cv2.warpAffine(made, way, (cols, rows), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    made = made + rng.normal(0, 1, made.shape) * np.sqrt(1 + 0.05 * np.maximum(made, 0))
    return np.clip(np.rint(made), 0, 255).astype(np.uint8)


# --- resampling -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_resampling_is_that_of_scipy(dtype: type) -> None:
    rng = np.random.default_rng(2)
    picture = cv2.GaussianBlur(rng.uniform(0, 250, (200, 220)), (0, 0), 2).astype(dtype)
    way = np.array([[0.97, 0.11], [-0.08, 1.03]])
    grid = Grid(130, 144, lambda p: p @ way.T + [20.37, 25.81])
    places = np.stack(np.meshgrid(np.arange(144), np.arange(130)), axis=-1).reshape(-1, 2) @ way.T + [20.37, 25.81]
    exact = map_coordinates(picture.astype(float), places.T[::-1], order=1).reshape(130, 144)
    # Weights of 32 parts of a pixel: half a part off, times the slope between pixels, and rounding to whole levels.
    slope = np.abs(np.diff(picture.astype(float), axis=0)).max() + np.abs(np.diff(picture.astype(float), axis=1)).max()
    assert np.abs(resample(picture, grid) - exact).max() <= slope / 64 + (0.51 if dtype is not np.float32 else 1e-3)
    assert sampled(picture, places) == pytest.approx(exact.ravel(), abs=1e-9)


def test_a_bent_way_is_followed() -> None:
    # A lens that bends by 0.3 px at the corner: straight between nodes 16 px apart (off by h²/8 of the curvature).
    def bent(places: np.ndarray) -> np.ndarray:
        away = places - 150
        return 150 + away * (1 - 2e-3 * (away**2).sum(axis=1, keepdims=True) / 45_000) + 10

    ramp = np.add.outer(np.zeros(330), np.arange(330.0)).astype(np.float32)
    grid = Grid(300, 304, bent)
    places = np.stack(np.meshgrid(np.arange(304), np.arange(300)), axis=-1).reshape(-1, 2).astype(float)
    assert resample(ramp, grid).ravel() == pytest.approx(bent(places)[:, 0], abs=1 / 64 + 0.004)


def test_what_leaves_the_picture_is_told() -> None:
    grid = Grid(100, 96, lambda p: p + 3.0)
    assert grid.is_within((103, 99))
    assert not grid.is_within((102, 99))
    assert not grid.moved(-4.0, 0.0, 0.0).is_within((200, 200))
    assert not Grid(100, 96, lambda p: p * np.nan).is_within((200, 200))


# --- aligning -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", list(BASES))
@pytest.mark.parametrize("move", [(0.0, 0.0, 0.0), (0.4, -0.3, 0.0), (-1.6, 2.1, 2e-3)])
def test_known_moves_are_found(name: str, move: tuple[float, float, float]) -> None:
    base, rng = BASES[name], np.random.default_rng(3)
    grid = grid_over(base)
    pattern = Pattern(resample(base, grid), np.ones((grid.rows, grid.cols), bool))
    found = align(shown(base, rng, move), grid, pattern, 3.0)
    assert found.is_sure
    # The grid's middle is not quite the picture's, about which it was turned: some pixels of lever at 2 mrad.
    assert found.move[:2] == pytest.approx(move[:2], abs=0.03)
    assert found.move[2] == pytest.approx(move[2], abs=3e-4)


def test_levels_are_told_and_a_blemish_does_not_pull() -> None:
    base, rng = BASES["page"], np.random.default_rng(3)
    grid = grid_over(base)
    pattern = Pattern(resample(base, grid), np.ones((grid.rows, grid.cols), bool))
    dirty = 0.8 * base + 12
    dirty[60:110, 100:180] = 0
    found = align(shown(dirty, rng, (0.3, 0.2, 0.0)), grid, pattern, 3.0)
    assert (found.gain, found.offset) == (pytest.approx(0.8, abs=0.01), pytest.approx(12, abs=2))
    assert found.move[:2] == pytest.approx((0.3, 0.2), abs=0.05)


def test_what_has_no_edges_is_not_moved() -> None:
    rng = np.random.default_rng(3)
    flat = np.full((200, 200), 100, np.float32)
    grid = grid_over(flat)
    pattern = Pattern(resample(shown(flat, rng, dtype=np.float32), grid), np.ones((grid.rows, grid.cols), bool))
    stripes = (100 + 40 * np.sin(np.arange(200) / 3.0))[None, :].repeat(200, axis=0).astype(np.float32)
    assert np.hypot(*align(shown(flat, rng), grid, pattern, 3.0).move[:2]) < 0.2
    known = Pattern(resample(stripes, grid), np.ones((grid.rows, grid.cols), bool))
    x, y, _ = align(shown(stripes, rng, (0.5, 0.0, 0.0)), grid, known, 3.0).move
    assert x == pytest.approx(0.5, abs=0.03)
    assert abs(y) < 0.2


def test_another_picture_is_not_brought_into_line() -> None:
    rng = np.random.default_rng(3)
    base = BASES["brick"]
    grid = grid_over(base)
    pattern = Pattern(resample(base, grid), np.ones((grid.rows, grid.cols), bool))
    far = align(shown(base, rng, (9.0, 0.0, 0.0)), grid, pattern, 3.0)
    assert not far.is_sure or far.reach_px(grid) > 2.0 or far.noise > 8.0


# --- what lies beyond -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sides", [(True, True), (True, False), (False, True)])
def test_beyond_is_that_of_numpy(sides: tuple[bool, bool]) -> None:
    rng = np.random.default_rng(5)
    picture = rng.integers(0, 255, (200, 220), dtype=np.uint8)
    grid = Grid(150, 160, lambda p: p + 20.0)
    mean, tolerance = rng.uniform(60, 190, (2, 150, 160)).astype(np.float32)
    looked = rng.random((150, 160)) < 0.8
    granted = np.where(looked, 1 / tolerance, 0).astype(np.float32)
    marks, most, row = beyond(picture, grid, mean, granted, (0.9, 4.0), sides)
    off = (picture[20:170, 20:180] - 4.0) / 0.9 - mean
    counted = np.where(off > 0, off * sides[1], -off * sides[0]) / tolerance * looked
    clear = np.abs(counted - 1) > 1e-4
    assert np.array_equal(marks[clear] > 0, counted[clear] > 1)
    assert most == pytest.approx(counted.max(), rel=1e-5)
    assert counted[row].max() == pytest.approx(most, rel=1e-5)


def test_what_is_no_number_is_beyond() -> None:
    picture = np.zeros((100, 100), np.float32)
    picture[40, 40] = np.nan
    grid = Grid(80, 80, lambda p: p + 10.0)
    marks, most, _ = beyond(picture, grid, np.zeros((80, 80), np.float32), np.ones((80, 80), np.float32), (1.0, 0.0))
    assert marks[30, 30] == 1
    assert not most <= 1


# --- learning -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "p"), [(6, 0.05), (20, 0.01), (60, 0.01)])
def test_one_more_extreme_is_foretold(n: int, p: float) -> None:
    # Of any Gumbel distribution: one more exceeds mean + k·deviation of n with probability p. 20,000 trials; the band
    # is that of a binomial at 99.9 %, for both simulations.
    rng = np.random.default_rng(17)
    drawn = rng.gumbel(4.3, 0.6, size=(20_000, n + 1))
    beyond_it = drawn[:, n] > drawn[:, :n].mean(axis=1) + further(n, p) * drawn[:, :n].std(axis=1, ddof=1)
    assert beyond_it.mean() == pytest.approx(p, abs=3.3 * np.sqrt(1.5 * p * (1 - p) / 20_000))


def test_many_extremes_need_no_more_than_the_distribution_itself() -> None:
    # Closed form for known parameters: quantile −ln(−ln(1 − p)), mean 0.5772, deviation π/√6 (Gumbel 1958).
    known = (-np.log(-np.log(0.99)) - 0.57722) / (np.pi / np.sqrt(6))
    assert further(400, 0.01) == pytest.approx(known, rel=0.04)
    assert further(6, 0.01) > 1.5 * known


@pytest.mark.parametrize("name", list(BASES))
def test_good_pictures_alarm_as_seldom_as_stated(name: str) -> None:
    # Taught from 24, at 2 % a picture; 150 others. More alarms than 9 would come up once in 1,500 times at 2 %.
    base, rng = BASES[name], np.random.default_rng(11)
    grid = grid_over(base)
    looked = np.ones((grid.rows, grid.cols), bool)
    learnt, _ = learn([good_one(base, rng) for _ in range(24)], [grid] * 24, looked, 3.0)
    pattern = Pattern(learnt.mean, looked)
    granted = 1 / (threshold(learnt, looked.size, 0.02) * learnt.granted(pattern, learnt.edge_px))
    greatest = []
    for _ in range(150):
        picture = good_one(base, rng)
        placed = align(picture, grid, pattern, 3.0)
        greatest.append(beyond(picture, grid.moved(*placed.move), learnt.mean, granted, (1.0, 0.0))[1])
    alarms = int(np.sum(np.array(greatest) > 1))
    assert binom.sf(9, 150, 0.02) < 1e-3
    assert alarms <= 9
    # Nor is the tolerance out of all proportion: good pictures come as near to it as two thirds on average.
    assert 0.5 < np.mean(greatest) < 0.95


def test_each_place_learns_its_own_spread() -> None:
    base = np.add.outer(np.sin(np.arange(150) / 9), np.cos(np.arange(150) / 7)).astype(np.float32) * 30 + 120
    rng = np.random.default_rng(4)
    restless = np.zeros_like(base, bool)
    restless[40:80, 40:80] = True
    pictures = [shown(base + restless * rng.normal(0, 12), rng, noise=2.0) for _ in range(30)]
    grid = grid_over(base)
    learnt, _ = learn(pictures, [grid] * 30, np.ones((grid.rows, grid.cols), bool), 3.0)
    # The deviation of one more from the mean of 30 is √(1 + 1/30) of each; 12 is seen 30 times, to 13 %.
    assert np.median(learnt.spread[28:60, 28:60]) == pytest.approx(12.3, rel=0.3)
    assert np.median(learnt.spread[80:]) == pytest.approx(np.hypot(2.05, 0.5), rel=0.1)
    assert learnt.mean.mean() == pytest.approx(base[16:134, 16:128].mean(), abs=1.5)


def test_few_pictures_have_a_floor_instead() -> None:
    base = np.add.outer(np.sin(np.arange(200) / 9), np.cos(np.arange(220) / 7)).astype(np.float32) * 40 + 120
    rng, grid = np.random.default_rng(4), grid_over(base)
    looked = np.ones((grid.rows, grid.cols), bool)
    learnt, _ = learn([shown(base, rng)], [grid], looked, 3.0)
    assert learnt.maxima == ()
    # Twice the noise of 2 levels and of rounding.
    assert np.median(learnt.spread) == pytest.approx(2 * np.hypot(2, 0.29), rel=0.15)
    stated, _ = learn([shown(base, rng)], [grid], looked, 3.0, floor=7.0)
    assert stated.spread == pytest.approx(np.full(looked.shape, 7.0))
    assert threshold(learnt, looked.size, 0.01) > 5
    assert len(learn([shown(base, rng) for _ in range(ENOUGH)], [grid] * ENOUGH, looked, 3.0)[0].maxima) == ENOUGH


def test_what_teaches_nothing_is_refused() -> None:
    base, rng = BASES["brick"], np.random.default_rng(4)
    grid = grid_over(base)
    looked = np.ones((grid.rows, grid.cols), bool)
    with pytest.raises(UnusableInput, match="the region shows nothing in the first picture"):
        learn([np.zeros(base.shape, np.uint8)], [grid], looked, 3.0)
    with pytest.raises(
        UnusableInput, match="good picture 2 does not fit the others: it lies more than 3 px off, shows something else"
    ):
        learn([shown(base, rng), shown(base, rng, (8.0, 6.0, 0.0))], [grid, grid], looked, 3.0)
    dim = np.asarray(shown(base, rng) * 0.3, np.uint8)
    with pytest.raises(UnusableInput, match="good picture 2 does not fit the others"):
        learn([shown(base, rng), dim], [grid, grid], looked, 3.0, is_levelled=True)


def test_a_bad_one_among_the_good_is_named() -> None:
    base, rng = BASES["page"], np.random.default_rng(6)
    grid = grid_over(base)
    bad = base.copy()
    bad[70:80, 100:110] -= 90
    pictures = [good_one(bad if k == 5 else base, rng) for k in range(14)]
    learnt, _ = learn(pictures, [grid] * 14, np.ones((grid.rows, grid.cols), bool), 3.0)
    assert odd_ones(learnt) == (5,)
