"""The finder's parts: grids from points, seats from evidence, shapes from neighbours. No pictures but small ones."""

import numpy as np
import pytest

from tiepoint.foundation.errors import NothingFound, UnusablePicture
from tiepoint.targets.blobs import Blobs, find_blobs
from tiepoint.targets.draw import new_target
from tiepoint.targets.find import find_target
from tiepoint.targets.lattice import grow_checker, grow_dots
from tiepoint.targets.levels import Levels
from tiepoint.targets.measure import local_shape
from tiepoint.targets.saddles import Saddles
from tiepoint.targets.seat import Evidence, expected, seat


def projected(columns, rows, tilt=0.0008, turn=0.3):
    """Return grid points (n, 2) seen in perspective, row by row, y up on the page and down in the picture."""
    y, x = np.divmod(np.arange(columns * rows), columns)
    c, s = np.cos(turn), np.sin(turn)
    u, v = 30 * (c * x - s * y), -30 * (s * x + c * y)
    return np.column_stack([u, v]) / (1 + tilt * (u + v))[:, None] + 400


def blobs_at(xy, radius=7.0):
    return Blobs(xy, np.broadcast_to(np.eye(2), (len(xy), 2, 2)) * np.broadcast_to(radius, len(xy))[:, None, None])


def laid_out(lattice, xy):
    """Return columns, rows and the points in order of their places."""
    order = np.lexsort(lattice.places.T)
    return tuple(np.ptp(lattice.places, axis=0) + 1), xy[lattice.members[order]]


def test_dots_in_perspective_form_their_grid():
    xy = projected(9, 6)
    mixed = np.random.default_rng(1).permutation(len(xy))
    lattice = grow_dots(blobs_at(xy[mixed]), 54)
    size, _ = laid_out(lattice, xy[mixed])
    assert sorted(size) == [6, 9]
    assert len(lattice.members) == 54
    # Right-handed on the page: +x, +y turn counter-clockwise as seen, that is clockwise in pixel axes.
    steps = np.linalg.lstsq(np.column_stack([lattice.places, np.ones(54)]), xy[mixed][lattice.members])[0]
    assert np.linalg.det(steps[:2]) < 0


def test_grid_jumps_a_gap_and_leaves_strangers_out():
    xy = projected(9, 6)
    gone = np.isin(np.arange(54), [4, 13, 22, 31, 40, 49])  # a whole column hidden
    strangers = np.array([[427.0, 352.0], [700.0, 100.0], [90.0, 90.0]])
    seen = np.concatenate([xy[~gone], strangers])
    lattice = grow_dots(blobs_at(seen), 54)
    assert sorted(lattice.members.tolist()) == list(range(48))
    assert sorted(np.ptp(lattice.places, axis=0) + 1) == [6, 9]


def test_a_smudge_at_a_grid_place_is_no_dot():
    xy = projected(6, 5)
    ahead = 2 * xy[5::6] - xy[4::6]  # where a seventh column would be
    radius = np.concatenate([np.full(30, 7.0), np.full(5, 2.0)])
    lattice = grow_dots(blobs_at(np.concatenate([xy, ahead]), radius), 30)
    assert sorted(lattice.members.tolist()) == list(range(30))


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_a_few_points_are_no_grid(count):
    assert grow_dots(blobs_at(projected(9, 6)[:count]), 54) is None


def test_checker_neighbours_share_lines_of_opposite_kind():
    xy = projected(8, 6, tilt=0.0)
    y, x = np.divmod(np.arange(48), 8)
    along, across = np.full(48, (-0.3) % np.pi), np.full(48, (np.pi / 2 - 0.3) % np.pi)
    even = (x + y) % 2 == 0
    right = Saddles(xy, np.where(even, along, across), np.where(even, across, along), np.zeros(48), np.ones(48))
    assert len(grow_checker(right, 48).members) == 48
    # All alike: crossing lines of something else, not the corners of a checker.
    wrong = Saddles(xy, along, across, np.zeros(48), np.ones(48))
    found = grow_checker(wrong, 48)
    assert found is None or len(found.members) < 48


def evidence_of(target):
    """Return perfect evidence, upright, 40 px a square."""
    dark, _ = expected(target)
    n = 0 if target.pattern == "dots" else 1
    rows, columns = target.rows - n, target.columns - n
    y, x = np.mgrid[:rows, :columns].astype(float)
    return Evidence(np.stack([100 + 40 * x, 900 - 40 * y], axis=2), dark, np.ones(dark.shape[:2], bool))


TARGETS = [
    new_target("charuco", 10, 8, 6),
    new_target("charuco", 10, 7, 7),
    new_target("checker", 10, 8, 6),
    new_target("checker", 10, 7, 7),
    new_target("dots", 10, 8, 6),
    new_target("dots", 10, 6, 6),
]


