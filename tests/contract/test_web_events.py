"""Live events: nothing missed, nothing twice, whoever writes meanwhile, and who does not read costs nothing."""

import http.client
import json
import select
import socket
import subprocess
import sys
import threading

import pytest
from tests.helpers.served import Served, commit, keep_picture, new_station, refusal

from tiepoint.station.duty.status import write_status
from tiepoint.station.ledger import Ledger, utc_now
from tiepoint.station.wires.wire import Told
from tiepoint.web import feed as feed_module

WRITER = """
import sys
from pathlib import Path
from tests.helpers.served import commit
for k in range(int(sys.argv[2])):
    commit(Path(sys.argv[1]), 1, first=1000 + k)
"""


class Viewer:
    """A reader of the stream as the standard has it (WHATWG HTML, 9.2.6), by hand."""

    def __init__(self, served, after=None, last=None, token=None):
        self._connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
        headers = {} if last is None else {"Last-Event-ID": str(last)}
        headers |= {} if token is None else {"Authorization": f"Bearer {token}"}
        self._connection.request("GET", "/api/events" + ("" if after is None else f"?after={after}"), headers=headers)
        self._answer = self._connection.getresponse()
        assert self._answer.status == 200, self._answer.read()
        assert self._answer.getheader("Content-Type").startswith("text/event-stream")
        self.last = last

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._answer.close()
        self._connection.close()

    def events(self):
        """Yield kind, id and content of each event."""
        told = {}
        while line := self._answer.readline():
            key, _, value = line.decode().rstrip("\n").partition(": ")
            if key:
                told[key] = value
            elif "data" in told:
                self.last = told.get("id", self.last)
                yield told.get("event"), int(told["id"]) if "id" in told else None, json.loads(told["data"])
                told = {}

    def entries(self, until):
        """Return the numbers of all entries up to one."""
        seen = []
        for _, seq, _ in self.events():
            if seq is not None:
                seen.append(seq)
                if seq >= until:
                    return seen
        raise AssertionError(f"the stream ended after {seen[-3:]}")


@pytest.fixture
def folder(tmp_path):
    return new_station(tmp_path / "plates")


def test_entries_come_live_with_their_numbers_and_the_state_without(folder):
    commit(folder, 3)
    with Served(folder) as served, Viewer(served) as viewer:
        events = viewer.events()
        assert next(events)[:2] == ("state", None)
        (seq,) = commit(folder, 1, "rejected", first=9)
        kind, number, told = next(events)
        assert (kind, number, told["verdict"], told["part_id"]) == ("record", seq, "rejected", "GV-0009")
        assert told["not_conforming"] == ["bore A.diameter"]
        keep_picture(folder, seq, (64, 48))
        kind, number, told = next(events)
        assert (kind, number, told["body"]["record"]) == ("archived", seq + 1, seq)
        told = Told("on duty", utc_now())
        write_status(folder, pid=1, told=told, seq=seq, waiting=0, written_utc=utc_now())
        kind, number, told = next(events)
        assert (kind, number, told["state"]) == ("state", None, "on duty")


def test_a_viewer_that_comes_again_misses_nothing_while_another_process_writes(folder):
    count = 120
    command = [sys.executable, "-c", WRITER, str(folder), str(count)]
    with Served(folder) as served, subprocess.Popen(command) as writer:
        seen, last = [], 0
        while len(seen) < count:
            # Each time it reads a few, and is lost.
            with Viewer(served, after=0, last=last or None) as viewer:
                for _, seq, _ in viewer.events():
                    if seq is not None:
                        seen.append(seq)
                    if seq is not None and (len(seen) % 7 == 0 or len(seen) == count):
                        break
                last = seen[-1]
        assert writer.wait(60) == 0
    assert seen == list(range(1, count + 1))


def test_what_was_long_ago_is_read_from_the_ledger(folder, monkeypatch):
    monkeypatch.setattr(feed_module, "RECENT", 5)
    monkeypatch.setattr(feed_module, "AT_ONCE", 3)
    commit(folder, 40)
    with Served(folder) as served, Viewer(served, after=11) as viewer:
        assert viewer.entries(40) == list(range(12, 41))
        commit(folder, 9, first=100)
        assert viewer.entries(49) == list(range(41, 50))


