"""An FTP server (RFC 959) for what one camera sends into its watched folder, off unless station.toml asks for it.

Who logs in can put pictures into that one folder, and nothing else: nothing is listed, read, deleted, resumed or
written over, and a name changes only where it ends as a file does that is not finished. A file gets its name when its
last byte is there. The password of plain FTP can be read by whoever listens on the wire: see `ReceiverTable`.
"""

import base64
import errno
import hashlib
import hmac
import logging
import os
import secrets
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any, ClassVar

from pyftpdlib.authorizers import AuthenticationFailed, DummyAuthorizer
from pyftpdlib.exceptions import FilesystemError
from pyftpdlib.filesystems import AbstractedFS
from pyftpdlib.handlers import FTPHandler
from pyftpdlib.ioloop import IOLoop
from pyftpdlib.servers import FTPServer

from tiepoint.documents.files import reason_of
from tiepoint.documents.names import portable
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.cameras.inflow import REFUSED
from tiepoint.station.cameras.name_pattern import LONGEST
from tiepoint.station.cameras.plain_files import bytes_below, set_aside
from tiepoint.station.cameras.table import FolderTable, ReceiverTable

_SCRYPT = {"n": 2**14, "r": 8, "p": 1, "dklen": 32}
"""Cost of a password's hash (RFC 7914): some 50 ms, 16 MB."""
_COMMANDS = {
    *("USER", "PASS", "QUIT", "REIN", "NOOP", "ABOR", "FEAT", "HELP", "OPTS", "SYST", "AUTH", "PBSZ", "PROT"),
    *("PORT", "PASV", "EPRT", "EPSV", "TYPE", "MODE", "STRU", "ALLO", "CWD", "CDUP", "PWD", "XPWD"),
    *("STOR", "RNFR", "RNTO", "STAT"),
}
"""What is understood. pyftpdlib answers STAT in any case; of a file it says nothing to who may not list."""
_UPLOAD = "efw"
"""Change folder, rename, store, in the letters of pyftpdlib; what is left of these is in `_OneFolder`."""


def hash_password(password: str) -> str:
    """Return what stands for a password in station.toml: salted, so that it cannot be looked up."""
    salt = secrets.token_bytes(16)
    return f"scrypt:{_text(salt)}:{_text(_hashed(password, salt))}"


def is_password(password: str, kept: str) -> bool:
    """Return whether a password is the one that was hashed; takes as long whether it is or not."""
    try:
        _, salt, expected = kept.split(":")
        return hmac.compare_digest(_hashed(password, _bytes(salt)), _bytes(expected))
    except ValueError:
        return False


def _hashed(password: str, salt: bytes) -> bytes:
    return hashlib.scrypt(password.encode("utf-8", "surrogatepass"), salt=salt, **_SCRYPT)


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


