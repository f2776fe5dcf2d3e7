"""What a crash left of keeping: shots that lie whole in the archive and are in no entry, and files half written.

To be asked by the one writer, on a start: nobody keeps anything meanwhile.
"""

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from tiepoint.documents.files import HALF_WRITTEN, format_of, read_document
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.archive import sha256_of_file
from tiepoint.station.archive_keeper import rules_before
from tiepoint.station.archive_names import SIDECAR, pattern_of
from tiepoint.station.archive_table import RING
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger

_CLOCKS_S = 600.0
"""By how much the clock of the machine that holds the archive may differ."""


def not_archived(ledger: Ledger, *, last: int = 10_000) -> tuple[int, ...]:
    """Return the numbers of records with pictures of which no entry says that they are kept or gone, as after a crash.

    Looked through are the `last` entries.
    """
    after = max(0, ledger.head.seq - last)
    told = {entry.body["record"] for entry in ledger.entries("archived", after=after)}
    for entry in ledger.entries("act", after=after):
        if entry.body.get("act") == "expire":
            told.update(entry.body.get("records", ()))
    # Records by their numbers at first: to read all of them would take longer than all else on a start.
    untold = [seq for seq in ledger.records(after=after) if seq not in told]
    return tuple(entry.seq for entry in ledger.entries(only=untold) if entry.body["shot"]["pictures"])


@dataclass(frozen=True, slots=True)
class _Due:
    """A record whose shot is looked for: its number, what tells the shot, each picture's role and hash, its verdict."""

    seq: int
    shot: tuple[Any, ...]
    pictures: list[tuple[str, str]]
    verdict: str

    @property
    def roles(self) -> list[str]:
        """The roles of its pictures."""
        return [role for role, _ in self.pictures]


def found_again(station: Station, ledger: Ledger, seqs: Sequence[int]) -> Iterator[dict[str, Any]]:
    """Yield the bodies of entries for shots that lie whole in the archive and whose entry was lost to a crash.

    `seqs`: of records. Their shots are looked for where something was written since the first of these records was;
    what was half written there is taken away.
    """
    due, since = [], float("inf")
    for entry in ledger.entries("record", only=frozenset(seqs)):
        due.append(_Due(entry.seq, *_told_by(entry.body["shot"]), entry.body["verdict"]))
        since = min(since, datetime.fromisoformat(entry.written_utc).timestamp() - _CLOCKS_S)
    numbers = re.compile("|".join(str(one.seq) for one in due))
    folders = pattern_of(station.table.archive.names).folders
    found: dict[int, dict[str, Any]] = {}
    for sidecar in _sidecars(station.archive_path, folders, numbers, since) if due else ():
        for one in due:
            if one.seq not in found and str(one.seq) in sidecar.relative_to(station.archive_path).as_posix():
                body = _whole(station, one, sidecar)
                if body is not None:
                    found[one.seq] = body
    verdicts = {one.seq: one.verdict for one in due}
    yield from (found[seq] | _by(ledger, seq, verdicts[seq]) for seq in sorted(found))


def _by(ledger: Ledger, seq: int, verdict: str) -> dict[str, str]:
    """Return by which rule the shot of a record was kept, as its entry tells: one of a ring is to leave it again."""
    number = ledger.count("record") - ledger.count("record", after=seq)
    return {"by": RING} if rules_before(ledger, seq).by(verdict, number) == RING else {}


def _told_by(shot: Mapping[str, Any]) -> tuple[tuple[Any, ...], list[tuple[str, str]]]:
    """Return what tells a shot from every other, as a document or a record describes it."""
    about = tuple(shot.get(key) for key in ("id", "part_id", "taken_utc"))
    return about, [(p["role"], p["pixels_sha256"]) for p in shot["pictures"]]


def _sidecars(place: Path, numbered: Sequence[bool], numbers: re.Pattern[str], since: float) -> Iterator[Path]:
    """Yield what describes the shots of some numbers, below a place.

    `numbered`: of each folder on the way, whether the number stands in its name. One in which shots lie is looked
    through only where something was written into it `since`: who looked through all would look for minutes.
    """
    with suppress(OSError), os.scandir(place) as there:
        inside = sorted(there, key=lambda one: one.name)
        if not numbered:
            _take_away(place, [one.name for one in inside if HALF_WRITTEN.fullmatch(one.name)], len(inside))
            own = any(one.name == SIDECAR for one in inside)
            ours = (one.name for one in inside if one.name == SIDECAR or (not own and numbers.search(one.name)))
            yield from (place / name for name in ours if name.endswith(".json"))
            return
        holds_shots = len(numbered) == 1 or numbered[1]
        for one in inside:
            fits = numbers.search(one.name) if numbered[0] else not holds_shots or one.stat().st_mtime >= since
            if fits and one.is_dir():
                yield from _sidecars(place / one.name, numbered[1:], numbers, since)


def _take_away(folder: Path, names: Sequence[str], there: int) -> None:
    """Take half-written files away, and their folder where it holds nothing else of the `there` that lie in it."""
    for name in names:
        with suppress(OSError):
            (folder / name).unlink()
    if names and len(names) == there:
        with suppress(OSError):
            folder.rmdir()


def _whole(station: Station, due: _Due, sidecar: Path) -> dict[str, Any] | None:
    """Return the body of an entry for a folder that holds all of a record's shot; None where it does not."""
    with suppress(UnusableInput, OSError, KeyError, TypeError):
        described = read_document(sidecar, "shot")
        names = [*(p["file"] for p in described["pictures"]), sidecar.name]
        shot, pictures = _told_by(described)
        same = pictures == due.pictures
        # The pixels of a lossy copy are not those that were judged; whose it is, number, shot, part and time tell.
        lossy = station.table.archive.encode == "jpeg" and [role for role, _ in pictures] == due.roles
        if shot == due.shot and (same or lossy):
            body: dict[str, Any] = {
                "format": format_of("archived"),
                "record": due.seq,
                "folder": sidecar.parent.relative_to(station.archive_path).as_posix().removeprefix("."),
                "files": {name: sha256_of_file(sidecar.parent / name) for name in names},
            }
            more = {"sidecar": sidecar.name} if sidecar.name != SIDECAR else {}
            return body | more | ({} if same else {"lossy": True})
    return None
