"""Who may what: commands, passwords, sessions, tokens and roles, over real HTTP and over real TLS."""

import base64
import http.client
import io
import json
import ssl
import threading
import time
from datetime import UTC, datetime, timedelta
from typing import get_args

import numpy as np
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt
from cryptography.x509.oid import NameOID
from PIL import Image
from tests.helpers.served import NAME, Served, new_station, refusal

from tiepoint.station.duty.acts import BYPASS, CHALLENGE, LOT, REST, RESUME, SETTLE, VARIANT
from tiepoint.station.duty.status import write_status
from tiepoint.station.folder import open_station
from tiepoint.station.inbox import Inbox
from tiepoint.station.ledger import Ledger, utc_now
from tiepoint.station.wires.wire import Told
from tiepoint.web.acts import Act
from tiepoint.web.guard import LOGINS, LOGINS_PER_S
from tiepoint.web.users import User, hashed, is_right, read_users, write_users

PASSWORD = "four words are enough"
PUSHED = (
    '[[camera]]\nname = "top"\nfrom = "push"\n[camera.push]\nmost_shots = 2\n[[camera]]\nname = "side"\nfrom = "push"\n'
)


@pytest.fixture(scope="module")
def kept():
    """Return the password as it is kept: made once, since that is meant to be slow."""
    return hashed(PASSWORD)


@pytest.fixture
def folder(tmp_path, kept):
    made = new_station(tmp_path / "plates", PUSHED)
    write_users(made / "private" / "users.json", [User("looker", "look", kept), User("weiss", "operate", kept)])
    return made


class Lines:
    """Standard input with one line."""

    def __init__(self, line):
        self._line = line

    def readline(self, size=-1):
        return f"{self._line}\n"[:size]

    def isatty(self):
        return False


def token_of(cli, folder, name, *more):
    return cli("user", "add", folder, name, *more, "--json").json["token"]


class Page:
    """A person at a browser: keeps the cookie, says the origin."""

    def __init__(self, served):
        self._served, self.cookie, self.csrf = served, None, None

    def send(self, method, path, content=None, **headers):
        told = {"Origin": f"http://{self._served.host}", "Content-Type": "application/json"}
        if self.cookie:
            told["Cookie"] = self.cookie
        if self.csrf:
            told["X-CSRF-Token"] = self.csrf
        told = {
            k: v for k, v in {**told, **{k.replace("_", "-"): v for k, v in headers.items()}}.items() if v is not None
        }
        body = None if content is None else json.dumps(content)
        status, answered, data = self._served.ask(method, path, headers=told, body=body)
        if "set-cookie" in answered:
            self.set_cookie = answered["set-cookie"]
            self.cookie = self.set_cookie.partition(";")[0]
        return status, json.loads(data) if data else None

    def log_in(self, name, password=PASSWORD):
        status, told = self.send("POST", "/api/session", {"name": name, "password": password})
        if status == 200:
            self.csrf = told["csrf"]
        return status, told


def test_a_password_is_kept_as_scrypt_has_it():
    kept = hashed(PASSWORD)
    assert is_right(PASSWORD, kept)
    assert not is_right(PASSWORD + " ", kept)
    assert not is_right(PASSWORD, None)
    assert hashed(PASSWORD) != kept
    # cryptography's scrypt, an implementation of its own (RFC 7914), makes the same key of it.
    _, n, r, p, salt, key = kept.split(":")
    Scrypt(base64.b64decode(salt), 32, int(n), int(r), int(p)).verify(PASSWORD.encode(), base64.b64decode(key))
    assert int(n) * int(r) * 128 >= 2**25  # 32 MB a try


