"""The archive: the pictures of judged shots, as the camera gave them, with what `shot.json` says of each.

By default every kept shot is a folder of its own, `<day>/<number>_<part>_<verdict>`, that any command takes as a SHOT;
`[archive] names` says otherwise. What was kept stands in the ledger as an `archived` entry with the hash of every file.
Files are flushed under other names, then moved to their own; nothing is ever written over.
"""

import hashlib
import os
import secrets
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from tiepoint.documents.canonical import plain
from tiepoint.documents.files import document_bytes, format_of, read_bytes, reason_of
from tiepoint.documents.names import each_its_own, portable
from tiepoint.documents.pictures import MOST_BYTES
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.model.record import Record
from tiepoint.model.shot import Picture
from tiepoint.recipe.shots import LoadedShot
from tiepoint.station.archive_names import SIDECAR, Pattern, pattern_of
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry

_CLOCKS_S = 600.0
"""By how much the clock of the machine that holds the archive may differ."""

State = Literal["kept", "expired", "missing", "altered"]
"""Of an archived shot: as it was kept; taken away in good order; gone; not what was kept."""


@dataclass(frozen=True, slots=True)
class Kept:
    """An archived shot: the number of its record, its folder, and the hash of each of its files by name.

    `sidecar`: the file that describes it. `is_lossy`: its pictures are not those that were judged. `by`: by which rule
    it was kept.
    """

    record: int
    folder: Path
    files: Mapping[str, str]
    sidecar: str = SIDECAR
    is_lossy: bool = False
    by: str = "all"

    def state(self) -> tuple[State, str]:
        """Return whether the files are as they were kept, and otherwise which is not."""
        for name, sha in self.files.items():
            path = self.folder / name
            if not path.is_file():
                return "missing", f"{path} is missing"
            if sha256_of_file(path) != sha:
                return "altered", f"{path} was altered after it was kept"
        return "kept", ""

    def as_shot(self, scratch: Path) -> Path:
        """Return a folder that commands take as a SHOT: its own, or where others lie in it too, one made in `scratch`.

        Raises `UnusableInput` where it cannot be made.
        """
        if self.sidecar == SIDECAR:
            return self.folder
        made = scratch / f"{self.record:09d}"
        try:
            made.mkdir()
            for name in self.files:
                there = (self.folder / name).resolve()
                own = made / (SIDECAR if name == self.sidecar else name)
                try:
                    own.symlink_to(there)
                except OSError:  # a system that gives no links to everybody
                    own.write_bytes(read_bytes(there, MOST_BYTES))
        except OSError as error:
            raise UnusableInput(f"cannot lay out the kept shot {self.record} in {made}: {reason_of(error)}") from error
        return made


def sha256_of_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@dataclass(frozen=True, slots=True)
class KeptPicture:
    """One picture to be kept: the bytes of its file and their ending; `about` None where it cannot be decoded."""

    role: str
    data: bytes
    ending: str
    about: Picture | None


def keep(station: Station, record: Record, loaded: LoadedShot, at: str) -> dict[str, Any]:
    """Copy the files of a shot into the archive; return the body of the ledger's entry.

    `at`: when it is kept, as in 2026-11-26T08:00:00.000Z. Raises `UnusableInput` where it cannot be written.
    """
    about = {p.role: p for p in record.shot.pictures}
    pictures = [
        KeptPicture(role, read_bytes(p.path, MOST_BYTES), p.path.suffix.lower(), about.get(role))
        for role, p in loaded.pictures.items()
    ]
    return keep_pictures(station, record, pictures, at)


def keep_pictures(
    station: Station, record: Record, pictures: Sequence[KeptPicture], at: str, *, by: str = "all", lossy: bool = False
) -> dict[str, Any]:
    """Write pictures into the archive, whole or not at all; return the body of the ledger's entry.

    Raises `UnusableInput` where they cannot be written.
    """
    pattern = pattern_of(station.table.archive.names)
    folder, stems = _names(pattern, station, record, [p.role for p in pictures], at)
    names = {p.role: f"{stem}{p.ending}" for stem, p in zip(stems[1:], pictures, strict=True)}
    sidecar = SIDECAR if pattern.folder_each else f"{stems[0]}.json"
    described = tuple(replace(p.about, file=names[p.role]) for p in pictures if p.about is not None)
    # By which variant it was judged is kept too, whoever said so, so that it can be judged again.
    shot = replace(record.shot, pictures=described, variant=record.shot.variant or record.variant)
    files = {names[p.role]: p.data for p in pictures} | {sidecar: document_bytes("shot", plain(shot))}
    folder = _put(station.archive_path, folder, files, each=pattern.folder_each)
    body: dict[str, Any] = {"format": format_of("archived"), "record": record.seq, "folder": folder}
    body["files"] = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    more = {"sidecar": (sidecar, SIDECAR), "by": (by, "all"), "lossy": (lossy, False)}
    return body | {key: value for key, (value, unless) in more.items() if value != unless}


