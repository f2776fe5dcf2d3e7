"""A far archive: a copy of every kept shot at another place, by file, FTP or SMB.

What is to be copied is what the ledger says was kept, in its order; a small file beside the archive tells how far that
went. So while the far side is away nothing is lost and nothing grows: the local archive itself holds what waits, as
long as its rules keep it. A shot that has to go before it was copied is counted. Files are read back and held against
the hash that the ledger has of them before they get their name; nothing is written over.
"""

import ftplib
import hashlib
import json
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any
from urllib.parse import SplitResult, unquote, urlsplit

from tiepoint.documents.files import read_bytes, read_document, reason_of, write_document
from tiepoint.documents.pictures import MOST_BYTES
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.station.archive import Kept, kept_of
from tiepoint.station.folder import Station, secret_of
from tiepoint.station.ledger import Ledger

FAR = "far"
CURSOR = ".far.json"
TIMEOUT_S = 15
SCHEMES = ("file", "ftp", "smb")


@dataclass(frozen=True, slots=True)
class FarState:
    """How the copying stands: shots `copied` so far, how many `wait`, how many were `lost` before they were copied.

    `away`: in a sentence, why nothing can be copied now; "" where it can.
    """

    copied: int
    wait: int
    lost: int
    away: str = ""

    def __str__(self) -> str:
        """Say it in a sentence."""
        lost = f"; {self.lost} had to go before they were copied" if self.lost else ""
        away = f"; {self.away}" if self.away else ""
        return f"{self.copied} shots were copied to the far archive, {self.wait} wait{lost}{away}"


class FarArchive:
    """Copies kept shots to `[archive] far`, some at a time; by one thread, with a ledger of its own to read."""

    def __init__(self, station: Station) -> None:
        """Look at what station.toml says; `UnusableInput` where there is no such place, or no password there."""
        self._station, table = station, station.table.archive
        self._url = _split(table.far)
        self._user, self._password = table.far_user or (self._url.username and unquote(self._url.username)), None
        if table.far_password_env is not None:
            self._password = secret_of("[archive] far", station.folder, env=table.far_password_env)
        elif table.far_password_file is not None:
            self._password = secret_of("[archive] far", station.folder, file=table.far_password_file)
        self._after, self._copied, self._lost = self._cursor()

    @property
    def place(self) -> str:
        """The far place, without who asks and by what word."""
        return f"{self._url.scheme}://{self._url.hostname or ''}{self._url.path}"

    def refusal(self) -> str:
        """Return, in a sentence, whether the far side does not take who asks; "" where it does, or is away.

        While it is away what waits is kept; who is not taken is not taken tomorrow either.
        """
        try:
            with self._there():
                return ""
        except TiepointError as error:
            return str(error) if isinstance(error.__cause__, Exception) and _is_refusal(error.__cause__) else ""

    def step(self, ledger: Ledger, *, most: int = 20) -> FarState:
        """Copy up to so many shots; never raises for the far side."""
        away = ""
        try:
            self._copy(ledger, most)
        except TiepointError as error:
            away = str(error)
        return FarState(self._copied, ledger.count("archived", after=self._after), self._lost, away)

    def _copy(self, ledger: Ledger, most: int) -> None:
        entries = ledger.entries("archived", after=self._after)
        first = next(entries, None)
        if first is None:
            return
        with self._there() as (there, root):
            for k, entry in enumerate((first, *_up_to(entries, most - 1))):
                if k == 0:
                    self._told(lambda: there.makedirs(root, exist_ok=True))
                kept = kept_of(self._station, entry)
                whole = kept.state()[0] == "kept"
                if whole:
                    self._told(lambda kept=kept: self._put(there, root, kept))
                self._copied, self._lost = self._copied + whole, self._lost + (not whole)
                self._after = entry.seq
                self._keep_cursor()

    def _put(self, there: Any, root: str, kept: Kept) -> None:
        """Copy a shot's files; the one that describes them last."""
        folder = PurePosixPath(root, kept.folder.relative_to(self._station.archive_path).as_posix())
        there.makedirs(str(folder), exist_ok=True)
        for name, sha in kept.files.items():
            path = str(folder / name)
            there.invalidate_cache()
            if there.exists(path):
                if _sha(there, path) != sha:
                    raise UnusableInput(f"another file is at {path} of {self.place} already; move one of them away")
                continue
            data, temporary = read_bytes(kept.folder / name, MOST_BYTES), f"{path}.part"
            # In one go: a server need not know how to go on in the midst of a file.
            with there.open(
                temporary, "wb", **({"block_size": len(data) + 1} if self._url.scheme == "ftp" else {})
            ) as far:
                far.write(data)
            there.invalidate_cache()
            if there.info(temporary)["size"] != len(data) or _sha(there, temporary) != sha:
                raise UnusableInput(f"{path} came to {self.place} otherwise than it was sent; it is sent again")
            there.mv(temporary, path)

    @contextmanager
    def _there(self) -> Iterator[tuple[Any, str]]:
        there = self._told(self._connected)
        path = unquote(self._url.path).rstrip("/")
        try:
            yield there, path or "/"
        finally:
            with suppress(Exception):
                if self._url.scheme == "ftp":
                    there.ftp.close()
                elif self._url.scheme == "smb":
                    import smbclient

                    smbclient.delete_session(self._url.hostname, port=self._url.port or 445)

    def _connected(self) -> Any:
        import fsspec

        about: dict[str, Any] = {"skip_instance_cache": True, "use_listings_cache": False}
        if self._url.scheme == "file":
            return fsspec.filesystem("file", **about)
        about |= {"host": self._url.hostname, "username": self._user, "password": self._password, "timeout": TIMEOUT_S}
        if self._url.port is not None:
            about["port"] = self._url.port
        if self._url.scheme == "smb":
            about |= {"register_session_retries": 0}
        try:
            return fsspec.filesystem(self._url.scheme, **about)
        except ImportError as error:
            raise UnusableInput("a far archive by SMB needs the package smbprotocol; install tiepoint[smb]") from error

    def _told(self, do: Any) -> Any:
        """Do something at the far side; what goes wrong there becomes a sentence."""
        try:
            return do()
        except TiepointError:
            raise
        except Exception as error:
            if _is_refusal(error):
                why = "it does not take the user with this password; look at far_user and where the password lies"
            elif isinstance(error, OSError):
                why = f"{reason_of(error)}; what waits is copied when it is back"
            else:
                why = f"{error or type(error).__name__}; what waits is copied when it is back"
            raise UnusableInput(f"cannot copy to the far archive {self.place}: {' '.join(why.split())}") from error

    def _cursor(self) -> tuple[int, int, int]:
        path = self._station.archive_path / CURSOR
        with suppress(TiepointError, KeyError, TypeError, ValueError):
            if path.is_file():
                told = read_document(path, FAR)
                return int(told["after"]), int(told["copied"]), int(told["lost"])
        return 0, 0, 0  # from the beginning: what is there already is only looked at

    def _keep_cursor(self) -> None:
        about = {"after": self._after, "copied": self._copied, "lost": self._lost}
        write_document(self._station.archive_path / CURSOR, FAR, about)


