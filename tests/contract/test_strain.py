"""A station under strain: killed, cut off, filled up and fed with rubbish, it loses nothing and passes nothing unseen.

`proofs/strain.py` does the same for hours. The authority: what was sent, and what a wire told, as the sender and the
other end of the wire know it.
"""

from collections import Counter

import pytest
from tests.helpers.broker import Broker, Listener
from tests.helpers.strain import BROKER, Line, Quick, cut_off, held, killed, results, strained


@pytest.fixture
def plant(tmp_path):
    """A broker."""
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.kill()


def test_killed_at_any_moment_it_keeps_what_it_told_and_passes_nothing_unseen(tmp_path, plant):
    folder = strained(tmp_path / "station", BROKER.format(port=plant.port))
    line = Line(folder)
    with Listener(plant.port) as listener, Quick(folder) as duty:
        on_duty = killed(duty, line, kills=50, longest_s=0.8, every_s=0.05, seed=1)
    found = held(folder, line.sent, results(listener))
    assert found.faults == []
    # It was tried: in service and while it began, with parts that were told and kept.
    assert 0 < sum(on_duty) < 50
    assert found.acknowledged > 20
    assert found.kept > 5
    assert found.conforms > 0
    print(sum(on_duty), found)


def test_with_the_power_cut_at_any_moment_what_it_told_is_on_the_disk_and_whole(tmp_path, plant):
    folder = strained(tmp_path / "station", BROKER.format(port=plant.port))
    found = cut_off(folder, plant.port, tmp_path, parts=60, count=80, seed=2)
    assert Counter(fault for one in found for fault in one.faults) == {}
    # It was tried: early and late, with parts that were told and kept by then.
    assert len(found) == 80
    assert found[10].acknowledged < found[-1].acknowledged
    assert found[-1].kept > 20
