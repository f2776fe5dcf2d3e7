"""What a person types, as numbers: lengths with a unit, points in pixels. Errors name the option."""

from collections.abc import Callable, Sequence
from typing import TypeVar

from tiepoint.documents.tables import plain_number
from tiepoint.foundation.errors import UnknownUnit, UnusableInput
from tiepoint.foundation.units import MM_PER, parse_length, to_unit

Point = tuple[float, float]
T = TypeVar("T")

SMALLEST_MM, LARGEST_MM = 1e-9, 1e9
"""Of what is typed: less than an atom, more than a thousand kilometres; products of what lies beyond overflow."""

ANGLES = "zyx-intrinsic-deg, xyz-extrinsic-deg, zyz-intrinsic-deg or rotvec-deg"
"""The conventions of angles (`foundation.frames.CONVENTIONS`), spelt out here so that help needs no numerics."""


def if_typed(read: Callable[..., T], option: str, text: str | None, *more: object) -> T | None:
    """Return what `read` makes of an option's text and of `more`; None where the option was not given."""
    return None if text is None else read(option, text, *more)


def length_mm(option: str, text: str) -> float:
    """Return millimetres; `UnknownUnit` naming the option where the text is not a length."""
    try:
        value = parse_length(text)
    except UnknownUnit as error:
        raise UnknownUnit(f"{option}: {error}") from error
    if value and not SMALLEST_MM <= abs(value) <= LARGEST_MM:
        raise UnusableInput(f"{option} is {text.strip()[:40]}; no length of a station is so {_much(value)}, look at it")
    return value


def _much(value: float) -> str:
    return "large" if abs(value) > 1 else "small"


def positive_mm(option: str, text: str) -> float:
    """Return millimetres above zero."""
    value = length_mm(option, text)
    if value <= 0:
        raise UnusableInput(f"{option} is {text}; choose a length above 0")
    return value


def not_negative_mm(option: str, text: str) -> float:
    """Return millimetres of 0 or more, as for a standard uncertainty."""
    value = length_mm(option, text)
    if value < 0:
        raise UnusableInput(f"{option} is {text}; choose 0mm or more")
    return value


def point_px(option: str, text: str) -> Point:
    """Return the pixel of `X,Y`."""
    x, comma, y = text.partition(",")
    at = plain_number(x), plain_number(y)
    if not comma or at[0] is None or at[1] is None:
        raise UnusableInput(f"{option}: {text[:40]!r} is not a point; type its pixel as X,Y, as in 1224,1023.5")
    return at[0], at[1]


def points_px(option: str, texts: Sequence[str]) -> list[Point]:
    """Return the pixels of several `X,Y`."""
    return [point_px(option, text) for text in texts]


def share_typed(option: str, text: str) -> float:
    """Return the share of `0.1%`, `100ppm` or a bare number between 0 and 1."""
    stripped = text.strip()
    for ending, per in (("%", 100.0), ("ppm", 1e6)):
        if stripped.endswith(ending):
            number = plain_number(stripped.removesuffix(ending))
            value = None if number is None else number / per
            break
    else:
        value = plain_number(stripped)
    if value is None or not 0 < value < 1:
        raise UnusableInput(f"{option} is {text[:40]!r}; give a share above 0 and below 1, as in 0.1%, 100ppm or 0.001")
    return value


def in_unit(option: str, text: str, unit: str) -> float:
    """Return a quantity in the unit of some data: a length with its unit, or a bare number in the data's own.

    A bare number is refused where the data are lengths, since 0.1 may be inches as well.
    """
    number = plain_number(text)
    if unit in MM_PER or not unit:
        return to_unit(length_mm(option, text), unit or "mm")
    if number is None:
        raise UnusableInput(f"{option} is {text[:40]!r}; the data are in {unit}, so give a bare number, as in 12.5")
    return number
