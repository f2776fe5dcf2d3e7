"""The FTP receiver against the standard library's own client, over real sockets; TLS with a certificate made here."""

import ftplib
import io
import socket
import ssl
import subprocess
import sys
import threading
import time
import tomllib
from contextlib import suppress

import numpy as np
import pytest

from tiepoint.documents.pictures import encode_png
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.receiver import hash_password, is_password
from tiepoint.station.cameras.table import CameraTable, open_camera

LONG = 30
USER, PASSWORD = "top", "hinge 70"
KEPT = hash_password(PASSWORD)


def png(seed):
    return encode_png(np.random.default_rng(seed).integers(0, 255, (40, 50), np.uint8))


@pytest.fixture
def serving(tmp_path):
    cameras = []

    def serve(folder=None, **receiver):
        table = CameraTable.read(
            {
                "name": "top",
                "from": "folder",
                "folder": {"path": "in", "settle_s": 0, "poll_s": 0.05, "incomplete_after_s": 0.5, **(folder or {})},
                "receiver": {"user": USER, "password": KEPT, "port": 0, **receiver},
            },
            "camera: ",
        )
        camera = open_camera(table, tmp_path)
        cameras.append(camera)
        camera.start()
        wait_for(lambda: "not looked into yet" not in camera.link[1])
        return camera

    yield serve
    for camera in cameras:
        camera.stop()


def joined(camera, password=PASSWORD, user=USER):
    client = ftplib.FTP(timeout=LONG)
    client.connect(*camera.receiver.address)
    try:
        client.login(user, password)
    except ftplib.Error:
        client.close()
        raise
    return client


def send(client, name, data):
    return client.storbinary(f"STOR {name}", io.BytesIO(data))


def wait_for(what):
    until = time.monotonic() + LONG
    while not what():
        assert time.monotonic() < until, "it never became so"
        threading.Event().wait(0.01)


def test_what_is_sent_is_delivered(serving):
    camera = serving()
    with joined(camera) as client:
        assert send(client, "a.png", png(1)).startswith("226")
        delivery = camera.take(LONG)
    assert (delivery.status, delivery.frames[0].name, delivery.frames[0].data) == ("complete", "a.png", png(1))


def test_many_files_over_one_connection_and_over_several_at_once(serving):
    camera = serving()
    with joined(camera) as one, joined(camera) as other:
        for k in range(5):
            send(one, f"a{k}.png", png(k))
            send(other, f"b{k}.png", png(100 + k))
    names = set()
    for _ in range(10):
        delivery = camera.take(LONG)
        names.add(delivery.frames[0].name)
        camera.done(delivery)
    assert names == {f"{letter}{k}.png" for letter in "ab" for k in range(5)}


def test_a_transfer_that_breaks_off_is_never_taken_as_whole(serving, tmp_path):
    camera = serving()
    client = joined(camera)
    with client.transfercmd("STOR a.png") as data:
        data.sendall(png(1)[:200])
        wait_for(lambda: (tmp_path / "in" / "a.png.part").exists())
        assert not (tmp_path / "in" / "a.png").exists()
        # A reset, as when the camera loses its power: no orderly end of the file.
        data.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
    client.close()
    delivery = camera.take(LONG)
    assert delivery.status == "incomplete"
    camera.done(delivery)
    wait_for(lambda: list((tmp_path / "in").glob("refused/*")))


@pytest.mark.parametrize(
    "command",
    [
        "RETR a.png", "DELE a.png", "LIST", "NLST", "MLSD", "MLST a.png", "SIZE a.png", "MDTM a.png", "STAT a.png",
        "MKD x", "RMD refused", "APPE a.png", "STOU", "REST 10", "SITE CHMOD 777 a.png", "SITE HELP", "CWD refused",
        "CWD /etc", "RNFR a.png", "MFMT 20200101000000 a.png",
    ],
)  # fmt: skip
def test_nothing_but_sending_is_possible(serving, tmp_path, command):
    camera = serving(folder={"incomplete_after_s": 100})
    (tmp_path / "in" / "refused").mkdir()
    (tmp_path / "in" / "a.png").write_bytes(b"x")
    with joined(camera) as client:
        if command.startswith("RNFR"):
            client.sendcmd(command)
            command = "RNTO b.png"
        with pytest.raises(ftplib.error_perm, match="5"):
            client.sendcmd(command)
    assert (tmp_path / "in" / "a.png").read_bytes() == b"x"


