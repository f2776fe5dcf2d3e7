"""When the tie's check is overdue: by touch tests of the tie that is accepted, and of no other."""

import json

import pytest
from tests.helpers.plain_bore import plain_tie
from tests.helpers.vent_station import new_station

from tiepoint.documents.canonical import sha256
from tiepoint.documents.files import read_document
from tiepoint.station.accepted import accept, draft_of
from tiepoint.station.acts import act_of, write_act
from tiepoint.station.duty.acts import tie_checked
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger


@pytest.fixture
def vent(tmp_path):
    vent = new_station(tmp_path / "station", plain_tie())
    accept(open_station(vent.folder), [draft_of(open_station(vent.folder), vent.recipe)], who="M. Weiss", why="first")
    return vent


def touched(vent, good, tie_sha, kind="touch"):
    station = open_station(vent.folder)
    about = {"kind": kind, "of": None, "good": good, "file": "studies/1.json", "sha": "0" * 64, "data_sha": None}
    return write_act(
        station, act_of(station, "study", who="M. Weiss", why="touch", **about, tie_sha=tie_sha)
    ).written_utc


def checked(vent):
    station = open_station(vent.folder)
    with Ledger(station.ledger_place) as ledger:
        return tie_checked(station, ledger)


def test_a_touch_test_proves_the_tie_that_it_was_made_of_and_no_other(vent):
    path = vent.folder / "ties" / "plane.json"
    first = sha256(read_document(path, "tie"))
    assert checked(vent) is None
    touched(vent, True, "1" * 64)
    touched(vent, True, None)
    assert checked(vent) is None  # of another tie; and one that an earlier version kept, which does not say of which
    when = touched(vent, True, first)
    assert checked(vent) == when
    touched(vent, True, first, kind="lengths")
    assert checked(vent) == when

    # The newest test of it counts, not the best.
    touched(vent, False, first)
    assert checked(vent) is None
    again = touched(vent, True, first)
    assert checked(vent) == again

    # Another tie is accepted: what was touched before says nothing of it.
    tie = json.loads(path.read_text())
    path.write_text(json.dumps({**tie, "note": "made anew"}))
    accept(open_station(vent.folder), [draft_of(open_station(vent.folder), vent.recipe)], who="M. Weiss", why="anew")
    assert checked(vent) is None
    assert checked(vent) != touched(vent, True, sha256(read_document(path, "tie"))) == checked(vent)
