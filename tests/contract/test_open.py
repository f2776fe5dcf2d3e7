"""`tiepoint open`: a station in the browser of this machine, by a key that lets in once; and the pages' files."""

import gzip
import http.client
import json
import os
import re
import signal
import subprocess
import sys
import threading

import pytest
from tests.helpers.served import Served, new_station, refusal
from tests.helpers.served_station import free_port

from tiepoint.station.folder import open_station
from tiepoint.station.lock import WriterLock
from tiepoint.station.stages import IDS
from tiepoint.station.verify import verify
from tiepoint.web import page
from tiepoint.web.process import server_of
from tiepoint.web.sessions import Local
from tiepoint.web.settings import fault_of_web, settings_of
from tiepoint.web.users import User, token_sha, write_users

ADDRESS = re.compile(r"http://127\.0\.0\.1:(\d+)/#key=([\w-]{43})")


class Opened:
    """The command in a process of its own."""

    def __init__(self, folder, *words):
        command = [sys.executable, "-m", "tiepoint.cli.main", "open", str(folder), "--no-browser", *words]
        self.process = subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.said = []
        for line in self.process.stderr:
            self.said.append(line.rstrip())
            if found := ADDRESS.match(line):
                self.port, self.key = int(found[1]), found[2]
                break
        else:
            self.process.communicate()
            self.port, self.key = 0, ""

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        self.process.communicate(timeout=60)

    def ask(self, method, path, content=None, **headers):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            connection.request(method, path, None if content is None else json.dumps(content),
                               {"Content-Type": "application/json", **headers})  # fmt: skip
            answer = connection.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        finally:
            connection.close()


def test_an_empty_folder_becomes_a_station_whose_key_lets_in_once(tmp_path):
    folder = tmp_path / "hinge plates"
    with Opened(folder) as opened:
        assert opened.said[0] == f"{folder} is a new station, called hinge plates."
        assert open_station(folder).name == "hinge plates"
        assert opened.ask("GET", "/api/session")[2] == b'{"name":"anybody","role":"look","csrf":null}'
        status, headers, body = opened.ask("POST", "/api/session/key", {"key": opened.key})
        told = json.loads(body)
        assert (status, told["role"]) == (200, "change")
        assert told["name"].endswith(" (here)")
        cookie = headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=strict" in cookie
        mine = {"Cookie": cookie.partition(";")[0], "Origin": f"http://127.0.0.1:{opened.port}",
                "X-CSRF-Token": told["csrf"]}  # fmt: skip
        assert json.loads(opened.ask("GET", "/api/session", **mine)[2])["role"] == "change"
        # It may change: there is nothing to undo yet, and that is what it is told.
        status, _, body = opened.ask("POST", "/api/undo", {}, **mine)
        assert (status, refusal(status, body)["says"]) == (422, "there is nothing that could be undone")
        # The key is worth nothing any more, to whoever has it.
        status, _, body = opened.ask("POST", "/api/session/key", {"key": opened.key})
        assert (status, refusal(status, body)["where"]) == (401, "key")
        stages = json.loads(opened.ask("GET", "/api/stages")[2])["stages"]
        assert [stage["id"] for stage in stages] == list(IDS)
        assert {stage["state"] for stage in stages} == {"empty"}
    with Opened(folder) as again:
        assert again.key != opened.key
        assert again.ask("GET", "/api/session", **mine)[2].startswith(b'{"name":"anybody"')
        assert again.process.poll() is None


def test_the_stations_own_port_is_left_to_duty(tmp_path):
    folder, port = new_station(tmp_path / "s"), free_port()
    with (folder / "station.toml").open("a", encoding="utf-8") as file:
        file.write(f"\n[web]\nport = {port}\n")
    with Opened(folder) as opened, Opened(folder) as another:
        assert len({port, opened.port, another.port}) == 3
        assert fault_of_web(open_station(folder)) is None  # serve, in another terminal, is not kept from it
    with Opened(folder, "--port", str(port)) as asked:
        assert asked.port == port


