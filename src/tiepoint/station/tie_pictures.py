"""The working pictures that ties are made from."""

from functools import lru_cache
from pathlib import Path
from typing import Final

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.recipe.shots import PICTURE_ENDINGS
from tiepoint.station.folder import Station
from tiepoint.station.tie_files import Photo, load_photo

FOLDER: Final = "pictures"


def photo_of(station: Station, id_: str) -> Photo:
    """Return a working picture as a photo to tie by."""
    from tiepoint.station.draft_names import place_of

    path: Path = place_of(station.folder, f"{FOLDER}/{id_}")
    if not path.exists():
        raise UnusableInput(f"there is no picture {id_[:80]!r} any more; take or drop it again")
    return load_photo(path)


def picture_with(station: Station, photos: tuple[str, ...]) -> str | None:
    """Return the working picture whose pixels have one of these hashes; None where the station has none."""
    if not photos:
        return None
    place = station.folder / FOLDER / "tie"
    for path in sorted(place.glob("*")):
        if path.suffix.lower() in PICTURE_ENDINGS and not path.is_symlink() and _pixels_sha(path) in photos:
            return f"tie/{path.name}"
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