def _bytes(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


class Receiver:
    """The server of one camera, in a thread of its own. `wake` is called when a picture is there."""

    def __init__(self, table: ReceiverTable, folder: FolderTable, root: Path, station: Path, wake: Any) -> None:
        self._table = table
        self._folder = folder
        self._root = root
        self._station = station
        self._wake = wake
        self._used = 0
        self._files = 0
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._server: FTPServer | None = None
        self._asked: dict[str, str] = {}
        self._open: dict[str, _Bounded] = {}
        self.says = ""

    @property
    def address(self) -> tuple[str, int]:
        """Where it listens."""
        if self._server is None:
            return self._table.host, self._table.port
        host, port = self._server.address
        return str(host), int(port)

    def start(self) -> None:
        """Listen; `UnusableInput` where the port is in use or the certificate cannot be used."""
        # Without a handler pyftpdlib sets up its own, and writes a line on standard error at every turn of its loop.
        logging.getLogger("pyftpdlib").addHandler(logging.NullHandler())
        where = f"{self._table.host}:{self._table.port}"
        loop = IOLoop()
        try:
            self._root.mkdir(parents=True, exist_ok=True)
            self._server = FTPServer((self._table.host, self._table.port), self._handler(), ioloop=loop)
        except (OSError, ValueError) as error:
            loop.close()
            raise UnusableInput(
                f"the FTP receiver cannot listen on {where}: {reason_of(error)}; give another port, or the address of "
                "one of this computer's interfaces"
            ) from error
        # Each client needs a control and a data connection, and the list holds the listening one too.
        self._server.max_cons = 2 * self._table.connections + 2
        self._server.max_cons_per_ip = self._table.connections
        self._stop.clear()
        self._thread = threading.Thread(target=self._serve, name=f"ftp {where}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop listening, and close what is open; a file that is not finished stays unfinished."""
        self._stop.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(5)

    def _serve(self) -> None:
        server = self._server
        assert server is not None
        while not self._stop.is_set():
            try:
                server.serve_forever(timeout=0.2, blocking=False, handle_exit=False)
            except Exception as error:  # one broken connection must not end the others
                self.says = f"the FTP receiver: {reason_of(error)}"
        server.close_all()

    def _handler(self) -> type[FTPHandler]:
        """Return the class of pyftpdlib's handlers, set up for this camera."""
        receiver = self
        base: type[Any] = FTPHandler
        more: dict[str, Any] = {}
        if self._table.certificate and self._table.key:
            base, more = self._secured()

        class Handler(base):  # type: ignore[misc]
            authorizer = _OneUser(self._table, self._root)
            abstracted_fs = type("Folder", (_OneFolder,), {"receiver": receiver})
            proto_cmds: ClassVar = {name: told for name, told in base.proto_cmds.items() if name in _COMMANDS}
            banner = "Ready."
            timeout = 120
            use_sendfile = False
            passive_ports = _ports(receiver._table)

            def on_file_received(self, file: str) -> None:
                receiver.finished(Path(file))

            def on_incomplete_file_received(self, file: str) -> None:
                receiver.broke_off(Path(file))

        for name, value in more.items():
            setattr(Handler, name, value)
        return Handler

    def _secured(self) -> tuple[type[Any], dict[str, Any]]:
        """Return the handler with TLS on both channels (RFC 4217), required."""
        from pyftpdlib.handlers import TLS_FTPHandler

        certificate, key = (self._station / str(name) for name in (self._table.certificate, self._table.key))
        for path in (certificate, key):
            if not path.is_file():
                raise UnusableInput(f"the FTP receiver's certificate file {path} is not there; look at its spelling")
        required = {"tls_control_required": True, "tls_data_required": True, "ssl_context": None}
        return TLS_FTPHandler, {"certfile": str(certificate), "keyfile": str(key), **required}

    def open(self, name: str) -> "_Bounded":
        """Begin a file under a name of its own; raises `FilesystemError`, whose words the camera gets."""
        fault = _fault_of(name)
        if fault:
            raise self._refused(fault)
        if os.path.lexists(self._root / name):
            raise self._refused("there is one of that name")
        self._used, self._files = bytes_below(self._root)
        if self._files >= self._table.most_files:
            raise self._refused(f"{self._files} files wait, and no more are taken")
        if self._used >= self._table.most_mb * 1e6:
            raise self._refused(f"{self._used / 1e6:.0f} MB wait, and no more are taken")
        unfinished = self._root / (name if name.endswith(self._folder.temporary) else name + self._folder.temporary)
        file = _Bounded(self, unfinished, int(self._folder.largest_mb * 1e6))
        self._asked[file.name] = name
        self._open[unfinished.name] = file
        return file

    def room(self, more: int) -> bool:
        """Take room for more bytes; false where there is none left."""
        self._used += more
        return self._used <= self._table.most_mb * 1e6

    def finished(self, unfinished: Path) -> None:
        """Give a file its name, now that its last byte is there."""
        final = unfinished.with_name(unfinished.name.removesuffix(self._folder.temporary))
        self._open.pop(unfinished.name, None)
        named = self._asked.pop(str(unfinished), final.name)
        if named != unfinished.name:  # else the camera itself calls it so until it renames it
            with suppress(OSError):
                if os.path.lexists(final):
                    set_aside(unfinished, self._root / REFUSED)
                    self.says = f"{final.name} was sent twice; the second is set aside"
                else:
                    unfinished.rename(final)
        self._wake()

    def broke_off(self, unfinished: Path) -> None:
        """Remember that a file will not be finished; the folder's own time sets it aside."""
        self._asked.pop(str(unfinished), None)
        self._open.pop(unfinished.name, None)
        self.says = f"the FTP receiver: {unfinished.name} broke off"

    def rename(self, source: Path, target: Path) -> None:
        """Change a name that ends as unfinished files do into one that is free; raises `FilesystemError`."""
        fault = _fault_of(target.name)
        if fault or os.path.lexists(target) or not source.name.endswith(self._folder.temporary):
            raise self._refused(fault or "only an unfinished file gets a name, and one that is free")
        being_sent = self._open.get(source.name)
        if being_sent is not None and not being_sent.closed:
            raise self._refused("it is still being sent")
        source.rename(target)
        self._wake()

    def _refused(self, why: str) -> FilesystemError:
        self.says = f"the FTP receiver refused a file: {why}"
        return FilesystemError(why)


class _Bounded:
    """A file that is written while there is room for it. pyftpdlib asks for no more than this of a file."""

    def __init__(self, receiver: Receiver, path: Path, most_bytes: int) -> None:
        self._receiver = receiver
        self._left = most_bytes
        self._file = path.open("xb")
        self.name = str(path)

    def write(self, data: bytes) -> int:
        """Write, or raise `OSError` where the file becomes too large, or no room is left."""
        self._left -= len(data)
        if self._left < 0 or not self._receiver.room(len(data)):
            raise OSError(errno.ENOSPC, "no more room for pictures")
        return self._file.write(data)

    def close(self) -> None:
        """Close."""
        self._file.close()

    @property
    def closed(self) -> bool:
        """Whether it is closed."""
        return self._file.closed


class _OneUser(DummyAuthorizer):  # type: ignore[misc]
    """One user, who may store, in one folder."""

    def __init__(self, table: ReceiverTable, root: Path) -> None:
        super().__init__()
        self._kept = table.password
        self.add_user(table.user, "", str(root), perm=_UPLOAD)

    def validate_authentication(self, username: str, password: str, handler: object) -> None:  # noqa: ARG002  # as pyftpdlib asks
        """Raise unless the password is right; an unknown user takes as long."""
        right = is_password(password, self._kept)
        if not right or not self.has_user(username):
            raise AuthenticationFailed("Wrong user or password.")


class _OneFolder(AbstractedFS):  # type: ignore[misc]
    """The watched folder as the camera sees it: flat, and all in it invisible."""

    receiver: Receiver

    def validpath(self, path: str) -> bool:
        """Whether a path is the folder itself or a name in it."""
        root: str = os.path.realpath(self.root)
        return os.path.realpath(path) == root or os.path.dirname(os.path.realpath(path)) == root  # noqa: PTH120

    def chdir(self, path: str) -> None:
        """Stay where it is: some cameras change to the folder that they are in."""
        if os.path.realpath(path) != os.path.realpath(self.root):
            raise FilesystemError("there are no folders here")
        self.cwd = "/"

    def open(self, filename: str, mode: str) -> _Bounded:
        """Begin a new file."""
        if mode != "wb":
            raise FilesystemError("a file is sent whole, from its beginning")
        return self.receiver.open(Path(filename).name)

    def rename(self, src: str, dst: str) -> None:
        """Give an unfinished file its name."""
        self.receiver.rename(Path(src), Path(dst))


def _fault_of(name: str) -> str:
    """Return why a name cannot be that of a picture on every system; "" where it can."""
    if name != portable(name) or not name.isprintable() or name.startswith("."):
        return "its name cannot be that of a file on every system"
    return f"its name has more than {LONGEST} characters" if len(name) > LONGEST else ""


def _ports(table: ReceiverTable) -> list[int] | None:
    return None if table.passive_ports is None else list(range(table.passive_ports[0], table.passive_ports[1] + 1))