def test_nothing_but_a_station_or_an_empty_folder_is_opened(tmp_path):
    (tmp_path / "photo.png").write_bytes(b"x")
    for folder in (tmp_path, tmp_path / "photo.png"):
        with Opened(folder) as opened:
            assert opened.process.returncode == 2
            assert "is no station, and not empty" in opened.said[0]
    assert [path.name for path in tmp_path.iterdir()] == ["photo.png"]


def test_the_browser_is_led_by_a_file_that_others_cannot_read(tmp_path, monkeypatch):
    from tiepoint.cli.open import _Led

    opened = threading.Event()
    led_to = []
    monkeypatch.setattr("webbrowser.open", lambda address: (led_to.append(address), opened.set()))
    led = _Led(tmp_path / "private", True)
    led.to("http://127.0.0.1:8/#key=abc&x=1")
    assert opened.wait(30)
    (file,) = (tmp_path / "private").glob("open-*.html")
    assert led_to == [file.as_uri()]
    assert "abc" not in led_to[0]
    assert 'url=http://127.0.0.1:8/#key=abc&amp;x=1"' in file.read_text()
    if os.name == "posix":
        assert file.stat().st_mode & 0o077 == 0
        assert file.parent.stat().st_mode & 0o077 == 0
    led.end()
    assert not file.exists()


def test_a_wrong_key_lets_nobody_in_and_attempts_are_few(tmp_path):
    folder = new_station(tmp_path / "plates")
    local = Local.named("m.weiss")
    with Keyed(folder, local) as served:
        for _ in range(5):
            status, _, body = served.ask("POST", "/api/session/key", body='{"key": "guess"}',
                                         headers={"Content-Type": "application/json"})  # fmt: skip
            assert (status, refusal(status, body)["code"]) == (401, "not_known")
        status, _, _ = served.ask("POST", "/api/session/key", body=json.dumps({"key": local.key}),
                                  headers={"Content-Type": "application/json"})  # fmt: skip
        assert status == 429
        assert local.key


class Keyed(Served):
    """A station that is served as it is when it is opened."""

    def __init__(self, folder, local):
        super().__init__(folder)
        self.server = server_of(folder, settings_of(open_station(folder), port=0), self.connections, local=local)
        self.app = self.server.config.app


def test_a_station_that_is_served_lets_nobody_in_by_a_key(tmp_path):
    with Served(new_station(tmp_path / "plates")) as served:
        for key in ("x", "0" * 43):
            status, _, _ = served.ask("POST", "/api/session/key", body=json.dumps({"key": key}),
                                      headers={"Content-Type": "application/json"})  # fmt: skip
            assert status == 401
        status, _, _ = served.ask("POST", "/api/session/key", body='{"key": ""}',
                                  headers={"Content-Type": "application/json"})  # fmt: skip
        assert status == 422


@pytest.mark.parametrize("name", ["", "m.weiss", "Jörg Müller", "../x", "a" * 300, "x\n"])
def test_the_person_here_is_no_user_of_the_file(name):
    from tiepoint.foundation.errors import UnusableInput
    from tiepoint.web.users import demand_name

    user = Local.named(name).user
    assert user.role == "change"
    assert len(user.name) <= 60
    assert user.name.isprintable()
    with pytest.raises(UnusableInput):
        demand_name(user.name)


def test_who_has_it_open_alone_accepts_without_duty_and_others_need_it(vent):
    write_users(vent.folder / "private" / "users.json", [User("change", "change", None, token_sha("change"))])
    wanted = json.dumps({"recipes": ["recipes/bore.toml"], "why": "first"})
    headers = {"Authorization": "Bearer change", "Content-Type": "application/json"}
    with Served(vent.folder) as served:
        assert served.ask("POST", "/api/accept", headers=headers, body=wanted)[0] == 409
    with Keyed(vent.folder, Local.named("m.weiss")) as served:
        status, _, body = served.ask("POST", "/api/accept", headers=headers, body=wanted)
        assert (status, set(json.loads(body)["variants"])) == (201, {"thin", "wide"})
    assert verify(open_station(vent.folder)).good


# --- the pages' files ------------------------------------------------------------------------------------------------


