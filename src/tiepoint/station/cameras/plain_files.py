"""Files in a folder that others write into: opened without following links, moved without taking another's place."""

import os
import stat
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from tiepoint.documents.names import portable
from tiepoint.foundation.errors import UnusableInput

_FLAGS = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
"""Never through a link, and never waiting for the other end of a pipe; where a system knows these flags."""


def open_plain(path: Path) -> BinaryIO:
    """Return an ordinary file, opened; raises `OSError` where it is a link, a pipe or a device, or cannot be read."""
    file = os.fdopen(os.open(path, _FLAGS), "rb")
    if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
        file.close()
        raise OSError(f"{path} is not an ordinary file")
    return file


def read_plain(path: Path, most_bytes: int) -> bytes:
    """Return what an ordinary file holds; raises `OSError` as above, and where it is larger than allowed."""
    with open_plain(path) as file:
        data = file.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise OSError(f"{path} has more than {most_bytes / 1e6:.0f} MB")
    return data


def set_aside(path: Path, folder: Path) -> Path:
    """Move a file, a link itself or a folder into `folder`, under a name that is free there; raises `OSError`.

    The name is made portable: what lies aside is looked at by people, perhaps on another system.
    """
    folder.mkdir(parents=True, exist_ok=True)
    name = "".join(c if c.isprintable() else "_" for c in portable(path.name))
    free, k = folder / name, 1
    while os.path.lexists(free):
        k += 1
        stem, dot, ending = name.rpartition(".")
        free = folder / (f"{stem}-{k}.{ending}" if dot and stem else f"{name}-{k}")
    path.rename(free)
    return free


def below(root: Path, name: str, what: str) -> Path:
    """Return a folder below another; `UnusableInput` where its name leads elsewhere."""
    folder = root / name
    inside = Path(os.path.normpath(folder)).is_relative_to(os.path.normpath(root))
    if not inside or Path(name).is_absolute() or os.path.normpath(name) == ".":
        raise UnusableInput(f'{what} is "{name}"; name a folder below {root}')
    return folder


def bytes_below(folder: Path) -> tuple[int, int]:
    """Return how many bytes and files lie in a folder and below it; links count as nothing."""
    size = count = 0
    for place, _, names in os.walk(folder):
        for name in names:
            with suppress(OSError):
                told = os.lstat(os.path.join(place, name))  # noqa: PTH118  # quick: this is asked for each upload
                size, count = size + told.st_size, count + 1
    return size, count