def test_twenty_viewers_are_told_the_same_by_one_reader(folder):
    count, viewers = 60, 20
    with Served(folder) as served:
        told: list[list[int]] = [[] for _ in range(viewers)]
        all_there = threading.Barrier(viewers + 1)

        def look(k):
            with Viewer(served) as viewer:
                assert next(viewer.events())[0] == "state"
                all_there.wait(60)
                told[k] += viewer.entries(count)

        threads = [threading.Thread(target=look, args=(k,)) for k in range(viewers)]
        for thread in threads:
            thread.start()
        all_there.wait(60)
        for k in range(count):
            commit(folder, 1, first=k)
        for thread in threads:
            thread.join(120)
        assert told == [list(range(1, count + 1))] * viewers
        # Each entry was read and written out once for all of them.
        assert served.app.state.here.feed.told_alone == 0


def test_a_viewer_that_never_reads_is_cut_off_and_keeps_nobody_waiting(folder, monkeypatch):
    monkeypatch.setattr(feed_module, "SEND_S", 0.5)
    commit(folder, 1500)
    with Served(folder, send_buffer=8192) as served, socket.socket() as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.connect(("127.0.0.1", served.port))
        deaf.sendall(f"GET /api/events?after=0 HTTP/1.1\r\nHost: {served.host}\r\n\r\n".encode())
        over = select.poll()
        over.register(deaf, 0)  # errors and the end are told of in any case
        with Viewer(served, after=0) as viewer:
            assert viewer.entries(1500) == list(range(1, 1501))
            commit(folder, 1, first=5000)
            assert viewer.entries(1501) == [1501]
            ((_, told),) = over.poll(60_000)
            assert told & (select.POLLERR | select.POLLHUP)
            commit(folder, 1, first=5001)
            assert viewer.entries(1502) == [1502]
        assert len(served.app.state.here.feed._recent) <= feed_module.RECENT


def test_there_are_no_more_viewers_than_the_station_says(folder):
    with Served(folder, viewers=2) as served, Viewer(served) as one, Viewer(served) as two:
        next(one.events()), next(two.events())
        status, _, body = served.ask("GET", "/api/events")
        assert (status, refusal(status, body)["code"]) == (503, "not_ready")


def test_who_has_many_places_makes_room_for_somebody_else(folder, cli):
    """A page that opens stream after stream would otherwise keep all others from seeing what the station does."""
    token = cli("user", "add", folder, "board", "--role", "look", "--token", "--json").json["token"]
    with Served(folder, viewers=3) as served, Viewer(served) as one, Viewer(served) as two, Viewer(served) as three:
        first = one.events()
        next(first), next(two.events()), next(three.events())
        assert served.ask("GET", "/api/events")[0] == 503  # nobody ends a stream of their own by one more
        with Viewer(served, token=token) as board:
            assert next(board.events())[0] == "state"
            assert list(first) == []  # the oldest of who had most has ended, in good order
            assert served.ask("GET", "/api/events")[0] == 503
            assert served.ask("GET", "/api/events", headers={"Authorization": f"Bearer {token}"})[0] == 503
            (seq,) = commit(folder, 1)
            assert [viewer.entries(seq) for viewer in (two, three, board)] == [[seq]] * 3


def test_another_ledger_in_its_place_is_told_as_such(folder):
    commit(folder, 3)
    with Served(folder) as served, Viewer(served, last=77) as viewer:
        events = viewer.events()
        assert next(events)[:2] == ("reset", 3)
        commit(folder, 1)
        assert next(e for e in events if e[1] is not None)[1] == 4


def test_nobody_reads_the_ledger_where_nobody_looks(folder):
    with Served(folder) as served:
        feed = served.app.state.here.feed
        commit(folder, 5)
        assert served.get("/api/records?count=1")[1]["records"][0]["seq"] == 5
        assert feed.reads == 0
        with Ledger(folder / "ledger.sqlite") as ledger:
            assert ledger.head.seq == 5
