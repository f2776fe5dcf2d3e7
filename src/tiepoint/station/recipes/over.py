"""A draft run over many shots: those of a folder of the station, or kept ones of the archive; each told as it comes."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tiepoint.foundation.errors import UnusableInput
from tiepoint.recipe.station import Prepared, Ran, prepare, run_shot
from tiepoint.station.archive import kept_of
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger
from tiepoint.station.recipes.shots import RECORD, shot_files
from tiepoint.station.recipes.tell import headline


@dataclass(frozen=True, slots=True)
class Over:
    """One shot that was run: `done` of `of`; `was`: its verdict when it was judged, of a kept one."""

    done: int
    of: int
    ref: str
    name: str
    ran: Ran
    was: str | None = None

    @property
    def why(self) -> str:
        """Why it does not conform, in a sentence; empty where it does."""
        return self.ran.unreadable or headline(self.ran.outcome.traces)

    @property
    def spent_ms(self) -> float:
        """What its steps took, in ms."""
        return round(1e3 * sum(self.ran.record.timings.values()), 1)


def over_folder(station: Station, recipe_path: Path, folder: str, variant: str | None = None) -> Iterator[Over]:
    """Yield what a draft says of each shot of a folder of the station; `UnusableInput` where it holds none."""
    files = [s for s in shot_files(station) if s.folder == folder]
    if not files:
        raise UnusableInput(f"{folder[:80]!r} holds no shot; choose a folder of the list, or bring pictures")
    prepared = _prepared(station, recipe_path, variant)
    for k, shot in enumerate(files, 1):
        yield Over(k, len(files), shot.ref, shot.name, run_shot(prepared, station.folder / shot.ref, seq=k))


def over_kept(station: Station, recipe_path: Path, most: int, variant: str | None = None) -> Iterator[Over]:
    """Yield what a draft says of the last kept shots, the newest first; `UnusableInput` where none are kept."""
    prepared = _prepared(station, recipe_path, variant)
    with Ledger(station.ledger_place) as ledger, TemporaryDirectory() as scratch:
        kept = [k for k in (kept_of(station, e) for e in ledger.entries("archived")) if not k.is_lossy][-most:][::-1]
        if not kept:
            raise UnusableInput("no shot was kept yet; run over a folder")
        bodies: dict[int, Any] = {e.seq: e.body for e in ledger.entries("record", only={k.record for k in kept})}
        for k, one in enumerate(kept, 1):
            body = bodies.get(one.record, {})
            name = str(body.get("shot", {}).get("part_id") or body.get("shot", {}).get("id") or one.record)
            ran = run_shot(prepared, one.as_shot(Path(scratch)), seq=k)
            yield Over(k, len(kept), f"{RECORD}{one.record}", name, ran, body.get("verdict"))


def _prepared(station: Station, recipe_path: Path, variant: str | None) -> Prepared:
    return prepare(recipe_path, variants_path=station.variants_path, variant=variant)
