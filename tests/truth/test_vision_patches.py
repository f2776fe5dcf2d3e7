"""Patches against closed forms of drawn shapes, and scikit-image and OpenCV as witnesses."""

import math
import runpy
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from scipy.cluster import hierarchy
from scipy.spatial import cKDTree, distance
from skimage import filters, measure

from tiepoint.vision.patches import FEWEST_PX, Field, Patch, count_holds, found_in, measure_patch
from tiepoint.vision.patches_box import Turns, least_turn, sides_of
from tiepoint.vision.patches_levels import automatic_level, local_mean
from tiepoint.vision.patches_outline import drawn_in_by_curvature, outline_of
from tiepoint.vision.patches_shape import ANGLE, AREA, ELONGATION, Region, X, Y, region_of

HELPERS = Path(__file__).parents[1] / "helpers"
exact = SimpleNamespace(**runpy.run_path(str(HELPERS / "exact_edges.py")))
scenes = SimpleNamespace(**runpy.run_path(str(HELPERS / "shape_scenes.py")))


def field_of(picture: np.ndarray, level: float) -> Field:
    usable = np.zeros(picture.shape, bool)
    usable[1:-1, 1:-1] = True
    is_whole = bool(np.issubdtype(picture.dtype, np.integer))
    return Field(picture.astype(float) - level, usable, is_whole, np.zeros(picture.shape, bool))


def largest(picture: np.ndarray, level: float, at_level: bool = False) -> Patch:
    field = field_of(picture, level)
    found = found_in(field)
    return measure_patch(field, found, int(np.argmax(found.pixels)), at_level)


def region(patch: Patch, at_level: bool = False) -> Region:
    outwards = drawn_in_by_curvature(patch.outline, 0.0 if at_level else patch.blur_px)
    found = region_of(patch.outline.points + outwards, *patch.outline.neighbours())
    assert found is not None
    return found


def blobs(seed: int, size: int = 160) -> np.ndarray:
    """A smooth random surface, whose parts above a level are patches of every form, some with holes."""
    noise = np.random.default_rng(seed).normal(size=(size, size))
    smooth = cv2.GaussianBlur(noise, (0, 0), 4.0)
    return smooth / smooth.std()


# --- levels ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_the_automatic_level_is_that_of_scikit_image(dtype):
    rng = np.random.default_rng(1)
    for share in (0.02, 0.3, 0.5):
        top = 200 if dtype == np.uint8 else 3000
        values = np.where(rng.random(20_000) < share, rng.normal(0.8, 0.05, 20_000), rng.normal(0.3, 0.05, 20_000))
        grey = np.clip(np.rint(top * values), 0, None).astype(dtype)
        ours, theirs = automatic_level(grey), filters.threshold_otsu(grey)
        assert ours is not None
        # Theirs is the last grey of the dark class; ours lies between the classes. Both part the pixels alike.
        assert np.array_equal(grey > ours.level, grey > theirs)
        assert ours.dark == pytest.approx(grey[grey <= theirs].mean(), rel=1e-9)
        assert ours.bright == pytest.approx(grey[grey > theirs].mean(), rel=1e-9)


def test_the_automatic_level_of_a_float_picture_parts_it_as_scikit_image_does():
    rng = np.random.default_rng(2)
    values = np.concatenate([rng.normal(-0.2, 0.04, 5000), rng.normal(0.5, 0.1, 9000)]).astype(np.float32)
    ours = automatic_level(values)
    assert ours is not None
    theirs = filters.threshold_otsu(values, nbins=1024)
    # Between the same two values, but for those in a bin that the level divides.
    assert np.count_nonzero((values > ours.level) != (values > theirs)) <= 3


def test_of_levels_that_part_alike_the_middle_is_taken_and_one_grey_has_none():
    told = automatic_level(np.array([10, 10, 10, 50, 50], np.uint8))
    assert told is not None
    assert (told.level, told.dark, told.bright) == (30.0, 10.0, 50.0)
    assert told.separation == pytest.approx(1.0)
    assert automatic_level(np.full(9, 7, np.uint8)) is None


def test_noise_alone_separates_by_what_otsu_says_of_one_class():
    # Two halves of one normal distribution: σ_B²/σ_T² = 2/π (the mean of a half normal is σ√(2/π)).
    told = automatic_level(np.random.default_rng(3).normal(size=200_000))
    assert told is not None
    assert told.separation == pytest.approx(2 / math.pi, abs=0.005)


