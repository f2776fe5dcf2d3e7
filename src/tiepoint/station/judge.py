"""Judging shots by what was accepted: each record is in the ledger before anybody is told of it, its pictures after.

A run begins with an entry and ends with one. A run without its end was broken off, by a fault or by the mains: it stays
in the ledger as that, and so in the report.
"""

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from tiepoint.documents.files import format_of
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.model.record import Record
from tiepoint.recipe.runner import Clock
from tiepoint.recipe.shots import LoadedShot
from tiepoint.recipe.station import Prepared, Ran, run_shots
from tiepoint.station.archive import keep
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry, Ledger, utc_now
from tiepoint.station.lock import WriterLock
from tiepoint.station.naming import demand_own

RUN = "run"


def judge(
    station: Station,
    ledger: Ledger,
    prepared: Prepared,
    shots: Iterable[Path],
    *,
    clock: Clock | None = time.perf_counter,
    now: Callable[[], str] = utc_now,
) -> Iterator[Ran]:
    """Judge shots, one after another, commit each record and keep its pictures; yield each with its committed record.

    It is the station's one writer meanwhile. Raises a `TiepointError` where another is, or the ledger or the archive
    cannot be written: then nothing more is judged.
    """
    with WriterLock(station.folder, "judging shots"):
        yield from _judged(station, ledger, prepared, list(shots), clock, now)


def _judged(
    station: Station,
    ledger: Ledger,
    prepared: Prepared,
    paths: Sequence[Path],
    clock: Clock | None,
    now: Callable[[], str],
) -> Iterator[Ran]:
    demand_own(station, ledger)
    begun = ledger.append(RUN, {"format": format_of(RUN), "of": None, "shots": len(paths)}, at=now())
    judged = 0
    try:
        for ran in run_shots(prepared, paths, clock=clock):
            at = now()
            record = ledger.commit(replace(ran.record, station=station.name), at=at)
            judged += 1
            if ran.loaded is not None:
                _keep(station, ledger, record, ran.loaded, at, now)
            yield replace(ran, record=record)
    finally:
        # Where the ledger itself is the fault there is no end, which says as much.
        with suppress(TiepointError):
            ledger.append(RUN, {"format": format_of(RUN), "of": begun.seq, "shots": judged}, at=now())


def _keep(
    station: Station, ledger: Ledger, record: Record, loaded: LoadedShot, at: str, now: Callable[[], str]
) -> None:
    """Keep a shot whose record is in the ledger already, and stays there where its pictures cannot be kept."""
    try:
        ledger.append("archived", keep(station, record, loaded, at), at=now())
    except TiepointError as error:
        raise UnusableInput(
            f"entry {record.seq} of the ledger is the record of {record.shot.part_id or record.shot.id} "
            f"({record.verdict}), and its shot was not kept: {error}; see to that, and judge the part again"
        ) from error


@dataclass(frozen=True, slots=True)
class Run:
    """A run: its first and its last entry, how many shots it was to judge, and the records that it left.

    `ended` is None where it was broken off.
    """

    begun: Entry
    ended: Entry | None
    shots: int
    records: tuple[Record, ...]

    @property
    def is_whole(self) -> bool:
        """Whether all that was to be judged was, and the run ended in good order."""
        return self.ended is not None and len(self.records) == self.shots


def runs_of(entries: Sequence[Entry], records: Sequence[Record]) -> Iterator[Run]:
    """Yield the runs that a ledger's entries of the kind `run` tell of, in their order, broken-off ones too."""
    begun = [e for e in entries if e.body["of"] is None]
    ends = {e.body["of"]: e for e in entries if e.body["of"] is not None}
    for k, first in enumerate(begun):
        last = ends.get(first.seq)
        until = last.seq if last is not None else begun[k + 1].seq if k + 1 < len(begun) else None
        own = tuple(r for r in records if first.seq < r.seq and (until is None or r.seq < until))
        yield Run(first, last, first.body["shots"], own)
