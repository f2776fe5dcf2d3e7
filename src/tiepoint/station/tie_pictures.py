"""The working pictures that ties are made from."""

from functools import lru_cache
from pathlib import Path
from typing import Final

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.recipe.shots import PICTURE_ENDINGS
from tiepoint.station.folder import Station
from tiepoint.station.tie_files import Photo, load_photo

FOLDER: Final = "pictures"
USE: Final = "tie"


def photo_of(station: Station, path: str) -> Photo:
    """Return a working picture, by its path in the station, as a photo to tie by."""
    from tiepoint.station.draft_names import place_of

    place: Path = place_of(station.folder, path)
    if not path.startswith(f"{FOLDER}/") or not place.is_file():
        raise UnusableInput(f"there is no picture {path[:80]!r} any more; take or drop it again")
    return load_photo(place)


def picture_with(station: Station, photos: tuple[str, ...]) -> str | None:
    """Return the path of the working picture whose pixels have one of these hashes; None where the station has none."""
    if not photos:
        return None
    for path in sorted((station.folder / FOLDER / USE).glob("*")):
        if path.suffix.lower() in PICTURE_ENDINGS and not path.is_symlink() and _pixels_sha(path) in photos:
            return f"{FOLDER}/{USE}/{path.name}"
    return None


def _pixels_sha(path: Path) -> str:
    try:
        stat = path.stat()
        return _pixels_sha_of(path, stat.st_mtime_ns, stat.st_size)
    except (OSError, TiepointError):
        return ""


@lru_cache(maxsize=256)
def _pixels_sha_of(path: Path, changed_ns: int, size: int) -> str:  # noqa: ARG001  # another file, another hash
    return load_photo(path).sha
