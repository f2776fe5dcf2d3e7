"""The folder of a station: `station.toml` and where everything else lies.

format = "tiepoint/station/1"
name = "hinge plates"
unit = "mm"

[ledger]
file = "ledger.sqlite"

[archive]
folder = "archive"
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from tiepoint.documents.files import check_format, read_document
from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.tables import Name, Positive, Table
from tiepoint.station.duty.table import DutyTable
from tiepoint.station.wires.table import WiresTable
from tiepoint.recipe.tables import Name, Table
from tiepoint.station.cameras.table import CameraTable

STATION = "station.toml"
VARIANTS = "variants.csv"
RECIPES = "recipes"


class PlaneTable(Table):
    """`[reference_plane]`: which surface heights count from, in words."""

    says: str


class LedgerTable(Table):
    """`[ledger]`: the file of records and acts, seen from the station's folder."""

    file: Name = "ledger.sqlite"


class ArchiveTable(Table):
    """`[archive]`: the folder of kept pictures, seen from the station's folder."""

    folder: Name = "archive"


class StationTable(Table):
    """The whole document."""

    format: str
    name: Name
    unit: Literal["mm", "in"] = "mm"
    language: Literal["en"] = "en"
    says: str = ""
    reference_plane: PlaneTable | None = None
    camera: Annotated[tuple[CameraTable, ...], Field(strict=False)] = ()
    ledger: LedgerTable = LedgerTable()
    archive: ArchiveTable = ArchiveTable()
    duty: DutyTable = DutyTable()
    wires: WiresTable = WiresTable()


@dataclass(frozen=True)
class Station:
    """A station: its folder and what its `station.toml` says."""

    folder: Path
    table: StationTable

    @property
    def name(self) -> str:
        """What records call it."""
        return self.table.name

    @property
    def ledger_path(self) -> Path:
        """The ledger's file."""
        return self.folder / self.table.ledger.file

    @property
    def archive_path(self) -> Path:
        """The folder of kept pictures."""
        return self.folder / self.table.archive.folder

    @property
    def variants_path(self) -> Path | None:
        """The table of variants; None where there is none."""
        path = self.folder / VARIANTS
        return path if path.is_file() else None

    def recipes(self) -> Iterator[Path]:
        """Yield the drafts of recipes in the order of their names."""
        yield from sorted((self.folder / RECIPES).glob("*.toml"))

    def outside(self) -> Iterator[str]:
        """Yield, in sentences, what of the evidence does not lie in the folder, and so is not copied with it."""
        for what, path in (("ledger", self.ledger_path), ("archive", self.archive_path)):
            if not path.resolve().is_relative_to(self.folder.resolve()):
                yield f"the {what} {path} lies outside of the station's folder: a copy of the folder is without it"

    def relative(self, path: Path) -> str:
        """Return a path in the folder as documents give it; `UnusableInput` where it leads out of it."""
        try:
            return path.resolve().relative_to(self.folder.resolve()).as_posix()
        except (OSError, RuntimeError, ValueError) as error:
            raise UnusableInput(
                f"{path} does not lie in the station's folder {self.folder}; copy it there, and name the copy"
            ) from error


def open_station(folder: Path) -> Station:
    """Return the station of a folder; raises `UnusableInput` or `UnusableDocument` in a sentence."""
    path = folder / STATION
    if not path.is_file():
        raise UnusableInput(
            f"{folder} is no station: it has no {STATION}; write one that says format, name and unit, as in the "
            "reference of files"
        )
    content = read_document(path, "station")
    check_format(content, "station", str(path))
    return Station(folder, StationTable.read(content, f"{path}: "))
