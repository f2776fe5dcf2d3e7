"""The writer's lock and the inbox, between real processes."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.acts import rename, write_act
from tiepoint.station.folder import Station, open_station
from tiepoint.station.inbox import INBOX, Inbox, ask
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.lock import DUTY, LOCK, WriterLock, holder_of, is_on_duty
from tiepoint.station.naming import act_of
from tiepoint.station.verify import verify

HOLDER = """
import os, sys, time
from pathlib import Path
from tiepoint.station.lock import WriterLock
with WriterLock(Path(sys.argv[1]), sys.argv[2]):
    if len(sys.argv) > 3:
        if os.fork() == 0:
            os.write(1, f"child {os.getpid()}\\n".encode())
            time.sleep(60)
    os.write(1, b"held\\n")  # in one go: two write to it
    sys.stdin.read()
"""


@contextmanager
def held_by(folder: Path, what: str, *more: str) -> Iterator[subprocess.Popen[str]]:
    """Have another process hold the lock."""
    command = [sys.executable, "-c", HOLDER, str(folder), what, *more]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        try:
            while other.stdout.readline().strip() != "held":
                pass
            yield other
        finally:
            other.kill()


@pytest.fixture
def station(tmp_path: Path) -> Station:
    (tmp_path / "station.toml").write_text('format = "tiepoint/station/1"\nname = "vents"\n')
    return open_station(tmp_path)


def note(station: Station, why: str = "a trial") -> dict[str, object]:
    return act_of(station, "note", who="M. Weiss", why=why)


def test_the_lock_is_anothers_until_that_one_ends_however_it_does(tmp_path: Path):
    assert holder_of(tmp_path) is None
    with held_by(tmp_path, "judging shots") as other:
        holder = holder_of(tmp_path)
        assert holder is not None
        assert (holder.what, holder.pid) == ("judging shots", other.pid)
        assert not is_on_duty(tmp_path)
        with (
            pytest.raises(UnusableInput, match=rf"another program writes at .*: judging shots, since .*{other.pid}"),
            WriterLock(tmp_path, "accept", wait_s=0),
        ):
            pass
        other.kill()
        other.wait()
        assert holder_of(tmp_path) is None
    with WriterLock(tmp_path, DUTY, wait_s=0):
        assert is_on_duty(tmp_path)
        with pytest.raises(UnusableInput, match="another program writes"), WriterLock(tmp_path, "accept", wait_s=0):
            pass
    assert holder_of(tmp_path) is None


def test_who_waits_gets_the_lock_when_it_is_free(tmp_path: Path):
    with held_by(tmp_path, "judging shots") as other, ThreadPoolExecutor(1) as pool:

        def take() -> bool:
            with WriterLock(tmp_path, "accept", wait_s=60):
                return True

        waiting = pool.submit(take)
        assert other.stdin is not None
        other.stdin.close()
        assert waiting.result(60)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system forks no processes")
def test_a_forked_worker_keeps_no_lock_of_a_writer_that_was_killed(tmp_path: Path):
    command = [sys.executable, "-c", HOLDER, str(tmp_path), DUTY, "fork"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        words = [other.stdout.readline().split() for _ in range(2)]
        child = int(next(told[1] for told in words if told[0] == "child"))
        other.kill()
        other.wait()
        try:
            assert holder_of(tmp_path) is None
        finally:
            os.kill(child, 9)


def test_nonsense_in_the_lock_s_file_keeps_nobody_out(tmp_path: Path):
    (tmp_path / LOCK).write_text("[1, 2")
    with WriterLock(tmp_path, DUTY, wait_s=0):
        assert is_on_duty(tmp_path)
        (tmp_path / LOCK).write_text("{}")
        holder = holder_of(tmp_path)
        assert holder is not None
        assert "does not say" in holder.what


# --- the inbox -------------------------------------------------------------------------------------------------------


@contextmanager
def duty(station: Station) -> Iterator[list[Entry | None]]:
    """Be on duty in a thread: hold the lock, and answer the inbox."""
    answered: list[Entry | None] = []
    end, ready = Event(), Event()

    def work() -> None:
        with WriterLock(station.folder, DUTY), Ledger(station.ledger_place, create=True) as ledger:
            inbox = Inbox(station)
            ready.set()
            while not end.wait(0.01):
                answered.extend(inbox.answer(ledger, request) for request in inbox.pending())

    with ThreadPoolExecutor(1) as pool:
        done = pool.submit(work)
        try:
            assert ready.wait(60) or done.result(0)
            yield answered
        finally:
            end.set()
        done.result(60)


def test_an_act_is_written_by_who_asks_or_by_duty(station: Station):
    first = write_act(station, note(station, "off duty"))
    with duty(station) as answered:
        second = write_act(station, note(station, "on duty"))
        third = write_act(station, lambda seq: note(station, f"number {seq}"))
        assert [e.seq for e in answered if e is not None] == [2, 3]
    fourth = write_act(station, note(station, "off duty again"))
    assert [e.seq for e in (first, second, third, fourth)] == [1, 2, 3, 4]
    with Ledger(station.ledger_place) as ledger:
        there = list(ledger.entries())
        assert there[1] == second
        assert there[2].body["why"] == "number 3"
        assert "request" not in there[0].body
        assert ledger.check().holds
    assert list((station.folder / INBOX).iterdir()) == []


def test_many_who_ask_at_once_are_all_answered_once(station: Station):
    with duty(station), ThreadPoolExecutor(8) as pool:
        entries = list(pool.map(lambda k: ask(station, note(station, f"{k}"), wait_s=60), range(24)))
    assert sorted(e.seq for e in entries) == list(range(1, 25))
    assert {e.body["why"] for e in entries} == {f"{k}" for k in range(24)}


def test_what_is_no_act_of_the_station_is_refused(station: Station):
    with duty(station):
        with pytest.raises(UnusableInput, match="it needs format, act, station, who and why"):
            ask(station, {"format": "tiepoint/act/1", "act": "note"})
        with pytest.raises(UnusableInput, match='of the station "other", and "vents" is on duty'):
            ask(station, {**note(station), "station": "other"})
    with Ledger(station.ledger_place) as ledger:
        assert ledger.head.seq == 0


def test_who_is_not_answered_withdraws(station: Station):
    Inbox(station)
    with pytest.raises(UnusableInput, match="did not answer within 0 s, and nothing was added"):
        ask(station, note(station), wait_s=0)
    assert list((station.folder / INBOX).iterdir()) == []


@pytest.mark.parametrize("added", [False, True])
def test_duty_killed_between_the_entry_and_the_answer_adds_it_once(station: Station, added: bool):
    Inbox(station)
    with ThreadPoolExecutor(1) as pool, Ledger(station.ledger_place, create=True) as ledger:
        asking = pool.submit(ask, station, note(station), wait_s=60)
        killed = Inbox(station)
        while not (taken := list(killed.pending())):
            pass
        if added:  # as `answer` does before it answers
            ledger.append("act", {**taken[0].body, "request": taken[0].id})
        begun_anew = Inbox(station)
        entries = [begun_anew.answer(ledger, request) for request in begun_anew.pending()]
        assert asking.result(60) == entries[0]
        assert ledger.head.seq == 1


def test_an_act_that_could_not_be_written_is_tried_again_and_added_once(station: Station, monkeypatch):
    """As while a database is away: it takes effect as soon as that is back, and not with the next start."""
    Inbox(station)
    with ThreadPoolExecutor(1) as pool, Ledger(station.ledger_place, create=True) as ledger:
        asking = pool.submit(ask, station, note(station), wait_s=60)
        inbox = Inbox(station)

        def away(*_: object, **__: object) -> None:
            raise UnusableInput("the database is away")

        while not (taken := list(inbox.pending())):
            pass
        with monkeypatch.context() as broken:
            broken.setattr(ledger, "append", away)
            for _ in range(3):
                with pytest.raises(UnusableInput, match="away"):
                    inbox.answer(ledger, taken[0])
                taken = list(inbox.pending())
        entry = inbox.answer(ledger, taken[0])
        assert asking.result(60) == entry
        assert list(inbox.pending()) == []
        assert ledger.head.seq == 1


@pytest.mark.parametrize("ending", [".json", ".taken"])
def test_an_act_that_nobody_waits_for_any_more_has_no_effect(station: Station, ending: str):
    """One that was left when duty or who asked was killed: days later it would be a surprise."""
    folder = station.folder / INBOX
    folder.mkdir()
    stem = "20261120T080000000Z-0123456789abcdef"
    (folder / f"{stem}{ending}").write_text(json.dumps({"format": "tiepoint/request/1", "body": note(station)}))
    with Ledger(station.ledger_place, create=True) as ledger:
        inbox = Inbox(station)
        (request,) = inbox.pending()
        assert inbox.answer(ledger, request) is None
        assert ledger.head.seq == 0
    assert "and nobody waits for it; ask again" in json.loads((folder / f"{stem}.answer").read_text())["refused"]


def test_hostile_files_in_the_inbox_are_refused_or_left(station: Station, tmp_path: Path):
    inbox = Inbox(station)
    folder = station.folder / INBOX
    stem = "20261126T080000000Z-0123456789abcde"
    outside = tmp_path / "outside.json"
    outside.write_text(json.dumps({"format": "tiepoint/request/1", "body": note(station)}))
    (folder / f"{stem}0.json").write_text('{"format": "tiepoint/request/1", "body": [1]}')
    (folder / f"{stem}1.json").write_bytes(b"\xff\x00 no text")
    (folder / f"{stem}2.json").symlink_to(outside)
    (folder / f"{stem}3.json").mkdir()
    (folder / f"{stem}4.json").write_bytes(b" " * 5_000_000)
    (folder / "..json").write_text("{}")
    (folder / "notes.txt").write_text("left alone")
    with Ledger(station.ledger_place, create=True) as ledger:
        asked = list(inbox.pending())
        assert [request.id[-1] for request in asked] == list("01234")
        assert all(request.fault for request in asked)
        assert [inbox.answer(ledger, request) for request in asked] == [None] * 5
        assert ledger.head.seq == 0
        assert list(inbox.pending()) == []
    assert json.loads((folder / f"{stem}2.answer").read_text())["refused"].endswith("a request is a file")
    assert outside.is_file()
    assert (folder / "notes.txt").is_file()


SHA = "0" * 64
STUDY = {"act": "study", "kind": "rr", "of": None, "good": True, "sha": SHA, "data_sha": None, "tie_sha": None}


@pytest.mark.parametrize(
    ("about", "says"),
    [
        ({"act": "rename"}, "take the station off first"),
        ({"act": "keep"}, "take the station off first"),
        ({"act": "accept"}, "does not tell its recipes"),
        ({"act": "accept", "recipes": {"recipes/a.toml": 1}, "variants": {}}, "does not tell its recipes"),
        ({"act": "agree", "requirements": "../../x"}, "does not tell its requirements"),
        ({"act": "expire", "records": ["1"], "entries": []}, "does not tell its records"),
        ({"act": "expire", "records": [], "entries": [], "cause": "age"}, '"cause", which nobody reads'),
        ({**STUDY, "file": "studies/../../etc/passwd.json"}, "does not tell its file"),
        ({**STUDY}, "does not tell its file"),
        ({"act": "settle", "alarm": ["a"]}, "does not tell its alarm"),
        ({"act": "lot", "lot": "a\nb"}, "does not tell its lot"),
        ({"act": "rest", "variant": "x"}, '"variant", which nobody reads'),
        ({"act": "note", "request": "another's"}, '"request", which nobody reads'),
        ({"act": "note", "why": "\x1b[2J"}, "printable characters"),
        ({"act": "note", "who": "x" * 300}, "printable characters"),
    ],
)
def test_an_act_that_nobody_could_read_again_never_stands_in_the_ledger(station: Station, about: Any, says: str):
    write_act(station, note(station))
    with duty(station), pytest.raises(UnusableInput, match=says):
        ask(station, {**note(station), **about})
    with Ledger(station.ledger_place) as ledger:
        assert ledger.head.seq == 1
    verify(station)  # it reads all acts, and would end for good on one that does not hold what it reads


def test_the_acts_that_commands_make_are_taken_on_duty(station: Station):
    acts: list[dict[str, Any]] = [
        {"act": "accept", "recipes": {"recipes/bore.toml": SHA}, "variants": {"thin": SHA}},
        {"act": "agree", "requirements": SHA},
        {"act": "expire", "records": [1], "entries": []},
        {**STUDY, "file": "studies/000004-rr.json", "of": "bore A diameter"},
        {"act": "variant", "variant": "thin"},
        {"act": "lot", "lot": "2026-118"},
        {"act": "settle", "alarm": "sharpness rim"},
        *({"act": name} for name in ("bypass", "challenge", "rest", "resume")),
    ]
    with duty(station):
        entries = [ask(station, {**note(station), **about}) for about in acts]
    assert [entry.seq for entry in entries] == list(range(1, len(acts) + 1))


def test_a_station_is_not_renamed_on_duty(station: Station):
    write_act(station, note(station))
    (station.folder / "station.toml").write_text('format = "tiepoint/station/1"\nname = "hinges"\n')
    other = open_station(station.folder)
    with (
        duty(station),
        pytest.raises(UnusableInput, match=r"is not renamed while .* is on duty .*take it off duty first"),
    ):
        rename(other, who="M. Weiss", why="moved")
    assert rename(other, who="M. Weiss", why="moved") is not None
