"""By what it is seen, without reading it, that a file is another one, or was written again."""

from collections.abc import Iterable
from pathlib import Path

Stamp = tuple[str, int, int, int]


def stamps_of(paths: Iterable[Path]) -> tuple[Stamp, ...]:
    """Return name, inode, time in ns and size of each file or folder; zeros of one that is not there.

    Who changes a file's content can keep all of these: what must not be deceived reads the file.
    """
    told = []
    for path in paths:
        try:
            stat = path.stat()
        except OSError:
            told.append((path.name, 0, 0, 0))
        else:
            told.append((path.name, stat.st_ino, stat.st_mtime_ns, stat.st_size))
    return tuple(told)
