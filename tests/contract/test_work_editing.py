"""Edits, jobs and their events over HTTP: two tabs in conflict, a folder changed underneath, long work cancelled."""

import hashlib
import json
import threading

import pytest
from pydantic import BaseModel
from tests.contract.test_web_events import Viewer
from tests.helpers.served import Served, new_station, refusal
from tests.helpers.wires import until

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station import undoing
from tiepoint.station.drafting import Change, edit, sha_of
from tiepoint.station.folder import open_station
from tiepoint.web import jobs as jobs_module
from tiepoint.web.jobs import Cancelled
from tiepoint.web.refused import Refused
from tiepoint.web.users import User, token_sha, write_users

RECIPE = "recipes/plate.toml"


@pytest.fixture
def folder(tmp_path):
    made = new_station(tmp_path / "plates")
    users = [User(role, role, None, token_sha(role)) for role in ("look", "operate", "change")]
    write_users(made / "private" / "users.json", users)
    return made


@pytest.fixture
def served(folder):
    with Served(folder) as there:
        yield there


def ask(served, method, path, content=None, token="change"):
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    status, _, answer = served.ask(method, path, headers=headers, body=None if content is None else json.dumps(content))
    return status, json.loads(answer) if status < 400 else refusal(status, answer)


def put(folder, text, **more):
    return edit(open_station(folder), f"Write {text}", [Change(RECIPE, text.encode())], who="a page", **more)


def test_an_edit_is_told_undone_and_done_again(folder, served):
    put(folder, "a")
    put(folder, "b")
    told = ask(served, "GET", "/api/history", token="look")[1]
    assert [(step["number"], step["says"], step["paths"]) for step in told["done"]] == [
        (1, "Write a", [RECIPE]), (2, "Write b", [RECIPE]),
    ]  # fmt: skip
    assert ask(served, "POST", "/api/undo", {"number": 2})[1]["paths"] == [RECIPE]
    assert (folder / RECIPE).read_text() == "a"
    assert [step["number"] for step in ask(served, "GET", "/api/history")[1]["undone"]] == [2]
    assert ask(served, "POST", "/api/redo", {})[0] == 200
    assert (folder / RECIPE).read_text() == "b"


def test_of_two_tabs_the_second_to_undo_the_same_step_is_told_so(folder, served):
    put(folder, "a")
    put(folder, "b")
    assert ask(served, "POST", "/api/undo", {"number": 2})[0] == 200
    status, told = ask(served, "POST", "/api/undo", {"number": 2})
    assert (status, told["code"]) == (409, "conflict")
    assert (folder / RECIPE).read_text() == "a"


def test_an_edit_whose_file_was_changed_since_is_not_undone(folder, served):
    put(folder, "a")
    put(folder, "b")
    (folder / RECIPE).write_text("by hand")
    status, told = ask(served, "POST", "/api/undo", {})
    assert (status, told["code"]) == (409, "conflict")
    assert (
        told["says"] == f"{RECIPE} was changed since by something else, and 'Write b' is not undone: that would be lost"
    )
    assert (folder / RECIPE).read_text() == "by hand"


@pytest.mark.parametrize("token", ["look", "operate"])
def test_who_may_not_change_undoes_nothing(folder, served, token):
    put(folder, "a")
    assert ask(served, "POST", "/api/undo", {}, token)[0] == 403
    assert served.ask("POST", "/api/undo", body="{}", headers={"Content-Type": "application/json"})[0] == 401
    assert (folder / RECIPE).read_text() == "a"