def test_a_file_is_never_written_over(serving, tmp_path):
    camera = serving(folder={"incomplete_after_s": 100})
    (tmp_path / "in" / "a.png").write_bytes(b"first")
    with joined(camera) as client, pytest.raises(ftplib.error_perm, match="one of that name"):
        send(client, "a.png", png(1))
    assert (tmp_path / "in" / "a.png").read_bytes() == b"first"


def test_a_camera_may_send_under_a_temporary_name_and_rename(serving, tmp_path):
    camera = serving(folder={"temporary": ".tmp", "incomplete_after_s": 100})
    with joined(camera) as client:
        send(client, "a.png.tmp", png(1))
        client.rename("a.png.tmp", "a.png")
        assert camera.take(LONG).frames[0].name == "a.png"
        send(client, "b.png.tmp", png(2))
        with pytest.raises(ftplib.error_perm):
            client.rename("b.png.tmp", "a.png")


def test_a_file_gets_no_name_while_it_is_being_sent(serving, tmp_path):
    camera = serving(folder={"incomplete_after_s": 100})
    sending = joined(camera)
    sending.voidcmd("TYPE I")
    with sending.transfercmd("STOR a.png") as data, joined(camera) as other:
        data.sendall(png(1)[:200])
        wait_for(lambda: (tmp_path / "in" / "a.png.part").exists())
        with pytest.raises(ftplib.error_perm, match="still being sent"):
            other.rename("a.png.part", "b.png")
        data.sendall(png(1)[200:])
    assert sending.voidresp().startswith("226")
    sending.close()
    assert camera.take(LONG).frames[0].name == "a.png"


def test_nothing_is_written_where_the_station_s_own_words_go(tmp_path):
    """In a process of its own: pytest sets up logging, which the receiver then would not."""
    told = (
        "import sys, ftplib, pathlib\n"
        "from tiepoint.station.cameras.table import CameraTable, open_camera\n"
        f"table = CameraTable.read({{'name': 'top', 'from': 'folder', 'folder': {{'path': 'in'}}, 'receiver': "
        f"{{'user': {USER!r}, 'password': {KEPT!r}, 'port': 0}}}}, '')\n"
        "camera = open_camera(table, pathlib.Path(sys.argv[1]))\n"
        "camera.start()\n"
        "while 'not looked into yet' in camera.link[1]: pass\n"
        "with ftplib.FTP() as client:\n"
        "    client.connect(*camera.receiver.address)\n"
        f"    client.login({USER!r}, {PASSWORD!r})\n"
        "camera.stop()\n"
    )
    done = subprocess.run([sys.executable, "-c", told, str(tmp_path)], capture_output=True, text=True, check=True)
    assert (done.stdout, done.stderr) == ("", "")


@pytest.mark.parametrize("name", ["/etc/x.png", "sub/x.png", "refused/x.png", "nul.png", ".hidden.png",
                                  "a\x07.png", "x" * 230 + ".png", "a:b.png"])  # fmt: skip
def test_hostile_names_reach_no_other_place(serving, tmp_path, name):
    camera = serving()
    (tmp_path / "in" / "refused").mkdir()
    with joined(camera) as client, pytest.raises(ftplib.error_perm):
        send(client, name, png(1))
    assert [p.name for p in tmp_path.rglob("*.png*")] == []


def test_the_folder_has_nothing_above_it(serving, tmp_path):
    camera = serving()
    with joined(camera) as client:
        client.cwd("..")
        assert client.pwd() == "/"
        send(client, "../../out.png", png(1))
    assert camera.take(LONG).frames[0].name == "out.png"
    assert not (tmp_path / "out.png").exists()


def test_a_wrong_password_and_an_unknown_user_are_refused_alike(serving):
    camera = serving()
    for user, password in ((USER, "wrong"), ("admin", PASSWORD)):
        with pytest.raises(ftplib.error_perm, match="530"):
            joined(camera, password, user).close()


def test_no_more_is_taken_than_the_quota_of_bytes(serving, tmp_path):
    camera = serving(most_mb=0.01, folder={"incomplete_after_s": 100})
    with suppress(ftplib.Error, OSError), joined(camera) as client:
        send(client, "a.png", bytes(200_000))
    assert sum(p.stat().st_size for p in (tmp_path / "in").rglob("*") if p.is_file()) <= 10_000
    (tmp_path / "in" / "full").write_bytes(bytes(10_001))
    with joined(camera) as client, pytest.raises(ftplib.error_perm, match="no more are taken"):
        send(client, "b.png", png(1))
    assert "refused a file" in camera.link[1]


