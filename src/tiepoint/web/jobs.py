"""Long work that a page begins: it goes on in a thread, tells how far it is, and ends when the page says so.

What a job came to is kept until newer ones need the room; a page that was loaded again finds it by its id. A job ends
with the process: it only ever writes by `station.drafting`, at its end.
"""

import json
import logging
import queue
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel

from tiepoint.foundation.errors import TiepointError
from tiepoint.web.refused import Refused, Told, refused_by

AT_ONCE, MOST_WAITING = 2, 32
LOOKERS_WAITING = 4
"""Jobs that wait already where one of who only looks is refused, so that those keep nobody from working."""
MOST_KEPT, MOST_BYTES = 100, 64_000_000
TELL_S = 0.1
"""Progress is told no oftener."""
ENDING_S = 5.0

State = Literal["waiting", "running", "done", "failed", "cancelled"]
_log = logging.getLogger("tiepoint.web")


class Cancelled(Exception):
    """The person who began a job does not want it any more. Work that is told so lets it pass."""


class JobTold(BaseModel):
    """A job. `says`: what it does; `done` of `of`, and `told`, how far it is; `result` of one that is done, `fault` of
    one that failed. `page`: which began it.
    """

    id: str
    page: str
    says: str
    state: State
    done: float = 0.0
    of: float = 0.0
    told: str = ""
    result: Any = None
    fault: Told | None = None


class Telling:
    """How a job tells how far it is: `telling(3, 6, "photo-3.png")`. Raises `Cancelled` where it is not wanted."""

    def __init__(self, jobs: "Jobs", job: "_Job") -> None:
        self._jobs, self._job, self._told_s = jobs, job, 0.0

    def __call__(self, done: float, of: float, says: str = "") -> None:
        """Tell it."""
        self.check()
        now = time.monotonic()
        is_due = now - self._told_s >= TELL_S or done >= of
        self._told_s = now if is_due else self._told_s
        self._jobs.progress(self._job, done, of, says, is_told=is_due)

    def check(self) -> None:
        """Raise `Cancelled` where the job is not wanted any more; for work that has nothing to tell yet."""
        if self._job.unwanted.is_set():
            raise Cancelled


Work = Callable[[Telling], BaseModel | Mapping[str, Any] | None]


class _Job:
    def __init__(self, told: JobTold, work: Work) -> None:
        self.told, self.work, self.unwanted, self.bytes = told, work, threading.Event(), 0


class Jobs:
    """The jobs of an application. `folder` is not told in faults; `tell` is called from any thread at each change."""

    def __init__(self, folder: Path, tell: Callable[[JobTold], None]) -> None:
        self._folder, self._tell = folder, tell
        self._all: OrderedDict[str, _Job] = OrderedDict()
        self._lock = threading.Lock()
        self._queue: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._threads: list[threading.Thread] = []
        self._is_closed = False

    def begin(self, *, page: str, says: str, work: Work, most: int | None = None) -> JobTold:
        """Begin a job, and return what a page is told of it; refused where too many wait already: `most`."""
        most = MOST_WAITING if most is None else most
        job = _Job(JobTold(id=secrets.token_hex(8), page=page, says=says, state="waiting"), work)
        with self._lock:
            if self._is_closed:
                raise Refused(503)
            if sum(one.told.state == "waiting" for one in self._all.values()) >= most:
                raise Refused(429, f"{most} jobs wait already", "wait for one, or cancel one")
            self._all[job.told.id] = job
            self._make_room()
            if len(self._threads) < AT_ONCE:
                thread = threading.Thread(target=self._run, name="job", daemon=True)
                self._threads.append(thread)
                thread.start()
        told = self._now(job)
        self._queue.put(job)
        return told

    def told(self, id_: str) -> JobTold | None:
        """Return a job with what it came to; None where none of that id is known."""
        with self._lock:
            job = self._all.get(id_)
            return None if job is None else job.told.model_copy()

    def all(self) -> list[JobTold]:
        """Return all jobs, the newest first, without what they came to."""
        with self._lock:
            return [job.told.model_copy(update={"result": None}) for job in reversed(self._all.values())]

    def cancel(self, id_: str) -> JobTold | None:
        """Have a job end: at once where it only waits, else as soon as it next tells how far it is."""
        with self._lock:
            job = self._all.get(id_)
            if job is None:
                return None
            job.unwanted.set()
            if job.told.state != "waiting":
                return job.told.model_copy()
        return self._now(job, state="cancelled")

    def close(self) -> None:
        """End all jobs; one that does not listen is left behind, as its thread ends with the process."""
        with self._lock:
            self._is_closed = True
            jobs, threads = list(self._all.values()), list(self._threads)
        for job in jobs:
            job.unwanted.set()
        for _ in threads:
            self._queue.put(None)
        for thread in threads:
            thread.join(ENDING_S)

    def progress(self, job: _Job, done: float, of: float, says: str, *, is_told: bool) -> None:
        """Keep how far a job is, and tell it where that is due."""
        if is_told:
            self._now(job, done=done, of=of, told=says)
        else:
            with self._lock:
                job.told = job.told.model_copy(update={"done": done, "of": of, "told": says})

    def _now(self, job: _Job, **changes: Any) -> JobTold:
        with self._lock:
            job.told = told = job.told.model_copy(update=changes)
        self._tell(told.model_copy(update={"result": None}))
        return told

    def _make_room(self) -> None:
        ended = [job for job in self._all.values() if job.told.state not in ("waiting", "running")]
        held = sum(job.bytes for job in self._all.values())
        for job in ended:
            if len(self._all) <= MOST_KEPT and held <= MOST_BYTES:
                break
            held -= job.bytes
            del self._all[job.told.id]

    def _run(self) -> None:
        while (job := self._queue.get()) is not None:
            if job.unwanted.is_set():
                if job.told.state == "waiting":
                    self._now(job, state="cancelled")
                continue
            self._now(job, state="running")
            self._now(job, **self._outcome(job))

    def _outcome(self, job: _Job) -> dict[str, Any]:
        """Do the work; return what it came to."""
        try:
            found = job.work(Telling(self, job))
            result = found.model_dump(mode="json") if isinstance(found, BaseModel) else found
            job.bytes = len(json.dumps(result, allow_nan=False))
        except Cancelled:
            return {"state": "cancelled"}
        except Refused as refused:
            return _failed(refused)
        except TiepointError as error:
            return _failed(refused_by(error, self._folder))
        except Exception:
            _log.exception("a fault of tiepoint itself, in a job of %s", job.told.page)
            return _failed(Refused(500))
        else:
            return {"state": "done", "result": result}


def _failed(refused: Refused) -> dict[str, Any]:
    return {"state": "failed", "fault": Told(**refused.body("")["error"])}
