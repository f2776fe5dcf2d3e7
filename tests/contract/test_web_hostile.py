"""Hostile requests: whatever is sent, nothing is written, nothing outside the station is read, no trace comes back."""

import json
import random
import socket
import subprocess
import sys

import pytest
from tests.helpers.served import Served, commit, keep_picture, new_station, refusal

from tiepoint.cli.main import main

SECRET = b"what lies outside of the station"
PASSWORD = "four words are enough"
PLACES = [
    "../secret.txt", "..%2fsecret.txt", "..%2Fsecret.txt", "%2e%2e/secret.txt", "%2e%2e%2fsecret.txt", "..\\secret.txt",
    "..%5csecret.txt", "....//secret.txt", "%252e%252e%252fsecret.txt", "..%c0%afsecret.txt", "/etc/passwd",
    "//etc/passwd",
    "%2fetc%2fpasswd", "picture.png%00.txt", "picture.png/../../../secret.txt", "C:%5cWindows%5cwin.ini",
    "file:///etc/passwd", "..;/secret.txt", ".%00./secret.txt", "picture.png%0d%0aX-Evil:1", "%ff%fe", "nul", "con.png",
    "a" * 900, "\u202egnp.erutcip".encode().hex(), "picture.png%20", "PICTURE.PNG", "../../archive/../secret.txt",
    "ledger.sqlite", "../ledger.sqlite", "station.toml", "private/users.json", "*", "~root", "$(id)", "|id", "%n%n%n",
    "{seq.__class__}", "<script>", "'; DROP TABLE entries; --",
]  # fmt: skip
ROUTES = [
    "/static/{}",
    "/api/records/1/files/{}",
    "/api/records/1/files/{}/preview",
    "/api/records/{}",
    "/{}",
    "/api/{}",
]


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    top = tmp_path_factory.mktemp("hostile")
    folder = new_station(top / "plates", '[[camera]]\nname = "top"\nfrom = "push"\n')
    commit(folder, 2)
    keep_picture(folder, 1, (64, 48))
    for place in (top, folder, folder / "archive"):
        (place / "secret.txt").write_bytes(SECRET)
    assert main(["user", "add", str(folder), "looker", "--token"]) == 0
    with Served(folder, requests_per_s=10_000) as running:
        yield running


@pytest.fixture
def untouched(served):
    """Hold that a test wrote nothing into the station but the access log."""
    before = state_of(served.folder)
    yield
    assert state_of(served.folder) == before


def state_of(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != "access.jsonl" and not path.name.endswith(("-shm", "-wal"))
    }


def sent(served, data, *, until_closed=True, timeout_s=60.0):
    """Return all that comes back for raw bytes."""
    with socket.create_connection(("127.0.0.1", served.port), timeout=timeout_s) as raw:
        raw.sendall(data)
        received = b""
        try:
            while part := raw.recv(65536):
                received += part
                if not until_closed:
                    break
        except ConnectionResetError:
            pass
        return received


def request(served, target, *headers, method="GET", body=b""):
    lines = [f"{method} ".encode() + target + b" HTTP/1.1", b"Connection: close", *headers]
    if not any(h.lower().startswith(b"host:") for h in headers):
        lines.append(f"Host: {served.host}".encode())
    return b"\r\n".join(lines) + b"\r\n\r\n" + body


def parsed(received):
    head, _, body = received.partition(b"\r\n\r\n")
    return int(head.split()[1]), head.decode("latin-1"), body


@pytest.mark.parametrize("route", ROUTES)
def test_no_path_leads_out_of_what_is_served(served, untouched, route):
    for place in PLACES:
        target = route.format(place).encode("utf-8").replace(b" ", b"%20")
        received = sent(served, request(served, target))
        status, head, body = parsed(received)
        assert SECRET not in received
        assert b"root:" not in received
        assert status in (400, 404, 422), (target, status)
        refusal(status, body)
        assert "X-Evil" not in head
        assert "evil" not in head.lower()


