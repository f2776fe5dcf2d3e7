"""Counters, hashes and ids of what a camera delivers, and to which trigger it belongs.

Block ids of GigE Vision: 16 bits, from 1, after 65535 comes 1 again (GigE Vision 1.2, from memory); sequence numbers
compared as RFC 1982 does.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as some

from tiepoint.station.cameras.delivery import Trigger
from tiepoint.station.cameras.order import HELD_BACK, KEPT_IDS, Expected, Judged, Order

S = 10**9


def statuses(order, counters):
    return [order.judge([counter]).status for counter in counters]


def test_pictures_in_order_are_good():
    assert statuses(Order(), [5, 6, 7, 8]) == ["complete"] * 4


@pytest.mark.parametrize(
    ("bits", "skips_zero", "counters"),
    [
        (16, True, [65534, 65535, 1, 2]),
        (16, False, [65534, 65535, 0, 1]),
        (32, False, [2**32 - 2, 2**32 - 1, 0, 1]),
        (64, True, [2**64 - 1, 1, 2]),
    ],
)
def test_a_counter_begins_again_after_its_last(bits, skips_zero, counters):
    order = Order(bits, skips_zero=skips_zero)
    assert [order.judge([c]) for c in counters] == [Judged()] * len(counters)


def test_what_was_lost_is_counted_also_over_the_wrap():
    order = Order(16, skips_zero=True)
    assert [order.judge([c]).lost for c in (65530, 65533, 2)] == [0, 2, 3]  # 65534, 65535 and 1 never came


@pytest.mark.parametrize("counter", [0, 65536, -1])
def test_a_number_that_cannot_be_is_out_of_order(counter):
    assert Order(16, skips_zero=True).judge([counter]).status == "out_of_order"


def test_a_repeated_number_is_no_picture():
    judged = Order().judge([7, 7])
    assert judged.status == "repeated"
    assert "7" in judged.why


def test_an_older_picture_is_out_of_order_and_those_after_it_are_good():
    assert statuses(Order(), [10, 11, 9, 12]) == ["complete", "complete", "out_of_order", "complete"]


def test_a_camera_that_begins_anew_loses_one_picture():
    order = Order()
    assert statuses(order, [5000, 0, 1, 2]) == ["complete", "out_of_order", "complete", "complete"]


def test_a_camera_that_is_known_to_begin_anew_loses_none():
    order = Order()
    assert statuses(order, [5000]) == ["complete"]
    order.restarted()
    assert statuses(order, [0, 1]) == ["complete", "complete"]


def test_a_camera_that_begins_anew_early_is_believed_when_it_has_passed_its_former_count():
    assert statuses(Order(), [3, 0, 1, 2, 3, 4, 5])[-2:] == ["complete", "complete"]
    assert "complete" not in statuses(Order(), [3, 0, 1, 2, 3])[1:]


@given(some.sampled_from([16, 32]), some.integers(0), some.integers(1, HELD_BACK))
def test_no_picture_that_was_held_back_is_ever_taken_for_a_new_one(bits, start, late_by):
    order = Order(bits)
    span = 2**bits
    assert order.judge([start % span]).status == "complete"
    assert order.judge([(start - late_by) % span]).status == "out_of_order"
    assert order.judge([(start + 1) % span]) == Judged()


@given(some.sampled_from([16, 32]), some.integers(0), some.lists(some.integers(1, 1000), min_size=1, max_size=20))
def test_ever_growing_counts_are_in_order_and_what_is_missing_adds_up(bits, start, steps):
    order, count = Order(bits), start
    order.judge([count % 2**bits])
    lost = 0
    for step in steps:
        count += step
        judged = order.judge([count % 2**bits])
        assert judged.status == "complete"
        lost += judged.lost
    assert lost == count - start - len(steps)


def test_the_same_pixels_twice_are_no_result():
    order = Order()
    assert order.judge(hashes=["a"]).status == "complete"
    assert order.judge(hashes=["a"]).status == "repeated"
    assert order.judge(hashes=["b"]).status == "complete"
    assert order.judge(hashes=["a"]).status == "complete"


def test_two_lights_that_show_the_same_pixels_are_no_shot():
    assert Order().judge(hashes=["a", "a"]).status == "repeated"


def test_a_shot_of_several_lights_that_comes_again_is_told():
    order = Order()
    assert order.judge(hashes=["a", "b", "c"]).status == "complete"
    assert order.judge().status == "complete"  # one of which nothing came is between
    assert order.judge(hashes=["a", "b", "c"]).status == "repeated"
    assert order.judge(hashes=["d", "b", "e"]).status == "repeated"
    assert order.judge(hashes=["f", "g", "h"]).status == "complete"


def test_a_frozen_picture_under_a_running_count_is_told():
    order = Order()
    assert [order.judge([k], ["same"]).status for k in range(3)] == ["complete", "repeated", "repeated"]


def test_a_shot_is_delivered_once():
    order = Order()
    assert order.judge(shot_id="s1").status == "complete"
    assert order.judge(shot_id="s2").status == "complete"
    judged = order.judge(shot_id="s1")
    assert judged.status == "repeated"
    assert "'s1'" in judged.why


def test_ids_are_not_remembered_without_end():
    order = Order()
    for k in range(KEPT_IDS + 1):
        assert order.judge(shot_id=str(k)).status == "complete"
    assert order.judge(shot_id="0").status == "complete"
    assert order.judge(shot_id="2").status == "repeated"


def told(number, seconds):
    return Trigger(f"t{number}", int(seconds * S), f"part {number}")


def test_pictures_go_to_triggers_in_their_order():
    expected = Expected(1.0)
    for k in range(3):
        assert expected.add(told(k, k / 10))
    assert [expected.match(int((0.3 + k / 10) * S)).trigger.id for k in range(3)] == ["t0", "t1", "t2"]
    assert expected.next_ns is None


def test_a_picture_without_a_trigger_belongs_to_no_part():
    matched = Expected(1.0).match(S)
    assert matched.trigger is None
    assert matched.status == "out_of_order"


def test_a_picture_older_than_the_trigger_is_not_its_picture():
    expected = Expected(1.0)
    expected.add(told(1, 5.0))
    early = expected.match(int(4.9 * S))
    assert (early.trigger, early.status) == (None, "late")
    assert expected.match(int(5.1 * S)).trigger.id == "t1"


def test_a_picture_that_comes_too_late_is_never_given_to_the_next_part_as_good():
    expected = Expected(1.0)
    expected.add(told(1, 0))
    assert expected.next_ns == S
    assert [t.id for t in expected.missed(int(1.1 * S))] == ["t1"]
    expected.add(told(2, 1.2))
    doubtful = expected.match(int(1.3 * S))  # of part 1 or of part 2: nobody knows
    assert (doubtful.trigger.id, doubtful.status) == ("t2", "out_of_order")
    owed = expected.match(int(1.4 * S))
    assert (owed.trigger, owed.status) == (None, "late")
    expected.add(told(3, 1.5))
    assert expected.match(int(1.6 * S)).status == "complete"


def test_a_picture_that_never_comes_is_forgotten_after_as_long_again():
    expected = Expected(1.0)
    expected.add(told(1, 0))
    expected.missed(int(1.1 * S))
    expected.add(told(2, 2.2))
    assert expected.match(int(2.3 * S)).status == "complete"


def test_triggers_whose_pictures_the_camera_lost_are_named():
    expected = Expected(1.0)
    for k in range(3):
        expected.add(told(k, 0))
    assert [t.id for t in expected.lost(2)] == ["t0", "t1"]
    assert expected.match(int(0.1 * S)).trigger.id == "t2"
    assert expected.lost(5) == []


def test_no_more_triggers_wait_than_stated():
    expected = Expected(1.0, most=2)
    assert [expected.add(told(k, 0)) for k in range(3)] == [True, True, False]
    assert len(expected) == 2
