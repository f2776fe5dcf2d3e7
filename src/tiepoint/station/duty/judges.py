"""The processes that judge: each has a part at a time, is ended where it takes too long, and begun anew."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.composed import Composed
from tiepoint.station.duty import beginning
from tiepoint.station.duty.judging import Task, Warm, work

START_S = 120.0
"""Within which a process must be ready: the first start on a machine compiles every kernel."""
STUCK_S = 1.0
"""So long after its time a process that does not even take its part is ended: who hands it over waits for that."""
SETTLE_S = 2.0
"""How long a process that was asked to end may take."""


class Judging:
    """One process that judges, and the connection to it. Used by one thread."""

    def __init__(self, folder: Path, warm: Warm) -> None:
        """Begin the process; it is not ready yet."""
        self._folder, self._warm = folder, warm
        self._until_s: float | None = None
        self._begin()

    def _begin(self) -> None:
        # Never a fork of this process: it would inherit threads' locks, which can never be released.
        context = beginning.context()
        self._mine, theirs = context.Pipe()
        self._process = context.Process(target=work, args=(theirs, self._folder, self._warm), daemon=True)
        self._process.start()
        theirs.close()

    def demand_ready(self, timeout_s: float = START_S) -> None:
        """Wait until it can judge. Raises `UnusableInput` where it says why it cannot, or says nothing in time."""
        why: str | None = f"a process that judges was not ready within {timeout_s:g} s"
        with suppress(EOFError, OSError):
            if self._mine.poll(timeout_s):
                why = self._mine.recv()
        if why is not None:
            self.end()
            raise UnusableInput(why)

    def judge(self, task: Task, until_s: float) -> Composed | str:
        """Return the record of a part, or why there is none: the process ended, or did not answer until then.

        `until_s`: by the monotonic clock. After a `str` the process has to be begun anew.
        """
        self._until_s = until_s
        try:
            self._mine.send(task)
            if self._mine.poll(max(0.0, until_s - time.monotonic())):
                answer: Composed = self._mine.recv()
                return answer
        except (EOFError, OSError):
            self._process.join(SETTLE_S)
            return f"the process that judged it ended by itself (code {self._process.exitcode})"
        finally:
            self._until_s = None
        return "it took too long, and the process that judged it was ended"

    def end_if_stuck(self) -> None:
        """End the process where it has not even taken its part, long after its time; from any thread."""
        until_s = self._until_s
        if until_s is not None and time.monotonic() > until_s + STUCK_S:
            self._process.kill()

    def begin_anew(self) -> None:
        """End the process, whatever it does, and begin another."""
        self.end()
        self._begin()

    def end(self) -> None:
        """End the process: at its next part if it works, at once if it does not hear."""
        with suppress(OSError):
            self._mine.send(None)
            self._mine.close()
        self._process.join(0.05)
        if self._process.is_alive():
            self._process.terminate()
            self._process.join(SETTLE_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join(SETTLE_S)


class Judges:
    """Some processes and a thread for each, that take parts from `next_task` and hand records to `done`.

    `next_task` waits for a part and returns it with until when it must be judged (monotonic, s), or None at the end, or
    where what it is given says that this is the end.
    `done` is given the task and the record, or why there is none. `troubled` is told where a process could not be
    begun anew, and with None once it could.
    """

    def __init__(
        self,
        folder: Path,
        count: int,
        warm: Warm,
        next_task: Callable[[Callable[[], bool]], tuple[Task, float] | None],
        done: Callable[[Task, Composed | str], None],
        troubled: Callable[[str | None], None],
    ) -> None:
        """Begin the processes. Raises `UnusableInput` where one cannot judge."""
        self._next, self._done, self._troubled = next_task, done, troubled
        self._ending = threading.Event()
        self._all = [Judging(folder, warm) for _ in range(count)]
        with self._ended_on_error():
            for one in self._all:
                one.demand_ready()
        self._threads = [
            threading.Thread(target=self._run, args=(one,), name=f"judge-{k}", daemon=True)
            for k, one in enumerate(self._all)
        ]
        self._threads.append(threading.Thread(target=self._end_the_stuck, name="judges", daemon=True))
        for thread in self._threads:
            thread.start()

    @contextmanager
    def _ended_on_error(self) -> Iterator[None]:
        try:
            yield
        except BaseException:
            for one in self._all:
                one.end()
            raise

    def _run(self, judging: Judging) -> None:
        while (given := self._next(self._ending.is_set)) is not None:
            task, until_s = given
            answer = judging.judge(task, until_s)
            self._done(task, answer)
            if isinstance(answer, str):
                self._bring_back(judging)

    def _end_the_stuck(self) -> None:
        while not self._ending.wait(STUCK_S):
            for one in self._all:
                one.end_if_stuck()

    def _bring_back(self, judging: Judging) -> None:
        wait_s = 0.5
        while not self._ending.is_set():
            try:
                judging.begin_anew()
                judging.demand_ready()
            except (UnusableInput, OSError) as error:
                self._troubled(f"a process that judges cannot be begun: {error}")
                self._ending.wait(wait_s)
                wait_s = min(30.0, 2 * wait_s)
            else:
                self._troubled(None)
                return

    def join(self) -> None:
        """Wait until all threads have seen the end, and end the processes."""
        self._ending.set()
        for thread in self._threads:
            thread.join(SETTLE_S)
        for one in self._all:
            one.end()
