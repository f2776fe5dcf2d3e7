"""Running a recipe again over shots that were judged before, and telling what would come out otherwise.

The same recipe on the same pictures says the same, to the last digits of the arithmetic: readings count as the same
where they differ by no more than a hundredth of their own u. Another recipe may say anything, which is what one wants
to see before it is accepted.
"""

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory

from tiepoint.model.decide import Verdict
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.recipe.pool import Preparation, Task, run_tasks
from tiepoint.recipe.records import record_from
from tiepoint.station.archive import Kept, kept_of
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger
from tiepoint.station.questions import last_entries

AT_ONCE = 100
SAME = 0.01
"""In units of u: how far two readings of one picture may lie apart and count as the same."""


@dataclass(frozen=True, slots=True)
class Case:
    """A judged shot to be run again: its record, and its pictures."""

    record: Record
    kept: Kept


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


def cases_of(station: Station, ledger: Ledger, seqs: Collection[int] | None = None) -> Iterator[Case]:
    """Yield the records whose pictures were kept, in their order; of the entries `seqs` alone, where they are given.

    Not those whose pictures lost something when they were kept: they were not judged by these.
    """
    kept = {k.record: k for k in (kept_of(station, e) for e in ledger.entries("archived")) if not k.is_lossy}
    wanted = kept.keys() if seqs is None else kept.keys() & frozenset(seqs)
    for entry in ledger.entries("record", only=wanted):
        yield Case(record_from(entry.body, f"entry {entry.seq}"), kept[entry.seq])


def tried(station: Station, draft: Path, cases: Iterable[Case]) -> tuple[Preparation, Iterator[Case]]:
    """Return what a draft of a recipe is prepared from, and those shots that it would judge: of its own variants.

    Raises a `TiepointError` where the draft cannot be run as it is.
    """
    from tiepoint.station.accepted import draft_of

    measured = draft_of(station, draft).variants
    wanted = (case for case in cases if not measured or case.record.variant in measured)
    return Preparation(draft, variants=station.variants_path), wanted


def last_cases(station: Station, ledger: Ledger) -> Iterator[Case]:
    """Yield the records whose pictures were kept, as `cases_of`, but the newest first, and only so far as is asked."""
    before: int | None = None
    while told := last_entries(ledger, "archived", AT_ONCE, before=before):
        before = told[-1].seq
        kept = {one.record: one for one in (kept_of(station, entry) for entry in told) if not one.is_lossy}
        for entry in ledger.numbered(sorted(kept, reverse=True)):
            yield Case(record_from(entry.body, f"entry {entry.seq}"), kept[entry.seq])


def replay_draft(station: Station, ledger: Ledger, draft: Path, last: int) -> tuple[int, Iterator[Replayed]]:
    """Return how many of the last kept shots a draft would judge, `last` at most, and what comes of each, in order.

    Raises a `TiepointError` where the draft cannot be run as it is.
    """
    preparation, wanted = tried(station, draft, last_cases(station, ledger))
    cases = sorted(islice(wanted, last), key=lambda case: case.record.seq)
    return len(cases), replay(preparation, cases)


def replay(
    preparation: Preparation,
    cases: Sequence[Case],
    *,
    workers: int = 1,
    progress: Callable[[str], None] | None = None,
) -> Iterator[Replayed]:
    """Run a recipe over judged shots and yield what came of each, in their order.

    `workers`: how many processes work at once. Raises a `TiepointError` where the recipe cannot be prepared.
    """
    with TemporaryDirectory() as scratch:
        tasks = [Task(case.kept.as_shot(Path(scratch)), case.record.seq) for case in cases]
        for case, done in zip(cases, run_tasks(preparation, tasks, workers), strict=True):
            if progress is not None:
                progress(case.record.shot.id)
            yield compared(case.record, done.record)


def compared(before: Record, after: Record) -> Replayed:
    """Return what came of a judged shot that was run again."""
    reasons = [r.reason for r in after.readings if r.reason is not None and r.reason.code == "shot_unreadable"]
    lost = str(reasons[0].params["detail"]) if reasons else None
    told = () if lost is not None else tuple(changes(before.readings, after.readings))
    now = None if lost is not None else after.verdict
    return Replayed(before.seq, before.shot.id, before.shot.part_id, before.verdict, now, told, lost)


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
