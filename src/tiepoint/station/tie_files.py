"""Files that the ways of tying take, as the things that they hold."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tiepoint.foundation.errors import NothingFound, TiepointError, UnusableInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tiepoint.targets.draw import Target
    from tiepoint.ties.camera import CameraModel
    from tiepoint.ties.sensor import Sensor
    from tiepoint.ties.tie import Tie

TIES: Final = "ties"
_MOST_BYTES: Final = 20_000_000


def load_tie(path: Path) -> "Tie":
    """Return the tie of a file; a sentence that names the file where it holds none."""
    from tiepoint.documents.files import read_document
    from tiepoint.ties.document import from_document

    return from_document(read_document(path, "tie"), str(path))


def load_robot(path: Path) -> "Tie":
    """Return the tie plane → robot of a file, be it one by pairs or a hand-eye seen from above the robot."""
    from tiepoint.documents.files import kind_of, read_document

    if kind_of(path) != "robot":
        return load_tie(path)
    from tiepoint.ties.hand_eye_document import hand_eye_from_document
    from tiepoint.ties.touch import flat_tie

    return flat_tie(hand_eye_from_document(read_document(path, "robot"), str(path)))


def load_target(path: Path) -> "Target":
    """Return the target of a file."""
    from tiepoint.documents.files import read_document
    from tiepoint.targets.document import from_document

    return from_document(read_document(path, "target"), str(path))


@contextmanager
def naming(target: "Target", path: Path) -> Iterator[None]:
    """Call a target that was not found by its file: its id is known to nobody who has just described it."""
    try:
        yield
    except NothingFound as error:
        raise NothingFound(str(error).replace(f"target {target.id} ", f"target of {path} ")) from error


def load_camera(path: Path | None) -> "CameraModel | None":
    """Return the camera of a file, None where none was named."""
    from tiepoint.documents.files import read_document
    from tiepoint.ties.camera import camera_from_document

    return None if path is None else camera_from_document(read_document(path, "camera"), str(path))


@dataclass(frozen=True)
class Photo:
    """A photo to tie by: its grey pixels, the sensor setting as far as it is stated, and the hash of its pixels."""

    path: Path
    name: str
    grey: "NDArray[Any]"
    sensor: "Sensor"
    sha: str
    hints: tuple[str, ...]

    @property
    def is_shown_turned(self) -> bool:
        """Whether its file asks viewers to turn it, so that what a person reads off in one are other pixels."""
        from tiepoint.documents.pictures import TURNED

        return any(hint.endswith(TURNED) for hint in self.hints)


def load_photo(path: Path) -> Photo:
    """Return the photo of a picture file, or of a shot's folder with one picture."""
    from tiepoint.documents.files import name_of
    from tiepoint.recipe.shots import load_shot

    shot = load_shot(path)
    if len(shot.pictures) != 1:
        raise UnusableInput(f"{path} holds {len(shot.pictures)} pictures; name the one to tie by")
    ((role, picture),) = shot.pictures.items()
    sha = shot.shot.pictures[0].pixels_sha256 or picture.described(role).pixels_sha256
    return Photo(path, name_of(path), picture.grey, shot.sensors[role], sha, shot.hints)


def warned(tie: "Tie", photos: Iterable[Photo]) -> "Tie":
    """Return the tie with a note for each photo that viewers show turned: who reads pixels off must know it."""
    from tiepoint.documents.pictures import TURNED

    turned = (hint for photo in photos for hint in photo.hints if hint.endswith(TURNED))
    return replace(tie, notes=(*tie.notes, *dict.fromkeys(turned)))


@dataclass(frozen=True)
class TieFile:
    """A document of `ties/`: what it holds, or the `fault` that keeps it from being used.

    `kind`: tie, camera, robot or belt. `seen`: the SHA-256 of its bytes, `sha` that of its content, as records name it.
    """

    name: str
    kind: str
    seen: str
    sha: str
    tie: "Tie | None"
    fault: str = ""


def tie_files(folder: Path) -> Iterator[TieFile]:
    """Yield the documents in a station's `ties/`, in the order of their names."""
    for path in sorted((folder / TIES).glob("*.json")):
        if not path.is_symlink() and path.is_file():
            yield read_tie_file(folder, path.stem)


def read_tie_file(folder: Path, name: str) -> TieFile:
    """Return a document of `ties/` by its name without an ending; raises `UnusableInput` where it is not there."""
    from tiepoint.documents.files import read_bytes

    path = folder / TIES / f"{name}.json"
    data = read_bytes(path, _MOST_BYTES)
    return _told(data, name, f"{TIES}/{name}.json")


@lru_cache(maxsize=64)
def _told(data: bytes, name: str, where: str) -> TieFile:
    """Return what bytes hold; the same ones are asked for again and again while a pointer moves."""
    import hashlib

    from tiepoint.documents.canonical import sha256
    from tiepoint.documents.files import check_format, parsed_json
    from tiepoint.ties.document import from_document

    seen = hashlib.sha256(data).hexdigest()
    try:
        content = parsed_json(data.decode("utf-8"))
        kind = str(content["format"]).split("/")[1]
        sha = sha256(content)
        if kind != "tie":
            return TieFile(name, kind, seen, sha, None)
        check_format(content, "tie", where)
        return TieFile(name, kind, seen, sha, from_document(content, where))
    except TiepointError as error:
        return TieFile(name, "", seen, "", None, str(error))
    except (ValueError, TypeError, KeyError, IndexError, AttributeError):
        return TieFile(name, "", seen, "", None, f"{where} is no document of a tie")


def recipes_on(folder: Path, name: str) -> tuple[str, ...]:
    """Return the names of the drafts of recipes that measure by a tie of `ties/`."""
    from tiepoint.documents.files import read_document
    from tiepoint.station.folder import RECIPES

    found = []
    for path in sorted((folder / RECIPES).glob("*.toml")):
        try:
            told = read_document(path, "recipe").get("tie")
        except TiepointError:
            continue
        if isinstance(told, str) and (path.parent / told).resolve() == (folder / TIES / f"{name}.json").resolve():
            found.append(path.stem)
    return tuple(found)
