"""Which drafts of a station have changed, whoever changed them: a page, an editor, or another program."""

import os
from collections.abc import Iterator, Mapping
from pathlib import Path

from tiepoint.station.draft_names import ENDINGS, FOLDERS, MOST_PARTS, NEVER, TRIED

MOST = 50_000
"""Files that are looked at; beyond, changes are not seen."""

Stamp = tuple[int, int, int]


def stamps_of(folder: Path) -> dict[str, Stamp]:
    """Return by its path how each draft looks from outside: a change of it changes that. Links are not followed."""
    told: dict[str, Stamp] = {}
    for path, entry in _drafts(folder):
        try:
            stat = entry.stat(follow_symlinks=False)
        except OSError:  # it has just gone
            continue
        told[path] = stat.st_mtime_ns, stat.st_size, stat.st_ino
        if len(told) >= MOST:
            break
    return told


def changed(before: Mapping[str, Stamp], now: Mapping[str, Stamp]) -> tuple[str, ...]:
    """Return the drafts that are otherwise, new or gone."""
    return tuple(sorted(path for path in before.keys() | now.keys() if before.get(path) != now.get(path)))


def _drafts(folder: Path) -> Iterator[tuple[str, "os.DirEntry[str]"]]:
    for entry in _entries(folder):
        if entry.is_dir(follow_symlinks=False):
            if entry.name in FOLDERS:
                yield from _below(Path(entry.path), entry.name, MOST_PARTS)
        elif entry.name.endswith(ENDINGS) and not entry.name.startswith(".") and entry.name not in NEVER:
            yield entry.name, entry


def _below(folder: Path, path: str, deeper: int) -> Iterator[tuple[str, "os.DirEntry[str]"]]:
    for entry in _entries(folder):
        name = f"{path}/{entry.name}"
        if entry.name.startswith(".") or TRIED in entry.name:  # what is being written, or tried
            continue
        if not entry.is_dir(follow_symlinks=False):
            yield name, entry
        elif deeper:
            yield from _below(Path(entry.path), name, deeper - 1)


def _entries(folder: Path) -> "list[os.DirEntry[str]]":
    try:
        with os.scandir(folder) as entries:
            return list(entries)
    except OSError:
        return []
