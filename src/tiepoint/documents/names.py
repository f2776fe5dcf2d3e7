"""Names of files that are made from other names: each its own, and one that every system can hold.

Reserved names and characters are those of Windows (Microsoft, "Naming Files, Paths, and Namespaces"), the length is
what common file systems hold (255 bytes) with room for an ending; names that differ in case or in how an accent is
coded alone are one file on macOS and Windows.
"""

import os
import re
import unicodedata
from collections.abc import Iterable

_UNFIT = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]')
_RESERVED = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])(\.|\Z)", re.IGNORECASE)
MOST_BYTES = 200


def portable(name: str) -> str:
    """Return a name that every system can hold: what does not fit becomes `_`, and too long a name loses its end."""
    text = os.fsencode(name).decode("utf-8", "replace")
    text = _UNFIT.sub("_", text).encode()[:MOST_BYTES].decode("utf-8", "ignore")
    text = re.sub(r"[. ]+\Z", lambda end: "_" * len(end[0]), text)
    return f"_{text}" if _RESERVED.match(text) or not text else text


def each_its_own(names: Iterable[str]) -> list[str]:
    """Return portable names in the order of those given; of like ones the second gets `-2`, and so on."""
    taken: set[str] = set()
    own = []
    for name in map(portable, names):
        free, k = name, 1
        while folded(free) in taken:
            k += 1
            free = f"{name}-{k}"
        taken.add(folded(free))
        own.append(free)
    return own


def folded(name: str) -> str:
    """Return what two names have alike that are one file to some system."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())
