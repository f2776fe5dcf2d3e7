"""`[archive]` of station.toml: where pictures are kept, by which names, which of them, and for how long.

[archive]
folder = "archive"
names = "{taken_utc:%Y-%m-%d}/{station}_{part_id}_{count:09d}_{picture}_{verdict}.png"
keep = ["not-conforming", { every = 10 }, { ring = 1000 }]     # what any of these keeps; "all" by default
encode = "png"             # or "tiff", "jpeg": what the camera gave as no file; its own files stay as they are
quality = 95               # of a JPEG
days = 400                 # older ones are taken away
keep_free_gb = 20          # the oldest are taken away while the disk has less
"""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.tables import Name, Positive, Table
from tiepoint.station.archive_names import DEFAULT
from tiepoint.station.place_names import Place

Count = Annotated[int, Field(ge=1, le=10_000_000)]

RING = "ring"


class Some(Table):
    """A rule with a number: `every` n-th shot is kept, or the last n, a `ring`."""

    every: Count | None = None
    ring: Count | None = None


Rule = Literal["all", "not-conforming"] | Some


class ArchiveTable(Table):
    """The whole section; the folder is seen from the station's."""

    folder: Place = "archive"
    names: Place = DEFAULT
    keep: Rule | Annotated[tuple[Rule, ...], Field(strict=False)] = "all"
    encode: Literal["png", "tiff", "jpeg"] = "png"
    quality: Annotated[int, Field(ge=1, le=100)] = 95
    days: Positive | None = None
    keep_free_gb: Positive | None = None
    far: Place | None = None
    far_user: Name | None = None
    far_password_env: Name | None = None
    far_password_file: Place | None = None


@dataclass(frozen=True, slots=True)
class Rules:
    """Which shots are kept: those that any of these keeps."""

    all: bool = False
    not_conforming: bool = False
    every: int | None = None
    ring: int | None = None

    def by(self, verdict: str, number: int) -> str | None:
        """Return by which rule a shot is kept, one that keeps it for good before the ring; None by none.

        `number`: of its record among all records of the ledger, from 1.
        """
        if self.all or (self.not_conforming and verdict != "conforms"):
            return "all"
        if self.every is not None and (number - 1) % self.every == 0:
            return "all"
        return RING if self.ring is not None else None


def rules_of(table: ArchiveTable) -> Rules:
    """Return the rules of `keep`; `UnusableInput` where they say nothing, or one thing twice."""
    rules = table.keep if isinstance(table.keep, tuple) else (table.keep,)
    numbers: dict[str, int] = {}
    for rule in rules:
        if not isinstance(rule, Some):
            continue
        told = {key: n for key in ("every", "ring") if (n := getattr(rule, key)) is not None}
        if not told or told.keys() & numbers.keys():
            raise UnusableInput("[archive] keep says every or ring twice, or without a number; write { every = 10 }")
        numbers |= told
    if not rules:
        raise UnusableInput('[archive] keep is empty; write "all", or what is to be kept')
    return Rules("all" in rules, "not-conforming" in rules, numbers.get("every"), numbers.get("ring"))
