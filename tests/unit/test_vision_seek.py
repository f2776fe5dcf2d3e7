"""What the shape finder refuses, tells and keeps, on scenes drawn for the purpose."""

import math
import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tiepoint.foundation.errors import NothingFound, UnusableInput
from tiepoint.vision.seek import seek
from tiepoint.vision.seek_model import ROUND, Pose, Taught
from tiepoint.vision.seek_teach import teach, teach_outline

scenes = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "helpers" / "shape_scenes.py")))

ORIGIN = Pose(250.3, 249.6, 0.2)
EVERYTHING = np.ones((500, 500), bool)


def picture(loops, poses, *, shape=(500, 500), low=60.0, high=180.0, noise=2.0, seed=0, **taken):
    canvas = np.full(shape, float(low))
    for pose in poses:
        scenes.put(canvas, scenes.placed(loops, *pose), high, 0.8)
    return scenes.taken(canvas, noise, np.random.default_rng(seed), **taken)


@pytest.fixture(scope="module")
def taught():
    return teach(picture(scenes.bracket(), [(250.3, 249.6, 0.2)]), EVERYTHING, ORIGIN)


def test_its_own_picture_gives_the_pose_it_was_taught_at(taught):
    found = seek(picture(scenes.bracket(), [(250.3, 249.6, 0.2)]), taught).found[0]
    assert (found.pose.x, found.pose.y, found.pose.angle) == pytest.approx((250.3, 249.6, 0.2), abs=1e-4)
    assert found.share == 1.0
    assert found.ambiguous == ()
    assert found.runner_up < 0.6


def test_a_shape_survives_being_written_down(taught):
    again = Taught.from_plain(taught.to_plain())
    one, other = (seek(picture(scenes.bracket(), [(240.0, 260.0, 2.0)]), t).found[0] for t in (taught, again))
    assert one.pose == other.pose
    np.testing.assert_array_equal(one.cov, other.cov)
    damaged = taught.to_plain()
    damaged["normals"] = damaged["normals"][1:]
    with pytest.raises(UnusableInput, match="damaged"):
        Taught.from_plain(damaged)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_all_depths_are_read_and_nothing_depends_on_the_run(taught, dtype):
    seen = picture(scenes.bracket(), [(233.7, 261.2, -2.5)], dtype=dtype)
    one, other = seek(seen, taught).found[0], seek(seen, taught).found[0]
    assert one.pose == other.pose
    assert (one.pose.x, one.pose.y) == pytest.approx((233.7, 261.2), abs=0.02)
    assert one.pose.angle == pytest.approx(-2.5, abs=2e-4)


def test_several_are_found_even_where_they_overlap(taught):
    truth = [(250.0, 250.0, 0.5), (700.0, 260.0, -1.0), (420.0, 600.0, 2.2), (620.0, 640.0, 3.0)]
    seen = picture(scenes.bracket(), truth, shape=(900, 1000))
    found = seek(seen, taught, most=6).found
    assert len(found) == 4
    for x, y, angle in truth:
        one = min(found, key=lambda f: math.hypot(f.pose.x - x, f.pose.y - y))
        assert math.hypot(one.pose.x - x, one.pose.y - y) < 0.5
        assert abs((one.pose.angle - angle + math.pi) % math.tau - math.pi) < math.radians(0.3)
    assert list(found) == sorted(found, key=lambda f: -f.share)
    # Asked for one, the others are what it may be mistaken for.
    assert seek(seen, taught).found[0].runner_up > 0.8


def test_scale_is_found_when_asked(taught):
    canvas = np.full((600, 600), 60.0)
    scenes.put(canvas, scenes.placed(scenes.bracket(), 300.0, 290.0, 1.0, 1.13), 180.0, 0.8)
    seen = scenes.taken(canvas, 2.0, np.random.default_rng(1))
    found = seek(seen, taught, scales=(0.8, 1.25)).found[0]
    assert found.pose.scale == pytest.approx(1.13, abs=5e-4)
    assert (found.pose.x, found.pose.y) == pytest.approx((300.0, 290.0), abs=0.05)
    assert found.cov[3, 3] > 0


def test_nothing_found_tells_how_near_it_came(taught):
    empty = scenes.taken(np.full((500, 500), 90.0), 2.0, np.random.default_rng(2))
    assert seek(empty, taught).found == ()
    other = picture([scenes.circle(0, 0, 120)], [(250.0, 250.0, 0.0)])
    told = seek(other, taught)
    assert told.found == ()
    assert 0 < told.best_share < 0.5


def test_limits_are_kept(taught):
    seen = picture(scenes.bracket(), [(250.0, 250.0, 1.0)])
    assert seek(seen, taught, angles=(-0.5, 0.5)).found == ()
    assert seek(seen, taught, bounds=(10.0, 10.0, 150.0, 150.0)).found == ()
    assert len(seek(seen, taught, bounds=(200.0, 200.0, 300.0, 300.0), angles=(0.9, 1.1)).found) == 1
    ignored = np.zeros(seen.shape, bool)
    ignored[:, :250] = True
    half = seek(seen, taught, ignore=ignored, least_share=0.3).found[0]
    assert 0.3 < half.share < 0.7
    assert not half.edges.seen[half.edges.px[:, 0] < 248].any()


