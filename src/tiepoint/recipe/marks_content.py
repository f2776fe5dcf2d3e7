"""What a mark says: control characters made visible, messages of ISO/IEC 15434, GS1 element strings, check digits.

The text of a mark is data from outside. It is kept whole and never acted upon; `shown` gives the form in which it goes
into records, tables, pages and terminals, in which no character moves a cursor, turns the writing or hides.
"""

import unicodedata
from collections.abc import Callable
from dataclasses import dataclass

RS, GS, EOT = "\x1e", "\x1d", "\x04"
OPENING = f"[)>{RS}"

_PICTURES = 0x2400
"""Unicode's pictures of the control characters start here: ␀ for 0, ␝ for 29 (GS), ␞ for 30 (RS), ␄ for 4 (EOT)."""

_HIDDEN = frozenset(("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))


def shown(text: str) -> str:
    """Return text with every control character as its picture (␝␞␄) and every unseen one by its number, as in ⟨202E⟩.

    One text, one form: a picture that stands in the content itself is written by its number too.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(map(_shown_one, text))


def _shown_one(c: str) -> str:
    code = ord(c)
    if code < 0x20:
        return chr(_PICTURES + code)
    if code == 0x7F:
        return "␡"
    if _PICTURES <= code <= 0x2421 or unicodedata.category(c) in _HIDDEN:
        return f"⟨{code:04X}⟩"
    return c


_NAMES = (
    *("NUL", "SOH", "STX", "ETX", "EOT", "ENQ", "ACK", "BEL", "BS", "HT", "LF", "VT", "FF", "CR", "SO", "SI"),
    *("DLE", "DC1", "DC2", "DC3", "DC4", "NAK", "SYN", "ETB", "CAN", "EM", "SUB", "ESC", "FS", "GS", "RS", "US"),
)
"""Of the control characters from 0 up (ISO/IEC 646)."""

_ON_PAGE = {_PICTURES + k: f"<{name}>" for k, name in enumerate(_NAMES)} | {_PICTURES + 0x21: "<DEL>"}


def on_page(text: str) -> str:
    """Return shown text as pages and overlays draw it: pictures of control characters by their names, as <GS>.

    Few typefaces have these pictures, and a browser draws an empty box for what none has.
    """
    return text if text.isascii() else text.translate(_ON_PAGE)


def meant(text: str) -> str:
    """Return text that a person wrote with pictures of control characters as the text that it stands for."""
    return "".join(
        chr(ord(c) - _PICTURES) if _PICTURES <= ord(c) < _PICTURES + 0x20 else "\x7f" if c == "␡" else c for c in text
    )


@dataclass(frozen=True)
class Field:
    """One field of a message: a data identifier or an application identifier with its value."""

    identifier: str
    value: str


@dataclass(frozen=True)
class Fault:
    """What is wrong with a message: where, and what is there against what should be."""

    where: str
    says: str

    @property
    def sentence(self) -> str:
        """Both in one."""
        return f"{self.where} {self.says}"


@dataclass(frozen=True)
class Message:
    """What a mark's text is made of: `syntax` is `plain`, `iso15434` or `gs1`."""

    text: str
    syntax: str
    fields: tuple[Field, ...] = ()
    faults: tuple[Fault, ...] = ()

    def value_of(self, identifier: str) -> str | None:
        """Return the value of the only field with that identifier; None without one, or with several."""
        values = [f.value for f in self.fields if f.identifier == identifier]
        return values[0] if len(values) == 1 else None


def parse(text: str, is_gs1: bool = False, kind: str = "") -> Message:
    """Return what the text of a mark is made of.

    `is_gs1`: the symbol says so itself (FNC1 in first place). `kind`: the symbology, by which retail codes are known to
    carry a GS1 check digit.
    """
    if text.startswith("[)>"):
        return _envelope(text)
    if is_gs1:
        return _elements(text)
    if kind in ("ean_13", "ean_8", "upc_a", "upc_e", "itf_14"):
        return Message(text, "gs1", faults=_checked("check digit", text))
    return Message(text, "plain")


# --- ISO/IEC 15434 -------------------------------------------------------------------------------------------------


def _envelope(text: str) -> Message:
    """Return the fields of the messages in an ISO/IEC 15434 envelope: `[)>␞`, formats each closed by ␞, then ␄.

    Formats 05 (GS1 application identifiers) and 06 (data identifiers of ANSI MH10.8.2) are read; others are kept
    whole under the number of their format.
    """
    if not text.startswith(OPENING):
        return Message(text, "iso15434", faults=(Fault("the envelope", "does not open with [)>␞"),))
    body, end, rest = text[len(OPENING) :].partition(EOT)
    faults: list[Fault] = []
    if not end:
        faults.append(Fault("the envelope", "is not closed by ␄"))
    elif rest:
        faults.append(Fault("the envelope", "is followed by more text"))
    formats = body.split(RS)
    if formats[-1] == "":
        formats.pop()
    else:
        faults.append(Fault("the last message", "is not closed by ␞"))
    fields: list[Field] = []
    for message in formats:
        number, _, content = message.partition(GS)
        if number == "06":
            fields += [_by_data_identifier(part, faults) for part in content.split(GS)]
        elif number[:2] == "05":
            inner = _elements(message[2:].removeprefix(GS))
            fields += inner.fields
            faults += inner.faults
        else:
            fields.append(Field(f"format {shown(number[:2])}", message[2:].removeprefix(GS)))
    if not formats:
        faults.append(Fault("the envelope", "is empty"))
    return Message(text, "iso15434", tuple(fields), tuple(faults))


def _by_data_identifier(part: str, faults: list[Fault]) -> Field:
    """Return a field of format 06: its data identifier is up to three digits and one capital letter."""
    size = next((k for k, c in enumerate(part[:4]) if not ("0" <= c <= "9")), len(part))
    if size < len(part) and size <= 3 and "A" <= part[size] <= "Z":
        return Field(part[: size + 1], part[size + 1 :])
    faults.append(Fault(f'the field "{shown(part[:20])}"', "has no data identifier"))
    return Field("", part)


# --- GS1 -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Kind:
    """Of an application identifier: the number of characters (`least` to `most`), digits alone or any; its check."""

    least: int
    most: int
    is_digits: bool
    check: Callable[[str], str | None] | None = None


def check_digit(digits: str) -> str:
    """Return the check digit that follows digits: weights 3, 1, 3 … from the right, to the next ten.

    GS1 General Specifications, section 7.9: 950110153000 is followed by 3.
    """
    total = sum((3 if k % 2 == 0 else 1) * int(d) for k, d in enumerate(reversed(digits)))
    return str(-total % 10)


def _check(value: str) -> str | None:
    """Return what is wrong with a number that ends in its check digit; None where it is right."""
    if len(value) < 2 or not all("0" <= c <= "9" for c in value):
        return "is not a number with a check digit"
    right = check_digit(value[:-1])
    return None if value[-1] == right else f"ends in {value[-1]}, and its check digit is {right}"


def _date(value: str) -> str | None:
    """Return what is wrong with a date YYMMDD, whose day may be 00 for the whole month."""
    year, month, day = int(value[:2]), int(value[2:4]), int(value[4:6])
    if not 1 <= month <= 12:
        return f"has the month {month:02d}"
    days = 29 if month == 2 and year % 4 == 0 else (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)[month - 1]
    return None if day <= days else f"has the day {day:02d}"


_MEASURES = (*range(310, 317), *range(320, 338), *range(340, 358))
"""Weights, lengths, areas and volumes; a fourth digit says how many decimals they have."""

_IDENTIFIERS: dict[str, _Kind] = {
    "00": _Kind(18, 18, True, _check),
    **{ai: _Kind(14, 14, True, _check) for ai in ("01", "02", "03")},
    "10": _Kind(1, 20, False),
    **{ai: _Kind(6, 6, True, _date) for ai in ("11", "12", "13", "15", "16", "17")},
    "20": _Kind(2, 2, True),
    "21": _Kind(1, 20, False),
    "22": _Kind(1, 20, False),
    "30": _Kind(1, 8, True),
    "37": _Kind(1, 8, True),
    **{str(ai): _Kind(1, 90, False) for ai in range(90, 100)},
    "235": _Kind(1, 28, False),
    **{ai: _Kind(1, 30, False) for ai in ("240", "241", "250", "251", "400", "401", "403")},
    "242": _Kind(1, 6, True),
    "243": _Kind(1, 20, False),
    "253": _Kind(13, 30, False),
    "254": _Kind(1, 20, False),
    "255": _Kind(13, 25, True),
    "402": _Kind(17, 17, True, _check),
    **{str(ai): _Kind(13, 13, True, _check) for ai in range(410, 418)},
    "420": _Kind(1, 20, False),
    "421": _Kind(4, 12, False),
    "422": _Kind(3, 3, True),
    "7003": _Kind(10, 10, True),
    "8002": _Kind(1, 20, False),
    "8003": _Kind(14, 30, False),
    "8004": _Kind(1, 30, False),
    "8005": _Kind(6, 6, True),
    "8006": _Kind(18, 18, True),
    "8008": _Kind(8, 12, True),
    "8010": _Kind(1, 30, False),
    "8011": _Kind(1, 12, True),
    "8012": _Kind(1, 20, False),
    "8017": _Kind(18, 18, True, _check),
    "8018": _Kind(18, 18, True, _check),
    "8020": _Kind(1, 25, False),
    "8200": _Kind(1, 70, False),
    **{f"{ai}{d}": _Kind(6, 6, True) for ai in _MEASURES for d in range(6)},
    **{f"{ai}{d}": _Kind(1, 15, True) for ai in (390, 392) for d in range(10)},
    **{f"{ai}{d}": _Kind(4, 18, True) for ai in (391, 393) for d in range(10)},
}
"""Application identifiers of the GS1 General Specifications that parts and packages carry (from memory)."""

_FIXED = frozenset((*(f"{k:02d}" for k in (0, 1, 2, 3, 4, *range(11, 21))), "31", "32", "33", "34", "35", "36", "41"))
"""First two digits after which the length is known, so that no separator is needed (the same section, from memory)."""


def _elements(text: str) -> Message:
    """Return the fields of a GS1 element string, in which ␝ stands where a field of open length ends."""
    fields: list[Field] = []
    faults: list[Fault] = []
    rest = text
    while rest:
        identifier = next((rest[:n] for n in (2, 3, 4) if rest[:n] in _IDENTIFIERS), None)
        if identifier is None:
            faults.append(Fault(f'"{shown(rest[:12])}"', "starts with no application identifier known here"))
            break
        kind, after = _IDENTIFIERS[identifier], rest[len(identifier) :]
        value = after.split(GS, 1)[0]
        if identifier[:2] in _FIXED:
            value = value[: kind.most]
        fields.append(Field(identifier, value))
        rest = after[len(value) :].removeprefix(GS)
        faults += _faults_of(identifier, value, kind)
    if not text:
        faults.append(Fault("the element string", "is empty"))
    return Message(text, "gs1", tuple(fields), tuple(faults))


def _faults_of(identifier: str, value: str, kind: _Kind) -> tuple[Fault, ...]:
    where = f"({identifier})"
    if not kind.least <= len(value) <= kind.most:
        size = str(kind.most) if kind.least == kind.most else f"{kind.least} to {kind.most}"
        return (Fault(where, f"has {len(value)} characters, and {size} are right"),)
    if kind.is_digits and not all("0" <= c <= "9" for c in value):
        return (Fault(where, "holds more than digits"),)
    wrong = kind.check(value) if kind.check else None
    return () if wrong is None else (Fault(where, wrong),)


def _checked(where: str, value: str) -> tuple[Fault, ...]:
    wrong = _check(value)
    return () if wrong is None else (Fault(where, wrong),)
