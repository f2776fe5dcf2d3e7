"""The belt against closed forms."""

import math

import numpy as np
import pytest

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.foundation.sources import Values
from tiepoint.ties.belt import belt_of


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
