"""Which files of a station are drafts, that a page may write: by their place and name, and never by a link."""

from pathlib import Path, PurePosixPath

from tiepoint.documents.names import portable
from tiepoint.foundation.errors import UnusableInput

FOLDERS = ("ties", "recipes", "targets", "pictures", "lights", "robots", "plan", "designs", "tables")
"""Folders of drafts; what lies in any other is written by nobody but who has to."""
ENDINGS = (".toml", ".csv", ".json")
"""Of files right in the station's folder that are drafts."""
NEVER = ("accepted.toml",)
TRIED = ".try-"
"""In the name of a recipe that is not saved, and stands there for as long as it is read."""
MOST_PARTS = 8


def demand_draft(path: str) -> str:
    """Return the path of a draft as it is; `UnusableInput` where it is none, or no name that every system can hold."""
    parts = path.split("/")
    good = all(part and portable(part) == part and not part.startswith(".") for part in parts)
    if not good or not path.isprintable() or len(parts) > MOST_PARTS:
        raise UnusableInput(f"{path[:80]!r} is no name of a draft; use names that every system can hold")
    is_draft = (
        parts[0] in FOLDERS
        if len(parts) > 1
        else PurePosixPath(path).suffix in ENDINGS and path.casefold() not in NEVER
    )
    if not is_draft:
        raise UnusableInput(f"{path[:80]} is no draft, and is not changed from a page; drafts lie in {_said()}")
    return path


def place_of(folder: Path, path: str) -> Path:
    """Return where a draft lies in a station's folder; `UnusableInput` where it is none, or a link leads elsewhere."""
    place = folder
    for part in demand_draft(path).split("/"):
        place = place / part
        if place.is_symlink():
            raise UnusableInput(f"{path[:80]} is reached by a link, which a page does not follow; put the file there")
    if place.is_dir():
        raise UnusableInput(f"{path[:80]} is a folder where a file was expected")
    if place.exists() and not place.is_file():
        # A pipe would wait for its writer, and a device may never end.
        raise UnusableInput(f"{path[:80]} is not an ordinary file; take it away, or put the file there")
    return place


def _said() -> str:
    return f"{', '.join(FOLDERS[:-1])} and {FOLDERS[-1]}"
