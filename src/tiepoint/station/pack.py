"""A station in one file, to be moved: its drafts, what was accepted, studies, ledger and archive, each with its hash.

The ledger is copied by SQLite's own means, so it is whole while duty writes to it. A file that is unpacked is held
against its hash, goes nowhere but into a new folder, and is only called a station once all of it is there. Who may get
in (users, keys, passwords) is neither packed nor unpacked: that belongs to a machine; a pack goes through many hands.
"""

import glob
import hashlib
import json
import os
import secrets
import shutil
import sqlite3
import stat
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO, Any

from tiepoint.documents.files import check_format, format_of, parsed_json, reason_of
from tiepoint.documents.names import folded, portable
from tiepoint.documents.software import software
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.station.archive import move
from tiepoint.station.folder import STATION, Station, open_station
from tiepoint.station.inbox import INBOX
from tiepoint.station.ledger import Ledger, utc_now
from tiepoint.station.lock import LOCK
from tiepoint.station.undoing import FOLDER as UNDO

PACK = "pack"
MANIFEST = "manifest.json"
BELOW = "station/"
_CHUNK = 1 << 20
_OF_A_FILE = 4000
"""Bytes of the manifest that tell of one file, at most."""
PRIVATE = "private"
_SECRETS = frozenset(
    ("access_log", "far_password_file", "key", "key_file", "password_file", "secret_file", "user_file", "users")
)
"""Keys of station.toml whose values are files that say who may get in, or who did."""
_COMPACT = frozenset({".png", ".jpg", ".jpeg", ".tif", ".tiff", ".zip", ".pdf"})
"""Endings of files that gain nothing from being compressed."""


@dataclass(frozen=True, slots=True)
class Packed:
    """What is in a packed station: how many `files` of how many `bytes`, and the ledger's `head`, "" without one.

    `left_out`: files that are not, since they say who may get in.
    """

    station: str
    files: int
    bytes: int
    head: str
    left_out: tuple[str, ...] = ()


def pack(station: Station, out: Path) -> Packed:
    """Write a station into a new file; `UnusableInput` where it does not lie in its folder, or cannot be read.

    It may be on duty: kept shots that go by right meanwhile are told as such by the ledger, which is copied after them,
    and what has come until then is added.
    """
    _demand_inside(station, out)
    files: dict[str, dict[str, Any]] = {}
    left_out = tuple(_secrets(station))
    temporary = out.with_name(f".{secrets.token_hex(8)}.part")
    path = out
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(dir=out.parent) as scratch, temporary.open("xb") as raw:
            with zipfile.ZipFile(raw, "w") as packed:
                for name, path in _files(station, station.archive_path, left_out):
                    with suppress(FileNotFoundError):
                        files[name] = _added(packed, name, path)
                ledger, head = _ledger(station, Path(scratch))
                if ledger is not None:
                    name = station.relative(station.ledger_path)
                    files[name] = _added(packed, name, ledger)
                for name, path in _files(station, station.folder, (*left_out, *files)):
                    # A picture that waits to be judged may go; one that the ledger has as kept may not.
                    allowed = () if path.is_relative_to(station.archive_path) else (FileNotFoundError,)
                    with suppress(*allowed):
                        files[name] = _added(packed, name, path)
                about = {"format": format_of(PACK), "station": station.name, "packed_utc": utc_now()}
                about |= {"software": software(), "head": head}
                packed.writestr(MANIFEST, json.dumps({**about, "files": files}, indent=1), zipfile.ZIP_DEFLATED)
            raw.flush()
            os.fsync(raw.fileno())
        path = out
        move(temporary, out)
    except FileNotFoundError as error:
        raise UnusableInput(f"{path} went away while it was packed; do it again") from error
    except (OSError, zipfile.LargeZipFile) as error:
        raise UnusableInput(f"cannot pack {path} into {out}: {reason_of(error)}") from error
    finally:
        temporary.unlink(missing_ok=True)
    return Packed(station.name, len(files), sum(told["bytes"] for told in files.values()), head, left_out)


