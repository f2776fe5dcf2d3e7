"""Whether a port can be listened on; by itself, so that who begins to serve need load nothing else to ask."""

import errno
import os
import socket

IN_USE = "end what has it, or give another"
"""What to do about a port that cannot be listened on."""


def is_free(bind: str, port: int) -> str | None:
    """Return why nobody can listen on a port of an interface now, in a clause; None where it can be listened on."""
    family = socket.AF_INET6 if ":" in bind else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        if os.name == "posix":
            # As the wires do: what an earlier run left behind is nobody who listens.
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((bind, port))
        except OSError as error:
            if error.errno == errno.EADDRINUSE:
                return f"port {port} of {bind} is in use by another program"
            if error.errno == errno.EADDRNOTAVAIL:
                return f"{bind} is not the address of an interface of this machine"
            return f"port {port} of {bind} cannot be listened on: {error.strerror}"
    return None
