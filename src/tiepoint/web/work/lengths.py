"""What a person typed into a field of a page, as a length: refused at the field, in a sentence."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, Literal

from pydantic import Field

from tiepoint.documents.tables import plain_number, typed_with_point, with_plain_sign
from tiepoint.foundation.errors import TiepointError, UnknownUnit
from tiepoint.foundation.units import MM_PER, parse_length
from tiepoint.web.here import Here
from tiepoint.web.refused import Refused, refused_by

Typed = Annotated[str, Field(max_length=60)]
"""A number with a decimal point or comma, in the page's unit, or with a unit of its own, as in 0.5in."""
Unit = Literal["mm", "in"]

SMALLEST_MM, LARGEST_MM = 1e-9, 1e9


def length_mm(
    where: str, text: str, unit: Unit, what: str, *, least: Literal["any", "above 0", "0"] = "any", empty: float = 0.0
) -> float:
    """Return a typed length in mm; `what` it is, in a few words, and `empty`: what nothing typed means.

    Raises `Refused` naming the field `where` it was typed.
    """
    told = with_plain_sign(text.strip())
    if not told:
        return empty
    pointed = typed_with_point(told)
    number = plain_number(pointed)
    try:
        mm = parse_length(pointed) if number is None else number * MM_PER[unit]
    except UnknownUnit:
        raise _refused(where, f"{what} reads {told[:40]!r}, which is no length", "type a number, as in 12.5") from None
    if mm and not SMALLEST_MM <= abs(mm) <= LARGEST_MM:
        size = "large" if abs(mm) > 1 else "small"
        raise _refused(where, f"{what} reads {told[:40]!r}; no length of a station is so {size}", "look at it")
    if (least == "above 0" and mm <= 0) or (least == "0" and mm < 0):
        needed = "a length above 0" if least == "above 0" else "0 or more"
        raise _refused(where, f"{what} reads {told[:40]!r}", f"give {needed}")
    return mm


def needed_mm(where: str, text: str, unit: Unit, what: str) -> float:
    """Return a typed length above 0; an empty field is refused too."""
    if not text.strip():
        raise _refused(where, f"{what} is empty", "type a length, as in 12.5")
    return length_mm(where, text, unit, what, least="above 0")


@contextmanager
def at_field(here: Here, where: str) -> Iterator[None]:
    """Say at a field what a room refuses; that somebody else changed a file meanwhile is said as it is."""
    from tiepoint.station.drafting import Conflict

    try:
        yield
    except Conflict:
        raise
    except TiepointError as error:
        raise refused_by(error, here.station.folder, where=where) from error


def _refused(where: str, says: str, do: str) -> Refused:
    return Refused(422, says, do, where=where)
