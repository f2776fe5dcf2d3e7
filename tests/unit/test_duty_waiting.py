"""The queue of parts on duty, by a clock that the test turns."""

import pytest

from tiepoint.foundation.reasons import Reason
from tiepoint.station.cameras.delivery import Delivery, Frame
from tiepoint.station.duty.judging import Task
from tiepoint.station.duty.waiting import GRACE_S, UNREAD_TIMES, Part, Waiting


class Clock:
    now = 100.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


def part(id_, *, deadline_s=101.0, checked=None, answer=None):
    frame = Frame("picture", f"{id_}.png", data=b"x" * 1000)
    delivery = Delivery(id_, "top", (frame,), "2026-05-04T06:00:00Z", int(100.0 * 1e9))
    return Part(Task(delivery, None), deadline_s, answer, checked)


def never():
    return False


def test_parts_are_written_in_the_order_in_which_they_came_however_they_are_answered(clock):
    waiting = Waiting(4, clock=clock)
    a, b = part("a"), part("b")
    assert waiting.came(a)
    assert waiting.came(b)
    assert waiting.next_task(never) == (a.task, a.deadline_s + GRACE_S)
    assert waiting.next_task(never)[0] is b.task
    waiting.done(b.task, "it ended by itself")
    assert waiting.first(0.0) is None
    waiting.done(a.task, "it ended by itself")
    assert waiting.first(0.0) is a
    waiting.written(a)
    assert waiting.first(0.0) is b
    assert b.answer == Reason("shot_not_judged", {"detail": "it ended by itself"})


def test_a_part_is_late_from_its_deadline_on_even_where_its_answer_is_there(clock):
    waiting = Waiting(4, clock=clock)
    a = part("a")
    waiting.came(a)
    waiting.next_task(never)
    clock.now = 101.5
    assert waiting.first(0.0) is a
    assert a.answer == Reason("shot_late", {"deadline_ms": 1000})
    waiting.done(a.task, "too late")
    assert a.answer.code == "shot_late"


def test_what_comes_beyond_is_unread_without_its_pictures_and_then_counted(clock):
    waiting = Waiting(2, clock=clock)
    parts = [part(str(k)) for k in range(3 * UNREAD_TIMES)]
    held = [waiting.came(one) for one in parts]
    assert held == [True] * (2 * UNREAD_TIMES) + [False] * UNREAD_TIMES
    assert (waiting.taken_missed(), waiting.taken_missed()) == (UNREAD_TIMES, 0)
    assert [one.answer for one in parts[:2]] == [None, None]
    assert all(one.answer == Reason("shot_too_many", {"waiting": 2}) for one in parts[2 : 2 * UNREAD_TIMES])
    assert all(one.delivery.frames == () for one in parts[2 : 2 * UNREAD_TIMES])
    assert waiting.is_full


def test_what_is_only_looked_at_holds_up_no_part_of_the_line(clock):
    waiting = Waiting(4, clock=clock)
    looked_at, real = part("copy", deadline_s=200.0, checked=lambda record: None), part("real")
    waiting.came(looked_at)
    waiting.came(real)
    assert waiting.next_task(never)[0] is real.task  # the line first
    assert waiting.next_task(never)[0] is looked_at.task
    waiting.done(real.task, "ended")
    assert waiting.first(0.0) is real
    waiting.written(real)
    assert waiting.first(0.0) is None
    waiting.done(looked_at.task, "ended")
    assert waiting.first(0.0) is looked_at


def test_a_judge_that_ends_takes_no_part_with_it(clock):
    waiting = Waiting(4, clock=clock)
    waiting.came(part("a"))
    assert waiting.next_task(lambda: True) is None
    waiting.close()
    assert waiting.next_task(never) is not None  # what came before is still judged
    assert waiting.next_task(never) is None