@pytest.fixture
def built(tmp_path, monkeypatch):
    """Stand for an app that was built."""
    folder = tmp_path / "app"
    (folder / "sub").mkdir(parents=True)
    (folder / "index.html").write_text("<!doctype html><title>app</title>")
    (folder / "index-a1b2.js").write_text("export const a = 1;\n" * 200)
    (folder / "sub" / "face-c3d4.woff2").write_bytes(b"wOF2")
    (folder / ".source").write_text("secret")
    (folder / "notes.md").write_text("secret")
    monkeypatch.setattr(page, "APP", folder)
    return folder


@pytest.fixture
def served(tmp_path, built):
    folder = new_station(tmp_path / "plates")
    write_users(folder / "private" / "users.json", [User("look", "look", None, token_sha("look"))])
    with Served(folder) as there:
        yield there


def test_every_stage_has_its_page(served):
    for id_ in IDS:
        status, headers, body = served.ask("GET", f"/{id_}")
        assert (status, headers["content-type"]) == (200, "text/html; charset=utf-8")
        assert headers["cache-control"] == "no-cache"
        assert b"<title>app" in body
    assert served.ask("GET", "/nothing")[0] == 404


def test_files_with_a_hash_in_their_name_are_kept_and_come_packed(served):
    status, headers, body = served.ask("GET", "/static/app/index-a1b2.js")
    assert (status, headers["content-type"]) == (200, "text/javascript; charset=utf-8")
    assert headers["cache-control"] == "public, max-age=31536000, immutable"
    status, packed, data = served.ask("GET", "/static/app/index-a1b2.js", headers={"Accept-Encoding": "gzip, br"})
    assert packed["content-encoding"] == "gzip"
    assert packed["vary"] == "Accept-Encoding"
    assert gzip.decompress(data) == body
    assert len(data) < len(body) / 5
    etag = {"If-None-Match": headers["etag"]}
    assert served.ask("GET", "/static/app/index-a1b2.js", headers=etag)[0] == 304
    assert served.ask("GET", "/static/app/sub/face-c3d4.woff2")[1]["content-type"] == "font/woff2"
    assert served.ask("GET", "/static/app/index.html")[1]["cache-control"] == "no-cache"


@pytest.mark.parametrize("name", [".source", "notes.md", "../page.js", "sub", "", "sub/../index.html", "%2e%2e/x.js"])
def test_nothing_else_of_the_folder_is_given(served, name):
    status, _, body = served.ask("GET", f"/static/app/{name}")
    assert status in (400, 404)
    assert b"secret" not in body


def test_an_app_that_is_built_anew_is_served_anew(served, built):
    assert b"app" in served.ask("GET", "/see")[2]
    (built / "index.html").write_text("<!doctype html><title>newer</title>")
    os.utime(built / "index.html", ns=(1, 1))
    assert b"newer" in served.ask("GET", "/see")[2]


def test_the_first_page_leads_to_where_the_job_goes_on(served):
    status, headers, _ = served.ask("GET", "/")
    assert (status, headers["location"], headers["cache-control"]) == (302, "/see", "no-store")
    with WriterLock(served.folder, "duty"):
        assert served.ask("GET", "/")[1]["location"] == "/duty"


def test_without_a_built_app_a_page_says_how_to_build_it(tmp_path, monkeypatch):
    monkeypatch.setattr(page, "APP", tmp_path / "nothing")
    with Served(new_station(tmp_path / "plates")) as served:
        status, _, body = served.ask("GET", "/see")
        assert status == 503
        assert refusal(status, body)["do"] == "build them with python hatch_build.py, or install tiepoint anew"
        assert served.ask("GET", "/static/app/index.html")[0] == 404


def test_tiles_are_asked_for_oftener_than_all_else_but_not_without_end(tmp_path):
    with Served(new_station(tmp_path / "plates"), requests_per_s=5) as served:
        connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)

        def statuses(path, n):
            found = []
            for _ in range(n):
                connection.request("GET", path)
                answer = connection.getresponse()
                answer.read()
                found.append(answer.status)
            return found

        tile = "/api/pictures/0123456789abcdef/tiles/0/0/0"
        assert set(statuses(tile, 20)) == {404}  # twice as many as of anything else at once
        assert 429 in statuses(tile, 400)
        assert statuses("/api/session", 1) == [200]  # tiles use up nothing of the rest
        connection.close()