def test_a_round_shape_has_no_angle_and_a_square_four():
    disc = picture([scenes.circle(0, 0, 80)], [(250.3, 249.6, 0.0)])
    round_ = teach(disc, EVERYTHING, Pose(250.3, 249.6, 0.0))
    assert round_.turns == ROUND
    found = seek(picture([scenes.circle(0, 0, 80)], [(221.4, 260.9, 0.0)]), round_).found[0]
    assert not found.angle_known
    assert (found.pose.x, found.pose.y) == pytest.approx((221.4, 260.9), abs=0.02)
    side = [scenes.rounded([(-70, -70), (70, -70), (70, 70), (-70, 70)], 8)]
    square = teach(picture(side, [(250.3, 249.6, 0.0)]), EVERYTHING, Pose(250.3, 249.6, 0.0))
    assert square.turns == 4
    at = seek(picture(side, [(240.0, 255.0, 2.0)]), square).found[0]
    assert at.pose.angle == pytest.approx(2.0 - math.pi / 2, abs=5e-4)
    assert np.degrees(at.ambiguous) == pytest.approx([90, 180, 270])


def test_a_half_turn_is_told_by_a_notch_and_not_without_it():
    corners = [(-100, -50), (44, -50), (44, -34), (60, -34), (60, -50), (100, -50), (100, 50), (-100, 50)]
    notched = scenes.rounded(corners, 3)
    taught = teach(picture([notched], [(250.3, 249.6, 0.0)]), EVERYTHING, Pose(250.3, 249.6, 0.0))
    assert taught.turns == 1
    assert any(abs(a[2] - math.pi) < 0.1 for a in taught.alike)
    told = seek(picture([notched], [(245.0, 252.0, 3.0)]), taught).found[0]
    assert abs((told.pose.angle - 3.0 + math.pi) % math.tau - math.pi) < 1e-3
    assert told.flags == ()
    covered = picture([notched], [(250.0, 250.0, 0.0)])
    # Neither the notch is seen nor, at the other end, that there is none.
    covered[:, 285:320] = covered[:, 180:215] = 120
    hidden = seek(covered, taught).found[0]
    assert "angle_ambiguous" in hidden.flags
    assert any(abs(a - math.pi) < 0.1 for a in hidden.ambiguous)


def test_drawn_lines_are_found_either_way_round():
    loops = [np.vstack([loop, loop[:1]]) for loop in scenes.bracket()]
    drawn = teach_outline(loops, pixel=1.0)
    assert not drawn.signed
    for low, high, inverted in ((60, 180, True), (180, 60, False)):
        found = seek(picture(scenes.bracket(), [(240.6, 255.1, 1.3)], low=low, high=high), drawn).found[0]
        assert found.inverted is inverted
        assert (found.pose.x, found.pose.y) == pytest.approx((240.6, 255.1), abs=0.05)
    bright = teach_outline(loops, pixel=1.0, inside="bright")
    assert len(seek(picture(scenes.bracket(), [(240.6, 255.1, 1.3)]), bright).found) == 1
    assert seek(picture(scenes.bracket(), [(240.6, 255.1, 1.3)], low=180, high=60), bright).found == ()


def test_what_cannot_be_taught_is_refused():
    even = scenes.taken(np.full((200, 200), 90.0), 2.0, np.random.default_rng(3))
    everything = np.ones(even.shape, bool)
    at = Pose(100.0, 100.0, 0.0)
    with pytest.raises(NothingFound, match=r"no edges stand out|only"):
        teach(even, everything, at)
    stripes = picture(
        [np.array([(-300, -40), (300, -40), (300, 40), (-300, 40)], float)], [(100, 100, 0.1)], shape=(200, 200)
    )
    with pytest.raises(NothingFound, match="fits everywhere along its own edges"):
        teach(stripes, everything, at)
    with pytest.raises(UnusableInput, match="leaves no pixel"):
        teach(even, np.zeros(even.shape, bool), at)
    with pytest.raises(UnusableInput, match="the mask is"):
        teach(even, np.ones((3, 3), bool), at)
    with pytest.raises(UnusableInput, match="at least three corners"):
        teach(even, np.array([[0.0, 0.0], [math.nan, 1.0], [2.0, 2.0]]), at)
    with pytest.raises(UnusableInput, match="no place"):
        Pose(math.nan, 0.0, 0.0)
    with pytest.raises(NothingFound, match="fits everywhere"):
        teach_outline([np.array([[0.0, 0.0], [100.0, 0.0]])], pixel=0.1)
    with pytest.raises(UnusableInput, match="at least two points"):
        teach_outline([], pixel=0.1)


def test_what_cannot_be_asked_is_refused(taught):
    seen = picture(scenes.bracket(), [(250.0, 250.0, 1.0)])
    for asked, says in (
        ({"scales": (0.0, 1.0)}, "scales 0 to 1"),
        ({"scales": (0.5, 2.0)}, "choose them between 0.8 and 1.25"),
        ({"angles": (1.0, math.nan)}, "no range"),
        ({"most": 0}, "most is 0"),
        ({"least_share": 0.0}, "least_share is 0"),
        ({"bounds": (5.0, 5.0, 1.0, 1.0)}, "no box"),
    ):
        with pytest.raises(UnusableInput, match=says):
            seek(seen, taught, **asked)
    with pytest.raises(UnusableInput, match="grey pictures"):
        seek(np.zeros((20, 20, 3), np.uint8), taught)
