"""Judging shots by what was accepted: each record is in the ledger before anybody is told of it, its pictures after."""

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path

from tiepoint.recipe.runner import Clock
from tiepoint.recipe.station import Prepared, Ran, run_shots
from tiepoint.station.archive import keep
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger, utc_now


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

    Raises a `TiepointError` where the ledger or the archive cannot be written: then nothing more is judged.
    """
    for ran in run_shots(prepared, shots, clock=clock):
        at = now()
        record = ledger.commit(replace(ran.record, station=station.name), at=at)
        if ran.loaded is not None:
            ledger.append("archived", keep(station, record, ran.loaded, at[:10]), at=now())
        yield replace(ran, record=record)
