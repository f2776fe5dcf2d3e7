"""The working pictures that ties are made from."""

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
    key = _key(place)
    photo = load_photo(place)
    _keep(key, photo.sha)
    return photo


def picture_with(station: Station, photos: tuple[str, ...]) -> str | None:
    """Return the path of the working picture whose pixels have one of these hashes; None where the station has none."""
    if not photos:
        return None
    for path in sorted((station.folder / FOLDER / USE).glob("*")):
        if path.suffix.lower() in PICTURE_ENDINGS and not path.is_symlink() and _pixels_sha(path) in photos:
            return f"{FOLDER}/{USE}/{path.name}"
    return None


_Key = tuple[Path, int, int]
_SHAS: dict[_Key, str] = {}
_MOST = 256


def _pixels_sha(path: Path) -> str:
    """Return the hash of a picture's pixels, decoded once while its file stays as it is; "" where it cannot be."""
    try:
        key = _key(path)
        return _SHAS.get(key) or _keep(key, load_photo(path).sha)
    except (OSError, TiepointError):
        return ""


def _key(path: Path) -> _Key:
    stat = path.stat()
    return path, stat.st_mtime_ns, stat.st_size  # another file, another hash


def _keep(key: _Key, sha: str) -> str:
    if len(_SHAS) >= _MOST:
        _SHAS.clear()
    _SHAS[key] = sha
    return sha
