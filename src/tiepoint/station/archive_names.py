"""Names of kept pictures, by a pattern of the station's own: `{kept_utc:%Y-%m-%d}/{count:09d}_{part_id}_{verdict}/…`.

A pattern is text with bare fields in braces, each with a format after a colon from a short list; it can ask for nothing
else. What it makes is a name that every system can hold, in the archive's folder and nowhere else, whatever a part
calls itself. `{count}` is the number of the record in the ledger, and `{picture}` tells the pictures of one shot apart,
so no two pictures ever get the same name.
"""

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from tiepoint.documents.names import portable
from tiepoint.foundation.errors import UnusableInput

DEFAULT = "{kept_utc:%Y-%m-%d}/{count:09d}_{part_id}_{verdict}/{picture}.png"
SIDECAR = "shot.json"

Kind = Literal["text", "number", "time"]
FIELDS: Mapping[str, tuple[Kind, str]] = {
    "station": ("text", "the station's name"),
    "part_id": ("text", "what the part calls itself; nothing where nobody told it"),
    "variant": ("text", "by which variant it was judged"),
    "verdict": ("text", "conforms, rejected, undecided or unread"),
    "recipe": ("text", "the first 12 digits of the recipe's hash"),
    "shot": ("text", "the shot's id"),
    "camera": ("text", "which camera took it"),
    "picture": ("text", "the picture's role in the shot, as of a light; needed, in the last part"),
    "count": ("number", "the record's number in the ledger; needed"),
    "taken_utc": ("time", "when it was taken, or else kept"),
    "kept_utc": ("time", "when it was kept"),
}
"""What a pattern may ask for, and what each is."""

_FORMATS: Mapping[Kind, tuple[re.Pattern[str], str]] = {
    "text": (re.compile(r"(\.[1-9][0-9]?)?"), "nothing, or a length as in .20"),
    "number": (re.compile(r"(0?[1-9]?[0-9]?d)?"), "a width as in 09d"),
    "time": (re.compile(r"(%[YmdHMSjV]|[-_. ])*"), "of %Y %m %d %H %M %S %j %V, with - _ . and spaces between"),
}
_TOKEN = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)(?::([^{}]*))?\}|([^{}]+)")
_UNFIT = re.compile(r'[<>:"\\|?*\x00-\x1f\x7f]')
_BETWEEN = "_- "
MOST_LITERAL = 100
MOST_PARTS = 6
MOST_FIELDS = 12
_LETTERS = (40, 24, 12, 6)
"""Of a text in a name: so many, or fewer where the whole would be too long."""
MOST_PATH = 180
"""Characters of a name with its folders below the archive: Windows takes 260 with what is above it."""
_MOST_BYTES = 200


@dataclass(frozen=True, slots=True)
class _Field:
    name: str
    format: str


@dataclass(frozen=True)
class Pattern:
    """A pattern that was looked through. `parts`: between slashes, the last of them the file's, without an ending."""

    text: str
    parts: tuple[tuple["_Field | str", ...], ...]

    @property
    def folder_each(self) -> bool:
        """Whether every shot has a folder of its own, since the number of its record stands in the folder's name."""
        return any(self.folders)

    @property
    def folders(self) -> tuple[bool, ...]:
        """Of each folder on the way to a picture, whether the number of the record stands in its name."""
        return tuple(any(isinstance(t, _Field) and t.name == "count" for t in part) for part in self.parts[:-1])

    def path(self, values: Mapping[str, Any]) -> str:
        """Return the name of a picture without its ending, with `/` between its parts.

        `values` by field; a time as RFC 3339 in UTC. A field that there is nothing of leaves nothing, nor what stands
        between it and the next.
        """
        for letters in _LETTERS:
            parts = [_part(tokens, values, letters) for tokens in self.parts]
            if len("/".join(parts)) <= MOST_PATH and all(len(p.encode()) <= _MOST_BYTES for p in parts):
                break
        return "/".join(portable(part) for part in parts)