def test_the_local_mean_is_that_of_the_pixels_inside():
    rng = np.random.default_rng(4)
    grey, inside = rng.normal(size=(30, 40)).astype(np.float32), rng.random((30, 40)) < 0.7
    mean = local_mean(grey, inside, 7)
    for y, x in ((0, 0), (12, 20), (29, 39)):
        part = np.s_[max(y - 3, 0) : y + 4, max(x - 3, 0) : x + 4]
        assert mean[y, x] == pytest.approx(grey[part][inside[part]].mean(), abs=1e-5)


# --- outlines --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_patches_and_their_sizes_in_pixels_are_those_of_scikit_image_and_opencv(seed):
    picture = blobs(seed)
    field = field_of(picture, 0.8)
    found = found_in(field)
    inner = (field.height > 0) & field.usable
    props = measure.regionprops(measure.label(inner, connectivity=2))
    assert sorted(found.pixels) == sorted(int(p.area) for p in props)
    assert len(found.pixels) == cv2.connectedComponents(inner.astype(np.uint8), connectivity=8)[0] - 1
    holes = {int(p.area): 1 - p.euler_number for p in props}
    for k, pixels in enumerate(found.pixels):
        assert measure_patch(field, found, k, at_level=True).holes == holes[int(pixels)] or pixels < 30


@pytest.mark.parametrize("seed", range(3))
def test_linear_crossings_enclose_what_the_contours_of_scikit_image_do(seed):
    picture = blobs(seed)
    picture[:2] = picture[-2:] = picture[:, :2] = picture[:, -2:] = -1.0
    high = picture > 0.3
    line = outline_of(picture, high, np.ones(picture.shape, bool), 0.3, None)
    around, after = line.points, line.neighbours()[1]
    ours = 0.5 * np.sum(around[:, 0] * around[after, 1] - around[after, 0] * around[:, 1])
    contours = measure.find_contours(picture, 0.3, fully_connected="high")
    theirs = sum(0.5 * np.sum(c[:-1, 1] * c[1:, 0] - c[1:, 1] * c[:-1, 0]) for c in contours)
    assert line.loop[-1] + 1 == len(contours)
    assert abs(ours) == pytest.approx(abs(theirs), rel=1e-9)


@pytest.mark.parametrize("w", [0.5, 0.8, 1.5])
@pytest.mark.parametrize("angle", [0.0, 0.02, 0.4])
def test_a_straight_edge_is_met_at_any_angle_without_noise(w, angle):
    # Half a plane: the outline's points along the edge, against the exact integral over pixels.
    picture = exact.straight_edge(60, 60, 30.2, 29.7, angle, w)
    patch = largest(picture, 100.0)
    inner = (np.abs(patch.outline.points - 29.5) < 15).all(axis=1)
    off = (patch.outline.points[inner] - (30.2, 29.7)) @ (math.cos(angle), math.sin(angle))
    # Beside a pixel that has reached its plateau (1 % from it) the place is worth no more than that.
    assert abs(off.mean()) < 0.003
    assert np.abs(off).max() < 0.03
    assert patch.blur_px == pytest.approx(math.hypot(w, math.sqrt(1 / 12)), rel=0.03)