def test_commands_write_the_users_and_no_password(cli, folder, monkeypatch):
    path = folder / "private" / "users.json"
    token = token_of(cli, folder, "board", "--role", "look", "--token")
    monkeypatch.setattr("sys.stdin", Lines(PASSWORD))
    assert cli("user", "add", folder, "mayer", "--role", "operate", "--password-stdin").code == 0
    text = path.read_text()
    assert PASSWORD not in text
    assert token not in text
    roles = {"board": "look", "looker": "look", "mayer": "operate", "weiss": "operate"}
    assert {u.name: u.role for u in read_users(path)} == roles
    assert is_right(PASSWORD, {u.name: u for u in read_users(path)}["mayer"].password)
    assert (folder / "private" / ".gitignore").read_text() == "*\n"
    assert cli("user", "role", folder, "looker", "--role", "change").code == 0
    assert cli("user", "remove", folder, "weiss").code == 0
    listed = cli("user", "list", folder, "--json").json["users"]
    assert [(u["name"], u["role"], u["is_machine"]) for u in listed] == [
        ("board", "look", True), ("looker", "change", False), ("mayer", "operate", False),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "password", "says"),
    [
        (("add", "weiss", "--password-stdin"), PASSWORD, "already"),
        (("add", "../x", "--password-stdin"), PASSWORD, "no name of a user"),
        (("add", "new", "--password-stdin"), "short", "12 to 200"),
        (("add", "new", "--role", "boss", "--token"), "", "look, operate or change"),
        (("add", "new", "--role", "camera", "--token"), "", "look, operate or change"),
        (("add", "new"), "", "--password-stdin"),
        (("remove", "nobody"), "", "there is no user"),
        (("role", "nobody", "--role", "look"), "", "there is no user"),
    ],
)
def test_commands_refuse_in_one_sentence(cli, folder, monkeypatch, words, password, says):
    before = (folder / "private" / "users.json").read_bytes()
    monkeypatch.setattr("sys.stdin", Lines(password))
    command, name, *more = words
    said = cli("user", command, folder, name, *more)
    assert said.code == 2
    assert said.is_one_sentence()
    assert says in said.err
    assert (folder / "private" / "users.json").read_bytes() == before


def test_a_person_logs_in_and_out(folder):
    with Served(folder) as served:
        page = Page(served)
        assert page.send("GET", "/api/session")[1] == {"name": "anybody", "role": "look", "csrf": None}
        assert page.log_in("weiss")[0] == 200
        for needed in ("HttpOnly", "SameSite=strict", "Path=/"):
            assert needed in page.set_cookie
        assert page.send("GET", "/api/session")[1]["name"] == "weiss"
        stolen = page.cookie
        assert page.send("DELETE", "/api/session", X_CSRF_Token=None)[0] == 403
        assert page.send("DELETE", "/api/session")[0] == 204
        page.cookie = stolen
        assert page.send("GET", "/api/session")[1]["name"] == "anybody"


def test_a_wrong_password_and_an_unknown_name_are_refused_alike_and_not_for_ever(folder):
    with Served(folder) as served:
        page, begun_s = Page(served), time.monotonic()
        wrong, unknown = page.log_in("weiss", "wrong" * 4), page.log_in("nobody", "wrong" * 4)
        assert wrong == unknown
        assert wrong[0] == 401
        assert page.cookie is None
        tried = 2
        while (status := page.log_in("weiss", "wrong" * 4)[0]) == 401:
            tried += 1
        assert status == 429
        # On a machine so slow that hashing takes seconds, some attempts were earned back meanwhile.
        assert LOGINS <= tried <= LOGINS + (time.monotonic() - begun_s) * LOGINS_PER_S


def test_who_was_taken_away_is_unknown_at_once(cli, folder):
    token = token_of(cli, folder, "board", "--token")
    with Served(folder) as served:
        page = Page(served)
        page.log_in("weiss")
        header = {"Authorization": f"Bearer {token}"}
        assert served.ask("GET", "/api/state", headers=header)[0] == 200
        cli("user", "remove", folder, "weiss")
        cli("user", "remove", folder, "board")
        assert page.send("GET", "/api/session")[1]["name"] == "anybody"
        assert served.ask("GET", "/api/state", headers=header)[0] == 401


