"""What was handed to a database that did not say whether it took it: it may be there, or not.

Where a line breaks in the midst of a commit, the entry is in the ledger or it is not, and only a look tells. Who tries
again finds what it added before, however much was added since, and adds nothing twice.
"""

from collections import deque
from typing import Any

import sqlalchemy as sql

from tiepoint.station.ledger_tables import entries

MOST = 16
"""So many are kept in mind: those that are tried again come one after another."""


class Unsure:
    """Entries whose commit failed, or is under way; `thing` is what they were made of, `outcome` what came of it."""

    def __init__(self) -> None:
        self._tried: deque[tuple[Any, str, Any]] = deque(maxlen=MOST)

    def tries(self, thing: Any, sha: str, outcome: Any) -> None:
        """Keep in mind what is about to be committed, by its entry's hash; earlier attempts at it are not there."""
        self.settled(thing)
        self._tried.append((thing, sha, outcome))

    def outcome(self, base: sql.Connection, *things: Any) -> Any:
        """Return what came of the first of these that the database has all the same; None where it has none.

        To be asked by who holds the ledger's lock: a commit that is still under way has ended then.
        """
        for thing, sha, outcome in self._tried:
            there = sql.select(entries.c.seq).where(entries.c.sha == sha)
            if thing in things and base.execute(there).first() is not None:
                return outcome
        return None

    def settled(self, *things: Any) -> None:
        """Forget these: what became of them is known."""
        self._tried = deque((one for one in self._tried if one[0] not in things), MOST)
