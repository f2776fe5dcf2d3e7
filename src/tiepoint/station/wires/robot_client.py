"""The robot's side of the socket: as a simulator for a desk, and for who writes the robot's program."""

import json
import socket
from types import TracebackType
from typing import Any, Self

from tiepoint.documents.files import reason_of
from tiepoint.foundation.errors import UnusableInput

LONGEST = 2000


class RobotClient:
    """One connection. `ask` sends a line and returns the answer's line."""

    def __init__(self, host: str, port: int, timeout_s: float = 5.0) -> None:
        try:
            self._socket = socket.create_connection((host, port), timeout_s)
        except OSError as error:
            raise UnusableInput(
                f"nobody answers on {host} port {port} ({reason_of(error)}); is the station on duty, and this machine "
                "one of its peers?"
            ) from error
        self._rest = b""

    def send(self, data: bytes) -> None:
        """Send bytes as they are."""
        self._socket.sendall(data)

    def line(self) -> str:
        """Return the next line; `UnusableInput` where the other side closes, or says none in time."""
        while b"\n" not in self._rest:
            try:
                more = self._socket.recv(4096)
            except OSError as error:
                raise UnusableInput(f"the station did not answer ({reason_of(error)})") from error
            if not more or len(self._rest) > LONGEST:
                raise UnusableInput("the station closed the connection; is this machine one of the wire's peers?")
            self._rest += more
        line, _, self._rest = self._rest.partition(b"\n")
        return line.decode("ascii", "replace").rstrip("\r")

    def ask(self, line: str) -> str:
        """Send a line and return the answer's line."""
        self.send(line.encode("utf-8") + b"\n")
        return self.line()

    def told(self, line: str) -> dict[str, Any]:
        """Send a line and return the answer as JSON tells it."""
        answer: dict[str, Any] = json.loads(self.ask(line))
        return answer

    def close(self) -> None:
        """Let go of the socket."""
        self._socket.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()
