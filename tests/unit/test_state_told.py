"""What a person is told of duty's state: whenever no part is judged, what to do about it."""

import pytest

from tiepoint.station.duty.status import Status
from tiepoint.web.told import BEGIN, state_told


def status(state, is_fresh, fault=""):
    told = {"state": state, "says": "it says so", "fault": fault}
    return Status(7, "2026-11-27T05:23:18Z", 8, 0, told, is_fresh)


@pytest.mark.parametrize("last", [None, status("off duty", False), status("on duty", False), status("warming", False)])
def test_where_no_duty_is_it_is_said_how_it_begins(last):
    told = state_told(last)
    assert not told["fresh"]
    assert told["next"].endswith(BEGIN)


def test_of_a_duty_that_hangs_it_is_said_that_no_part_passes():
    told = state_told(status("on duty", False))
    assert told["state"] == "not known"
    assert "keep every part apart" in told["next"]


def test_while_it_judges_there_is_nothing_to_do_but_about_a_fault():
    assert state_told(status("on duty", True))["next"] == ""
    assert state_told(status("fault", True, "camera top"))["next"] != ""