@pytest.mark.parametrize(
    "host",
    ["evil.example", "127.0.0.1.evil.example", "evil.example:{port}", "localhost.evil.example", "", "[::1",
     "a@127.0.0.1",
     "127.0.0.1, evil.example", "169.254.169.254", "0.0.0.0", "127.0.0.1/../x", "127.0.0.1:99999x", "\xff\xfe"],
)  # fmt: skip
def test_another_name_of_this_machine_is_refused(served, untouched, host):
    named = b"Host: " + host.format(port=served.port).encode("latin-1")
    status, _, body = parsed(sent(served, request(served, b"/api/state", named)))
    assert status in (400, 421)
    refusal(status, body)


@pytest.mark.parametrize("host", ["localhost:{port}", "127.0.0.1", "LOCALHOST", "[::1]:{port}", "localhost."])
def test_its_own_names_are_taken(served, host):
    named = b"Host: " + host.format(port=served.port).encode()
    assert parsed(sent(served, request(served, b"/api/state", named)))[0] == 200


@pytest.mark.parametrize(
    "told",
    [b"Origin: http://evil.example", b"Origin: null", b"Origin: https://{host}", b"Origin: http://{host}.evil.example",
     b"Origin: http://127.0.0.1", b"Origin:", b"Sec-Fetch-Site: cross-site", b"Sec-Fetch-Site: same-site"],
)  # fmt: skip
@pytest.mark.parametrize("method", ["GET", "POST", "DELETE"])
def test_a_page_of_another_site_is_refused(served, untouched, told, method):
    header = told.replace(b"{host}", served.host.encode())
    status, _, body = parsed(sent(served, request(served, b"/api/session", header, method=method)))
    assert (status, refusal(status, body)["code"]) == (403, "not_allowed")


def test_a_link_from_another_site_opens_the_page_and_nothing_else(served):
    told = b"Sec-Fetch-Site: cross-site"
    assert parsed(sent(served, request(served, b"/", told)))[0] == 302
    assert parsed(sent(served, request(served, b"/api/records", told)))[0] == 403


@pytest.mark.parametrize(
    "garbage",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", b"GET\r\n\r\n", b"\r\n" * 50 + b"x\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n", b"GET / HTTP/1.1\r\nHost : x\r\n\r\n", b"GET / HTTP/1.1\r\n folded: x\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n", b"\x00" * 100 + b"\r\n\r\n", b"POST / HTTP/1.1\r\nHost: x\r\n"
        b"Content-Length: 5\r\nContent-Length: 6\r\n\r\nabcde", b"GET / HTTP/1.1\r\nHost: x\r\nX: \x00\r\n\r\n",
        b"POST /api/session HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"POST /api/session HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\nContent-Length: 3\r\n\r\n0\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: -1\r\n\r\n", b"GET /\xff HTTP/1.1\r\nHost: x\r\n\r\n",
        b"GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n",
        b"CONNECT evil.example:443 HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", b"A" * 70_000,
        b"GET / HTTP/1.1\r\nHost: x\r\n" + b"X: y\r\n" * 20_000 + b"\r\n",
        b"GET / HTTP/1.1\r\nHost: x\r\nCookie: " + b"a" * 60_000 + b"\r\n\r\n",
    ],
)  # fmt: skip
def test_what_is_no_http_is_refused_in_the_one_shape(served, untouched, garbage):
    received = sent(served, garbage)
    if received:  # the connection may be reset while more is sent than is read
        status, _, body = parsed(received)
        assert 400 <= status < 500
        refusal(status, body)
    assert served.get("/api/state")[0] == 200


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE", "POST", "OPTIONS", "TRACE", "HEAD", "PROPFIND", "BREW"])
@pytest.mark.parametrize(
    "path", ["/api/records", "/api/records/1", "/api/station", "/", "/static/mark.svg", "/api/counts"]
)
def test_nothing_is_changed_where_there_is_only_to_look(served, untouched, method, path):
    status, _, body = served.ask(method, path)
    assert status in (403, 405), (method, path)
    if method != "HEAD":
        refusal(status, body)


@pytest.mark.parametrize(
    "asked",
    ["count=0", "count=1001", "count=x", "count=1e9", "before=0", "before=-1", "before=99999999999999999999",
     "since=yesterday", "until=%00", "verdict=good", "part_id=" + "a" * 3000, "since=" + "9" * 41, "count=1;count=2"],
)  # fmt: skip
def test_questions_that_are_none_are_refused_in_words(served, untouched, asked):
    status, _, body = served.ask("GET", f"/api/records?{asked}")
    assert status in (400, 422)
    assert refusal(status, body)["says"]


