"""Running a recipe again over shots that were judged before, and telling what would come out otherwise.

The same recipe on the same pictures says the same, to the last digits of the arithmetic: readings count as the same
where they differ by no more than a hundredth of their own u. Another recipe may say anything, which is what one wants
to see before it is accepted.
"""

import math
import multiprocessing
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from tiepoint.foundation.errors import TiepointError
from tiepoint.model.decide import Verdict
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.recipe.station import Prepared, prepare, run_shots
from tiepoint.station.archive import kept_of
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger

SAME = 0.01
"""In units of u: how far two readings of one picture may lie apart and count as the same."""

_BY_ONE = 24
"""So many shots are done before further processes would have begun."""


@dataclass(frozen=True, slots=True)
class Case:
    """A judged shot to be run again: its record, and the folder of its pictures."""

    record: Record
    shot: Path


@dataclass(frozen=True, slots=True)
class Change:
    """A reading that came out otherwise: its id, and what it was and is, each as a value, a text or a reason's code."""

    id: str
    was: float | str | None
    U95_was: float | None
    verdict_was: Verdict | None
    now: float | str | None
    U95_now: float | None
    verdict_now: Verdict | None


@dataclass(frozen=True, slots=True)
class Replayed:
    """A shot that was run again. `lost`: why it could not be; then `now` is None."""

    seq: int
    shot: str
    part_id: str | None
    was: Verdict
    now: Verdict | None
    changes: tuple[Change, ...] = ()
    lost: str | None = None

    @property
    def same(self) -> bool:
        """Whether nothing came out otherwise."""
        return self.lost is None and self.was == self.now and not self.changes


@dataclass(frozen=True)
class Setup:
    """What a recipe is prepared from; plain, so that it can be handed to another process."""

    recipe: Path
    variants: Path | None = None
    tie: Path | None = None
    lights: Path | None = None

    def prepared(self) -> Prepared:
        """Return the recipe, ready to run."""
        return prepare(self.recipe, tie_path=self.tie, lights_path=self.lights, variants_path=self.variants)


def cases_of(station: Station, ledger: Ledger, *, recipe_sha: str | None = None) -> Iterator[Case]:
    """Yield the records whose pictures were kept, in their order; those of one recipe, where it is named."""
    from tiepoint.recipe.records import record_from

    kept = {k.record: k.folder for k in (kept_of(station, e) for e in ledger.entries("archived"))}
    for entry in ledger.entries("record"):
        if entry.seq in kept and recipe_sha in (None, entry.body.get("recipe_sha")):
            yield Case(record_from(entry.body, f"entry {entry.seq}"), kept[entry.seq])


def replay(
    setup: Setup,
    cases: Sequence[Case],
    *,
    processes: int = 1,
    progress: Callable[[str], None] | None = None,
) -> Iterator[Replayed]:
    """Run a recipe over judged shots and yield what came of each, in their order.

    `processes`: how many work at once; one where there are few shots. Raises a `TiepointError` where the recipe cannot
    be prepared.
    """
    prepared = setup.prepared()
    if processes <= 1 or len(cases) <= _BY_ONE:
        told: Iterable[Replayed] = (again(prepared, case) for case in cases)
        yield from _telling(told, progress)
        return
    # Begun anew, never forked: a copy of a process whose libraries hold threads may stand still for ever.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(processes, len(cases)), context, _begin, (setup,)) as pool:
        chunk = max(1, min(16, len(cases) // (4 * processes)))
        yield from _telling(pool.map(_again, cases, chunksize=chunk), progress)


def _telling(told: Iterable[Replayed], progress: Callable[[str], None] | None) -> Iterator[Replayed]:
    for one in told:
        if progress is not None:
            progress(one.shot)
        yield one


_work: list[Callable[[Case], Replayed]] = []
"""Of a process that runs shots for another: what it does with one."""


def _begin(setup: Setup) -> None:
    _work[:] = [partial(again, setup.prepared())]


def _again(case: Case) -> Replayed:
    return _work[0](case)


def again(prepared: Prepared, case: Case) -> Replayed:
    """Return what comes of one judged shot."""
    record = case.record
    told = partial(Replayed, record.seq, record.shot.id, record.shot.part_id, record.verdict)
    try:
        (ran,) = run_shots(prepared, [case.shot], clock=None)
    except TiepointError as error:
        return told(None, lost=str(error))
    return told(ran.record.verdict, tuple(changes(record.readings, ran.record.readings)))


def changes(before: Sequence[Reading], after: Sequence[Reading]) -> Iterator[Change]:
    """Yield the readings that differ, by id; those that only one side has too."""
    was, now = ({r.id: r for r in readings} for readings in (before, after))
    for id_ in dict.fromkeys((*was, *now)):
        a, b = was.get(id_), now.get(id_)
        if a is None or b is None or not _same(a, b):
            yield Change(id_, *_told(a), *_told(b))


def _same(a: Reading, b: Reading) -> bool:
    if a.verdict != b.verdict or a.unit != b.unit:
        return False
    if a.value is None or b.value is None:
        return _said(a) == _said(b)
    close = SAME * max(a.u or 0.0, b.u or 0.0)
    return math.isclose(a.value, b.value, rel_tol=1e-9, abs_tol=close)


def _told(reading: Reading | None) -> tuple[float | str | None, float | None, Verdict | None]:
    return (None, None, None) if reading is None else (_said(reading), reading.U95, reading.verdict)


def _said(reading: Reading) -> float | str | None:
    if reading.value is not None:
        return reading.value
    return reading.reason.code if reading.reason is not None else reading.text
