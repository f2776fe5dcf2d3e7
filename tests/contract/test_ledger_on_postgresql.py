"""The ledger on a real PostgreSQL server: the same chain, the same guards, the same answers as in a file."""

import hashlib
import itertools
import json
import os
import socket
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
import rfc8785
from tests.helpers.made_records import record
from tests.helpers.servers import Postgres, postgres

from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.recipe.records import record_from
from tiepoint.station.acts import write_act
from tiepoint.station.composed import composed
from tiepoint.station.folder import Server, open_station
from tiepoint.station.ledger import Head, Ledger, has_ledger
from tiepoint.station.naming import act_of
from tiepoint.station.questions import Asked, counts, counts_per, last_records

NOTE = {"format": "tiepoint/act/1", "act": "note", "who": "M. Weiss", "why": "a trial"}
_numbers = itertools.count(1)


@pytest.fixture(scope="module")
def server():
    with postgres() as made:
        yield made


@pytest.fixture
def where(server: Postgres) -> Server:
    """A database of its own."""
    name = f"vents_{next(_numbers)}"
    assert server.run("postgres", f"CREATE DATABASE {name}") == "CREATE DATABASE"
    return Server(server.url(name), server.password)


def database(where: Server) -> str:
    return where.url.rpartition("/")[2]


def fill(ledger: Ledger) -> None:
    for k in range(30):
        part = ("p\0" + "x" * 5000) if k == 7 else f"p{k % 5}"
        made = replace(record(k, 4.5 if k % 3 else None, part=part), sha=None)
        ledger.commit(made, at=f"2026-11-26T08:{k:02d}:00.000Z")
        if k % 10 == 0:
            ledger.append("act", NOTE, at=f"2026-11-26T08:{k:02d}:01.000Z")


def test_the_chain_is_that_of_a_file(where: Server, tmp_path: Path):
    with Ledger(where, create=True) as there, Ledger(tmp_path / "ledger.sqlite", create=True) as here:
        for ledger in (there, here):
            fill(ledger)
        assert there.head == here.head
        assert list(there.entries()) == list(here.entries())
        told = there.check()
        assert (told.holds, told.sums_differ, told.count) == (True, (), 33)
        assert all(record_from(e.body).seq == e.seq for e in there.entries("record"))
        for asked in (
            Asked(),
            Asked(part_id="p3"),
            Asked(part_id="p\0" + "x" * 5000),
            Asked(since="2026-11-26T08:03:30Z", until="2026-11-26T08:20:00.500Z"),
            Asked(verdict="unread", variant="large"),
        ):
            assert counts(there, asked) == counts(here, asked)
            assert counts_per(there, "minute", asked) == counts_per(here, "minute", asked)
            assert last_records(there, 12, asked) == last_records(here, 12, asked)
        assert len(last_records(there, 12, Asked(part_id="p\0" + "x" * 5000))) == 1
        assert there.rebuild_sums() == 30
        assert counts(there) == counts(here)
    with Ledger(where) as again:
        assert again.last("act").body == NOTE
        assert again.holds(again.head.sha) == 33


def test_every_entry_is_canonical_and_chained_by_others_means(server: Postgres, where: Server):
    """By psql, the rfc8785 package and hashlib: none of the ledger's own code."""
    with Ledger(where, create=True) as ledger:
        fill(ledger)
    before = "0" * 64
    rows = server.run(database(where), "SELECT json_agg(json_build_array(sha, entry) ORDER BY seq) FROM entries")
    for sha, entry in json.loads(rows):
        assert entry.encode() == rfc8785.dumps(json.loads(entry))
        assert json.loads(entry)["prev_sha"] == before
        before = hashlib.sha256(entry.encode()).hexdigest()
        assert sha == before


@pytest.mark.parametrize("line", ["UPDATE entries SET kind = 'x'", "DELETE FROM entries", "TRUNCATE entries"])
def test_the_database_itself_refuses_to_change_a_row(server: Postgres, where: Server, line: str):
    with Ledger(where, create=True) as ledger:
        ledger.append("act", NOTE)
    assert "the ledger is only ever added to" in server.run(database(where), line)
    with Ledger(where) as ledger:
        assert ledger.check().count == 1