ACT = {"act": "challenge", "why": "the lamp was wiped"}


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"X_CSRF_Token": None}, 403),
        ({"X_CSRF_Token": "x" * 43}, 403),
        ({"Origin": None}, 403),
        ({"Origin": "http://evil.example"}, 403),
        ({"Sec_Fetch_Site": "cross-site"}, 403),
        ({"Content_Type": "text/plain"}, 422),
        ({}, 409),  # all is well but that nobody is on duty
    ],
)
def test_a_write_of_a_page_needs_its_secret_and_its_origin(folder, change, status):
    with Served(folder) as served:
        page = Page(served)
        page.log_in("weiss")
        assert page.send("POST", "/api/acts", ACT, **change)[0] == status
    assert not list((folder / "inbox").glob("*")) if (folder / "inbox").exists() else True


def test_who_only_looks_does_not_act(folder):
    with Served(folder) as served:
        page = Page(served)
        page.log_in("looker")
        status, told = page.send("POST", "/api/acts", ACT)
        assert (status, told["error"]["code"]) == (403, "not_allowed")
        assert "operate" in told["error"]["says"]


def test_a_page_asks_for_what_duty_does_and_for_nothing_else():
    assert set(get_args(Act.model_fields["act"].annotation)) == {
        BYPASS, CHALLENGE, VARIANT, REST, RESUME, SETTLE, LOT,
    }  # fmt: skip


class Writer:
    """The duty process's side of the inbox: real inbox, real ledger, its state left fresh."""

    def __init__(self, folder):
        self._folder, self._ending = folder, threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self):
        inbox = Inbox(open_station(self._folder))
        with Ledger(self._folder / "ledger.sqlite") as ledger:
            while not self._ending.wait(0.02):
                self.tell()
                for request in inbox.pending():
                    inbox.answer(ledger, request)

    def tell(self):
        told = Told("on duty", utc_now())
        write_status(self._folder, pid=1, told=told, seq=0, waiting=0, written_utc=utc_now())

    def __enter__(self):
        self.tell()
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._ending.set()
        self._thread.join(30)


def test_an_act_goes_through_the_inbox_into_the_ledger(folder):
    with Served(folder) as served, Writer(folder):
        page = Page(served)
        page.log_in("weiss")
        status, told = page.send("POST", "/api/acts", {"act": "variant", "why": " next lot ", "variant": "right"})
        assert status == 201, told
        (entry,) = served.get("/api/acts")[1]["entries"]
        assert entry["seq"] == told["seq"]
        body = entry["body"]
        assert (body["act"], body["who"], body["why"], body["variant"]) == ("variant", "weiss", "next lot", "right")
        assert body["station"] == NAME
        for wrong in (
            {"act": "accept", "why": "x"}, {"act": "bypass", "why": ""}, {"act": "variant", "why": "x"},
            {"act": "rest", "why": "x", "variant": "a"}, {"act": "rest", "why": "\x00"}, {**ACT, "who": "x"},
        ):  # fmt: skip
            assert page.send("POST", "/api/acts", wrong)[0] == 422


# --- pictures that a camera sends ------------------------------------------------------------------------------------


def png(k=0):
    out = io.BytesIO()
    Image.fromarray(np.full((48, 64), k, np.uint8)).save(out, "png")
    return out.getvalue()


def multipart(parts, boundary=b"edge"):
    body = b""
    for name, file, data in parts:
        named = f'; filename="{file}"'.encode() if file is not None else b""
        body += b'--%s\r\nContent-Disposition: form-data; name="%s"%s\r\n\r\n%s\r\n' % (
            boundary,
            name.encode(),
            named,
            data,
        )
    return body + b"--%s--\r\n" % boundary


def push(served, token, parts, camera="top", kind="multipart/form-data; boundary=edge"):
    body = parts if isinstance(parts, bytes) else multipart(parts)
    headers = {"Authorization": f"Bearer {token}", "Content-Type": kind}
    status, _, answer = served.ask("POST", f"/api/cameras/{camera}/shots", headers=headers, body=body)
    return status, answer


def waiting(folder):
    place = folder / "pushed" / "top"
    return [p for p in place.iterdir() if not p.name.startswith(".")] if place.is_dir() else []