@pytest.mark.parametrize("w", [0.3, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("radius", [8.0, 20.0, 45.0])
def test_a_disc_without_noise_has_the_area_of_a_disc(w, radius):
    middle = radius + 25 + np.array([0.31, -0.17])
    size = int(2 * radius) + 51
    patch = largest(exact.disc(size, size, *middle, radius, w), 80.0)
    told = region(patch).told
    # In px of the radius: 1 % of the blur, and what a disc of four blurs lacks of its plateau.
    assert abs(told[AREA] - math.pi * radius**2) < 0.02 * w * math.tau * radius + 0.1
    assert np.abs(told[[X, Y]] - middle).max() < 0.003
    assert told[ELONGATION] == pytest.approx(1.0, abs=0.003)


@pytest.mark.parametrize("level", [60.0, 130.0, 190.0])
def test_whichever_level_finds_a_patch_its_outline_is_the_same(level):
    patch = largest(exact.disc(70, 70, 34.6, 35.1, 18.0, 1.2), level)
    assert region(patch).told[AREA] == pytest.approx(math.pi * 18**2, abs=0.4)


def test_at_the_level_the_outline_is_that_of_the_level():
    # A disc of radius R blurred by w is seen at level q where P(|X| < R) = q: a circle again, by symmetry.
    from scipy import optimize, stats

    w, radius, level = 1.2, 18.0, 190.0
    whole = math.hypot(w, math.sqrt(1 / 12))
    share = (level - 40) / 180
    there = optimize.brentq(lambda r: stats.ncx2.cdf(radius**2 / whole**2, 2, r**2 / whole**2) - share, 10, 25)
    patch = largest(exact.disc(70, 70, 34.6, 35.1, radius, w), level, at_level=True)
    assert patch.u_level == 0.0
    assert region(patch, at_level=True).told[AREA] == pytest.approx(math.pi * there**2, abs=0.6)


# --- sizes of what lines enclose -------------------------------------------------------------------------------------


def ring_of(points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    index = np.arange(len(points))
    return points, np.roll(index, 1), np.roll(index, -1)


def rectangle(a: float, b: float, angle: float, middle: tuple[float, float], n: int = 1) -> np.ndarray:
    corners = np.array([[-a, -b], [a, -b], [a, b], [-a, b]]) / 2
    sides = [
        p + np.linspace(0, 1, n, endpoint=False)[:, None] * (q - p)
        for p, q in zip(corners, np.roll(corners, -1, 0), strict=True)
    ]
    c, s = math.cos(angle), math.sin(angle)
    return np.vstack(sides) @ np.array([[c, s], [-s, c]]) + middle


@pytest.mark.parametrize("turned", [False, True])
def test_a_rectangle_has_its_closed_forms_whichever_way_it_runs(turned):
    points = rectangle(7.0, 2.0, 0.4, (3.0, -5.0))
    told = region_of(*ring_of(points[::-1] if turned else points))
    assert told is not None
    assert told.told == pytest.approx([14.0, 3.0, -5.0, 3.5, 0.4])


def test_lines_that_enclose_more_backwards_one_way_are_no_region():
    # 10 px² upright less 6 px² lying: ∫x² = 10/12 − 18 < 0, so that no ellipse has these moments (closed form).
    upright, lying = rectangle(1.0, 10.0, 0.0, (0.0, 0.0), n=40), rectangle(6.0, 1.0, 0.0, (0.0, 0.0), n=40)[::-1]
    before, after = ring_of(upright)[1:]
    both = np.vstack([upright, lying]), np.r_[before, before + len(upright)], np.r_[after, after + len(upright)]
    assert region_of(*both) is None
    # And all in one line encloses nothing.
    assert region_of(*ring_of(np.array([[0, 0], [4, 4], [2, 2.0]]))) is None


def test_moments_are_those_of_opencv():
    points = np.array([[0, 0], [9, 1], [12, 7], [4, 11], [5, 5.0]])
    told, m = region_of(*ring_of(points)), cv2.moments(points.astype(np.float32).reshape(-1, 1, 2))
    assert told is not None
    assert told.told[AREA] == pytest.approx(cv2.contourArea(points.astype(np.float32)), rel=1e-6)
    assert told.told[[X, Y]] == pytest.approx([m["m10"] / m["m00"], m["m01"] / m["m00"]], rel=1e-5)
    assert told.told[ANGLE] == pytest.approx(0.5 * math.atan2(2 * m["mu11"], m["mu20"] - m["mu02"]), rel=1e-4)


def test_the_five_numbers_move_as_small_differences_do():
    points = rectangle(12.0, 5.0, 0.3, (1.0, 2.0), n=60)
    base = region_of(*ring_of(points))
    assert base is not None
    rng = np.random.default_rng(1)
    # Slow along the line: what is between two points follows both.
    waves = np.cos(np.arange(len(points))[:, None] * math.tau / len(points) * [1, 2] + rng.uniform(0, 6, 2))
    step = 1e-6
    moved = region_of(*ring_of(points + step * waves))
    assert moved is not None
    assert base.moves(waves[:, :, None])[:, 0] == pytest.approx((moved.told - base.told) / step, rel=0.02, abs=0.002)


@pytest.mark.parametrize("seed", range(20))
def test_the_least_box_is_that_of_opencv(seed):
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(80, 2)) * (9.0, 4.0) @ np.linalg.qr(rng.normal(size=(2, 2)))[0]
    turn, (_, size, _) = least_turn(points), cv2.minAreaRect(points.astype(np.float32))
    long, short = sides_of(points, Turns.one(turn))
    assert (long.size, short.size) == pytest.approx((max(size), min(size)), rel=1e-4)
    for side in (long, short):
        assert np.sum(side.by * points) == pytest.approx(side.size)


def test_a_box_along_an_angle_reaches_as_far_as_the_points():
    points = np.random.default_rng(2).normal(size=(50, 2))
    extents = sorted(np.ptp(points @ (math.cos(a), math.sin(a))) for a in (0.7, 0.7 + math.pi / 2))
    assert [side.size for side in sides_of(points, Turns.one(0.7))] == pytest.approx(extents[::-1])


def test_a_box_along_several_directions_is_their_mean():
    points = np.random.default_rng(3).normal(size=(50, 2)) * (5, 1)
    told = sides_of(points, Turns(np.array([0.1, 0.3]), np.array([0.25, 0.75])))
    each = [sides_of(points, Turns.one(angle)) for angle in (0.1, 0.3)]
    for k in (0, 1):
        assert told[k].size == pytest.approx(0.25 * each[0][k].size + 0.75 * each[1][k].size)
        assert told[k].by == pytest.approx(0.25 * each[0][k].by + 0.75 * each[1][k].by)


# --- counts that noise could change ----------------------------------------------------------------------------------


def dots(levels: tuple[float, ...], apart: float = 30.0, w: float = 1.2) -> np.ndarray:
    picture = np.full((60, 30 + round(apart) * len(levels)), 40.0)
    for k, level in enumerate(levels):
        scenes.put(picture, [scenes.circle(25 + apart * k, 30, 8)], level, w)
    return scenes.taken(picture, 2.0, np.random.default_rng(1))


@pytest.mark.parametrize(
    ("picture", "holds"),
    [
        (dots((200, 200, 200)), True),
        (dots((200, 104, 200)), False),  # the second is just above the level
        (dots((200, 97, 200)), False),  # the second is just below it
        (dots((200, 200, 200), apart=22), True),  # close, with a valley well below the level
        (dots((200, 200, 200), apart=18.3, w=1.4), False),  # the valley is at about the level
    ],
    ids=["clear", "just there", "just not there", "close", "almost one"],
)
def test_a_count_holds_where_noise_cannot_change_it(picture, holds):
    field = field_of(picture, 100.0)
    found = found_in(field)
    counted = np.flatnonzero(found.pixels > 20)
    assert count_holds(field, found, counted, 20.0) is holds


# --- patches in pieces -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("apart_px", [1.5, 3.0, 6.0])
def test_pieces_are_joined_as_single_linkage_joins_their_pixels(apart_px):
    # SciPy as witness: single linkage over the least distance of two pieces' pixels, less one for the pixel itself.
    picture = blobs(7)
    field = field_of(picture, 1.3)
    apart, told = found_in(field), found_in(field, apart_px)
    large = np.flatnonzero(apart.pixels >= FEWEST_PX)
    trees = [cKDTree(np.argwhere(apart.labels == k + 1)) for k in large]
    n = len(trees)
    gap = np.zeros((n, n))
    for i, j in zip(*np.triu_indices(n, 1), strict=True):
        gap[i, j] = gap[j, i] = trees[i].query(trees[j].data)[0].min() - 1
    tree = hierarchy.linkage(distance.squareform(gap), "single")
    ours = np.array([told.labels[apart.labels == k + 1][0] for k in large])
    # Told to a pixel: what is joined by a gap of one less is, and nothing that a gap of one more would not join.
    closer, farther = (hierarchy.fcluster(tree, apart_px + by, "distance") for by in (-1.0, 1.0))
    same = ours[:, None] == ours
    assert same[closer[:, None] == closer].all()
    assert (farther[:, None] == farther)[same].all()
    assert 1 < len(np.unique(ours)) < n
    assert int(told.pixels.sum()) == int(apart.pixels.sum())
    for k, (left, top, right, bottom) in enumerate(told.boxes.tolist()):
        rows, cols = np.nonzero(told.labels == k + 1)
        assert (cols.min(), rows.min(), cols.max() + 1, rows.max() + 1) == (left, top, right, bottom)
        assert len(rows) == told.pixels[k]
