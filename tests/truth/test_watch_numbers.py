"""The watch's numbers against closed forms, published tables and other libraries."""

import numpy as np
import pytest
from scipy import ndimage, special, stats
from skimage import filters, measure, registration
from tests.helpers.watched_station import scene

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.watch import dirt, shares, tally
from tiepoint.station.watch.chart import Centre, Course, Rule, centre_of, follow, points_until, rule_of, step_of
from tiepoint.station.watch.chart import width_for as width
from tiepoint.station.watch.forecast import clock_jump, disk_forecast
from tiepoint.station.watch.look import look_at_edges, look_at_patch
from tiepoint.station.watch.motion import moved
from tiepoint.studies.control import run_length

# --- charts ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("weight", "published"),
    # Lucas & Saccucci, Technometrics 32 (1990): L for one false alarm in 500, from memory.
    [(0.4, 3.054), (0.25, 2.998), (0.2, 2.962), (0.1, 2.814), (0.05, 2.615)],
)
def test_widths_are_the_published_ones(weight, published):
    assert width(500.0, weight) == pytest.approx(published, abs=6e-4)


def test_false_alarms_by_simulation_come_as_often_as_stated():
    rule, rng, n = rule_of(Centre(7.0, 2.0, 10**9), 500.0, 0.0), np.random.default_rng(2), 1500
    z, alive, lengths, k = np.zeros(n), np.ones(n, bool), np.zeros(n), 0
    while alive.any():
        k += 1
        z = rule.weight * 2 * rng.normal(size=n) + (1 - rule.weight) * z
        out = alive & (np.abs(z) > rule.limit)
        lengths[out] = k
        alive &= ~out
    assert abs(lengths.mean() - 500) < 4 * lengths.std() / np.sqrt(n)


def test_the_chart_is_the_recursion_that_was_simulated():
    rule, rng = Rule(7.0, 1.1, 0.1, 20), np.random.default_rng(1)
    course, z = Course(), 0.0
    for k, value in enumerate(7.0 + rng.normal(size=300)):
        course, z = follow(course, rule, value, f"t{k}"), 0.1 * (value - 7.0) + 0.9 * z
        assert course.z == pytest.approx(z, abs=1e-12)
    assert len(course.recent) == len(course.recent_utc) == 60


@pytest.mark.parametrize("n", [5, 20, 60])
def test_a_scatter_known_from_few_shots_does_not_make_false_alarms_more_frequent(n):
    rng, runs = np.random.default_rng(n), []
    for _ in range(300):
        held = rng.normal(0, 1, n)
        rule = rule_of(centre_of(held), 1e4, 0.0)
        reach = rule.limit / np.sqrt(rule.weight / (2 - rule.weight))
        # What such a chart's run length truly is: σ is 1, the true mean 0. Far limits are beyond the equation's digits.
        is_far = reach - abs(rule.centre) / np.sqrt(rule.weight / (2 - rule.weight)) > 5.5
        runs.append(1e9 if is_far else run_length(-rule.centre, rule.weight, reach))
    assert np.mean(np.array(runs) >= 1e4) > 0.93


