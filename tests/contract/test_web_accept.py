"""Accepting over HTTP: by who may, through the inbox of duty, and as the command does it."""

import json

import pytest
from tests.contract.test_keeping_commands import on_duty
from tests.contract.test_web_users import Writer
from tests.helpers.served import Served, refusal

from tiepoint.station.accepted import pointers_of
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.station.verify import verify
from tiepoint.web.users import User, token_sha, write_users

RECIPE = "recipes/bore.toml"


@pytest.fixture
def asked(vent):
    """Return what asks the station that is served, by a token."""
    users = [User(role, role, None, token_sha(role)) for role in ("look", "operate", "change")]
    write_users(vent.folder / "private" / "users.json", users)
    with Served(vent.folder) as served:

        def ask(token, method, path, content=None):
            headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
            body = None if content is None else json.dumps(content)
            status, _, answer = served.ask(method, path, headers=headers, body=body)
            return status, json.loads(answer) if status < 400 else refusal(status, answer)

        yield ask


WANTED = {"recipes": [RECIPE], "why": "first acceptance"}


def told_on_duty(vent):
    """Leave the state of a duty that is there."""
    Writer(vent.folder).tell()


def test_drafts_are_accepted_from_a_page_as_by_the_command(vent, asked):
    with on_duty(vent.folder):
        told_on_duty(vent)
        (draft,) = asked("change", "GET", "/api/drafts")[1]["drafts"]
        assert (draft["recipe"], draft["fault"]) == (RECIPE, "")
        assert draft["changes"][0].startswith(f"{RECIPE} (thin, wide): new, with ")
        told_on_duty(vent)
        status, told = asked("change", "POST", "/api/accept", WANTED)
        assert status == 201, told
        pointers = pointers_of(open_station(vent.folder))
        assert told["variants"] == dict(pointers.by_variant)
        assert set(told["variants"]) == {"thin", "wide"}
        assert asked("change", "GET", "/api/drafts")[1]["drafts"][0]["changes"] == []
        told_on_duty(vent)
        status, again = asked("change", "POST", "/api/accept", WANTED)
        assert (status, again["code"]) == (409, "not_taken")
    station = open_station(vent.folder)
    with Ledger(station.ledger_place) as ledger:
        act = ledger.last("act").body
    assert (act["act"], act["who"], act["why"]) == ("accept", "change", "first acceptance")
    assert act["request"]  # through the inbox
    assert verify(station).good


@pytest.mark.parametrize(
    ("token", "wanted", "status"),
    [
        ("look", WANTED, 403),
        ("operate", WANTED, 403),
        ("change", {**WANTED, "recipes": []}, 422),
        ("change", {**WANTED, "recipes": ["../station.toml"]}, 422),
        ("change", {**WANTED, "recipes": ["/etc/passwd"]}, 422),
        ("change", {**WANTED, "why": "\x1b[2J"}, 422),
        ("change", {**WANTED, "variants": ["broad"]}, 409),
        ("change", {**WANTED, "who": "another"}, 422),
    ],
)
def test_what_may_not_be_or_cannot_be_is_refused_and_accepts_nothing(vent, asked, token, wanted, status):
    told_on_duty(vent)
    assert asked(token, "POST", "/api/accept", wanted)[0] == status
    assert not (vent.folder / "accepted").exists()
    assert not (vent.folder / "ledger.sqlite").exists()


def test_nobody_accepts_where_nobody_is_on_duty_and_a_broken_draft_is_told(vent, asked):
    assert asked("change", "POST", "/api/accept", WANTED)[0] == 409
    assert asked("operate", "GET", "/api/drafts")[0] == 403
    vent.change("outer = 3", "outer = ")
    (draft,) = asked("change", "GET", "/api/drafts")[1]["drafts"]
    assert "cannot be read as TOML" in draft["fault"]
    assert str(vent.folder) not in json.dumps(draft)
    told_on_duty(vent)
    status, told = asked("change", "POST", "/api/accept", WANTED)
    assert (status, told["code"]) == (422, "not_usable")
    assert not (vent.folder / "accepted").exists()
