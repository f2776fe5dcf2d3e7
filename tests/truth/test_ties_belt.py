"""The belt against closed forms."""

import json
import math

import numpy as np
import pytest

from tiepoint.foundation.errors import PoorGeometry, UnusableDocument, UnusableInput
from tiepoint.foundation.sources import Values
from tiepoint.ties.belt import belt_of, from_document, parts_in_flight, to_document


def test_a_mark_seen_twice_gives_travel_and_direction_with_their_u():
    # 10,000 counts over 800 mm at 0.5°: 0.08 mm per count, and 800·sin 0.5° = 6.98 mm aside.
    end = 800 * np.array([math.cos(math.radians(0.5)), math.sin(math.radians(0.5))])
    belt = belt_of([0, 10000], [[0, 0], end], "b", u_mm=0.1)
    assert belt.mm_per_count.value == pytest.approx(0.08)
    assert math.degrees(belt.direction_rad.value) == pytest.approx(0.5)
    assert belt.direction_rad.u == pytest.approx(math.sqrt(2) * 0.1 / 800)
    here = Values(np.array([5.0, 6.0, 0.3]), np.zeros((3, 0)), ())
    later = belt.advance(here, 100, 10100)
    assert later.value == pytest.approx([5 + end[0], 12.98, 0.3], abs=2e-3)
    assert later[0].u == pytest.approx(math.sqrt(2) * 0.1)
    assert belt.advance(here, 0, 20000)[0].u == pytest.approx(2 * later[0].u)


def test_a_counter_that_begins_anew_is_followed():
    belt = belt_of([65000, 464], [[0, 0], [100, 0]], "b", 0.1, wrap=65536)
    assert belt.mm_per_count.value == pytest.approx(0.1)
    assert belt.advance(Values(np.zeros(2), np.zeros((2, 0)), ()), 65500, 64).value == pytest.approx([10, 0])


@pytest.mark.parametrize(
    ("counts", "places", "kind"),
    [([0, 9], [[0, 0], [9, 0]], PoorGeometry), ([5, 5, 5], [[0, 0], [1, 0], [2, 0]], PoorGeometry),
     ([0, 1], [[0, 0], [math.nan, 0]], UnusableInput), ([0, 1, 2], [[0, 0], [3, 0], [0, 0]], PoorGeometry)],
)  # fmt: skip
def test_what_tells_no_travel_is_refused(counts, places, kind):
    with pytest.raises(kind):
        belt_of(counts, places, "b")


def seen(counts, velocity, start=(10.0, 20.0)):
    return np.array(start) + np.outer(counts, velocity)


def test_a_wrong_row_is_named_with_the_count_that_it_fits():
    counts = np.array([0.0, 1000, 2000, 3000, 4000])
    places = seen(counts, (0.08, 0.001)) + np.random.default_rng(1).normal(0, 0.02, (5, 2))
    assert belt_of(counts, places, "b").scatter_mm == pytest.approx(0.02, rel=0.5)
    mistyped = counts.copy()
    mistyped[3] = 3300
    with pytest.raises(UnusableInput, match=r"row 4 does not belong.*24 mm away \(its place fits the count 300\d"):
        belt_of(mistyped, places, "b")
    places[1, 1] += 7.0
    with pytest.raises(
        UnusableInput, match=r"^row 2 does not belong to the others: .*, (6\.9\d|7|7\.0\d) mm away; look"
    ):
        belt_of(counts, places, "b", u_mm=0.02)


def test_rows_without_a_fault_are_seldom_called_wrong():
    # The test is at 1 % over all rows, so of 500 tables about 5 are refused; 3 sd more are 12.
    rng = np.random.default_rng(2)
    counts, refused = np.arange(5) * 500.0, 0
    for _ in range(500):
        try:
            belt_of(counts, seen(counts, (0.1, 0.0)) + rng.normal(0, 0.05, (5, 2)), "b")
        except UnusableInput:
            refused += 1
    assert refused <= 12


def test_stated_intervals_of_travel_and_direction_hold():
    rng = np.random.default_rng(3)
    counts = np.array([0.0, 700, 2100, 3900])
    held = np.zeros(2)
    for _ in range(1000):
        places = seen(counts, (0.06, -0.08)) + rng.normal(0, 0.05, (4, 2))
        try:
            belt = belt_of(counts, places, "b")
        except UnusableInput:
            held += 1  # a table that is refused states nothing
            continue
        way, turn = belt.mm_per_count, belt.direction_rad
        held += [abs(way.value - 0.1) <= way.U95, abs(turn.value - math.atan2(-0.08, 0.06)) <= turn.U95]
    assert ((held / 1000 >= 0.928) & (held / 1000 <= 0.972)).all()


def test_a_stated_u_that_the_rows_contradict_is_not_believed():
    counts = np.arange(6) * 1000.0
    places = seen(counts, (0.1, 0.0)) + np.random.default_rng(4).normal(0, 0.5, (6, 2))
    belt = belt_of(counts, places, "b", u_mm=0.01)
    assert belt.mm_per_count.dof == 8
    assert belt.mm_per_count.u > 10 * 0.01 / math.sqrt(np.sum((counts - counts.mean()) ** 2))


def test_a_counter_that_began_anew_unsaid_is_suspected():
    true = np.array([64000.0, 65000, 66000, 67000])
    places = seen(true, (0.1, 0.0)) + np.random.default_rng(5).normal(0, 0.02, (4, 2))
    with pytest.raises(UnusableInput, match="--wrap 65536"):
        belt_of(true % 65536, places, "b")
    assert belt_of(true % 65536, places, "b", wrap=65536).mm_per_count.value == pytest.approx(0.1, rel=1e-3)
    with pytest.raises(UnusableInput, match="row 4: the count 67000 is beyond"):
        belt_of(true - [0, 65536, 65536, 0], places, "b", wrap=65536)


def test_a_belt_is_written_and_read_again_exactly():
    belt = belt_of([0, 900, 2000], [[0, 0], [90.01, 1], [200.02, 2.1]], "b", wrap=65536, frame="robot")
    again = from_document(json.loads(json.dumps(to_document(belt, "b"))))
    assert (again.wrap, again.frame, again.rows) == (65536, "robot", 3)
    assert again.velocity.value.tolist() == belt.velocity.value.tolist()
    assert again.mm_per_count.U95 == belt.mm_per_count.U95
    with pytest.raises(UnusableDocument, match="does not move"):
        from_document({**to_document(belt, "b"), "mm_per_count": [0.0, 0.0]})


def test_parts_between_camera_and_robot_are_counted():
    # 900 mm at a pitch of 100 mm: nine parts; one more where a tenth is already on its way.
    assert [parts_in_flight(d, 100.0) for d in (900.0, 901.0, 50.0)] == [9, 10, 1]
    with pytest.raises(UnusableInput):
        parts_in_flight(900.0, 0.0)
