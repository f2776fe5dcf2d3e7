"""The web process: `python -m tiepoint.web STATION [--host …] [--port …]`, until it is asked to stop."""

import argparse
import getpass
import logging
import signal
import socket
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import FrameType
from typing import Any

import uvicorn
from fastapi import FastAPI

from tiepoint.documents.files import reason_of
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.station.folder import open_station
from tiepoint.web.app import app_of
from tiepoint.web.connections import MOST_HEAD_BYTES, Connections, Http, Listening
from tiepoint.web.sessions import Local
from tiepoint.web.settings import Settings, settings_of

STOPPING_S = 5
SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGBREAK") if hasattr(signal, name))


class Server(uvicorn.Server):
    """Ends in good order when it is asked to, live events too, and then with exit code 0."""

    def __init__(self, config: uvicorn.Config, app: FastAPI, began: Callable[[], object] = bool) -> None:
        """`began` is called once it listens."""
        super().__init__(config)
        self._app, self._began = app, began

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin, and say so."""
        await super().startup(sockets)
        self._began()

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:  # noqa: ARG002  # as uvicorn calls it
        """Take a signal."""
        self.should_exit = True

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End the live events, which would go on, and then all else."""
        self._app.state.here.feed.close()
        await super().shutdown(sockets)

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take signals while it serves; who runs it in a thread sets `should_exit`."""
        try:
            before = {number: signal.signal(number, self.handle_exit) for number in SIGNALS}
        except ValueError:  # not the main thread
            before = {}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def listening(settings: Settings) -> socket.socket:
    """Return a socket that listens where the settings say; `UnusableInput` where it cannot."""
    try:
        family, kind, proto, _, address = socket.getaddrinfo(
            settings.host or None, settings.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        taken = Listening(family, kind, proto)
    except OSError as error:
        raise UnusableInput(f"there is no interface {settings.host}: {reason_of(error)}; name another") from error
    try:
        # On Windows the same option would share the port with another program.
        exclusive = getattr(socket, "SO_EXCLUSIVEADDRUSE", None)
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR if exclusive is None else exclusive, 1)
        taken.bind(address)
        taken.listen(256)
        taken.setblocking(False)
    except OSError as error:
        taken.close()
        raise UnusableInput(
            f"cannot listen on port {settings.port} of {settings.host}: {reason_of(error)}; stop the "
            "program that does, or name another port: --port, or port in [web]"
        ) from error
    return taken


def server_of(
    folder: Path,
    settings: Settings,
    connections: Connections | None = None,
    *,
    local: Local | None = None,
    began: Callable[[], object] = bool,
) -> Server:
    """Return the server of a station, not started yet; raises a `TiepointError` where it cannot begin.

    `local`: the person at this machine, who has it open without duty. `began` is called once it listens.
    """
    held = connections or Connections()
    app = app_of(folder, settings, held, local)
    more: dict[str, Any] = {}
    if settings.is_secure:
        more = {"ssl_certfile": settings.certificate, "ssl_keyfile": settings.key}
    config = uvicorn.Config(
        app,
        http=partial(Http, connections_held=held),  # type: ignore[arg-type]  # called as the class is
        ws="none",
        lifespan="on",
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        h11_max_incomplete_event_size=MOST_HEAD_BYTES,
        timeout_graceful_shutdown=STOPPING_S,
        **more,
    )
    try:
        config.load()
    except OSError as error:  # ssl.SSLError is one
        raise UnusableInput(
            f"certificate {settings.certificate} and key {settings.key} cannot be used: {error.args[-1]}; look whether "
            "they are PEM files that belong together"
        ) from error
    return Server(config, app, began)


def serve(folder: Path, *, host: str | None = None, port: int | None = None) -> None:
    """Serve a station until it is asked to stop; raises a `TiepointError` where it cannot begin."""
    settings = settings_of(open_station(folder), host=host, port=port)
    with listening(settings) as taken:
        server = server_of(folder, settings)
        name = f"[{settings.host}]" if ":" in settings.host else settings.host
        scheme = "https" if settings.is_secure else "http"
        print(f"{scheme}://{name}:{taken.getsockname()[1]}/", flush=True)  # noqa: T201  # who started it reads it
        server.run([taken])


def serve_here(folder: Path, *, port: int | None = None, began: Callable[[str], object]) -> None:
    """Serve a station to the person at this machine until it is asked to stop.

    `port`: where None the one after the station's own, which duty needs, or any that is free. `began` is called with
    the address, in which the key stands that lets them in once; it ends with the process. Raises a `TiepointError`
    where it cannot begin.
    """
    station, local = open_station(folder), Local.named(_account())
    settings = settings_of(station, host="127.0.0.1", port=port)
    with _listening_here(settings, port) as taken:
        address = f"http://127.0.0.1:{taken.getsockname()[1]}/#key={local.key}"
        plain = replace(settings, certificate=None, key=None)  # nobody but this machine is listened to
        server_of(folder, plain, local=local, began=lambda: began(address)).run([taken])


def _listening_here(settings: Settings, port: int | None) -> socket.socket:
    if port is not None:
        return listening(settings)
    # The same one each time, since what was typed and not kept yet stays with the address.
    try:
        return listening(replace(settings, port=min(settings.port + 1, 65535) if settings.port else 0))
    except UnusableInput:
        return listening(replace(settings, port=0))


def _account() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # an account without a name
        return ""


def main(words: Sequence[str] | None = None) -> int:
    """Run the process; return its exit code."""
    parser = argparse.ArgumentParser("python -m tiepoint.web", description=__doc__)
    parser.add_argument("station", type=Path, metavar="STATION")
    parser.add_argument("--host")
    parser.add_argument("--port", type=int)
    asked = parser.parse_args(words)
    logging.basicConfig(level=logging.WARNING, format="tiepoint web: %(message)s", stream=sys.stderr)
    # What a stranger sends is in the access log, and no warning for the person who runs the station.
    logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)
    try:
        serve(asked.station, host=asked.host, port=asked.port)
    except TiepointError as error:
        print(f"tiepoint web: {error}", file=sys.stderr)  # noqa: T201  # the one sentence
        return 2
    return 0
