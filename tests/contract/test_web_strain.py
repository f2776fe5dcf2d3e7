"""A visitor who holds on to what the web process has: memory, connections, room on the disk, a session."""

import hashlib
import json
import os
import select
import socket
import ssl
import struct
import subprocess
import threading

import pytest
from tests.contract.test_web_users import PASSWORD, PUSHED, Page, Writer, multipart, png
from tests.helpers.served import Served, commit, new_station, refusal

from tiepoint.station.ledger import Ledger
from tiepoint.web.connections import Listening
from tiepoint.web.push import AT_ONCE
from tiepoint.web.rates import Rates, peer_of
from tiepoint.web.users import User, hashed, token_sha, write_users

LARGE = 20_000_000


def until(what):
    """Wait until something is so."""
    for _ in range(6000):
        if what():
            return
        threading.Event().wait(0.01)
    raise AssertionError("it never became so")


@pytest.fixture
def folder(tmp_path):
    made = new_station(tmp_path / "plates", PUSHED)
    users = [User("eye", "camera", None, token_sha("eye"), "top"), User("mayer", "operate", None, token_sha("mayer"))]
    write_users(made / "private" / "users.json", users)
    return made


def keep_large(folder):
    """Keep a file of a record that is larger than any buffer of a system."""
    data = os.urandom(LARGE)
    (folder / "archive" / "large").mkdir(parents=True)
    (folder / "archive" / "large" / "picture.bin").write_bytes(data)
    files = {"picture.bin": hashlib.sha256(data).hexdigest()}
    with Ledger(folder / "ledger.sqlite") as ledger:
        ledger.append("archived", {"format": "tiepoint/archived/1", "record": 1, "folder": "large", "files": files})
    return data


ASKED = "GET /api/records/1/files/picture.bin HTTP/1.1\r\nHost: {}\r\n\r\n"


def test_who_does_not_read_a_picture_holds_none_of_it_and_is_cut_off(folder):
    commit(folder, 1)
    data = keep_large(folder)
    with Served(folder, send_buffer=8192) as served, socket.socket() as deaf:
        served.connections.read_s = 0.3
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.connect(("127.0.0.1", served.port))
        over = select.poll()
        over.register(deaf, 0)  # errors and the end are told of in any case
        most = 0
        deaf.sendall(ASKED.format(served.host).encode())
        while not over.poll(10):
            held = [transport.get_write_buffer_size() for transport in list(served.connections._open.values())]
            most = max([most, *held])
        assert 0 < most < LARGE / 10
        # One that reads, and rests now and then, gets it whole.
        status, headers, body = served.ask("GET", "/api/records/1/files/picture.bin")
        assert (status, int(headers["content-length"]), body == data) == (200, LARGE, True)


def test_who_reads_slowly_but_reads_is_not_cut_off(folder):
    commit(folder, 1)
    keep_large(folder)
    with Served(folder, send_buffer=8192) as served, socket.socket() as slow:
        served.connections.read_s = 0.5
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
        slow.connect(("127.0.0.1", served.port))
        slow.sendall(ASKED.format(served.host).encode())
        for _ in range(8):
            read = 0
            while read < 1_000_000:  # four times as much as is sent at once
                part = slow.recv(65536)
                assert part
                read += len(part)
            threading.Event().wait(0.2)


@pytest.fixture
def certificate(folder):
    made = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2"]
    where = [
        "-subj",
        "/CN=localhost",
        "-keyout",
        str(folder / "private" / "s.key"),
        "-out",
        str(folder / "private" / "s.pem"),
    ]
    subprocess.run([*made, *where], check=True, capture_output=True)
    with (folder / "station.toml").open("a") as file:
        file.write('[web]\nhost = "0.0.0.0"\nnames = ["plates.example"]\n')
        file.write('[web.tls]\ncertificate = "private/s.pem"\nkey = "private/s.key"\n')
    return folder


def greeted(port, at):
    """Shake hands by TLS from an address of this machine."""
    trusting = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    trusting.check_hostname, trusting.verify_mode = False, ssl.CERT_NONE
    with (
        socket.create_connection(("127.0.0.1", port), timeout=60, source_address=(at, 0)) as raw,
        trusting.wrap_socket(raw) as told,
    ):
        return told.version()


@pytest.mark.skipif(os.name == "nt", reason="Windows accepts in another way, and has no 127.0.0.2")
def test_who_never_ends_the_handshake_of_tls_takes_no_more_than_its_own_share(certificate, monkeypatch):
    monkeypatch.setattr(Listening, "most_of_a_peer", 5)
    with Served(certificate) as served:
        taken = served._socket._taken
        assert greeted(served.port, "127.0.0.1")
        until(lambda: not taken)  # its end has come
        held = [socket.create_connection(("127.0.0.1", served.port), timeout=60) for _ in range(12)]
        until(lambda: len(select.select(held, [], [], 60)[0]) == 7)  # closed without a word
        assert taken == {"127.0.0.1": 5}
        assert greeted(served.port, "127.0.0.2")
        for one in held:
            one.close()
        until(lambda: not taken)
        assert greeted(served.port, "127.0.0.1")