def unpack(packed: Path, folder: Path) -> Station:
    """Make the folder of a station from a packed one; return the station.

    Raises `UnusableInput` where there is something already, or it cannot be written, and `UnusableDocument` where the
    file is none, is damaged, or holds what would lead out of the folder. Nothing is left behind then. Files that say
    who may get in are taken out again.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UnusableInput(f"{folder} is there already; name a new folder, so that nothing is written over")
    staged = folder.with_name(f".{secrets.token_hex(8)}.part")
    try:
        with zipfile.ZipFile(packed) as there:
            told = _manifest(there, packed)
            _demand_room(folder, sum(t["bytes"] for t in told.values()), packed)
            staged.mkdir(parents=True)
            for name, info in _demand_safe(there, told, packed):
                _taken(there, info, staged.joinpath(*name.split("/")), told[name], packed)
        _demand_own(open_station(staged), packed)
        if folder.exists():
            folder.rmdir()
        staged.rename(folder)
    except FileNotFoundError as error:
        raise UnusableInput(f"cannot read {packed}: {reason_of(error)}; look at its spelling and its folder") from error
    except OSError as error:
        raise UnusableInput(f"cannot unpack {packed} into {folder}: {reason_of(error)}") from error
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError) as error:
        if isinstance(error, UnusableInput | UnusableDocument):
            raise
        raise UnusableDocument(f"{packed} is no packed station, or damaged: {error}") from error
    finally:
        shutil.rmtree(staged, ignore_errors=True)
    return open_station(folder)


# --- packing ---------------------------------------------------------------------------------------------------------


def _demand_inside(station: Station, out: Path) -> None:
    if station.table.ledger.url is not None:
        raise UnusableInput(
            f"the ledger of {station.name} is on a server, {station.table.ledger.url}, and a pack holds no database; "
            "back that up as the server's other databases, and the folder as any other"
        )
    for sentence in station.outside():
        raise UnusableInput(f"{sentence}; a station that is packed has to hold it, so move it there first")
    if out.exists():
        raise UnusableInput(f"{out} is there already; name another")
    if out.resolve().is_relative_to(station.folder.resolve()):
        raise UnusableInput(f"{out} lies in the folder that is packed; name a place outside of it")


def _ledger(station: Station, scratch: Path) -> tuple[Path | None, str]:
    """Return a copy of the ledger as it is now, and its head; None and "" where there is none yet."""
    if not station.ledger_path.is_file():
        return None, ""
    copy = scratch / "ledger"
    with Ledger(station.ledger_place):
        pass  # it is one, and can be read
    try:
        with closing(sqlite3.connect(station.ledger_path)) as now, closing(sqlite3.connect(copy)) as then:
            now.backup(then)
    except sqlite3.Error as error:
        raise UnusableInput(f"cannot copy the ledger {station.ledger_path}: {error}") from error
    with Ledger(copy) as ledger:
        return copy, ledger.head.sha


def _secrets(station: Station) -> Iterator[str]:
    """Yield what of a station's folder says who may get in, by its place there."""
    folder = station.folder.resolve()
    found = set((folder / PRIVATE).rglob("*"))
    for place in _named(station.table.model_dump()):
        with suppress(OSError, ValueError, RuntimeError):
            path = (folder / place).resolve()
            found.update((path, *path.parent.glob(f"{glob.escape(path.name)}.*")))  # and what was turned over of a log
    for path in sorted(found):
        # Only what lies in the folder, wherever station.toml points: what is told here is taken out of an unpacked one.
        if path.resolve().is_relative_to(folder) and path.is_file() and path != folder / STATION:
            yield path.relative_to(folder).as_posix()


def _named(told: Any) -> Iterator[str]:
    """Yield the files that a document names under one of the keys for secrets."""
    if isinstance(told, dict):
        for key, value in told.items():
            if key in _SECRETS and isinstance(value, str):
                yield value
            else:
                yield from _named(value)
    elif isinstance(told, list | tuple):
        for one in told:
            yield from _named(one)


def _files(station: Station, below: Path, without: Iterable[str]) -> Iterator[tuple[str, Path]]:
    """Yield what is packed of a folder, by its place in the station's."""
    own, left_out = station.ledger_path.name, frozenset(without)
    beside = {station.ledger_path.with_name(f"{own}{end}") for end in ("", "-wal", "-shm", "-journal")}
    for path in _walked(below):
        name = path.relative_to(station.folder).as_posix()
        if (
            name in left_out
            or path in beside
            or name == LOCK
            or name.split("/")[0] in (INBOX, PRIVATE, UNDO)
            or path.suffix == ".part"
        ):
            continue
        if path.is_symlink():
            raise UnusableInput(
                f"{path} is a link, which leads elsewhere on another machine; replace it by what it means"
            )
        if path.is_file():
            if any(portable(part) != part for part in name.split("/")):
                raise UnusableInput(f"{path} has a name that not every system can hold; rename it")
            yield name, path


def _walked(folder: Path) -> Iterator[Path]:
    """Yield files, and links, below a folder, of which some may go meanwhile, with the folders that they lie in."""
    for where, folders, names in os.walk(folder):
        folders.sort()
        yield from sorted(Path(where, name) for name in (*names, *folders))


