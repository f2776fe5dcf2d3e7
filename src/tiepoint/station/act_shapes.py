"""What an act that comes from outside has to hold before it is written.

Nothing is ever taken out of a ledger again: an act that its readers (`verify`, the report, the next start of duty)
cannot read would keep them from all the others, for ever. So it is held against what they read, and holds nothing else.
"""

import re
from collections.abc import Callable, Mapping
from typing import Any

from tiepoint.documents.names import portable
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.recipe.tables import shown

EVERY = ("format", "act", "station", "who", "why")
LONGEST_WHO, LONGEST_TEXT = 200, 1000
_SHA = re.compile(r"[0-9a-f]{64}")
_LAST = 2**62

Fits = Callable[[Any], bool]


def _sha(said: Any) -> bool:
    return isinstance(said, str) and _SHA.fullmatch(said) is not None


def _text(said: Any) -> bool:
    return isinstance(said, str) and 0 < len(said) <= LONGEST_TEXT and said.isprintable()


def _copies(said: Any) -> bool:
    return isinstance(said, dict) and all(_text(name) and _sha(sha) for name, sha in said.items())


def _numbers(said: Any) -> bool:
    return isinstance(said, list) and all(type(n) is int and 0 < n <= _LAST for n in said)


def _study_file(said: Any) -> bool:
    folder, _, name = said.partition("/") if _text(said) else ("", "", "")
    return folder == "studies" and name.endswith(".json") and portable(name) == name


def _or_none(fits: Fits) -> Fits:
    return lambda said: said is None or fits(said)


SHAPES: Mapping[str, Mapping[str, Fits]] = {
    "accept": {"recipes": _copies, "variants": _copies},
    "agree": {"requirements": _sha},
    "expire": {"records": _numbers, "entries": _numbers},
    "lot": {"lot": _text},
    "settle": {"alarm": _text},
    "study": {
        "kind": _text,
        "of": _or_none(_text),
        "good": _or_none(lambda said: isinstance(said, bool)),
        "file": _study_file,
        "sha": _sha,
        "data_sha": _or_none(_sha),
        "tie_sha": _or_none(_sha),
    },
    "variant": {"variant": _text},
}
"""What acts tell besides who, why and where; the others tell nothing more."""

OFF_DUTY = ("hold", "keep", "rename")
"""Acts that are written while nobody is on duty, or by duty itself."""


def demand_act(body: Mapping[str, Any]) -> None:
    """Raise `UnusableDocument`, in a sentence, where an act does not hold what its readers read."""
    name, shape = body["act"], SHAPES.get(body["act"], {})
    if name in OFF_DUTY:
        raise UnusableDocument(
            f"the act {shown(name)} is not one that is asked for on duty; take the station off first"
        )
    if len(body["who"]) > LONGEST_WHO or not _text(body["who"]) or not _text(body["why"]):
        raise UnusableDocument(
            f"who and why of an act are lines of at most {LONGEST_WHO} and {LONGEST_TEXT} printable characters"
        )
    if strange := sorted(body.keys() - {*EVERY, *shape}):
        raise UnusableDocument(f"the act {shown(name)} tells {shown(strange[0])}, which nobody reads; leave it out")
    for key, fits in shape.items():
        if key not in body or not fits(body[key]):
            raise UnusableDocument(f"the act {shown(name)} does not tell its {key} as it is read; see who wrote it")
