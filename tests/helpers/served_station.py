"""A station in service as its user starts it: `tiepoint serve` in a process of its own, over a watched folder."""

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

from tests.helpers.vent_station import Vent

from tiepoint.station.accepted import accept, draft_of
from tiepoint.station.duty.status import read_status
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger

PATIENCE_S = 120.0
CAMERA = """
[[camera]]
name = "top"
from = "folder"
part_id = "name"

[camera.folder]
path = "incoming"
names = "{part_id}.png"
whole = "renamed"
poll_s = 0.1
"""


def free_port() -> int:
    """Return a port that nobody listens on now."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def prepared(vent: Vent, duty: str = "", more: str = "", deadline_ms: int = 60_000, workers: int = 1) -> Path:
    """Give a station a watched folder and accept its drafts; return the folder."""
    toml = vent.folder / "station.toml"
    said = f'\n[duty]\nvariant = "thin"\ndeadline_ms = {deadline_ms}\nworkers = {workers}\n{duty}\n{CAMERA}\n{more}'
    toml.write_text(toml.read_text() + said)
    (vent.folder / "incoming").mkdir()
    station = open_station(vent.folder)
    accept(station, [draft_of(station, vent.recipe)], who="M. Weiss", why="first")
    return vent.folder


class Served:
    """A process, ended with the `with`. `words`: the module and what it is told."""

    def __init__(self, folder: Path, *words: str, log: Path | None = None):
        self.folder, self._words = folder, words
        self.log = log or folder.parent / "serve.log"
        self.process = None

    def __enter__(self):
        self.begin()
        return self

    def begin(self):
        command = [sys.executable, "-m", *self._words]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(command, stderr=log, stdout=subprocess.DEVNULL, start_new_session=True)

    def __exit__(self, *_):
        self.end()

    def end(self) -> int:
        """Stop it as Ctrl-C does, and return its exit code."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT if os.name == "posix" else signal.CTRL_BREAK_EVENT)
        try:
            return self.process.wait(PATIENCE_S)
        finally:
            with suppress(ProcessLookupError, PermissionError):
                os.killpg(self.process.pid, signal.SIGKILL)

    def said(self) -> str:
        return self.log.read_text()

    def until(self, what, says=""):
        """Wait until `what` returns something, and return it."""
        end = time.monotonic() + PATIENCE_S
        while not (found := what()):
            assert self.process.poll() is None, self.said()
            assert time.monotonic() < end, (says, read_status(self.folder), self.said())
            time.sleep(0.05)
        return found

    def until_state(self, state: str, **about):
        """Wait until duty says a state."""

        def told():
            status = read_status(self.folder)
            good = status is not None and status.is_fresh and status.told["state"] == state
            return status if good and all(status.told[k] == v for k, v in about.items()) else None

        return self.until(told, state)

    def drop(self, name: str, data: bytes):
        """Put a picture into the watched folder, as a camera does that renames what is whole."""
        path = self.folder / "incoming" / name
        part = path.with_name(f"{name}.part")
        part.write_bytes(data)
        part.rename(path)

    def record_of(self, part: str):
        """Return the entry of a part, once it is in the ledger."""
        return self.until(lambda: next(iter(entries(self.folder, part)), None), part)


def entries(folder: Path, part: str | None = None, kind: str = "record"):
    """Return the entries of a kind in a station's ledger, or those of a part."""
    with Ledger(open_station(folder).ledger_place) as ledger:
        return list(ledger.entries(kind, part_id=part))


def get(port: int, path: str):
    """Return status and JSON of a GET."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        connection.request("GET", path)
        answer = connection.getresponse()
        return answer.status, json.loads(answer.read())
    finally:
        connection.close()
