"""Questions to the ledger, by a few threads of which each has it open: it is only read, and the server never waits."""

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import TypeVar

from sqlalchemy.exc import SQLAlchemyError

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.station.folder import Station
from tiepoint.station.ledger import Ledger, has_ledger

THREADS = 3

T = TypeVar("T")
_Stamp = tuple[int, int]


class NoLedger(TiepointError):
    """The station has no ledger yet."""


class LedgerAway(TiepointError):
    """The ledger cannot be used now, whatever was asked."""


class Asking:
    """The threads, and the ledger that each has open."""

    def __init__(self, station: Station) -> None:
        self._station = station
        self._threads = ThreadPoolExecutor(THREADS, "asking")
        self._mine = threading.local()
        self._all: list[Ledger] = []

    async def __call__(self, question: Callable[[Ledger], T]) -> T:
        """Return the answer to a question.

        Raises `NoLedger` where there is none yet, `LedgerAway` where it cannot be used, else what the question raises.
        """
        return await asyncio.get_running_loop().run_in_executor(self._threads, self._asked, question)

    async def run(self, work: Callable[[], T]) -> T:
        """Return what some other work on files comes to, done by the same threads."""
        return await asyncio.get_running_loop().run_in_executor(self._threads, work)

    def close(self) -> None:
        """End the threads, and close the ledger."""
        self._threads.shutdown(cancel_futures=True)
        for ledger in self._all:
            ledger.close()

    def _asked(self, question: Callable[[Ledger], T]) -> T:
        try:
            return question(self._opened())
        except TiepointError as error:
            self._let_go()  # whatever is wrong with it, the next question begins anew
            if isinstance(error.__cause__, SQLAlchemyError):  # of the database, and not of what was asked
                raise LedgerAway(str(error)) from error
            raise

    def _opened(self) -> Ledger:
        try:
            return self._opened_now()
        except UnusableInput as error:
            raise LedgerAway(str(error)) from error

    def _opened_now(self) -> Ledger:
        stamp = self._stamp()
        if stamp is None:
            raise NoLedger(f"{self._station.name} has no ledger yet; it begins once something is accepted")
        if getattr(self._mine, "stamp", None) != stamp:
            self._let_go()
            self._mine.ledger = Ledger(self._station.ledger_place)
            self._mine.stamp = stamp
            self._all.append(self._mine.ledger)
        ledger: Ledger = self._mine.ledger
        return ledger

    def _stamp(self) -> _Stamp | None:
        """Return which file the ledger is, since another may be put in its place; None where there is none."""
        if self._station.table.ledger.url is not None:
            return 0, 0
        path = self._station.ledger_path
        if not has_ledger(path):
            return None
        with suppress(OSError):
            told = path.stat()
            # An empty file is none yet: it would be made one.
            return (told.st_dev, told.st_ino) if told.st_size else None
        return None

    def _let_go(self) -> None:
        ledger = self._mine.__dict__.pop("ledger", None)
        self._mine.stamp = None
        if ledger is not None:
            self._all.remove(ledger)
            ledger.close()
