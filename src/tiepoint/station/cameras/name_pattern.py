"""What a picture's file name tells, by a pattern of bare fields: `{shot}_{light}.png`."""

import itertools
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.recipe.tables import meant, said_names, shown

FIELDS: Mapping[str, str] = {
    "shot": "what is the same in the names of all pictures of one shot, and in no other name",
    "light": "the lamp: one of those that the camera's lights names",
    "part_id": "the part",
    "variant": "the variant of the part",
    "count": "digits that grow from shot to shot; they may begin anew",
    "camera": "the camera's name in station.toml",
}
"""The fields of a pattern of names; everything else in it stands for itself."""

_PIECE = re.compile(r"\{([^{}]*)\}|([^{}]+)|([{}])")
_FREE = ("shot", "part_id", "variant")
LONGEST = 200
"""A name of more characters is none that a camera gives."""


@dataclass(frozen=True)
class NamePattern:
    """A pattern of file names, ready to read them. `lights`: the lamps of which a shot has one picture each."""

    text: str
    lights: tuple[str, ...] = ()
    camera: str = ""
    fields: tuple[str, ...] = field(init=False)
    _greedy: re.Pattern[str] = field(init=False, repr=False)
    _sparing: re.Pattern[str] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Compile; raises `UnusableDocument`, with the end of a sentence, where the pattern cannot be read."""
        pieces = list(_pieces(self.text))
        names = tuple(name for name, _ in pieces if name)
        _check(self.text, names, pieces, self.lights)
        object.__setattr__(self, "fields", names)
        object.__setattr__(self, "_greedy", self._compiled(pieces, ""))
        object.__setattr__(self, "_sparing", self._compiled(pieces, "?"))

    def _compiled(self, pieces: Iterable[tuple[str, str]], sparing: str) -> re.Pattern[str]:
        known = {
            "light": "|".join(re.escape(one) for one in sorted(self.lights, key=len, reverse=True)),
            "camera": re.escape(self.camera),
            "count": "[0-9]{1,18}" + sparing,
        }
        made = [f"(?P<{n}>{known.get(n, '.+' + sparing)})" if n else re.escape(text) for n, text in pieces]
        # Windows and many file servers do not tell capitals apart, and cameras write .JPG.
        return re.compile("".join(made), re.IGNORECASE)

    def read(self, name: str) -> dict[str, str] | str:
        """Return what a name tells, by field; or, in a clause, why it tells nothing.

        A name that could be read in two ways tells nothing.
        """
        if len(name) > LONGEST:
            return f"its name has {len(name)} characters; at most {LONGEST} are read"
        one, other = self._greedy.fullmatch(name), self._sparing.fullmatch(name)
        if one is None or other is None:
            return f"its name does not fit {shown(self.text)}"
        if one.groupdict() != other.groupdict():
            return f"its name fits {shown(self.text)} in more than one way"
        told = one.groupdict()
        if "light" in told:
            # Letters that match without regard to capitals may yet differ (the Turkish dotless i).
            lamp = next((known for known in self.lights if known.casefold() == told["light"].casefold()), None)
            if lamp is None:
                return f"its name does not fit {shown(self.text)}"
            told["light"] = lamp
        return told

    def shot_key(self, told: Mapping[str, str]) -> tuple[str, ...]:
        """Return what all pictures of one shot have in common."""
        return tuple(value for name, value in told.items() if name not in ("light", "camera"))


def _pieces(text: str) -> Iterable[tuple[str, str]]:
    """Yield `(field, "")` and `("", literal)` in turn."""
    for piece in _PIECE.finditer(text):
        name, literal, stray = piece.groups()
        if stray:
            raise UnusableDocument(f"is {shown(text)}, which has a lone {stray}; write fields as in {{shot}}")
        if name is not None and name not in FIELDS:
            raise UnusableDocument(f"is {shown(text)}: {{{name}}} is no field; {meant(name, list(FIELDS))}")
        yield (name, "") if name is not None else ("", literal)


def _check(text: str, names: Sequence[str], pieces: Sequence[tuple[str, str]], lights: Sequence[str]) -> None:
    def refuse(why: str) -> UnusableDocument:
        return UnusableDocument(f"is {shown(text)}; {why}")

    if not text or "/" in text or "\\" in text:
        raise refuse("give the pattern of a file's name, without folders")
    for name in names:
        if names.count(name) > 1:
            raise refuse(f"it has {{{name}}} twice; keep one")
    for (one, _), (other, _) in itertools.pairwise(pieces):
        if one and other:
            raise refuse(f"nothing stands between {{{one}}} and {{{other}}}; put a character there that neither holds")
    if "light" in names and len(lights) < 2:
        raise refuse("it has {light}, but lights names no two lamps; name those of which a shot has one picture each")
    if len(lights) > 1 and "light" not in names:
        raise refuse(f"it has no {{light}}, by which the pictures of {said_names(lights)} are told apart")
    if len(lights) > 1 and not {"shot", "count", "part_id"} & set(names):
        raise refuse("it has neither {shot} nor {count} nor {part_id}, by which the pictures of one shot are known")