@pytest.mark.parametrize("target", TARGETS, ids=lambda t: f"{t.pattern}{t.columns}x{t.rows}")
@pytest.mark.parametrize("turns", range(4))
def test_every_quarter_turn_finds_back_to_the_origin(target, turns):
    upright = evidence_of(target)
    turned = upright
    for _ in range(turns):
        turned = turned.quarter_turn()
    place = seat(turned, target)
    np.testing.assert_array_equal(place.nodes, upright.nodes)
    assert (place.wrong, place.marks_wrong, place.rivals) == (0.0, 0, 0)


@pytest.mark.parametrize("target", TARGETS, ids=lambda t: f"{t.pattern}{t.columns}x{t.rows}")
def test_mirrored_grid_has_no_seat_without_fault(target):
    place = seat(evidence_of(target).mirrored(), target)
    assert place is None or place.marks_wrong > 0
    back = seat(evidence_of(target).mirrored().mirrored(), target)
    assert back.wrong == 0


def part(evidence, rows, columns):
    """Return a part of the evidence: nodes, and the squares between and around them."""
    more = evidence.seen.shape[0] - evidence.nodes.shape[0]
    cells = slice(rows.start, rows.stop + more), slice(columns.start, columns.stop + more)
    return Evidence(evidence.nodes[rows, columns], evidence.dark[cells], evidence.seen[cells])


def test_a_part_of_a_charuco_knows_its_place():
    target = new_target("charuco", 10, 17, 12)
    window = part(evidence_of(target), slice(4, 7), slice(9, 13))
    place = seat(window.quarter_turn(), target)
    np.testing.assert_array_equal(place.nodes[4:7, 9:13], window.nodes)
    assert np.isnan(place.nodes[..., 0]).sum() == 16 * 11 - 12


def test_a_part_of_a_checker_knows_its_place_by_the_mark_only():
    target = new_target("checker", 10, 17, 12)
    with_mark = seat(part(evidence_of(target), slice(0, 5), slice(0, 6)), target)
    assert (with_mark.rivals, with_mark.marks_seen) == (0, 3)
    without = seat(part(evidence_of(target), slice(4, 9), slice(6, 12)), target)
    assert without.rivals > 0
    assert not without.same_cells


def test_plain_targets_leave_the_half_turn_open_only_where_colours_do():
    even = new_target("checker", 10, 8, 6, marked=False)
    odd = new_target("checker", 10, 8, 7, marked=False)
    dots = new_target("dots", 10, 8, 6, marked=False)
    assert [(seat(evidence_of(t), t).rivals, seat(evidence_of(t), t).same_cells) for t in (even, odd, dots)] == [
        (1, True),
        (0, True),
        (1, True),
    ]
    # Of both, the one whose +x points to the right in the picture.
    upside_down = evidence_of(even).quarter_turn().quarter_turn()
    np.testing.assert_array_equal(seat(upside_down, even).nodes, evidence_of(even).nodes)


def test_wrong_bits_are_borne_as_long_as_they_are_few():
    target = new_target("charuco", 10, 8, 6)
    clean = evidence_of(target)
    noise = np.random.default_rng(3).random(clean.dark.shape)
    few = Evidence(clean.nodes, clean.dark ^ (noise < 0.03), clean.seen)
    assert seat(few, target).rivals == 0
    many = Evidence(clean.nodes, clean.dark ^ (noise < 0.2), clean.seen)
    assert seat(many, target) is None


def test_local_shape_is_exact_on_a_quadratic_map():
    # Second differences of a quadratic are its second derivatives, also carried to the border (closed form).
    y, x = np.mgrid[:5, :6].astype(float)
    nodes = np.stack([3 + 20 * x + 2 * y + 0.3 * x * x - 0.2 * y * y, 7 + x - 19 * y + 0.1 * x * x + 0.4 * y * y], 2)
    shape = local_shape(nodes)
    assert shape.ids.tolist() == list(range(30))
    u, v = x.ravel(), y.ravel()
    np.testing.assert_allclose(shape.jacobian[:, 0, 0], 20 + 0.6 * u)
    np.testing.assert_allclose(shape.jacobian[:, 1, 1], -19 + 0.8 * v)
    np.testing.assert_allclose(shape.second[:, 0], np.tile([0.6, 0.2], (30, 1)))
    np.testing.assert_allclose(shape.second[:, 2], np.tile([-0.4, 0.8], (30, 1)))