def _names(pattern: Pattern, station: Station, record: Record, roles: Sequence[str], at: str) -> tuple[str, list[str]]:
    """Return a shot's folder below the archive, and in it the names, without endings, of sidecar and pictures."""
    cameras = [p.camera for p in record.shot.pictures if p.camera]
    values = {
        "station": station.name,
        "part_id": record.shot.part_id,
        "variant": record.variant or record.shot.variant,
        "verdict": record.verdict,
        "recipe": record.recipe_sha[:12],
        "shot": record.shot.id,
        "camera": cameras[0] if cameras else None,
        "count": record.seq,
        "taken_utc": record.shot.taken_utc or at,
        "kept_utc": at,
    }
    paths = [pattern.path({**values, "picture": role}).rpartition("/") for role in ("shot", *roles)]
    return paths[0][0], each_its_own([stem for _, _, stem in paths])


def _put(archive: Path, folder: str, files: Mapping[str, bytes], *, each: bool) -> str:
    """Write files into a folder below the archive; return it, or a like one where its name, or theirs, is taken."""
    try:
        free = _free(archive, folder, files, each)
        place = archive.joinpath(*free.split("/"))
        made = _made(place)
        staged: dict[Path, Path] = {}
        try:
            for name, data in files.items():
                temporary = place / f".{secrets.token_hex(8)}.part"
                staged[temporary] = place / name
                _write(temporary, data)
            for temporary, own in staged.items():  # the sidecar is the last: where it is, all of it is
                move(temporary, own)
        except BaseException:
            for temporary, own in staged.items():
                with suppress(OSError):
                    if not temporary.exists():
                        own.unlink(missing_ok=True)
                    temporary.unlink(missing_ok=True)
            for there in made:
                with suppress(OSError):
                    there.rmdir()
            raise
        for there in (place, *(there.parent for there in made)):
            _flush_folder(there)
    except OSError as error:
        raise UnusableInput(f"cannot keep the shot in {archive / folder}: {reason_of(error)}") from error
    return free


def _free(archive: Path, folder: str, files: Mapping[str, bytes], each: bool) -> str:
    """Return a folder where none of the files is, not the folder itself where it is the shot's alone."""
    k, free = 1, folder
    while True:
        place = archive.joinpath(*free.split("/"))
        if not (place.exists() if each else any((place / name).exists() for name in files)):
            return free
        k += 1
        free = f"{folder}-{k}" if folder else f"again-{k}"


def _made(place: Path) -> list[Path]:
    """Make a folder; return those that were made for it, the innermost first."""
    missing = []
    while not place.exists():
        missing.append(place)
        place = place.parent
    for there in reversed(missing):
        there.mkdir(exist_ok=True)
    return missing


def _write(path: Path, data: bytes) -> None:
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def move(temporary: Path, own: Path) -> None:
    """Give a file its name, unless another has it."""
    try:
        os.link(temporary, own)
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        if own.exists():
            raise FileExistsError(17, "file exists", str(own)) from None
        temporary.rename(own)
    else:
        temporary.unlink()


def _flush_folder(folder: Path) -> None:
    """Have names that were given be on the disk; Windows does that by itself, and has no folder to open."""
    if os.name == "nt":
        return
    there = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(there)
    finally:
        os.close(there)


def kept_of(station: Station, entry: Entry) -> Kept:
    """Return what an `archived` entry tells of; `UnusableDocument` where it leads out of the archive."""
    body = entry.body
    parts = str(body["folder"]).split("/") if body["folder"] else []
    if any(part in ("", ".", "..") or portable(part) != part for part in (*parts, *body["files"])):
        raise UnusableDocument(f"entry {entry.seq} tells of files in {body['folder']!r} that no archive has")
    folder = station.archive_path.joinpath(*parts)
    more = (body.get("sidecar", SIDECAR), bool(body.get("lossy", False)), body.get("by", "all"))
    return Kept(body["record"], folder, body["files"], *more)