@pytest.mark.parametrize(
    "asked", ["part_id=%27%20OR%201=1--", "part_id=%25", "reading=%27;DROP", "variant=\\%22", "recipe=*"]
)
def test_texts_are_only_compared(served, untouched, asked):
    assert served.get(f"/api/records?{asked}") == (200, {"records": [], "next": None})


@pytest.mark.parametrize(
    "token",
    ["", "x", "Bearer", "Bearer ", "Bearer x", "Basic bG9va2VyOng=", "bearer " + "a" * 5000, "Bearer \xff\xfe",
     "Bearer a b",
     "Bearer null", "Digest x"],
)  # fmt: skip
def test_a_token_that_is_none_is_refused(served, untouched, token):
    header = b"Authorization: " + token.encode("latin-1")
    status, head, body = parsed(sent(served, request(served, b"/api/state", header)))
    assert (status, refusal(status, body)["code"]) == (401, "not_known")
    assert "www-authenticate: bearer" in head.lower()


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/acts", b'{"act":"bypass","why":"x"}'),
        ("/api/cameras/top/shots", b"--b\r\n\r\n--b--"),
    ],
)
def test_nobody_acts_without_a_name_even_on_this_machine(served, untouched, path, body):
    status, _, answer = served.ask("POST", path, body=body, headers={"Content-Type": "application/json"})
    assert (status, refusal(status, answer)["code"]) == (401, "not_known")


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b'{"name":1}',
        b"[" * 30_000,
        b'{"name":"a","password":"' + b"x" * 300 + b'"}',
        b"\xff",
    ],
)
def test_a_login_that_is_none_is_refused(served, untouched, body):
    headers = {"Content-Type": "application/json", "Origin": f"http://{served.host}"}
    status, _, answer = served.ask("POST", "/api/session", body=body, headers=headers)
    assert status in (400, 422, 429)
    refusal(status, answer)


def test_a_body_that_is_too_large_is_refused_before_it_is_read(served, untouched):
    head = (b"Content-Type: application/json", b"Content-Length: 70000")
    status, _, body = parsed(sent(served, request(served, b"/api/acts", *head, method="POST")))
    assert (status, refusal(status, body)["code"]) == (413, "too_large")


def test_a_body_that_does_not_say_how_large_it_is_is_counted(served, untouched):
    head = (b"Content-Type: application/json", b"Transfer-Encoding: chunked")
    chunks = (b"1000\r\n" + b"x" * 4096 + b"\r\n") * 20 + b"0\r\n\r\n"
    status, _, body = parsed(sent(served, request(served, b"/api/acts", *head, method="POST", body=chunks)))
    assert (status, refusal(status, body)["code"]) == (413, "too_large")


def test_random_bytes_of_a_few_hundred_kinds_do_no_harm(served, untouched):
    dice = random.Random(20261126)
    good = request(served, b"/api/records?count=1&part_id=GV-0001", b"Accept: */*", b"X-Any: thing")
    for _ in range(200):
        data = bytearray(good)
        for _ in range(dice.randrange(1, 6)):
            data[dice.randrange(len(data))] = dice.randrange(256)
        data += b"\r\n\r\n"
        with socket.create_connection(("127.0.0.1", served.port), timeout=60) as raw:
            raw.sendall(bytes(data))
            raw.shutdown(socket.SHUT_WR)
            received = b""
            try:
                while part := raw.recv(65536):
                    received += part
            except ConnectionResetError:
                continue
        assert b"Traceback" not in received
        assert SECRET not in received
        assert b"500 Internal" not in received, data
    assert served.get("/api/state")[0] == 200


def test_every_answer_carries_the_headers_of_safety(served):
    for path in (
        "/",
        "/static/mark.svg",
        "/api/state",
        "/nowhere",
        "/api/records/1/files/picture.png",
        "/api/records?count=0",
    ):
        _, headers, _ = served.ask("GET", path)
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["referrer-policy"] == "no-referrer"
        assert "cache-control" in headers
        assert "server" not in headers