def test_what_an_administrator_changes_is_found(server: Postgres, where: Server):
    with Ledger(where, create=True) as ledger:
        fill(ledger)
        server.run(
            database(where),
            "ALTER TABLE entries DISABLE TRIGGER ALL; UPDATE entries SET verdict = 'conforms' WHERE seq = 3; "
            "DELETE FROM entries WHERE seq = 9",
        )
        assert ledger.check().faults == (
            "entry 3 was altered: its verdict is not what its content says",
            "entry 9 is missing",
        )


def test_writers_side_by_side_make_one_chain(where: Server):
    Ledger(where, create=True).close()

    def write(who: int) -> None:
        with Ledger(where) as ledger:
            for k in range(10):
                ledger.append_made("act", lambda seq: {**NOTE, "why": f"{who} {k} {seq}"})  # noqa: B023  # at once

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(write, range(4)))
    with Ledger(where) as ledger:
        told = ledger.check()
        assert (told.count, told.faults) == (40, ())
        assert all(e.body["why"].endswith(f" {e.seq}") for e in ledger.entries())


def test_two_who_begin_at_once_begin_one(where: Server):
    with ThreadPoolExecutor(3) as pool:
        ledgers = list(pool.map(lambda _: Ledger(where, create=True), range(3)))
    for ledger in ledgers:
        ledger.append("act", NOTE)
        ledger.close()
    with Ledger(where) as ledger:
        assert ledger.check().count == 3


def test_a_writer_that_holds_on_is_told(where: Server, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("tiepoint.station.ledger_base.WAIT_S", 1.0)
    says = "another program has been writing to it for 1 s; no entry was added"
    with (
        Ledger(where, create=True) as ledger,
        Ledger(where) as other,
        other._writing(),
        pytest.raises(UnusableInput, match=says),
    ):
        ledger.append("act", NOTE)


@pytest.mark.skipif(not hasattr(socket, "TCP_USER_TIMEOUT"), reason="this system has no such option")
def test_a_line_that_is_pulled_out_is_given_up_in_seconds(where: Server):
    """By what the system says of the socket (RFC 5482, tcp(7))."""
    with Ledger(where, create=True) as ledger, ledger._reading() as base:
        with socket.socket(fileno=os.dup(base.connection.dbapi_connection.fileno())) as line:
            patience_ms = line.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT)
            asked = [line.getsockopt(socket.IPPROTO_TCP, what) for what in (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL)]
        assert (patience_ms, asked) == (10_000, [5, 2])


def test_what_is_wrong_with_a_server_is_told(server: Postgres, where: Server):
    with pytest.raises(UnusableInput, match=r"there is no ledger in postgresql.*it begins with the first"):
        Ledger(where)
    assert not has_ledger(where)
    with pytest.raises(UnusableInput, match="does not take the user with this password") as told:
        Ledger(Server(where.url, "a loud word"), create=True)
    assert "loud" not in str(told.value)
    with pytest.raises(UnusableInput, match="asks for a password; name where it lies"):
        Ledger(Server(where.url), create=True)
    with pytest.raises(UnusableInput, match='database "nowhere" does not exist'):
        Ledger(Server(server.url("nowhere"), server.password), create=True)
    with pytest.raises(UnusableInput, match="no server listens there"):
        Ledger(Server("postgresql+psycopg://station@127.0.0.1:1/vents", "x"), create=True)
    with pytest.raises(UnusableInput, match="is no URL of a database"):
        Ledger(Server("vents on db", "x"), create=True)
    assert "quiet" not in repr(where)
    server.run(database(where), "CREATE TABLE mine (a int)")
    with pytest.raises(UnusableDocument, match="is a database, and no ledger of a station"):
        Ledger(where, create=True)


def test_a_newer_one_is_refused(server: Postgres, where: Server):
    Ledger(where, create=True).close()
    server.run(database(where), "UPDATE alembic_version SET version_num = '99'")
    with pytest.raises(UnusableDocument, match="newer tiepoint"):
        Ledger(where)


def test_a_server_that_goes_and_comes_back_loses_nothing(server: Postgres, where: Server):
    with Ledger(where, create=True) as ledger:
        ledger.append("act", NOTE)
        head = ledger.head
        server.stop()
        with pytest.raises(UnusableInput, match="cannot use the ledger postgresql"):
            ledger.append("act", NOTE)
        server.start()
        assert ledger.head == head
        assert ledger.append("act", NOTE).seq == 2
        assert ledger.check().holds


