"""Connections, held in bounds: so many in all and from one peer, a head that must come in time, an answer that must be
read in time, and no trace back.
"""

import asyncio
import socket
import struct
import sys
from collections import Counter
from contextlib import suppress
from typing import Any

import h11
from starlette.types import Scope
from uvicorn.protocols.http.h11_impl import H11Protocol

from tiepoint.web.rates import peer_of
from tiepoint.web.refused import Refused

HEAD_S = 10.0
"""How long the head of a request may take to come."""
MOST_HEAD_BYTES = 16_384
MOST, MOST_OF_A_PEER = 512, 128
READ_S, READ_BYTES = 15.0, 65_536
"""Of an answer that waits to be read, so much has to be read in so long."""


class Connections:
    """Those that are open, by the address and port of the other side."""

    def __init__(
        self,
        most: int = MOST,
        most_of_a_peer: int = MOST_OF_A_PEER,
        head_s: float = HEAD_S,
        read_s: float = READ_S,
    ) -> None:
        self._most, self._most_of_a_peer = most, most_of_a_peer
        self.head_s, self.read_s = head_s, read_s
        self._open: dict[Any, asyncio.Transport] = {}
        self._of: Counter[str] = Counter()

    def takes(self, client: tuple[str, int] | None, transport: asyncio.Transport) -> bool:
        """Take a new connection, if there is room for it."""
        peer = peer_of(client[0]) if client else ""
        if len(self._open) >= self._most or self._of[peer] >= self._most_of_a_peer:
            return False
        self._open[client] = transport
        self._of[peer] += 1
        return True

    def ended(self, client: tuple[str, int] | None) -> None:
        """Forget a connection."""
        if self._open.pop(client, None) is not None:
            peer = peer_of(client[0]) if client else ""
            self._of[peer] -= 1
            if not self._of[peer]:
                del self._of[peer]

    def cut(self, scope: Scope) -> None:
        """End the connection of a request at once, whatever is still to be sent."""
        transport = self._open.get(scope.get("client"))
        if transport is not None:
            _reset(transport)


class Listening(socket.socket):
    """A socket that listens, and takes no more than so many connections in all and from one peer.

    Here, since one that never ends its TLS handshake never comes to the protocol, and would be in no count. (Windows
    accepts in another way; there only the protocol counts.)
    """

    most, most_of_a_peer = MOST, MOST_OF_A_PEER

    def __init__(self, *about: Any, **more: Any) -> None:
        super().__init__(*about, **more)
        self._taken: Counter[str] = Counter()

    def accept(self) -> tuple[socket.socket, Any]:
        """Take a connection; `ConnectionAbortedError` where it is one too many, and closed."""
        number, address = self._accept()  # type: ignore[attr-defined]  # as socket.socket.accept does it
        peer = peer_of(str(address[0]))
        taken = _Taken(self.family, self.type, self.proto, fileno=number)
        if self._taken.total() >= self.most or self._taken[peer] >= self.most_of_a_peer:
            taken.close()
            raise ConnectionAbortedError
        taken.count(self._taken, peer)
        return taken, address


class _Taken(socket.socket):
    """A connection that was taken; it is in the count until it is closed."""

    _counted: tuple[Counter[str], str] | None = None

    def count(self, taken: Counter[str], peer: str) -> None:
        """Be in a count from now on."""
        taken[peer] += 1
        self._counted = taken, peer

    def close(self) -> None:
        """Close, and be in no count any more."""
        super().close()
        if self._counted is not None:
            taken, peer = self._counted
            self._counted = None
            taken[peer] -= 1
            if not taken[peer]:
                del taken[peer]


def _reset(transport: asyncio.Transport) -> None:
    """Close a connection at once: the system would hold for minutes what the other side does not read."""
    linger = struct.pack("hh" if sys.platform == "win32" else "ii", 1, 0)
    with suppress(OSError, AttributeError):
        transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
    transport.abort()


class Http(H11Protocol):
    """HTTP/1.1 as uvicorn speaks it, in these bounds."""

    def __init__(self, *args: Any, connections_held: Connections, **more: Any) -> None:
        super().__init__(*args, **more)
        self._held = connections_held
        self._is_held = False
        self._head_due: asyncio.TimerHandle | None = None
        self._read_due: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn has it
        """Begin, if there is room."""
        super().connection_made(transport)
        self._is_held = self._held.takes(self.client, transport)
        if not self._is_held:
            transport.abort()
        else:
            self._head_begins()

    def connection_lost(self, exc: Exception | None) -> None:
        """End."""
        self._head_has_come()
        self._is_read()
        if self._is_held:
            self._held.ended(self.client)
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """Have the other side read what waits for it, or be cut off: it would be held for as long as it likes."""
        super().pause_writing()
        self._demand_read()

    def resume_writing(self) -> None:
        """Go on, now that it has read."""
        super().resume_writing()
        self._is_read()

    def _demand_read(self, left: int | None = None) -> None:
        now: int = self.transport.get_write_buffer_size()
        if left is not None and now > left - READ_BYTES:
            _reset(self.transport)
            return
        self._read_due = self.loop.call_later(self._held.read_s, self._demand_read, now)

    def _is_read(self) -> None:
        if self._read_due is not None:
            self._read_due.cancel()
            self._read_due = None

    def data_received(self, data: bytes) -> None:
        """Take what came; a head that has begun must be whole in time."""
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._head_has_come()
        elif self._head_due is None:
            self._head_begins()

    def send_400_response(self, msg: str) -> None:
        """Answer what is no HTTP in the one shape of refusals."""
        if self.cycle is not None and not self.cycle.response_complete:
            self.cycle.disconnected = True  # an answer that is under way has nowhere to go any more
        data = Refused(400).data("")
        headers = [
            (b"content-type", b"application/json"),
            (b"content-length", str(len(data)).encode()),
            (b"x-content-type-options", b"nosniff"),
            (b"connection", b"close"),
        ]
        try:
            for event in (
                h11.Response(status_code=400, headers=headers, reason=msg.encode()),
                h11.Data(data=data),
                h11.EndOfMessage(),
            ):
                self.transport.write(self.conn.send(event) or b"")
        except h11.LocalProtocolError:
            pass  # an answer was under way
        self.transport.close()

    def _head_begins(self) -> None:
        self._head_due = self.loop.call_later(self._held.head_s, _reset, self.transport)

    def _head_has_come(self) -> None:
        if self._head_due is not None:
            self._head_due.cancel()
            self._head_due = None
