"""A recipe over many shots at once, one process for each core: what a trial and a replay call.

Records are those of `run_shots`, in the order of the shots, but for `timings`: cores that are shared take longer.
"""

import os
import signal
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import active_children, get_context
from pathlib import Path

from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.decide import Verdict
from tiepoint.model.record import Record
from tiepoint.recipe.station import Prepared, prepare, run_shot

FEW = 12
"""Up to so many shots are run by this process alone: starting others takes longer than they do."""


@dataclass(frozen=True, slots=True)
class Preparation:
    """What `prepare` takes, to be prepared once in every process."""

    recipe: Path
    tie: Path | None = None
    lights: Path | None = None
    variants: Path | None = None
    variant: str | None = None

    def prepared(self) -> Prepared:
        """Return the recipe with all that it rests on; a `TiepointError` as `prepare` raises it."""
        return prepare(
            self.recipe,
            tie_path=self.tie,
            lights_path=self.lights,
            variants_path=self.variants,
            variant=self.variant,
        )


@dataclass(frozen=True, slots=True)
class Task:
    """A shot to be run, the `seq` of its record, and the verdicts at which its overlay is drawn."""

    shot: Path
    seq: int
    drawn_at: frozenset[Verdict] = frozenset()


@dataclass(frozen=True, slots=True)
class Done:
    """A shot's record, its overlay where it was asked for, and what to know of its files."""

    record: Record
    overlay: str | None
    hints: tuple[str, ...]


def workers_for(shots: int, asked: int | None = None) -> int:
    """Return how many processes are worth starting."""
    if asked is not None:
        return max(1, min(asked, shots))
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return 1 if shots <= FEW else max(1, min(cores, shots // (FEW // 2)))


def run_tasks(preparation: Preparation, tasks: Sequence[Task], workers: int, most_px: int = 640) -> Iterator[Done]:
    """Run the recipe over the shots, and yield what was done in their order. `most_px`: width of an overlay's picture.

    A shot that cannot be read is unread, also where it is the only one. Raises `UnusableInput` where a process died,
    as for want of memory.
    """
    prepared = preparation.prepared()  # here too: what is wrong with it is to be told, not to break a pool
    if workers < 2:
        for task in tasks:
            yield _done(prepared, task, most_px)
        return
    # Fresh processes on every system: one that is forked inherits threads' locks, which can never be released.
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_begin, initargs=(preparation,))
    others = set(active_children())
    try:
        chunk = max(1, min(8, len(tasks) // (4 * workers)))
        yield from pool.map(_do, tasks, [most_px] * len(tasks), chunksize=chunk)
    except BrokenProcessPool as error:
        raise UnusableInput(
            "a process that ran shots died, perhaps for want of memory; try again with --workers 1"
        ) from error
    except BaseException:
        # Nobody wants what is under way: who stops the work should not wait for shots of several seconds.
        for process in set(active_children()) - others:
            process.terminate()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


_prepared: list[Prepared] = []
"""Of a process that runs shots for another: what it runs them by."""


def _begin(preparation: Preparation) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process is stopped, and ends the others
    _prepared[:] = [preparation.prepared()]


def _do(task: Task, most_px: int) -> Done:
    return _done(_prepared[0], task, most_px)


def _done(prepared: Prepared, task: Task, most_px: int) -> Done:
    ran = run_shot(prepared, task.shot, seq=task.seq)
    hints = (ran.unreadable,) if ran.unreadable else ran.loaded.hints if ran.loaded else ()
    drawn = ran.loaded is not None and ran.record.verdict in task.drawn_at
    return Done(ran.record, ran.overlay(most_px=most_px) if drawn else None, tuple(str(h) for h in hints))