@pytest.mark.parametrize("run", [3e6, 9e8, 1e10])
def test_widths_for_long_runs_are_those_of_a_markov_chain(run):
    # Brook & Evans, Biometrika 59 (1972) 539: another method than the integral equation; 401 and 801 states, and the
    # error of the states' width, which goes by its square, taken off (Richardson).
    def chain(states):
        reach = width(run) * np.sqrt(0.1 / 1.9)
        side = 2 * reach / states
        middles = -reach + (np.arange(states) + 0.5) * side
        ends = (middles[None] + side / 2 - 0.9 * middles[:, None]) / 0.1
        stay = special.ndtr(ends) - special.ndtr(ends - side / 0.1)
        return np.linalg.solve(np.eye(states) - stay, np.ones(states))[states // 2]

    assert (4 * chain(801) - chain(401)) / 3 == pytest.approx(run, rel=1e-3)


@pytest.mark.parametrize(("n", "charts"), [(10, 20), (50, 200)])
def test_all_charts_of_a_station_together_keep_as_quiet_as_stated_in_19_of_20_stations(n, charts):
    # Own simulation of what is held: each chart's true rate of false alarms, σ 1 and mean 0, summed over the station.
    quiet, rng, h, kept = 3e6, np.random.default_rng(n), np.sqrt(0.1 / 1.9), 0
    reaches = np.linspace(0.2, 6.2, 60)
    runs = [np.log(run_length(0.0, 0.1, reach)) for reach in reaches]
    for _ in range(200):
        centres = [centre_of(held) for held in rng.normal(0, 1, (charts, n))]
        rules = [rule_of(centre, quiet * charts, 0.0, charts=charts) for centre in centres]
        # To the nearer limit from the true mean, as if both were that near: none is taken for quieter than it is.
        nearer = [(rule.limit - abs(rule.centre)) / h for rule in rules]
        kept += np.exp(-np.interp(nearer, reaches, runs)).sum() <= 1 / quiet
    assert kept >= 190 - 3 * np.sqrt(200 * 0.05 * 0.95)


@pytest.mark.parametrize(("change", "at"), [(3.0, 100), (-1.5, 140), (8.0, 20)])
def test_since_when_and_by_how_much(change, at):
    misses, sizes = [], []
    for seed in range(60):
        rng, rule, course = np.random.default_rng(seed), rule_of(Centre(0.0, 1.0, 10**9), 1e6, 0.0), Course()
        for k in range(400):
            course = follow(course, rule, rng.normal() + change * (k >= at), str(k))
            if course.is_out:
                break
        step = step_of(course)
        misses.append(int(step.since_utc) - at)
        sizes.append(step.change)
        assert step.points == course.n - int(step.since_utc)
    assert abs(np.median(misses)) <= 1
    assert np.mean(np.abs(misses) <= 3) > 0.75
    assert np.mean(sizes) == pytest.approx(change, rel=0.15)


def test_points_until_an_alarm_by_the_geometric_series():
    rule, course, k = Rule(0.0, 1.0), Course(), 0
    while not course.is_out:
        k += 1
        course = follow(course, rule, 2.5, "")
    assert k == points_until(2.5, rule) == np.ceil(np.log(0.6) / np.log(0.9))
    assert points_until(0.9, rule) == np.inf


def test_a_chart_that_ends_has_been_calm_and_does_not_flap():
    rule, course, turns = Rule(0.0, 1.0), Course(), 0
    rng = np.random.default_rng(0)
    for _ in range(20_000):  # a number that wanders about its very limit
        before, course = course, follow(course, rule, 1.0 + 0.3 * rng.normal(), "")
        turns += before.is_out and not course.is_out
    assert turns == 0


def test_what_cannot_be_held_or_had():
    with pytest.raises(UnusableInput, match="4 points cannot be held as accepted"):
        centre_of(np.zeros(4))
    with pytest.raises(UnusableInput, match="one false alarm in 2 points cannot be had"):
        width(2.0)


# --- pictures --------------------------------------------------------------------------------------------------------


def test_sharpness_is_the_sobel_slope_of_another_library_over_the_scatter():
    patch = scene(np.random.default_rng(4))[380:440, 40:120]
    # scikit-image divides by 4 and by √2 where a slope in 1/px takes 8 and the plain root.
    slope = filters.sobel(patch.astype(float))[1:-1, 1:-1] / np.sqrt(2)
    told = look_at_patch(patch, 255.0)
    assert told.sharpness == pytest.approx(np.sqrt(np.mean(slope**2)) / patch.std(), rel=1e-5)
    assert told.grey == pytest.approx(patch.mean(), rel=1e-6)


def test_sharpness_of_a_wave_is_its_spatial_frequency_and_light_does_not_change_it():
    x = np.arange(400.0)
    wave = np.tile(120 + 50 * np.cos(2 * np.pi * x / 40), (50, 1)).astype(np.float32)
    # Sobel's central difference sees sin(ω) where ω is asked; its border, of no slope here, is left out.
    assert look_at_patch(wave, 255.0).sharpness == pytest.approx(np.sin(2 * np.pi / 40), rel=3e-3)
    assert look_at_patch(0.5 * wave + 20, 255.0).sharpness == pytest.approx(look_at_patch(wave, 255.0).sharpness)
    assert look_at_patch(np.full((5, 5), 9, np.uint8), 255.0).sharpness is None


def test_saturated_and_black_shares_are_counted():
    patch = np.full((10, 10), 100, np.uint8)
    patch[:3], patch[9, :4] = 255, 2
    told = look_at_patch(patch, 255.0)
    assert (told.saturated, told.black) == (0.3, 0.04)


def test_a_moved_camera_is_told_as_another_library_tells_it():
    places = np.array([[500.0, 120], [580, 120], [540, 80], [540, 160]])
    ways = np.array([[1.0, 0], [1, 0], [0, 1], [0, 1]])
    was, now = (scene(np.random.default_rng(k), shift=s) for k, s in ((1, (0.0, 0.0)), (2, (0.3, -0.2))))
    along = [look_at_edges(p, places, ways, 24, 24).along for p in (was, now)]
    told = moved(places, ways, along[1] - along[0])
    box = np.s_[60:180, 480:600]
    other = registration.phase_cross_correlation(was[box], now[box], upsample_factor=100, normalization=None)[0]
    assert (told.x_px, told.y_px) == pytest.approx((0.3, -0.2), abs=0.02)
    assert (told.x_px, told.y_px) == pytest.approx((-other[1], -other[0]), abs=0.05)
    assert told.turn_rad is None  # strips that all look at the middle feel no turn


def test_shift_turn_and_scale_of_places_that_were_moved_so():
    rng = np.random.default_rng(3)
    places, angles = rng.uniform(0, 600, (7, 2)), rng.uniform(0, np.pi, 7)
    ways = np.column_stack([np.cos(angles), np.sin(angles)])
    r = places - places.mean(axis=0)
    shifts = np.sum(ways * (np.array([0.4, -0.1]) + 2e-3 * r + 1e-3 * np.column_stack([-r[:, 1], r[:, 0]])), axis=1)
    told = moved(places, ways, shifts)
    assert (told.x_px, told.y_px, told.turn_rad, told.scale) == pytest.approx((0.4, -0.1, 1e-3, 2e-3))
    parallel = moved(places[:2], np.array([[0.0, 1.0], [0.0, -1.0]]), np.array([0.2, -0.2]))
    assert (parallel.along_px, parallel.x_px) == (pytest.approx(0.2), None)


def test_a_spot_is_where_it_was_drawn_and_as_large_as_another_library_says():
    rng = np.random.default_rng(5)
    quiet = np.stack([dirt.reduced(scene(rng), 5) for _ in range(40)])
    dirty = np.stack([dirt.reduced(scene(rng, spot=(420, 330, 30, 0.7), light=0.9), 5) for _ in range(25)])
    ground = dirt.ground_of(quiet, 5, dirt.slope_of(scene(rng), 5))
    (spot,) = dirt.spots_of(dirty, ground, 0.04)
    assert (spot.x_px, spot.y_px) == pytest.approx((420, 330), abs=1)
    assert spot.change == pytest.approx(-0.3, abs=0.03)
    ratio = np.median(dirty, axis=0) / np.median(quiet, axis=0) / 0.9
    (region,) = measure.regionprops(measure.label(np.abs(ratio - 1) > 0.045))
    assert spot.diameter_px == pytest.approx(5 * region.equivalent_diameter_area, rel=0.1)
    assert dirt.spots_of(quiet[:25], ground, 0.04) == ()


def test_what_lies_elsewhere_each_time_is_no_dirt_and_a_gradient_of_light_is_none():
    rng, ring = np.random.default_rng(6), []
    quiet = np.stack([dirt.reduced(scene(rng), 5) for _ in range(25)])
    ground = dirt.ground_of(quiet, 5, dirt.slope_of(scene(rng), 5))
    ramp = np.linspace(0.9, 1.0, 640)[None]
    for _ in range(25):
        picture = scene(rng) * ramp
        x, y = rng.integers(50, 400, 2)
        picture[y : y + 40, x : x + 40] *= 0.5
        ring.append(dirt.reduced(picture, 5))
    assert dirt.spots_of(np.stack(ring), ground, 0.04) == ()


def test_a_part_that_lies_a_little_otherwise_each_time_leaves_no_spots_at_its_border():
    # By own drawing: a plate whose border wanders by some px (σ 4) from one part to the next, as in a loose fixture.
    # 300 medians of the same law, each held from 50 and seen again in 25.
    rng, x, told = np.random.default_rng(11), np.arange(320.0), []

    def ring(count):
        borders = 160 + 4 * rng.standard_normal(count)
        rows = 15 + 160 * special.ndtr((x - borders[:, None]) / 1.5) + rng.normal(0, 0.5, (count, 320))
        return rows.reshape(count, 1, 40, 8).mean(axis=3).repeat(2, axis=1).astype(np.float32)

    slope = dirt.slope_of(np.tile(15 + 160 * special.ndtr((x - 160) / 1.5), (16, 1)), 8)
    for _ in range(300):
        ground = dirt.ground_of(ring(50), 8, slope)
        told.append(len(dirt.spots_of(ring(25), ground, 0.04)))
        if not told[-1]:
            dirty = ring(25)
            dirty[:, :, 10] *= 0.8
            assert dirt.spots_of(dirty, ground, 0.04)  # and dirt beside the border is told all the same
    assert np.count_nonzero(told) <= 3


def test_a_camera_that_moved_leaves_no_spots_however_fine_what_it_sees():
    # Lines 8 px apart in blocks of 5 px: what blocks show of them has another period, and moves all the same.
    rng = np.random.default_rng(7)
    quiet = np.stack([dirt.reduced(scene(rng), 5) for _ in range(25)])
    ground = dirt.ground_of(quiet, 5, dirt.slope_of(scene(rng), 5))
    moved_by = np.stack([dirt.reduced(scene(rng, shift=(0.8, -0.5)), 5) for _ in range(25)])
    assert dirt.spots_of(moved_by, ground, 0.04) == ()


def test_blocks_are_averages():
    picture = np.random.default_rng(0).integers(0, 255, (23, 31)).astype(np.uint8)
    blocks = picture[:20, :30].reshape(4, 5, 6, 5).mean(axis=(1, 3))
    assert dirt.reduced(picture, 5) == pytest.approx(blocks, abs=1e-3)
    assert dirt.reduced(picture, 5).shape == ndimage.zoom(blocks, 1).shape


# --- parts, disk, clock ----------------------------------------------------------------------------------------------


def test_a_share_is_above_what_was_accepted_where_another_library_shows_it():
    for events in range(0, 201, 5):
        block = shares.Block(200, 200, events)
        p = stats.binomtest(events, 200, 0.02, alternative="greater").pvalue
        assert (shares.is_above(block, 0.02, 1e6) is not None) == (p < 200 / 1e6 / 2)


def test_false_alarms_of_a_share_are_no_more_than_stated():
    # Exactly, by the binomial law: blocks of 20 and 200 at the accepted share, one false alarm in `run` parts at most.
    run, most, per_part = 1e4, 0.02, 0.0
    for size in shares.BLOCKS:
        out = [k for k in range(size + 1) if shares.is_above(shares.Block(size, size, k), most, run)]
        per_part += stats.binom.sf(min(out) - 1, size, most) / size
    assert per_part <= 1 / run


def test_a_lots_margin_has_the_level_that_is_stated():
    rng, n, below = np.random.default_rng(1), 20, 0
    for values in rng.normal(0, 1, (4000, n)):
        lot = shares.Lot()
        for value in values:
            lot = shares.added(lot, float(value))
        told = shares.margin(lot, (None, 3.0), 3.0)
        assert told is not None
        below += told.p < 0.05
    assert (lot.mean, lot.sigma) == pytest.approx((values.mean(), values.std(ddof=1)))
    assert told.p == pytest.approx(stats.nct.cdf(np.sqrt(n) * told.sigmas, n - 1, np.sqrt(n) * 3), rel=1e-6)
    assert stats.binomtest(below, 4000, 0.05).pvalue > 0.01
    assert [k for k in range(400) if shares.is_due(k)] == [10, 20, 40, 80, 160, 320]


def test_the_disks_slope_is_another_librarys():
    rng = np.random.default_rng(2)
    t = np.arange(40) * 60.0
    free = 1e11 - 3e6 * t + rng.normal(0, 1e7, 40)
    free[20:] += 2e10  # something was deleted
    told = disk_forecast(list(zip(t, free, strict=True)))
    slope = stats.theilslopes(free, t).slope
    assert told is not None
    assert told.per_hour == pytest.approx(-3600 * slope)
    assert told.hours_left == (pytest.approx(free[-1] / told.per_hour) if slope < 0 else np.inf)
    assert disk_forecast([(0.0, 1.0)] * 9) is None
    assert clock_jump((100.0, 5.0), (-3499.0, 6.0), 2.0) == -3600.0
    assert clock_jump((100.0, 5.0), (101.5, 6.0), 2.0) == 0.0


def test_what_was_tried_is_told_with_its_bound():
    told = tally.Tally()
    for _ in range(212):
        told = tally.counted(told, "0.4 mm gap", True, "2026-11-26")
    for k in range(100):
        told = tally.counted(told, tally.CONTROL, k == 7, "2026-11-26")
    low = stats.binomtest(212, 212, alternative="greater").proportion_ci(0.95, "exact").low
    high = stats.binomtest(1, 100, alternative="less").proportion_ci(0.95, "exact").high
    assert low == pytest.approx(0.98597, abs=1e-5)
    assert high == pytest.approx(0.04656, abs=1e-5)
    assert tally.sentences(told) == [
        "0.4 mm gap: 212 of 212 today, at least 98.6 %",
        "copies without a defect: 1 of 100 did not conform today, at most 4.7 %",
    ]
    assert tally.hour_over(told).today == told.today
    assert tally.counted(told, "0.4 mm gap", False, "2026-11-27").today == {"0.4 mm gap": tally.Tried(0, 1)}