def far_faults(station: Station, *, ask: bool) -> Iterator[str]:
    """Yield, in sentences, why nothing would ever be copied; `ask`: also whether the far side takes who asks."""
    if station.table.archive.far is None:
        return
    try:
        there = FarArchive(station)
    except TiepointError as error:
        yield str(error)
        return
    if ask and (refusal := there.refusal()):
        yield refusal


def _split(url: str | None) -> SplitResult:
    if url is None:
        raise UnusableInput('[archive] names no far place; write far = "ftp://host/folder", or smb:// or file:///')
    try:
        told = urlsplit(url)
        good = told.scheme in SCHEMES and bool(told.path.strip("/")) and (told.port is None or told.port > 0)
    except ValueError:
        good = False
    if not good or (told.scheme != "file") != bool(told.hostname):
        raise UnusableInput(
            f"[archive] far is {json.dumps(url)}; write file:///folder, ftp://host/folder or smb://host/share"
        )
    if told.password is not None:
        raise UnusableInput(
            "[archive] far holds a password, which has no place in station.toml; name where it lies with "
            "far_password_env or far_password_file"
        )
    return told


def _up_to(entries: Iterator[Any], most: int) -> Iterator[Any]:
    for _, entry in zip(range(most), entries, strict=False):
        yield entry


def _sha(there: Any, path: str) -> str:
    digest = hashlib.sha256()
    with there.open(path, "rb") as far:
        while data := far.read(1 << 20):
            digest.update(data)
    return digest.hexdigest()


def _is_refusal(error: Exception) -> bool:
    """Return whether the far side does not know who asks."""
    if isinstance(error, ftplib.error_perm):
        return str(error).startswith("530")
    return type(error).__name__ in ("LogonFailure", "SMBAuthenticationError", "AccessDenied")