@contextmanager
def answers_lost(ledger: Ledger, monkeypatch: pytest.MonkeyPatch, *, has_reached_it: bool = True):
    """The server commits, and the line breaks before it can say so; or it breaks before it `has_reached_it`."""
    dialect = ledger._engine.dialect
    does = dialect.do_commit if has_reached_it else dialect.do_rollback

    def lost(connection: object) -> None:
        does(connection)
        raise dialect.dbapi.OperationalError("server closed the connection unexpectedly")

    with monkeypatch.context() as broken:
        broken.setattr(dialect, "do_commit", lost)
        yield pytest.raises(UnusableInput, match="whether the entry was added is not known")


def test_a_record_whose_answer_was_lost_is_added_once(where: Server, monkeypatch: pytest.MonkeyPatch):
    made = composed(replace(record(1), sha=None))
    with Ledger(where, create=True) as ledger:
        with answers_lost(ledger, monkeypatch) as is_told, is_told:
            ledger.commit_composed(made)
        there, sha = ledger.commit_composed(made)
        assert (there.seq, ledger.head) == (1, Head(1, sha))
        assert ledger.commit_composed(made)[0].seq == 2  # another part that is alike, and was asked for as such
        assert ledger.check().holds
        assert ledger.check().sums_differ == ()


def test_it_is_added_once_whatever_was_added_meanwhile(where: Server, monkeypatch: pytest.MonkeyPatch):
    """As on duty: that the ledger cannot be written is itself an entry, and it comes before the next attempt."""
    made, late = (composed(replace(record(k), sha=None)) for k in (1, 2))
    with Ledger(where, create=True) as ledger:
        with answers_lost(ledger, monkeypatch) as is_told, is_told:
            ledger.commit_composed(made)
        for _ in range(40):  # over and over, as while a line is unsteady
            with answers_lost(ledger, monkeypatch, has_reached_it=False) as is_told, is_told:
                ledger.append("act", NOTE)
        with answers_lost(ledger, monkeypatch) as is_told, is_told:
            ledger.append("act", NOTE)
        assert ledger.append("act", NOTE).seq == 2
        assert ledger.append("act", NOTE).seq == 3  # done twice, and asked for as such
        there, sha = ledger.commit_composed(late, before=made)  # its deadline has passed by now
        assert (there.seq, there.shot.id, ledger.holds(sha)) == (1, made.record.shot.id, 1)
        assert ledger.commit_composed(late)[0].seq == 4
        assert ledger.check().holds
        assert ledger.check().sums_differ == ()


@pytest.mark.parametrize("level", ["repeatable read", "serializable"])
def test_writers_take_turns_whatever_isolation_the_server_begins_with(server: Postgres, where: Server, level: str):
    """A snapshot that is taken before the lock was waited for has an old head (PostgreSQL manual, 13.2.2)."""
    server.run("postgres", f"ALTER DATABASE {database(where)} SET default_transaction_isolation = '{level}'")
    Ledger(where, create=True).close()

    def write(_: int) -> None:
        with Ledger(where) as ledger:
            for _ in range(10):
                ledger.append("act", NOTE)

    with ThreadPoolExecutor(3) as pool:
        list(pool.map(write, range(3)))
    with Ledger(where) as ledger:
        assert ledger.check().count == 30


def test_a_station_keeps_its_ledger_on_a_server(server: Postgres, where: Server, tmp_path: Path, monkeypatch):
    text = f'format = "tiepoint/station/1"\nname = "vents"\n[ledger]\nurl = "{where.url}"\n'
    (tmp_path / "station.toml").write_text(text + 'password_env = "VENTS_LEDGER"\n')
    station = open_station(tmp_path)
    with pytest.raises(UnusableInput, match="from the environment variable VENTS_LEDGER, which is not set"):
        write_act(station, act_of(station, "note", who="M. Weiss", why="begun"))
    monkeypatch.setenv("VENTS_LEDGER", server.password)
    assert write_act(station, act_of(station, "note", who="M. Weiss", why="begun")).seq == 1
    (tmp_path / "word").write_text(server.password + "\n")
    (tmp_path / "station.toml").write_text(text + 'password_file = "word"\n')
    with Ledger(open_station(tmp_path).ledger_place) as ledger:
        assert ledger.head != Head(0, "0" * 64)
    assert not (tmp_path / "ledger.sqlite").exists()
    assert any("a copy of the folder is without it" in said for said in station.outside())
    (tmp_path / "station.toml").write_text(text.replace("station@", "station:secret@"))
    with pytest.raises(UnusableInput, match=r"holds a password, which has no place in station.toml") as told:
        open_station(tmp_path)
    assert "secret" not in str(told.value)
