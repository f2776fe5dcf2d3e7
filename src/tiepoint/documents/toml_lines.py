"""On which line of a TOML file something stands, so that a fault can be shown where it is."""

import re

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'|\[\d+\]""")

Place = tuple[str | int, ...]


def place_in(text: str) -> Place:
    """Return the keys and indices of a place such as `wires.map[0].reading`."""
    return tuple(int(p[1:-1]) if p.startswith("[") else p.strip("\"'") for p in _PART.findall(text))


def line_of(text: str, place: str) -> int | None:
    """Return the line, from 1, on which a place stands: that of its key, or of the nearest table or key around it.

    Texts of several lines that look like keys can mislead it, by which only the line that is shown would be wrong.
    """
    lines = _lines(text)
    wanted = place_in(place)
    while wanted:
        if wanted in lines:
            return lines[wanted]
        wanted = wanted[:-1]
    return None


def _lines(text: str) -> dict[Place, int]:
    found: dict[Place, int] = {}
    counts: dict[Place, int] = {}
    here: Place = ()
    for number, line in enumerate(text.splitlines(), 1):
        if header := _HEADER.match(line):
            path = _with_indices(place_in(header[2]), counts, is_new=header[1] == "[[")
            here = path
            found.setdefault(path, number)
            found.setdefault(path[:-1] if isinstance(path[-1], int) else path, number)
        elif key := _KEY.match(line):
            path = here
            for part in place_in(key[1]):
                path = (*path, part)
                found.setdefault(path, number)
    return found


def _with_indices(names: Place, counts: dict[Place, int], *, is_new: bool) -> Place:
    """Return a header's path with the index of each list of tables in it; `is_new`: the last begins another table."""
    path: Place = ()
    for k, name in enumerate(names):
        path = (*path, name)
        if is_new and k == len(names) - 1:
            counts[path] = counts.get(path, -1) + 1
            for inner in [p for p in counts if p[: len(path)] == path and p != path]:
                del counts[inner]
        if path in counts:
            path = (*path, counts[path])
    return path
