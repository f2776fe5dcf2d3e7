"""Forms: how a text must be built, as a person writes it in a recipe, matched in time that grows with the text alone.

A form is literal text with fields in braces: `LOT {digits:6}-{capitals:1-2}`. A field names which characters may stand
there and how many; `{from AB12:3}` lists them. `{{` and `}}` are braces themselves, `␝␞␄` the control characters.

Each field takes the set of places where it may start to the set of places where it may end, by one pass over the text.
So a text of n characters and a form of m fields cost n·m steps whatever they say: there is nothing to go back to.
"""

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.recipe.marks_content import meant

MOST_TEXT = 8000
"""No symbol holds more characters (QR, version 40, digits alone: 7089); longer text matches nothing."""
MOST_COUNT = 8000
MOST_PIECES = 200

DIGITS = frozenset("0123456789")
CAPITALS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
SMALLS = frozenset("abcdefghijklmnopqrstuvwxyz")

CLASSES: dict[str, frozenset[str]] = {
    "digits": DIGITS,
    "capitals": CAPITALS,
    "smalls": SMALLS,
    "letters": CAPITALS | SMALLS,
    "hex": DIGITS | frozenset("ABCDEFabcdef"),
    "capitals_digits": CAPITALS | DIGITS,
    "letters_digits": CAPITALS | SMALLS | DIGITS,
    "printable": frozenset(map(chr, range(0x20, 0x7F))),
}
"""The names of the characters that a field may hold; `any` is every character, control characters too."""

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Piece:
    """`least` to `most` characters out of `allowed` (None: any)."""

    allowed: frozenset[str] | None
    least: int
    most: int

    def allows(self, c: str) -> bool:
        """Whether a character may stand here."""
        return self.allowed is None or c in self.allowed


@dataclass(frozen=True)
class Form:
    """A form as it was written, and its pieces."""

    written: str
    pieces: tuple[Piece, ...]

    def matches(self, text: str) -> bool:
        """Whether the whole text is built so."""
        if len(text) > MOST_TEXT:
            return False
        starts = np.zeros(len(text) + 1, bool)
        starts[0] = True
        for piece in self.pieces:
            starts = _ends(piece, text, starts)
            if not starts.any():
                return False
        return bool(starts[-1])

    @property
    def characters(self) -> frozenset[str] | None:
        """Every character that may occur; None where any may."""
        if any(piece.allowed is None for piece in self.pieces):
            return None
        return frozenset(itertools.chain.from_iterable(piece.allowed or () for piece in self.pieces))

    def places(self, size: int) -> tuple[Piece, ...] | None:
        """Return which piece each of `size` characters belongs to; None where the form does not determine it.

        It does where at most one piece has a length of its own choice.
        """
        open_ = [p for p in self.pieces if p.least != p.most]
        spare = size - sum(p.least for p in self.pieces)
        if spare < 0 or len(open_) > 1 or (not open_ and spare) or (open_ and spare > open_[0].most - open_[0].least):
            return None
        told: list[Piece] = []
        for p in self.pieces:
            told += [p] * (p.least + (spare if p.least != p.most else 0))
        return tuple(told)


def _ends(piece: Piece, text: str, starts: Bools) -> Bools:
    """Return where a piece may end (n + 1,), from where it may start (n + 1,)."""
    n = len(text)
    places = np.arange(n + 1)
    barred = np.append(~np.fromiter(map(piece.allows, text), bool, n), True)
    next_barred = np.minimum.accumulate(np.where(barred, places, n)[::-1])[::-1]
    first = np.flatnonzero(starts)
    last = np.minimum(next_barred[first], first + piece.most)
    long_enough = last >= first + piece.least
    reach = np.zeros(n + 2, np.int64)
    np.add.at(reach, first[long_enough] + piece.least, 1)
    np.add.at(reach, last[long_enough] + 1, -1)
    return np.asarray(np.cumsum(reach)[: n + 1] > 0)


def read_form(written: str) -> Form:
    """Return the form that a person wrote; `UnusableDocument` with a sentence (without its place) where it is none."""
    pieces: list[Piece] = []
    rest = meant(written)
    while rest:
        if rest[:2] in ("{{", "}}"):
            literal, rest = rest[0], rest[2:]
            pieces.append(Piece(frozenset(literal), 1, 1))
        elif rest[0] == "{":
            inside, closed, rest = rest[1:].partition("}")
            if not closed:
                raise UnusableDocument("has a { that no } closes; write {{ for a brace itself")
            pieces.append(_field(inside))
        elif rest[0] == "}":
            raise UnusableDocument("has a } that no { opens; write }} for a brace itself")
        else:
            pieces.append(Piece(frozenset(rest[0]), 1, 1))
            rest = rest[1:]
        if len(pieces) > MOST_PIECES:
            raise UnusableDocument(f"has more than {MOST_PIECES} characters and fields; give a shorter one")
    if not pieces:
        raise UnusableDocument("is empty; give text, with fields as in {digits:6}")
    return Form(written, tuple(pieces))


def _field(inside: str) -> Piece:
    name, colon, count = inside.rpartition(":") if ":" in inside else (inside, "", "1")
    least, most = _counts(count, inside) if colon else (1, 1)
    if name.startswith("from "):
        allowed = name[5:]
        if not allowed:
            raise UnusableDocument(f"has the field {{{inside}}}, which lists no characters; as in {{from AB12:3}}")
        return Piece(frozenset(allowed), least, most)
    if name == "any":
        return Piece(None, least, most)
    if name not in CLASSES:
        known = ", ".join((*CLASSES, "any", "from …"))
        raise UnusableDocument(f"has the field {{{inside[:40]}}}, and {name[:40]!r} is none of {known}")
    return Piece(CLASSES[name], least, most)


def _counts(count: str, inside: str) -> tuple[int, int]:
    low, dash, high = count.partition("-")
    numbers = (low, high if dash else low)
    if not all(0 < len(n) <= 4 and n.isascii() and n.isdigit() for n in numbers):
        raise UnusableDocument(f"has the field {{{inside[:40]}}}; give its count as in {{digits:6}} or {{digits:1-8}}")
    least, most = int(numbers[0]), int(numbers[1])
    if not (least <= most <= MOST_COUNT and most > 0):
        raise UnusableDocument(f"has the field {{{inside[:40]}}}; give a count of 1 to {MOST_COUNT}, the smaller first")
    return least, most