def _added(packed: zipfile.ZipFile, name: str, path: Path) -> dict[str, Any]:
    info = zipfile.ZipInfo.from_file(path, BELOW + name, strict_timestamps=False)
    info.compress_type = zipfile.ZIP_STORED if path.suffix.lower() in _COMPACT else zipfile.ZIP_DEFLATED
    with path.open("rb") as source, packed.open(info, "w", force_zip64=True) as target:
        size, sha = _copied(source, target)
    return {"sha256": sha, "bytes": size}


def _copied(source: IO[bytes], target: IO[bytes], most: int | None = None) -> tuple[int, str]:
    """Copy to the end, or to one byte more than `most`; return how many bytes there were, and their hash."""
    size, digest = 0, hashlib.sha256()
    while data := source.read(_CHUNK):
        size += len(data)
        if most is not None and size > most:
            break
        digest.update(data)
        target.write(data)
    return size, digest.hexdigest()


# --- unpacking -------------------------------------------------------------------------------------------------------


def _manifest(there: zipfile.ZipFile, packed: Path) -> dict[str, dict[str, Any]]:
    if any(info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) for info in there.infolist()):
        raise UnusableDocument(f"{packed} is compressed in another way than a pack; it is not unpacked")
    try:
        info = there.getinfo(MANIFEST)
    except KeyError as error:
        raise UnusableDocument(f"{packed} is no packed station: it has no {MANIFEST}") from error
    if info.file_size > _OF_A_FILE * (1 + len(there.infolist())):
        raise UnusableDocument(f"{packed} has a {MANIFEST} of {info.file_size / 1e6:.0f} MB, which is none")
    content = parsed_json(there.read(info).decode())
    if not isinstance(content, dict):
        raise UnusableDocument(f"{packed} has a {MANIFEST} that is none")
    check_format(content, PACK, f"{packed}, {MANIFEST}")
    files = content.get("files")
    if not isinstance(files, dict) or not all(
        isinstance(t, dict) and isinstance(t.get("sha256"), str) and type(t.get("bytes")) is int for t in files.values()
    ):
        raise UnusableDocument(f"{packed} has a {MANIFEST} that does not list its files")
    return files


def _demand_room(folder: Path, size: int, packed: Path) -> None:
    """Raise `UnusableInput` where the disk has no room for all of it: duty may need what is left."""
    there = next(path for path in folder.absolute().parents if path.is_dir())
    free = shutil.disk_usage(there).free
    if size > free:
        raise UnusableInput(
            f"{packed} holds {size / 1e9:.1f} GB, and {there} has room for {free / 1e9:.1f} GB; make room, or name a "
            "folder on another disk"
        )


def _demand_own(station: Station, packed: Path) -> None:
    """Take out what says who may get in, and raise `UnusableDocument` where the evidence would lie elsewhere.

    `verify` would read there, or log in at a server with a password of this machine.
    """
    for sentence in station.outside():
        raise UnusableDocument(f"{packed}: {sentence}, which no pack has; it is not unpacked")
    for name in list(_secrets(station)):
        station.folder.joinpath(*name.split("/")).unlink()


def _demand_safe(
    there: zipfile.ZipFile, told: dict[str, dict[str, Any]], packed: Path
) -> list[tuple[str, zipfile.ZipInfo]]:
    """Return what is to be unpacked, all of it listed, each with a name of its own below the folder."""
    found: dict[str, zipfile.ZipInfo] = {}
    taken: set[str] = set()
    for info in there.infolist():
        if info.filename == MANIFEST:
            continue
        name = info.filename.removeprefix(BELOW)
        parts = name.split("/")
        if name == info.filename or any(part in ("", ".", "..") or portable(part) != part for part in parts):
            raise UnusableDocument(f"{packed} holds {info.filename[:80]!r}, which leads elsewhere; it is not unpacked")
        if stat.S_ISLNK(info.external_attr >> 16) or info.is_dir():
            raise UnusableDocument(f"{packed} holds {info.filename[:80]!r}, which is no file; it is not unpacked")
        if folded(name) in taken or name not in told:
            raise UnusableDocument(f"{packed} holds {info.filename[:80]!r} twice, or unlisted; it is not unpacked")
        taken.add(folded(name))
        found[name] = info
    if missing := sorted(set(told) - set(found)):
        raise UnusableDocument(f"{packed} lists {missing[0][:80]!r} and does not hold it; pack the station again")
    return list(found.items())


def _taken(there: zipfile.ZipFile, info: zipfile.ZipInfo, path: Path, told: dict[str, Any], packed: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with there.open(info) as source, path.open("xb") as target:
        size, sha = _copied(source, target, told["bytes"])
        target.flush()
        os.fsync(target.fileno())
    if size != told["bytes"] or sha != told["sha256"]:
        raise UnusableDocument(f"{packed}: {info.filename} is not what was packed; fetch the file again")
