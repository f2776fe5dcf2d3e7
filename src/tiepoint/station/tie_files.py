"""Files that the ways of tying take, as the things that they hold."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tiepoint.foundation.errors import NothingFound, UnusableInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tiepoint.targets.draw import Target
    from tiepoint.ties.camera import CameraModel
    from tiepoint.ties.sensor import Sensor
    from tiepoint.ties.tie import Tie


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
