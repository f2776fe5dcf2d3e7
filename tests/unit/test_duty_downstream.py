"""Parts between the camera and the place where they are thrown out, and the coils there."""

from dataclasses import replace

import pytest
from tests.helpers.wires import Clock, result, told

from tiepoint.station.duty.downstream import Downstream
from tiepoint.station.wires.remote_io import Outputs
from tiepoint.station.wires.table import RemoteIoTable

PULSE_MS = 100


class Coils:
    """A wire to coils that are only worked out."""

    name, link = "io", ("joined", "")

    def __init__(self):
        table = {"name": "io", "host": "127.0.0.1", "good": 0, "pass": 1, "pulse_ms": PULSE_MS, "delay_from": "told"}
        self.outputs, self.clock = Outputs(RemoteIoTable.read(table, "")), Clock()

    def tell(self, one):
        self.outputs.tell(one, self.clock())

    def state(self, said):
        self.outputs.state(said, self.clock())

    def passed(self):
        """Return whether the part that is there now is passed: by the pulse, and by what holds the rejecter back."""
        coils = self.outputs.at(self.clock())
        self.clock.on(PULSE_MS)
        self.outputs.state(told(), self.clock())
        self.outputs.at(self.clock())
        return coils[0], coils[1]


def shown(values, line, after):
    """Let parts pass the camera, and return what became of each that left the place meanwhile."""
    found = []
    for k, value in enumerate(values):
        line.tell(result(line.wire.clock, seq=k + 1, value=value))
        found.append(line.wire.passed())
    return found


def test_what_was_under_way_at_the_start_is_thrown_out_and_each_part_leaves_as_it_was_judged():
    line = Downstream(Coils(), 2)
    line.state(told())
    # Two parts were there before the camera saw any: nobody knows them, so the rejecter is not held back for them.
    assert shown([4.5, 4.7, 4.5, None], line, 2) == [(False, False), (False, False), (True, True), (False, False)]


def test_after_a_rest_nothing_is_known_of_what_is_under_way():
    line = Downstream(Coils(), 2)
    line.state(told())
    shown([4.5, 4.5, 4.5], line, 2)
    line.state(told("off duty"))
    line.state(told())
    assert shown([4.5, 4.5, 4.7], line, 2) == [(False, False), (False, False), (True, True)]


@pytest.mark.parametrize("status", ["repeated", "out_of_order", "incomplete"])
def test_a_picture_that_came_without_a_part_passes_no_neighbour_of_it(status):
    line = Downstream(Coils(), 2)
    line.state(told())
    shown([4.5, 4.7, 4.5], line, 2)
    again = result(line.wire.clock, seq=4, value=None)
    line.tell(replace(again, record=replace(again.record, shot=replace(again.record.shot, status=status), sha=None)))
    line.wire.passed()
    # The fourth part comes, and the second, which is bad, lies where parts are thrown out.
    assert shown([4.5], line, 2) == [(False, False)]


def test_a_part_that_is_told_after_its_successor_passes_no_neighbour():
    line = Downstream(Coils(), 1)
    line.state(told())

    def passed(seq, value, age_ms):
        line.tell(result(line.wire.clock, seq=seq, value=value, age_ms=age_ms))
        return line.wire.passed()

    passed(1, 4.5, 40)
    assert passed(3, 4.5, 40) == (True, True)
    # The one between them, whose trigger was given up: it came before, is told after, and was not read.
    assert passed(2, None, 400) == (False, False)
    # Where parts are thrown out may now lie the unread one: it is not told as its neighbour.
    assert passed(4, 4.5, 40) == (False, False)
    assert passed(5, 4.5, 40) == (True, True)
