"""Real servers that a test starts for itself, on free ports, as an ordinary user."""

import getpass
import os
import shutil
import signal
import socket
import subprocess
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def somebody(name: str) -> dict[str, object]:
    """Return how to run a program as a user where we are root, which it would refuse."""
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    return {"user": name, "group": name, "extra_groups": []} if root else {}


def listens(port: int) -> bool:
    with socket.socket() as one:
        return one.connect_ex(("127.0.0.1", port)) == 0


def await_server(is_ready: Callable[[], bool], process: subprocess.Popen[bytes], log: Path) -> None:
    """Wait until a server is ready; its log is told where it ends instead."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        if process.poll() is not None:
            break
        if is_ready():
            return
        time.sleep(0.02)  # nothing tells of a port that opens
    raise AssertionError(f"the server is not ready:\n{log.read_text(errors='replace')[-2000:]}")


@dataclass
class Postgres:
    """A PostgreSQL server of the test's own."""

    binaries: Path
    folder: Path
    port: int
    password: str
    process: subprocess.Popen[bytes] | None = None

    def url(self, database: str, user: str = "station") -> str:
        return f"postgresql+psycopg://{user}@127.0.0.1:{self.port}/{database}"

    def start(self) -> None:
        log, at = self.folder / "log", ("-h", "127.0.0.1", "-k", str(self.folder))
        with log.open("ab") as out:
            self.process = subprocess.Popen(
                [self.binaries / "postgres", "-D", self.folder / "data", "-p", str(self.port), *at],
                stdout=out,
                stderr=out,
                **somebody("postgres"),
            )
        await_server(lambda: self.run("postgres", "SELECT 1") == "1", self.process, log)

    def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def run(self, database: str, statement: str) -> str:
        """Run a statement as whoever administers the server does, by its own client."""
        command = [
            str(self.binaries / "psql"),
            "-h",
            "127.0.0.1",
            "-p",
            str(self.port),
            "-U",
            "station",
            "-d",
            database,
        ]
        done = subprocess.run(
            [*command, "-At", "-v", "ON_ERROR_STOP=1", "-c", statement],
            env={**os.environ, "PGPASSWORD": self.password},
            capture_output=True,
            text=True,
            check=False,
        )
        return (done.stdout + done.stderr).strip()


@contextmanager
def postgres() -> Iterator[Postgres]:
    """Start a PostgreSQL server, with the user `station`, whose password it asks for."""
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    if found := shutil.which("pg_config"):
        told = subprocess.run([found, "--bindir"], capture_output=True, text=True, check=False)
        places.insert(0, Path(told.stdout.strip()))
    binaries = next((p for p in places if (p / "initdb").exists() and (p / "postgres").exists()), None)
    if binaries is None:
        pytest.skip("there is no PostgreSQL server here (Debian: postgresql)")
    with TemporaryDirectory() as made:
        folder = Path(made)
        asks = ("--auth=scram-sha-256", f"--pwfile={folder / 'password'}")
        (folder / "password").write_text("a quiet word\n")
        if somebody("postgres"):
            shutil.chown(folder, "postgres", "postgres")
            shutil.chown(folder / "password", "postgres", "postgres")
        subprocess.run(
            [binaries / "initdb", "-D", folder / "data", "-U", "station", "-E", "UTF8", "--locale=C", *asks],
            check=True,
            capture_output=True,
            **somebody("postgres"),
        )
        server = Postgres(binaries, folder, free_port(), "a quiet word")
        server.start()
        try:
            yield server
        finally:
            server.stop()


@dataclass
class Far:
    """A file server of the test's own: its URL without a user, the folder that it shows, and how it is taken away."""

    url: str
    folder: Path
    user: str
    password: str
    stop: Callable[[], None]


@contextmanager
def ftp(folder: Path, port: int | None = None) -> Iterator[Far]:
    """Start an FTP server over a folder, in a thread."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # it stands on a module that Python is about to drop
        from pyftpdlib.authorizers import DummyAuthorizer
        from pyftpdlib.handlers import FTPHandler
        from pyftpdlib.servers import FTPServer

    authorizer = DummyAuthorizer()
    authorizer.add_user("station", "a quiet word", str(folder), perm="elradfmwMT")
    handler = type("Handler", (FTPHandler,), {"authorizer": authorizer, "auth_failed_timeout": 0})
    server = FTPServer(("127.0.0.1", port or 0), handler)
    ending = threading.Event()

    def serve() -> None:
        while not ending.is_set():
            server.serve_forever(timeout=0.02, blocking=False, handle_exit=False)
        server.close_all()

    thread = threading.Thread(target=serve)
    thread.start()

    def stop() -> None:
        ending.set()
        thread.join()

    try:
        yield Far(f"ftp://127.0.0.1:{server.address[1]}", folder, "station", "a quiet word", stop)
    finally:
        stop()


@contextmanager
def smb(folder: Path) -> Iterator[Far]:
    """Start an SMB server with a share `vents` over a folder, with all its own files in a folder of the test's."""
    binary = shutil.which("smbd") or shutil.which("smbd", path="/usr/sbin")
    if binary is None:
        pytest.skip("there is no SMB server here (Debian: samba)")
    user, port = getpass.getuser(), free_port()
    with TemporaryDirectory() as made:
        own = Path(made)
        places = ("private dir", "state directory", "cache directory", "lock directory", "pid directory")
        places += ("ncalrpc dir",)
        lines = ["[global]", "server role = standalone server", "disable netbios = yes", f"smb ports = {port}"]
        lines += ["interfaces = 127.0.0.1/8", "bind interfaces only = yes", f"passdb backend = tdbsam:{own}/passdb.tdb"]
        lines += [f"{place} = {own / place.split()[0]}" for place in places]
        lines += [f"log file = {own}/log", "load printers = no", "printcap name = /dev/null", "server services = -dns"]
        lines += ["[vents]", f"path = {folder}", "read only = no", f"valid users = {user}"]
        for place in places:
            (own / place.split()[0]).mkdir(exist_ok=True)
        (own / "smb.conf").write_text("\n".join(lines) + "\n")
        subprocess.run(
            [shutil.which("smbpasswd") or "smbpasswd", "-c", own / "smb.conf", "-L", "-a", "-s", user],
            input=b"a quiet word\na quiet word\n",
            check=True,
            capture_output=True,
        )
        with (own / "out").open("ab") as out:
            command = [binary, "--foreground", "--no-process-group", "--debug-stdout", f"--configfile={own}/smb.conf"]
            process = subprocess.Popen(
                command, stdout=out, stderr=out, stdin=subprocess.DEVNULL, start_new_session=True
            )

        def stop() -> None:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGTERM)
                process.wait()

        try:
            await_server(lambda: listens(port), process, own / "out")
            yield Far(f"smb://127.0.0.1:{port}/vents", folder, user, "a quiet word", stop)
        finally:
            stop()