def test_who_is_slow_is_given_up(tmp_path):
    folder = new_station(tmp_path / "plates")
    with Served(folder, head_s=0.3) as served:
        for begun in (b"", b"GET / HTTP/1.1\r\nHost: loc"):
            assert sent(served, begun) == b""  # closed without a word
        # Also behind a request that was answered: its successor has to come in time too.
        half = f"GET /api/state HTTP/1.1\r\nHost: {served.host}\r\n\r\nGET /api/".encode()
        assert sent(served, half).count(b"HTTP/1.1 200") == 1
        assert served.get("/api/state")[0] == 200


def test_a_body_that_does_not_come_is_given_up(tmp_path, monkeypatch):
    monkeypatch.setattr("tiepoint.web.guard.SMALL_S", 0.3)
    folder = new_station(tmp_path / "plates")
    with Served(folder) as served:
        head = (b"Content-Type: application/json", b"Content-Length: 100")
        status, _, body = parsed(sent(served, request(served, b"/api/session", *head, method="POST", body=b"{")))
        assert (status, refusal(status, body)["code"]) == (408, "too_slow")


def test_a_peer_that_asks_too_much_is_asked_to_wait(tmp_path):
    folder = new_station(tmp_path / "plates")
    with Served(folder, requests_per_s=1) as served:
        answers = [served.ask("GET", "/api/state") for _ in range(4)]
        assert [status for status, _, _ in answers[:2]] == [200, 200]
        status, headers, body = answers[-1]
        assert (status, refusal(status, body)["code"]) == (429, "too_many")
        assert int(headers["retry-after"]) >= 1


def test_a_peer_has_so_many_connections(tmp_path):
    folder = new_station(tmp_path / "plates")
    with Served(folder) as served:
        held = [socket.create_connection(("127.0.0.1", served.port), timeout=60) for _ in range(140)]
        over = 0
        for raw in held[128:]:
            try:
                over += raw.recv(1) == b""
            except ConnectionResetError:
                over += 1
        assert over == len(held[128:])
        for raw in held:
            raw.close()


def test_a_fault_of_ours_is_told_here_and_not_there(tmp_path, monkeypatch, caplog):
    def broken(_):
        raise RuntimeError("the secret of the house")

    monkeypatch.setattr("tiepoint.web.reading.read_status", broken)
    with Served(new_station(tmp_path / "plates")) as served:
        status, _, body = served.ask("GET", "/api/state")
    assert (status, refusal(status, body)["code"]) == (500, "fault")
    assert b"secret" not in body
    assert "the secret of the house" in caplog.text


def test_the_access_log_is_a_line_of_json_for_each_request_and_holds_no_secret(tmp_path):
    folder = new_station(tmp_path / "plates")
    with Served(folder) as served:
        served.ask("GET", "/api/state", headers={"Authorization": "Bearer my-token"})
        sent(served, request(served, b"/api/records?part_id=GV%0a%22}x"))
        sent(served, request(served, b"/nowhere%22%7d%e2%80%ae"))
    text = (folder / "private" / "access.jsonl").read_text()
    lines = [json.loads(line) for line in text.splitlines()]
    assert [line["status"] for line in lines] == [401, 200, 404]
    assert {"at_utc", "peer", "user", "method", "path", "status", "bytes", "ms"} == set(lines[0])
    assert "my-token" not in text
    assert "GV" not in text
    assert text.isascii()
    assert (folder / "private" / ".gitignore").read_text() == "*\n"


def test_the_guard_needs_no_loopback_to_be_a_station(tmp_path):
    # The process of its own, as serve starts it, refuses a wrong host too.
    folder = new_station(tmp_path / "plates")
    command = [sys.executable, "-m", "tiepoint.web", str(folder), "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        port = int(running.stdout.readline().rstrip("/\n").rpartition(":")[2])
        with socket.create_connection(("127.0.0.1", port), timeout=60) as raw:
            raw.sendall(b"GET / HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n")
            assert raw.recv(65536).startswith(b"HTTP/1.1 421")
        running.terminate()
        assert running.communicate(timeout=60)[1] == ""
