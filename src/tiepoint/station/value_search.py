"""Records by a reading's own value and verdict, found in the series of a station and told from its ledger."""

from collections.abc import Iterator
from dataclasses import dataclass
from heapq import merge
from itertools import islice
from typing import Literal

from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.decide import Verdict
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.questions import Asked, last_records
from tiepoint.station.trends import Trends

AT_ONCE = 500
"""Numbers that are looked at in the ledger together."""


@dataclass(frozen=True, slots=True)
class Like:
    """Which of a reading: its `verdict` ("against": any but conforms; None: whichever), and its value, both ends in.

    Values go by the reading's own unit. None: no such end; with an end, what has no value is not meant.
    """

    reading: str
    verdict: Verdict | Literal["against"] | None = None
    at_least: float | None = None
    at_most: float | None = None


def records_like(
    ledger: Ledger, trends: Trends, like: Like, count: int, asked: Asked, *, before: int | None = None
) -> tuple[Entry, ...]:
    """Return the last records whose reading is so, and which are meant by `asked` besides, newest first.

    Raises `UnusableInput` where the ends are the wrong way round, or `asked` is refused (see `last_records`).
    """
    if like.at_least is not None and like.at_most is not None and like.at_least > like.at_most:
        raise UnusableInput(f"the value is from {like.at_least:g} to {like.at_most:g}; give from below to")
    found: list[Entry] = []
    numbers = _numbers(trends, like, asked.variant, before)
    while len(found) < count and (some := tuple(islice(numbers, AT_ONCE))):
        found += last_records(ledger, count - len(found), asked, among=some)
    return tuple(found)


def _numbers(trends: Trends, like: Like, variant: str | None, before: int | None) -> Iterator[int]:
    """Yield the numbers of such records, newest first, of all series of the reading together."""
    mine = [one for one in trends.series() if one.reading == like.reading and variant in (None, one.variant)]
    ends = (like.at_least, like.at_most)
    # A reading may stand in two units; a record has it once.
    yield from merge(*(trends.newest(one.id, like.verdict, *ends, before=before) for one in mine), reverse=True)
