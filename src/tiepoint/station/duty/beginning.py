"""How the processes that judge begin: forked from one that has loaded all they need; where nothing forks, each anew.

That one process is begun first of all, and loads while the station is looked at. It holds no thread and no lock of the
duty process, which is never forked itself. A judge that was ended is so replaced in tenths of a second.
"""

import os
from multiprocessing import get_all_start_methods, get_context
from typing import Any

JUDGING = "tiepoint.station.duty.judging"


def context() -> Any:
    """Return by which processes that judge are begun on this system."""
    if not _forks():
        return get_context("spawn")
    forking = get_context("forkserver")
    forking.set_forkserver_preload([JUDGING])
    return forking


def load() -> None:
    """Begin to load what they need; to be called before this process loads anything itself."""
    # A judge has one core: threads of a library's own would take those of the other judges, and cannot be forked.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if _forks():
        from multiprocessing.forkserver import ensure_running

        context()
        ensure_running()


def _forks() -> bool:
    return "forkserver" in get_all_start_methods()
