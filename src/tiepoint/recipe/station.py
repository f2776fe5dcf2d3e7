"""The file side of running a recipe: documents in, records out. What the command line calls.

    prepared = prepare(Path("recipes/plate.toml"), tie_path=None, variants_path=Path("variants.csv"), variant="left")
    for sentence in prepared.warnings: ...                 # what can never conform, said before the first shot
    for ran in run_shots(prepared, [Path("shot-0001.png")]):
        ran.record                                         # model.record.Record
        ran.overlay()                                      # an SVG document as text
    write_records(Path("out"), records)                    # records.jsonl and records.csv
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tiepoint.model.record import Record

Level = Literal["everything", "undecided", "unread", "rejected"]


@dataclass(frozen=True)
class Ran:
    """One shot's record, and its overlay when asked for."""

    shot_path: Path
    record: Record

    def overlay(self, level: Level = "everything", solo: str | None = None) -> str:
        """Return the overlay as a self-contained SVG document."""
        raise NotImplementedError


@dataclass(frozen=True)
class Prepared:
    """A recipe with its tie and variants, checked and ready to run."""

    warnings: tuple[str, ...]
    """Sentences for standard error: what can never conform, no guard band, another tie than the recipe's."""


def prepare(
    recipe_path: Path,
    *,
    tie_path: Path | None = None,
    variants_path: Path | None = None,
    variant: str | None = None,
) -> Prepared:
    """Load and check all that a run rests on. Raises a `TiepointError` with one sentence."""
    raise NotImplementedError


def run_shots(
    prepared: Prepared, shot_paths: Iterable[Path], *, progress: Callable[[str], None] | None = None
) -> Iterator[Ran]:
    """Run the recipe over shots, one `Ran` each, in their order. A shot that cannot be read raises `TiepointError`."""
    raise NotImplementedError


def write_records(directory: Path, records: Iterable[Record]) -> None:
    """Write `records.jsonl` and `records.csv` into a folder, each whole or not at all."""
    raise NotImplementedError


def record_json(record: Record) -> dict[str, object]:
    """Return a record as plain data in its format `tiepoint/record/1`, with its `sha`."""
    raise NotImplementedError