def test_a_stranger_by_ipv4_is_told_from_others_on_a_socket_for_both():
    rates = Rates(1.0, 1.0)
    assert rates.wait_s(peer_of("::ffff:10.0.0.1"), 0.0) == 0.0
    assert rates.wait_s(peer_of("::ffff:10.0.0.1"), 0.0) > 0.0
    assert rates.wait_s(peer_of("::ffff:10.0.0.2"), 0.0) == 0.0
    assert peer_of("::ffff:10.0.0.1") == peer_of("10.0.0.1")
    # A host of IPv6 has a /64 of addresses to itself (RFC 6177).
    assert peer_of("2001:db8::1") == peer_of("2001:db8::ffff") != peer_of("2001:db8:0:1::1")


def test_who_was_taken_away_and_added_again_is_another(folder):
    path = folder / "private" / "users.json"
    with Served(folder) as served:
        write_users(path, [User("weiss", "change", hashed(PASSWORD))])
        page = Page(served)
        assert page.log_in("weiss")[0] == 200
        # The only way to another password: what somebody else still has must not come alive by it.
        write_users(path, [User("weiss", "change", hashed(PASSWORD + " now"))])
        assert page.send("GET", "/api/session")[1]["name"] == "anybody"
        write_users(path, [User("weiss", "change", None, token_sha("machine"))])
        assert page.send("GET", "/api/session")[1]["name"] == "anybody"


def test_secrets_are_their_owner_s_also_in_a_folder_that_was_there(tmp_path):
    (tmp_path / "private").mkdir()
    path = tmp_path / "private" / "users.json"
    write_users(path, [])
    assert (tmp_path / "private" / ".gitignore").read_text() == "*\n"
    if os.name == "posix":
        assert path.stat().st_mode & 0o777 == 0o600
        path.chmod(0o640)  # given to the group that serves the station
        write_users(path, [])
        assert path.stat().st_mode & 0o777 == 0o640
    write_users(new_station(tmp_path / "plates") / "users.json", [])
    assert not (tmp_path / "plates" / ".gitignore").exists()


HEADERS = {"Authorization": "Bearer eye", "Content-Type": "multipart/form-data; boundary=edge"}


def test_a_disk_that_is_full_is_no_fault_of_the_picture(folder, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    with Served(folder) as served:

        def push():
            body = multipart([("picture", "a.png", png(7) + bytes(2_000_000))])
            status, headers, answer = served.ask("POST", "/api/cameras/top/shots", headers=HEADERS, body=body)
            assert int(headers.get("retry-after", 0)) in (0, 5)
            return status, answer

        with monkeypatch.context() as held:  # where what comes waits until it is whole
            held.setattr("starlette.datastructures.UploadFile.write", full)
            status, answer = push()
            assert (status, refusal(status, answer)["code"]) == (503, "not_taken")
        with monkeypatch.context() as handed:
            handed.setattr("os.fsync", full)
            status, answer = push()
            assert (status, refusal(status, answer)["code"]) == (503, "not_taken")
            assert str(folder) not in answer.decode()
        assert push()[0] == 202
    assert len(list((folder / "pushed" / "top").iterdir())) == 1


def test_a_camera_sends_so_many_at_once(folder):
    head = (
        "POST /api/cameras/top/shots HTTP/1.1\r\nHost: {}\r\nAuthorization: Bearer eye\r\nContent-Length: 1000\r\n"
        "Content-Type: multipart/form-data; boundary=edge\r\n\r\n--edge\r\n"
    )
    with Served(folder) as served:
        begun = [socket.create_connection(("127.0.0.1", served.port), timeout=60) for _ in range(AT_ONCE)]
        for one in begun:
            one.sendall(head.format(served.host).encode())
        pushing = served.app.state.here.pushing
        until(lambda: pushing["camera top"] == AT_ONCE)
        body = multipart([("picture", "a.png", png())])
        status, headers, answer = served.ask("POST", "/api/cameras/top/shots", headers=HEADERS, body=body)
        assert (status, refusal(status, answer)["code"], headers["retry-after"]) == (429, "too_many", "1")
        for one in begun:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            one.close()
        until(lambda: not pushing["camera top"])
        assert served.ask("POST", "/api/cameras/top/shots", headers=HEADERS, body=body)[0] == 202


@pytest.mark.parametrize(
    ("wanted", "about"),
    [
        ({"act": "settle", "alarm": "sharpness rim"}, {"alarm": "sharpness rim"}),
        ({"act": "lot", "lot": " 2026-118"}, {"lot": "2026-118"}),
    ],
)
def test_alarms_are_settled_and_lots_begun_from_a_page_too(folder, wanted, about):
    header = {"Authorization": "Bearer mayer", "Content-Type": "application/json"}

    def send(content):
        status, _, body = served.ask("POST", "/api/acts", headers=header, body=json.dumps({"why": "wiped", **content}))
        return status, json.loads(body)

    with Served(folder) as served, Writer(folder):
        status, told = send(wanted)
        assert status == 201, told
        (entry,) = served.get("/api/acts")[1]["entries"]
        assert (entry["seq"], entry["body"]["who"]) == (told["seq"], "mayer")
        assert entry["body"].items() >= {"act": wanted["act"], **about}.items()
        for wrong in ({"act": wanted["act"]}, {**wanted, "variant": "left"}, {**wanted, next(iter(about)): "\x1b[2J"}):
            assert send(wrong)[0] == 422
        assert len(served.get("/api/acts")[1]["entries"]) == 1