def test_a_shot_is_handed_over_whole_and_no_verdict_comes_back(cli, folder):
    token = token_of(cli, folder, "eye", "--camera", "top")
    with Served(folder) as served:
        about = json.dumps({"part_id": "GV 82 L", "variant": "left"}).encode()
        status, answer = push(served, token, [("about", None, about), ("picture", "../../evil.sh", png(7))])
        assert status == 202, answer
        told = json.loads(answer)
        assert set(told) == {"id"}
        (shot,) = waiting(folder)
        described = json.loads((shot / "shot.json").read_text())
        assert (described["id"], described["part_id"], described["variant"]) == (told["id"], "GV 82 L", "left")
        (picture,) = [p for p in shot.iterdir() if p.suffix == ".png"]
        assert picture.read_bytes() == png(7)
        assert b"verdict" not in answer


def test_a_full_folder_is_told_and_nothing_is_lost(cli, folder):
    token = token_of(cli, folder, "eye", "--camera", "top")
    with Served(folder) as served:
        assert [push(served, token, [("picture", "a.png", png(k))])[0] for k in range(2)] == [202, 202]
        status, answer = push(served, token, [("picture", "a.png", png(3))])
        assert (status, refusal(status, answer)["code"]) == (429, "no_room")
        assert str(folder) not in answer.decode()
        assert len(waiting(folder)) == 2


@pytest.mark.parametrize(
    ("parts", "kind", "status"),
    [
        ([("picture", "a.png", b"no picture at all")], None, 422),
        ([("picture", "a.png", b"")], None, 422),
        ([("picture", "a.png", b"\x89PNG\r\n\x1a\n" + b"x" * 100)], None, 422),
        ([("picture", None, b"text")], None, 422),
        ([("about", None, b"{}")], None, 422),
        ([("picture", "a.png", png()), ("about", None, b"{")], None, 422),
        ([("picture", "a.png", png()), ("about", None, b"[]")], None, 422),
        ([("picture", "a.png", png()), ("about", None, b'{"pictures": []}')], None, 422),
        ([("picture", "a.png", png()), ("about", None, b'{"verdict": "conforms"}')], None, 422),
        ([("picture", "a.png", png()), ("about", None, b'{"part_id": 7}')], None, 422),
        ([("picture", "a.png", png()), ("about", None, b'{"taken_utc": "noon"}')], None, 422),
        ([("picture", "a.png", png()), ("about", None, b"[" * 60_000)], None, 422),
        ([("picture", "a.png", png()), ("about", None, b" " * 70_000)], None, 400),
        ([("picture", "a.png", png()), ("about", "a.json", b"{}")], None, 422),
        ([("picture", "a.png", png()), ("more", None, b"x")], None, 422),
        ([("picture", "a.png", png())] * 2, None, 422),
        ([("picture", "a.png", png())] * 70, None, 400),
        ([("about", None, b"{}")] * 3, None, 400),
        (b"", None, 422),
        (b"--edge\r\n", None, 422),
        (b"no boundary at all", None, 400),
        (b'--edge\r\nContent-Disposition: form-data; name="a\r\n\r\n--edge--', None, 400),
        (b"--edge\r\n" + b"X: y\r\n" * 5000 + b"\r\n--edge--", None, 400),
        (b"{}", "application/json", 415),
        (b"x", "multipart/form-data", 400),
        (b"x", "multipart/form-data; boundary=" + "b" * 500, 400),
        (b"x", "text/plain", 415),
    ],
)
def test_what_is_no_shot_is_refused_and_leaves_nothing(cli, folder, parts, kind, status):
    token = token_of(cli, folder, "eye", "--camera", "top")
    with Served(folder) as served:
        kind = kind or "multipart/form-data; boundary=edge"
        got, answer = push(served, token, parts, kind=kind)
        assert got in (status, 400, 422) if status in (400, 422) else got == status
        refusal(got, answer)
        assert waiting(folder) == []
        place = folder / "pushed"
        assert [p for p in place.rglob("*") if p.is_file()] == [] if place.exists() else True


