"""What stands on record at a station, as its stages ask for it: acts, kept studies, and accepted copies by file."""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from tiepoint.documents.files import kind_of, read_bytes, read_document
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.station.accepted import MANIFEST, MOST_BYTES, POINTER, content_sha, folder_of, pointers_of
from tiepoint.station.folder import Station, open_station
from tiepoint.station.kept import STUDIES, KeptStudy, kept_studies
from tiepoint.station.ledger import Entry, Ledger, has_ledger
from tiepoint.station.questions import counts
from tiepoint.station.stamps import stamps_of


@dataclass(frozen=True, slots=True)
class Copy:
    """An accepted copy that is run: its hash, its recipe, and the hash of each file that it rests on, by its place."""

    sha: str
    recipe: str
    files: Mapping[str, str]
    variants: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OnRecord:
    """Acts and studies in the order of the ledger, how many records it has, and the copies that are run."""

    acts: tuple[Entry, ...]
    studies: tuple[KeptStudy, ...]
    records: int
    copies: tuple[Copy, ...]

    def last(self, act: str) -> Entry | None:
        """Return the last act of a kind."""
        return next((entry for entry in reversed(self.acts) if entry.body.get("act") == act), None)

    def accepted_as(self, name: str) -> frozenset[str]:
        """Return by which hashes a file of the station is accepted; none where no copy rests on it."""
        return frozenset(copy.files[name] for copy in self.copies if name in copy.files)

    def good(self, *kinds: str) -> tuple[KeptStudy, ...]:
        """Return the studies of these kinds that came out good, and whose documents are as they were kept."""
        return tuple(s for s in self.studies if s.kind in kinds and s.good is True and s.fault is None)


def on_record(station: Station) -> OnRecord:
    """Return what stands on record now; nothing where there is no ledger yet."""
    if not has_ledger(station.ledger_place):
        return OnRecord((), (), 0, tuple(_copies(station)))
    with Ledger(station.ledger_place) as ledger:
        last = ledger.last("act")
        found = _by_acts(station.folder, 0 if last is None else last.seq, stamp_of(station))
        return replace(found, records=_records(ledger))


def draft_sha(station: Station, name: str) -> str | None:
    """Return the hash of what a draft says, as accepted copies name it; None where it is not there."""
    path = station.folder / name
    with suppress(UnusableInput):
        return content_sha(name, read_bytes(path, MOST_BYTES)) if path.is_file() else None
    return None


def differing(station: Station, copy: Copy) -> tuple[str, ...]:
    """Return the drafts that are not any more as a copy was accepted with them."""
    return tuple(name for name, sha in copy.files.items() if draft_sha(station, name) != sha)


def copies_of(station: Station, act: Entry) -> tuple[Copy, ...]:
    """Return the copies that an act of acceptance had run."""
    shas = dict.fromkeys((*act.body["variants"].values(), *act.body["recipes"].values()))
    return tuple(_each(station, shas))


def documents(station: Station, folder: str, *kinds: str) -> tuple[str, ...]:
    """Return the JSON documents of these kinds in a folder of the station, as `ties/top.json`, in their order."""
    found = sorted((station.folder / folder).glob("*.json"))
    return tuple(f"{folder}/{path.name}" for path in found if kind_of(path) in kinds)


def _records(ledger: Ledger) -> int:
    """Return how many records there are, by the ledger's sums where it keeps any: counting a million takes a while."""
    return sum(one.count for one in counts(ledger)) if ledger.keeps_sums else ledger.count("record")


@lru_cache(maxsize=4)
def _by_acts(folder: Path, last_act: int, stamp: tuple[object, ...]) -> OnRecord:  # noqa: ARG001  # they are the key
    """Return what only an act changes. A study's documents are read whole, so not at each question."""
    station = open_station(folder)
    with Ledger(station.ledger_place) as ledger:
        acts, studies = tuple(ledger.entries("act")), tuple(kept_studies(station, ledger, again=False))
    return OnRecord(acts, studies, 0, tuple(_copies(station)))


def stamp_of(station: Station) -> tuple[object, ...]:
    """Return by what it is seen that accepted copies, or studies, are others now, or another ledger lies there."""
    copies = [path for sha in pointers_of(station).shas for path in sorted(folder_of(station, sha).rglob("*"))]
    studies = sorted((station.folder / STUDIES).glob("*"))
    ledger = stamps_of([station.ledger_path])[0][1]  # which file: its time changes with each part
    return (ledger, *stamps_of([station.folder / POINTER, *copies, *studies]))


def _copies(station: Station) -> Iterator[Copy]:
    yield from _each(station, pointers_of(station).shas)


def _each(station: Station, shas: Iterable[str]) -> Iterator[Copy]:
    for sha in shas:
        with suppress(TiepointError, KeyError, TypeError):
            told = read_document(folder_of(station, sha) / MANIFEST, "accepted")
            yield Copy(sha, str(told["recipe"]), dict(told["files"]), tuple(told["variants"]))
