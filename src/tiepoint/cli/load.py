"""Files that commands take, as the things that they hold."""

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tiepoint.documents.tables import Numbers
    from tiepoint.targets.draw import Target
    from tiepoint.ties.camera import CameraModel
    from tiepoint.ties.tie import Tie


def load_tie(path: Path) -> "Tie":
    """Return the tie of a file; a sentence that names the file where it holds none."""
    from tiepoint.documents.files import read_document
    from tiepoint.ties.document import from_document

    return from_document(read_document(path, "tie"), str(path))


def read_columns(path: Path, columns: tuple[str, ...], most_rows: int = 100_000) -> "Numbers":
    """Return the named columns of a table of numbers."""
    from tiepoint.documents.files import read_text
    from tiepoint.documents.tables import read_numbers

    return read_numbers(read_text(path), columns, str(path), most_rows)


def load_target(path: Path) -> "Target":
    """Return the target of a file."""
    from tiepoint.documents.files import read_document
    from tiepoint.targets.document import from_document

    return from_document(read_document(path, "target"), str(path))


def load_camera(path: Path | None) -> "CameraModel | None":
    """Return the camera of a file, None where none was named."""
    from tiepoint.documents.files import read_document
    from tiepoint.ties.camera import camera_from_document

    return None if path is None else camera_from_document(read_document(path, "camera"), str(path))
