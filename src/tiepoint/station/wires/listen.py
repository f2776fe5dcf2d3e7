"""A TCP server with a thread and a loop of its own: bound to one interface, for the peers that are allowed."""

import asyncio
import contextlib
import ipaddress
import socket
import threading
from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from tiepoint.documents.files import reason_of
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.wires.table import ServerTable

SEND_S = 2.0
"""A peer that does not take its answer within this time is let go."""


class Broken(Exception):
    """What a peer sent is not of the protocol: its connection is closed, and it is counted."""


@dataclass
class Peer:
    """One connection: its `name` (address and port), and its streams."""

    name: str
    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter

    async def send(self, data: bytes) -> None:
        """Send an answer, and let other peers have their turn; `TimeoutError` where the peer does not take it."""
        self.writer.write(data)
        async with asyncio.timeout(SEND_S):
            await self.writer.drain()
        await asyncio.sleep(0)  # what a peer sent in one go would else be answered to its end first


Serve = Callable[[Peer], Awaitable[None]]


@dataclass
class Listener:
    """Serves peers until it is stopped. `counts`: connections that were `refused`, `too many`, or `broken` off."""

    table: ServerTable
    serve: Serve
    counts: Counter[str] = field(default_factory=Counter)
    port: int = 0
    peers: dict[asyncio.Task[None], str] = field(default_factory=dict)
    _thread: threading.Thread | None = None
    _fault: OSError | None = None

    def start(self) -> None:
        """Begin to listen; `UnusableInput` where the place cannot be had."""
        self._begun = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"wire {self.table.name}", daemon=True)
        self._thread.start()
        self._begun.wait()
        if self._fault is not None:
            raise UnusableInput(
                f"the wire {self.table.name} cannot listen on {self.table.bind} port {self.table.port}: "
                f"{reason_of(self._fault)}; end what has it, or give another"
            ) from self._fault

    def stop(self) -> None:
        """Let go of every connection and of the port."""
        if self._thread is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._done.set)
            self._thread.join(10)

    @property
    def joined(self) -> tuple[str, ...]:
        """Who is connected."""
        return tuple(self.peers.copy().values())

    def _run(self) -> None:
        with asyncio.Runner() as runner:
            runner.run(self._listen())

    async def _listen(self) -> None:
        self._loop, self._done = asyncio.get_running_loop(), asyncio.Event()
        try:
            server = await asyncio.start_server(self._come, self.table.bind, self.table.port, limit=4096, backlog=128)
        except OSError as error:
            self._fault = error
            self._begun.set()
            return
        self.port = server.sockets[0].getsockname()[1]
        self._begun.set()
        await self._done.wait()
        # Who was accepted just now becomes a peer first: a closed server would lose that socket without closing it.
        for sock in server.sockets:
            with contextlib.suppress(NotImplementedError):  # other loops accept otherwise
                self._loop.remove_reader(sock.fileno())
        for _ in range(10):
            await asyncio.sleep(0)
        server.close()
        rest = asyncio.all_tasks() - {asyncio.current_task()}
        for task in rest:
            task.cancel()
        await asyncio.gather(*rest, return_exceptions=True)
        await server.wait_closed()
        for _ in range(3):  # what was aborted lets go of its socket when the loop comes by
            await asyncio.sleep(0)

    async def _come(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        name = _name(writer)
        why = "" if self._allowed(writer) else "refused"
        if not why and len(self.peers) >= self.table.most_peers:
            why = "too many"
        task = asyncio.current_task()
        if why or task is None:
            self.counts[why] += 1
            writer.transport.abort()
            return
        self.peers[task] = name
        _keep_alive(writer)
        writer.transport.set_write_buffer_limits(0)  # an answer is sent when the peer's system has all of it
        try:
            await self.serve(Peer(name, reader, writer))
        except Broken:
            self.counts["broken"] += 1
        except (OSError, EOFError, asyncio.LimitOverrunError, ValueError):
            pass  # it went away, or takes nothing
        except asyncio.CancelledError:
            pass  # the wire stops
        except Exception:  # a fault of ours costs this connection, and no other
            self.counts["faults"] += 1
        finally:
            self.peers.pop(task, None)
            if writer.transport.get_write_buffer_size():
                writer.transport.abort()  # it would stay open until the peer reads
            else:
                writer.close()

    def _allowed(self, writer: asyncio.StreamWriter) -> bool:
        address: ipaddress.IPv4Address | ipaddress.IPv6Address
        try:
            address = ipaddress.ip_address(str(writer.get_extra_info("peername")[0]).partition("%")[0])
        except (TypeError, ValueError):
            return False
        if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
            address = address.ipv4_mapped
        return any(address in network for network in self.table.peers)


def _name(writer: asyncio.StreamWriter) -> str:
    told = writer.get_extra_info("peername")
    return f"{told[0]} port {told[1]}" if told else "a peer that has gone"


def _keep_alive(writer: asyncio.StreamWriter) -> None:
    """Let the system find out that the other side has lost its power: it says nothing then."""
    with contextlib.suppress(OSError, AttributeError):
        writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
