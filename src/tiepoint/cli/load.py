"""Files that commands take, as the things that they hold."""

from pathlib import Path
from typing import TYPE_CHECKING

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.tie_files import Photo as Photo
from tiepoint.station.tie_files import load_camera as load_camera
from tiepoint.station.tie_files import load_photo as load_photo
from tiepoint.station.tie_files import load_robot as load_robot
from tiepoint.station.tie_files import load_target as load_target
from tiepoint.station.tie_files import load_tie as load_tie
from tiepoint.station.tie_files import naming as naming
from tiepoint.station.tie_files import warned as warned

if TYPE_CHECKING:
    from tiepoint.documents.tables import Numbers


def read_columns(path: Path, columns: tuple[str, ...], most_rows: int = 100_000) -> "Numbers":
    """Return the named columns of a table of numbers."""
    from tiepoint.documents.files import read_text
    from tiepoint.documents.tables import read_numbers

    return read_numbers(read_text(path), columns, str(path), most_rows)


def demand_like(out: Path, beginning: bytes, what: str) -> None:
    """Refuse to replace a file that does not begin as those that this command writes."""
    if out.is_file() and out.stat().st_size:
        with out.open("rb") as file:
            if file.read(len(beginning)) != beginning:
                raise UnusableInput(f"{out} exists and is no {what}; name another, or take it away first")


def demand_own(out: Path, kind: str, *inputs: Path | None) -> None:
    """Refuse an `--out` that this command reads, or that holds anything but a document of the kind to be written."""
    from tiepoint.documents.files import demand_replaceable

    demand_replaceable(out, kind, inputs)
