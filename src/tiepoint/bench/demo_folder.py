"""The folder of a demo: whose it is, what it may replace, and what was left in it."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath

from tiepoint.documents.files import parsed_json, read_bytes, read_text, reason_of, write_atomic
from tiepoint.foundation.errors import UnusableInput
from tiepoint.report.story import FileEntry

MARKER = "demo.json"
_MADE_BY = "tiepoint demo"
_MOST_BYTES = 400_000_000


def claim(folder: Path) -> None:
    """Make the folder ready for a demo: empty, or with an earlier demo's own files taken away.

    Raises `UnusableInput` where it holds anything that no demo wrote; nothing is touched then.
    """
    try:
        if folder.exists() and not folder.is_dir():
            raise UnusableInput(f"{folder} is a file where a folder was expected; name a folder for the demo")
        if folder.is_dir() and any(folder.iterdir()):
            for path in _earlier(folder):
                path.unlink(missing_ok=True)
                _clear_up(folder, path.parent)
        folder.mkdir(parents=True, exist_ok=True)
        # Marked before the first file, so that a demo that was stopped can be started again in the same place.
        _mark(folder, [])
    except OSError as error:
        raise UnusableInput(f"cannot use the folder {folder}: {reason_of(error)}; choose another") from error


def _clear_up(folder: Path, emptied: Path) -> None:
    """Take away a folder within the demo's that holds nothing any more, and those above it that hold nothing then."""
    while emptied != folder and not any(emptied.iterdir()):
        emptied.rmdir()
        emptied = emptied.parent


def note(folder: Path, paths: Iterable[Path]) -> None:
    """Write into the marker which files are the demo's own (paths in the folder)."""
    _mark(folder, sorted(path.relative_to(folder).as_posix() for path in paths))


def listed(folder: Path, paths: Iterable[Path], what: Mapping[str, str]) -> tuple[FileEntry, ...]:
    """Return files in the folder with size and hash; `what` says by path, or by a folder above it, what a file is."""
    return tuple(_entry(path, path.relative_to(folder).as_posix(), what) for path in sorted(paths))


def _entry(path: Path, name: str, what: Mapping[str, str]) -> FileEntry:
    data = read_bytes(path, _MOST_BYTES)
    folders = [folder.as_posix() for folder in PurePosixPath(name).parents]
    said = next((what[key] for key in (name, *folders) if key in what), "")
    return FileEntry(name, len(data), hashlib.sha256(data).hexdigest(), said)


def _mark(folder: Path, names: list[str]) -> None:
    told = {"made_by": _MADE_BY, "says": "The next demo written here replaces these files.", "files": names}
    write_atomic(folder / MARKER, (json.dumps(told, indent=1) + "\n").encode())


def _earlier(folder: Path) -> list[Path]:
    """Return the files of an earlier demo; `UnusableInput` where the folder is not a demo's."""
    refusal = UnusableInput(
        f"{folder} is not empty and is no demo's folder; name a new or empty folder, so that nothing of yours is lost"
    )
    if not (folder / MARKER).is_file():
        raise refusal
    try:
        told = parsed_json(read_text(folder / MARKER))
        names = told["files"] if told["made_by"] == _MADE_BY else None
    except (ValueError, UnusableInput, KeyError, TypeError) as error:
        raise refusal from error
    if not isinstance(names, list) or not all(isinstance(name, str) and _is_inside(folder, name) for name in names):
        raise refusal
    return [folder / name for name in names if (folder / name).is_file() or (folder / name).is_symlink()]


def _is_inside(folder: Path, name: str) -> bool:
    """Return whether a name, as typed and with all links followed, leads to a place in the folder."""
    try:
        # A link that stands for the file itself would be taken away; one on the way leads where it leads.
        place = (folder / name).parent.resolve()
        return "\0" not in name and ".." not in Path(name).parts and place.is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError):
        return False