@pytest.mark.parametrize("share", [50, 10**9], ids=["quick", "a look takes long"])
def test_a_file_that_is_changed_underneath_is_told_live_with_its_hash(folder, served, monkeypatch, share):
    monkeypatch.setattr("tiepoint.web.drafts.SHARE", share)
    monkeypatch.setattr("tiepoint.web.drafts.LATEST_S", 0.5)
    put(folder, "a")
    with Viewer(served) as viewer:
        events = viewer.events()
        assert next(events)[0] == "state"
        # What is there when a page begins is read by it: only what comes after is told, so it is changed until it is.
        stop = threading.Event()

        def changes():
            k = 0
            while not stop.wait(0.3):
                k += 1
                (folder / RECIPE).write_text(f"by hand {k}")

        writer = threading.Thread(target=changes)
        writer.start()
        try:
            told = next(content for kind, _, content in events if kind == "drafts")
        finally:
            stop.set()
            writer.join()
        assert told["paths"] == [RECIPE]
        known = {hashlib.sha256(f"by hand {k}".encode()).hexdigest() for k in range(1, 200)}
        assert told["shas"][RECIPE] in known
        now = sha_of(open_station(folder), RECIPE)
        while told["shas"][RECIPE] != now:
            told = next(content for kind, _, content in events if kind == "drafts")
        (folder / RECIPE).unlink()
        told = next(content for kind, _, content in events if kind == "drafts")
        assert told == {"paths": [RECIPE], "shas": {RECIPE: None}}


def test_a_server_that_begins_completes_an_edit_that_was_broken_off(folder, monkeypatch):
    class Killed(BaseException):
        pass

    def killed(*_):
        raise Killed

    put(folder, "a")
    monkeypatch.setattr(undoing, "_finish", killed)
    with pytest.raises(Killed):
        put(folder, "b")
    monkeypatch.undo()
    assert (folder / RECIPE).read_text() == "a"
    with Served(folder) as served:
        assert (folder / RECIPE).read_text() == "b"
        assert [step["says"] for step in ask(served, "GET", "/api/history")[1]["done"]] == ["Write a", "Write b"]
        assert ask(served, "POST", "/api/undo", {"number": 2})[0] == 200
    assert (folder / RECIPE).read_text() == "a"


# --- jobs ------------------------------------------------------------------------------------------------------------


class Outcome(BaseModel):
    points: int


def begin(served, work):
    return served.app.state.here.jobs.begin(page="tie", says="Tying 6 photos", work=work)


OVER = ("done", "failed", "cancelled")


def ended(served, id_, events):
    """Return a job once it is over; told by an event, unless it was over before."""
    told = ask(served, "GET", f"/api/jobs/{id_}", token="look")[1]
    if told["state"] in OVER:
        return told
    for kind, _, content in events:
        if kind == "job" and content["id"] == id_ and content["state"] in OVER:
            return ask(served, "GET", f"/api/jobs/{id_}", token="look")[1]
    raise AssertionError("the stream ended")


def test_a_job_tells_how_far_it_is_and_what_it_came_to(served):
    with Viewer(served) as viewer:
        events = viewer.events()
        next(events)
        goes_on = threading.Event()

        def work(telling):
            telling(2, 6, "photo-2.png")
            assert goes_on.wait(30)
            return Outcome(points=88)

        told = begin(served, work)
        assert (told.page, told.says, told.state) == ("tie", "Tying 6 photos", "waiting")
        seen = next(content for kind, _, content in events if kind == "job" and content["done"])
        assert {**seen, "id": ""} == {
            "id": "", "page": "tie", "says": "Tying 6 photos", "state": "running", "done": 2.0, "of": 6.0,
            "told": "photo-2.png", "fault": None,
        }  # fmt: skip
        assert [job["id"] for job in ask(served, "GET", "/api/jobs")[1]["jobs"]] == [told.id]
        goes_on.set()
        outcome = ended(served, told.id, events)
        assert (outcome["state"], outcome["result"]) == ("done", {"points": 88})


def test_a_job_is_cancelled_at_its_next_word(served):
    with Viewer(served) as viewer:
        events = viewer.events()
        next(events)
        cancelled, seen = threading.Event(), []

        def work(telling):
            telling(0, 100)
            assert cancelled.wait(30)
            try:
                telling(1, 100)
            except Cancelled:
                seen.append("told so")
                raise

        told = begin(served, work)
        next(content for kind, _, content in events if kind == "job" and content["state"] == "running")
        assert ask(served, "DELETE", f"/api/jobs/{told.id}", token="look")[0] == 403
        assert ask(served, "DELETE", f"/api/jobs/{told.id}")[0] == 200
        cancelled.set()
        assert ended(served, told.id, events)["state"] == "cancelled"
        assert seen == ["told so"]