def test_local_shape_is_exact_on_a_cubic_line_up_to_its_ends():
    x = np.arange(6.0)
    line = 3 + 20 * x + 0.3 * x**2 - 0.04 * x**3
    nodes = np.stack([np.tile(line, (3, 1)), -30 * np.arange(3.0)[:, None] + np.zeros(6)], axis=2)
    shape = local_shape(nodes)
    at_ends = np.isin(shape.ids % 6, [0, 5])
    exact = 20 + 0.6 * x - 0.12 * x**2
    np.testing.assert_allclose(shape.jacobian[at_ends, 0, 0], exact[shape.ids[at_ends] % 6])
    np.testing.assert_allclose(shape.second[:, 0, 0], (0.6 - 0.24 * x)[shape.ids % 6])


def test_local_shape_bridges_gaps_and_drops_what_stands_alone():
    y, x = np.mgrid[:4, :4].astype(float)
    nodes = np.stack([30 * x, -30 * y], axis=2)
    nodes[1, 1] = nodes[0, 3] = nodes[1, 3] = nodes[0, 2] = np.nan
    shape = local_shape(nodes)
    assert 5 not in shape.ids
    np.testing.assert_allclose(shape.jacobian, np.tile(np.diag([30.0, -30.0]), (len(shape.ids), 1, 1)))


def test_curvature_of_a_circle():
    # A row of nodes on a circle of radius 500 px bends with 1/500, towards the centre.
    angle = np.arange(7) * 0.06
    rows = [np.column_stack([r * np.sin(angle), -r * np.cos(angle)]) + 1000 for r in (500.0, 530.0, 560.0)]
    shape = local_shape(np.stack(rows))
    middle = shape.ids == 10
    assert shape.curvature[middle, 0] == pytest.approx(1 / 530, rel=2e-3)


def test_levels_map_places_there_and_back():
    picture = np.zeros((1501, 2003), np.uint8)
    levels = Levels(picture)
    assert [levels.at(step).grey.shape for step in levels.steps] == [(375, 500), (750, 1001), (1501, 2003)]
    coarse = levels.at(levels.steps[0])
    # The first pixel of the level covers 4 × 4 pixels whose middle is 1.5.
    np.testing.assert_allclose(coarse.to_picture(np.zeros((1, 2))), [[1.5, 1.5]])
    places = np.array([[3.3, 700.1]])
    np.testing.assert_allclose(coarse.to_picture(coarse.from_picture(places)), places)


def test_level_is_the_mean_of_its_pixels():
    picture = np.random.default_rng(0).integers(0, 255, (1600, 1600)).astype(np.uint16)
    level = Levels(picture).at(2)
    assert level.grey[10, 20] == pytest.approx(picture[40:44, 80:84].mean(), abs=0.8)  # halves are rounded


@pytest.mark.parametrize("axes", [(12.0, 12.0), (20.0, 11.0), (5.0, 5.0)])
def test_blob_has_the_centre_and_the_axes_of_its_ellipse(axes):
    y, x = np.mgrid[:160, :200] - np.array([80.3, 99.6])[:, None, None]
    c, s = np.cos(0.5), np.sin(0.5)
    u, v = (c * x + s * y) / axes[0], (c * y - s * x) / axes[1]
    edge = (np.hypot(u, v) - 1) * np.sqrt(axes[0] * axes[1])
    grey = (200 - 160 / (1 + np.exp(3 * edge))).astype(np.float32)
    found = find_blobs(grey)
    assert len(found.xy) == 1
    np.testing.assert_allclose(found.xy[0], [99.6, 80.3], atol=0.05)
    np.testing.assert_allclose(np.linalg.eigvalsh(found.axes[0]), sorted(axes), rtol=0.05)


@pytest.mark.parametrize(
    ("picture", "error", "sentence"),
    [
        (np.zeros((1, 1), np.uint8), NothingFound, "the picture has 1 × 1 px, too few to show a target"),
        (np.zeros((5, 4000), np.uint8), NothingFound, "the picture has 4000 × 5 px, too few to show a target"),
        (np.zeros((64, 64, 3), np.uint8), UnusablePicture, "two dimensions, this one has 3"),
        (np.zeros((64, 64)), UnusablePicture, "a picture of float64 cannot be measured"),
        (np.full((64, 64), np.nan, np.float32), UnusablePicture, "numbers that are not finite"),
        (np.full((64, 64), 128, np.uint8), NothingFound, "its grey levels span 0.0 % of their range; it needs light"),
    ],
)
@pytest.mark.parametrize("pattern", ["charuco", "checker", "dots"])
def test_what_is_no_picture_of_a_target_is_answered_in_a_sentence(picture, error, sentence, pattern):
    with pytest.raises(error, match=sentence):
        find_target(picture, new_target(pattern, 10, 7, 5))
