"""What a draft would change of the last kept shots: told as a job, as `tiepoint replay` tells it."""

import json

import pytest
from tests.contract.test_web_events import Viewer
from tests.contract.test_work_editing import ask, ended
from tests.helpers.served import Served

from tiepoint.web.users import User, token_sha, write_users

RECIPE = "recipes/bore.toml"


@pytest.fixture
def served(judged):
    users = [User(role, role, None, token_sha(role)) for role in ("look", "change")]
    write_users(judged.folder / "private" / "users.json", users)
    with Served(judged.folder) as there:
        yield there


def replayed(served, **wanted):
    with Viewer(served) as viewer:
        events = viewer.events()
        next(events)
        status, told = ask(served, "POST", "/api/replay", {"recipe": RECIPE, **wanted})
        assert (status, told["page"]) == (202, "recipe")
        return ended(served, told["id"], events)


def test_a_draft_that_differs_in_nothing_changes_nothing(served):
    told = replayed(served)
    assert (told["state"], told["done"], told["of"]) == ("done", 3.0, 3.0)
    assert told["result"] == {
        "recipe": RECIPE, "shots": 3, "verdicts": [], "readings": [],
        "says": "Nothing changes on the last 3 kept shots.",
    }  # fmt: skip


def test_other_limits_change_the_verdicts_that_the_command_names_too(cli, judged, served):
    judged.change("plus = 0.1, minus = 0.1", "plus = 0.4, minus = 0.005")
    told = replayed(served)["result"]
    said = json.loads(cli("replay", judged.folder, "--recipe", judged.recipe, "--json").out)["replayed"]
    expected = {one["seq"]: (one["was"], one["now"]) for one in said if one["was"] != one["now"]}
    assert expected
    assert {one["seq"]: (one["was"], one["now"]) for one in told["verdicts"]} == expected
    assert all(one["readings"][0]["id"] == "bore.diameter" for one in told["verdicts"])
    assert f"{len(expected)} of the last 3 kept shots would get another verdict" in told["says"]


def test_only_the_last_are_judged_again(served):
    assert replayed(served, last=2)["result"]["shots"] == 2


def test_a_draft_that_cannot_be_run_fails_with_its_sentence(judged, served):
    judged.change('kind = "circle"', 'kind = "circel"')
    told = replayed(served)
    assert told["state"] == "failed"
    assert "circel" in told["fault"]["says"]
    assert str(judged.folder) not in json.dumps(told)


@pytest.mark.parametrize(
    ("token", "wanted", "status"),
    [
        ("look", {"recipe": RECIPE}, 403),
        ("change", {"recipe": "recipes/none.toml"}, 404),
        ("change", {"recipe": "../station.toml"}, 404),
        ("change", {"recipe": RECIPE, "last": 0}, 422),
        ("change", {"recipe": RECIPE, "last": 10_000}, 422),
    ],
)
def test_what_may_not_be_or_is_not_there_is_refused(served, token, wanted, status):
    assert ask(served, "POST", "/api/replay", wanted, token)[0] == status
