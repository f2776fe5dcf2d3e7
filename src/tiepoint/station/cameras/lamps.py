"""What switches the lamps of a camera.

Caution: light that flashes 3 to 30 times a second can trigger photosensitive epilepsy. Ask the supplier for the risk
group of every lamp (IEC 62471). Ultraviolet and infrared light is not seen, and may harm all the same.
"""

import re
import socket
import time
from collections.abc import Mapping
from fnmatch import translate
from typing import Protocol

from tiepoint.documents.files import reason_of
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.recipe.tables import said_names, shown
from tiepoint.station.cameras.table import LampsTable

_FIELDS = ("channel", "level")
_MOST_ANSWER = 4096


class Lamps(Protocol):
    """What switches lamps. Raises `UnusableInput` where a lamp cannot be set: what is lit then is not known."""

    def set(self, currents: Mapping[str, float]) -> None:
        """Set the current of lamps, as shares of their full one; the others stay as they are."""
        ...

    def close(self) -> None:
        """Switch all off, as far as that is possible, and let go."""
        ...


class NoLamps:
    """Lamps that nobody switches from here."""

    def set(self, currents: Mapping[str, float]) -> None:
        """Refuse any."""
        if currents:
            raise UnusableInput(f"the lamps {said_names(currents)} cannot be set from here; state [camera.lamps]")

    def close(self) -> None:
        """Do nothing."""


class TextLamps:
    """Lamps that take commands as lines of text over TCP, and may answer.

    A connection is opened with the first command, kept, and opened once more where it was lost: not within a command,
    so that none is sent twice without its being known. Raises `UnusableDocument` where a command cannot be filled in.
    """

    def __init__(self, table: LampsTable) -> None:
        self._table = table
        self._lamps = {lamp.name: lamp for lamp in table.lamp}
        self._socket: socket.socket | None = None
        self._answer = re.compile(translate(table.answer), re.DOTALL) if table.answer else None
        for lamp in table.lamp:
            self._command(lamp.channel, 0.0)

    def set(self, currents: Mapping[str, float]) -> None:
        """Send one command for each lamp, and await its answer before the next."""
        for name, current in currents.items():
            lamp = self._lamps.get(name)
            if lamp is None:
                raise UnusableInput(f"no lamp is called {shown(name)}; there are {said_names(self._lamps)}")
            if not 0 <= current <= 1:
                raise UnusableInput(f"the lamp {shown(name)} cannot have the current {current:g}; give 0 to 1")
            self._send(name, self._command(lamp.channel, current * lamp.current))

    def close(self) -> None:
        """Switch all lamps off, if they can be reached, and close the connection."""
        try:
            if self._socket is not None:
                self.set(dict.fromkeys(self._lamps, 0.0))
                self._farewell(self._socket)
        except (UnusableInput, OSError):
            pass  # who stops cannot do more; the driver's own watchdog, if it has one, does the rest
        finally:
            self._drop()

    def _farewell(self, link: socket.socket) -> None:
        """Wait until the other side has read all: to close over unread answers would throw away what was sent."""
        link.shutdown(socket.SHUT_WR)
        until = time.monotonic() + self._table.timeout_s
        while (left := until - time.monotonic()) > 0:
            link.settimeout(left)
            if not link.recv(_MOST_ANSWER):
                return

    def _command(self, channel: str, current: float) -> bytes:
        level = f"{round(current * self._table.full):0{self._table.digits}d}"
        return (_filled(self._table.command or "", channel, level) + self._table.ending).encode()

    def _send(self, name: str, command: bytes) -> None:
        where = f"{self._table.host}:{self._table.port}"
        try:
            link = self._link()
            link.sendall(command)
            if self._answer is None:
                return
            answer = self._answered(link)
        except OSError as error:
            self._drop()
            why = (
                f"nothing came within {self._table.timeout_s:g} s"
                if isinstance(error, TimeoutError)
                else reason_of(error)
            )
            raise UnusableInput(f"the lamp {shown(name)} at {where} cannot be set: {why}") from error
        if not self._answer.match(answer):
            self._drop()
            raise UnusableInput(
                f"the lamp {shown(name)} at {where} answered {shown(answer)}, not {shown(self._table.answer)}"
            )

    def _link(self) -> socket.socket:
        """Return the connection, a new one where it was lost; what came unasked is thrown away."""
        if self._socket is not None:
            try:
                self._socket.setblocking(False)
                while self._socket.recv(_MOST_ANSWER):
                    pass
                self._drop()  # an orderly end: the other side has closed it
            except BlockingIOError:
                self._socket.settimeout(self._table.timeout_s)
                return self._socket
            except OSError:
                self._drop()
        address = (self._table.host or "", self._table.port or 0)
        self._socket = socket.create_connection(address, timeout=self._table.timeout_s)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return self._socket

    def _answered(self, link: socket.socket) -> str:
        """Return one answer, without what ends its line; raises `TimeoutError` where it does not come whole."""
        until = time.monotonic() + self._table.timeout_s
        data = b""
        while len(data) < _MOST_ANSWER:
            left = until - time.monotonic()
            if left <= 0:
                raise TimeoutError
            link.settimeout(left)
            more = link.recv(256)
            if not more:
                raise ConnectionResetError("the connection was closed before an answer came")
            data += more
            text = data.decode("utf-8", "replace")
            if self._table.ending and text.endswith(("\r", "\n")):
                return text.rstrip("\r\n")
            if not self._table.ending and self._answer and self._answer.match(text):
                return text
        return data.decode("utf-8", "replace")

    def _drop(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def _filled(template: str, channel: str, level: str) -> str:
    """Return a command with its fields filled in; nothing but bare fields is understood."""
    known = {"channel": channel, "level": level}

    def fill(piece: re.Match[str]) -> str:
        name = piece[1]
        if name not in known:
            raise UnusableDocument(f"lamps.command has {{{name}}}, which is no field; there are {said_names(_FIELDS)}")
        return known[name]

    filled = re.sub(r"\{([^{}]*)\}", fill, template)
    if "{" in re.sub(r"\{[^{}]*\}", "", template) or "}" in re.sub(r"\{[^{}]*\}", "", template):
        raise UnusableDocument(
            f"lamps.command is {shown(template)}, which has a lone brace; write fields as in {{level}}"
        )
    return filled


def open_lamps(table: LampsTable | None) -> Lamps:
    """Return what switches lamps by text, or nobody; lines of a GenICam camera are that camera's own."""
    return TextLamps(table) if table is not None and table.kind == "text" else NoLamps()
