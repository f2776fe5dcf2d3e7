"""Shots to work on: pictures that were brought to the station, those of its folder, and kept ones of the archive."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory

from tiepoint.documents.files import reason_of
from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.shots import PICTURE_ENDINGS, LoadedShot, load_shot
from tiepoint.station.archive import kept_of
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger

BROUGHT = "pictures/shots"
ROOTS = (BROUGHT, "shots")
"""Folders of a station in which shots to work on lie; what was brought in a folder of its own is one shot."""
RECORD = "record/"
MOST = 2000


@dataclass(frozen=True, slots=True)
class ShotFile:
    """A shot that can be worked on: `ref` names it, `folder` is where it lies, seen from the station."""

    ref: str
    name: str
    folder: str


def shot_files(station: Station) -> Iterator[ShotFile]:
    """Yield the shots in the station's own folders, in the order of their names: pictures, and folders of one shot."""
    count = 0
    for root in ROOTS:
        for path in _shots_below(station.folder / root, is_brought=root == BROUGHT):
            count += 1
            if count > MOST:
                return
            ref = path.relative_to(station.folder).as_posix()
            yield ShotFile(ref, path.name, PurePosixPath(ref).parent.as_posix())


def _shots_below(folder: Path, *, is_brought: bool = False) -> Iterator[Path]:
    try:
        inside = sorted(folder.iterdir()) if folder.is_dir() else []
    except OSError as error:
        raise UnusableInput(f"cannot read {folder}: {reason_of(error)}") from error
    for path in inside:
        if path.name.startswith("."):
            continue
        if path.is_dir():
            if is_brought or (path / "shot.json").is_file():
                yield path
            else:
                yield from _shots_below(path)
        elif path.suffix.lower() in PICTURE_ENDINGS:
            yield path


def place_of_shot(station: Station, ref: str) -> Path:
    """Return where a shot of the station's folders lies; `UnusableInput` where it is none of them."""
    parts = PurePosixPath(ref).parts
    root = next((r for r in ROOTS if ref.startswith(f"{r}/")), None)
    if root is None or ".." in parts or "\\" in ref or "\0" in ref:
        raise UnusableInput(f"{ref[:80]!r} is no shot of the station; choose one of the list")
    path = station.folder.joinpath(*parts)
    if not path.exists():
        raise UnusableInput(f"{ref} is not there any more; choose another shot")
    station.relative(path)
    return path


def stamp_of_shot(station: Station, ref: str) -> str:
    """Return what changes where another shot is meant: its name, and when its pictures were written last."""
    if ref.startswith(RECORD):
        return ref
    path = place_of_shot(station, ref)
    files = sorted(path.iterdir()) if path.is_dir() else [path]
    return f"{ref} {[(f.name, t.st_mtime_ns, t.st_size) for f in files if (t := f.stat())]}"


def load_working_shot(
    station: Station, ref: str, lights: tuple[str, ...] = (), ledger: Ledger | None = None
) -> LoadedShot:
    """Return a shot by its name, decoded. Raises a `TiepointError` where there is none, or it cannot be read.

    `lights`: as `load_shot` takes them. `ledger`: what kept shots (`record/41207`) are looked up in.
    """
    if not ref.startswith(RECORD):
        return load_shot(place_of_shot(station, ref), lights)
    number = ref.removeprefix(RECORD)
    if ledger is None or not number.isdecimal():
        raise UnusableInput(f"{ref[:80]!r} is no kept shot; choose one of the list")
    kept = next((k for e in ledger.entries("archived") if (k := kept_of(station, e)).record == int(number)), None)
    if kept is None:
        raise UnusableInput(f"no pictures of record {number} were kept; choose another")
    with TemporaryDirectory() as scratch:
        return load_shot(kept.as_shot(Path(scratch)), lights)