def test_no_more_is_taken_than_the_quota_of_files(serving, tmp_path):
    camera = serving(most_files=2, folder={"incomplete_after_s": 100})
    with joined(camera) as client:
        for k in range(2):
            (tmp_path / "in" / f"{k}.gif.part").write_bytes(b"x")
        with pytest.raises(ftplib.error_perm, match="2 files wait"):
            send(client, "c.png", png(3))


def test_a_port_in_use_is_said(serving):
    camera = serving()
    host, port = camera.receiver.address
    with pytest.raises(UnusableInput, match=f"cannot listen on {host}:{port}"):
        serving(folder={"path": "other"}, port=port)


def test_it_listens_on_the_named_interface_alone(serving):
    camera = serving(host="127.0.0.2")
    host, port = camera.receiver.address
    assert host == "127.0.0.2"
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.1", port), timeout=LONG).close()


def test_passive_ports_are_those_stated(serving):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    camera = serving(passive_ports=[port, port])
    with joined(camera) as client:
        assert client.makepasv()[1] == port


def test_it_stops_when_the_camera_stops(serving):
    camera = serving()
    address = camera.receiver.address
    client = joined(camera)
    camera.stop()
    with pytest.raises((OSError, EOFError, ftplib.Error)):
        client.voidcmd("NOOP")
    client.close()
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(address, timeout=LONG).close()


@pytest.fixture
def certificate(tmp_path):
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost"]
    subprocess.run(
        [*made, "-keyout", str(tmp_path / "key.pem"), "-out", str(tmp_path / "cert.pem")],
        check=True,
        capture_output=True,
    )
    return {"certificate": "cert.pem", "key": "key.pem"}


def test_with_a_certificate_nothing_is_sent_in_clear(serving, certificate, tmp_path):
    camera = serving(**certificate)
    with pytest.raises(ftplib.error_perm, match="TLS"):
        joined(camera).close()
    trusted = ssl.create_default_context(cafile=tmp_path / "cert.pem")
    trusted.check_hostname = False
    with ftplib.FTP_TLS(timeout=LONG, context=trusted) as client:
        client.connect(*camera.receiver.address)
        client.login(USER, PASSWORD)
        client.prot_p()
        # The far side closes the data connection as soon as it has all; the client's own farewell may find it closed.
        with suppress(OSError):
            send(client, "a.png", png(1))
        delivery = camera.take(LONG)
    assert delivery.frames[0].data == png(1)


def test_a_certificate_that_is_not_there_is_said(serving):
    with pytest.raises(UnusableInput, match=r"certificate file .*gone\.pem"):
        serving(certificate="gone.pem", key="gone.pem")


def test_a_command_makes_the_line_of_station_toml(cli, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{PASSWORD}\n"))
    said = cli("user", "hash", "--password-stdin")
    assert said.code == 0
    kept = tomllib.loads(said.out)["password"]
    assert is_password(PASSWORD, kept)
    table = {"user": USER, "password": kept}
    CameraTable.read({"name": "top", "from": "folder", "folder": {"path": "in"}, "receiver": table}, "camera: ")
    monkeypatch.setattr("sys.stdin", io.StringIO("short\n"))
    said = cli("user", "hash", "--password-stdin")
    assert said.code == 2
    assert "8 to 200" in said.err


def test_a_password_is_kept_salted():
    one, other = hash_password("hinge"), hash_password("hinge")
    assert one != other
    assert "hinge" not in one
    assert is_password("hinge", one)
    assert is_password("hinge", other)
    assert not is_password("Hinge", one)
    for damaged in ("", "scrypt:", "scrypt:a:b", "scrypt:!:b", one[:-4], "hinge"):
        assert not is_password("hinge", damaged)


def test_junk_on_the_wire_ends_nothing(serving):
    camera = serving()
    rng = np.random.default_rng(1)
    for size in (1, 100, 5000, 100_000):
        with socket.create_connection(camera.receiver.address, timeout=LONG) as link, suppress(OSError):
            link.sendall(rng.bytes(size) + b"\r\n" + b"USER " + b"x" * size + b"\r\nPASS \xff\xfe\r\n")
            link.shutdown(socket.SHUT_WR)
            while link.recv(65536):
                pass
    with joined(camera) as client:
        send(client, "a.png", png(1))
        assert camera.take(LONG).status == "complete"
