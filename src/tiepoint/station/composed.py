"""A record made ready by the process that judged the part, for the one that writes the ledger.

The writer then neither walks the record nor knows its sources.
"""

from dataclasses import dataclass

from tiepoint.model.record import Record
from tiepoint.station.ledger_chain import RecordText


@dataclass(frozen=True, slots=True, eq=False)
class Composed:
    """A record without the sources of its readings, as wires tell it, and the whole of its `text` for the ledger.

    Each is itself alone: two parts may be alike in everything.
    """

    record: Record
    text: RecordText


def composed(record: Record) -> Composed:
    """Return a record made ready. Raises `UnusableDocument` where it holds what no document can."""
    text = RecordText(record)
    return Composed(text.light, text)
