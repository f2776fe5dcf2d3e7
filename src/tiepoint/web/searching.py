"""The search of records, as a list and as files ask it: by what the ledger counts, or by a reading's own value."""

from dataclasses import dataclass, replace
from typing import Annotated, Literal

from fastapi import Query

from tiepoint.station.folder import Station
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.questions import Asked, last_records
from tiepoint.web.refused import Refused

AT_ONCE = 2000
"""Entries that a question takes into the series by itself; more are a job."""

Of = Literal["any", "against", "conforms", "rejected", "undecided", "unread"]
OfReading = Annotated[
    Of | None, Query(description="The reading's own verdict; against: any but conforms, which is meant unless given.")
]
AtLeast = Annotated[float | None, Query(ge=-1e12, le=1e12, description="The reading's value, in its own unit.")]
AtMost = Annotated[float | None, Query(ge=-1e12, le=1e12, description="The same, its upper end.")]


@dataclass(frozen=True, slots=True)
class Search:
    """Which records are meant. `of` to `at_most` are of `asked.reading`."""

    asked: Asked
    of: Of | None = None
    at_least: float | None = None
    at_most: float | None = None

    @property
    def by_value(self) -> bool:
        """Whether the series answer it, and not the ledger alone."""
        return self.of not in (None, "against") or self.at_least is not None or self.at_most is not None

    def demand_reading(self) -> None:
        """Refuse a value or a verdict of no reading."""
        if self.by_value and self.asked.reading is None:
            raise Refused(422, "a value or a verdict of no reading is asked for", "name it", where="reading")


def found(station: Station, ledger: Ledger, search: Search, count: int, before: int | None) -> tuple[Entry, ...]:
    """Return the last records that are meant, newest first; refused while the ledger was not read for series yet."""
    search.demand_reading()
    reading = search.asked.reading
    if not search.by_value or reading is None:
        return last_records(ledger, count, search.asked, before=before)
    from tiepoint.station.trends import Trends
    from tiepoint.station.value_search import Like, records_like

    with Trends(station) as trends:
        behind = trends.behind(ledger)
        if behind <= AT_ONCE:
            behind = trends.take_in(ledger)
        if behind:
            raise Refused(
                409, f"{behind} entries were not read for trends yet, by which values are found",
                "read them first, under Trend", where="reading",
            )  # fmt: skip
        of = None if search.of == "any" else search.of or "against"
        like = Like(reading, of, search.at_least, search.at_most)
        return records_like(ledger, trends, like, count, replace(search.asked, reading=None), before=before)