def pattern_of(text: str) -> Pattern:
    """Return the pattern of a text; `UnusableInput` in a sentence where it asks for what there is not."""
    if len(text) > 1000:
        raise UnusableInput(f"the pattern has {len(text)} letters; make it shorter")
    bare = text.rpartition("/")[2]
    stem = text[: len(text) - len(bare)] + re.sub(r"\.[A-Za-z]{2,5}\Z", "", bare)  # the ending is the file's own
    parts = tuple(_tokens(part, text) for part in stem.split("/"))
    fields = [t.name for part in parts for t in part if isinstance(t, _Field)]
    if len(parts) > MOST_PARTS or len(fields) > MOST_FIELDS or len(_literal(parts)) > MOST_LITERAL:
        raise UnusableInput(
            f"the pattern {text!r} makes names that are too long; use at most {MOST_PARTS} parts, {MOST_FIELDS} fields "
            f"and {MOST_LITERAL} letters of its own"
        )
    for needed in ("count", "picture"):
        if needed not in fields:
            raise UnusableInput(
                f"the pattern {text!r} has no {{{needed}}}, so two pictures could get the same name; add it"
            )
    if any(isinstance(t, _Field) and t.name == "picture" for part in parts[:-1] for t in part):
        raise UnusableInput(f"the pattern {text!r} has {{picture}} in a folder's name; a shot's pictures lie together")
    return Pattern(text, parts)


def _tokens(part: str, text: str) -> tuple[_Field | str, ...]:
    if not part or part in (".", "..") or part != part.strip(" ."):
        raise UnusableInput(f"the pattern {text!r} has the part {part!r} between its slashes; give each a name")
    tokens: list[_Field | str] = []
    at = 0
    while at < len(part):
        found = _TOKEN.match(part, at)
        if found is None:
            raise UnusableInput(
                f"the pattern {text!r} cannot be read from {part[at : at + 20]!r} on; a field is a bare name in "
                "braces, as in {part_id}, with a format after a colon"
            )
        tokens.append(found[3] if found[3] is not None else _field(found[1], found[2] or "", text))
        at = found.end()
    for token in tokens:
        if isinstance(token, str) and (unfit := _UNFIT.search(token)):
            raise UnusableInput(f"the pattern {text!r} has {unfit[0]!r}, which no file's name may have; take it out")
    return tuple(tokens)


def _field(name: str, format_: str, text: str) -> _Field:
    if name not in FIELDS:
        there = ", ".join(FIELDS)
        raise UnusableInput(f"the pattern {text!r} asks for {{{name}}}, which there is not; there are {there}")
    fits, there_are = _FORMATS[FIELDS[name][0]]
    if not fits.fullmatch(format_):
        raise UnusableInput(f"the pattern {text!r} has {{{name}:{format_}}}; its format may be {there_are}")
    return _Field(name, format_)


def _literal(parts: tuple[tuple[_Field | str, ...], ...]) -> str:
    return "".join(token for part in parts for token in part if isinstance(token, str))


def _part(tokens: tuple[_Field | str, ...], values: Mapping[str, Any], letters: int) -> str:
    told, gap = "", False
    for token in tokens:
        said = token if isinstance(token, str) else _said(token, values.get(token.name), letters)
        if gap and isinstance(token, str) and said[:1] in _BETWEEN and (not told or told[-1] in _BETWEEN):
            said = said[1:]  # what stood between a field and one that is not there goes with it
        gap = not isinstance(token, str) and not said
        told += said
    if gap:
        told = told.rstrip(_BETWEEN)
    return re.sub(r"\A[. ]", "_", told) or "_"


def _said(field: _Field, value: Any, letters: int) -> str:
    if value in (None, ""):
        return ""
    kind = FIELDS[field.name][0]
    if kind == "number":
        return format(int(value), field.format)
    if kind == "time":
        return _time(str(value)).strftime(field.format or "%Y%m%d%H%M%S")
    most = min(letters, int(field.format[1:])) if field.format else letters
    return fitting(str(value))[:most]


def fitting(text: str) -> str:
    """Return text as a part of a name: nothing in it hides or turns letters (UAX #9), or leads out of a folder."""
    plain = unicodedata.normalize("NFC", text.encode("utf-8", "replace").decode())
    seen = "".join("_" if unicodedata.category(c)[0] == "C" or c in "\u2028\u2029" else c for c in plain)
    return portable(seen)


def _time(text: str) -> datetime:
    try:
        told = datetime.fromisoformat(text)
    except ValueError:
        return datetime(1970, 1, 1, tzinfo=UTC)  # a camera's clock may tell anything; the number still tells it apart
    return told if told.tzinfo is None else told.astimezone(UTC)
