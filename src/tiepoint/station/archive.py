"""The archive: the pictures of judged shots, as the camera gave them, with what `shot.json` says of each.

Every kept shot is a folder of its own, `<day>/<number>_<part>_<verdict>`, that any command takes as a SHOT. What was
kept stands in the ledger as an `archived` entry with the hash of every file.
"""

import hashlib
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from tiepoint.documents.canonical import plain
from tiepoint.documents.files import document_bytes, format_of, read_bytes, reason_of, write_together
from tiepoint.documents.names import each_its_own, portable
from tiepoint.documents.pictures import MOST_BYTES
from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.record import Record
from tiepoint.recipe.shots import LoadedShot
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry

State = Literal["kept", "expired", "missing", "altered"]
"""Of an archived shot: as it was kept; taken away in good order; gone; not what was kept."""


@dataclass(frozen=True, slots=True)
class Kept:
    """An archived shot: the number of its record, its folder, and the hash of each of its files by name."""

    record: int
    folder: Path
    files: Mapping[str, str]

    def state(self) -> tuple[State, str]:
        """Return whether the files are as they were kept, and otherwise which is not."""
        for name, sha in self.files.items():
            path = self.folder / name
            if not path.is_file():
                return "missing", f"{path} is missing"
            if hashlib.sha256(path.read_bytes()).hexdigest() != sha:
                return "altered", f"{path} was altered after it was kept"
        return "kept", ""


def keep(station: Station, record: Record, loaded: LoadedShot, day: str) -> dict[str, Any]:
    """Copy the files of a shot into the archive, whole or not at all; return the body of the ledger's entry.

    `day`: under which it is kept, as in 2026-11-26. Raises `UnusableInput` where it cannot be written.
    """
    part = "" if record.shot.part_id is None else f"_{portable(record.shot.part_id)[:40]}"
    name = f"{day}/{record.seq:09d}{part}_{record.verdict}"
    folder = station.archive_path / name
    files = _files(record, loaded)
    staged = folder.with_name(f".{record.seq:09d}.part")
    try:
        shutil.rmtree(staged, ignore_errors=True)
        write_together({staged / name: data for name, data in files.items()})
        staged.replace(folder)
    except (OSError, UnusableInput) as error:
        cause = error if isinstance(error, OSError) or error.__cause__ is None else error.__cause__
        why = reason_of(cause) if isinstance(cause, OSError) else str(cause)
        raise UnusableInput(f"cannot keep the shot in {folder}: {why}") from error
    finally:
        shutil.rmtree(staged, ignore_errors=True)
    return {
        "format": format_of("archived"),
        "record": record.seq,
        "folder": name,
        "files": {name: hashlib.sha256(data).hexdigest() for name, data in files.items()},
    }


def _files(record: Record, loaded: LoadedShot) -> dict[str, bytes]:
    """Return the camera's own files, each under its role, and the description that names them."""
    paths = {role: picture.path for role, picture in loaded.pictures.items()}
    stems = each_its_own([portable(role) for role in paths])
    names = {role: f"{stem}{path.suffix.lower()}" for stem, (role, path) in zip(stems, paths.items(), strict=True)}
    pictures = tuple(replace(p, file=names[p.role]) for p in record.shot.pictures)
    # By which variant it was judged is kept too, whoever said so, so that it can be judged again.
    variant = record.shot.variant or record.variant
    described = document_bytes("shot", plain(replace(record.shot, pictures=pictures, variant=variant)))
    return {**{names[role]: read_bytes(path, MOST_BYTES) for role, path in paths.items()}, "shot.json": described}


def kept_of(station: Station, entry: Entry) -> Kept:
    """Return what an `archived` entry tells of."""
    body = entry.body
    return Kept(body["record"], station.archive_path.joinpath(*body["folder"].split("/")), body["files"])
