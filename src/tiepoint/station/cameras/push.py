"""The writer's side of `from = "push"`: what `web` receives over HTTP is handed over as a folder with shot.json."""

import secrets
import shutil
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tiepoint.documents.canonical import plain
from tiepoint.documents.files import document_bytes, flush_folder, reason_of, write_together
from tiepoint.documents.names import portable
from tiepoint.documents.pictures import decode_picture
from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.shots import read_shot
from tiepoint.station.cameras.inflow import BEFORE, REFUSED
from tiepoint.station.cameras.plain_files import bytes_below

_ENDINGS = ((b"\x89PNG", ".png"), (b"\xff\xd8", ".jpg"), (b"II", ".tif"), (b"MM", ".tif"), (b"BM", ".bmp"))
_one_at_a_time = threading.Lock()


class NoRoom(UnusableInput):
    """No more is taken until duty has judged what waits: who sends must hold its picture, and try again."""


class NotTaken(UnusableInput):
    """The folder cannot be written now, as on a full disk: what is sent is as good as ever, and may be sent again."""


@dataclass(frozen=True, slots=True)
class Pushed:
    """One picture as it was sent: the bytes of a picture file, and under which lamp it was taken."""

    data: bytes
    role: str = "picture"
    light: str | None = None


@dataclass(frozen=True, slots=True)
class Quota:
    """How much may wait: shots that are not judged yet, and bytes of all that lies there, set aside or not."""

    most_bytes: int
    most_shots: int


def hand_over(folder: Path, pictures: Sequence[Pushed], about: Mapping[str, Any], quota: Quota) -> str:
    """Put a shot into a watched folder, whole or not at all, and return its id.

    `about`: what else shot.json holds (`part_id`, `variant`, `taken_utc`, …); without an `id` it gets one of its own.
    It is on the disk when this returns. Raises `NoRoom` where too much waits, `UnusablePicture` where a picture
    cannot be decoded, `UnusableDocument` where `about` holds what shot.json cannot, `NotTaken` where the folder cannot
    be written.
    """
    told = {"id": secrets.token_hex(16), **about}
    named = [f"{k:02d}-{portable(one.role)[:80]}{_ending(one.data)}" for k, one in enumerate(pictures, 1)]
    described = [
        replace(decode_picture(one.data, Path(name)).described(one.role), file=name, light=one.light)
        for one, name in zip(pictures, named, strict=True)
    ]
    content = {**told, "pictures": plain(described)}
    shot = read_shot({**content, "format": "tiepoint/shot/1"}, "what was sent")
    files = dict(zip(named, (one.data for one in pictures), strict=True))
    with _one_at_a_time:
        _demand_room(folder, sum(map(len, files.values())), quota)
        _write(folder, {**files, "shot.json": document_bytes("shot", content)})
    return shot.id


def _ending(data: bytes) -> str:
    return next((ending for mark, ending in _ENDINGS if data.startswith(mark)), ".pgm")


def _demand_room(folder: Path, size: int, quota: Quota) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        waiting = sum(1 for place in folder.iterdir() if place.name not in (REFUSED, BEFORE))
    except OSError as error:
        raise NotTaken(f"cannot write into {folder}: {reason_of(error)}; make room, and send it again") from error
    if waiting >= quota.most_shots:
        raise NoRoom(f"{waiting} shots wait to be judged, and no more are taken; send this one again later")
    there, _ = bytes_below(folder)
    if there + size > quota.most_bytes:
        raise NoRoom(
            f"{there / 1e6:.0f} MB wait in {folder}, and no more than {quota.most_bytes / 1e6:.0f} MB are taken; "
            f"send this one again later, or clear {folder / REFUSED}"
        )


def _write(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files into a folder that gets its name when all is on the disk."""
    name = f"{datetime.now(UTC):%Y%m%dT%H%M%S%f}-{secrets.token_hex(4)}"
    building = folder / f".{name}.part"
    try:
        building.mkdir()
        write_together({building / one: data for one, data in files.items()})
        building.rename(folder / name)
        flush_folder(folder)
    except (OSError, UnusableInput) as error:
        why = reason_of(error) if isinstance(error, OSError) else str(error).partition("; ")[0].rpartition(": ")[2]
        raise NotTaken(f"nothing was handed over into {folder}: {why}; make room, and send it again") from error
    finally:
        shutil.rmtree(building, ignore_errors=True)