def test_a_camera_hands_over_its_own_pictures_and_may_nothing_else(cli, folder):
    token = token_of(cli, folder, "eye", "--camera", "top")
    looker = token_of(cli, folder, "board", "--role", "look", "--token")
    with Served(folder) as served:
        parts = [("picture", "a.png", png())]
        assert push(served, token, parts, camera="side")[0] == 403
        assert push(served, looker, parts)[0] == 403
        assert push(served, "nonsense", parts)[0] == 401
        assert (
            push(served, token_of(cli, folder, "any", "--role", "operate", "--token"), parts, camera="gone")[0] == 404
        )
        header = {"Authorization": f"Bearer {token}"}
        for path in ("records", "state", "events", "acts"):
            assert served.ask("GET", f"/api/{path}", headers=header)[0] == 403


def test_a_shot_that_is_too_large_is_refused(cli, folder):
    token = token_of(cli, folder, "eye", "--camera", "top")
    with Served(folder, largest_mb=1) as served:
        status, answer = push(served, token, [("picture", "a.png", png() + bytes(1_100_000))])
        assert (status, refusal(status, answer)["code"]) == (413, "too_large")


# --- beyond this machine ---------------------------------------------------------------------------------------------


@pytest.fixture
def certified(folder):
    """Return the station with a certificate of its own making."""
    key, name = (
        ec.generate_private_key(ec.SECP256R1()),
        x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")]),
    )
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key()).serial_number(1)
        .not_valid_before(now - timedelta(days=1)).not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    (folder / "private" / "station.pem").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    (folder / "private" / "station.key").write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    with (folder / "station.toml").open("a") as file:
        file.write('[web]\nhost = "0.0.0.0"\nnames = ["plates.example"]\n')
        file.write('[web.tls]\ncertificate = "private/station.pem"\nkey = "private/station.key"\n')
    return folder


def test_beyond_this_machine_nobody_looks_without_a_name(cli, certified):
    token = token_of(cli, certified, "board", "--token")
    trusting = ssl.create_default_context(cafile=certified / "private" / "station.pem")
    with Served(certified) as served:
        connection = http.client.HTTPSConnection("localhost", served.port, timeout=60, context=trusting)

        def ask(method, path, body=None, **headers):
            told = {key.replace("_", "-"): value for key, value in headers.items()}
            connection.request(method, path, body, told)
            answer = connection.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read()

        for path in ("state", "records", "events", "session", "cameras/top/shots"):
            status, _, body = ask("GET", f"/api/{path}")
            assert status in (401, 405), path
            refusal(status, body)
        status, headers, _ = ask("GET", "/")  # leads to where one logs in
        assert status == 302
        assert "max-age" in headers["strict-transport-security"]
        assert ask("GET", "/api/state", Authorization=f"Bearer {token}")[0] == 200
        said = json.dumps({"name": "weiss", "password": PASSWORD})
        origin = f"https://localhost:{served.port}"
        status, headers, _ = ask("POST", "/api/session", said, Origin=origin, Content_Type="application/json")
        assert status == 200
        assert headers["set-cookie"].startswith("__Host-tiepoint=")
        assert "Secure" in headers["set-cookie"]
        cookie = headers["set-cookie"].partition(";")[0]
        assert ask("GET", "/api/state", Cookie=cookie)[0] == 200
        assert ask("GET", "/api/state", Cookie=cookie, Host="elsewhere.example")[0] == 421
        assert ask("GET", "/api/state", Cookie=cookie, Host=f"plates.example:{served.port}")[0] == 200
        connection.close()
        # Who does not speak TLS is told nothing.
        plain = http.client.HTTPConnection("localhost", served.port, timeout=60)
        plain.request("GET", "/")
        with pytest.raises((http.client.HTTPException, OSError)):
            plain.getresponse()
        plain.close()


def test_a_key_that_does_not_belong_to_the_certificate_is_a_sentence(certified, capsys):
    from tiepoint.web.process import main

    (certified / "private" / "station.key").write_bytes((certified / "private" / "station.pem").read_bytes())
    assert main([str(certified), "--port", "0"]) == 2
    told = capsys.readouterr().err
    assert len(told.splitlines()) == 1
    assert "station.key" in told
