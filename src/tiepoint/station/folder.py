"""The folder of a station: `station.toml` and where everything else lies.

format = "tiepoint/station/1"
name = "hinge plates"
unit = "mm"

[ledger]
file = "ledger.sqlite"

[archive]
folder = "archive"
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal, Self
from urllib.parse import parse_qs, urlsplit

from pydantic import Field, model_validator

from tiepoint.documents.files import check_format, read_document, read_text
from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.tables import Name, Table, said
from tiepoint.station.archive_table import ArchiveTable
from tiepoint.station.cameras.table import CameraTable
from tiepoint.station.duty.table import DutyTable
from tiepoint.station.place_names import Place
from tiepoint.station.see.table import SeeTable
from tiepoint.station.watch.table import WatchTable
from tiepoint.station.web_table import WebTable
from tiepoint.station.wires.table import WiresTable

STATION = "station.toml"
VARIANTS = "variants.csv"
RECIPES = "recipes"


class PlaneTable(Table):
    """`[reference_plane]`: which surface heights count from, in words."""

    says: str


class LedgerTable(Table):
    """`[ledger]`: the file of records and acts, seen from the station's folder, or the database of a server.

    `url`: of a PostgreSQL database, without a password; that lies in an environment variable or a file of its own.
    `copy_head_to`: a file to which the head is added once a day, best on another machine.
    """

    file: Place = "ledger.sqlite"
    url: Place | None = None
    password_env: Name | None = None
    password_file: Place | None = None
    copy_head_to: Place | None = None

    @model_validator(mode="after")
    def _is_a_server(self) -> Self:
        """Take only what can be a PostgreSQL server, without its password: the document is copied and shown."""
        if self.url is None:
            return self
        try:
            told = urlsplit(self.url)
            good = told.scheme.split("+")[0] == "postgresql" and bool(told.path.strip("/")) and told.port != 0
        except ValueError:
            good = False
        if not good:
            raise said("url", "is no URL of a database; write postgresql+psycopg://user@host/database")
        if told.password is not None or "password" in parse_qs(told.query):
            raise said(
                "url",
                "holds a password, which has no place in station.toml; leave it out of the URL, and name where it lies "
                "with password_env or password_file",
            )
        return self


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
    web: WebTable = WebTable()
    wires: WiresTable = WiresTable()
    watch: WatchTable = WatchTable()
    see: SeeTable = SeeTable()


@dataclass(frozen=True, slots=True)
class Server:
    """A ledger's database on a server: its URL without a password, and the password."""

    url: str
    password: str | None = field(default=None, repr=False)


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
        """The ledger's file, where it is one."""
        return self.folder / self.table.ledger.file

    @property
    def ledger_place(self) -> Path | Server:
        """Where the ledger is; raises `UnusableInput` where its password is not where station.toml says."""
        table = self.table.ledger
        return self.ledger_path if table.url is None else Server(table.url, self._password())

    def _password(self) -> str | None:
        table = self.table.ledger
        if table.password_env is not None:
            return secret_of("[ledger]", self.folder, env=table.password_env)
        return None if table.password_file is None else secret_of("[ledger]", self.folder, file=table.password_file)

    @property
    def archive_path(self) -> Path:
        """The folder of kept pictures."""
        return self.folder / self.table.archive.folder

    @property
    def variants_path(self) -> Path | None:
        """The table of variants; None where there is none."""
        path = self.folder / VARIANTS
        return path if path.is_file() else None

    def written_into(self) -> Iterator[Path]:
        """Yield the folders that commands and pages write into, the archive's and the wires' own left out."""
        names = ("accepted", "counters", "duty", "private", RECIPES, "studies", "targets", "ties")
        yield from (self.folder, *(self.folder / name for name in names))

    def recipes(self) -> Iterator[Path]:
        """Yield the drafts of recipes in the order of their names."""
        yield from sorted((self.folder / RECIPES).glob("*.toml"))

    def outside(self) -> Iterator[str]:
        """Yield, in sentences, what of the evidence does not lie in the folder, and so is not copied with it."""
        if self.table.ledger.url is not None:
            yield f"the ledger is {self.table.ledger.url}: a copy of the folder is without it"
        paths = (("ledger", self.ledger_path), ("archive", self.archive_path))
        for what, path in paths if self.table.ledger.url is None else paths[1:]:
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


def secret_of(where: str, folder: Path, *, env: str | None = None, file: str | None = None) -> str:
    """Return a password from an environment variable, or from the only line of a file seen from the station's folder.

    Raises `UnusableInput` where it is not there.
    """
    if env is not None:
        told = os.environ.get(env)
        if not told:
            raise UnusableInput(f"{where} takes its password from the environment variable {env}, which is not set")
        return told
    path = folder / str(file)
    lines = read_text(path, 10_000).splitlines()
    if len(lines) != 1 or not lines[0]:
        raise UnusableInput(f"{where} takes its password from {path}, which has to hold one line, and it alone")
    return lines[0]


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