def test_who_only_looks_keeps_nobody_from_working(served):
    goes_on = threading.Event()
    try:
        for _ in range(jobs_module.AT_ONCE + jobs_module.LOOKERS_WAITING):
            begin(served, lambda _: goes_on.wait(30) and None)
        until(lambda: sum(one.state == "running" for one in served.app.state.here.jobs.all()) == jobs_module.AT_ONCE)
        run = {"recipe": "recipes/plate.toml", "folder": "shots"}
        assert ask(served, "POST", "/api/recipe/folder", run, token="look")[0] == 429
        assert ask(served, "POST", "/api/recipe/folder", run)[0] == 202
    finally:
        goes_on.set()


def test_a_job_that_waits_is_cancelled_before_it_begins(served, monkeypatch):
    with Viewer(served) as viewer:
        events = viewer.events()
        next(events)
        goes_on, begun = threading.Event(), []
        held = [begin(served, lambda _: goes_on.wait(30) and None) for _ in range(jobs_module.AT_ONCE)]
        waits = begin(served, lambda _: begun.append(1))
        assert ask(served, "DELETE", f"/api/jobs/{waits.id}")[1]["state"] == "cancelled"
        goes_on.set()
        for one in held:
            assert ended(served, one.id, events)["state"] == "done"
        assert not begun


def raised(error):
    def work(_):
        raise error

    return work


@pytest.mark.parametrize(
    ("error", "fault"),
    [
        (
            UnusableInput("no target was found; show all of it"),
            {"code": "not_usable", "says": "no target was found", "do": "show all of it", "where": ""},
        ),
        (
            Refused(422, "the height has no unit", "write 12mm", where="height"),
            {"code": "not_usable", "says": "the height has no unit", "do": "write 12mm", "where": "height"},
        ),
    ],
)
def test_a_job_that_fails_says_why_where_and_what_to_do(served, error, fault):
    with Viewer(served) as viewer:
        events = viewer.events()
        next(events)
        told = ended(served, begin(served, raised(error)).id, events)
        assert (told["state"], told["fault"], told["result"]) == ("failed", fault, None)


def test_a_fault_of_a_job_is_told_as_one_without_a_trace(served):
    with Viewer(served) as viewer:
        events = viewer.events()
        next(events)
        told = ended(served, begin(served, raised(ZeroDivisionError("secret"))).id, events)
        assert (told["state"], told["fault"]["code"]) == ("failed", "fault")
        assert "secret" not in json.dumps(told)


def test_jobs_make_room_and_too_many_are_refused(served, monkeypatch):
    monkeypatch.setattr(jobs_module, "MOST_KEPT", 5)
    monkeypatch.setattr(jobs_module, "MOST_WAITING", 3)
    jobs, goes_on = served.app.state.here.jobs, threading.Event()
    running = threading.Semaphore(0)

    def holds(_):
        running.release()
        goes_on.wait(30)

    for _ in range(jobs_module.AT_ONCE):
        begin(served, holds)
        assert running.acquire(timeout=30)
    waiting = [begin(served, lambda _: None) for _ in range(3)]
    with pytest.raises(Refused, match="3 jobs wait already"):
        begin(served, lambda _: None)
    with Viewer(served) as viewer:
        events = viewer.events()
        next(events)
        goes_on.set()
        ended(served, waiting[-1].id, events)
    for _ in range(9):
        begun = begin(served, lambda _: None)
        until(lambda begun=begun: any(one.id == begun.id and one.state in OVER for one in jobs.all()), 30)
    assert len(jobs.all()) <= 6


def test_no_job_of_an_unknown_id(served):
    assert ask(served, "GET", "/api/jobs/0123456789abcdef")[0] == 404
    assert ask(served, "DELETE", "/api/jobs/0123456789abcdef")[0] == 404
    assert ask(served, "GET", "/api/jobs/..")[0] in (400, 404)


def test_the_server_ends_while_a_job_runs(folder):
    begun, told = threading.Event(), []

    def work(telling):
        begun.set()
        while True:
            try:
                telling.check()
            except Cancelled:
                told.append("ended")
                raise

    with Served(folder) as served:
        begin(served, work)
        assert begun.wait(30)
    assert told == ["ended"]
