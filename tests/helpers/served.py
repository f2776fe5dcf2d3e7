"""A station that is served by the real server on a port of its own, with records and pictures made for it."""

import hashlib
import http.client
import json
import socket
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from tiepoint.foundation.sources import Source, measured
from tiepoint.model.decide import Limits
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture, Shot
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.web.connections import Connections
from tiepoint.web.process import listening, server_of
from tiepoint.web.sessions import Local
from tiepoint.web.settings import settings_of

NAME = "hinge plates"
TOLD = {"name": "bore A", "kind": "circle", "quantity": "diameter", "unit": "mm", "step": "bore A", "frame": "plane"}
VALUES = {"conforms": 4.5, "rejected": 4.8, "undecided": 4.6001}


def new_station(folder: Path, more: str = "") -> Path:
    """Write a station with an empty ledger."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "station.toml").write_text(f'format = "tiepoint/station/1"\nname = "{NAME}"\n{more}', encoding="utf-8")
    with Ledger(folder / "ledger.sqlite", create=True):
        pass
    return folder


def record(k: int, verdict: str = "conforms", variant: str | None = "left") -> Record:
    """Return a record of one bore, not committed yet."""
    noise = Source(f"noise {k}", "noise", "A", 0.002, "shot")
    reading = Reading.of(measured(VALUES[verdict], noise), limits=Limits(4.4, 4.6), id="bore A.diameter", **TOLD)
    shot = Shot(f"shot-{k}", (Picture("picture", "a" * 64, (640, 480), 8, "mono8"),), part_id=f"GV-{k:04d}",
                taken_utc="2026-11-26T08:00:00Z")  # fmt: skip
    return Record(NAME, 0, shot, "b" * 64, (), "tiepoint 0", (reading,), reading.verdict, variant=variant)


def commit(folder: Path, count: int, verdict: str = "conforms", first: int = 1) -> list[int]:
    """Add records to the ledger; return their numbers."""
    with Ledger(folder / "ledger.sqlite") as ledger:
        return [ledger.commit(record(k, verdict)).seq for k in range(first, first + count)]


def keep_picture(folder: Path, seq: int, size: tuple[int, int] = (2000, 1500), name: str = "picture.png") -> Path:
    """Keep a picture of a record, as the archive does."""
    place = folder / "archive" / "2026-11-26" / f"{seq:09d}"
    place.mkdir(parents=True)
    y, x = np.mgrid[: size[1], : size[0]]
    Image.fromarray(((x // 8 + y // 8) % 256).astype(np.uint8)).save(place / name)
    body = {
        "format": "tiepoint/archived/1", "record": seq, "folder": f"2026-11-26/{seq:09d}",
        "files": {name: hashlib.sha256((place / name).read_bytes()).hexdigest()},
    }  # fmt: skip
    with Ledger(folder / "ledger.sqlite") as ledger:
        ledger.append("archived", body)
    return place / name


class Served:
    """The server in a thread, to be used in a `with`."""

    def __init__(self, folder: Path, *, port: int = 0, head_s: float = 10.0, send_buffer: int | None = None,
                 local: Local | None = None, **table):  # fmt: skip
        settings = settings_of(open_station(folder), port=port)
        if table:
            settings = replace(settings, table=settings.table.model_copy(update=table))
        self.folder, self.connections = folder, Connections(head_s=head_s)
        self._socket = listening(settings)
        if send_buffer is not None:
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, send_buffer)
        self.port = self._socket.getsockname()[1]
        self.host = f"127.0.0.1:{self.port}"
        self.server = server_of(folder, settings, self.connections, local=local)
        self.app = self.server.config.app
        self.error = None
        self._thread = threading.Thread(target=self._run)

    def _run(self):
        try:
            self.server.run([self._socket])
        except BaseException as error:
            self.error = error

    def __enter__(self):
        self._thread.start()
        while not self.server.started and self._thread.is_alive():
            time.sleep(0.01)  # uvicorn tells of its start in this way alone
        return self

    def __exit__(self, *_):
        self.server.should_exit = True
        self._thread.join(30)
        self._socket.close()
        assert not self._thread.is_alive()
        assert self.error is None, self.error

    def ask(self, method, path, *, headers=None, body=None):
        """Return status, headers and body of one request on a connection of its own."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            connection.request(method, path, body, headers or {})
            answer = connection.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        finally:
            connection.close()

    def get(self, path, **headers):
        """Return status and JSON of a question."""
        status, _, body = self.ask("GET", path, headers=headers)
        return status, json.loads(body)


def refusal(status, body):
    """Return the refusal in an answer, which has the one shape."""
    told = json.loads(body)
    assert set(told) == {"error"}, told
    assert set(told["error"]) == {"code", "says", "where", "do"}, told
    assert status >= 400
    assert "Traceback" not in body.decode()
    return told["error"]
